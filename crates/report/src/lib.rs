//! Numbers to `report.json` and `report.html`: what went into a stack, and what it is worth.
//!
//! [`Report`] is the file, field by field, in the order of the file: the frames, the
//! measured noise, the run, the warnings. It is plain data that depends on no other
//! crate of the workspace; whoever runs the job fills it in. [`headline`] says the result
//! in one line, and every [`Warning`] says what is the matter and what to do about it.
//!
//! [`Comparison`] is `compare.json`: results against each other, with their [`verdict`].
//!
//! [`Plan`] is what `radicand plan --json` says before the shoot.
//!
//! [`Night`] is `night.json`: many sessions, and what became of each.
//!
//! [`report_page`], [`comparison_page`] and [`night_page`] are the same for people: one file
//! each, whose texts are shown and never obeyed.
//!
//! The meaning of every field, with its unit and when it misleads, is in
//! `docs/report.md`; `docs/report.schema.json` is the same as a JSON Schema.
//!
//! Two runs on the same input give the same bytes but for [`Run::seconds`] and
//! [`Run::peak_memory_bytes`]. A number that could not be had is `null` in the file and
//! NaN or `None` here.
//!
//! ```
//! use radicand_report::{headline, Report};
//!
//! let mut report = Report::default();
//! report.noise.summary.frames_used = 20;
//! report.noise.summary.gain_area = 4.16;
//! report.noise.summary.effective_frames = 4.16 * 4.16;
//! report.noise.summary.expected_gain = 20f64.sqrt();
//! report.noise.summary.error = 0.05;
//! report.noise.summary.pattern.visible = true;
//! assert_eq!(
//!     headline(&report),
//!     "20 frames, worth 17.3 ± 0.4 (noise 4.16 times lower; √20 = 4.47)"
//! );
//!
//! let bytes = report.to_json();
//! assert_eq!(Report::from_json(&bytes)?.noise.summary.frames_used, 20);
//! # Ok::<(), radicand_report::ReportError>(())
//! ```

pub use blend::{
    BLEND_SCHEMA_VERSION, Blend, BlendBrightness, BlendNoise, BlendOffset, BlendShares, BlendSource,
};
pub use channel::{ByChannel, Channel};
pub use comparison::{
    AgainstFirst, COMPARE_SCHEMA_VERSION, ComparedChannel, ComparedResult, ComparedSky, Comparison,
    NoiseRatio, verdict,
};
pub use figure::{Figure, MEASURABLE_SIGMAS};
pub use frame::{FrameEntry, FrameKind, file_name};
pub use from_mosaic::{FromMosaic, MosaicChannel, MosaicNoise, MosaicRegion};
pub use geometry::{Geometry, GeometryModel, Ring};
pub use ground::{Ground, GroundFound, GroundMotion};
pub use headline::{headline, sensor_line};
pub use measured::{MeasuredChannel, MeasuredReport, MeasuredResult};
pub use night::{
    NIGHT_SCHEMA_VERSION, Night, NightCalibration, NightContent, NightFault, NightFile,
    NightResult, NightSession, SessionRecord, SessionState,
};
pub use noise::{
    Budget, ChannelNoise, Evidence, Growth, GrowthPoint, Noise, Part, Pattern, PatternBasis,
    Region, Summary,
};
pub use page::{
    ComparedSpot, Picture, Pictures, Spot, SpotKind, calibration_choice, comparison_page,
    night_page, night_summary, report_page, session_description,
};
pub use plan::{
    PLAN_SCHEMA_VERSION, Plan, PlanFrames, PlanGear, PlanLight, PlanMasters, PlanMoonChange,
    PlanMoonHour, PlanNight, PlanPlace, PlanPrint, PlanRule, PlanStill, PlanSub, PlanTracked,
    PlanTwilight, PlanWay,
};
pub use report::{Report, ReportError, SCHEMA_VERSION};
pub use run::Run;
pub use sensor::{Sensor, SensorChannel, SensorLight, Source};
pub use sensor_pattern::{PatternChannel, SensorPattern};
pub use stars::{RadialPattern, ScaleSource, StarEffect, StarShape, StarZone, Stars, ZonePlace};
pub use warning::{MasterKind, Warning, WarningEntry};

mod blend;
mod channel;
mod comparison;
mod figure;
mod frame;
mod from_mosaic;
mod geometry;
mod ground;
mod headline;
mod layout;
mod measured;
mod night;
mod noise;
mod number;
mod page;
mod plan;
mod report;
mod run;
mod sensor;
mod sensor_pattern;
mod stars;
mod warning;
