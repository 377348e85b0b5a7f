//! A measured figure and how well it is known.

/// A figure and its standard error, in the same unit; NaN where it could not be measured.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Measured {
    /// The figure.
    pub value: f64,
    /// One standard error.
    pub error: f64,
}

impl Measured {
    /// Nothing known.
    pub const NONE: Self = Self {
        value: f64::NAN,
        error: f64::NAN,
    };

    /// Both, times a number.
    pub fn times(self, factor: f64) -> Self {
        Self {
            value: self.value * factor,
            error: self.error * factor.abs(),
        }
    }

    /// One over it.
    pub fn inverse(self) -> Self {
        Self {
            value: 1.0 / self.value,
            error: self.error / (self.value * self.value),
        }
    }

    /// `-2.5 log10`, mag.
    pub fn magnitude(self) -> Self {
        Self {
            value: -2.5 * self.value.log10(),
            error: 2.5 / std::f64::consts::LN_10 * self.error / self.value,
        }
    }

    /// Moved by a number.
    pub fn plus(self, offset: f64) -> Self {
        Self {
            value: self.value + offset,
            error: self.error,
        }
    }

    /// Standard errors from `other`; NaN when unknown.
    pub fn distance(self, other: f64) -> f64 {
        (self.value - other).abs() / self.error
    }

    /// The error over the figure.
    pub fn relative(self) -> f64 {
        self.error / self.value.abs()
    }

    /// The product of two independent figures.
    pub fn product(self, other: Self) -> Self {
        Self {
            value: self.value * other.value,
            error: (self.error * other.value).hypot(self.value * other.error),
        }
    }
}
