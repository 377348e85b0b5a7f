//! Sky and ground stacked apart, each with its own noise, and joined.

use crate::JobError;
use crate::ground::for_each;
use crate::progress::Progress;
use align::Star;
use ndarray::Array2;
use noise::{
    GainReport, NoiseObserver, NoiseOptions, Part, Region, ReportContext, StarMask,
    StarMaskOptions, Summary, TileNoise,
};
use stack::{Calibrator, GroundMask, Light, Stack, StackError, StackOptions};
use std::sync::Arc;
use std::sync::atomic::{AtomicUsize, Ordering};

/// Share of a region that a part must fill to be reported there.
const LEAST_SHARE: f64 = 0.05;

/// The ground of a finished job.
#[derive(Clone, Debug)]
pub struct Ground {
    /// Where it is.
    pub mask: GroundMask,
    /// Its noise in all; `None` where it is too small to measure.
    pub noise: Option<Summary>,
}

/// What both stacks are made of.
pub(crate) struct Parts<'a> {
    /// As they go into the stack of the sky.
    pub lights: &'a [Light],
    /// Stars of the reference.
    pub stars: &'a [Star],
    pub calibrator: &'a Calibrator,
    pub options: &'a StackOptions,
    pub noise: &'a NoiseOptions,
    pub progress: &'a dyn Progress,
}

/// The picture, its noise by part, and its ground.
pub(crate) struct Stacked {
    pub stack: Stack,
    pub noise: GainReport,
    pub ground: Option<Ground>,
}

impl Parts<'_> {
    /// Stacks the sky, and the ground where there is one.
    ///
    /// The noise's summary is the sky's; its regions are of both parts, and one that shows
    /// both is there twice.
    pub fn stack(
        &self,
        ground: Option<GroundMask>,
        context: &ReportContext,
    ) -> Result<Stacked, JobError> {
        let Some(mask) = ground else {
            let (stack, tiles) = self.part("stacking", self.lights, &[], None)?;
            return Ok(Stacked {
                stack,
                noise: GainReport::from_tiles(&tiles, context)?,
                ground: None,
            });
        };
        let masks = for_each(mask.not_sky(), self.lights.len());
        let hidden = mask.not_pure_sky();
        let (sky, tiles) = self.part("stacking the sky", self.lights, &masks, Some(&hidden))?;
        let context_of = |part, positions_px| ReportContext {
            regions: regions_of(&context.regions, &mask, part),
            positions_px,
            ..context.clone()
        };
        let sky_context = context_of(Part::Sky, context.positions_px.clone());
        let mut noise = GainReport::from_tiles(&tiles, &sky_context)?;

        let lights = stack::ground_lights(self.lights);
        let masks = for_each(mask.not_ground(), lights.len());
        let hidden = mask.ground().mapv(|ground| !ground);
        let (ground, tiles) = self.part("stacking the ground", &lights, &masks, Some(&hidden))?;
        // It does not move on the sensor, and neither does its fixed pattern.
        let still = context.positions_px.as_ref().map(|lights| {
            let at = |places: &Vec<_>| vec![(0.0, 0.0); places.len()];
            lights.iter().map(at).collect()
        });
        let ground_noise = GainReport::from_tiles(&tiles, &context_of(Part::Ground, still)).ok();
        if let Some(of_ground) = &ground_noise {
            noise.regions.extend(of_ground.regions.iter().cloned());
            noise.regions.sort_by_key(|measured| {
                let region = &measured.region;
                (region.y0, region.x0, region.part == Part::Ground)
            });
        }
        Ok(Stacked {
            stack: stack::join(sky, &ground, &mask),
            noise,
            ground: Some(Ground {
                mask,
                noise: ground_noise.map(|noise| noise.summary),
            }),
        })
    }

    /// One stack, with its noise off the stars and off what is `hidden`.
    fn part(
        &self,
        stage: &str,
        lights: &[Light],
        masks: &[Arc<Array2<bool>>],
        hidden: Option<&Array2<bool>>,
    ) -> Result<(Stack, Vec<TileNoise>), StackError> {
        let layout = self.calibrator.layout();
        let (width, height) = (layout.width, layout.height);
        let options = StarMaskOptions::default();
        let mut mask = StarMask::from_stars(width, height, self.stars, &options);
        if let Some(hidden) = hidden {
            mask.mask_where(hidden);
        }
        let observer = NoiseObserver::new(mask, self.noise.clone());
        let tiles = layout.bounds().tiles(stack::TILE_PX).len();
        self.progress.stage(stage, tiles);
        let most = AtomicUsize::new(0);
        let advance = |done: usize, _: usize| {
            let done = most.fetch_max(done, Ordering::Relaxed).max(done);
            self.progress.advance(done);
        };
        let (calibrator, options) = (self.calibrator, self.options);
        stack::stack_masked(lights, masks, calibrator, options, &observer, &advance)
    }
}

/// The regions that a part fills enough of.
fn regions_of(regions: &[Region], mask: &GroundMask, part: Part) -> Vec<Region> {
    let share = |region: &Region| {
        let ground = mask.ground();
        let rows = region.y0..region.y1;
        let cells = rows.flat_map(|row| (region.x0..region.x1).map(move |col| (row, col)));
        let (mut of_ground, mut all) = (0_usize, 0_usize);
        for at in cells {
            all += 1;
            of_ground += usize::from(ground[at]);
        }
        let share = of_ground as f64 / all.max(1) as f64;
        match part {
            Part::Ground => share,
            Part::Sky => 1.0 - share,
        }
    };
    let filled = regions.iter().filter(|region| share(region) >= LEAST_SHARE);
    filled.map(|region| Region { part, ..*region }).collect()
}
