//! The jobs of the radicand program; `main` adds nothing but arguments and exit status.
//!
//! A [`StackJob`] reads, aligns, stacks and measures; a [`ResultFolder`] writes what came
//! of it. In Rust the main job is as short as on the command line:
//!
//! ```no_run
//! use radicand::{Format, Inputs, ResultFolder, StackJob};
//!
//! # fn main() -> Result<(), radicand::JobError> {
//! let inputs = Inputs { lights: vec!["night".into()], ..Inputs::default() };
//! let job = StackJob::new(inputs);
//! let folder = ResultFolder::prepare("result".as_ref(), &[Format::Tiff], Default::default())?;
//! let mut outcome = job.run(&())?;
//! let report = folder.write(&job, &mut outcome)?;
//! println!("{}", report::headline(&report));
//! # Ok(())
//! # }
//! ```

pub use args::{Cli, Command, Format};
pub use blend_job::{BlendJob, BlendOutcome};
pub use calibration::{DarkScale, calibrator};
pub use close_look::{CloseLook, SpotSeen};
pub use commands::{Console, Done, run};
pub use compare_args::{CompareArgs, Exposures};
pub use compare_job::{CompareJob, CompareOutcome};
pub use cull::{Cull, CullOptions};
pub use error::JobError;
pub use fitting::DarkScaling;
pub use ground::GroundChoice;
pub use half_keeper::Halves;
pub use light::{PoorLight, Seen, SolvedLight};
pub use measure_job::{MeasureJob, MeasureOutcome};
pub use memory_plan::MemoryBudget;
pub use moving_ground::MovingGround;
pub use night::{
    Choices, Ended, Estimate, NightEvent, NightJob, NightOutcome, NightPlan, NightWatch,
    SessionPlan, Speed,
};
pub use night_args::NightArgs;
pub use opened_result::{OpenedResult, ResultKind, scale_arcsec};
pub use parts::Ground;
pub use plan_args::{IsoArg, LensArg, PlanArgs};
pub use plan_job::plan;
pub use predict::{GivenNoise, Predict};
pub use progress::{Bar, Progress, Stopwatch};
pub use results::ResultFolder;
pub use second_pass::{Photosites, SecondPass};
pub use sensor_pattern::{FoundPattern, NoiseChange, PatternChoice, PatternOutcome};
pub use session::{
    GivenMaster, Inputs, LeftOut, LightsBy, Session, SessionFrame, decode_options, gather,
};
pub use solve::{Solved, find_reference, solve};
pub use stack_job::{REGION_GRID, StackJob, StackOutcome};
pub use stack_rows::SkyAlone;

mod args;
mod blend_border;
mod blend_brightness;
mod blend_job;
mod blend_report;
mod calibration;
mod characterize;
mod close_look;
mod combine_args;
mod commands;
mod compare_args;
mod compare_job;
mod content;
mod crops;
mod cull;
mod error;
mod fitting;
mod geometry;
mod ground;
mod ground_alone;
mod ground_maps;
mod half_keeper;
mod intake;
mod light;
mod light_cells;
mod measure_job;
mod memory;
mod memory_plan;
mod mosaic_args;
mod moving_ground;
mod night;
mod night_args;
mod noise_report;
mod opened_result;
mod page;
mod parts;
mod photosite_report;
mod picture_args;
mod plan_advice;
mod plan_args;
mod plan_gear;
mod plan_job;
mod plan_night;
mod plan_ways;
mod predict;
mod progress;
mod reporting;
mod result_names;
mod results;
mod scale;
mod scene;
mod second_pass;
mod sensor_pattern;
mod sensor_report;
mod session;
mod shown_ground;
mod solve;
mod solve_still;
mod stack_job;
mod stack_rows;
mod white;
