//! What calibration leaves of a sensor's fixed pattern: measured where it can be, else assumed.
//!
//! A pattern that no drift shows can still be bounded. Flats leave their own noise of the
//! sites' response and darks theirs of the sites' offsets; without them a typical sensor's
//! stand in, and [`PatternPrior::basis`] says so.

use crate::pattern::PatternBasis;
use crate::photon_transfer::{ChannelSensor, LightNoise};

/// What is left of a channel's fixed pattern in a calibrated light.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct PatternPrior {
    /// Rms response differences from pixel to pixel, as a share of the sky level.
    pub response: f64,
    /// Rms offsets from pixel to pixel, which are there without light, DN.
    pub offset_dn: f64,
    /// What both rest on.
    pub basis: PatternBasis,
}

/// How the lights were exposed and calibrated.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Calibrated {
    /// Shutter-open time of a light, s; where it is not known no dark signal is assumed.
    pub exposure_s: Option<f64>,
    /// Frames in the master flat; 0 without one.
    pub flats: usize,
    /// Frames in the master dark; 0 without one.
    pub darks: usize,
    /// Frames in the master bias; it counts where there is no master dark.
    pub bias: usize,
}

/// Response differences of pixels without a flat, as a share of the signal: common
/// practice gives 0.5 to 1 %, no source.
const TYPICAL_RESPONSE: f64 = 0.008;
/// Offsets of pixels in a short exposure, white equivalent at the scale of blocks, e⁻:
/// common practice for CMOS sensors is 0.5 to 2 e⁻ from pixel to pixel, and up to 0.5 e⁻
/// from column to column, which count √8 times in means over 8 px; no source.
const TYPICAL_OFFSET_E: f64 = 2.0;
/// Scatter of the pixels' dark current, e⁻/s, without hot pixels: common practice for
/// uncooled sensors on a cool night is 0.01 to 0.1 e⁻/s, no source.
const TYPICAL_DARK_E_PER_S: f64 = 0.05;
/// No camera reads with less noise, e⁻; common practice, no source.
const LEAST_READ_E: f64 = 1.0;
/// Gain where nothing tells it, DN per e⁻.
const UNITY_DN_PER_E: f64 = 1.0;
/// With fewer frames a master does not know its own noise, and single pixels in it are
/// not believed: the pattern is left as it was.
const FEWEST_FRAMES: usize = 3;

impl PatternPrior {
    /// What calibration leaves, by what photon transfer says of the frames that it was
    /// made with.
    ///
    /// A master of n frames believes a pattern of rms p by the noise s = frame / √n it has
    /// itself, and leaves p s / √(p² + s²): the error of Wiener's filter.
    pub fn of(sensor: &ChannelSensor, calibrated: &Calibrated) -> Self {
        let of_master = |noise: Option<f64>, frames: usize| {
            noise
                .filter(|_| frames >= FEWEST_FRAMES)
                .map(|noise| noise / (frames as f64).sqrt())
        };
        let flat = of_master(sensor.flat_noise.map(|noise| noise.value), calibrated.flats);
        let zero_frames = match calibrated.darks {
            0 => calibrated.bias,
            darks => darks,
        };
        let zero_dn = of_master(sensor.zero_noise_dn.map(|noise| noise.value), zero_frames);

        let response = sensor.prnu.map_or(TYPICAL_RESPONSE, |prnu| prnu.value);
        let dn_per_e = dn_per_e(sensor);
        let dark_dn = dn_per_e * TYPICAL_DARK_E_PER_S * calibrated.exposure_s.unwrap_or(0.0);
        // Bias frames show the offsets without what the dark current adds to them.
        let offset_dn = sensor.dsnu_dn.map_or(0.0, |dsnu| dsnu.value);
        let offset_dn = offset_dn.max(dn_per_e * TYPICAL_OFFSET_E);
        let offset_dn = match (calibrated.darks, zero_dn) {
            (0, Some(zero_dn)) => left(offset_dn, zero_dn).hypot(dark_dn),
            (_, Some(zero_dn)) => left(offset_dn.hypot(dark_dn), zero_dn),
            (_, None) => offset_dn.hypot(dark_dn),
        };
        let darks = calibrated.darks > 0 && zero_dn.is_some();
        Self {
            response: flat.map_or(response, |noise| left(response, noise)),
            offset_dn,
            basis: match (flat.is_some(), darks) {
                (true, true) => PatternBasis::Calibration,
                (true, false) => PatternBasis::Flats,
                (false, true) => PatternBasis::Darks,
                (false, false) => PatternBasis::Assumed,
            },
        }
    }

    /// Area-scale variance of an unmoved pattern, DN^2: white on the channel's
    /// photosites, which are a `photosite_share` of all.
    pub(crate) fn area_variance(&self, sky_dn: f64, photosite_share: f64) -> f64 {
        let variance = (self.response * sky_dn).powi(2) + self.offset_dn.powi(2);
        variance / photosite_share.clamp(f64::MIN_POSITIVE, 1.0)
    }
}

/// What a Wiener filter leaves of a pattern that it sees with a noise.
fn left(pattern: f64, noise: f64) -> f64 {
    let both = pattern.hypot(noise);
    if both > 0.0 {
        pattern * noise / both
    } else {
        0.0
    }
}

/// The gain, or the largest that the lights' noise allows.
fn dn_per_e(sensor: &ChannelSensor) -> f64 {
    let told = sensor.gain_e_per_dn.map(|gain| 1.0 / gain.value);
    told.or_else(|| sensor.light.as_ref().and_then(most_dn_per_e))
        .unwrap_or(UNITY_DN_PER_E)
}

/// The K that makes `v = K level + K² r²` of a light's noise with the least read noise r:
/// with more of it, K is less.
fn most_dn_per_e(light: &LightNoise) -> Option<f64> {
    let variance_dn2 = light.total_dn.value.powi(2);
    let level_dn = light.level_dn.max(0.0);
    let root = (level_dn * level_dn + 4.0 * LEAST_READ_E.powi(2) * variance_dn2).sqrt();
    // The quadratic's root without a difference of near numbers.
    let found = 2.0 * variance_dn2 / (level_dn + root);
    found.is_finite().then_some(found)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::Measured;

    fn exact(value: f64) -> Option<Measured> {
        Some(Measured { value, error: 0.0 })
    }

    fn sensor() -> ChannelSensor {
        ChannelSensor {
            gain_e_per_dn: exact(0.5),
            flat_noise: exact(0.01),
            zero_noise_dn: exact(6.0),
            ..ChannelSensor::nothing(0)
        }
    }

    #[test]
    fn without_calibration_a_typical_sensor_stands_in() {
        let exposed = |exposure_s| Calibrated {
            exposure_s,
            ..Calibrated::default()
        };
        let prior = PatternPrior::of(&sensor(), &exposed(Some(60.0)));
        assert_eq!(prior.basis, PatternBasis::Assumed);
        assert_eq!(prior.response, TYPICAL_RESPONSE);
        // 2 e⁻ and 60 s of 0.05 e⁻/s at 2 DN per e⁻.
        assert!((prior.offset_dn - 4.0f64.hypot(6.0)).abs() < 1e-12);
        let prior = PatternPrior::of(&sensor(), &exposed(None));
        assert!((prior.offset_dn - 4.0).abs() < 1e-12);
        assert!((prior.area_variance(1000.0, 0.25) - 4.0 * (64.0 + 16.0)).abs() < 1e-9);
    }

    #[test]
    fn masters_leave_their_own_noise() {
        let calibrated = Calibrated {
            exposure_s: Some(60.0),
            flats: 100,
            darks: 400,
            bias: 0,
        };
        let prior = PatternPrior::of(&sensor(), &calibrated);
        assert_eq!(prior.basis, PatternBasis::Calibration);
        // 1 % / 10 of a pattern of 0.8 %; 6 DN / 20 of one of 7.2 DN.
        assert!((prior.response - left(0.008, 0.001)).abs() < 1e-12);
        assert!(prior.response < 0.001 && prior.response > 0.99e-3);
        assert!(prior.offset_dn < 0.3 && prior.offset_dn > 0.299);
    }

    #[test]
    fn a_master_dark_costs_what_its_frames_are_few() {
        // N undithered lights less a master of M darks as noisy as they: 1/N + 1/M of a light's
        // variance, whatever the pattern was.
        const DIGITS: f64 = 1e-3;
        for (lights, darks, gain) in [
            (10.0, 10, 2.236),
            (50.0, 20, 3.780),
            (100.0, 20, 4.082),
            (100.0, 100, 7.071),
            (400.0, 50, 6.667),
        ] {
            let strong = ChannelSensor {
                dsnu_dn: exact(1e4),
                ..sensor()
            };
            let calibrated = Calibrated {
                darks,
                ..Calibrated::default()
            };
            let left_dn = PatternPrior::of(&strong, &calibrated).offset_dn;
            let light_dn: f64 = 6.0;
            let found = (1.0 / lights + (left_dn / light_dn).powi(2)).sqrt().recip();
            assert!((found - gain).abs() < DIGITS, "{lights} {darks}: {found}");
        }
    }

    #[test]
    fn few_frames_leave_the_pattern_as_it_was() {
        let calibrated = Calibrated {
            exposure_s: Some(60.0),
            flats: 2,
            darks: 2,
            bias: 0,
        };
        let none = Calibrated {
            flats: 0,
            darks: 0,
            ..calibrated
        };
        let [few, none] = [calibrated, none].map(|c| PatternPrior::of(&sensor(), &c));
        assert_eq!(few, none);
        assert_eq!(few.basis, PatternBasis::Assumed);
    }

    #[test]
    fn bias_frames_leave_what_the_dark_current_adds() {
        let calibrated = Calibrated {
            exposure_s: Some(60.0),
            bias: 3600,
            ..Calibrated::default()
        };
        let prior = PatternPrior::of(&sensor(), &calibrated);
        assert_eq!(prior.basis, PatternBasis::Assumed);
        assert!((prior.offset_dn - 6.0).abs() < 0.01);
    }

    #[test]
    fn a_gain_not_known_is_the_largest_that_the_noise_allows() {
        let light = |level_dn, variance_dn2: f64| LightNoise {
            level_dn,
            total_dn: Measured {
                value: variance_dn2.sqrt(),
                error: 0.0,
            },
            total_e: None,
            shot_e: None,
            read_e: None,
            dark_e: None,
            quantization_e: None,
            pairs: 1,
        };
        // K = 2: 2 * 300 + 4 * 1 of 300 DN with a read noise of 1 e⁻.
        let found = most_dn_per_e(&light(300.0, 604.0)).expect("a light");
        assert!((found - 2.0).abs() < 1e-12, "{found}");
        // No light at all: nothing but read noise. No noise: no gain to tell.
        assert_eq!(most_dn_per_e(&light(0.0, 9.0)), Some(3.0));
        assert_eq!(most_dn_per_e(&light(0.0, 0.0)), None);
        assert_eq!(most_dn_per_e(&light(f64::NAN, 0.0)), None);
        assert_eq!(dn_per_e(&ChannelSensor::nothing(0)), UNITY_DN_PER_E);
    }
}
