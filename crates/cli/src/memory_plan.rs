//! What a stack takes in memory, stage by stage, and what therefore waits on the disk.
//!
//! The figures are bytes for each pixel of a light, counted from the code and held by a test
//! that runs the program at the least it asks for. What a stage takes goes with its end, so
//! that the largest one counts; recorded mosaics stay from the first to the last.

use crate::JobError;
use crate::light_cells::MOST_LIGHTS;
use crate::sensor_pattern::PatternChoice;
use crate::shown_ground::MOST_VIEWS;
use align::cell_px;
use stack::{
    Bytes, OutputGrid, StackPlace, StoredStack, TILE_PX, batch_rows, check_scratch_room,
    tile_memory_bytes,
};
use std::path::PathBuf;

/// What a job may take in memory, and where it puts the rest.
#[derive(Clone, Debug)]
pub struct MemoryBudget {
    /// Most memory at any time, bytes.
    pub(crate) limit_bytes: u64,
    /// Folder of scratch files.
    pub(crate) scratch_dir: PathBuf,
    /// Threads that work at a time.
    pub(crate) threads: usize,
    /// What is made.
    pub(crate) making: Making,
    /// What becomes of it afterwards.
    pub(crate) anew: Anew,
    /// Whether a pattern of the sensor is looked for.
    pub(crate) sensor_pattern: PatternChoice,
    /// Most lights whose noise is predicted.
    pub(crate) most_predicted: usize,
}

/// A picture that is made anew when the first one has been measured.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) enum Anew {
    /// The first one is the picture.
    No,
    /// Of half the size, of superpixels.
    HalfSize,
    /// Of photosites, on so many pixels to one of a light each way.
    Photosites { scale: f64 },
}

/// What of a job's result is in memory or in scratch files at a time.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Making {
    /// One stack, no part of the picture set apart.
    OneStack,
    /// A stack of the sky and one of the ground.
    SkyAndGround,
    /// One stack, its half-stacks kept in memory; or two and the half-stacks of one.
    WithHalves,
}

/// The frames of a job, as far as memory goes.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) struct FrameSize {
    pub width: usize,
    pub height: usize,
    pub channels: usize,
    /// Period of its filters, px.
    pub pattern_px: usize,
}

/// How a job stays within its budget.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(crate) struct MemoryPlan {
    /// Recorded mosaics kept in memory, bytes; the others wait in a scratch file.
    pub mosaic_bytes: u64,
    /// Where stacks are kept.
    pub stack_place: StackPlace,
    /// Files read, and lights looked at, at a time.
    pub frames_at_a_time: usize,
    /// Tiles stacked at a time.
    pub tiles_at_a_time: usize,
    /// What may be written to scratch files in all.
    pub scratch_bytes: u64,
    /// Most memory that is held at any time, bytes.
    pub memory_bytes: u64,
}

/// The program itself, its threads' buffers, and what the allocator keeps for later.
const PROGRAM_BYTES: u64 = 36 << 20;
const THREAD_BYTES: u64 = 6 << 20;
/// Stars, maps, skies and words of a frame, beside what grows with its size.
const FRAME_BYTES: u64 = 160 << 10;

// Bytes a pixel.
/// A recorded mosaic.
const MOSAIC: u64 = 2;
/// A file being read: the file, what the decoder makes of it, and its active area.
const READING: u64 = 10;
/// Master dark and master flat.
const MASTERS: u64 = 8;
/// Combining one more of them: its levels, the rest beyond lines, fine and wide means.
const COMBINING: u64 = 20;
/// Looking at a light: calibrated samples, the plane stars are found on, that plane filtered.
const LOOKING: u64 = 19;
/// The ground, and the distance from it.
const GROUND: u64 = 6;
/// Two masks of a moving ground for each light whose view of it is kept.
const VIEWS: u64 = 2 * MOST_VIEWS as u64;
/// Masks of sky, ground and stars while stacking, and of the next light.
const MASKS: u64 = 10;
/// Looking for stars in one plane of a stack.
const STARS_OF_STACK: u64 = 14;
/// What was seen of the noise, for each stack and channel.
const SEEN_NOISE: u64 = 3;
/// A first pass as photosites are held against it: for each channel, and for all.
const FIRST_PASS_OF_CHANNEL: u64 = 12;
const FIRST_PASS: u64 = 5;
/// Making it of the stack.
const MAKING_FIRST_PASS: u64 = 20;
/// Steering drops by it.
const STEERING: u64 = 28;
/// Putting it on other pixels: the plane, as it is resampled, for each of its own.
const RESAMPLING: u64 = 24;
/// That plane and a mask, for each pixel of the picture.
const RESAMPLED: u64 = 6;
/// Sums of the samples on a tile's pixel, for each channel.
const SUMS: u64 = 320;
/// A pattern of the sensor that is taken off the lights.
const SENSOR_PATTERN: u64 = 4;
/// Finding it: both halves of the lights, then what is believed of their mean.
const FINDING_PATTERN: u64 = 28;
/// Half-stacks, for each channel: as they are kept by tile and put together.
const HALVES: u64 = 16;

// Bytes a cell of those in which the ground is looked for.
/// For each light.
const CELL_OF_LIGHT: u64 = 8;
/// What stands still, and the cut between ground and sky.
const CELL: u64 = 110;
/// Share of the search that the allocator keeps: many pieces that come and go.
const KEPT_OF_SEARCH: f64 = 0.5;

/// A pixel of the preview: rendered, encoded, and with the regions over it.
const PREVIEW: u64 = 34;
/// Longest side of a preview, px.
const PREVIEW_SIDE: usize = 2400;
/// Strips of a picture being written, at most, and of a small one for each pixel and channel.
const STRIPS_BYTES: u64 = 40 << 20;
const STRIPS_OF_SMALL: u64 = 12;

impl MemoryBudget {
    /// How many files of a size can be looked at together, when nothing else is held.
    pub(crate) fn files_at_a_time(&self, pixels: usize) -> usize {
        let always = PROGRAM_BYTES + self.threads as u64 * THREAD_BYTES;
        let of_one = (READING * pixels as u64).max(1);
        let files = self.limit_bytes.saturating_sub(always) / of_one;
        files.clamp(1, self.threads.max(1) as u64) as usize
    }

    /// The plan for `files` files of a size; nothing is looked at on the disk.
    ///
    /// # Errors
    ///
    /// [`JobError::Memory`].
    pub(crate) fn plan_only(&self, size: &FrameSize, files: usize) -> Result<MemoryPlan, JobError> {
        let job = Job {
            budget: self,
            size,
            files: files as u64,
        };
        job.plan()
    }

    /// The plan for `files` files of a size; disk space is checked.
    ///
    /// # Errors
    ///
    /// [`JobError::Memory`] when the least that such a job takes is above the limit, and
    /// [`StackError::ScratchFull`](stack::StackError::ScratchFull).
    pub(crate) fn plan(&self, size: &FrameSize, files: usize) -> Result<MemoryPlan, JobError> {
        let plan = self.plan_only(size, files)?;
        if plan.scratch_bytes > 0 {
            check_scratch_room(&self.scratch_dir, plan.scratch_bytes)?;
        }
        Ok(plan)
    }
}

struct Job<'a> {
    budget: &'a MemoryBudget,
    size: &'a FrameSize,
    files: u64,
}

impl Job<'_> {
    fn plan(&self) -> Result<MemoryPlan, JobError> {
        let (limit, threads) = (self.budget.limit_bytes, self.budget.threads.max(1));
        let mosaics = MOSAIC * self.pixels() * self.files;
        let in_memory = self.most(threads, threads, self.stack_bytes());
        if in_memory + mosaics <= limit {
            return Ok(MemoryPlan {
                mosaic_bytes: mosaics,
                stack_place: StackPlace::Memory,
                frames_at_a_time: threads,
                tiles_at_a_time: threads,
                scratch_bytes: 0,
                memory_bytes: in_memory + mosaics,
            });
        }
        let needed = self.most(1, 1, 0);
        if needed > limit {
            return Err(JobError::Memory {
                limit: Bytes(limit),
                needed: Bytes(needed),
                width: self.size.width,
                height: self.size.height,
            });
        }
        let fits = |n: &usize| self.most(*n, 1, 0) <= limit;
        let frames_at_a_time = (1..=threads).rev().find(fits).unwrap_or(1);
        let fits = |n: &usize| self.most(frames_at_a_time, *n, 0) <= limit;
        let tiles_at_a_time = (1..=threads).rev().find(fits).unwrap_or(1);
        let most = self.most(frames_at_a_time, tiles_at_a_time, 0);
        let left = limit - most;
        let whole = left / (MOSAIC * self.pixels()).max(1);
        let mosaic_bytes = mosaics.min(whole * MOSAIC * self.pixels());
        Ok(MemoryPlan {
            mosaic_bytes,
            stack_place: StackPlace::Scratch(self.budget.scratch_dir.clone()),
            frames_at_a_time,
            tiles_at_a_time,
            scratch_bytes: mosaics - mosaic_bytes + self.stack_bytes(),
            memory_bytes: most + mosaic_bytes,
        })
    }

    fn pixels(&self) -> u64 {
        (self.size.width * self.size.height) as u64
    }

    fn channels(&self) -> u64 {
        self.size.channels as u64
    }

    fn stacks(&self) -> u64 {
        match self.budget.making {
            Making::OneStack => 1,
            Making::SkyAndGround | Making::WithHalves => 2,
        }
    }

    /// Pixels of the picture.
    fn picture_px(&self) -> u64 {
        let size = (self.size.width, self.size.height);
        let scale = match self.budget.anew {
            Anew::No => 1.0,
            Anew::HalfSize => 0.5,
            Anew::Photosites { scale } => scale,
        };
        let (width, height) = OutputGrid::new(scale, size).size();
        (width * height) as u64
    }

    /// All stacks that are kept at a time.
    fn stack_bytes(&self) -> u64 {
        let of = |pixels: u64| StoredStack::BYTES_PER_SAMPLE * self.channels() * pixels;
        let first = self.stacks() * of(self.pixels());
        match self.budget.anew {
            // Quarters of what was there before.
            Anew::No | Anew::HalfSize => first,
            // The sky alone as it was and as it is with the picture, and the picture.
            Anew::Photosites { .. } => {
                let alone = self.stacks() - 1;
                first.max(alone * of(self.pixels()) + (1 + alone) * of(self.picture_px()))
            }
        }
    }

    /// Most memory of any stage but the recorded mosaics, bytes.
    ///
    /// - `frames`, `tiles`: in work at a time.
    /// - `stacks`: stacks in memory, bytes.
    fn most(&self, frames: usize, tiles: usize, stacks: u64) -> u64 {
        let (px, c, frames) = (self.pixels(), self.channels(), frames as u64);
        let threads = self.budget.threads as u64;
        let always = PROGRAM_BYTES + threads * THREAD_BYTES + self.files * FRAME_BYTES;
        let reading = READING * px * frames;
        let masters = (MASTERS + COMBINING) * px;
        let looking = (MASTERS + LOOKING * frames) * px;
        let search = self.ground_search_bytes();
        let views = match self.budget.making {
            Making::OneStack => 0,
            _ => VIEWS * px,
        };
        let ground = (MASTERS + GROUND) * px + search + views;
        let halves = match self.budget.making {
            Making::WithHalves => HALVES * c * px,
            _ => 0,
        };
        let of_search = (KEPT_OF_SEARCH * search as f64) as u64 + views;
        let (pattern, finding) = match self.budget.sensor_pattern {
            PatternChoice::None => (0, 0),
            PatternChoice::Auto => (SENSOR_PATTERN * px, (MASKS + FINDING_PATTERN) * px),
        };
        let kept = stacks + halves + of_search + pattern + MASTERS * px;
        let seen = SEEN_NOISE * c * px * self.stacks();
        let stacking = kept + seen + MASKS * px + self.tile_bytes(tiles);
        let measuring = kept + seen + (GROUND + STARS_OF_STACK) * px;
        let strips = STRIPS_BYTES.min(STRIPS_OF_SMALL * c * self.picture_px());
        let writing = kept + GROUND * px + PREVIEW * self.preview_px() + strips;
        let anew = kept + GROUND * px + self.second_pass_bytes(tiles);
        let stages = [
            reading,
            masters,
            looking,
            ground,
            stacking,
            measuring,
            kept + finding,
            anew,
            writing,
        ];
        always + stages.into_iter().max().unwrap_or(0)
    }

    /// Most memory of any stage of making the picture anew, beside what is kept.
    fn second_pass_bytes(&self, tiles: usize) -> u64 {
        let (px, out_px, c) = (self.pixels(), self.picture_px(), self.channels());
        let resampling = RESAMPLING * px + RESAMPLED * out_px;
        match self.budget.anew {
            Anew::No => 0,
            Anew::HalfSize => (MASKS * px + self.tile_bytes(tiles)).max(resampling),
            Anew::Photosites { .. } => {
                let first = (FIRST_PASS_OF_CHANNEL * c + FIRST_PASS) * px;
                let finer = |n: u64| (n * out_px).div_ceil(px.max(1));
                let tile_px = finer((TILE_PX * TILE_PX) as u64);
                let sums = SUMS * c * tile_px * tiles as u64;
                let batch = 2 * StoredStack::BYTES_PER_SAMPLE * c * finer(self.batch_px());
                let masks = STEERING * px + MASKS * (px + out_px);
                let stages = [MAKING_FIRST_PASS * px, masks + sums + batch, resampling];
                first + stages.into_iter().max().unwrap_or(0)
            }
        }
    }

    /// Lights in cells, and what is made of them; 0 where no ground is looked for.
    fn ground_search_bytes(&self) -> u64 {
        if self.budget.making == Making::OneStack {
            return 0;
        }
        let size = self.size;
        let cell_px = cell_px(size.width, size.height, size.pattern_px);
        let cells = (size.width / cell_px * (size.height / cell_px)) as u64;
        cells * (CELL_OF_LIGHT * self.files.min(MOST_LIGHTS as u64) + CELL)
    }

    /// Tiles in work, a batch of finished ones, and the rows they are put together in.
    fn tile_bytes(&self, tiles: usize) -> u64 {
        let (files, predicted) = (self.files as usize, self.budget.most_predicted);
        let in_work = tiles as u64 * tile_memory_bytes(self.size.channels, files, predicted);
        in_work + 2 * StoredStack::BYTES_PER_SAMPLE * self.channels() * self.batch_px()
    }

    /// Pixels of the whole rows of tiles that are finished together.
    fn batch_px(&self) -> u64 {
        let rows = batch_rows(self.size.width, self.budget.threads).min(self.size.height);
        (self.size.width * rows) as u64
    }

    fn preview_px(&self) -> u64 {
        let scale = (self.picture_px() as f64 / self.pixels().max(1) as f64).sqrt();
        let of = |side: usize| (side as f64 * scale).ceil() as usize;
        let (width, height) = (of(self.size.width), of(self.size.height));
        let factor = width.max(height).div_ceil(PREVIEW_SIDE).max(1);
        (width.div_ceil(factor) * height.div_ceil(factor)) as u64
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// 20 Mpx in color.
    const FRAMES: FrameSize = FrameSize {
        width: 5472,
        height: 3648,
        channels: 3,
        pattern_px: 2,
    };

    fn plan(limit_bytes: u64, files: usize) -> Result<MemoryPlan, JobError> {
        plan_of(limit_bytes, files, Anew::No)
    }

    fn plan_of(limit_bytes: u64, files: usize, anew: Anew) -> Result<MemoryPlan, JobError> {
        let budget = MemoryBudget {
            limit_bytes,
            scratch_dir: "scratch".into(),
            threads: 4,
            making: Making::SkyAndGround,
            anew,
            sensor_pattern: PatternChoice::None,
            most_predicted: 7,
        };
        budget.plan_only(&FRAMES, files)
    }

    #[test]
    fn what_fits_stays_in_memory_and_the_rest_waits_on_the_disk() {
        let mosaics = |n: u64| n * 2 * 5472 * 3648;
        let all = plan(64 << 30, 100).expect("plenty");
        assert_eq!(
            (all.stack_place, all.scratch_bytes),
            (StackPlace::Memory, 0)
        );
        assert_eq!(all.mosaic_bytes, mosaics(100));
        let few = plan(2 << 30, 100).expect("enough");
        assert_eq!(few.stack_place, StackPlace::Scratch("scratch".into()));
        assert_eq!(few.frames_at_a_time, 4);
        assert_eq!(few.mosaic_bytes % mosaics(1), 0, "whole mosaics");
        let stacks = 2 * 3 * 14 * 5472 * 3648;
        assert_eq!(few.scratch_bytes, mosaics(100) - few.mosaic_bytes + stacks);
        let slow = plan(1400 << 20, 100).expect("enough for one at a time");
        assert!(slow.frames_at_a_time < 4, "{slow:?}");
    }

    #[test]
    fn any_number_of_frames_fits_and_too_little_is_refused_with_the_least() {
        /// What the thousandth light may add to the least of ten.
        const MOST_BY_LIGHTS: f64 = 1.3;
        let least = |files| match plan(1, files) {
            Err(JobError::Memory { needed, .. }) => needed.0,
            other => panic!("{other:?}"),
        };
        let (ten, thousand) = (least(10), least(1000));
        assert!((thousand as f64) < MOST_BY_LIGHTS * ten as f64);
        for files in [10, 1000] {
            let with = |limit| plan(limit, files);
            let exact = with(least(files)).expect("the least is enough");
            assert!(exact.memory_bytes <= least(files), "{exact:?}");
            assert!(with(least(files) - 1).is_err());
        }
    }

    #[test]
    fn a_picture_made_anew_has_its_place_in_the_plan() {
        let least = |anew| match plan_of(1, 20, anew) {
            Err(JobError::Memory { needed, .. }) => needed.0,
            other => panic!("{other:?}"),
        };
        let photosites = |scale| Anew::Photosites { scale };
        let whole = least(Anew::No);
        assert_eq!(least(Anew::HalfSize), whole, "less than what is measured");
        let (one, two) = (least(photosites(1.0)), least(photosites(2.0)));
        assert!(whole < one && one < two);
        // On the disk: the sky alone on both grids, and the picture.
        let plan = plan_of(two, 20, photosites(2.0)).expect("the least is enough");
        let px = 5472 * 3648;
        let stacks = 14 * 3 * px * (1 + 4 + 4);
        assert_eq!(plan.scratch_bytes + plan.mosaic_bytes, 20 * 2 * px + stacks);
    }
}
