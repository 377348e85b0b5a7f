//! What photon transfer tells, and why it does not tell more.

use crate::Measured;
use std::fmt;

/// The frames that a figure comes from.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum TransferSource {
    /// Pairs of flats.
    Flats,
    /// Pairs of bias frames.
    Bias,
    /// Pairs of darks: what they say of the read noise holds the dark current's shot
    /// noise too.
    Darks,
    /// Neighboring lights: as for darks.
    Lights,
}

impl TransferSource {
    /// The trade's word for them.
    pub fn name(self) -> &'static str {
        match self {
            Self::Flats => "flats",
            Self::Bias => "bias",
            Self::Darks => "darks",
            Self::Lights => "lights",
        }
    }
}

/// Why a figure is missing or less certain.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum SensorNote {
    /// Values below black were set to it: their scatter is not the noise.
    BlackClipped {
        /// The lowest number, DN.
        at_dn: u16,
    },
    /// Levels of the frames differ too little to tell a slope.
    NarrowRange {
        /// The frames.
        source: TransferSource,
    },
    /// Variance does not grow in proportion to level: a second gain, lossy numbers, or
    /// light that is not the same in both frames.
    Crooked {
        /// The frames.
        source: TransferSource,
        /// Largest departure, relative.
        departure: f64,
    },
    /// Near sites of differences of lights share something: faint stars, or smoothing in
    /// the camera.
    SharedLight {
        /// Their correlation.
        correlation: f64,
    },
    /// Rounding hides the read noise.
    Rounded {
        /// Variance of a frame without light, DN².
        variance_dn2: f64,
    },
    /// The frames hint at a read noise but do not tell it.
    ReadNoiseUncertain {
        /// The frames.
        source: TransferSource,
    },
}

impl fmt::Display for SensorNote {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::BlackClipped { at_dn } => {
                write!(
                    f,
                    "blacks are clipped at {at_dn} DN: no read noise from these frames"
                )
            }
            Self::NarrowRange { source } => {
                write!(
                    f,
                    "levels of the {} differ too little to tell the gain",
                    source.name()
                )
            }
            Self::Crooked { source, departure } => write!(
                f,
                "variance over level of the {} departs from a line by {:.0} %: two gains, \
                 lossy numbers or changing light",
                source.name(),
                100.0 * departure
            ),
            Self::SharedLight { correlation } => write!(
                f,
                "neighbors in differences of lights are correlated ({correlation:.2}): faint \
                 stars or smoothing in the camera; the errors allow for it"
            ),
            Self::Rounded { variance_dn2 } => write!(
                f,
                "rounding to whole steps hides the read noise (variance {variance_dn2:.2} DN²)"
            ),
            Self::ReadNoiseUncertain { source } => {
                write!(
                    f,
                    "the {} do not tell the read noise well enough",
                    source.name()
                )
            }
        }
    }
}

/// The sensor behind one channel.
#[derive(Clone, Debug, PartialEq)]
pub struct ChannelSensor {
    /// Index into the picture's channels.
    pub channel: usize,
    /// Gain, e⁻ per DN: the inverse of EMVA's K.
    pub gain_e_per_dn: Option<Measured>,
    /// Where the gain comes from.
    pub gain_source: Option<TransferSource>,
    /// Pairs of frames behind the gain.
    pub gain_pairs: usize,
    /// Noise of a read, DN, rounding taken off.
    pub read_noise_dn: Option<Measured>,
    /// Where the read noise comes from.
    pub read_source: Option<TransferSource>,
    /// Pairs of frames behind the read noise.
    pub read_pairs: usize,
    /// Distance between recorded numbers, DN.
    pub step_dn: Option<f64>,
    /// Dark signal of a dark above a bias frame, e⁻ per site, hot pixels left out.
    pub dark_e: Option<Measured>,
    /// The same by second; nominal exposure.
    pub dark_current_e_per_s: Option<Measured>,
    /// Standard deviation of the sites' response over its mean (PRNU), within blocks.
    pub prnu: Option<Measured>,
    /// Standard deviation of the sites' offsets (DSNU), DN, within blocks.
    pub dsnu_dn: Option<Measured>,
    /// Temporal noise of a single flat over its level, no unit: 1/√e⁻ where it is all
    /// shot noise.
    pub flat_noise: Option<Measured>,
    /// Temporal noise of a single dark, or bias frame where there are no darks, DN: dark
    /// current and rounding in it.
    pub zero_noise_dn: Option<Measured>,
    /// Noise of the typical light.
    pub light: Option<LightNoise>,
    /// Why something is missing or uncertain.
    pub notes: Vec<SensorNote>,
}

impl ChannelSensor {
    pub(crate) fn nothing(channel: usize) -> Self {
        Self {
            channel,
            gain_e_per_dn: None,
            gain_source: None,
            gain_pairs: 0,
            read_noise_dn: None,
            read_source: None,
            read_pairs: 0,
            step_dn: None,
            dark_e: None,
            dark_current_e_per_s: None,
            prnu: None,
            dsnu_dn: None,
            flat_noise: None,
            zero_noise_dn: None,
            light: None,
            notes: Vec::new(),
        }
    }

    /// Noise of a read, e⁻.
    pub fn read_noise_e(&self) -> Option<Measured> {
        Some(self.read_noise_dn?.product(self.gain_e_per_dn?))
    }

    /// Standard deviation of the sites' offsets, e⁻.
    pub fn dsnu_e(&self) -> Option<Measured> {
        Some(self.dsnu_dn?.product(self.gain_e_per_dn?))
    }
}

/// Noise of one site of the typical light, by its causes: the squares of `shot_e`,
/// `dark_e`, `read_e` and `quantization_e` add up to about that of `total_e`.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct LightNoise {
    /// Typical level above a dark, or above what stands in for it, DN.
    pub level_dn: f64,
    /// All of the temporal noise, DN, from differences of neighboring lights.
    pub total_dn: Measured,
    /// The same, e⁻.
    pub total_e: Option<Measured>,
    /// Shot noise of the light, e⁻; of dark current too where only bias frames or the
    /// stated black level are subtracted.
    pub shot_e: Option<f64>,
    /// Read noise, e⁻; with the dark current's where it comes from darks or lights.
    pub read_e: Option<f64>,
    /// Shot noise of the dark current, e⁻; `None` where it is in one of the others.
    pub dark_e: Option<f64>,
    /// Rounding, e⁻.
    pub quantization_e: Option<f64>,
    /// Pairs of lights compared.
    pub pairs: usize,
}

impl LightNoise {
    pub(super) fn of(
        sensor: &ChannelSensor,
        level_dn: f64,
        variance_dn2: Measured,
        pairs: usize,
    ) -> Self {
        let total_dn = Measured {
            value: variance_dn2.value.max(0.0).sqrt(),
            error: variance_dn2.error / (2.0 * variance_dn2.value.max(0.0).sqrt()),
        };
        let gain = sensor.gain_e_per_dn;
        let dark_e = match sensor.read_source {
            Some(TransferSource::Bias) => sensor.dark_e.map(|dark| dark.value.max(0.0).sqrt()),
            _ => None,
        };
        Self {
            level_dn,
            total_dn,
            total_e: gain.map(|gain| total_dn.product(gain)),
            shot_e: gain.map(|gain| (level_dn * gain.value).max(0.0).sqrt()),
            read_e: sensor.read_noise_e().map(|read| read.value),
            dark_e,
            quantization_e: gain
                .zip(sensor.step_dn)
                .map(|(gain, step)| gain.value * step / 12f64.sqrt()),
            pairs,
        }
    }
}
