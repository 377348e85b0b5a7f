//! How long a mount that follows the sky may be believed.

use crate::rules::SIDEREAL_RAD_PER_S;

/// A mount that turns about its own axis with the sky.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Tracker {
    /// Angle between its axis and the celestial pole, arcmin.
    pub polar_error_arcmin: f64,
    /// Periodic error of its worm or drive, peak to peak, arcsec.
    pub periodic_error_arcsec: f64,
    /// Period of that error, s.
    pub period_s: f64,
}

impl Tracker {
    /// Drift by the polar error alone, arcsec: at most the error times the turn of the sky,
    /// on the great circle where it is largest.
    ///
    /// Small angles, own derivation; Hook (1989), J. Br. Astron. Assoc., from memory.
    pub fn polar_drift_arcsec(&self, seconds: f64) -> f64 {
        60.0 * self.polar_error_arcmin * SIDEREAL_RAD_PER_S * seconds
    }

    /// Fastest drift by the periodic error, arcsec/s: of `A sin(2π t / P)` with 2A peak to
    /// peak, `2π A / P`.
    pub fn periodic_rate_arcsec_per_s(&self) -> f64 {
        std::f64::consts::PI * self.periodic_error_arcsec / self.period_s
    }

    /// Largest drift in an exposure that begins when it is worst, arcsec: that by the polar
    /// error, and of a sine as much as fits into the time, `2A sin(π t / P)`.
    ///
    /// - `cos_declination`: of the place; the periodic error is one in right ascension.
    pub fn worst_drift_arcsec(&self, seconds: f64, cos_declination: f64) -> f64 {
        let phase =
            (std::f64::consts::PI * seconds / self.period_s).min(0.5 * std::f64::consts::PI);
        let periodic = match self.periodic_error_arcsec {
            0.0 => 0.0,
            peak_to_peak => peak_to_peak * phase.sin() * cos_declination,
        };
        self.polar_drift_arcsec(seconds) + periodic
    }

    /// Longest exposure whose worst drift is `tolerated_arcsec`, s; infinite without error.
    pub fn longest_s(&self, tolerated_arcsec: f64, cos_declination: f64) -> f64 {
        const NIGHT_S: f64 = 86_400.0;
        let too_far =
            |seconds| self.worst_drift_arcsec(seconds, cos_declination) > tolerated_arcsec;
        if !too_far(NIGHT_S) {
            return f64::INFINITY;
        }
        let (mut low, mut high) = (0.0, NIGHT_S);
        while high - low > 1e-9 * high {
            let middle = 0.5 * (low + high);
            if too_far(middle) {
                high = middle;
            } else {
                low = middle;
            }
        }
        low
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn tracker(polar_error_arcmin: f64, periodic_error_arcsec: f64, period_s: f64) -> Tracker {
        Tracker {
            polar_error_arcmin,
            periodic_error_arcsec,
            period_s,
        }
    }

    /// The error times 7.2921e-5 rad/s, evaluated on paper: arcsec in a minute.
    #[test]
    fn polar_error_drifts_by_its_share_of_the_turn() {
        for (arcmin, want) in [
            (1.0, 0.2625),
            (5.0, 1.313),
            (10.0, 2.625),
            (30.0, 7.875),
            (60.0, 15.75),
        ] {
            let found = tracker(arcmin, 0.0, 600.0).polar_drift_arcsec(60.0);
            assert!((found / want - 1.0).abs() < 4e-4, "{arcmin}: {found}");
        }
    }

    /// Slope of the sine, `2π A / P`, for ±A.
    #[test]
    #[allow(clippy::approx_constant, reason = "the table as it was evaluated")]
    fn periodic_error_is_fastest_at_its_zero() {
        for (amplitude, period, want) in [
            (50.0, 600.0, 0.5236),
            (20.0, 480.0, 0.2618),
            (100.0, 600.0, 1.0472),
        ] {
            let mount = tracker(0.0, 2.0 * amplitude, period);
            let found = mount.periodic_rate_arcsec_per_s();
            assert!((found - want).abs() < 5e-5, "{amplitude}: {found}");
            let soon = mount.worst_drift_arcsec(0.1, 1.0) / 0.1;
            assert!((soon / found - 1.0).abs() < 1e-6, "{soon}");
        }
    }

    /// No stretch of the sine is longer than `2A sin(π t / P)`, and one is.
    #[test]
    fn the_worst_exposure_lies_about_the_zero() {
        let mount = tracker(0.0, 60.0, 480.0);
        let error = |t: f64| 30.0 * (std::f64::consts::TAU * t / 480.0).sin();
        for exposure in [10.0, 60.0, 200.0] {
            let worst = (0..4800)
                .map(|i| f64::from(i) * 0.1)
                .map(|begin| (error(begin + exposure) - error(begin)).abs())
                .fold(0.0, f64::max);
            let found = mount.worst_drift_arcsec(exposure, 1.0);
            assert!(
                (found / worst - 1.0).abs() < 1e-6,
                "{exposure}: {found} {worst}"
            );
        }
        assert_eq!(mount.worst_drift_arcsec(300.0, 1.0), 60.0);
        assert!((mount.worst_drift_arcsec(300.0, 0.5) - 30.0).abs() < 1e-12);
    }

    #[test]
    fn the_longest_exposure_drifts_as_far_as_tolerated() {
        let mount = tracker(5.0, 50.0, 480.0);
        let longest = mount.longest_s(20.0, 1.0);
        assert!((mount.worst_drift_arcsec(longest, 1.0) - 20.0).abs() < 1e-6);
        assert_eq!(tracker(0.0, 0.0, 480.0).longest_s(20.0, 1.0), f64::INFINITY);
        assert_eq!(
            tracker(0.0, 15.0, 480.0).longest_s(20.0, 1.0),
            f64::INFINITY
        );
    }
}
