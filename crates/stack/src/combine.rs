//! The kept samples of one channel of a tile, made into the stack and its halves.

use crate::observe::HalfSplit;
use crate::sigma_clip::sort_samples;
use crate::{Combine, median_of_sorted};

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
/// variances up to a factor. For a median the same, times the median's variance relative
/// to the mean's at large n, π/2.
/// Clipping at k sigmas makes s² of Gaussian samples too small, by 3 % at k = 3.
pub(crate) fn combine_channel(
    samples: &[Vec<f32>],
    kept: &[Vec<u8>],
    weights: &[f32],
    combine: &Combine,
) -> TileStack {
    let n = samples.len();
    let median = matches!(combine, Combine::Median);
    let all = sums(samples, kept, weights, |_| true);
    let mut variance = all.variance(samples, kept, weights);
    if median {
        variance
            .iter_mut()
            .for_each(|v| *v *= std::f32::consts::FRAC_PI_2);
    }
    let mean = match median {
        true => medians(samples, kept, |_| true),
        false => all.mean,
    };
    let mut halves: [[Vec<f32>; 2]; 2] = Default::default();
    let mut half_weight: [[Vec<f32>; 2]; 2] = Default::default();
    for (i, split) in [HalfSplit::OddEven, HalfSplit::FirstLast]
        .into_iter()
        .enumerate()
    {
        for second in [false, true] {
            let belongs = |light: usize| split.is_second(light, n) == second;
            let half = sums(samples, kept, weights, belongs);
            halves[i][usize::from(second)] = match median {
                true => medians(samples, kept, belongs),
                false => half.mean,
            };
            half_weight[i][usize::from(second)] = half.weight;
        }
    }
    TileStack {
        mean,
        variance,
        rejected: rejected(samples, kept),
        weight: all.weight,
        halves,
        half_weight,
    }
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
        for ((&value, &kept), ((sum, weight), count)) in planes.zip(sums) {
            // Selects instead of branching, so that the loop vectorizes.
            let w = if kept == 1 { w } else { 0.0 };
            let value = if kept == 1 { value } else { 0.0 };
            *sum += f64::from(w * value);
            *weight += w;
            *count += if kept == 1 { 1.0 } else { 0.0 };
        }
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
            for (sum_sq, ((&value, &kept), &mean)) in sum_sq.iter_mut().zip(planes) {
                let deviation = if kept == 1 { value - mean } else { 0.0 };
                *sum_sq += w * deviation * deviation;
            }
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

fn medians(samples: &[Vec<f32>], kept: &[Vec<u8>], belongs: impl Fn(usize) -> bool) -> Vec<f32> {
    let lights: Vec<usize> = (0..samples.len()).filter(|&light| belongs(light)).collect();
    let mut values = Vec::with_capacity(lights.len());
    let n_px = samples.first().map_or(0, Vec::len);
    (0..n_px)
        .map(|pixel| {
            values.clear();
            let kept = lights.iter().filter(|&&light| kept[light][pixel] == 1);
            values.extend(kept.map(|&light| samples[light][pixel]));
            sort_samples(&mut values);
            median_of_sorted(&values) as f32
        })
        .collect()
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

    #[test]
    fn weights_and_variance_follow_their_definitions() {
        let samples = vec![vec![1.0], vec![2.0], vec![6.0]];
        let kept = vec![vec![1_u8]; 3];
        let weights = [1.0, 2.0, 1.0];
        let tile = combine_channel(&samples, &kept, &weights, &Combine::Mean);
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
        let tile = combine_channel(&samples, &kept, &[1.0; 5], &Combine::Mean);
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
        for combine in [Combine::Mean, Combine::Median] {
            let tile = combine_channel(&samples, &kept, &[1.0; 2], &combine);
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
        let tile = combine_channel(&samples, &kept, &[1.0, 7.0, 100.0], &Combine::Median);
        assert_eq!(tile.mean[0], 5.0);
    }

    #[test]
    fn one_sample_has_no_variance() {
        let tile = combine_channel(&[vec![4.0]], &[vec![1]], &[0.3], &Combine::Mean);
        assert_eq!(tile.mean[0], 4.0);
        assert!(tile.variance[0].is_nan());
    }
}
