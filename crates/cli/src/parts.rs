//! Sky and ground stacked apart, each with its own noise, and joined.

use crate::JobError;
use crate::MovingGround;
use crate::ground::Apart;
use crate::half_keeper::{self, HalfKeeper, Halves, KeptTile};
use crate::memory_plan::MemoryPlan;
use crate::progress::Progress;
use crate::stack_job::positions_px;
use crate::stack_rows::SkyAlone;
use align::Star;
use ndarray::Array2;
use noise::{
    GainReport, NoiseObserver, NoiseOptions, Part, Region, ReportContext, SensorTrack, StarMask,
    StarMaskOptions, StarPair, StarShapeObserver, Summary, TileNoise,
};
use stack::{
    Calibrator, Combine, DemosaicMethod, GroundMask, Light, LightMask, OutputGrid, StackOptions,
    StoredStack, TileObserver,
};
use std::sync::Arc;
use std::sync::atomic::{AtomicUsize, Ordering};

/// Share of a region that a part must fill to be reported there.
const LEAST_SHARE: f64 = 0.05;

/// The ground of a finished job.
#[derive(Debug)]
pub struct Ground {
    /// Where it is in the picture; with what it sweeps during the reference, when it moves.
    pub mask: GroundMask,
    /// Its noise in all; `None` where it is too small to measure.
    pub noise: Option<Summary>,
    /// Where it lies in the lights, when it moves in the frame.
    pub moving: Option<MovingGround>,
    /// Whether it is only taken to stand still: the lights do not tell.
    pub taken_for_still: bool,
    /// The sky alone, where the ground moves: NaN where too few lights see it.
    pub sky: Option<SkyAlone>,
}

impl Ground {
    /// Share of the picture that is ground at the middle of the reference's exposure, 0 to 1.
    pub fn fraction(&self) -> f64 {
        let Some(moving) = &self.moving else {
            return self.mask.fraction();
        };
        let ground = moving.ground.iter().filter(|&&ground| ground).count();
        ground as f64 / moving.ground.len().max(1) as f64
    }
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
    /// Where stacks are kept, and how much is done at a time.
    pub plan: &'a MemoryPlan,
    pub progress: &'a dyn Progress,
}

/// The picture, and what was seen of its noise by part.
pub(crate) struct Stacked {
    pub stack: StoredStack,
    /// What the stars' observer saw.
    pub star_tiles: Vec<Vec<StarPair>>,
    /// The half-stacks of the sky, when they are kept.
    pub halves: Option<Halves>,
    pub seen: Seen,
}

/// What was seen of the noise, not yet put into figures.
pub(crate) struct Seen {
    /// Of the aligned stack, or of the only one.
    sky: Vec<TileNoise>,
    ground: Option<SeenGround>,
    /// Where the only stack, a ground's, was measured.
    alone: Option<GroundMask>,
}

/// What was seen of the noise of the ground.
struct SeenGround {
    tiles: Vec<TileNoise>,
    /// Places of its lights on the sensor, as
    /// [`ReportContext::positions_px`](noise::ReportContext).
    positions_px: Vec<Vec<(f64, f64)>>,
    ground: Ground,
}

impl Parts<'_> {
    /// Stacks the sky, and the ground where there is one.
    pub fn stack(
        &self,
        ground: Option<Apart>,
        stars: &StarShapeObserver,
        track: Option<SensorTrack>,
    ) -> Result<Stacked, JobError> {
        let Some(apart) = ground else {
            let (stack, tiles, star_tiles) = self.sky(stars, &[], None, track)?;
            let (tiles, halves) = self.join_halves(tiles);
            return Ok(Stacked {
                stack,
                star_tiles,
                halves,
                seen: Seen {
                    sky: tiles,
                    ground: None,
                    alone: None,
                },
            });
        };
        let mask = &apart.mask;
        let at_a_time = self.plan.frames_at_a_time;
        let masks = apart.masks_of_sky(self.lights.len(), at_a_time);
        let hidden = mask.not_pure_sky();
        let (sky, tiles, star_tiles) = self.sky(stars, &masks, Some(&hidden), track)?;
        drop(masks);
        let (tiles, halves) = self.join_halves(tiles);

        let lights = apart.lights_of_ground(self.lights);
        let masks = apart.masks_of_ground(lights.len(), at_a_time);
        let hidden = mask.ground().mapv(|ground| !ground);
        let observer = self.noise_observer(Some(&hidden));
        let (mut joined, of_ground) =
            self.part("stacking the ground", &lights, &masks, &observer)?;
        // Where the camera stands still it does not move on the sensor, and neither does its
        // fixed pattern.
        let size = self.calibrator.layout().bounds();
        let positions_px = positions_px(&lights, (size.width(), size.height()));
        stack::join_stored(&sky, &mut joined, mask)?;
        let alone = match apart.moving {
            Some(_) => Some(SkyAlone::new(sky)?),
            None => None,
        };
        Ok(Stacked {
            stack: joined,
            star_tiles,
            halves,
            seen: Seen {
                sky: tiles,
                ground: Some(SeenGround {
                    tiles: of_ground,
                    positions_px,
                    ground: Ground {
                        mask: apart.mask,
                        noise: None,
                        moving: apart.moving,
                        taken_for_still: apart.taken_for_still,
                        sky: alone,
                    },
                }),
                alone: None,
            },
        })
    }

    /// Stacks the lights as one ground, all of the picture.
    ///
    /// - `measured`: where its noise is measured; everywhere when `None`.
    pub fn ground_alone(
        &self,
        stars: &StarShapeObserver,
        measured: Option<Array2<bool>>,
    ) -> Result<Stacked, JobError> {
        let layout = self.calibrator.layout();
        let all = Array2::from_elem((layout.height, layout.width), true);
        let mask = GroundMask::new(measured.unwrap_or_else(|| all.clone()));
        let hidden = mask.ground().mapv(|ground| !ground);
        let (stack, tiles, star_tiles) = self.sky(stars, &[], Some(&hidden), None)?;
        let (tiles, halves) = self.join_halves(tiles);
        Ok(Stacked {
            stack,
            star_tiles,
            halves,
            seen: Seen {
                sky: tiles,
                ground: None,
                alone: Some(mask),
            },
        })
    }

    /// The largest samples of the lights as they were taken: trails of the stars.
    pub fn trails(&self) -> Result<StoredStack, JobError> {
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
        masks: &[Arc<LightMask>],
        hidden: Option<&Array2<bool>>,
        track: Option<SensorTrack>,
    ) -> Result<(StoredStack, Vec<KeptTile>, Vec<Vec<StarPair>>), JobError> {
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
    pub(crate) fn part<O: TileObserver>(
        &self,
        stage: &str,
        lights: &[Light],
        masks: &[Arc<LightMask>],
        observer: &O,
    ) -> Result<(StoredStack, Vec<O::Summary>), JobError>
    where
        O::Summary: Send,
    {
        let grid = self.grid();
        let tiles = grid.bounds().tiles(stack::TILE_PX).len();
        self.progress.stage(stage, tiles);
        let most = AtomicUsize::new(0);
        let advance = |done: usize, _: usize| {
            let done = most.fetch_max(done, Ordering::Relaxed).max(done);
            self.progress.advance(done);
        };
        let (calibrator, options) = (self.calibrator, self.options);
        let channels = calibrator.layout().cfa.channels().len();
        let (width, height) = grid.size();
        let shape = (channels, height, width);
        let mut stack = StoredStack::new(shape, &self.plan.stack_place)?;
        let summaries = self.tiles_at_a_time(|| {
            let into = &mut stack;
            stack::stack_into(lights, masks, calibrator, options, observer, &advance, into)
        })??;
        Ok((stack, summaries))
    }

    /// The pixels of a stack.
    fn grid(&self) -> OutputGrid {
        let layout = self.calibrator.layout();
        let scale = match self.options.demosaic {
            DemosaicMethod::Superpixel => 0.5,
            DemosaicMethod::Bilinear | DemosaicMethod::GradientCorrected => 1.0,
        };
        OutputGrid::new(scale, (layout.width, layout.height))
    }

    /// Does work on tiles with as many threads as the plan allows.
    pub(crate) fn tiles_at_a_time<T: Send>(
        &self,
        work: impl FnOnce() -> T + Send,
    ) -> Result<T, JobError> {
        let threads = self.plan.tiles_at_a_time;
        if threads >= rayon::current_num_threads() {
            return Ok(work());
        }
        let pool = rayon::ThreadPoolBuilder::new().num_threads(threads).build();
        Ok(pool.map_err(|_| JobError::Threads(threads))?.install(work))
    }
}

impl Seen {
    /// The noise by region, and the ground.
    ///
    /// The summary is the sky's; the regions are of both parts, and one that shows both is
    /// there twice.
    pub fn report(self, context: &ReportContext) -> Result<(GainReport, Option<Ground>), JobError> {
        if let Some(mask) = self.alone {
            let of_ground = ReportContext {
                regions: regions_of(&context.regions, &mask, Part::Ground),
                track: None,
                subtracted: None,
                ..context.clone()
            };
            let noise = GainReport::from_tiles(&self.sky, &of_ground)?;
            let ground = Ground {
                mask,
                noise: Some(noise.summary.clone()),
                moving: None,
                taken_for_still: false,
                sky: None,
            };
            return Ok((noise, Some(ground)));
        }
        let Some(seen) = self.ground else {
            return Ok((GainReport::from_tiles(&self.sky, context)?, None));
        };
        let mut ground = seen.ground;
        let of_sky = ReportContext {
            regions: regions_of(&context.regions, &ground.mask, Part::Sky),
            ..context.clone()
        };
        let mut noise = GainReport::from_tiles(&self.sky, &of_sky)?;
        let of_ground = ReportContext {
            regions: regions_of(&context.regions, &ground.mask, Part::Ground),
            positions_px: Some(seen.positions_px),
            track: None,
            subtracted: None,
            ..context.clone()
        };
        if let Ok(of_ground) = GainReport::from_tiles(&seen.tiles, &of_ground) {
            noise.regions.extend(of_ground.regions.iter().cloned());
            noise.regions.sort_by_key(|measured| {
                let region = &measured.region;
                (region.y0, region.x0, region.part == Part::Ground)
            });
            ground.noise = Some(of_ground.summary);
        }
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
