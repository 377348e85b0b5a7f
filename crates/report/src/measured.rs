//! A result made elsewhere, in the report that `measure` writes of it.

use crate::channel::ByChannel;
use crate::figure::Figure;
use crate::layout;
use crate::number::nan_for_null;
use crate::report::Report;
use serde::{Deserialize, Serialize};

/// The report of a result made elsewhere: that of a stack, and `result`.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct MeasuredReport {
    /// As for a stack.
    #[serde(flatten)]
    pub report: Report,
    /// What the figures are about.
    pub result: MeasuredResult,
}

impl MeasuredReport {
    /// The bytes of the file, as [`Report::to_json`] writes them.
    pub fn to_json(&self) -> Vec<u8> {
        layout::to_json(self)
    }

    /// The result in one line, as [`headline`](crate::headline) of a stack.
    pub fn headline(&self) -> String {
        let summary = &self.report.noise.summary;
        let n = summary.frames_used;
        if self.result.holds_more {
            return format!(
                "the result has less noise than these {n} frames can give: it holds more than \
                 these, or was smoothed; what it is worth they cannot tell"
            );
        }
        match summary.gain_area.is_finite() {
            true => crate::headline(&self.report),
            false => "the noise of the result could not be measured".to_owned(),
        }
    }
}

/// What the figures of the report are about, when not a stack of this program.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct MeasuredResult {
    /// The file as given.
    pub file: String,
    /// Width and height, px.
    pub size: [u32; 2],
    /// Its pixels per pixel of the frames, along a side.
    #[serde(deserialize_with = "nan_for_null")]
    pub px_per_frame_px: f64,
    /// Stars matched with the stack of the frames.
    pub matched: u32,
    /// Their rms distance after the fit, px.
    #[serde(deserialize_with = "nan_for_null")]
    pub residual_px: f64,
    /// Whether it shows the field mirrored.
    pub mirrored: bool,
    /// Whether it is in proportion to light; `None` where stars and sky do not tell.
    pub linear: Option<bool>,
    /// Whether it has less noise than all the frames can give; the report then claims no
    /// gain.
    pub holds_more: bool,
    /// Slope of log star flux against the stack, less 1; 0 is in proportion.
    pub tone: Figure,
    /// Width of its stars over that in the stack.
    pub fwhm_ratio: Figure,
    /// By channel.
    pub channels: ByChannel<MeasuredChannel>,
    /// What can and what cannot be said.
    pub notes: Vec<String>,
}

/// One channel of such a result.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct MeasuredChannel {
    /// Its DN per DN of the stack: by star fluxes, or the slope at the sky's level.
    pub scale: Figure,
    /// That slope over the scale by star fluxes; 1 where both agree.
    pub sky_slope: Figure,
    /// Its noise over that of the stack, over areas.
    pub noise_ratio: Figure,
    /// The same, pixel by pixel.
    #[serde(deserialize_with = "nan_for_null")]
    pub pixel_ratio: f64,
    /// The same over areas, from the difference to the stack.
    pub by_difference: Figure,
    /// The same over areas, from the variances of both.
    pub by_variance: Figure,
    /// Whether those contradict each other, so that the second was used.
    pub common_part: bool,
}
