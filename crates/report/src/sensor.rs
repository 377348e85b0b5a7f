//! The sensor behind the noise: gain, read noise and the parts of a light's noise.

use crate::channel::ByChannel;
use crate::figure::Figure;
use serde::{Deserialize, Serialize};

/// What photon transfer tells, by channel; empty when nothing was looked at.
pub type Sensor = ByChannel<SensorChannel>;

/// Frames that a figure comes from.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Source {
    /// Pairs of flats.
    Flats,
    /// Pairs of bias frames.
    Bias,
    /// Pairs of darks.
    Darks,
    /// Neighboring lights.
    Lights,
}

/// The sensor behind one channel. What could not be measured is `None`, never guessed.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct SensorChannel {
    /// Gain, e⁻/DN.
    pub gain_e_per_dn: Option<Figure>,
    /// What it comes from.
    pub gain_source: Option<Source>,
    /// Pairs of frames behind it.
    pub gain_pairs: u32,
    /// Noise of a read, e⁻, rounding taken off.
    pub read_noise_e: Option<Figure>,
    /// The same, DN.
    pub read_noise_dn: Option<Figure>,
    /// What it comes from.
    pub read_source: Option<Source>,
    /// Pairs of frames behind it.
    pub read_pairs: u32,
    /// Distance between recorded numbers, DN.
    pub step_dn: Option<f64>,
    /// Dark current of an ordinary site, e⁻/s.
    pub dark_current_e_per_s: Option<Figure>,
    /// Standard deviation of the sites' response over its mean.
    pub prnu: Option<Figure>,
    /// Standard deviation of the sites' offsets, e⁻.
    pub dsnu_e: Option<Figure>,
    /// Noise of a site of the typical light.
    pub light: Option<SensorLight>,
    /// Why something is missing or uncertain, a sentence each.
    pub notes: Vec<String>,
}

/// Noise of a site of the typical light; the squares of its parts add up.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct SensorLight {
    /// Typical level, DN above a dark or what stands in for it.
    pub level_dn: Option<f64>,
    /// All temporal noise, DN.
    pub total_dn: Option<Figure>,
    /// The same, e⁻.
    pub total_e: Option<Figure>,
    /// Shot noise of the light, e⁻.
    pub shot_e: Option<f64>,
    /// Read noise, e⁻.
    pub read_e: Option<f64>,
    /// Shot noise of the dark current, e⁻.
    pub dark_e: Option<f64>,
    /// Rounding, e⁻.
    pub quantization_e: Option<f64>,
    /// Pairs of lights compared.
    pub pairs: u32,
}
