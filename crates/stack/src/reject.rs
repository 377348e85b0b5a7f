//! Which samples of a tile go into the stack.

use crate::lanes::{LANES, SortedPixels};
use crate::simd::with_widest_vectors;
use crate::{ClipCenter, ClipOptions, ClipScale, clip_sorted};
use raw::Rect;

/// How far around a rejected sample others of the same light are looked at, px.
pub(crate) const GROW_REACH_PX: usize = 2;

/// Marks the samples that are there: 1, and 0 for those that are missing.
pub(crate) fn present(samples: &[Vec<f32>]) -> Vec<Vec<u8>> {
    let present = |plane: &Vec<f32>| plane.iter().map(|v| u8::from(!v.is_nan())).collect();
    samples.iter().map(present).collect()
}

/// Marks the samples of one channel that a clip by their scatter keeps: 1 kept, 0 rejected
/// or missing. `samples[light]` are planes of equal size; NaN is missing.
pub(crate) fn reject_channel(samples: &[Vec<f32>], options: &ClipOptions) -> Vec<Vec<u8>> {
    let mut kept = present(samples);
    let n_px = samples.first().map_or(0, Vec::len);
    let mut sorted = SortedPixels::new(samples.len());
    let mut values = Vec::with_capacity(samples.len());
    for first in (0..n_px).step_by(LANES) {
        let suspect = with_widest_vectors(
            #[inline(always)]
            || {
                sorted.load(samples, first);
                may_lose(&sorted, options)
            },
        );
        for (lane, pixel) in (first..n_px.min(first + LANES)).enumerate() {
            if !suspect[lane] {
                continue;
            }
            sorted.pixel(lane, &mut values);
            let Some(range) = clip_sorted(&values, options) else {
                continue;
            };
            if range.n_kept == values.len() {
                continue;
            }
            for (plane, kept) in samples.iter().zip(&mut kept) {
                let inside = plane[pixel] >= range.low && plane[pixel] <= range.high;
                kept[pixel] &= u8::from(inside);
            }
        }
    }
    kept
}

/// Which pixels the first pass of a clip may take a sample from: nearly none, and the rest
/// need not be looked at one by one.
#[inline(always)]
fn may_lose(sorted: &SortedPixels, options: &ClipOptions) -> [bool; LANES] {
    let rows = sorted.rows();
    let n = rows.len();
    if options.scale != ClipScale::StandardDeviation || sorted.present != [n; LANES] || n == 0 {
        return [true; LANES];
    }
    let mut sum = [0.0_f64; LANES];
    for row in rows {
        for lane in 0..LANES {
            sum[lane] += f64::from(row[lane]);
        }
    }
    let mean = sum.map(|sum| sum / n as f64);
    let mut squares = [0.0_f64; LANES];
    for row in rows {
        for lane in 0..LANES {
            let off = f64::from(row[lane]) - mean[lane];
            squares[lane] += off * off;
        }
    }
    let (lowest, highest) = (rows[0], rows[n - 1]);
    let (below, above) = (rows[(n - 1) / 2], rows[n / 2]);
    std::array::from_fn(|lane| {
        let sigma = (squares[lane] / n as f64).sqrt();
        let center = match options.center {
            ClipCenter::Mean => mean[lane],
            ClipCenter::Median => 0.5 * (f64::from(below[lane]) + f64::from(above[lane])),
        };
        let low = center - f64::from(options.low_sigmas) * sigma;
        let high = center + f64::from(options.high_sigmas) * sigma;
        f64::from(lowest[lane]) < low || f64::from(highest[lane]) > high
    })
}

/// Rejects what lies next to rejected samples of the same light, in all channels: the
/// flanks of a satellite's trail are too faint to be clipped pixel by pixel, yet add up
/// along the trail.
///
/// `samples[channel][light]` and `kept[channel][light]` are planes over `area`; `limits` are
/// the rejected samples of each light from which one among them goes too. No pixel is left
/// with less than half of its samples by this, whatever the clip took before.
pub(crate) fn grow_rejected(
    samples: &[Vec<Vec<f32>>],
    kept: &mut [Vec<Vec<u8>>],
    area: &Rect,
    limits: &[u16],
) {
    // By how many samples a pixel may still become poorer, in each channel.
    let mut spare: Vec<Vec<u16>> = Vec::new();
    for (light, &limit) in limits.iter().enumerate() {
        let mut rejected = vec![0_u16; area.area()];
        for (samples, kept) in samples.iter().zip(kept.iter()) {
            let planes = samples[light].iter().zip(&kept[light]);
            for (rejected, (value, &kept)) in rejected.iter_mut().zip(planes) {
                *rejected += u16::from(!value.is_nan() && kept == 0);
            }
        }
        if rejected.iter().map(|&r| u32::from(r)).sum::<u32>() < u32::from(limit) {
            continue;
        }
        if spare.is_empty() {
            let channels = samples.iter().zip(kept.iter());
            spare = channels
                .map(|(samples, kept)| spare_samples(samples, kept))
                .collect();
        }
        let around = box_sums(&rejected, area.width());
        for (kept, spare) in kept.iter_mut().zip(&mut spare) {
            let pixels = kept[light].iter_mut().zip(spare).zip(&around);
            for ((kept, spare), &around) in pixels {
                if around >= limit && *kept == 1 && *spare > 0 {
                    *kept = 0;
                    *spare -= 1;
                }
            }
        }
    }
}

/// By how many samples each pixel of a channel exceeds half of those that it has.
fn spare_samples(samples: &[Vec<f32>], kept: &[Vec<u8>]) -> Vec<u16> {
    let n_px = samples.first().map_or(0, Vec::len);
    let (mut present, mut left) = (vec![0_u16; n_px], vec![0_u16; n_px]);
    for (samples, kept) in samples.iter().zip(kept) {
        let counts = present.iter_mut().zip(&mut left);
        for ((present, left), (value, &kept)) in counts.zip(samples.iter().zip(kept)) {
            *present += u16::from(!value.is_nan());
            *left += u16::from(kept);
        }
    }
    let counts = left.into_iter().zip(present);
    counts
        .map(|(left, present)| left.saturating_sub(present.div_ceil(2)))
        .collect()
}

/// Sums over the square of [`GROW_REACH_PX`] around each pixel, cut at the border.
pub(crate) fn box_sums(plane: &[u16], width: usize) -> Vec<u16> {
    let height = plane.len() / width;
    let span = |i: usize, n: usize| i.saturating_sub(GROW_REACH_PX)..(i + GROW_REACH_PX + 1).min(n);
    let add = |sums: &mut [u16], values: &[u16]| {
        sums.iter_mut().zip(values).for_each(|(sum, &v)| *sum += v);
    };
    let mut across = plane.to_vec();
    for (row, across) in plane
        .chunks_exact(width)
        .zip(across.chunks_exact_mut(width))
    {
        for beside in 1..=GROW_REACH_PX.min(width - 1) {
            add(across, &row[beside..]);
            add(&mut across[beside..], row);
        }
    }
    let mut sums = vec![0; plane.len()];
    for (row, sums) in sums.chunks_exact_mut(width).enumerate() {
        for near in span(row, height) {
            add(sums, &across[near * width..(near + 1) * width]);
        }
    }
    sums
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn box_sums_are_cut_at_the_border() {
        let sums = box_sums(&[1; 30], 6);
        assert_eq!(sums[0], 9);
        assert_eq!(sums[2 * 6 + 2], 25);
        assert_eq!(sums[2 * 6 + 5], 15);
    }

    #[test]
    fn the_flanks_of_a_trail_go_with_its_core() {
        let area = Rect::of_size(21, 21);
        let lights = 20;
        let mut samples = vec![vec![vec![100.0_f32; area.area()]; lights]; 3];
        for (channel, planes) in samples.iter_mut().enumerate() {
            for (light, plane) in planes.iter_mut().enumerate() {
                for (i, value) in plane.iter_mut().enumerate() {
                    *value += ((i * 7 + light * 13 + channel * 5) % 11) as f32 - 5.0;
                }
            }
            // A vertical trail in light 4: core at column 10, flanks too faint to clip.
            for row in 0..21 {
                planes[4][row * 21 + 10] += 1000.0;
                planes[4][row * 21 + 9] += 60.0;
                planes[4][row * 21 + 11] += 60.0;
                planes[4][row * 21 + 12] += 4.0;
            }
        }
        let clip = ClipOptions::default();
        let mut kept: Vec<_> = samples
            .iter()
            .map(|planes| reject_channel(planes, &clip))
            .collect();
        assert_eq!(kept[1][4][10 * 21 + 12], 1);
        grow_rejected(&samples, &mut kept, &area, &[8; 20]);
        for column in 8..=12 {
            assert_eq!(kept[1][4][10 * 21 + column], 0, "column {column}");
        }
        assert_eq!(kept[1][4][10 * 21 + 3], 1);
        assert!(
            (0..lights)
                .filter(|&l| l != 4)
                .all(|l| kept[1][l].iter().all(|&k| k == 1))
        );
    }

    #[test]
    fn growing_never_takes_more_than_half() {
        let area = Rect::of_size(5, 5);
        let samples = vec![vec![vec![1.0_f32; 25]; 4]];
        let mut kept = vec![vec![vec![1_u8; 25]; 4]];
        for light in &mut kept[0][..3] {
            for pixel in [6, 7, 8, 11, 13, 16, 17, 18] {
                light[pixel] = 0;
            }
        }
        grow_rejected(&samples, &mut kept, &area, &[3; 4]);
        let left: u8 = kept[0].iter().map(|plane| plane[12]).sum();
        assert_eq!(left, 2);
    }

    #[test]
    fn growing_takes_nothing_where_the_clip_took_half() {
        let area = Rect::of_size(5, 5);
        let samples = vec![vec![vec![1.0_f32; 25]; 5]];
        let mut kept = vec![vec![vec![1_u8; 25]; 5]];
        // Two of five are gone everywhere, and all of a third but the one in the middle.
        for light in &mut kept[0][..2] {
            light.fill(0);
        }
        kept[0][2].fill(0);
        kept[0][2][12] = 1;
        grow_rejected(&samples, &mut kept, &area, &[3; 5]);
        let left = |pixel: usize| kept[0].iter().map(|plane| plane[pixel]).sum::<u8>();
        assert_eq!(left(12), 3);
        assert_eq!(left(7), 2);
    }

    #[test]
    fn missing_samples_are_not_kept() {
        let samples = vec![vec![1.0, f32::NAN], vec![2.0, f32::NAN]];
        assert_eq!(
            reject_channel(&samples, &Default::default()),
            [[1, 0], [1, 0]]
        );
    }
}
