//! The ground in the picture, which stands still while the stars turn.

use serde::{Deserialize, Serialize};

/// The ground, and its noise in all. Gains are ratios without unit.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Ground {
    /// How it is known.
    pub found: GroundFound,
    /// Share of the picture, 0 to 1.
    pub fraction: f64,
    /// Gain of equal, independent frames; `None`, as the others, where the ground is too
    /// small to measure.
    pub expected_gain: Option<f64>,
    /// Noise of a single frame over noise of the stack, at the scale of blocks.
    pub gain_area: Option<f64>,
    /// `gain_area` squared.
    pub effective_frames: Option<f64>,
    /// One standard error of `gain_area`.
    pub error: Option<f64>,
}

/// How a ground is known.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum GroundFound {
    /// It was found in the lights.
    Auto,
    /// A mask was given.
    Mask,
}
