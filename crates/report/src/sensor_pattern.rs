//! A pattern of the sensor that was looked for in the lights: what came of it.

use crate::ByChannel;
use serde::{Deserialize, Serialize};

/// What `--sensor-pattern auto` found, and whether it was taken off the lights.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct SensorPattern {
    /// Whether it was taken off: then all other figures are those afterwards.
    pub subtracted: bool,
    /// Why it was not.
    pub reason: Option<String>,
    /// Largest distance between two lights over the sensor, px; `None` when not known.
    pub drift_px: Option<f64>,
    /// Part of a white pattern's variance in the stack that the drift tells from the sky, 0 to
    /// 1, if all that the lights show is believed.
    pub tellable: Option<f64>,
    /// Part of what the lights show that is believed, at the scale of blocks, 0 to 1; `None`,
    /// as all that follows, where nothing was looked for.
    pub believed: Option<f64>,
    /// Share of the sensor's sites that the lights tell anything of.
    pub known: Option<f64>,
    /// Noise of the stack with the pattern in it, DN: geometric mean over regions of sky and
    /// channels.
    pub stack_before_dn: Option<f64>,
    /// The same without it, whether or not it was kept so.
    pub stack_after_dn: Option<f64>,
    /// `stack_after_dn / stack_before_dn`, region by region.
    pub noise_ratio: Option<f64>,
    /// One standard error of it, from the scatter of the regions.
    pub noise_ratio_error: Option<f64>,
    /// By channel; empty where nothing was looked for.
    pub channels: ByChannel<PatternChannel>,
}

/// How strong the pattern of one channel is.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct PatternChannel {
    /// Standard deviation from site to site, the error taken off, DN.
    #[serde(deserialize_with = "crate::number::nan_for_null")]
    pub rms_dn: f64,
    /// Standard error of a site, DN.
    #[serde(deserialize_with = "crate::number::nan_for_null")]
    pub error_dn: f64,
}
