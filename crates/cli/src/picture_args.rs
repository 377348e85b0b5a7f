//! How pictures are made, of one session as of many: what `stack` and `night` share.

use crate::args::{DemosaicArg, Format, KernelArg, parse_size};
use crate::combine_args::{CombineArg, CombineArgs};
use crate::mosaic_args::MosaicArgs;
use crate::sensor_pattern::PatternChoice;
use crate::{Cull, DarkScaling, GroundChoice, StackJob};
use ::stack::StackOptions;
use clap::{Args, ValueEnum};
use std::path::PathBuf;

/// Options of making a picture.
#[derive(Debug, Args)]
pub struct PictureArgs {
    /// Use darks of another exposure or temperature, scaled to the lights'; needs bias frames,
    /// and warm sites where the temperature differs
    #[arg(long)]
    pub scale_darks: bool,
    /// Whether what stays on the sensor while the stars move on is told from the lights
    /// themselves and taken off them
    #[arg(long, value_enum, default_value_t = PatternArg::None)]
    pub sensor_pattern: PatternArg,
    /// How samples are combined
    #[command(flatten)]
    pub combining: CombineArgs,
    /// How the colors that a site did not record are made
    #[arg(long, value_enum, default_value_t = DemosaicArg::Bilinear)]
    pub demosaic: DemosaicArg,
    /// How values between pixels are interpolated
    #[arg(long, value_enum, default_value_t = KernelArg::Lanczos3)]
    pub kernel: KernelArg,
    /// Whether the colors are made at all
    #[command(flatten)]
    pub mosaic: MosaicArgs,
    /// Keep every light that can be aligned, however cloudy, soft or shaken; weights still tell
    /// good from poor
    #[arg(long)]
    pub keep_all: bool,
    /// Most memory to use at any time, such as 2G or 800M, whatever the number of frames; what
    /// does not fit waits in scratch files. A quarter of the machine's when not given, at most 4G
    #[arg(long, value_name = "SIZE", value_parser = parse_size)]
    pub memory: Option<u64>,
    /// Folder for scratch files, which never outlive the job; the system's for temporary files
    /// when not given
    #[arg(long, value_name = "DIR")]
    pub scratch: Option<PathBuf>,
    /// Threads to use; all cores when not given
    #[arg(long, value_name = "N", value_parser = clap::value_parser!(u16).range(1..))]
    pub threads: Option<u16>,
    /// Pictures to write, separated by commas
    #[arg(long, value_enum, value_delimiter = ',', default_values_t = Format::USUAL)]
    pub format: Vec<Format>,
}

/// Whether a pattern of the sensor is told from the lights.
#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
pub enum PatternArg {
    /// Where the drift is large enough for that, and kept only if the stack's noise is then
    /// measured to be lower; the lights are stacked twice
    Auto,
    /// It stays
    None,
}

impl PictureArgs {
    /// Sets a job up as asked for.
    pub(crate) fn put_into(&self, job: &mut StackJob) {
        job.inputs.dark_scaling = match self.scale_darks {
            true => DarkScaling::ToLights,
            false => DarkScaling::Never,
        };
        job.options = StackOptions {
            demosaic: self.demosaic.into(),
            kernel: self.kernel.into(),
            ..StackOptions::default()
        };
        job.sensor_pattern = match self.sensor_pattern {
            PatternArg::Auto => PatternChoice::Auto,
            PatternArg::None => PatternChoice::None,
        };
        self.combining.put_into(job);
        self.mosaic.put_into(job);
        if self.keep_all {
            job.cull.cull = Cull::Nothing;
        }
        job.memory_bytes = self.memory.unwrap_or(job.memory_bytes);
        if let Some(scratch) = &self.scratch {
            job.scratch_dir = scratch.clone();
        }
    }

    /// What was asked for and has no meaning beside what else was.
    pub(crate) fn conflict(&self, ground: &GroundChoice) -> Option<String> {
        let combine = self.combining.combine;
        self.combining
            .conflict()
            .or_else(|| self.mosaic.conflict(combine, ground))
            .or_else(|| {
                let half_size = self.demosaic == DemosaicArg::Superpixel;
                let other = (self.mosaic.from_mosaic, *ground == GroundChoice::All);
                let trails = combine == CombineArg::Max;
                let no_sky = trails || *ground == GroundChoice::All;
                if no_sky && self.sensor_pattern == PatternArg::Auto {
                    return Some("--sensor-pattern auto needs stars that are followed".to_owned());
                }
                match (half_size, other) {
                    (true, _) if trails => Some("--demosaic superpixel has no --combine max"),
                    (true, (true, _)) => Some("--demosaic superpixel and --from-mosaic each make the picture in their own way"),
                    (true, (_, true)) => Some("--demosaic superpixel has no --ground all"),
                    _ => None,
                }
                .map(str::to_owned)
            })
    }
}
