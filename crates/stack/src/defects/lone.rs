//! Sites of a single light that stand alone: hot pixels and particle hits.
//!
//! One light does not show what moves, but a lens spreads a star over its neighbors of every
//! color, and nothing spreads a defect.

use super::{DefectMap, DefectOptions, RING_PX, at, cross, excess_over_median};
use crate::{SensorLayout, StackError, StoredMosaic};
use raw::Rect;
use rayon::prelude::*;

/// Side of the blocks that noise is measured over, px: so small that ground and sky have
/// their own.
const BLOCK_PX: usize = 64;
/// 1 / Φ⁻¹(3/4).
const SIGMA_PER_MAD: f32 = 1.482_602_2;

impl DefectMap {
    /// Sites that are brighter than all around them, alone, by `threshold_sigmas` of their
    /// surroundings' own scatter: the brighter or the more structured those are, the more.
    ///
    /// - `options`: what adjacent sites may share counts as in
    ///   [`from_lights`](Self::from_lights).
    ///
    /// # Errors
    ///
    /// When samples cannot be read back from the scratch file.
    pub fn from_light(
        layout: &SensorLayout,
        light: &StoredMosaic,
        options: &DefectOptions,
    ) -> Result<Self, StackError> {
        let bounds = layout.bounds();
        let bands: Vec<Rect> = (0..layout.height)
            .step_by(BLOCK_PX)
            .map(|y0| Rect {
                y0,
                y1: (y0 + BLOCK_PX).min(layout.height),
                ..bounds
            })
            .collect();
        let found: Result<Vec<_>, StackError> = bands
            .into_par_iter()
            .map(|band| {
                let window = band.grown(RING_PX + 1, &bounds);
                let mut samples = Vec::new();
                light.read_window(&window, &mut samples)?;
                let near = Near {
                    layout,
                    samples: &samples,
                    window,
                };
                Ok((0..layout.width)
                    .step_by(BLOCK_PX)
                    .flat_map(|x0| {
                        let x1 = (x0 + BLOCK_PX).min(layout.width);
                        near.lone_in(&Rect { x0, x1, ..band }, options)
                    })
                    .collect::<Vec<_>>())
            })
            .collect();
        let sites: Vec<_> = found?.into_iter().flatten().collect();
        Ok(Self::from_sites(layout.width, layout.height, &sites))
    }
}

/// A band of a light.
struct Near<'a> {
    layout: &'a SensorLayout,
    samples: &'a [u16],
    window: Rect,
}

impl Near<'_> {
    fn excess(&self, (row, col): (usize, usize)) -> f32 {
        excess_over_median(self.samples, &self.window, row, col)
    }

    /// What is around a site, DN above black.
    fn level(&self, (row, col): (usize, usize), excess: f32) -> f32 {
        let black_dn = self.layout.black_level_dn.at(row, col);
        at(self.samples, &self.window, row, col) - excess - black_dn
    }

    /// `(row, column)` of the lone sites of a block.
    fn lone_in(&self, block: &Rect, options: &DefectOptions) -> Vec<(usize, usize)> {
        let mut lone = Vec::new();
        for channel in self.layout.cfa.channels() {
            let places = (block.y0..block.y1)
                .flat_map(|row| (block.x0..block.x1).map(move |col| (row, col)))
                .filter(|&(row, col)| self.layout.cfa.at(row, col) == *channel);
            let excess: Vec<_> = places.map(|place| (place, self.excess(place))).collect();
            let mut off: Vec<f32> = excess.iter().map(|(_, excess)| excess.abs()).collect();
            if off.is_empty() {
                continue;
            }
            crate::sigma_clip::sort_samples(&mut off);
            // Of whole numbers half may be equal.
            let typical = (SIGMA_PER_MAD * crate::median_of_sorted(&off) as f32).max(1.0);
            let mut levels: Vec<f32> = excess
                .iter()
                .map(|&(place, excess)| self.level(place, excess))
                .collect();
            crate::sigma_clip::sort_samples(&mut levels);
            let typical_level = (crate::median_of_sorted(&levels) as f32).max(1.0);
            let stands_out = |&&(place, excess): &&((usize, usize), f32)| {
                // A part of the block may be brighter, and has more photon noise then.
                let brighter = (self.level(place, excess) / typical_level).max(1.0);
                let sigma = typical * brighter.sqrt();
                excess > options.threshold_sigmas * sigma
                    && self.is_alone(place, excess, sigma, options)
            };
            lone.extend(excess.iter().filter(stands_out).map(|(place, _)| *place));
        }
        lone
    }

    fn is_alone(
        &self,
        (row, col): (usize, usize),
        excess: f32,
        sigma: f32,
        options: &DefectOptions,
    ) -> bool {
        // On the flank of a star, or along an edge, something near is as bright.
        let (around, n) = cross(self.samples, &self.window, row, col);
        let highest = around[..n].iter().copied().fold(f32::MIN, f32::max);
        let value = at(self.samples, &self.window, row, col);
        if value - highest < 0.5 * options.threshold_sigmas * sigma {
            return false;
        }
        let beside = [(0, 1), (1, 0), (0, -1), (-1, 0)];
        let adjacent: Vec<f32> = beside
            .iter()
            .filter_map(|&(dy, dx): &(isize, isize)| {
                let (r, c) = (row.checked_add_signed(dy)?, col.checked_add_signed(dx)?);
                (r < self.layout.height && c < self.layout.width).then(|| self.excess((r, c)))
            })
            .collect();
        let shared = adjacent.iter().sum::<f32>() / adjacent.len().max(1) as f32;
        shared < options.neighbor_share * excess
    }
}
