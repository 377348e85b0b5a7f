//! The sigma clip, as the literature defines it.

use crate::winsorize::{SIGMA_PER_MAD, median_deviation_of_sorted};

/// What a sigma clip measures deviations from.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum ClipCenter {
    /// The mean of the samples kept so far.
    Mean,
    /// The median of the samples kept so far.
    Median,
}

/// What a sigma clip takes for one sigma.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum ClipScale {
    /// The standard deviation of the samples kept so far, divisor n.
    StandardDeviation,
    /// 1.4826 times the median absolute deviation from their median. An outlier hardly
    /// moves it, so that five samples can lose one; of few good samples it is too small,
    /// by 18 % at five, and a repeated clip about the median takes 9 % of them at 3 sigmas.
    MedianDeviation,
}

/// Settings of a sigma clip.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct ClipOptions {
    /// Rejection threshold below the center, in sigmas; default 3.
    pub low_sigmas: f32,
    /// Rejection threshold above the center, in sigmas; default 3.
    pub high_sigmas: f32,
    /// What deviations are measured from; default the median.
    pub center: ClipCenter,
    /// What one sigma is; default the standard deviation.
    pub scale: ClipScale,
    /// Most passes made; passes end earlier when one rejects nothing. Default 5.
    pub max_passes: usize,
}

impl Default for ClipOptions {
    fn default() -> Self {
        Self {
            low_sigmas: 3.0,
            high_sigmas: 3.0,
            center: ClipCenter::Median,
            scale: ClipScale::StandardDeviation,
            max_passes: 5,
        }
    }
}

/// The interval of values a clip keeps, both ends included.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct KeptRange {
    /// Smallest value kept.
    pub low: f32,
    /// Largest value kept.
    pub high: f32,
    /// Samples kept.
    pub n_kept: usize,
}

/// Median of samples in ascending order: the middle one, or the mean of both middle
/// ones. NaN when empty.
pub fn median_of_sorted(sorted: &[f32]) -> f64 {
    let n = sorted.len();
    match n {
        0 => f64::NAN,
        _ if n % 2 == 1 => f64::from(sorted[n / 2]),
        _ => 0.5 * (f64::from(sorted[n / 2 - 1]) + f64::from(sorted[n / 2])),
    }
}

/// The range of values that an iterated sigma clip keeps.
///
/// Every pass drops the samples outside center − low·s … center + high·s, bounds
/// included in what is kept, where s is what [`ClipScale`] says. Samples that are all equal
/// have s = 0 and are all kept.
///
/// - `sorted`: samples in ascending order, DN, without NaN.
///
/// `None` when there are no samples.
///
/// Source: the definition of `astropy.stats.sigma_clip` (astropy 8.0, defaults
/// `cenfunc="median"`, `stdfunc="std"`, `maxiters=5`, or `"mad_std"`); checked against its
/// results in the tests.
pub fn clip_sorted(sorted: &[f32], options: &ClipOptions) -> Option<KeptRange> {
    let (mut first, mut end) = (0, sorted.len());
    if sorted.is_empty() {
        return None;
    }
    for _ in 0..options.max_passes {
        let kept = &sorted[first..end];
        let n = kept.len() as f64;
        let mean = kept.iter().map(|&v| f64::from(v)).sum::<f64>() / n;
        let sigma = match options.scale {
            ClipScale::StandardDeviation => {
                let squares = kept.iter().map(|&v| (f64::from(v) - mean).powi(2));
                (squares.sum::<f64>() / n).sqrt()
            }
            ClipScale::MedianDeviation => SIGMA_PER_MAD * median_deviation_of_sorted(kept),
        };
        let center = match options.center {
            ClipCenter::Mean => mean,
            ClipCenter::Median => median_of_sorted(kept),
        };
        let low = center - f64::from(options.low_sigmas) * sigma;
        let high = center + f64::from(options.high_sigmas) * sigma;
        let dropped_low = kept.iter().take_while(|&&v| f64::from(v) < low).count();
        let dropped_high = kept
            .iter()
            .rev()
            .take_while(|&&v| f64::from(v) > high)
            .count();
        if dropped_low + dropped_high == 0 || dropped_low + dropped_high >= kept.len() {
            break;
        }
        first += dropped_low;
        end -= dropped_high;
    }
    Some(KeptRange {
        low: sorted[first],
        high: sorted[end - 1],
        n_kept: end - first,
    })
}

/// Largest deviation that one sample among `n` can have from their center, in standard
/// deviations with divisor n. In median deviations there is no largest from three on.
///
/// A clip at or above it can never reject anything. About the mean it is √(n − 1), when
/// all others are equal (Shiffler 1988, The American Statistician 42, 79, from memory;
/// re-derived for divisor n). About the median it is √(n k / (k − 1)): the median stays
/// at 0 while the n − k samples between it and the deviating one, at 1, are moved to
/// 1 / k, where the sum of squares is least (own derivation, tried in the tests).
pub fn largest_deviation_sigmas(n: usize, center: ClipCenter) -> f64 {
    let all = n as f64;
    match center {
        // Of two samples the median is the mean.
        ClipCenter::Median if n > 2 => {
            let between = (n - 1) / 2 - 1;
            let k = (n - between) as f64;
            (all * k / (k - 1.0)).sqrt()
        }
        ClipCenter::Mean | ClipCenter::Median => (all - 1.0).max(0.0).sqrt(),
    }
}

/// Fewest samples of which one can lie outside a clip at `sigmas`; those for 1000 sigmas
/// stand for all beyond.
pub fn samples_needed_to_clip(sigmas: f64, center: ClipCenter) -> usize {
    // The squares of the largest deviations lie between n − 1 and n + 3.
    let sigmas = sigmas.min(1000.0);
    let mut n = (sigmas * sigmas) as usize;
    n = n.saturating_sub(4).max(2);
    while largest_deviation_sigmas(n, center) <= sigmas {
        n += 1;
    }
    n
}

/// Sorts a handful of samples in place, ascending; NaN must have been left out.
#[inline]
pub(crate) fn sort_samples(samples: &mut [f32]) {
    // Insertion sort beats the general sort at the sizes that stacks have.
    if samples.len() > 40 {
        samples.sort_unstable_by(f32::total_cmp);
        return;
    }
    for i in 1..samples.len() {
        let value = samples[i];
        let mut j = i;
        while j > 0 && samples[j - 1] > value {
            samples[j] = samples[j - 1];
            j -= 1;
        }
        samples[j] = value;
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn clip(mut samples: Vec<f32>, options: ClipOptions) -> Option<KeptRange> {
        sort_samples(&mut samples);
        clip_sorted(&samples, &options)
    }

    #[test]
    fn nothing_in_gives_nothing_out() {
        assert_eq!(clip(vec![], ClipOptions::default()), None);
    }

    #[test]
    fn one_sample_is_kept() {
        let kept = clip(vec![7.0], ClipOptions::default()).expect("a sample");
        assert_eq!(
            kept,
            KeptRange {
                low: 7.0,
                high: 7.0,
                n_kept: 1
            }
        );
    }

    #[test]
    fn equal_samples_are_all_kept() {
        let kept = clip(vec![2.5; 9], ClipOptions::default()).expect("samples");
        assert_eq!(kept.n_kept, 9);
    }

    #[test]
    fn ten_samples_cannot_lose_a_lone_outlier_at_three_sigmas_about_the_mean() {
        // √(n − 1) = 3 exactly at n = 10, and the bound itself is kept.
        let mut samples: Vec<f32> = vec![0.0; 9];
        samples.push(1e6);
        let about_mean = ClipOptions {
            center: ClipCenter::Mean,
            ..ClipOptions::default()
        };
        assert_eq!(clip(samples, about_mean).expect("samples").n_kept, 10);
        assert_eq!(largest_deviation_sigmas(10, ClipCenter::Mean), 3.0);
    }

    /// Largest deviation of the last of sorted samples from their center, in sigmas.
    fn deviation(sorted: &[f32], center: ClipCenter) -> f64 {
        let n = sorted.len() as f64;
        let mean = sorted.iter().map(|&v| f64::from(v)).sum::<f64>() / n;
        let sum_sq: f64 = sorted.iter().map(|&v| (f64::from(v) - mean).powi(2)).sum();
        let center = match center {
            ClipCenter::Mean => mean,
            ClipCenter::Median => median_of_sorted(sorted),
        };
        (f64::from(sorted[sorted.len() - 1]) - center) / (sum_sq / n).sqrt()
    }

    #[test]
    fn the_largest_deviation_is_reached_and_never_passed() {
        let mut state = 7_u64;
        let mut uniform = || {
            state = state
                .wrapping_mul(6364136223846793005)
                .wrapping_add(1442695040888963407);
            (state >> 40) as f32 / (1_u64 << 24) as f32
        };
        for n in 3..=20 {
            for center in [ClipCenter::Mean, ClipCenter::Median] {
                let largest = largest_deviation_sigmas(n, center);
                // What the derivation names as the extreme.
                let between = match center {
                    ClipCenter::Mean => 0,
                    ClipCenter::Median => (n - 1) / 2 - 1,
                };
                let mut extreme = vec![0.0_f32; n - between - 1];
                extreme.extend(vec![1.0 / (n - between) as f32; between]);
                extreme.push(1.0);
                assert!(
                    (deviation(&extreme, center) - largest).abs() < 1e-6,
                    "{n} {center:?}"
                );
                for _ in 0..3000 {
                    let moved = extreme
                        .iter()
                        .map(|v| v + 0.3 * uniform() * uniform() - 0.05);
                    let mut moved: Vec<f32> = moved.collect();
                    sort_samples(&mut moved);
                    assert!(deviation(&moved, center) < largest + 1e-6, "{n} {center:?}");
                }
            }
        }
    }

    #[test]
    fn a_clip_at_three_needs_eleven_samples_about_the_mean_and_eight_about_the_median() {
        assert_eq!(samples_needed_to_clip(3.0, ClipCenter::Mean), 11);
        assert_eq!(samples_needed_to_clip(3.0, ClipCenter::Median), 8);
        for center in [ClipCenter::Mean, ClipCenter::Median] {
            for sigmas in [0.3, 1.0, 1.7, 2.0, 2.5, 5.0, 17.3] {
                let tried = (2..).find(|&n| largest_deviation_sigmas(n, center) > sigmas);
                assert_eq!(
                    Some(samples_needed_to_clip(sigmas, center)),
                    tried,
                    "{sigmas}"
                );
            }
            assert!(samples_needed_to_clip(f64::INFINITY, center) > 999_000);
        }
        let lone = |n: usize| {
            let mut samples = vec![100.0; n - 1];
            samples.push(9e4);
            clip(samples, ClipOptions::default())
                .expect("samples")
                .n_kept
        };
        assert_eq!((lone(7), lone(8)), (7, 7));
        for center in [ClipCenter::Mean, ClipCenter::Median] {
            let few = [0, 1, 2].map(|n| largest_deviation_sigmas(n, center));
            assert_eq!(few, [0.0, 0.0, 1.0]);
        }
    }

    #[test]
    fn twenty_samples_lose_an_outlier() {
        let mut samples: Vec<f32> = (0..19).map(|i| (i % 5) as f32).collect();
        samples.push(1e5);
        let kept = clip(samples, ClipOptions::default()).expect("samples");
        assert_eq!((kept.n_kept, kept.high), (19, 4.0));
    }

    #[test]
    fn five_samples_lose_an_outlier_by_their_median_deviation() {
        let samples = vec![9.0, 10.0, 11.0, 10.5, 1e5];
        let by_deviation = clip(samples.clone(), ClipOptions::default());
        assert_eq!(by_deviation.expect("samples").n_kept, 5);
        let robust = ClipOptions {
            scale: ClipScale::MedianDeviation,
            ..ClipOptions::default()
        };
        let kept = clip(samples, robust).expect("samples");
        assert_eq!((kept.n_kept, kept.high), (4, 11.0));
    }

    #[test]
    fn thresholds_may_differ_below_and_above() {
        let mut samples: Vec<f32> = (0..30).map(|i| (i % 7) as f32).collect();
        samples.extend([-1e4, 1e4]);
        let high_only = ClipOptions {
            low_sigmas: 50.0,
            ..ClipOptions::default()
        };
        let kept = clip(samples, high_only).expect("samples");
        assert_eq!((kept.low, kept.high), (-1e4, 6.0));
    }

    #[test]
    fn the_median_of_an_even_count_is_the_mean_of_the_middle() {
        assert_eq!(median_of_sorted(&[1.0, 2.0, 4.0, 9.0]), 3.0);
        assert_eq!(median_of_sorted(&[1.0, 2.0, 9.0]), 2.0);
        assert!(median_of_sorted(&[]).is_nan());
    }
}
