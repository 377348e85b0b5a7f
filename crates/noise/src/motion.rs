//! How the stars move over the sensor from light to light.

use crate::track::main_direction;

/// Correlation of place along the track with time from which a drift counts as steady.
const STEADY: f64 = 0.9;
/// A pattern smeared over less than this is no streak, px.
const LEAST_STREAK_PX: f64 = 1.0;

/// The track of the picture as a whole.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Motion {
    /// Direction in which the stars move over the sensor, from the first lights to the
    /// last: degrees from +x (right) toward +y (down), 0 to 360.
    pub direction_deg: f64,
    /// Whether the lights move on evenly in time, far enough to smear a pattern, but by
    /// less than a block from light to light.
    pub is_slow_drift: bool,
}

impl Motion {
    /// `None` without motion.
    pub(crate) fn of(positions_px: &[Vec<(f64, f64)>], block_px: usize) -> Option<Self> {
        let mut places: Vec<(f64, f64)> = positions_px.iter().map(|light| center(light)).collect();
        let n = places.len() as f64;
        let (x, y) = places
            .iter()
            .fold((0.0, 0.0), |s, p| (s.0 + p.0, s.1 + p.1));
        places
            .iter_mut()
            .for_each(|p| *p = (p.0 - x / n, p.1 - y / n));
        let (e_x, e_y) = main_direction(&places);
        let along: Vec<f64> = places.iter().map(|p| p.0 * e_x + p.1 * e_y).collect();
        let middle = 0.5 * (n - 1.0);
        let times = || (0..along.len()).map(|i| i as f64 - middle);
        let with_time: f64 = along.iter().zip(times()).map(|(a, t)| a * t).sum();
        let squares: f64 = along.iter().map(|a| a * a).sum();
        let time_squares: f64 = times().map(|t| t * t).sum();
        if !(squares.is_finite() && squares > 0.0 && time_squares > 0.0) {
            return None;
        }
        let toward = if with_time < 0.0 { -1.0 } else { 1.0 };
        let steady = with_time.abs() / (squares * time_squares).sqrt();
        let step_px = with_time.abs() / time_squares;
        let streak_px = step_px * (n - 1.0);
        Some(Self {
            direction_deg: (toward * e_y)
                .atan2(toward * e_x)
                .to_degrees()
                .rem_euclid(360.0),
            is_slow_drift: steady >= STEADY
                && streak_px >= LEAST_STREAK_PX
                && step_px < block_px as f64,
        })
    }
}

/// Mean of a light's known places; NaN without.
fn center(light: &[(f64, f64)]) -> (f64, f64) {
    let known = || light.iter().filter(|p| p.0.is_finite() && p.1.is_finite());
    let n = known().count() as f64;
    let (x, y) = known().fold((0.0, 0.0), |s, p| (s.0 + p.0, s.1 + p.1));
    (x / n, y / n)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn line(n: usize, step: (f64, f64)) -> Vec<Vec<(f64, f64)>> {
        let at = |i: usize| vec![(step.0 * i as f64, step.1 * i as f64)];
        (0..n).map(at).collect()
    }

    #[test]
    fn the_direction_is_that_of_time() {
        for (step, want) in [
            ((1.0, 0.0), 0.0),
            ((0.0, 1.0), 90.0),
            ((-1.0, 0.0), 180.0),
            ((0.5, -0.5), 315.0),
        ] {
            let motion = Motion::of(&line(8, step), 8).expect("moves");
            let off = (motion.direction_deg - want + 180.0).rem_euclid(360.0) - 180.0;
            assert!(off.abs() < 1e-9, "{step:?}: {}", motion.direction_deg);
            assert!(motion.is_slow_drift);
        }
    }

    #[test]
    fn dithers_leaps_and_standing_fields_do_not_walk() {
        let to_and_fro: Vec<_> = (0..8).map(|i| vec![(5.0 * (i % 2) as f64, 0.0)]).collect();
        assert!(!Motion::of(&to_and_fro, 8).expect("moves").is_slow_drift);
        assert!(
            !Motion::of(&line(8, (9.0, 0.0)), 8)
                .expect("moves")
                .is_slow_drift
        );
        assert!(
            !Motion::of(&line(8, (0.1, 0.0)), 8)
                .expect("moves")
                .is_slow_drift
        );
        assert_eq!(Motion::of(&line(8, (0.0, 0.0)), 8), None);
        assert_eq!(Motion::of(&[], 8), None);
        assert_eq!(Motion::of(&line(8, (f64::NAN, 0.0)), 8), None);
    }
}
