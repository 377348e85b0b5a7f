//! The attitude of a frame under a known lens and known stars.

use crate::fit::{MEDIAN_LENGTH, TUKEY_SIGMAS};
use crate::stats::median;
use crate::{Attitude, Lens};
use nalgebra::{Matrix3, Vector3};

/// A star's direction in the reference's axes, its place on the frame, and that place's error.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Sight {
    pub(crate) direction: [f64; 3],
    pub(crate) at: [f64; 2],
    pub(crate) error_px: f64,
}

impl Sight {
    /// Distance of the star's place from the measured one, px; infinite where none is seen.
    pub(crate) fn residual_px(&self, lens: &Lens, attitude: &Attitude) -> f64 {
        lens.project(attitude.rotate(self.direction))
            .map_or(f64::INFINITY, |[x, y]| {
                (x - self.at[0]).hypot(y - self.at[1])
            })
    }
}

/// The attitude that most sights agree with, from directions alone, and refined on the
/// frame's pixels; `None` when the sights do not tell.
pub(crate) fn resect(lens: &Lens, sights: &[Sight]) -> Option<Attitude> {
    const ROUNDS: usize = 5;
    let seen: Vec<[f64; 3]> = sights
        .iter()
        .map(|sight| lens.unproject(sight.at[0], sight.at[1]).unwrap_or([0.0; 3]))
        .collect();
    let mut weights: Vec<f64> = sights.iter().map(|sight| sight.error_px.powi(-2)).collect();
    let mut attitude = None;
    for _ in 0..ROUNDS {
        let pairs = sights.iter().zip(&seen).zip(&weights);
        let found =
            Attitude::between(pairs.map(|((sight, seen), &w)| (&sight.direction, seen, w)))?;
        weights = biweights(lens, &found, sights)?;
        attitude = Some(found);
    }
    refine(lens, sights, attitude?)
}

/// The attitude moved to where the sights agree best, by Gauss-Newton with Tukey's biweight.
pub(crate) fn refine(lens: &Lens, sights: &[Sight], start: Attitude) -> Option<Attitude> {
    const ROUNDS: usize = 20;
    const STILL_RAD: f64 = 1e-11;
    let mut attitude = start;
    for _ in 0..ROUNDS {
        let weights = biweights(lens, &attitude, sights)?;
        let (mut normal, mut right) = (Matrix3::zeros(), Vector3::zeros());
        for (sight, weight) in sights.iter().zip(weights) {
            let here = attitude.rotate(sight.direction);
            let Some(slopes) = lens.slopes(here).filter(|_| weight > 0.0) else {
                continue;
            };
            for axis in 0..2 {
                // A turn moves the direction by turn × here, the place by slope · (turn × here).
                let slope = Vector3::from(here).cross(&Vector3::from(slopes.by_direction[axis]));
                normal += weight * slope * slope.transpose();
                right += weight * (sight.at[axis] - slopes.at[axis]) * slope;
            }
        }
        let step = normal.cholesky()?.solve(&right);
        attitude = attitude.then(&Attitude::from_rotation_vector(step.into()));
        if step.norm() < STILL_RAD {
            break;
        }
    }
    Some(attitude)
}

fn biweights(lens: &Lens, attitude: &Attitude, sights: &[Sight]) -> Option<Vec<f64>> {
    const LEAST_SCALE: f64 = 1e-9;
    let ratios: Vec<f64> = sights
        .iter()
        .map(|sight| sight.residual_px(lens, attitude) / sight.error_px)
        .collect();
    let scale = (median(&mut ratios.clone())? / MEDIAN_LENGTH).max(LEAST_SCALE);
    let weight = |(ratio, sight): (&f64, &Sight)| {
        let inside = 1.0 - (ratio / (TUKEY_SIGMAS * scale)).powi(2);
        inside.max(0.0).powi(2) / sight.error_px.powi(2)
    };
    Some(ratios.iter().zip(sights).map(weight).collect())
}
