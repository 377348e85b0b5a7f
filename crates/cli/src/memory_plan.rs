//! What a stack takes in memory, stage by stage, and what therefore waits on the disk.
//!
//! The figures are bytes for each pixel of a light, counted from the code and held by a test
//! that runs the program at the least it asks for. What a stage takes goes with its end, so
//! that the largest one counts; recorded mosaics stay from the first to the last.

use crate::JobError;
use crate::light_cells::MOST_LIGHTS;
use crate::shown_ground::MOST_VIEWS;
use align::cell_px;
use stack::{Bytes, StackPlace, StoredStack, batch_rows, check_scratch_room, tile_memory_bytes};
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
    /// The plan for `files` files of a size; disk space is checked.
    ///
    /// # Errors
    ///
    /// [`JobError::Memory`] when the least that such a job takes is above the limit, and
    /// [`StackError::ScratchFull`](stack::StackError::ScratchFull).
    pub(crate) fn plan(&self, size: &FrameSize, files: usize) -> Result<MemoryPlan, JobError> {
        let job = Job {
            budget: self,
            size,
            files: files as u64,
        };
        let plan = job.plan()?;
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
        let left = limit - self.most(frames_at_a_time, tiles_at_a_time, 0);
        let whole = left / (MOSAIC * self.pixels()).max(1);
        let mosaic_bytes = mosaics.min(whole * MOSAIC * self.pixels());
        Ok(MemoryPlan {
            mosaic_bytes,
            stack_place: StackPlace::Scratch(self.budget.scratch_dir.clone()),
            frames_at_a_time,
            tiles_at_a_time,
            scratch_bytes: mosaics - mosaic_bytes + self.stack_bytes(),
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

    /// All stacks that are kept at a time.
    fn stack_bytes(&self) -> u64 {
        self.stacks() * StoredStack::BYTES_PER_SAMPLE * self.channels() * self.pixels()
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
        let kept = stacks + halves + of_search + MASTERS * px;
        let seen = SEEN_NOISE * c * px * self.stacks();
        let stacking = kept + seen + MASKS * px + self.tile_bytes(tiles);
        let measuring = kept + seen + (GROUND + STARS_OF_STACK) * px;
        let strips = STRIPS_BYTES.min(STRIPS_OF_SMALL * c * px);
        let writing = kept + GROUND * px + PREVIEW * self.preview_px() + strips;
        let stages = [
            reading, masters, looking, ground, stacking, measuring, writing,
        ];
        always + stages.into_iter().max().unwrap_or(0)
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
        let in_work = tiles as u64 * tile_memory_bytes(self.size.channels, self.files as usize);
        let batch_px = batch_rows(self.size.width, self.budget.threads).min(self.size.height);
        let batch = (self.size.width * batch_px) as u64;
        in_work + 2 * StoredStack::BYTES_PER_SAMPLE * self.channels() * batch
    }

    fn preview_px(&self) -> u64 {
        let (width, height) = (self.size.width, self.size.height);
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
        let budget = MemoryBudget {
            limit_bytes,
            scratch_dir: "scratch".into(),
            threads: 4,
            making: Making::SkyAndGround,
        };
        let size = &FRAMES;
        let files = files as u64;
        Job {
            budget: &budget,
            size,
            files,
        }
        .plan()
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
        const MOST_BY_LIGHTS: f64 = 2.0;
        let least = |files| match plan(1, files) {
            Err(JobError::Memory { needed, .. }) => needed.0,
            other => panic!("{other:?}"),
        };
        let (ten, thousand) = (least(10), least(1000));
        assert!((thousand as f64) < MOST_BY_LIGHTS * ten as f64);
        for files in [10, 1000] {
            let plan_of = |limit| plan(limit, files);
            let exact = plan_of(least(files)).expect("the least is enough");
            assert_eq!((exact.frames_at_a_time, exact.tiles_at_a_time), (1, 1));
            assert!(plan_of(least(files) - 1).is_err());
        }
    }
}
