//! What a master knows, and what is only the noise of the frames it was made of.
//!
//! Subtracting a master of M darks adds 1/M of a dark's noise variance to every light.
//! Lights that drift slowly see it as a pattern that hardly averages, so five darks can
//! cost a stack of twenty a tenth of its gain. A site's own value is therefore believed
//! only as far as the scatter of the frames leaves something to believe.

use crate::median_of_sorted;
use crate::sigma_clip::sort_samples;
use ndarray::Array2;
use rayon::prelude::*;

/// Sites of one 2 x 2 class are apart by this, px. Filters and readout repeat with it.
const PERIOD: usize = 2;

/// Sites of the same class to each side that make the local mean.
const REACH: usize = 4;

/// A site below the first many sigmas is shrunk, one above the second is believed: hot
/// sites are no part of the distribution that the rest are drawn from.
const BELIEVED_SIGMAS: (f32, f32) = (3.0, 5.0);

/// Shrinks what single sites have beyond their column, row and surroundings.
///
/// The remainder of each site is multiplied by the Wiener factor 1 − noise/total, where
/// noise is the variance that the frames' scatter leaves in the master and total the
/// robust variance of all remainders (James & Stein 1961 in its empirical Bayes form,
/// Efron & Morris 1973, from memory). Column and row offsets, glow, vignetting and
/// dust reach over many sites, are known far better, and stay as they are.
///
/// - `noise_sigma`: standard error of a site of the master, on its own scale; `None`
///   when the frames were too few to tell, which leaves only what stands out.
pub(crate) fn keep_evident(master: &mut Array2<f32>, noise_sigma: Option<f32>) {
    let mut remainder = master.clone();
    for row_class in 0..PERIOD {
        subtract_column_medians(&mut remainder, row_class);
    }
    subtract_row_medians(&mut remainder);
    let sigma = robust_sigma(&remainder);
    if sigma <= 0.0 {
        return;
    }
    let limit = BELIEVED_SIGMAS.1 * sigma;
    let local = local_means(&remainder, limit);
    remainder -= &local;
    let sigma = robust_sigma(&remainder);
    if sigma <= 0.0 {
        return;
    }
    let noise = noise_sigma.map_or(1.0, |noise| (noise / sigma).powi(2).min(1.0));
    let wiener = 1.0 - noise;
    let (shrunk_to, believed_from) = BELIEVED_SIGMAS;
    ndarray::Zip::from(master)
        .and(&remainder)
        .par_for_each(|value, &remainder| {
            let stands_out = (remainder.abs() / sigma - shrunk_to) / (believed_from - shrunk_to);
            let belief = wiener + (1.0 - wiener) * stands_out.clamp(0.0, 1.0);
            *value -= (1.0 - belief) * remainder;
        });
}

fn median(mut values: Vec<f32>) -> f32 {
    sort_samples(&mut values);
    median_of_sorted(&values) as f32
}

/// Takes from each column the median of its sites in rows of one class.
fn subtract_column_medians(plane: &mut Array2<f32>, row_class: usize) {
    let (height, width) = plane.dim();
    let medians: Vec<f32> = (0..width)
        .into_par_iter()
        .map(|col| {
            median(
                (row_class..height)
                    .step_by(PERIOD)
                    .map(|row| plane[(row, col)])
                    .collect(),
            )
        })
        .collect();
    for row in (row_class..height).step_by(PERIOD) {
        plane
            .row_mut(row)
            .iter_mut()
            .zip(&medians)
            .for_each(|(value, median)| *value -= median);
    }
}

/// Takes from each row the median of its sites in columns of each class.
fn subtract_row_medians(plane: &mut Array2<f32>) {
    plane.outer_iter_mut().into_par_iter().for_each(|mut row| {
        for class in 0..PERIOD.min(row.len()) {
            let middle = median(row.iter().skip(class).step_by(PERIOD).copied().collect());
            row.iter_mut()
                .skip(class)
                .step_by(PERIOD)
                .for_each(|value| *value -= middle);
        }
    });
}

/// Standard deviation of the bulk: 1.4826 times the median of the absolute values.
fn robust_sigma(plane: &Array2<f32>) -> f32 {
    /// 1 / Φ⁻¹(3/4); Rousseeuw & Croux (1993), JASA 88, 1273, sect. 1.
    const SIGMA_PER_MAD: f32 = 1.482_602_2;
    const SAMPLES: usize = 200_000;
    // An odd step meets every class of site.
    let step = (plane.len() / SAMPLES) | 1;
    SIGMA_PER_MAD
        * median(
            plane
                .iter()
                .step_by(step)
                .map(|value| value.abs())
                .collect(),
        )
}

/// The mean of the sites of the same class within [`REACH`] to each side, without those
/// beyond `limit`; zero where there are none.
fn local_means(plane: &Array2<f32>, limit: f32) -> Array2<f32> {
    let (height, width) = plane.dim();
    let near = |i: usize, n: usize| {
        let first = i - (i / PERIOD).min(REACH) * PERIOD;
        (first..n.min(i + REACH * PERIOD + 1)).step_by(PERIOD)
    };
    // Sum and count along rows first, then along columns.
    let mut along = Array2::from_elem((height, width), (0.0_f32, 0.0_f32));
    along
        .outer_iter_mut()
        .into_par_iter()
        .enumerate()
        .for_each(|(row, mut along)| {
            for (col, along) in along.iter_mut().enumerate() {
                for c in near(col, width) {
                    let value = plane[(row, c)];
                    if value.abs() < limit {
                        *along = (along.0 + value, along.1 + 1.0);
                    }
                }
            }
        });
    let mut means = Array2::zeros((height, width));
    means
        .outer_iter_mut()
        .into_par_iter()
        .enumerate()
        .for_each(|(row, mut means)| {
            for (col, mean) in means.iter_mut().enumerate() {
                let (mut sum, mut n) = (0.0, 0.0);
                for r in near(row, height) {
                    let (s, count) = along[(r, col)];
                    sum += s;
                    n += count;
                }
                *mean = if n > 0.0 { sum / n } else { 0.0 };
            }
        });
    means
}

#[cfg(test)]
mod tests {
    use super::*;

    const HEIGHT: usize = 120;
    const WIDTH: usize = 140;

    /// Gaussian-like noise of standard deviation 1: twelve uniform numbers less six.
    fn noise(seed: u64) -> Array2<f32> {
        let mut state = seed;
        Array2::from_shape_simple_fn((HEIGHT, WIDTH), || {
            let mut sum = -6.0;
            for _ in 0..12 {
                state = state
                    .wrapping_mul(6364136223846793005)
                    .wrapping_add(1442695040888963407);
                sum += (state >> 40) as f32 / (1_u64 << 24) as f32;
            }
            sum
        })
    }

    fn rms(plane: &Array2<f32>) -> f32 {
        (plane.mapv(|v| v * v).mean().expect("not empty")).sqrt()
    }

    #[test]
    fn pure_noise_is_not_believed() {
        let truth = Array2::from_shape_fn((HEIGHT, WIDTH), |(row, col)| {
            100.0 + (row % 2) as f32 * 3.0 + (col % 7) as f32 + 20.0 * (col as f32 / 140.0).powi(4)
        });
        let mut master = &truth + &noise(3);
        keep_evident(&mut master, Some(1.0));
        // Of the noise, the medians of 60 and 70 sites and the mean of 81 stay:
        // √(π/2 (1/60 + 1/70) + 1/81) = 0.25.
        let left = rms(&(&master - &truth));
        assert!(left < 0.3, "{left}");
    }

    #[test]
    fn a_true_pattern_well_measured_is_kept() {
        let pattern = noise(5) * 4.0;
        let mut master = &pattern + &(noise(6) * 0.2) + 100.0;
        let before = master.clone();
        keep_evident(&mut master, Some(0.2));
        assert!(
            rms(&(&master - &before)) < 0.02,
            "{}",
            rms(&(&master - &before))
        );
    }

    #[test]
    fn shrinking_beats_believing_and_ignoring_when_both_are_as_large() {
        let pattern = noise(7);
        let raw = &pattern + &noise(8);
        let mut master = &raw + 50.0;
        keep_evident(&mut master, Some(1.0));
        let left = rms(&(&master - 50.0 - &pattern));
        // The optimum is 1/√2; medians and local means cost a little.
        assert!((left - 0.707).abs() < 0.05, "{left}");
        assert!(left < rms(&(&raw - &pattern)) && left < rms(&pattern));
    }

    #[test]
    fn hot_sites_are_believed_even_from_one_frame() {
        let mut master = noise(9) + 100.0;
        master[(50, 60)] = 400.0;
        keep_evident(&mut master, None);
        assert!((master[(50, 60)] - 400.0).abs() < 1.0);
        assert!((master[(50, 62)] - 100.0).abs() < 0.8);
    }

    #[test]
    fn a_plane_without_noise_is_left_alone() {
        let mut master = Array2::from_elem((4, 5), 64.0);
        keep_evident(&mut master, Some(0.0));
        assert_eq!(master, Array2::from_elem((4, 5), 64.0));
    }
}
