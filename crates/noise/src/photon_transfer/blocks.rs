//! Level and temporal noise of a pair of frames, block by block of the mosaic.

use super::levels::ChannelLevels;
use super::plane::Plane;
use crate::StarMask;
use raw::Rect;
use rayon::prelude::*;
use stack::{SensorLayout, StackError, StoredMosaic};

/// Side of a block, px: small enough that light and dark parts of a picture stay apart,
/// large enough that a quarter of its sites tells a variance to 9 %.
pub(super) const BLOCK_PX: usize = 32;
/// A variance from fewer sites is not used.
const FEWEST_SITES: usize = 64;
/// Sites this near to white, as a share of full scale, are left out.
const SATURATED_FROM: f32 = 0.98;
/// Mean level of a block up to which it is used, as a share of full scale (EMVA 1288
/// Release 3.1: photon transfer is evaluated up to 70 % of saturation).
const BRIGHTEST: f64 = 0.7;
/// Share of clipped blacks that a block may have: at 0.5 % a variance is 1 % too low.
const CLIPPED_SHARE: f64 = 0.005;

/// What one block of one channel says about a pair of frames.
#[derive(Clone, Copy, Debug)]
pub(super) struct Point {
    /// Place of the block, reading order.
    pub block: usize,
    /// Mean of both frames above the stated black level, DN.
    pub level_dn: f64,
    /// Temporal variance of a single frame, DN².
    pub variance_dn2: f64,
    /// Degrees of freedom of the variance.
    pub freedom: f64,
    /// Correlation of the difference with that two columns on; 0 for noise.
    pub correlation: f64,
}

/// What frames of one kind share.
pub(super) struct Sites<'a> {
    pub layout: &'a SensorLayout,
    /// By channel.
    pub levels: &'a [ChannelLevels],
    /// Left out, in the coordinates of the frames.
    pub mask: Option<&'a StarMask>,
}

impl Sites<'_> {
    /// Index of a site's channel.
    fn channel(&self, row: usize, col: usize) -> usize {
        let channels = self.layout.cfa.channels();
        let own = self.layout.cfa.at(row, col);
        let found = channels.iter().position(|&channel| channel == own);
        found.expect("a filter is among the channels of its array")
    }
}

/// The blocks of a strip, left to right.
fn blocks_of(strip: &Rect) -> impl Iterator<Item = Rect> + '_ {
    (strip.x0..strip.x1).step_by(BLOCK_PX).map(move |x0| Rect {
        x0,
        y0: strip.y0,
        x1: (x0 + BLOCK_PX).min(strip.x1),
        y1: strip.y1,
    })
}

/// Strips of one block's height, top to bottom, with the number of their first block.
fn strips(layout: &SensorLayout) -> Vec<(usize, Rect)> {
    let in_row = layout.width.div_ceil(BLOCK_PX);
    (0..layout.height)
        .step_by(BLOCK_PX)
        .enumerate()
        .map(|(i, y0)| {
            let y1 = (y0 + BLOCK_PX).min(layout.height);
            let strip = Rect {
                x0: 0,
                y0,
                x1: layout.width,
                y1,
            };
            (i * in_row, strip)
        })
        .collect()
}

/// Points of every block of a pair, by channel.
///
/// The variance is half of that of the difference (EMVA 1288 Release 3.1, eq. 29), after
/// a plane was taken out of the difference: what drifts between the frames, the lamp, the
/// sky and its gradients, is none.
pub(super) fn pair_points(
    pair: [&StoredMosaic; 2],
    sites: &Sites,
) -> Result<Vec<Vec<Point>>, StackError> {
    let channels = sites.layout.cfa.channels().len();
    let of_strips: Result<Vec<_>, StackError> = strips(sites.layout)
        .into_par_iter()
        .map(|(first, strip)| {
            let mut recorded = [Vec::new(), Vec::new()];
            for (frame, recorded) in pair.iter().zip(&mut recorded) {
                frame.read_window(&strip, recorded)?;
            }
            let mut points = vec![Vec::new(); channels];
            for (i, block) in blocks_of(&strip).enumerate() {
                let gathered = gather(&recorded, &strip, &block, sites);
                for (points, gathered) in points.iter_mut().zip(gathered) {
                    points.extend(gathered.point(first + i));
                }
            }
            Ok(points)
        })
        .collect();
    let mut all = vec![Vec::new(); channels];
    for strip in of_strips? {
        for (all, points) in all.iter_mut().zip(strip) {
            all.extend(points);
        }
    }
    Ok(all)
}

/// The sites of one channel in one block.
#[derive(Default)]
struct Gathered {
    plane: Plane,
    levels_dn: Vec<f64>,
    full_scale_dn: f64,
    clipped: usize,
}

impl Gathered {
    fn point(mut self, block: usize) -> Option<Point> {
        let n = self.plane.len();
        let level_dn = without_outliers(&mut self.levels_dn);
        let usable = n >= FEWEST_SITES
            && level_dn <= BRIGHTEST * self.full_scale_dn
            && self.clipped as f64 <= CLIPPED_SHARE * n as f64;
        if !usable {
            return None;
        }
        let left = self.plane.scatter()?;
        Some(Point {
            block,
            level_dn,
            variance_dn2: 0.5 * left.variance,
            freedom: left.freedom,
            correlation: left.correlation,
        })
    }
}

/// Mean of the values but hot pixels and the like: what is beyond five standard deviations
/// as the median deviation tells them.
fn without_outliers(values: &mut [f64]) -> f64 {
    const LIMIT: f64 = 5.0 * 1.4826;
    if values.is_empty() {
        return f64::NAN;
    }
    let half = values.len() / 2;
    let middle = *values.select_nth_unstable_by(half, f64::total_cmp).1;
    let mut far: Vec<f64> = values.iter().map(|value| (value - middle).abs()).collect();
    // Rounded values may nearly all be equal: a step is no outlier.
    let limit = LIMIT * far.select_nth_unstable_by(half, f64::total_cmp).1.max(1.0);
    let kept = values
        .iter()
        .filter(|&&value| (value - middle).abs() <= limit);
    kept.clone().sum::<f64>() / kept.count() as f64
}

fn gather(recorded: &[Vec<u16>; 2], strip: &Rect, block: &Rect, sites: &Sites) -> Vec<Gathered> {
    let layout = sites.layout;
    let mut gathered: Vec<Gathered> = Vec::new();
    gathered.resize_with(layout.cfa.channels().len(), Gathered::default);
    for row in block.y0..block.y1 {
        for col in block.x0..block.x1 {
            if sites.mask.is_some_and(|mask| mask.is_masked(col, row)) {
                continue;
            }
            let channel = sites.channel(row, col);
            let at = (row - strip.y0) * strip.width() + col;
            let (a, b) = (recorded[0][at], recorded[1][at]);
            let (black, full) = (
                layout.black_level_dn.at(row, col),
                layout.full_scale_dn(row, col),
            );
            if f32::from(a.max(b)) >= black + SATURATED_FROM * full {
                continue;
            }
            let own = &mut gathered[channel];
            if let Some(clip) = sites.levels[channel].clipped_at {
                own.clipped += usize::from(a <= clip || b <= clip);
            }
            own.full_scale_dn = f64::from(full);
            own.levels_dn
                .push(0.5 * (f64::from(a) + f64::from(b)) - f64::from(black));
            let (x, y) = (col - block.x0, row - block.y0);
            own.plane.push(x, y, f64::from(a) - f64::from(b));
        }
    }
    gathered
}

/// What one block of one channel says about many frames of the same thing.
#[derive(Clone, Copy, Debug)]
pub(super) struct Spatial {
    /// Mean above the stated black level, DN.
    pub level_dn: f64,
    /// Variance from site to site without what is left of temporal noise, DN².
    pub variance_dn2: f64,
    /// Variance from site to site as it is in the mean of the frames, DN².
    pub measured_dn2: f64,
    /// Degrees of freedom.
    pub freedom: f64,
    /// Degrees of freedom of the temporal variance that was taken off.
    pub temporal_freedom: f64,
    /// Place of the block, reading order.
    pub block: usize,
}

/// Differences from site to site of the mean of `frames`, block by block, by channel.
///
/// What is left of temporal noise in the mean, σ²/L, is taken off (EMVA 1288 Release 3.1,
/// spatial variance of stacked frames); slopes within a block are none of the pixels'.
pub(super) fn spatial_points(
    frames: &[&StoredMosaic],
    temporal_dn2: &[Vec<Point>],
    sites: &Sites,
) -> Result<Vec<Vec<Spatial>>, StackError> {
    let layout = sites.layout;
    let channels = layout.cfa.channels().len();
    let n_frames = frames.len() as f64;
    let temporal = |channel: usize, block: usize| {
        let found = temporal_dn2[channel].binary_search_by_key(&block, |point| point.block);
        found.ok().map(|i| temporal_dn2[channel][i])
    };
    let of_strips: Result<Vec<_>, StackError> = strips(layout)
        .into_par_iter()
        .map(|(first, strip)| {
            let mut sums = vec![0u32; strip.area()];
            let mut recorded = Vec::new();
            for frame in frames {
                frame.read_window(&strip, &mut recorded)?;
                for (sum, &value) in sums.iter_mut().zip(&recorded) {
                    *sum += u32::from(value);
                }
            }
            let mut found = Vec::new();
            for (i, block) in blocks_of(&strip).enumerate() {
                let mut planes = vec![(Plane::default(), 0.0); channels];
                for row in block.y0..block.y1 {
                    for col in block.x0..block.x1 {
                        let (plane, sum) = &mut planes[sites.channel(row, col)];
                        let value = f64::from(sums[(row - strip.y0) * strip.width() + col]);
                        let value =
                            value / n_frames - f64::from(layout.black_level_dn.at(row, col));
                        *sum += value;
                        plane.push(col - block.x0, row - block.y0, value);
                    }
                }
                for (channel, (mut plane, sum)) in planes.into_iter().enumerate() {
                    let (n, own) = (plane.len(), temporal(channel, first + i));
                    let left = plane.scatter().filter(|_| n >= FEWEST_SITES);
                    if let (Some(left), Some(own)) = (left, own) {
                        found.push((
                            channel,
                            Spatial {
                                level_dn: sum / n as f64,
                                variance_dn2: left.variance - own.variance_dn2 / n_frames,
                                measured_dn2: left.variance,
                                freedom: left.freedom,
                                temporal_freedom: own.freedom,
                                block: first + i,
                            },
                        ));
                    }
                }
            }
            Ok(found)
        })
        .collect();
    let mut all = vec![Vec::new(); channels];
    for (channel, point) in of_strips?.into_iter().flatten() {
        all[channel].push(point);
    }
    Ok(all)
}
