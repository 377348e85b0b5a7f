//! Sky and ground stacked apart, each with its own noise, and joined.

use crate::JobError;
use crate::ground::for_each;
use crate::half_keeper::{self, HalfKeeper, Halves, KeptTile};
use crate::progress::Progress;
use align::Star;
use ndarray::Array2;
use noise::{
    GainReport, NoiseObserver, NoiseOptions, Part, Region, ReportContext, SensorTrack, StarMask,
    StarMaskOptions, StarPair, StarShapeObserver, Summary, TileNoise,
};
use stack::{Calibrator, GroundMask, Light, Stack, StackError, StackOptions, TileObserver};
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

/// The picture, and what was seen of its noise by part.
pub(crate) struct Stacked {
    pub stack: Stack,
    /// What the stars' observer saw.
    pub star_tiles: Vec<Vec<StarPair>>,
    /// The half-stacks of the sky, when they are kept.
    pub halves: Option<Halves>,
    pub seen: Seen,
}

/// What was seen of the noise, not yet put into figures.
pub(crate) struct Seen {
    sky: Vec<TileNoise>,
    /// Where there is one: where it is, and its tiles.
    ground: Option<(GroundMask, Vec<TileNoise>)>,
}

impl Parts<'_> {
    /// Stacks the sky, and the ground where there is one.
    pub fn stack(
        &self,
        ground: Option<GroundMask>,
        stars: &StarShapeObserver,
        track: Option<SensorTrack>,
    ) -> Result<Stacked, JobError> {
        let Some(mask) = ground else {
            let (stack, tiles, star_tiles) = self.sky(stars, &[], None, track)?;
            let (tiles, halves) = self.join_halves(tiles);
            return Ok(Stacked {
                stack,
                star_tiles,
                halves,
                seen: Seen {
                    sky: tiles,
                    ground: None,
                },
            });
        };
        let masks = for_each(mask.not_sky(), self.lights.len());
        let hidden = mask.not_pure_sky();
        let (sky, tiles, star_tiles) = self.sky(stars, &masks, Some(&hidden), track)?;
        let (tiles, halves) = self.join_halves(tiles);

        let lights = stack::ground_lights(self.lights);
        let masks = for_each(mask.not_ground(), lights.len());
        let hidden = mask.ground().mapv(|ground| !ground);
        let observer = self.noise_observer(Some(&hidden));
        let (ground, of_ground) = self.part("stacking the ground", &lights, &masks, &observer)?;
        Ok(Stacked {
            stack: stack::join(sky, &ground, &mask),
            star_tiles,
            halves,
            seen: Seen {
                sky: tiles,
                ground: Some((mask, of_ground)),
            },
        })
    }

    /// The aligned stack, what was seen of its noise off what is `hidden`, and of its stars.
    #[allow(clippy::type_complexity, reason = "named where it is taken apart")]
    fn sky(
        &self,
        stars: &StarShapeObserver,
        masks: &[Arc<Array2<bool>>],
        hidden: Option<&Array2<bool>>,
        track: Option<SensorTrack>,
    ) -> Result<(Stack, Vec<KeptTile>, Vec<Vec<StarPair>>), StackError> {
        let noise = self.noise_observer(hidden).with_track(track);
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

impl Seen {
    /// The noise by region, and the ground.
    ///
    /// The summary is the sky's; the regions are of both parts, and one that shows both is
    /// there twice.
    pub fn report(self, context: &ReportContext) -> Result<(GainReport, Option<Ground>), JobError> {
        let Some((mask, of_ground)) = self.ground else {
            return Ok((GainReport::from_tiles(&self.sky, context)?, None));
        };
        let of_sky = ReportContext {
            regions: regions_of(&context.regions, &mask, Part::Sky),
            ..context.clone()
        };
        let mut noise = GainReport::from_tiles(&self.sky, &of_sky)?;
        // It does not move on the sensor, and neither does its fixed pattern.
        let still = context.positions_px.as_ref().map(|lights| {
            let at = |places: &Vec<_>| vec![(0.0, 0.0); places.len()];
            lights.iter().map(at).collect()
        });
        let standing = ReportContext {
            regions: regions_of(&context.regions, &mask, Part::Ground),
            positions_px: still,
            track: None,
            ..context.clone()
        };
        let ground_noise = GainReport::from_tiles(&of_ground, &standing).ok();
        if let Some(of_ground) = &ground_noise {
            noise.regions.extend(of_ground.regions.iter().cloned());
            noise.regions.sort_by_key(|measured| {
                let region = &measured.region;
                (region.y0, region.x0, region.part == Part::Ground)
            });
        }
        let ground = Ground {
            mask,
            noise: ground_noise.map(|noise| noise.summary),
        };
        Ok((noise, Some(ground)))
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
