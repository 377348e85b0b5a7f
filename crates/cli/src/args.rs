//! What can be typed, and its help.

use crate::GroundChoice;
use crate::compare_args::CompareArgs;
use crate::night_args::NightArgs;
use crate::picture_args::PictureArgs;
use crate::plan_args::PlanArgs;
use ::stack::{DemosaicMethod, Kernel};
use clap::{Args, CommandFactory, Parser, Subcommand, ValueEnum};
use std::path::PathBuf;

/// Stacks a night's raw frames and measures how much noise really went.
#[derive(Debug, Parser)]
#[command(version, after_help = EXIT_STATUS)]
pub struct Cli {
    /// What to do.
    #[command(subcommand)]
    pub command: Command,
    /// What every command understands.
    #[command(flatten)]
    pub common: Common,
}

impl Cli {
    /// The arguments of this process; ends it with a word and exit status 2 where they
    /// make no sense together.
    pub fn parse_checked() -> Self {
        let cli = Self::parse();
        let conflict = match &cli.command {
            Command::Stack(args) => args.conflict(),
            Command::Night(args) => args.conflict(),
            Command::Plan(args) => args.conflict(),
            _ => None,
        };
        if let Some(conflict) = conflict {
            let mut command = Self::command();
            command
                .error(clap::error::ErrorKind::ArgumentConflict, conflict)
                .exit();
        }
        cli
    }
}

const EXIT_STATUS: &str = "Exit status: 0 done; 1 failed; 2 bad usage; \
    3 done, but some inputs were left out, each with its reason.";

/// What every command understands.
#[derive(Debug, Args)]
pub struct Common {
    /// Print machine-readable JSON on standard output, and nothing else there
    #[arg(long, global = true)]
    pub json: bool,
    /// Say only what went wrong
    #[arg(short, long, global = true)]
    pub quiet: bool,
    /// Say more about each frame
    #[arg(short, long, global = true, conflicts_with = "quiet")]
    pub verbose: bool,
}

/// The commands.
#[derive(Debug, Subcommand)]
pub enum Command {
    /// Make an invented night and run the whole job on it
    #[command(after_help = "Example:\n  radicand demo -o first-night")]
    Demo(DemoArgs),
    /// Say what is in folders: groups of frames, their kinds, and what is wrong with files
    #[command(after_help = "Example:\n  radicand survey night/ flats/")]
    Survey(SurveyArgs),
    /// Say before the shoot how long, how many, and whether the night has room
    #[command(
        after_help = "Examples:\n  radicand plan --focal-length 17 --aperture 1.8 --sensor 23.5x15.6 \
        --pixel-pitch 3.3\n  radicand plan --from night/shot_0001.dng --gain 0.8 --read-noise 2.1 \
        --print 60 \\\n    --date 2026-01-19 --place 61.2,-12.4\n  radicand plan --from \
        night/shot_0001.dng --sky 21.4 --read-noise 2.1 --polar-error 6 \\\n    --periodic-error 60 \
        --period 480 --try-aperture 2,2.8 --clock 90"
    )]
    Plan(Box<PlanArgs>),
    /// Align and stack lights, and measure the noise of the result
    #[command(after_help = "Examples:\n  radicand stack night/ -o result\n  \
        radicand stack night/ -o result --dark darks/ --combine median\n  \
        radicand stack night/*.dng -o result --clip 2.5,3.5 --reference night/shot_0012.dng")]
    Stack(StackArgs),
    /// Measure noise and gain of a result made elsewhere, by the frames it was made of
    #[command(after_help = "Example:\n  radicand measure finished.tif --frames night/ -o measured")]
    Measure(MeasureArgs),
    /// Hold results against each other on the same patch of sky
    #[command(
        after_help = "Examples:\n  radicand compare night/shot_0001.dng result/stack.tif -o versus\n  \
        radicand compare burst/stack.fits composite.dng --exposures -,8x13 \\\n    \
        --focal-length 24 --pixel-pitch 3.3"
    )]
    Compare(CompareArgs),
    /// Join a tracked sky with a separately shot ground
    #[command(
        after_help = "Examples:\n  radicand blend sky/stack.fits ground.dng -o night\n  \
        radicand blend sky/stack.fits ground/stack.fits -o night --ground ridge.png"
    )]
    Blend(BlendArgs),
    /// Find every session under a folder, with what calibrates it, and stack each; carries on
    /// where an earlier run was interrupted
    #[command(
        after_help = "Examples:\n  radicand night archive/2026 -o nights --dry-run\n  \
        radicand night archive/2026 -o nights\n  \
        radicand night archive/2026 -o nights --list-jobs | parallel -j 4\n  \
        radicand night archive/2026 -o nights --collect"
    )]
    Night(NightArgs),
    /// Make invented frames whose every truth is known
    #[command(after_help = "Example:\n  radicand simulate tripod-burst -o invented --frames 12")]
    Simulate(SimulateArgs),
    /// Print what a shell needs to complete commands and options
    #[command(
        after_help = "Example:\n  radicand completions bash > ~/.local/share/bash-completion/completions/radicand"
    )]
    Completions(CompletionsArgs),
    /// Write man pages, one for every command
    #[command(after_help = "Example:\n  radicand manual -o ~/.local/share/man/man1")]
    Manual(ManualArgs),
}

/// Name of the program.
pub(crate) const PROGRAM: &str = "radicand";

/// Arguments of `completions`.
#[derive(Debug, Args)]
pub struct CompletionsArgs {
    /// The shell
    pub shell: clap_complete::Shell,
}

/// Arguments of `manual`.
#[derive(Debug, Args)]
pub struct ManualArgs {
    /// Folder for the pages, made if it is not there
    #[arg(short, long)]
    pub output: PathBuf,
    /// Replace existing pages
    #[arg(long)]
    pub overwrite: bool,
}

/// Arguments of `demo`.
#[derive(Debug, Args)]
pub struct DemoArgs {
    /// Folder for the frames and the result, made if it is not there
    #[arg(short, long, default_value = "radicand-demo")]
    pub output: PathBuf,
    /// Replace the result of an earlier demo
    #[arg(long)]
    pub overwrite: bool,
}

/// Arguments of `survey`.
#[derive(Debug, Args)]
pub struct SurveyArgs {
    /// Folders or files to look at
    #[arg(required = true, value_name = "DIR|FILE")]
    pub inputs: Vec<PathBuf>,
}

/// Arguments of `stack`.
#[derive(Debug, Args)]
pub struct StackArgs {
    /// Folders or files with the lights; darks, flats and bias frames among them are
    /// found and used
    #[arg(required = true, value_name = "DIR|FILE")]
    pub inputs: Vec<PathBuf>,
    /// Folder for the result, made if it is not there
    #[arg(short, long)]
    pub output: PathBuf,
    /// Darks: a folder or a file; may be given again
    #[arg(long, value_name = "DIR|FILE")]
    pub dark: Vec<PathBuf>,
    /// Flats: a folder or a file; may be given again
    #[arg(long, value_name = "DIR|FILE")]
    pub flat: Vec<PathBuf>,
    /// Bias frames: a folder or a file; may be given again
    #[arg(long, value_name = "DIR|FILE")]
    pub bias: Vec<PathBuf>,
    /// How the picture is made
    #[command(flatten)]
    pub picture: PictureArgs,
    /// The light that the others are aligned to; chosen by itself when not given
    #[arg(long, value_name = "FILE")]
    pub reference: Option<PathBuf>,
    /// Where the ground is, which stands still while the stars turn: auto finds it, none
    /// takes everything for sky, a PNG of the lights' size shows it in white; all stacks the
    /// lights of a tripod where they lie, without stars, for `blend`
    #[arg(long, value_name = "auto|none|all|MASK.png", default_value = "auto")]
    pub ground: GroundChoice,
    /// Replace an existing result
    #[arg(long)]
    pub overwrite: bool,
}

impl StackArgs {
    /// What was asked for and has no meaning beside what else was.
    pub(crate) fn conflict(&self) -> Option<String> {
        self.picture.conflict(&self.ground)
    }
}

/// Arguments of `measure`.
#[derive(Debug, Args)]
pub struct MeasureArgs {
    /// The result: TIFF, FITS, PNG or linear DNG
    #[arg(value_name = "RESULT")]
    pub result: PathBuf,
    /// The frames it was made of, with their darks, flats and bias frames; may be given again
    #[arg(long, required = true, value_name = "DIR|FILE", num_args = 1..)]
    pub frames: Vec<PathBuf>,
    /// Folder for report.json, made if it is not there; without it nothing is written
    #[arg(short, long)]
    pub output: Option<PathBuf>,
    /// Replace an earlier report
    #[arg(long)]
    pub overwrite: bool,
}

/// Arguments of `blend`.
#[derive(Debug, Args)]
pub struct BlendArgs {
    /// The sky: the result of a stack of tracked lights; stack.fits knows the sky behind its
    /// smeared ground
    pub sky: PathBuf,
    /// The ground: a raw frame or the result of a stack (of long exposures by
    /// `stack --ground all`), of the same camera and framing
    pub ground: PathBuf,
    /// Folder for the result, made if it is not there
    #[arg(short, long)]
    pub output: PathBuf,
    /// Where the ground is in GROUND: auto finds it, a PNG of its size shows it in white
    #[arg(
        long = "ground",
        value_name = "auto|MASK.png",
        default_value = "auto",
        value_parser = parse_blend_mask
    )]
    pub mask: GroundChoice,
    /// Pictures to write; of a blend png is the preview alone
    #[arg(long, value_enum, value_delimiter = ',', default_values_t = Format::USUAL)]
    pub format: Vec<Format>,
    /// Replace an existing result
    #[arg(long)]
    pub overwrite: bool,
}

/// Arguments of `simulate`.
#[derive(Debug, Args)]
pub struct SimulateArgs {
    /// The scene
    pub scene: String,
    /// Folder for the frames, made if it is not there
    #[arg(short, long)]
    pub output: PathBuf,
    /// Number of lights
    #[arg(long)]
    pub frames: Option<usize>,
    /// Width and height of the sensor, px
    #[arg(long, value_name = "WIDTHxHEIGHT", value_parser = parse_dimensions)]
    pub dimensions: Option<(usize, usize)>,
    /// Seed of everything random
    #[arg(long)]
    pub seed: Option<u64>,
}

/// The ways of demosaicing.
#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
pub enum DemosaicArg {
    /// Means of the nearest sites: least noise per pixel
    Bilinear,
    /// Bilinear, corrected by the gradients of the recorded color, in the balance of white:
    /// sharper, truer colors of stars, noisier
    Gradient,
    /// A picture of half the size, each pixel a cell of two by two sites: no color is
    /// interpolated
    Superpixel,
}

impl From<DemosaicArg> for DemosaicMethod {
    fn from(asked: DemosaicArg) -> Self {
        match asked {
            DemosaicArg::Bilinear => Self::Bilinear,
            DemosaicArg::Gradient => Self::GradientCorrected,
            DemosaicArg::Superpixel => Self::Superpixel,
        }
    }
}

/// The ways of interpolating between pixels.
#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
pub enum KernelArg {
    /// Windowed sinc over six pixels: keeps stars sharp
    #[value(name = "lanczos3")]
    Lanczos3,
    /// Cubic convolution over four pixels: fainter rings, stars a little wider
    Cubic,
    /// Linear between neighbors: no rings, widest stars
    Bilinear,
}

impl From<KernelArg> for Kernel {
    fn from(asked: KernelArg) -> Self {
        match asked {
            KernelArg::Lanczos3 => Self::Lanczos3,
            KernelArg::Cubic => Self::Cubic,
            KernelArg::Bilinear => Self::Bilinear,
        }
    }
}

/// The picture formats.
#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
pub enum Format {
    /// stack.tif: 32-bit float, linear
    Tiff,
    /// stack.fits: mean, variance, weight, rejected
    Fits,
    /// stack.dng: 16 bits, linear, for raw developers
    Dng,
    /// preview.png: 16 bits, stretched; with a noise report regions.png: gain by region
    Png,
    /// print.tif: the preview's look at full size, 16 bits, sRGB
    Print,
}

impl Format {
    /// Those that are written unless others are asked for.
    pub const USUAL: [Self; 4] = [Self::Tiff, Self::Fits, Self::Dng, Self::Png];
}

fn parse_blend_mask(text: &str) -> Result<GroundChoice, String> {
    match text.parse()? {
        GroundChoice::None => Err("a blend needs a ground".to_owned()),
        GroundChoice::All => Err("a blend needs a sky".to_owned()),
        choice => Ok(choice),
    }
}

pub(crate) fn parse_size(text: &str) -> Result<u64, String> {
    let wrong = || format!("'{text}' is not a size such as 800M or 2G");
    let digits = text.trim_end_matches(|c: char| c.is_ascii_alphabetic());
    let unit = match text[digits.len()..].to_ascii_uppercase().as_str() {
        "" | "B" => 1.0,
        "K" | "KB" | "KIB" => 1024.0,
        "M" | "MB" | "MIB" => 1024.0 * 1024.0,
        "G" | "GB" | "GIB" => 1024.0 * 1024.0 * 1024.0,
        _ => return Err(wrong()),
    };
    let number: f64 = digits.parse().map_err(|_| wrong())?;
    let bytes = number * unit;
    if bytes.is_finite() && bytes >= 1.0 {
        Ok(bytes as u64)
    } else {
        Err(wrong())
    }
}

fn parse_dimensions(text: &str) -> Result<(usize, usize), String> {
    let wrong = || format!("'{text}' is not a size such as 1200x900");
    let (width, height) = text.split_once(['x', 'X']).ok_or_else(wrong)?;
    let parse = |part: &str| {
        part.parse::<usize>()
            .ok()
            .filter(|&n| n > 0)
            .ok_or_else(wrong)
    };
    Ok((parse(width)?, parse(height)?))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_arguments_are_consistent() {
        Cli::command().debug_assert();
    }

    #[test]
    fn sizes_have_binary_units() {
        assert_eq!(parse_size("2G"), Ok(2 << 30));
        assert_eq!(parse_size("1.5k"), Ok(1536));
        assert_eq!(parse_size("77"), Ok(77));
        for wrong in ["", "G", "-2G", "2X", "two"] {
            assert!(parse_size(wrong).is_err(), "{wrong}");
        }
        assert_eq!(parse_dimensions("1200x900"), Ok((1200, 900)));
        assert!(parse_dimensions("1200").is_err() && parse_dimensions("0x4").is_err());
    }
}
