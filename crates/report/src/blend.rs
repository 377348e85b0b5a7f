//! `report.json` of a blend: what of the picture came from where, and by which factor.

use crate::channel::ByChannel;
use crate::figure::Figure;
use crate::layout;
use crate::number::nan_for_null;
use crate::report::ReportError;
use crate::run::Run;
use crate::warning::WarningEntry;
use serde::{Deserialize, Serialize};

/// Version of the file's structure.
pub const BLEND_SCHEMA_VERSION: u32 = 1;

/// The report of `radicand blend`.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Blend {
    /// [`BLEND_SCHEMA_VERSION`].
    pub schema_version: u32,
    /// Where the sky came from.
    pub sky: BlendSource,
    /// Where the ground came from.
    pub ground: BlendSource,
    /// How the ground is known: `auto` or `mask`.
    pub found: String,
    /// Shares of the picture by source.
    pub shares: BlendShares,
    /// Where the ground lies.
    pub offset: BlendOffset,
    /// What its values were multiplied by.
    pub brightness: BlendBrightness,
    /// Noise of both parts.
    pub noise: BlendNoise,
    /// How it was made.
    pub run: Run,
    /// What the reader should know.
    pub warnings: Vec<WarningEntry>,
}

/// One of the two pictures.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct BlendSource {
    /// The file.
    pub file: String,
    /// What it is: `raw`, `stack`, `composite` or `picture`.
    pub kind: String,
    /// Exposure of a frame in it, s.
    pub exposure_s: Option<f64>,
    /// Sensitivity setting.
    pub iso: Option<u32>,
    /// Frames in it.
    pub frames: Option<u32>,
}

/// Shares of the picture's pixels, 0 to 1, by where most of their light came from.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct BlendShares {
    /// From the sky's file.
    pub sky: f64,
    /// Ground, from the ground's file.
    pub ground: f64,
    /// Sky, from the ground's file: along the ridge, and where the sky's file has no sky.
    pub sky_of_ground: f64,
    /// Mixed of both in the feather along the ridge; these count above as well.
    pub mixed: f64,
    /// Ground that the ground's file does not show at this offset: the sky's file is all
    /// there is.
    pub ground_missing: f64,
    /// Without any value.
    pub empty: f64,
}

/// How the ground was laid on the sky.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct BlendOffset {
    /// From its place in its own file to that in the sky's, at the middle of the ridge, to
    /// the right and down, px.
    pub px: [f64; 2],
    /// Turn about the middle of the picture, degrees, clockwise.
    pub turn_deg: f64,
    /// One standard error of the place, px, from the fit alone.
    #[serde(deserialize_with = "nan_for_null")]
    pub error_px: f64,
    /// Correlation of both pictures along the ridge and on the ground, 0 to 1.
    #[serde(deserialize_with = "nan_for_null")]
    pub likeness: f64,
    /// Whether the ground was resampled; an offset too small to be seen is left.
    pub resampled: bool,
}

/// How the ground was brought to the sky's brightness.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct BlendBrightness {
    /// What all values of the ground's file were multiplied by, in every channel alike.
    pub factor: f64,
    /// Where it is from: `sky` (the sky near the ridge in both), `exposure` (stated
    /// exposures and sensitivities) or `none`.
    pub basis: String,
    /// The factor by the sky near the ridge, by channel.
    pub measured: ByChannel<Figure>,
    /// The factor by exposure times sensitivity over squared f-number.
    pub by_exposure: Option<f64>,
    /// What is left of a step between both skies at the ridge, of the sky's level, by channel.
    pub step: ByChannel<f64>,
}

/// White-equivalent noise of a pixel, DN of the blend, by channel; empty where a source does
/// not tell.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct BlendNoise {
    /// In the sky.
    pub sky: ByChannel<f64>,
    /// On the ground, after the factor.
    pub ground: ByChannel<f64>,
}

impl Blend {
    /// The bytes of the file, as [`Report::to_json`](crate::Report::to_json) writes them.
    pub fn to_json(&self) -> Vec<u8> {
        layout::to_json(self)
    }

    /// The report that `bytes` hold.
    ///
    /// # Errors
    ///
    /// [`ReportError`].
    pub fn from_json(bytes: &[u8]) -> Result<Self, ReportError> {
        Ok(serde_json::from_slice(bytes)?)
    }
}
