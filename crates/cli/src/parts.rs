//! Sky and ground stacked apart, each with its own noise, and joined.

use crate::JobError;
use crate::ground::for_each;
use crate::half_keeper::{self, HalfKeeper, Halves, KeptTile};
use crate::progress::Progress;
use align::Star;
use ndarray::Array2;
use noise::{
    GainReport, NoiseObserver, NoiseOptions, Part, Region, ReportContext, StarMask,
    StarMaskOptions, StarPair, StarShapeObserver, Summary, TileNoise,
};
use stack::{
    Calibrator, Combine, GroundMask, Light, Stack, StackError, StackOptions, TileObserver,
};
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
    /// Whether the half-stacks of the sky are kept.
    pub keep: bool,
    pub progress: &'a dyn Progress,
}

/// The picture, its noise by part, and its ground.
pub(crate) struct Stacked {
    pub stack: Stack,
    pub noise: GainReport,
    /// What the stars' observer saw.
    pub star_tiles: Vec<Vec<StarPair>>,
    /// The half-stacks of the sky, when they are kept.
    pub halves: Option<Halves>,
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
        stars: &StarShapeObserver,
        context: &ReportContext,
    ) -> Result<Stacked, JobError> {
        let Some(mask) = ground else {
            let (stack, tiles, star_tiles) = self.sky(stars, &[], None, context)?;
            let (tiles, halves) = self.join_halves(tiles);
            return Ok(Stacked {
                stack,
                noise: GainReport::from_tiles(&tiles, context)?,
                star_tiles,
                halves,
                ground: None,
            });
        };
        let masks = for_each(mask.not_sky(), self.lights.len());
        let hidden = mask.not_pure_sky();
        let (sky, tiles, star_tiles) = self.sky(stars, &masks, Some(&hidden), context)?;
        let (tiles, halves) = self.join_halves(tiles);
        let of_sky = ReportContext {
            regions: regions_of(&context.regions, &mask, Part::Sky),
            ..context.clone()
        };
        let mut noise = GainReport::from_tiles(&tiles, &of_sky)?;

        let lights = stack::ground_lights(self.lights);
        let masks = for_each(mask.not_ground(), lights.len());
        let hidden = mask.ground().mapv(|ground| !ground);
        let observer = self.noise_observer(Some(&hidden));
        let (ground, tiles) = self.part("stacking the ground", &lights, &masks, &observer)?;
        // It does not move on the sensor, and neither does its fixed pattern.
        let still = context.positions_px.as_ref().map(|lights| {
            let at = |places: &Vec<_>| vec![(0.0, 0.0); places.len()];
            lights.iter().map(at).collect()
        });
        let of_ground = ReportContext {
            regions: regions_of(&context.regions, &mask, Part::Ground),
            positions_px: still,
            track: None,
            ..context.clone()
        };
        let ground_noise = GainReport::from_tiles(&tiles, &of_ground).ok();
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
            star_tiles,
            halves,
            ground: Some(Ground {
                mask,
                noise: ground_noise.map(|noise| noise.summary),
            }),
        })
    }

    /// The largest samples of the lights as they were taken: trails of the stars.
    pub fn trails(&self) -> Result<Stack, StackError> {
        let options = StackOptions {
            combine: Combine::Max,
            ..*self.options
        };
        let lights = stack::ground_lights(self.lights);
        let parts = Parts {
            options: &options,
            ..*self
        };
        let (stack, _) = parts.part("drawing the trails", &lights, &[], &())?;
        Ok(stack)
    }

    /// The aligned stack, what was seen of its noise off what is `hidden`, and of its stars.
    #[allow(clippy::type_complexity, reason = "named where it is taken apart")]
    fn sky(
        &self,
        stars: &StarShapeObserver,
        masks: &[Arc<Array2<bool>>],
        hidden: Option<&Array2<bool>>,
        context: &ReportContext,
    ) -> Result<(Stack, Vec<KeptTile>, Vec<Vec<StarPair>>), StackError> {
        let noise = self
            .noise_observer(hidden)
            .with_track(context.track.clone());
        let keeper = HalfKeeper {
            noise,
            keep: self.keep,
        };
        let stage = match masks {
            [] => "stacking",
            _ => "stacking the sky",
        };
        let (stack, tiles) = self.part(stage, self.lights, masks, &(keeper, stars))?;
        let (tiles, star_tiles) = tiles.into_iter().unzip();
        Ok((stack, tiles, star_tiles))
    }

    fn join_halves(&self, tiles: Vec<KeptTile>) -> (Vec<TileNoise>, Option<Halves>) {
        let layout = self.calibrator.layout();
        let channels = layout.cfa.channels().len();
        half_keeper::join(tiles, channels, (layout.width, layout.height))
    }

    /// Measures noise off the stars and off what is `hidden`.
    fn noise_observer(&self, hidden: Option<&Array2<bool>>) -> NoiseObserver {
        let layout = self.calibrator.layout();
        let options = StarMaskOptions::default();
        let mut mask = StarMask::from_stars(layout.width, layout.height, self.stars, &options);
        if let Some(hidden) = hidden {
            mask.mask_where(hidden);
        }
        NoiseObserver::new(mask, self.noise.clone())
    }

    /// One stack, and what an observer saw.
    fn part<O: TileObserver>(
        &self,
        stage: &str,
        lights: &[Light],
        masks: &[Arc<Array2<bool>>],
        observer: &O,
    ) -> Result<(Stack, Vec<O::Summary>), StackError> {
        let layout = self.calibrator.layout();
        let tiles = layout.bounds().tiles(stack::TILE_PX).len();
        self.progress.stage(stage, tiles);
        let most = AtomicUsize::new(0);
        let advance = |done: usize, _: usize| {
            let done = most.fetch_max(done, Ordering::Relaxed).max(done);
            self.progress.advance(done);
        };
        let (calibrator, options) = (self.calibrator, self.options);
        stack::stack_masked(lights, masks, calibrator, options, observer, &advance)
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
