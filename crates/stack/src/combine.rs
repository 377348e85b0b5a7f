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

impl TileStack {
    /// As many pixels, all as the first.
    pub fn repeated(&self, pixels: usize) -> Self {
        fn all<T: Copy>(plane: &[T], pixels: usize) -> Vec<T> {
            vec![plane[0]; pixels]
        }
        let halves = |planes: &[[Vec<f32>; 2]; 2]| {
            planes
                .each_ref()
                .map(|split| split.each_ref().map(|plane| all(plane, pixels)))
        };
        Self {
            mean: all(&self.mean, pixels),
            variance: all(&self.variance, pixels),
            weight: all(&self.weight, pixels),
            rejected: all(&self.rejected, pixels),
            halves: halves(&self.halves),
            half_weight: halves(&self.half_weight),
        }
    }
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
    let Sums {
        mut all,
        halves,
        mut variance,
    } = Sums::of(samples, kept, weights);
    let of = |belongs: &dyn Fn(usize) -> bool, mean: Vec<f32>| {
        let lights: Vec<usize> = (0..n).filter(|&light| belongs(light)).collect();
        value(samples, kept, weights, combine, &lights, mean)
    };
    if matches!(combine, Combine::Median) {
        for (variance, &count) in variance.iter_mut().zip(&all.count) {
            *variance *= median_prices[count as usize];
        }
    }
    let Values { mean, own_variance } = of(&|_| true, std::mem::take(&mut all.mean));
    let mut half = halves.into_iter().flatten();
    let [halves, half_weight] = transposed(SPLITS.map(|split| {
        transposed([false, true].map(|second| {
            let half: SetSums = half.next().expect("two halves of each split");
            let belongs = |light: usize| split.is_second(light, n) == second;
            let value = match combine {
                Combine::Max => vec![f32::NAN; mean.len()],
                _ => of(&belongs, half.mean).mean,
            };
            [value, half.weight]
        }))
    }));
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

/// Both ways of splitting the lights.
const SPLITS: [HalfSplit; 2] = [HalfSplit::OddEven, HalfSplit::FirstLast];

fn transposed<T>([[a, b], [c, d]]: [[T; 2]; 2]) -> [[T; 2]; 2] {
    [[a, c], [b, d]]
}

/// Weighted sums over all lights and over the halves of each of the [`SPLITS`].
struct Sums {
    all: SetSums,
    halves: [[SetSums; 2]; 2],
    /// Variance of the weighted mean of all; NaN of fewer than two.
    variance: Vec<f32>,
}

/// Weighted sums over a set of lights, pixel by pixel.
struct SetSums {
    weight: Vec<f32>,
    count: Vec<f32>,
    mean: Vec<f32>,
}

/// Pixels whose sums are made side by side, in registers.
const LANES: usize = 8;

impl Sums {
    fn of(samples: &[Vec<f32>], kept: &[Vec<u8>], weights: &[f32]) -> Self {
        let (n, n_px) = (samples.len(), samples.first().map_or(0, Vec::len));
        let new = || SetSums {
            weight: vec![0.0; n_px],
            count: vec![0.0; n_px],
            mean: vec![0.0; n_px],
        };
        let mut sums = Self {
            all: new(),
            halves: [0; 2].map(|_| [0; 2].map(|_| new())),
            variance: vec![0.0; n_px],
        };
        let lights_of = |split: HalfSplit| {
            [false, true].map(|second| -> Vec<usize> {
                (0..n)
                    .filter(|&i| split.is_second(i, n) == second)
                    .collect()
            })
        };
        let halves = SPLITS.map(lights_of);
        let planes = Planes {
            samples,
            kept,
            weights,
        };
        with_widest_vectors(
            #[inline(always)]
            || {
                for first in (0..n_px).step_by(LANES) {
                    sums.add(&planes, &halves, first);
                }
            },
        );
        sums
    }

    /// The sums of the pixels from `first` on.
    #[inline(always)]
    fn add(&mut self, planes: &Planes, halves: &[[Vec<usize>; 2]; 2], first: usize) {
        let [in_turn, in_time] = halves;
        for (half, lights) in self.halves[0].iter_mut().zip(in_turn) {
            let mut own = LaneSums::default();
            for &light in lights {
                own.add(&planes.kept(light, first));
            }
            half.put(first, &own);
        }
        // One half in time after the other is all in order.
        let mut all = LaneSums::default();
        for (half, lights) in self.halves[1].iter_mut().zip(in_time) {
            let mut own = LaneSums::default();
            for &light in lights {
                let kept = planes.kept(light, first);
                own.add(&kept);
                all.add(&kept);
            }
            half.put(first, &own);
        }
        self.all.put(first, &all);
        put(&mut self.variance, first, &all.variance(planes, first));
    }
}

impl SetSums {
    #[inline(always)]
    fn put(&mut self, first: usize, sums: &LaneSums) {
        put(&mut self.weight, first, &sums.weight);
        put(&mut self.count, first, &sums.count);
        put(&mut self.mean, first, &sums.mean());
    }
}

/// Puts lanes in their place; those beyond the last pixel are none.
#[inline(always)]
fn put(plane: &mut [f32], first: usize, lanes: &[f32; LANES]) {
    let rest = &mut plane[first..];
    match rest.first_chunk_mut() {
        Some(whole) => *whole = *lanes,
        None => rest.copy_from_slice(&lanes[..rest.len()]),
    }
}

/// The samples of all lights.
struct Planes<'a> {
    samples: &'a [Vec<f32>],
    kept: &'a [Vec<u8>],
    weights: &'a [f32],
}

/// A light's samples of some pixels; zeros where they are not kept.
struct Kept {
    value: [f32; LANES],
    weight: [f32; LANES],
    one: [f32; LANES],
}

impl Planes<'_> {
    #[inline(always)]
    fn kept(&self, light: usize, first: usize) -> Kept {
        let values: [f32; LANES] = lanes(&self.samples[light][first..]);
        let kept: [u8; LANES] = lanes(&self.kept[light][first..]);
        // Selects instead of branching, so that the loop vectorizes.
        let select = |from: [f32; LANES]| -> [f32; LANES] {
            std::array::from_fn(|lane| if kept[lane] == 1 { from[lane] } else { 0.0 })
        };
        Kept {
            value: select(values),
            weight: select([self.weights[light]; LANES]),
            one: select([1.0; LANES]),
        }
    }
}

/// The first of a plane's values; zeros beyond the last.
#[inline(always)]
fn lanes<T: Copy + Default>(values: &[T]) -> [T; LANES] {
    match values.first_chunk() {
        Some(whole) => *whole,
        None => std::array::from_fn(|lane| values.get(lane).copied().unwrap_or_default()),
    }
}

/// Sums of some pixels over a set of lights.
#[derive(Default)]
struct LaneSums {
    sum: [f64; LANES],
    weight: [f32; LANES],
    count: [f32; LANES],
}

impl LaneSums {
    #[inline(always)]
    fn add(&mut self, kept: &Kept) {
        for lane in 0..LANES {
            self.sum[lane] += f64::from(kept.weight[lane] * kept.value[lane]);
            self.weight[lane] += kept.weight[lane];
            self.count[lane] += kept.one[lane];
        }
    }

    #[inline(always)]
    fn mean(&self) -> [f32; LANES] {
        std::array::from_fn(|lane| {
            let mean = (self.sum[lane] / f64::from(self.weight[lane])) as f32;
            if self.weight[lane] > 0.0 {
                mean
            } else {
                f32::NAN
            }
        })
    }

    /// Of the mean, by the scatter of the samples.
    #[inline(always)]
    fn variance(&self, planes: &Planes, first: usize) -> [f32; LANES] {
        let mean = self.mean();
        let mut squares = [0.0_f32; LANES];
        for (light, &w) in planes.weights.iter().enumerate() {
            let kept = planes.kept(light, first);
            for lane in 0..LANES {
                let off = kept.value[lane] - mean[lane];
                let off = if kept.one[lane] == 1.0 { off } else { 0.0 };
                squares[lane] += w * off * off;
            }
        }
        std::array::from_fn(|lane| {
            let variance = squares[lane] / ((self.count[lane] - 1.0) * self.weight[lane]);
            if self.count[lane] > 1.0 {
                variance
            } else {
                f32::NAN
            }
        })
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
