//! A measured number and how well it is known.

use crate::number::nan_for_null;
use serde::{Deserialize, Serialize};

/// Standard errors from which a difference is called one.
pub const MEASURABLE_SIGMAS: f64 = 3.0;

/// A figure with one standard error, in the figure's unit; NaN, `null` in files, where not
/// known.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Figure {
    /// The figure.
    #[serde(deserialize_with = "nan_for_null")]
    pub value: f64,
    /// One standard error.
    #[serde(deserialize_with = "nan_for_null")]
    pub error: f64,
}

impl Figure {
    /// Times a number.
    pub fn times(self, factor: f64) -> Self {
        Self {
            value: self.value * factor,
            error: self.error * factor.abs(),
        }
    }

    /// Squared.
    pub fn squared(self) -> Self {
        Self {
            value: self.value * self.value,
            error: 2.0 * self.value.abs() * self.error,
        }
    }

    /// One over it.
    pub fn inverse(self) -> Self {
        Self {
            value: 1.0 / self.value,
            error: self.error / self.value.powi(2),
        }
    }

    /// Whether a ratio differs from 1 by more than chance.
    pub fn differs_from_one(self) -> bool {
        // Of logarithms, so that a ratio and its inverse are judged alike.
        self.value.ln().abs() > MEASURABLE_SIGMAS * self.error / self.value
    }
}
