//! The kept samples of one channel of a tile, made into the stack and its halves.

use crate::median_of_sorted;
use crate::observe::HalfSplit;
use crate::predicted_clip::PredictedClip;
use crate::sigma_clip::{ClipOptions, sort_samples};
use crate::simd::with_widest_vectors;
use crate::winsorize::{WinsorOptions, winsor_limits, winsorized_mean};

/// How the samples of one pixel are combined.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Combine {
    /// Weighted mean of all samples.
    Mean,
    /// Median of all samples; weights are not used.
    Median,
    /// Weighted mean of the samples that a clip by their own scatter keeps.
    SigmaClip(ClipOptions),
    /// Weighted mean of the samples that a clip against the camera's noise keeps.
    PredictedClip(PredictedClip),
    /// Weighted mean of all samples, those far off drawn in to the limits.
    Winsorized(WinsorOptions),
    /// The largest sample: trails of stars over lights that are not aligned. Weights are
    /// not used; it estimates no brightness, so it has no variance and no half-stacks.
    Max,
}

impl Combine {
    /// The name used on the command line and in reports.
    pub fn name(&self) -> &'static str {
        match self {
            Self::Mean => "mean",
            Self::Median => "median",
            Self::SigmaClip(_) | Self::PredictedClip(_) => "sigma-clip",
            Self::Winsorized(_) => "winsorized",
            Self::Max => "max",
        }
    }

    /// Whether samples are rejected.
    pub(crate) fn rejects(&self) -> bool {
        matches!(self, Self::SigmaClip(_) | Self::PredictedClip(_))
    }

    /// Whether lights count by their weights.
    pub(crate) fn weighs(&self) -> bool {
        !matches!(self, Self::Median | Self::Max)
    }
}

/// One channel of a finished tile; planes row by row.
#[derive(Clone, Debug)]
pub(crate) struct TileStack {
    pub mean: Vec<f32>,
    pub variance: Vec<f32>,
    pub weight: Vec<f32>,
    pub rejected: Vec<u16>,
    pub halves: [[Vec<f32>; 2]; 2],
    pub half_weight: [[Vec<f32>; 2]; 2],
}

/// Combines the kept samples; `samples[light]` and `kept[light]` are planes.
///
/// Variance of the value: Σw(x−m)²/((n−1)Σw), unbiased where the weights are inverse
/// variances up to a factor; for a median of n the same times its
/// [price](crate::median_price), for a Winsorized mean see there. Clipping at k sigmas makes
/// s² of Gaussian samples too small, by 3 % at k = 3.
///
/// - `median_prices[n]`: that price, up to the number of lights; used for a median alone.
pub(crate) fn combine_channel(
    samples: &[Vec<f32>],
    kept: &[Vec<u8>],
    weights: &[f32],
    combine: &Combine,
    median_prices: &[f32],
) -> TileStack {
    let n = samples.len();
    let mut all = sums(samples, kept, weights, |_| true);
    let of = |belongs: &dyn Fn(usize) -> bool, mean: Vec<f32>| {
        let lights: Vec<usize> = (0..n).filter(|&light| belongs(light)).collect();
        value(samples, kept, weights, combine, &lights, mean)
    };
    let mut variance = match combine {
        Combine::Winsorized(_) | Combine::Max => Vec::new(),
        _ => all.variance(samples, kept, weights),
    };
    if matches!(combine, Combine::Median) {
        for (variance, &count) in variance.iter_mut().zip(&all.count) {
            *variance *= median_prices[count as usize];
        }
    }
    let Values { mean, own_variance } = of(&|_| true, std::mem::take(&mut all.mean));
    let mut halves: [[Vec<f32>; 2]; 2] = Default::default();
    let mut half_weight: [[Vec<f32>; 2]; 2] = Default::default();
    for (i, split) in [HalfSplit::OddEven, HalfSplit::FirstLast]
        .into_iter()
        .enumerate()
    {
        for second in [false, true] {
            let belongs = |light: usize| split.is_second(light, n) == second;
            let half = sums(samples, kept, weights, belongs);
            halves[i][usize::from(second)] = match combine {
                Combine::Max => vec![f32::NAN; mean.len()],
                _ => of(&belongs, half.mean).mean,
            };
            half_weight[i][usize::from(second)] = half.weight;
        }
    }
    TileStack {
        mean,
        variance: own_variance.unwrap_or(variance),
        rejected: rejected(samples, kept),
        weight: all.weight,
        halves,
        half_weight,
    }
}

/// What an estimator makes of some lights.
struct Values {
    mean: Vec<f32>,
    /// Variance, where the estimator has its own.
    own_variance: Option<Vec<f32>>,
}

/// - `mean`: weighted means of the kept samples of `lights`.
fn value(
    samples: &[Vec<f32>],
    kept: &[Vec<u8>],
    weights: &[f32],
    combine: &Combine,
    lights: &[usize],
    mean: Vec<f32>,
) -> Values {
    let mut sorted = Vec::with_capacity(lights.len());
    match combine {
        Combine::Mean | Combine::SigmaClip(_) | Combine::PredictedClip(_) => Values {
            mean,
            own_variance: None,
        },
        Combine::Median => Values {
            mean: (0..mean.len())
                .map(|pixel| {
                    sort_pixel(samples, kept, lights, pixel, &mut sorted);
                    median_of_sorted(&sorted) as f32
                })
                .collect(),
            own_variance: None,
        },
        Combine::Max => Values {
            mean: (0..mean.len())
                .map(|pixel| of_pixel(samples, kept, lights, pixel).fold(f32::NAN, f32::max))
                .collect(),
            own_variance: Some(vec![f32::NAN; mean.len()]),
        },
        Combine::Winsorized(options) => {
            let of = |pixel: usize| {
                sort_pixel(samples, kept, lights, pixel, &mut sorted);
                let limits = winsor_limits(&sorted, options);
                let in_stack = lights.iter().filter(|&&light| kept[light][pixel] == 1);
                let found = winsorized_mean(
                    in_stack.map(|&light| (samples[light][pixel], weights[light])),
                    limits,
                );
                (found.mean as f32, found.variance as f32)
            };
            let (mean, variance) = (0..mean.len()).map(of).unzip();
            Values {
                mean,
                own_variance: Some(variance),
            }
        }
    }
}

/// The kept samples of one pixel.
fn of_pixel<'a>(
    samples: &'a [Vec<f32>],
    kept: &'a [Vec<u8>],
    lights: &'a [usize],
    pixel: usize,
) -> impl Iterator<Item = f32> + 'a {
    let kept = move |&&light: &&usize| kept[light][pixel] == 1;
    let value = move |&light: &usize| samples[light][pixel];
    lights.iter().filter(kept).map(value)
}

fn sort_pixel(
    samples: &[Vec<f32>],
    kept: &[Vec<u8>],
    lights: &[usize],
    pixel: usize,
    sorted: &mut Vec<f32>,
) {
    sorted.clear();
    sorted.extend(of_pixel(samples, kept, lights, pixel));
    sort_samples(sorted);
}

/// Weighted sums over the lights, pixel by pixel.
struct Sums {
    weight: Vec<f32>,
    count: Vec<f32>,
    mean: Vec<f32>,
}

fn sums(
    samples: &[Vec<f32>],
    kept: &[Vec<u8>],
    weights: &[f32],
    belongs: impl Fn(usize) -> bool,
) -> Sums {
    let n_px = samples.first().map_or(0, Vec::len);
    let mut sum = vec![0.0_f64; n_px];
    let (mut weight, mut count) = (vec![0.0; n_px], vec![0.0; n_px]);
    for light in (0..samples.len()).filter(|&light| belongs(light)) {
        let w = weights[light];
        let planes = samples[light].iter().zip(&kept[light]);
        let sums = sum.iter_mut().zip(&mut weight).zip(&mut count);
        with_widest_vectors(
            #[inline(always)]
            || {
                for ((&value, &kept), ((sum, weight), count)) in planes.zip(sums) {
                    // Selects instead of branching, so that the loop vectorizes.
                    let w = if kept == 1 { w } else { 0.0 };
                    let value = if kept == 1 { value } else { 0.0 };
                    *sum += f64::from(w * value);
                    *weight += w;
                    *count += if kept == 1 { 1.0 } else { 0.0 };
                }
            },
        );
    }
    let of_pixel = |(&sum, &w): (&f64, &f32)| {
        if w > 0.0 {
            (sum / f64::from(w)) as f32
        } else {
            f32::NAN
        }
    };
    let mean = sum.iter().zip(&weight).map(of_pixel).collect();
    Sums {
        weight,
        count,
        mean,
    }
}

impl Sums {
    fn variance(&self, samples: &[Vec<f32>], kept: &[Vec<u8>], weights: &[f32]) -> Vec<f32> {
        let mut sum_sq = vec![0.0_f32; self.mean.len()];
        for ((plane, kept), &w) in samples.iter().zip(kept).zip(weights) {
            let planes = plane.iter().zip(kept).zip(&self.mean);
            let sums = sum_sq.iter_mut();
            with_widest_vectors(
                #[inline(always)]
                || {
                    for (sum_sq, ((&value, &kept), &mean)) in sums.zip(planes) {
                        let deviation = if kept == 1 { value - mean } else { 0.0 };
                        *sum_sq += w * deviation * deviation;
                    }
                },
            );
        }
        let of_pixel = |(&sum_sq, (&w, &n)): (&f32, (&f32, &f32))| {
            if n > 1.0 {
                sum_sq / ((n - 1.0) * w)
            } else {
                f32::NAN
            }
        };
        sum_sq
            .iter()
            .zip(self.weight.iter().zip(&self.count))
            .map(of_pixel)
            .collect()
    }
}

fn rejected(samples: &[Vec<f32>], kept: &[Vec<u8>]) -> Vec<u16> {
    let mut rejected = vec![0; samples.first().map_or(0, Vec::len)];
    for (plane, kept) in samples.iter().zip(kept) {
        for ((rejected, value), &kept) in rejected.iter_mut().zip(plane).zip(kept) {
            *rejected += u16::from(!value.is_nan() && kept == 0);
        }
    }
    rejected
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Of medians of 0 to 3.
    const PRICES: [f32; 4] = [1.0, 1.0, 1.0, 1.346013];

    #[test]
    fn weights_and_variance_follow_their_definitions() {
        let samples = vec![vec![1.0], vec![2.0], vec![6.0]];
        let kept = vec![vec![1_u8]; 3];
        let weights = [1.0, 2.0, 1.0];
        let tile = combine_channel(&samples, &kept, &weights, &Combine::Mean, &[]);
        assert_eq!(tile.mean[0], 2.75);
        // Σw(x−m)² = 3.0625 + 1.125 + 10.5625, over (3 − 1) and Σw = 4.
        let want = (3.0625 + 1.125 + 10.5625) / (2.0 * 4.0);
        assert!((tile.variance[0] - want).abs() < 1e-6);
        assert_eq!((tile.weight[0], tile.rejected[0]), (4.0, 0));
    }

    #[test]
    fn halves_are_taken_in_turn_and_in_time() {
        let samples: Vec<Vec<f32>> = (0..5).map(|i| vec![i as f32]).collect();
        let kept = vec![vec![1_u8]; 5];
        let tile = combine_channel(&samples, &kept, &[1.0; 5], &Combine::Mean, &[]);
        assert_eq!([tile.halves[0][0][0], tile.halves[0][1][0]], [2.0, 2.0]);
        assert_eq!([tile.halves[1][0][0], tile.halves[1][1][0]], [1.0, 3.5]);
        assert_eq!(
            [tile.half_weight[1][0][0], tile.half_weight[1][1][0]],
            [3.0, 2.0]
        );
    }

    #[test]
    fn a_pixel_without_samples_is_not_a_number() {
        let samples = vec![vec![f32::NAN, 3.0]; 2];
        let kept = vec![vec![0_u8, 1]; 2];
        let winsorized = Combine::Winsorized(Default::default());
        for combine in [Combine::Mean, Combine::Median, winsorized, Combine::Max] {
            let tile = combine_channel(&samples, &kept, &[1.0; 2], &combine, &PRICES);
            assert!(tile.mean[0].is_nan() && tile.variance[0].is_nan());
            assert_eq!(
                (tile.mean[1], tile.rejected[0], tile.weight[0]),
                (3.0, 0, 0.0)
            );
        }
    }

    #[test]
    fn the_median_ignores_weights() {
        let samples = vec![vec![1.0], vec![5.0], vec![900.0]];
        let kept = vec![vec![1_u8]; 3];
        let tile = combine_channel(
            &samples,
            &kept,
            &[1.0, 7.0, 100.0],
            &Combine::Median,
            &PRICES,
        );
        assert_eq!(tile.mean[0], 5.0);
    }

    #[test]
    fn one_sample_has_no_variance() {
        let tile = combine_channel(&[vec![4.0]], &[vec![1]], &[0.3], &Combine::Mean, &[]);
        assert_eq!(tile.mean[0], 4.0);
        assert!(tile.variance[0].is_nan());
    }

    #[test]
    fn a_medians_variance_is_that_of_so_few_samples() {
        let samples = vec![vec![1.0], vec![2.0], vec![6.0]];
        let kept = vec![vec![1_u8]; 3];
        let tile = combine_channel(&samples, &kept, &[1.0; 3], &Combine::Median, &PRICES);
        // s² = 7 over 3.
        assert!((tile.variance[0] - 1.346013 * 7.0 / 3.0).abs() < 1e-5);
        // Of two it is the mean, and so is its variance: 12.5 over 2.
        let kept = vec![vec![1_u8], vec![0], vec![1]];
        let tile = combine_channel(&samples, &kept, &[1.0; 3], &Combine::Median, &PRICES);
        assert_eq!((tile.mean[0], tile.variance[0]), (3.5, 6.25));
    }

    #[test]
    fn the_largest_sample_has_neither_variance_nor_halves() {
        let samples = vec![vec![1.0, f32::NAN], vec![5.0, -3.0], vec![2.0, -7.0]];
        let kept = vec![vec![1_u8, 0], vec![1, 1], vec![1, 1]];
        let tile = combine_channel(&samples, &kept, &[1.0; 3], &Combine::Max, &[]);
        assert_eq!(tile.mean, [5.0, -3.0]);
        let absent = |values: &[f32]| values.iter().all(|v| v.is_nan());
        assert!(absent(&tile.variance) && absent(&tile.halves[0][1]));
        assert_eq!(tile.weight, [3.0, 2.0]);
    }

    #[test]
    fn winsorized_halves_draw_in_their_own_outliers() {
        let values = [10.0, 10.0, 11.0, 11.0, 9.0, 9.0, 10.0, 1e6];
        let samples: Vec<Vec<f32>> = values.iter().map(|&v| vec![v]).collect();
        let kept = vec![vec![1_u8]; 8];
        let combine = Combine::Winsorized(Default::default());
        let tile = combine_channel(&samples, &kept, &[1.0; 8], &combine, &[]);
        assert!((tile.mean[0] - 10.0).abs() < 1.0, "{}", tile.mean[0]);
        assert_eq!(tile.halves[0][0][0], 10.0);
        assert!(
            (tile.halves[0][1][0] - 11.0).abs() < 2.0,
            "{:?}",
            tile.halves
        );
        assert!(tile.variance[0] < 1.0, "{}", tile.variance[0]);
        assert_eq!(tile.rejected[0], 0);
    }
}
