//! The second pass of a stack: a picture on other pixels than those it was measured on.

use crate::JobError;
use crate::ground::Apart;
use crate::parts::{Ground, Parts};
use crate::stack_job::REGION_GRID;
use ndarray::Array2;
use noise::{
    HalfNoise, HalfNoiseObserver, HalfNoiseTile, NoiseOptions, Region, StarMask, StarMaskOptions,
    TILE_PX, regions,
};
use stack::{
    ChannelCoverage, DemosaicMethod, DropShape, FirstPass, FromMosaic, GroundMask, MosaicStack,
    OutputGrid, StackError, StackOptions, StackPart, StoredStack, lights_needed, stack_from_mosaic,
};
use std::sync::atomic::{AtomicUsize, Ordering};

/// Share of the most weight that a place of the first pass needs to be looked at.
const REACHED: f32 = 0.5;

/// A picture that was made anew.
#[derive(Clone, Debug)]
pub struct SecondPass {
    /// The grid it is on.
    pub grid: OutputGrid,
    /// How photosites became it; `None` where it is made of superpixels.
    pub photosites: Option<Photosites>,
}

/// What is known of a picture of measured photosites.
#[derive(Clone, Debug)]
pub struct Photosites {
    /// How it was made.
    pub options: FromMosaic,
    /// How photosites cover it, by channel.
    pub coverage: Vec<ChannelCoverage>,
    /// Share of the photosites that were rejected, by channel.
    pub rejected: Vec<f64>,
    /// Lights that cover it on average, by channel.
    pub needed: Vec<f64>,
    /// Its noise per pixel of the output, by channel.
    pub noise: Vec<Option<HalfNoise>>,
    /// The same region by region of the output.
    pub regions: Vec<(Region, Vec<Option<HalfNoise>>)>,
    /// Side of the blocks that noise is about, px of the output.
    pub block_px: usize,
}

impl Parts<'_> {
    /// Makes the picture anew, of photosites; the first pass stands in where there are none,
    /// and on the ground.
    pub fn photosites(
        &self,
        stack: StoredStack,
        ground: Option<&mut Ground>,
        options: FromMosaic,
    ) -> Result<(StoredStack, SecondPass), JobError> {
        let layout = self.calibrator.layout();
        let reached = self.reached(&stack, ground.as_deref())?;
        let apart = ground.as_deref().map(apart);
        let (n, at_a_time) = (self.lights.len(), self.plan.frames_at_a_time);
        let masks = apart.map_or_else(Vec::new, |apart| apart.masks_of_sky(n, at_a_time));
        let first = FirstPass::new(&stack, n, &layout.cfa, self.options)?;
        drop(stack);
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
        let place = &self.plan.stack_place;
        let (mut made, tiles) = self.tiles_at_a_time(|| {
            stack_from_mosaic(
                self.lights,
                &masks,
                self.calibrator,
                &first,
                &options,
                place,
                &observer,
                &advance,
            )
        })??;
        let coverage = made.coverage(&|row, col| reached[(row, col)])?;
        let rejected = rejected(&made, self.lights)?;
        made.fill(&first)?;
        if let Some(sky) = ground.and_then(|ground| ground.sky.as_mut())
            && options.scale != 1.0
        {
            *sky = sky.on_grid(&grid, place)?;
        }
        let sites = layout.cfa.values();
        let share = |channel: &raw::Channel| {
            sites.iter().filter(|&site| site == channel).count() as f64 / sites.len() as f64
        };
        let channels = layout.cfa.channels();
        let seen = Photosites {
            options,
            coverage,
            rejected,
            needed: channels
                .iter()
                .map(|channel| lights_needed(options.scale, share(channel)))
                .collect(),
            noise: HalfNoise::of(&tiles, channels.len()),
            regions: by_region(&tiles, channels.len(), grid.size()),
            block_px,
        };
        let seen = SecondPass {
            grid,
            photosites: Some(seen),
        };
        Ok((made.stack, seen))
    }

    /// Makes the picture anew at half the size, of cells of two by two photosites.
    pub fn superpixel(
        &self,
        ground: Option<&mut Ground>,
    ) -> Result<(StoredStack, SecondPass), JobError> {
        let layout = self.calibrator.layout();
        let half = OutputGrid::new(0.5, (layout.width, layout.height));
        let options = StackOptions {
            demosaic: DemosaicMethod::Superpixel,
            ..*self.options
        };
        let parts = Parts {
            options: &options,
            ..*self
        };
        let made = SecondPass {
            grid: half,
            photosites: None,
        };
        let stage = "stacking superpixels";
        let Some(ground) = ground else {
            let (stack, _) = parts.part(stage, self.lights, &[], &())?;
            return Ok((stack, made));
        };
        let (apart, n) = (apart(ground), self.lights.len());
        let at_a_time = self.plan.frames_at_a_time;
        let (sky, _) = parts.part(stage, self.lights, &apart.masks_of_sky(n, at_a_time), &())?;
        let lights = apart.lights_of_ground(self.lights);
        let masks = apart.masks_of_ground(n, at_a_time);
        let (mut joined, _) = parts.part("superpixels of the ground", &lights, &masks, &())?;
        if let Some(alone) = ground.sky.as_mut() {
            *alone = alone.on_grid(&half, &self.plan.stack_place)?;
        }
        let (width, height) = half.size();
        let shown = |(row, col)| ground.mask.ground()[half.reference_pixel(row, col)];
        let mask = GroundMask::new(Array2::from_shape_fn((height, width), shown));
        stack::join_stored(&sky, &mut joined, &mask)?;
        Ok((joined, made))
    }

    /// Where half of the lights show the sky, on the reference.
    fn reached(
        &self,
        first: &StoredStack,
        ground: Option<&Ground>,
    ) -> Result<Array2<bool>, StackError> {
        let weight = first.plane(StackPart::Weight, 0)?;
        let most = weight.iter().copied().fold(f32::MIN_POSITIVE, f32::max);
        let mut reached = weight.mapv(|weight| weight >= REACHED * most);
        if let Some(ground) = ground {
            reached.zip_mut_with(&ground.mask.not_pure_sky(), |reached, &hidden| {
                *reached &= !hidden
            });
        }
        Ok(reached)
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

/// Noise of a picture in the pieces that noise is reported by.
fn by_region(
    tiles: &[HalfNoiseTile],
    channels: usize,
    (width, height): (usize, usize),
) -> Vec<(Region, Vec<Option<HalfNoise>>)> {
    let (columns, rows) = REGION_GRID;
    let regions = regions(width, height, columns, rows).into_iter();
    regions
        .map(|region| (region, HalfNoise::in_region(tiles, channels, &region)))
        .collect()
}

/// What was set apart of a ground.
pub(crate) fn apart(ground: &Ground) -> Apart {
    Apart {
        mask: ground.mask.clone(),
        moving: ground.moving.clone(),
        taken_for_still: ground.taken_for_still,
    }
}

/// Share of the photosites rejected, by channel; weights are taken for those of the typical
/// light.
fn rejected(made: &MosaicStack, lights: &[stack::Light]) -> Result<Vec<f64>, StackError> {
    let weights = lights.iter().map(|light| f64::from(light.weight));
    let weight = weights.sum::<f64>() / lights.len().max(1) as f64;
    let sum = |part, channel| -> Result<f64, StackError> {
        let plane = made.stack.plane(part, channel)?;
        Ok(plane.iter().map(|&value| f64::from(value)).sum())
    };
    let of = |channel: usize| {
        let rejected = sum(StackPart::Rejected, channel)?;
        let kept = sum(StackPart::Weight, channel)? / weight;
        Ok(rejected / (rejected + kept).max(1.0))
    };
    (0..made.stack.shape().0).map(of).collect()
}

impl Photosites {
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
