//! What a master knows, and what is only the noise of the frames it was made of.
//!
//! Subtracting a master of M darks adds 1/M of a dark's noise variance to every light.
//! Lights that drift slowly see it as a pattern that hardly averages, so five darks can
//! cost a stack of twenty a tenth of its gain. A site's own value is therefore believed
//! only as far as the scatter of the frames leaves something to believe.

use ndarray::{Array2, Axis};
use rayon::prelude::*;
use std::iter::StepBy;
use std::ops::Range;

/// Sites of one 2 x 2 class are apart by this, px. Filters and readout repeat with it.
pub(crate) const PERIOD: usize = 2;

/// Sites of the same class to each side that make the local mean, fine and wide: dust on
/// a filter is some 20 px across, glow reaches over hundreds.
const FINE_REACH: usize = 4;
pub(crate) const WIDE_REACH: usize = 16;

/// A value below the first many sigmas is shrunk, one above the second is believed: hot
/// sites are no part of the distribution that the rest are drawn from.
const BELIEVED_SIGMAS: (f32, f32) = (3.0, 5.0);

/// Standard error of a median over that of a mean, of many Gaussian values: √(π/2).
const MEDIAN_PRICE: f32 = 1.253_314_1;

/// Shrinks what a master shows in single sites, columns, rows and small areas beyond
/// their surroundings to what the frames leave no doubt of.
///
/// Each component is multiplied by its Wiener factor 1 − noise/total, where noise is the
/// variance that the frames' scatter leaves in it and total its robust variance over the
/// sensor (James & Stein 1961 in its empirical Bayes form, Efron & Morris 1973, from
/// memory). What is smooth over [`WIDE_REACH`], such as glow and vignetting, stays.
///
/// - `noise_sigma`: standard error of a site of the master, on its own scale; `None`
///   when the frames were too few to tell: then single sites are taken for noise but
///   for those that stand out.
pub(crate) fn keep_evident(master: &mut Array2<f32>, noise_sigma: Option<f32>) {
    let (height, width) = master.dim();
    let mut rest = master.clone();
    let columns: Vec<Vec<f32>> = (0..PERIOD)
        .map(|class| subtract_column_medians(&mut rest, class))
        .collect();
    let rows: Vec<Vec<f32>> = (0..PERIOD)
        .map(|class| subtract_row_medians(&mut rest, class))
        .collect();
    let limit = BELIEVED_SIGMAS.1 * robust_sigma(rest.iter().copied());
    let fine = local_means(&rest, FINE_REACH, limit);
    let wide = local_means(&fine, WIDE_REACH, f32::INFINITY);
    // Each in the place of what it is the rest of, since masters are large.
    let sites = rest - &fine;
    let areas = fine - &wide;
    drop(wide);
    let noise = noise_sigma.unwrap_or_else(|| robust_sigma(sites.iter().copied()));
    let per_area = noise / (2 * FINE_REACH + 1) as f32;

    let site = Belief::new(sites.iter().copied(), noise);
    let area = Belief::new(areas.iter().copied(), per_area);
    ndarray::Zip::from(&mut *master)
        .and(&sites)
        .and(&areas)
        .par_for_each(|value, &sites, &areas| *value -= site.doubted(sites) + area.doubted(areas));
    let per_line = |length: usize| noise * MEDIAN_PRICE / (length as f32 / PERIOD as f32).sqrt();
    for (class, medians) in columns.iter().enumerate() {
        let doubted = doubted_of_line(medians, per_line(height));
        for mut row in master.outer_iter_mut().skip(class).step_by(PERIOD) {
            row.iter_mut()
                .zip(&doubted)
                .for_each(|(value, doubted)| *value -= doubted);
        }
    }
    for (class, medians) in rows.iter().enumerate() {
        let doubted = doubted_of_line(medians, per_line(width));
        for (mut row, doubted) in master.outer_iter_mut().zip(&doubted) {
            row.iter_mut()
                .skip(class)
                .step_by(PERIOD)
                .for_each(|value| *value -= doubted);
        }
    }
}

/// How far the values of a component are believed.
struct Belief {
    sigma: f32,
    wiener: f32,
}

impl Belief {
    fn new(values: impl ExactSizeIterator<Item = f32>, noise: f32) -> Self {
        let sigma = robust_sigma(values);
        let noise = if sigma > 0.0 {
            (noise / sigma).powi(2).min(1.0)
        } else {
            0.0
        };
        Self {
            sigma,
            wiener: 1.0 - noise,
        }
    }

    /// The part of a value that is taken for noise.
    fn doubted(&self, value: f32) -> f32 {
        let (shrunk_to, believed_from) = BELIEVED_SIGMAS;
        if self.sigma <= 0.0 {
            return 0.0;
        }
        let stands_out = (value.abs() / self.sigma - shrunk_to) / (believed_from - shrunk_to);
        (1.0 - self.wiener) * (1.0 - stands_out.clamp(0.0, 1.0)) * value
    }
}

/// The doubted part of the medians of columns or rows, beyond the mean of those around.
fn doubted_of_line(medians: &[f32], noise: f32) -> Vec<f32> {
    let around = |i: usize| {
        let near = same_class(i, medians.len(), WIDE_REACH);
        let n = near.len() as f32;
        near.map(|place| medians[place]).sum::<f32>() / n
    };
    let offsets: Vec<f32> = medians
        .iter()
        .enumerate()
        .map(|(i, value)| value - around(i))
        .collect();
    let belief = Belief::new(offsets.iter().copied(), noise);
    offsets
        .into_iter()
        .map(|offset| belief.doubted(offset))
        .collect()
}

/// Places within `reach` places of the same class to each side of `i`, of `n`.
fn same_class(i: usize, n: usize, reach: usize) -> StepBy<Range<usize>> {
    let first = i - (i / PERIOD).min(reach) * PERIOD;
    (first..n.min(i + reach * PERIOD + 1)).step_by(PERIOD)
}

/// NaN without values.
fn median(mut values: Vec<f32>) -> f32 {
    align::median(&mut values).unwrap_or(f32::NAN)
}

/// Takes from each column the median of its sites in rows of one class.
fn subtract_column_medians(plane: &mut Array2<f32>, class: usize) -> Vec<f32> {
    let (height, width) = plane.dim();
    let of_column = |col: usize| {
        median(
            (class..height)
                .step_by(PERIOD)
                .map(|row| plane[(row, col)])
                .collect(),
        )
    };
    let medians: Vec<f32> = (0..width).into_par_iter().map(of_column).collect();
    for mut row in plane.outer_iter_mut().skip(class).step_by(PERIOD) {
        row.iter_mut()
            .zip(&medians)
            .for_each(|(value, median)| *value -= median);
    }
    medians
}

/// Takes from each row the median of its sites in columns of one class.
fn subtract_row_medians(plane: &mut Array2<f32>, class: usize) -> Vec<f32> {
    let mut medians = vec![0.0; plane.nrows()];
    let rows = plane.outer_iter_mut().into_par_iter().zip(&mut medians);
    rows.for_each(|(mut row, middle)| {
        let sites: Vec<f32> = row.iter().skip(class).step_by(PERIOD).copied().collect();
        if !sites.is_empty() {
            *middle = median(sites);
        }
        row.iter_mut()
            .skip(class)
            .step_by(PERIOD)
            .for_each(|value| *value -= *middle);
    });
    medians
}

/// Standard deviation of the bulk: 1.4826 times the median of the absolute values.
pub(crate) fn robust_sigma(values: impl ExactSizeIterator<Item = f32>) -> f32 {
    /// 1 / Φ⁻¹(3/4); Rousseeuw & Croux (1993), JASA 88, 1273, sect. 1.
    const SIGMA_PER_MAD: f32 = 1.482_602_2;
    const SAMPLES: usize = 200_000;
    // An odd step meets every class of site.
    let step = (values.len() / SAMPLES) | 1;
    SIGMA_PER_MAD * median(values.step_by(step).map(f32::abs).collect())
}

/// The mean of the sites of the same class within `reach` to each side, without those
/// beyond `limit`; zero where there are none.
pub(crate) fn local_means(plane: &Array2<f32>, reach: usize, limit: f32) -> Array2<f32> {
    let (height, width) = plane.dim();
    // Sum and count along a row.
    let along_row = |row: usize| -> Vec<(f32, f32)> {
        let along = |col: usize| {
            let mut sum = (0.0_f32, 0.0_f32);
            for c in same_class(col, width, reach) {
                let value = plane[(row, c)];
                if value.abs() < limit {
                    sum = (sum.0 + value, sum.1 + 1.0);
                }
            }
            sum
        };
        (0..width).map(along).collect()
    };
    let mut means = Array2::zeros((height, width));
    // Along rows first, then along columns; some rows at a time, since the sums of all would
    // take twice the plane's memory.
    means
        .axis_chunks_iter_mut(Axis(0), ROWS_AT_ONCE)
        .into_par_iter()
        .enumerate()
        .for_each(|(chunk, mut means)| {
            let top = (chunk * ROWS_AT_ONCE).saturating_sub(reach * PERIOD);
            let bottom = ((chunk + 1) * ROWS_AT_ONCE + reach * PERIOD).min(height);
            let along: Vec<_> = (top..bottom).map(along_row).collect();
            for (i, mut means) in means.outer_iter_mut().enumerate() {
                let mut sums = vec![(0.0, 0.0); width];
                for r in same_class(chunk * ROWS_AT_ONCE + i, height, reach) {
                    for (sum, along) in sums.iter_mut().zip(&along[r - top]) {
                        *sum = (sum.0 + along.0, sum.1 + along.1);
                    }
                }
                for (mean, (sum, n)) in means.iter_mut().zip(sums) {
                    *mean = if n > 0.0 { sum / n } else { 0.0 };
                }
            }
        });
    means
}

/// Rows of which local means are made together; several times the widest reach, which is
/// summed anew for each.
const ROWS_AT_ONCE: usize = 128;

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
        // Believing all would leave 1. The columns' own pattern is kept with its noise,
        // √(π/2 / 60) = 0.16; the wide means and what 1.2 % of the sites lose to the
        // belief in what stands out add the rest.
        let left = rms(&(&master - &truth));
        assert!(left < 0.25, "{left}");
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
