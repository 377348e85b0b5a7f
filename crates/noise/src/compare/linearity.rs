//! Whether a result is in proportion to light, as far as its stars and its sky tell.

use crate::Measured;

/// What is known of a result's brightness against light.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Linearity {
    /// In proportion.
    Linear,
    /// A tone curve was applied.
    ToneCurve,
    /// The stars do not tell.
    NotKnown,
}

/// A slope off 1 by more is a tone curve, where it is significant.
const TONE: f64 = 0.03;
/// A slope of star fluxes off 1 by so many standard errors is significant: blends and
/// apertures bend it as well.
const TONE_SIGMAS: f64 = 5.0;
/// A slope of 1 is known to be so at this error.
const TONE_ERROR: f64 = 0.5 * TONE;
/// Stars and sky contradict each other from so many standard errors on.
const SKY_SIGMAS: f64 = 3.0;

impl Linearity {
    /// By the slope of log star flux against light, less 1.
    ///
    /// A slope known no better than half of what a tone curve must have tells nothing.
    pub fn of_stars(tone: Measured) -> Self {
        let known = tone.error <= TONE_ERROR;
        match tone.value.abs() > TONE {
            true if tone.distance(0.0) > TONE_SIGMAS => Self::ToneCurve,
            false if known => Self::Linear,
            _ => Self::NotKnown,
        }
    }

    /// The same with the slopes at the sky's level over the scale of the stars.
    ///
    /// A steeper sky is a tone curve, which stars alone do not show where all of them are
    /// far above its bend. A flatter one may as well lack noise. Skies that agree with the
    /// stars tell of two levels of light what fluxes tell of many.
    pub(crate) fn with_sky(self, tone: Measured, slopes: &[Measured]) -> Self {
        let steeper = |slope: &Measured| {
            slope.value - 1.0 > TONE && slope.value - 1.0 > SKY_SIGMAS * slope.error
        };
        let agrees =
            |slope: &Measured| (slope.value - 1.0).abs() <= TONE && slope.error <= TONE_ERROR;
        if slopes.iter().any(steeper) {
            return Self::ToneCurve;
        }
        let unspoiled = tone.value.is_nan() || tone.distance(0.0) <= SKY_SIGMAS;
        let all_agree = !slopes.is_empty() && slopes.iter().all(agrees);
        match self {
            Self::NotKnown if unspoiled && all_agree => Self::Linear,
            _ => self,
        }
    }

    /// For a report: `None` where it is not known.
    pub fn is_linear(self) -> Option<bool> {
        match self {
            Self::Linear => Some(true),
            Self::ToneCurve => Some(false),
            Self::NotKnown => None,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn measured(value: f64, error: f64) -> Measured {
        Measured { value, error }
    }

    #[test]
    fn stars_tell_only_what_they_know() {
        let of = |value, error| Linearity::of_stars(measured(value, error));
        assert_eq!(of(0.0, 0.0), Linearity::Linear);
        assert_eq!(of(-0.02, 0.01), Linearity::Linear);
        assert_eq!(of(-0.5, 0.01), Linearity::ToneCurve);
        // Beyond the limit, but not significantly, whether known well or not.
        assert_eq!(of(-0.033, 0.021), Linearity::NotKnown);
        assert_eq!(of(0.05, 0.012), Linearity::NotKnown);
        assert_eq!(of(0.0, 0.02), Linearity::NotKnown);
        assert_eq!(of(f64::NAN, f64::NAN), Linearity::NotKnown);
    }

    #[test]
    fn the_sky_convicts_and_acquits() {
        let zero = measured(0.0, 0.0);
        let with = |known: Linearity, tone, slopes: &[(f64, f64)]| {
            let slopes: Vec<_> = slopes.iter().map(|&(v, e)| measured(v, e)).collect();
            known.with_sky(tone, &slopes)
        };
        let (linear, not_known) = (Linearity::Linear, Linearity::NotKnown);
        // One channel is enough, if it is significant and no rounding.
        let steep = [(1.0, 0.01), (1.6, 0.05)];
        assert_eq!(with(linear, zero, &steep), Linearity::ToneCurve);
        assert_eq!(with(linear, zero, &[(1.6, 0.3)]), linear);
        assert_eq!(with(linear, zero, &[(1.02, 0.001)]), linear);
        // A flat sky may lack noise; it neither convicts nor acquits.
        assert_eq!(with(linear, zero, &[(0.5, 0.01)]), linear);
        let vague = measured(-0.02, 0.02);
        assert_eq!(with(not_known, vague, &[(0.5, 0.01)]), not_known);
        assert_eq!(with(not_known, vague, &[(1.01, 0.012)]), linear);
        assert_eq!(with(not_known, vague, &[(1.01, 0.05)]), not_known);
        assert_eq!(with(not_known, vague, &[(f64::NAN, f64::NAN)]), not_known);
        assert_eq!(with(not_known, vague, &[]), not_known);
        // Stars that bend are not acquitted.
        assert_eq!(
            with(not_known, measured(0.06, 0.016), &[(1.0, 0.01)]),
            not_known
        );
    }
}
