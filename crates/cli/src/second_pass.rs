//! The second pass of a stack: measured photosites alone, held against the first.

use crate::JobError;
use crate::ground::Apart;
use crate::parts::{Ground, Parts};
use ndarray::{Array2, Array3, Axis};
use noise::{HalfNoise, HalfNoiseObserver, NoiseOptions, StarMask, StarMaskOptions, TILE_PX};
use stack::{
    ChannelCoverage, DropShape, FirstPass, FromMosaic, Kernel, MosaicStack, OutputGrid, Stack,
    lights_needed, stack_from_mosaic,
};
use std::sync::atomic::{AtomicUsize, Ordering};

/// Share of the most weight that a place of the first pass needs to be looked at.
const REACHED: f32 = 0.5;

/// What is known of a picture of measured photosites.
#[derive(Clone, Debug)]
pub struct SecondPass {
    /// How it was made.
    pub options: FromMosaic,
    /// The grid it is on.
    pub grid: OutputGrid,
    /// How photosites cover it, by channel.
    pub coverage: Vec<ChannelCoverage>,
    /// Share of the photosites that were rejected, by channel.
    pub rejected: Vec<f64>,
    /// Lights that cover it on average, by channel.
    pub needed: Vec<f64>,
    /// Its noise per pixel of the output, by channel.
    pub noise: Vec<Option<HalfNoise>>,
    /// Side of the blocks that noise is about, px of the output.
    pub block_px: usize,
}

impl Parts<'_> {
    /// Makes the picture anew, of photosites; the first pass stands in where there are none,
    /// and on the ground.
    pub fn from_mosaic(
        &self,
        first: Stack,
        ground: Option<&mut Ground>,
        options: FromMosaic,
    ) -> Result<(Stack, SecondPass), JobError> {
        let layout = self.calibrator.layout();
        let reached = self.reached(&first, ground.as_deref());
        let masks = match ground.as_deref() {
            Some(ground) => {
                let apart = Apart {
                    mask: ground.mask.clone(),
                    moving: ground.moving.clone(),
                };
                apart.masks_of_sky(self.lights.len())
            }
            None => Vec::new(),
        };
        let first = FirstPass::new(first, self.lights.len(), &layout.cfa, self.options);
        let grid = OutputGrid::new(options.scale, (layout.width, layout.height));
        let block_px = (self.noise.block_px as f64 * options.scale).round() as usize;
        let observer = HalfNoiseObserver::new(
            self.mask_on(&grid, &reached),
            NoiseOptions {
                block_px,
                ..self.noise.clone()
            },
        );
        self.progress
            .stage("stacking photosites", layout.bounds().tiles(TILE_PX).len());
        let most = AtomicUsize::new(0);
        let advance = |done: usize, _: usize| {
            let done = most.fetch_max(done, Ordering::Relaxed).max(done);
            self.progress.advance(done);
        };
        let (mut made, tiles) = stack_from_mosaic(
            self.lights,
            &masks,
            self.calibrator,
            &first,
            &options,
            &observer,
            &advance,
        )?;
        let coverage = made.coverage(&|row, col| reached[(row, col)]);
        let rejected = rejected(
            &made,
            &coverage,
            self.lights.iter().map(|light| light.weight),
        );
        made.fill(&first);
        if let Some(sky) = ground.and_then(|ground| ground.sky.as_mut())
            && options.scale != 1.0
        {
            *sky = on_grid(sky, &grid);
        }
        let sites = layout.cfa.values();
        let share = |channel: &raw::Channel| {
            sites.iter().filter(|&site| site == channel).count() as f64 / sites.len() as f64
        };
        let channels = layout.cfa.channels();
        let seen = SecondPass {
            options,
            grid,
            coverage,
            rejected,
            needed: channels
                .iter()
                .map(|channel| lights_needed(options.scale, share(channel)))
                .collect(),
            noise: HalfNoise::of(&tiles, channels.len()),
            block_px,
        };
        Ok((made.stack, seen))
    }

    /// Where half of the lights show the sky, on the reference.
    fn reached(&self, first: &Stack, ground: Option<&Ground>) -> Array2<bool> {
        let weight = first.weight.index_axis(Axis(0), 0);
        let most = weight.iter().copied().fold(f32::MIN_POSITIVE, f32::max);
        let mut reached = weight.mapv(|weight| weight >= REACHED * most);
        if let Some(ground) = ground {
            reached.zip_mut_with(&ground.mask.not_pure_sky(), |reached, &hidden| {
                *reached &= !hidden
            });
        }
        reached
    }

    /// Stars, and what is not reached, on the pixels of a grid.
    fn mask_on(&self, grid: &OutputGrid, reached: &Array2<bool>) -> StarMask {
        let (width, height) = grid.size();
        let star = |star: &align::Star| align::Star {
            x: grid.from_reference(star.x),
            y: grid.from_reference(star.y),
            fwhm_px: grid.scale() * star.fwhm_px,
            ..*star
        };
        let stars: Vec<align::Star> = self.stars.iter().map(star).collect();
        let mut mask = StarMask::from_stars(width, height, &stars, &StarMaskOptions::default());
        let hidden = |(row, col)| !reached[grid.reference_pixel(row, col)];
        mask.mask_where(&Array2::from_shape_fn((height, width), hidden));
        mask
    }
}

/// Share of the photosites rejected, of those that would have fallen where photosites are
/// looked at; weights are taken for those of the typical light.
fn rejected(
    made: &MosaicStack,
    coverage: &[ChannelCoverage],
    weights: impl Iterator<Item = f32>,
) -> Vec<f64> {
    let weights: Vec<f64> = weights.map(f64::from).collect();
    let weight = weights.iter().sum::<f64>() / weights.len().max(1) as f64;
    let planes = made
        .stack
        .rejected
        .axis_iter(Axis(0))
        .zip(made.stack.weight.axis_iter(Axis(0)));
    let of = |(rejected, kept): (ndarray::ArrayView2<u16>, ndarray::ArrayView2<f32>)| {
        let rejected: f64 = rejected.iter().map(|&n| f64::from(n)).sum();
        let kept: f64 = kept.iter().map(|&w| f64::from(w)).sum::<f64>() / weight;
        rejected / (rejected + kept).max(1.0)
    };
    debug_assert_eq!(coverage.len(), made.stack.mean.dim().0);
    planes.map(of).collect()
}

/// Planes of the reference on a grid.
fn on_grid(planes: &Array3<f32>, grid: &OutputGrid) -> Array3<f32> {
    let (step, start) = (1.0 / grid.scale(), grid.to_reference(0.0));
    let map = align::Homography([[step, 0.0, start], [0.0, step, start], [0.0, 0.0, 1.0]]);
    let map = align::PixelMap::from_homography(map);
    let (width, height) = grid.size();
    let mut out = Array3::zeros((planes.dim().0, height, width));
    for (plane, mut out) in planes.outer_iter().zip(out.outer_iter_mut()) {
        out.assign(&stack::resample_plane(
            plane,
            &map,
            Kernel::Cubic,
            (width, height),
        ));
    }
    out
}

impl SecondPass {
    /// Noise that neighbors share at the scale of blocks, as square drops at random places have
    /// it; `None` for other shapes.
    pub fn expected_correlation(&self) -> Option<f64> {
        match self.options.drop {
            DropShape::Square(_) | DropShape::Point => {
                let ratio = self.options.drop.size_px() * self.options.scale;
                Some(noise::drop_correlation_at(ratio, self.block_px))
            }
            DropShape::Gaussian(_) | DropShape::Steered(_) => None,
        }
    }

    /// The channel with most empty or thinly covered pixels.
    pub fn worst(&self) -> Option<usize> {
        let by = |a: &usize, b: &usize| self.coverage[*a].thin.total_cmp(&self.coverage[*b].thin);
        (0..self.coverage.len()).max_by(by)
    }
}
