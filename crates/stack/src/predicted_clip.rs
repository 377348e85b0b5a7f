//! Clipping against the noise that a known camera predicts.
//!
//! Among five samples none can deviate by more than 2.7 of their own standard deviations,
//! so a clip by scatter keeps a satellite. What the camera's gain and read noise predict
//! knows nothing of the satellite.

use crate::camera_noise::{CameraNoise, SampleNoise};
use crate::lanes::{LANES, SortedPixels};
use crate::reject::present;
use crate::sigma_clip::sort_samples;
use crate::simd::with_widest_vectors;
use crate::{median_of_sorted, median_price};

/// Settings of a clip against predicted noise.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct PredictedClip {
    /// Rejection threshold below the median, in predicted sigmas.
    pub low_sigmas: f32,
    /// Rejection threshold above the median, in predicted sigmas.
    pub high_sigmas: f32,
    /// Most passes made; passes end earlier when one rejects nothing.
    pub max_passes: usize,
    /// What is predicted from.
    pub camera: CameraNoise,
}

/// Fewest samples among which one is told from the others.
pub const PREDICTED_CLIP_NEEDS: usize = 3;

/// How far beside a pixel its neighbors are looked at, px.
pub(crate) const GRADIENT_REACH_PX: usize = 1;

/// Steps to neighbors within this many of their own sigmas are taken for noise.
const STEP_SIGMAS: f64 = 3.0;

/// Marks the samples of one channel that the clip keeps: 1 kept, 0 rejected or missing.
///
/// A sample is dropped where it deviates from the median m of those kept so far by more
/// than its threshold times σ(m), the noise its light should have at that level, plus the
/// step of the picture to the steepest neighbor; until none is dropped, fewer than
/// [`PREDICTED_CLIP_NEEDS`] are left, or all passes are made. The step is for stars, which
/// are never quite the same in two lights: seeing, focus, colors that demosaicing makes of
/// sharp ones, and places a tenth of a pixel off.
///
/// Source: a difference held against noise and a multiple of the local derivative, as in
/// Fruchter & Hook (2002), PASP 114, 144, sect. 4 (from memory); gain and read noise stand
/// for the noise, the median of the lights for the first picture.
///
/// - `samples[light]`, `noise[light]`: planes of rows of `width`; NaN is missing.
pub(crate) fn reject_predicted(
    samples: &[Vec<f32>],
    noise: &[Vec<SampleNoise>],
    width: usize,
    clip: &PredictedClip,
) -> Vec<Vec<u8>> {
    let mut kept = present(samples);
    let first = medians(samples);
    let suspects = may_lose(
        samples,
        noise,
        &first,
        clip.low_sigmas.min(clip.high_sigmas),
    );
    let mut values = Vec::with_capacity(samples.len());
    let mut median = |kept: &[Vec<u8>], pixel: usize| {
        values.clear();
        let planes = samples.iter().zip(kept);
        let in_stack = planes.filter(|(_, kept)| kept[pixel] == 1);
        values.extend(in_stack.map(|(plane, _)| plane[pixel]));
        sort_samples(&mut values);
        (median_of_sorted(&values), values.len())
    };
    let prices: Vec<f64> = (0..=samples.len()).map(median_price).collect();
    for (pixel, _) in suspects.iter().enumerate().filter(|(_, suspect)| **suspect) {
        let (mut center, mut n) = first[pixel];
        let step = steepest_step(&first, pixel, width);
        let mut allowed = None;
        for _ in 0..clip.max_passes {
            if n < PREDICTED_CLIP_NEEDS {
                break;
            }
            let lights = 0..samples.len();
            let variance = |light: usize| noise[light][pixel].variance_dn2(center);
            let allowed = *allowed.get_or_insert_with(|| {
                let in_stack = lights.clone().filter(|&light| kept[light][pixel] == 1);
                let mean = in_stack.map(variance).sum::<f64>() / n as f64;
                let error = (2.0 * prices[n] * mean / n as f64).sqrt();
                (step - STEP_SIGMAS * error).max(0.0)
            });
            let outside = |&light: &usize| {
                let off = f64::from(samples[light][pixel]) - center;
                let sigmas = if off < 0.0 {
                    clip.low_sigmas
                } else {
                    clip.high_sigmas
                };
                kept[light][pixel] == 1
                    && off.abs() > f64::from(sigmas) * variance(light).sqrt() + allowed
            };
            let dropped: Vec<usize> = lights.filter(outside).collect();
            if dropped.is_empty() || dropped.len() == n {
                break;
            }
            for light in dropped {
                kept[light][pixel] = 0;
            }
            (center, n) = median(&kept, pixel);
        }
    }
    kept
}

/// Median and number of the samples of every pixel.
fn medians(samples: &[Vec<f32>]) -> Vec<(f64, usize)> {
    let n_px = samples.first().map_or(0, Vec::len);
    let mut sorted = SortedPixels::new(samples.len());
    let mut medians = Vec::with_capacity(n_px);
    for first in (0..n_px).step_by(LANES) {
        with_widest_vectors(
            #[inline(always)]
            || sorted.load(samples, first),
        );
        let lanes = 0..LANES.min(n_px - first);
        medians.extend(lanes.map(|lane| (sorted.median(lane), sorted.present[lane])));
    }
    medians
}

/// Share of a threshold from which a sample is looked at closely; what is below it, no
/// rounding can bring above.
const CLOSE: f32 = 0.999;

/// Which pixels have a sample so far off that the clip may drop it, whatever is allowed for
/// stars: about one in a hundred.
fn may_lose(
    samples: &[Vec<f32>],
    noise: &[Vec<SampleNoise>],
    medians: &[(f64, usize)],
    sigmas: f32,
) -> Vec<bool> {
    let centers: Vec<f32> = medians.iter().map(|&(median, _)| median as f32).collect();
    let limit = (CLOSE * sigmas) * (CLOSE * sigmas);
    let mut suspects = vec![false; medians.len()];
    for (plane, noise) in samples.iter().zip(noise) {
        let pixels = plane.iter().zip(noise).zip(&centers).zip(&mut suspects);
        with_widest_vectors(
            #[inline(always)]
            || {
                for (((&value, noise), &center), suspect) in pixels {
                    let light_dn = (center - noise.black_dn).max(0.0);
                    let variance = noise.floor_dn2 + noise.slope_dn * light_dn;
                    let off = value - center;
                    *suspect |= off * off > limit * variance;
                }
            },
        );
    }
    suspects
}

/// Largest difference of a pixel to its four neighbors; 0 where there are none.
fn steepest_step(medians: &[(f64, usize)], pixel: usize, width: usize) -> f64 {
    let col = pixel % width;
    let near = [
        (col > 0).then(|| pixel - 1),
        (col + 1 < width).then(|| pixel + 1),
        pixel.checked_sub(width),
        (pixel + width < medians.len()).then(|| pixel + width),
    ];
    let own = medians[pixel].0;
    let steps = near
        .into_iter()
        .flatten()
        .map(|at| (medians[at].0 - own).abs());
    // NaN, where a neighbor has no samples, is no step.
    steps.fold(0.0, f64::max)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::camera_noise::{ChannelNoise, Shares};

    fn clip() -> PredictedClip {
        let photosite = ChannelNoise {
            gain_e_per_dn: 1.0,
            floor_dn2: 9.0,
        };
        PredictedClip {
            low_sigmas: 3.0,
            high_sigmas: 3.0,
            max_passes: 5,
            camera: CameraNoise([photosite; 3]),
        }
    }

    /// Rejects among planes of one row, plain photosites at scale 1: σ = √(9 + level).
    fn kept(samples: &[Vec<f32>]) -> Vec<Vec<u8>> {
        let width = samples.first().map_or(1, Vec::len);
        let noise = SampleNoise::new(&clip().camera.0[0], Shares::WHOLE, 1.0, 1.0, 0.0);
        let noise: Vec<_> = samples.iter().map(|p| vec![noise; p.len()]).collect();
        reject_predicted(samples, &noise, width, &clip())
    }

    /// One pixel's samples.
    fn kept_of(samples: &[f32]) -> Vec<u8> {
        let planes: Vec<Vec<f32>> = samples.iter().map(|&v| vec![v]).collect();
        kept(&planes).concat()
    }

    #[test]
    fn one_satellite_among_three_or_five_goes() {
        // σ = √(9 + 91) = 10.
        assert_eq!(kept_of(&[91.0, 95.0, 88.0, 91.0, 160.0]), [1, 1, 1, 1, 0]);
        assert_eq!(kept_of(&[91.0, 160.0, 90.0]), [1, 0, 1]);
        assert_eq!(kept_of(&[91.0, 20.0, 92.0]), [1, 0, 1]);
        assert_eq!(kept_of(&[91.0, 119.0, 90.0]), [1, 1, 1]);
    }

    #[test]
    fn two_samples_cannot_tell_which_is_wrong() {
        assert_eq!(kept_of(&[91.0, 5000.0]), [1, 1]);
        assert_eq!(kept_of(&[91.0]), [1]);
        assert!(kept_of(&[]).is_empty());
        assert_eq!(kept_of(&[f32::NAN, 91.0, 5000.0, f32::NAN]), [0, 1, 1, 0]);
    }

    #[test]
    fn samples_that_fall_apart_in_two_are_not_all_dropped() {
        assert_eq!(kept_of(&[0.0, 0.0, 5000.0, 5000.0]), [1, 1, 1, 1]);
    }

    #[test]
    fn equal_samples_are_kept_even_without_noise() {
        let planes = vec![vec![4.0]; 3];
        let silent = SampleNoise {
            slope_dn: 0.0,
            black_dn: 0.0,
            floor_dn2: 0.0,
        };
        let kept = reject_predicted(&planes, &vec![vec![silent]; 3], 1, &clip());
        assert_eq!(kept.concat(), [1, 1, 1]);
    }

    #[test]
    fn a_star_that_varies_is_kept_and_a_trail_across_the_sky_is_not() {
        // A star over a sky of 91 DN, in one light a fifth fainter, and a trail beside it.
        let star = [91.0, 91.0, 700.0, 2000.0, 700.0, 91.0, 91.0];
        let mut lights = vec![star.to_vec(); 4];
        let faint = star.map(|v| 91.0 + 0.8 * (v - 91.0));
        lights.push(faint.to_vec());
        lights[2][0] += 100.0;
        let kept = kept(&lights);
        assert_eq!(kept[4], [1; 7]);
        assert_eq!(kept[2], [0, 1, 1, 1, 1, 1, 1]);
    }
}
