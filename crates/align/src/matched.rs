//! The detection plane once more, filtered by the shape of its stars, in sigmas: where
//! stars stand out that no single pixel shows.

use crate::Background;
use crate::stats::{SIGMA_PER_MAD, median};
use ndarray::{Array2, ArrayView2};

/// Filters less wide than this are not worth it, px².
const MIN_VARIANCE_PX2: f64 = 0.1;
/// Where the kernel ends, in its sigmas.
const REACH_SIGMAS: f64 = 3.0;

/// What a round Gaussian of a variance gathers around each pixel above the background, in
/// sigmas of its own noise.
///
/// A filter of the star's own shape is the best there is against even noise (North 1963,
/// from memory); the plane's own smoothing is part of it, so `variance_px2` is what a star
/// has more than that. Masked pixels count as background.
pub(crate) fn matched_sigmas(
    plane: ArrayView2<f32>,
    background: &Background,
    variance_px2: f64,
) -> Array2<f32> {
    let (height, width) = plane.dim();
    let mut sigmas = Array2::zeros((height, width));
    let (mut level, mut rms) = (vec![0.0; width], vec![0.0; width]);
    for (row, mut out) in sigmas.rows_mut().into_iter().enumerate() {
        background.fill_row(row, &mut level);
        background.fill_rms_row(row, &mut rms);
        let values = plane.row(row);
        for (((out, &value), &level), &rms) in out.iter_mut().zip(values).zip(&level).zip(&rms) {
            let value = (value - level) / rms;
            *out = if value.is_finite() { value } else { 0.0 };
        }
    }
    if variance_px2 < MIN_VARIANCE_PX2 {
        return sigmas;
    }
    let kernel = kernel(variance_px2);
    let mut across = Array2::zeros((height, width));
    for (from, mut to) in sigmas.rows().into_iter().zip(across.rows_mut()) {
        let from = from.as_slice().expect("rows of an owned array");
        let to = to.as_slice_mut().expect("rows of an owned array");
        for (tap, &weight) in kernel.iter().enumerate() {
            add_shifted(from, tap as isize - (kernel.len() / 2) as isize, weight, to);
        }
    }
    let reach = kernel.len() / 2;
    for row in 0..height {
        let mut to = sigmas.row_mut(row);
        to.fill(0.0);
        for (tap, &weight) in kernel.iter().enumerate() {
            let Some(from) = (row + tap).checked_sub(reach).filter(|&from| from < height) else {
                continue;
            };
            to.zip_mut_with(&across.row(from), |to, &from| *to += weight * from);
        }
    }
    let noise = spread(&sigmas);
    if noise > 0.0 {
        sigmas.mapv_inplace(|value| value / noise);
    }
    sigmas
}

/// Adds `weight` times what is `shift` to the right of every element.
fn add_shifted(from: &[f32], shift: isize, weight: f32, to: &mut [f32]) {
    let n = shift.unsigned_abs().min(from.len());
    let (from, to) = match shift < 0 {
        true => (&from[..from.len() - n], &mut to[n..]),
        false => (&from[n..], &mut to[..from.len() - n]),
    };
    to.iter_mut()
        .zip(from)
        .for_each(|(to, &from)| *to += weight * from);
}

fn kernel(variance_px2: f64) -> Vec<f32> {
    let reach = (REACH_SIGMAS * variance_px2.sqrt()).ceil() as isize;
    let weights = (-reach..=reach).map(|i| (-0.5 * (i * i) as f64 / variance_px2).exp());
    weights.map(|weight| weight as f32).collect()
}

/// Robust standard deviation of a sample of the plane.
fn spread(plane: &Array2<f32>) -> f32 {
    const SAMPLES: usize = 100_000;
    let step = (plane.len() / SAMPLES).max(1);
    let mut sizes: Vec<f32> = plane
        .iter()
        .step_by(step)
        .map(|value| value.abs())
        .collect();
    median(&mut sizes).unwrap_or(0.0) * SIGMA_PER_MAD as f32
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::testing::Noise;

    #[test]
    fn a_faint_star_stands_out_by_its_matched_snr() {
        const SIGMA_PX: f64 = 2.0;
        let mut noise = Noise::new(3);
        // Matched SNR of a Gaussian is its peak times √π sigma.
        let peak = 10.0 / (std::f64::consts::PI.sqrt() * SIGMA_PX);
        let plane = Array2::from_shape_fn((200, 200), |(row, col)| {
            let r2 = (row as f64 - 90.0).powi(2) + (col as f64 - 110.0).powi(2);
            (peak * (-0.5 * r2 / (SIGMA_PX * SIGMA_PX)).exp() + noise.gaussian()) as f32
        });
        let background = Background::flat(0.0, 1.0, (200, 200));
        let sigmas = matched_sigmas(plane.view(), &background, SIGMA_PX * SIGMA_PX);
        // Four standard errors of a unit-noise value about 10.
        assert!(
            (sigmas[(90, 110)] - 10.0).abs() < 4.0,
            "{}",
            sigmas[(90, 110)]
        );
        let above = sigmas.iter().filter(|&&value| value > 5.0).count();
        assert!((1..80).contains(&above), "{above}");
    }

    #[test]
    fn masked_and_empty_planes_are_background() {
        let nan = Array2::from_elem((8, 9), f32::NAN);
        let background = Background::flat(0.0, 1.0, (9, 8));
        assert!(
            matched_sigmas(nan.view(), &background, 2.0)
                .iter()
                .all(|&v| v == 0.0)
        );
        let none = Array2::zeros((0, 0));
        assert!(matched_sigmas(none.view(), &background, 2.0).is_empty());
        // A plane narrower than the kernel.
        let thin = Array2::from_elem((1, 2), 3.0);
        assert!(
            matched_sigmas(thin.view(), &background, 9.0)
                .iter()
                .all(|v| v.is_finite())
        );
    }
}
