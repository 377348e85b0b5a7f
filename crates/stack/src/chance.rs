//! What a clip takes of good samples by chance, and how much more has to go around a sample
//! before that is taken for a trail.

use crate::camera_noise::SampleNoise;
use crate::predicted_clip::reject_predicted;
use crate::reject::{GROW_REACH_PX, reject_channel};
use crate::{ClipOptions, Combine, PredictedClip};
use rand::{Rng, SeedableRng};
use rand_chacha::ChaCha8Rng;
use rand_distr::StandardNormal;

/// Samples around one that are looked at, in one channel.
const AROUND: usize = (2 * GROW_REACH_PX + 1) * (2 * GROW_REACH_PX + 1);

/// Least share of the samples around one, over all channels, that must have been rejected for
/// it to be taken for part of the same trail: every pixel within two pixels of a trail's
/// clipped core is above it.
const LEAST_SHARE: f64 = 0.1;

/// Most of the good samples that may so be taken by chance.
const MOST_BY_CHANCE: f64 = 1e-4;

/// Pixels by which the share that goes by chance is found, and how many at a time.
const PIXELS: usize = 4096;
const PIXELS_AT_A_TIME: usize = 256;
/// Any; the same numbers every time.
const SEED: u64 = 1;

/// Rejected samples around one, over all channels, from which it goes as well, for each light.
///
/// - `weights`: of the lights, as the inverse of their variances.
pub(crate) fn growth_limits(combine: &Combine, weights: &[f32], channels: usize) -> Vec<u16> {
    let chances = match combine {
        Combine::SigmaClip(clip) => by_scatter(clip, weights),
        Combine::PredictedClip(clip) => by_prediction(clip, weights.len()),
        _ => vec![0.0; weights.len()],
    };
    let limit = |chance| growth_limit(chance, channels);
    chances.into_iter().map(limit).collect()
}

/// The same for one light that loses the share `chance` of its good samples.
///
/// Neighbors and channels that interpolation makes alike say together about as much as the
/// samples of one channel alone, so that the limit is that of one, times the channels.
pub(crate) fn growth_limit(chance: f64, channels: usize) -> u16 {
    let least = (LEAST_SHARE * (AROUND * channels) as f64).ceil() as usize;
    let above_chance = channels * above_chance(chance);
    least.max(above_chance) as u16
}

/// Smallest number of rejected samples of [`AROUND`] that chance makes so rarely; one more than
/// there are where it makes any number often.
fn above_chance(chance: f64) -> usize {
    // Probability of each number (binomial), and from the top down of at least so many.
    let of = |k: usize| {
        let ways = (0..k).map(|i| (AROUND - i) as f64 / (i + 1) as f64);
        ways.product::<f64>() * chance.powi(k as i32) * (1.0 - chance).powi((AROUND - k) as i32)
    };
    let mut at_least = 0.0;
    let is_rare = |k: &usize| {
        at_least += of(*k);
        at_least < MOST_BY_CHANCE
    };
    (0..=AROUND)
        .rev()
        .take_while(is_rare)
        .last()
        .unwrap_or(AROUND + 1)
}

/// Share of Gaussian samples of known noise that lie outside.
pub(crate) fn share_outside(low_sigmas: f32, high_sigmas: f32) -> f64 {
    let mut draw = gaussian();
    let outside = |_: &usize| {
        let value = draw();
        value < -low_sigmas || value > high_sigmas
    };
    const DRAWS: usize = 1 << 16;
    (0..DRAWS).filter(outside).count() as f64 / DRAWS as f64
}

fn by_scatter(clip: &ClipOptions, weights: &[f32]) -> Vec<f64> {
    let sigmas: Vec<f32> = weights.iter().map(sigma_of).collect();
    shares(&sigmas, |samples| reject_channel(samples, clip))
}

/// Noise of a light by its weight; one that weighs nothing is nothing but noise.
fn sigma_of(weight: &f32) -> f32 {
    weight.max(f32::MIN_POSITIVE).sqrt().recip()
}

fn by_prediction(clip: &PredictedClip, lights: usize) -> Vec<f64> {
    let of_one = SampleNoise {
        slope_dn: 0.0,
        black_dn: 0.0,
        floor_dn2: 1.0,
    };
    let noise = vec![vec![of_one; PIXELS_AT_A_TIME]; lights];
    shares(&vec![1.0; lights], |samples| {
        reject_predicted(samples, &noise, PIXELS_AT_A_TIME, clip)
    })
}

/// Share of each light's samples that `reject` takes from noise of its `sigmas`.
fn shares(sigmas: &[f32], reject: impl Fn(&[Vec<f32>]) -> Vec<Vec<u8>>) -> Vec<f64> {
    let mut draw = gaussian();
    let mut taken = vec![0_usize; sigmas.len()];
    for _ in 0..PIXELS / PIXELS_AT_A_TIME {
        let plane = |sigma: &f32| (0..PIXELS_AT_A_TIME).map(|_| sigma * draw()).collect();
        let samples: Vec<Vec<f32>> = sigmas.iter().map(plane).collect();
        for (taken, kept) in taken.iter_mut().zip(reject(&samples)) {
            *taken += kept.iter().filter(|&&kept| kept == 0).count();
        }
    }
    let share = |taken: usize| taken as f64 / PIXELS as f64;
    taken.into_iter().map(share).collect()
}

fn gaussian() -> impl FnMut() -> f32 {
    let mut rng = ChaCha8Rng::seed_from_u64(SEED);
    move || rng.sample(StandardNormal)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::ClipScale;

    #[test]
    fn a_clip_at_three_sigmas_leaves_the_least_share() {
        let clip = Combine::SigmaClip(ClipOptions::default());
        assert_eq!(growth_limits(&clip, &[1.0; 20], 1), [3; 20]);
        assert_eq!(growth_limits(&clip, &[1.0; 20], 3), [9; 20]);
        assert!(growth_limits(&clip, &[], 3).is_empty());
    }

    #[test]
    fn what_takes_more_by_chance_has_to_take_more_for_a_trail() {
        // 100,000 sets of five lose 9.36 % at three median deviations; so many pixels know it
        // to 0.46 %.
        let clip = ClipOptions {
            scale: ClipScale::MedianDeviation,
            ..ClipOptions::default()
        };
        let chances = by_scatter(&clip, &[1.0; 5]);
        for chance in &chances {
            assert!((chance - 0.0936).abs() < 4.0 * 0.0046, "{chance}");
        }
        assert!(growth_limits(&Combine::SigmaClip(clip), &[1.0; 5], 1)[0] > 8);
    }

    #[test]
    fn a_noisy_light_loses_more_by_chance() {
        let clip = Combine::SigmaClip(ClipOptions::default());
        let mut weights = [1.0; 20];
        weights[3] = 0.25;
        let limits = growth_limits(&clip, &weights, 1);
        assert!(limits[3] > 8 && limits[4] == 3, "{limits:?}");
    }

    #[test]
    fn tails_are_those_of_the_tables() {
        // Two-sided 2 sigmas: 4.550 %, one standard error of the draws 0.08 %.
        assert!((share_outside(2.0, 2.0) - 0.0455).abs() < 0.003);
        assert_eq!(share_outside(9.0, 9.0), 0.0);
        // A share that leaves nothing to stand out from is never passed.
        assert_eq!(growth_limit(0.9, 1), AROUND as u16 + 1);
        // By the binomial distribution: 1.6e-4 for 7 or more of 25 at 5 %, 2.7e-5 for 8.
        assert_eq!(growth_limit(0.05, 1), 8);
    }
}
