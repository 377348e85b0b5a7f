//! What a session will take: roughly the time, and by arithmetic memory and disk.

use super::attempt::explain;
use super::place::Place;
use super::session_plan::SessionPlan;
use crate::args::Format;
use crate::memory_plan::{FrameSize, MemoryPlan};
use crate::result_names::REPORT;
use crate::{JobError, StackJob};
use report::Report;

/// Seconds of one worker for a million pixels of a light, from reading to measuring, where no
/// earlier result tells: measured on the demo with two workers. Calibration frames take a
/// part of it.
const WORKER_SECONDS_PER_MPX: f64 = 2.0;
const CALIBRATION_SHARE: f64 = 0.2;
/// What the measuring of a stack takes however small it is, as pixels of a light.
const SESSION_MPX: f64 = 1.0;
/// Channels of a picture in color.
const CHANNELS: u64 = 3;
/// Most that the page of a report takes, bytes; its pictures are chosen to stay below.
const PAGE_BYTES: u64 = 8_000_000;
/// Most that a light takes in report, record and log, bytes.
const LIGHT_BYTES: u64 = 16_384;

/// What a session takes.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Estimate {
    /// Time, s; rough.
    pub seconds: f64,
    /// Memory at the most, bytes.
    pub memory_bytes: u64,
    /// Result, bytes, at most.
    pub disk_bytes: u64,
    /// Scratch data, bytes.
    pub scratch_bytes: u64,
    /// Why it will come to no result, as far as that is known beforehand.
    pub trouble: Option<String>,
}

/// How fast this machine is.
#[derive(Clone, Copy, Debug)]
pub struct Speed {
    seconds_per_work: f64,
}

impl Speed {
    /// As the results in `place` tell, or else a guess.
    pub(crate) fn of(plans: &[SessionPlan], place: &Place) -> Self {
        let done = plans.iter().filter_map(|plan| {
            let bytes = std::fs::read(place.done(&plan.session.id).join(REPORT)).ok()?;
            let report = Report::from_json(&bytes).ok()?;
            Some((report.run.seconds.values().sum::<f64>(), work(plan)))
        });
        let (seconds, work) = done.fold((0.0, 0.0), |(s, w), (seconds, work)| {
            (s + seconds, w + work)
        });
        let workers = rayon::current_num_threads() as f64;
        Self {
            seconds_per_work: match work > 0.0 {
                true => seconds / work,
                false => WORKER_SECONDS_PER_MPX / workers,
            },
        }
    }

    /// Time for a session, s.
    pub fn seconds(&self, plan: &SessionPlan) -> f64 {
        self.seconds_per_work * work(plan)
    }
}

/// Millions of pixels to be worked through, those of calibration frames as a part.
fn work(plan: &SessionPlan) -> f64 {
    let lights = f64::from(plan.session.lights);
    let calibration = plan.count() as f64 - lights;
    SESSION_MPX + (lights + CALIBRATION_SHARE * calibration) * pixels(plan) as f64 / 1e6
}

fn pixels(plan: &SessionPlan) -> u64 {
    u64::from(plan.session.width) * u64::from(plan.session.height)
}

/// What a session takes.
pub(crate) fn estimate(
    plan: &SessionPlan,
    speed: &Speed,
    formats: &[Format],
    stack: &StackJob,
) -> Estimate {
    let px = pixels(plan);
    let scale = stack.from_mosaic.map_or(1.0, |mosaic| mosaic.scale);
    let result_px = (scale * scale * px as f64) as u64;
    let planned = planned(plan, stack);
    let (memory_bytes, scratch_bytes) = memory_and_scratch(&planned);
    let of_format = |format: &Format| match format {
        Format::Tiff => 4 * CHANNELS * result_px,
        // Mean, variance and weight as floats, the count in 16 bits, and perhaps the sky.
        Format::Fits => (3 * 4 + 2 + 4) * CHANNELS * result_px,
        Format::Dng | Format::Print | Format::Png => 2 * CHANNELS * result_px,
    };
    let pictures: u64 = formats.iter().map(of_format).sum();
    let regions = CHANNELS * px;
    let words = PAGE_BYTES + LIGHT_BYTES * u64::from(plan.session.lights);
    Estimate {
        seconds: speed.seconds(plan),
        memory_bytes,
        disk_bytes: pictures + regions + words,
        scratch_bytes,
        trouble: trouble(plan, planned),
    }
}

/// What the session plans with. Filters are taken for a Bayer array.
fn planned(plan: &SessionPlan, stack: &StackJob) -> Result<MemoryPlan, JobError> {
    let size = FrameSize {
        width: plan.session.width as usize,
        height: plan.session.height as usize,
        channels: CHANNELS as usize,
        pattern_px: 2,
    };
    stack.memory_budget().plan_only(&size, plan.count())
}

/// Memory and scratch data of a session, bytes; the least that it takes, where that is more
/// than it is allowed.
fn memory_and_scratch(planned: &Result<MemoryPlan, JobError>) -> (u64, u64) {
    match planned {
        Ok(plan) => (plan.memory_bytes, plan.scratch_bytes),
        Err(JobError::Memory { needed, .. }) => (needed.0, 0),
        Err(_) => (0, 0),
    }
}

fn trouble(plan: &SessionPlan, planned: Result<MemoryPlan, JobError>) -> Option<String> {
    let few = || JobError::TooFewLights {
        lights: plan.session.lights as usize,
        used: plan.session.lights as usize,
        left_out: Vec::new(),
    };
    let error = planned
        .err()
        .or_else(|| (plan.session.lights < 2).then(few));
    let starless = || {
        plan.hopeless
            .then(|| "no stars were found in its lights".to_owned())
    };
    error.map(|error| explain(&error)).or_else(starless)
}
