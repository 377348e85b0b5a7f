//! The Winsorized mean: samples beyond limits are drawn in to them instead of dropped.

use crate::median_of_sorted;

/// 1 / Φ⁻¹(3/4): a standard deviation of Gaussian samples in median absolute deviations.
pub(crate) const SIGMA_PER_MAD: f64 = 1.482_602_218_505_602;

/// Settings of a Winsorized mean.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct WinsorOptions {
    /// Limit below the median, in sigmas; default 3.
    pub low_sigmas: f32,
    /// Limit above the median, in sigmas; default 3.
    pub high_sigmas: f32,
}

impl Default for WinsorOptions {
    fn default() -> Self {
        Self {
            low_sigmas: 3.0,
            high_sigmas: 3.0,
        }
    }
}

/// A Winsorized mean and what goes with it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct WinsorizedMean {
    /// The value.
    pub mean: f64,
    /// Its variance from the scatter of the samples; NaN of fewer than two.
    pub variance: f64,
    /// Samples that were drawn in.
    pub n_moved: usize,
}

/// The limits of a Winsorized mean: median − low·s and median + high·s, with s 1.4826
/// times the median absolute deviation.
///
/// - `sorted`: samples in ascending order, DN, without NaN. NaN limits when empty; both at
///   the median when more than half of the samples are equal to it.
pub fn winsor_limits(sorted: &[f32], options: &WinsorOptions) -> (f64, f64) {
    let median = median_of_sorted(sorted);
    let sigma = SIGMA_PER_MAD * median_deviation_of_sorted(sorted);
    (
        median - f64::from(options.low_sigmas) * sigma,
        median + f64::from(options.high_sigmas) * sigma,
    )
}

/// The weighted mean of samples that are drawn in to limits.
///
/// The variance is that of the drawn-in samples over the square of the share that was not
/// moved (Huber 1981, Robust Statistics, sect. 6.5 and 7.10, from memory), so that what was
/// drawn in is not taken for precision.
///
/// - `samples`: value and weight of each, weights positive; a NaN mean when empty.
pub fn winsorized_mean(
    samples: impl Iterator<Item = (f32, f32)> + Clone,
    (low, high): (f64, f64),
) -> WinsorizedMean {
    let (mut sum, mut weights, mut n, mut n_moved) = (0.0, 0.0, 0_usize, 0_usize);
    for (value, weight) in samples.clone() {
        let value = f64::from(value);
        let drawn_in = value.max(low).min(high);
        n += 1;
        n_moved += usize::from(drawn_in != value);
        sum += f64::from(weight) * drawn_in;
        weights += f64::from(weight);
    }
    let mean = if n > 0 { sum / weights } else { f64::NAN };
    let squares: f64 = samples
        .map(|(value, weight)| {
            f64::from(weight) * (f64::from(value).max(low).min(high) - mean).powi(2)
        })
        .sum();
    let unmoved = n.saturating_sub(n_moved) as f64 / n as f64;
    let variance = match n {
        0 | 1 => f64::NAN,
        _ if n_moved == n => f64::NAN,
        _ => squares / ((n - 1) as f64 * weights * unmoved.powi(2)),
    };
    WinsorizedMean {
        mean,
        variance,
        n_moved,
    }
}

/// Median of the absolute deviations from the median; NaN when empty.
///
/// From the middle outwards: the deviations below and above are each in order already.
pub(crate) fn median_deviation_of_sorted(sorted: &[f32]) -> f64 {
    let n = sorted.len();
    let median = median_of_sorted(sorted);
    let mut above = sorted.partition_point(|&v| f64::from(v) < median);
    let mut below = above;
    let mut last = (f64::NAN, f64::NAN);
    for _ in 0..n / 2 + 1 {
        let down = match below {
            0 => f64::INFINITY,
            _ => median - f64::from(sorted[below - 1]),
        };
        let up = sorted
            .get(above)
            .map_or(f64::INFINITY, |&v| f64::from(v) - median);
        let next = if down < up {
            below -= 1;
            down
        } else {
            above += 1;
            up
        };
        last = (last.1, next);
    }
    match n {
        0 => f64::NAN,
        _ if n % 2 == 1 => last.1,
        _ => 0.5 * (last.0 + last.1),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn mean_of(samples: &[f32]) -> WinsorizedMean {
        let mut sorted = samples.to_vec();
        sorted.sort_by(f32::total_cmp);
        let limits = winsor_limits(&sorted, &WinsorOptions::default());
        winsorized_mean(samples.iter().map(|&v| (v, 1.0)), limits)
    }

    #[test]
    fn median_deviations_are_those_of_their_definition() {
        let by_definition = |sorted: &[f32]| {
            let median = median_of_sorted(sorted);
            let mut off: Vec<f32> = sorted
                .iter()
                .map(|&v| (f64::from(v) - median).abs() as f32)
                .collect();
            off.sort_by(f32::total_cmp);
            median_of_sorted(&off)
        };
        let mut state = 1_u32;
        for n in 1..40 {
            let mut values: Vec<f32> = (0..n)
                .map(|_| {
                    state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
                    (state >> 26) as f32
                })
                .collect();
            values.sort_by(f32::total_cmp);
            assert_eq!(
                median_deviation_of_sorted(&values),
                by_definition(&values),
                "{values:?}"
            );
        }
        assert!(median_deviation_of_sorted(&[]).is_nan());
    }

    #[test]
    fn an_outlier_counts_as_one_at_the_limit() {
        // Median 10, median deviation 1.
        let found = mean_of(&[9.0, 10.0, 11.0, 8.0, 1e6]);
        let limit = 10.0 + 3.0 * SIGMA_PER_MAD;
        let want = (9.0 + 10.0 + 11.0 + 8.0 + limit) / 5.0;
        assert!((found.mean - want).abs() < 1e-12, "{found:?}");
        assert_eq!(found.n_moved, 1);
    }

    #[test]
    fn without_outliers_it_is_the_mean_and_its_variance() {
        let found = mean_of(&[1.0, 2.0, 3.0, 4.0]);
        assert_eq!((found.mean, found.n_moved), (2.5, 0));
        // s² = 5/3 over 4.
        assert!((found.variance - 5.0 / 12.0).abs() < 1e-12, "{found:?}");
    }

    #[test]
    fn few_and_equal_samples_have_a_mean() {
        assert!(mean_of(&[]).mean.is_nan());
        let one = mean_of(&[7.0]);
        assert!(one.mean == 7.0 && one.variance.is_nan());
        // More than half are equal: the limits are at the median.
        assert_eq!(mean_of(&[2.0, 2.0, 2.0, 9.0]).mean, 2.0);
    }
}
