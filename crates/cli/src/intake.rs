//! Decoded frames on their way into memory or a scratch file, as far as the budget goes.

use crate::JobError;
use crate::memory_plan::{FrameSize, MemoryBudget, MemoryPlan};
use crate::progress::Progress;
use raw::{Frame, Reading, printable};
use stack::{Bytes, MosaicStore, SensorLayout, StoredMosaic};

/// Takes frames in one by one; the first one tells how large they are.
pub(crate) struct Intake<'a> {
    budget: &'a MemoryBudget,
    files: usize,
    progress: &'a dyn Progress,
    planned: Option<(FrameSize, MemoryPlan, MosaicStore)>,
    frames: Vec<StoredFrame>,
    failed: Option<JobError>,
}

/// A frame that was taken in.
pub(crate) struct StoredFrame {
    /// Index of its file.
    pub file: usize,
    pub layout: SensorLayout,
    pub mosaic: StoredMosaic,
}

/// Plans, and says what that takes on the disk.
fn plan(
    budget: &MemoryBudget,
    size: &FrameSize,
    files: usize,
    progress: &dyn Progress,
) -> Result<MemoryPlan, JobError> {
    let plan = budget.plan(size, files)?;
    if plan.scratch_bytes > 0 {
        let (bytes, dir) = (Bytes(plan.scratch_bytes), printable(&budget.scratch_dir));
        progress.note(&format!("up to {bytes} of scratch data in {dir}"));
    }
    Ok(plan)
}

impl<'a> Intake<'a> {
    /// - `files`: how many frames there may be.
    pub fn new(budget: &'a MemoryBudget, files: usize, progress: &'a dyn Progress) -> Self {
        Self {
            budget,
            files,
            progress,
            planned: None,
            frames: Vec::new(),
            failed: None,
        }
    }

    /// Takes a frame in and says how to go on.
    pub fn take(&mut self, file: usize, frame: Frame) -> Reading {
        match self.store(file, frame) {
            Ok(files_at_a_time) => Reading::On { files_at_a_time },
            Err(error) => {
                self.failed.get_or_insert(error);
                Reading::Stop
            }
        }
    }

    fn store(&mut self, file: usize, frame: Frame) -> Result<usize, JobError> {
        let layout = SensorLayout::of(&frame.mosaic);
        let size = FrameSize {
            width: layout.width,
            height: layout.height,
            channels: layout.cfa.channels().len(),
            pattern_px: layout.cfa.width().max(layout.cfa.height()),
        };
        let (_, plan, store) = match &mut self.planned {
            Some(planned) => {
                // Only frames of one size are used in the end: the largest one is planned for.
                if size.width * size.height > planned.0.width * planned.0.height {
                    let plan = plan(self.budget, &size, self.files, self.progress)?;
                    planned.2.limit(plan.mosaic_bytes);
                    (planned.0, planned.1) = (size, plan);
                }
                planned
            }
            empty => {
                let plan = plan(self.budget, &size, self.files, self.progress)?;
                let store = MosaicStore::new(plan.mosaic_bytes, &self.budget.scratch_dir);
                empty.insert((size, plan, store))
            }
        };
        let mosaic = store.put(frame.mosaic.data)?;
        let files_at_a_time = plan.frames_at_a_time;
        self.frames.push(StoredFrame {
            file,
            layout,
            mosaic,
        });
        Ok(files_at_a_time)
    }

    /// The frames in the order of their files, and the plan; `None` where no file is a frame.
    ///
    /// # Errors
    ///
    /// What made it stop.
    pub fn finish(mut self) -> Result<(Vec<StoredFrame>, Option<MemoryPlan>), JobError> {
        if let Some(error) = self.failed {
            return Err(error);
        }
        self.frames.sort_by_key(|frame| frame.file);
        Ok((self.frames, self.planned.map(|(_, plan, _)| plan)))
    }
}
