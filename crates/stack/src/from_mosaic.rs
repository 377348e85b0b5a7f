//! A stack of measured photosites alone: nothing is demosaicked, nothing interpolated.
//!
//! ```text
//! first pass: the ordinary stack
//! for each output tile (in parallel):
//!   for each light: source window -> calibrate -> place -> hold against the first pass
//!   for each photosite: drop it on the pixels around, in its own channel alone
//! ```
//!
//! Stars drift across the mosaic from light to light, so that sooner or later every pixel is
//! seen through every filter (Fruchter & Hook 2002, PASP 114, 144; Wronski et al. 2019, ACM
//! TOG 38(4) 28). The tile loop is the engine's; what differs is how a light gets onto a tile.

pub use coverage::{ChannelCoverage, lights_needed};
pub use drop::DropShape;
pub use first_pass::FirstPass;

use crate::combine::TileStack;
use crate::output_grid::OutputGrid;
use crate::tile_walk::{FinishedTile, in_tiles};
use crate::{
    Calibrator, Light, LightMask, StackError, StackPart, StackPlace, StoredStack, TILE_PX,
    TileObserver, TileSamples,
};
use drop::{gaussian, overlap};
use ndarray::{Array2, s};
use raw::Rect;
use sites::{ChannelOf, PlacedLight, Site};
use std::sync::Arc;
use steer::Steering;
use sums::{Sum, Sums, pixel_under, pixels_near};

mod coverage;
mod drop;
mod first_pass;
mod sites;
mod steer;
mod sums;

/// How photosites become a picture.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct FromMosaic {
    /// Pixels of the picture to one of the reference, each way: 1 to 2.
    pub scale: f64,
    /// What each photosite is spread over.
    pub drop: DropShape,
}

impl Default for FromMosaic {
    fn default() -> Self {
        Self {
            scale: 1.0,
            drop: DropShape::Square(1.0),
        }
    }
}

/// A picture of measured photosites.
#[derive(Debug)]
pub struct MosaicStack {
    /// The picture, on the output's grid. `mean` is NaN, and `weight` 0, where no photosite of
    /// that color fell: [`fill`](Self::fill) puts the first pass there. `weight` is Σ w a over
    /// photosites that drop a share a of themselves on the pixel: the coverage. `variance` is
    /// that of the pixel; neighbors share samples, so that of areas is larger. `rejected`
    /// counts photosites by the pixel that they lie on.
    pub stack: StoredStack,
    /// The grid it is on.
    pub grid: OutputGrid,
}

impl MosaicStack {
    /// Puts the first pass, on this grid, where there is no photosite: weight 0 and variance
    /// NaN still say so.
    ///
    /// # Errors
    ///
    /// When a scratch file cannot be read or written.
    pub fn fill(&mut self, first: &FirstPass) -> Result<(), StackError> {
        let (channels, _, width) = self.stack.shape();
        for channel in 0..channels {
            let stand_in = first.on_grid(channel, &self.grid);
            for rows in self.stack.strips() {
                let mut values = Array2::zeros((rows.len(), width));
                let strip = values.as_slice_mut().expect("planes are row-major");
                self.stack
                    .read_rows(StackPart::Mean, channel, rows.clone(), strip)?;
                let first = rows.start;
                values.zip_mut_with(&stand_in.slice(s![rows, ..]), |value, &first| {
                    if value.is_nan() {
                        *value = first;
                    }
                });
                self.stack.put_mean(channel, first, values.view())?;
            }
        }
        Ok(())
    }

    /// How evenly photosites of each channel cover the part of the picture that the lights
    /// show; `of` says which pixels of the reference count, `[row, column]`.
    ///
    /// # Errors
    ///
    /// When a scratch file cannot be read.
    pub fn coverage(
        &self,
        of: &dyn Fn(usize, usize) -> bool,
    ) -> Result<Vec<ChannelCoverage>, StackError> {
        let counts = |row: usize, col: usize| {
            let (row, col) = self.grid.reference_pixel(row, col);
            of(row, col)
        };
        let channels = 0..self.stack.shape().0;
        channels
            .map(|channel| {
                let weight = self.stack.plane(StackPart::Weight, channel)?;
                Ok(ChannelCoverage::of(weight.view(), &counts))
            })
            .collect()
    }
}

/// Stacks the photosites of lights that a first pass has stacked.
///
/// - `masks`: as [`stack_masked`](crate::stack_masked).
/// - `first`: what outliers are told by.
/// - `place`: where the picture is kept.
/// - The observer sees no samples, since photosites do not lie on pixels; `weight` and
///   `half_weight` are those that say the variance, (Σ w a)² / Σ w a².
///
/// The same bits for any number of threads.
///
/// # Errors
///
/// As [`stack_into`](crate::stack_into).
///
/// # Panics
///
/// When the first pass is not of the lights' size, or as there.
#[allow(
    clippy::too_many_arguments,
    reason = "those of a stack, and the first one"
)]
pub fn stack_from_mosaic<O: TileObserver>(
    lights: &[Light],
    masks: &[Arc<LightMask>],
    calibrator: &Calibrator,
    first: &FirstPass,
    options: &FromMosaic,
    place: &StackPlace,
    observer: &O,
    progress: &(dyn Fn(usize, usize) + Sync),
) -> Result<(MosaicStack, Vec<O::Summary>), StackError> {
    // The same cells of the sky at every scale.
    let tile_px = (TILE_PX as f64 * options.scale).round() as usize;
    in_tiles_of(
        tile_px, lights, masks, calibrator, first, options, place, observer, progress,
    )
}

#[allow(
    clippy::too_many_arguments,
    reason = "the public one has one less, tests vary it"
)]
fn in_tiles_of<O: TileObserver>(
    tile_px: usize,
    lights: &[Light],
    masks: &[Arc<LightMask>],
    calibrator: &Calibrator,
    first: &FirstPass,
    options: &FromMosaic,
    place: &StackPlace,
    observer: &O,
    progress: &(dyn Fn(usize, usize) + Sync),
) -> Result<(MosaicStack, Vec<O::Summary>), StackError> {
    crate::engine::check(lights, masks, calibrator)?;
    let layout = calibrator.layout();
    let channels = layout.cfa.channels().len();
    let shape = (channels, layout.height, layout.width);
    assert_eq!(first.mean().dim(), shape, "a first pass of the lights");
    let grid = OutputGrid::new(options.scale, (layout.width, layout.height));
    let placed = lights.iter().enumerate().map(|(i, light)| PlacedLight {
        light,
        back: light.map.inverse(),
        mask: masks.get(i).map(Arc::as_ref),
    });
    let accumulator = Accumulator {
        lights: placed.collect(),
        calibrator,
        channel_of: ChannelOf::new(&layout.cfa),
        channels,
        first,
        steering: matches!(options.drop, DropShape::Steered(_)).then(|| Steering::new(first)),
        drop: options.drop,
        grid,
    };
    let tile = |tile: &Rect, _: &mut ()| accumulator.tile(tile, observer);
    let (width, height) = grid.size();
    let mut stack = StoredStack::new((channels, height, width), place)?;
    let summaries = in_tiles(tile_px, tile, progress, &mut stack)?;
    Ok((MosaicStack { stack, grid }, summaries))
}

struct Accumulator<'a> {
    lights: Vec<PlacedLight<'a>>,
    calibrator: &'a Calibrator,
    channel_of: ChannelOf,
    channels: usize,
    first: &'a FirstPass,
    steering: Option<Steering>,
    drop: DropShape,
    grid: OutputGrid,
}

impl Accumulator<'_> {
    /// Every channel of a tile.
    fn tile<O: TileObserver>(
        &self,
        tile: &Rect,
        observer: &O,
    ) -> Result<FinishedTile<O::Summary>, StackError> {
        let mut sums: Vec<Sums> = (0..self.channels).map(|_| Sums::new(tile.area())).collect();
        let area = self.grid.on_reference(tile);
        let scale = self.grid.scale();
        let reach = self.drop.reach_px(scale);
        for (index, placed) in self.lights.iter().enumerate() {
            let sites = placed.sites(
                &area,
                reach / scale,
                self.calibrator,
                &self.channel_of,
                self.first,
            )?;
            let of = (index, self.lights.len());
            for site in sites {
                let weight = f64::from(placed.light.weight);
                self.drop(&site, weight, of, tile, reach, &mut sums[site.channel]);
            }
        }
        let finish = |(channel, sums): (usize, Sums)| finish(observer, channel, tile, &sums);
        Ok(sums.into_iter().enumerate().map(finish).collect())
    }

    /// Adds a photosite to the pixels that it is dropped on.
    fn drop(
        &self,
        site: &Site,
        weight: f64,
        of: (usize, usize),
        tile: &Rect,
        reach: f64,
        sums: &mut Sums,
    ) {
        let (x, y) = (
            self.grid.from_reference(site.at.0),
            self.grid.from_reference(site.at.1),
        );
        let under = pixel_under((x, y), tile);
        if !site.kept {
            if let Some(pixel) = under {
                sums.rejected[pixel] = sums.rejected[pixel].saturating_add(1);
            }
            return;
        }
        let value = f64::from(site.value);
        if self.drop == DropShape::Point {
            if let Some(pixel) = under {
                sums.add(pixel, 1.0, value, weight, of);
            }
            return;
        }
        let columns = pixels_near(x, reach, tile.x0, tile.x1);
        for row in pixels_near(y, reach, tile.y0, tile.y1) {
            for col in columns.clone() {
                let share = self.share((col as f64 - x, row as f64 - y), (row, col));
                if share > 0.0 {
                    let pixel = (row - tile.y0) * tile.width() + col - tile.x0;
                    sums.add(pixel, share, value, weight, of);
                }
            }
        }
    }

    /// Share of a photosite that falls on a pixel of the output so far from it.
    fn share(&self, (dx, dy): (f64, f64), (row, col): (usize, usize)) -> f64 {
        let scale = self.grid.scale();
        match self.drop {
            DropShape::Square(side) => overlap(dx, side * scale) * overlap(dy, side * scale),
            DropShape::Gaussian(_) => gaussian(dx * dx + dy * dy, self.drop.sigma_px(scale)),
            DropShape::Steered(_) => {
                let sigma = self.drop.sigma_px(scale);
                let steering = self.steering.as_ref().expect("made with the drop");
                let kernel = steering.at(self.grid.reference_pixel(row, col));
                kernel.weight(dx / sigma, dy / sigma) / (sigma * sigma)
            }
            DropShape::Point => 0.0,
        }
    }
}

/// One channel of a tile from its sums, shown to the observer.
fn finish<O: TileObserver>(
    observer: &O,
    channel: usize,
    tile: &Rect,
    sums: &Sums,
) -> (TileStack, O::Summary) {
    let of =
        |sums: &[Sum], figure: fn(&Sum) -> f32| -> Vec<f32> { sums.iter().map(figure).collect() };
    let each = |figure: fn(&Sum) -> f32| -> [[Vec<f32>; 2]; 2] {
        [0, 1].map(|split| [0, 1].map(|half| of(&sums.halves[split][half], figure)))
    };
    let mean = of(&sums.all, Sum::mean);
    let effective = of(&sums.all, Sum::effective_weight);
    let (halves, half_weight) = (each(Sum::mean), each(Sum::effective_weight));
    let [[a, b], [c, d]] = &halves;
    let [[wa, wb], [wc, wd]] = &half_weight;
    let summary = observer.observe(&TileSamples {
        area: *tile,
        channel,
        samples: &[],
        kept: &[],
        weights: &[],
        mean: &mean,
        weight: &effective,
        halves: &[[a, b], [c, d]],
        half_weight: &[[wa, wb], [wc, wd]],
    });
    let part = TileStack {
        mean,
        variance: of(&sums.all, Sum::variance),
        weight: of(&sums.all, Sum::weight),
        rejected: sums.rejected.clone(),
        halves: Default::default(),
        half_weight: Default::default(),
    };
    (part, summary)
}

#[cfg(test)]
mod tests;
