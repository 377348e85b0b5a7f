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
    /// Its motion in the frame; `None` where the camera stands still.
    #[serde(default)]
    pub motion: Option<GroundMotion>,
}

/// A ground that moves in the frame, since the camera follows the sky or is held by hand.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct GroundMotion {
    /// How far it moves from the first light to the farthest, px.
    #[serde(deserialize_with = "crate::number::nan_for_null")]
    pub drift_px: f64,
    /// How far it moves during a light, px: so much it is smeared. 0 where its motion is not
    /// steady, as from the hand.
    #[serde(deserialize_with = "crate::number::nan_for_null")]
    pub smear_px: f64,
    /// Share of the lights' samples that is kept out of the sky, 0 to 1.
    #[serde(deserialize_with = "crate::number::nan_for_null")]
    pub masked: f64,
}

/// How a ground is known.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum GroundFound {
    /// It was found in the lights.
    Auto,
    /// A mask was given.
    Mask,
    /// The whole picture was declared ground, and stacked where it lies.
    All,
}
