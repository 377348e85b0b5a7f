//! Why a job ended without a result, and the way out.

use crate::LeftOut;
use raw::printable;
use stack::Bytes;
use std::path::PathBuf;

/// What ended a job.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum JobError {
    /// An input does not exist or cannot be listed.
    #[error("{}: {problem}", printable(path))]
    Input {
        /// The folder or file asked for.
        path: PathBuf,
        /// What is wrong with it.
        problem: String,
    },
    /// Nothing to stack was found.
    #[error("no lights found: {looked_at} files looked at, {readable} of them readable frames")]
    NoLights {
        /// Files looked at.
        looked_at: usize,
        /// Frames among them.
        readable: usize,
        /// What was left out, each with its reason.
        left_out: Vec<LeftOut>,
    },
    /// No session was found.
    #[error("no lights found: {looked_at} files looked at")]
    NoSessions {
        /// Files looked at.
        looked_at: usize,
        /// What cannot be used, each with its reason.
        left_out: Vec<report::NightFault>,
    },
    /// Not one session came to a result.
    #[error("no session came to a result, of {sessions}")]
    NothingDone {
        /// Sessions found.
        sessions: usize,
    },
    /// No session has this name.
    #[error("no session is called '{0}'")]
    UnknownSession(String),
    /// The frames of a session are not those that were listed.
    #[error("the frames of session '{0}' are not those that were listed")]
    SessionChanged(String),
    /// A file of settings that cannot be followed.
    #[error("{}: {problem}", printable(path))]
    Settings {
        /// The file.
        path: PathBuf,
        /// What is wrong with it, and where.
        problem: String,
    },
    /// Another run is at this output.
    #[error("{}: another run is at it ({holder})", printable(output))]
    Locked {
        /// The output.
        output: PathBuf,
        /// Who is at it.
        holder: String,
        /// The lock's file, where nothing but it says that the run still goes on: the file
        /// system knows no locks.
        only_said_by: Option<PathBuf>,
    },
    /// A word that cannot stand in a line of commands.
    #[error("{}: cannot stand in a list of commands", printable(.0))]
    Unquotable(PathBuf),
    /// One light is no stack.
    #[error("{used} of {lights} lights can be used, and a stack needs 2")]
    TooFewLights {
        /// Lights found.
        lights: usize,
        /// Lights that can be used.
        used: usize,
        /// What was left out, each with its reason.
        left_out: Vec<LeftOut>,
    },
    /// The reference asked for is none of the lights.
    #[error("{}: not among the lights", printable(.0))]
    UnknownReference(PathBuf),
    /// The reference asked for is a light that cannot be used.
    #[error("{}: cannot be the reference: {reason}", printable(path))]
    UselessReference {
        /// The light.
        path: PathBuf,
        /// Why it cannot be used.
        reason: String,
    },
    /// A mask of the ground cannot be used.
    #[error("{}: no mask of the ground: {problem}", printable(path))]
    Mask {
        /// The picture.
        path: PathBuf,
        /// What is wrong with it.
        problem: String,
    },
    /// The result would lie among the originals.
    #[error("{}: among input frames, and nothing is written beside originals", printable(.0))]
    AmongOriginals(PathBuf),
    /// A scene too large, or without frames.
    #[error("{what}: {found} asked, {allowed} allowed")]
    SceneSize {
        /// What is out of bounds.
        what: &'static str,
        /// What was asked for.
        found: String,
        /// The bounds.
        allowed: &'static str,
    },
    /// The scene asked for does not exist.
    #[error("no scene is called '{0}'")]
    UnknownScene(String),
    /// A clip against predicted noise was asked for, and the noise is not known.
    #[error("the noise to clip by cannot be predicted: {reason}")]
    NotPredicted {
        /// Why not.
        reason: String,
    },
    /// Darks of another exposure, and nothing that tells dark signal from offset.
    #[error("darks cannot be scaled by {factor:.3} to the lights' exposure without bias frames")]
    DarkScaling {
        /// Exposure of the lights over that of the darks.
        factor: f64,
    },
    /// Darks of another temperature that were to be scaled, and nothing tells by how much.
    #[error(
        "{} and the darks with it were taken at {darks_c:.1} °C, the lights at {lights_c:.1} °C, \
         and cannot be scaled: {problem}",
        printable(dark)
    )]
    DarkTemperature {
        /// One of the darks.
        dark: PathBuf,
        /// Their typical temperature, °C.
        darks_c: f64,
        /// That of the lights, °C.
        lights_c: f64,
        /// Why they cannot be scaled.
        problem: String,
    },
    /// The output folder cannot be made.
    #[error("cannot make the folder {}, or not write in it", printable(path))]
    OutputFolder {
        /// The folder.
        path: PathBuf,
        /// What the system said.
        source: std::io::Error,
    },
    /// The thread pool cannot be started.
    #[error("cannot start {0} threads")]
    Threads(usize),
    /// The memory allowed is less than the least that the job takes.
    #[error(
        "{limit} of memory are allowed, but frames of {width}×{height} px take {needed} at least"
    )]
    Memory {
        /// What is allowed.
        limit: Bytes,
        /// The least.
        needed: Bytes,
        /// Width of a frame, px.
        width: usize,
        /// Height of a frame, px.
        height: usize,
    },
    /// Stacking failed.
    #[error(transparent)]
    Stack(#[from] stack::StackError),
    /// Measuring failed.
    #[error(transparent)]
    Noise(#[from] noise::NoiseError),
    /// A result cannot be read.
    #[error(transparent)]
    Result(#[from] raw::DecodeError),
    /// Results cannot be compared.
    #[error(transparent)]
    Compare(#[from] noise::CompareError),
    /// A single raw is measured by its own stack.
    #[error("{}: a raw frame, not a result", printable(.0))]
    RawResult(PathBuf),
    /// A list of options that does not fit the results.
    #[error("{option}: {found} given for {results} results, needed is one for all or one for each")]
    OptionCount {
        /// The option.
        option: &'static str,
        /// How many were given.
        found: usize,
        /// How many results there are.
        results: usize,
    },
    /// Two pictures that are to be joined are not alike.
    #[error(
        "{}: {found}, needed {needed} as in {}",
        printable(path),
        printable(other)
    )]
    BlendUnlike {
        /// The ground's file.
        path: PathBuf,
        /// The sky's file.
        other: PathBuf,
        /// What was found.
        found: String,
        /// What was needed.
        needed: String,
    },
    /// A folder where a picture is needed.
    #[error("{}: a folder, needed is one picture", printable(.0))]
    BlendFolder(PathBuf),
    /// Values that do not follow the light.
    #[error("{}: values follow a tone curve, needed are linear ones", printable(.0))]
    NotLinear(PathBuf),
    /// A picture without a ground.
    #[error("{}: no ground found: the sky, followed down from the upper border, ends nowhere along \
             an edge", printable(.0))]
    NoGround(PathBuf),
    /// Pictures without a ridge in common.
    #[error("{}: no ridge in common with {}", printable(ground), printable(sky))]
    NoCommonRidge {
        /// The sky's file.
        sky: PathBuf,
        /// The ground's file.
        ground: PathBuf,
    },
    /// Writing failed.
    #[error(transparent)]
    Export(#[from] export::ExportError),
    /// The invented night cannot be made.
    #[error(transparent)]
    Synth(#[from] synth::SynthError),
    /// What was typed is not enough, or cannot be.
    #[error("{problem}")]
    Usage {
        /// What is missing or wrong.
        problem: String,
        /// The option that helps.
        remedy: String,
    },
    /// The frame that a plan is to be made from cannot be read.
    #[error(transparent)]
    PlanFrame(raw::DecodeError),
    /// The report cannot be put into words.
    #[error("cannot write the report as JSON")]
    Json(#[from] serde_json::Error),
}

impl JobError {
    /// Inputs that were left out before the job ended.
    pub fn left_out(&self) -> &[LeftOut] {
        match self {
            Self::NoLights { left_out, .. } | Self::TooFewLights { left_out, .. } => left_out,
            _ => &[],
        }
    }

    /// The program's exit status.
    pub fn status(&self) -> u8 {
        match self {
            Self::Usage { .. } => 2,
            _ => 1,
        }
    }

    /// What the user can do about it.
    pub fn hint(&self) -> Option<String> {
        let hint = match self {
            Self::Input { .. } => "check that it is there and can be read",
            Self::NoLights { .. } => {
                "`radicand survey` says what every file was taken for, and why"
            }
            Self::NoSessions { .. } => {
                "`radicand survey` says what every file was taken for, and why"
            }
            Self::NothingDone { sessions: 0 } => {
                "nothing was done there yet: do it first without --collect, or check -o"
            }
            Self::NothingDone { .. } => "the reasons are above, in night.json and in index.html",
            Self::UnknownSession(_) => "--list-jobs or --dry-run name the sessions",
            Self::SessionChanged(_) => "list them again with --list-jobs",
            Self::Settings { .. } => {
                "what can be said there, with an example, is in docs/night.md; --dry-run says what \
                 comes of it"
            }
            Self::Locked {
                only_said_by: Some(file),
                ..
            } => {
                return Some(format!(
                    "wait for it, or choose another folder with -o; if you are sure that it has \
                     ended, on whatever machine, remove {}",
                    printable(file)
                ));
            }
            Self::Locked { .. } => "wait for it to end, or choose another folder with -o",
            Self::Unquotable(_) => "use names of plain text, in one line, for root and output",
            Self::TooFewLights { lights: 0 | 1, .. } => {
                "give two lights or more of one camera, size and exposure"
            }
            Self::TooFewLights { .. } => {
                "`radicand survey` says more about each file; a ground \
                 from a tripod, whose stars trail, is stacked by `radicand \
                 stack --ground all`"
            }
            Self::UnknownReference(_) => "name one of the lights, by the path it was found under",
            Self::UselessReference { .. } => "name another light, or none: one is chosen by itself",
            Self::Mask { .. } => {
                "a mask is a PNG of the lights' width and height, not turned, white on the ground; \
                 --ground auto needs none, and --ground all stacks a ground alone"
            }
            Self::BlendUnlike { .. } => "both must be of the same camera, uncropped",
            Self::BlendFolder(_) => {
                "stack its frames first and give the stack.fits: a tracked sky by `radicand \
                 stack`, a ground from a tripod by `radicand stack --ground all`"
            }
            Self::NotLinear(_) => "give a raw frame, or stack.tif or stack.fits of a stack",
            Self::NoGround(_) => {
                "give a mask with --ground: a PNG of its size, white on the ground"
            }
            Self::NoCommonRidge { .. } => {
                "both must show the same ridge, within a fifth of the picture"
            }
            Self::UnknownScene(_) => {
                let names = synth::SCENE_NAMES.map(|(name, about)| format!("{name} ({about})"));
                return Some(format!("there are: {}", names.join("; ")));
            }
            Self::Usage { remedy, .. } => return Some(remedy.clone()),
            Self::PlanFrame(_) => {
                "--from takes one raw frame; without it camera and lens are given in numbers: see \
                 `radicand plan --help`"
            }
            Self::NotPredicted { .. } => {
                "give flats and bias frames, or --gain and --read-noise, or leave the choice to \
                 --clip-by auto"
            }
            Self::DarkScaling { .. } => {
                "give bias frames along with the lights, or darks of the lights' exposure"
            }
            Self::DarkTemperature { .. } => {
                "give bias frames along with the lights, and darks of their temperature, or use \
                 these as they are by leaving --scale-darks out"
            }
            Self::OutputFolder { .. } => "choose another folder with -o",
            Self::AmongOriginals(_) => "choose another folder with -o",
            Self::Threads(_) => "ask for fewer with --threads",
            Self::Memory { needed, .. } => {
                let mib = needed.0.div_ceil(1 << 20);
                return Some(format!("allow more, such as --memory {mib}M"));
            }
            Self::Stack(
                stack::StackError::ScratchWrite { .. } | stack::StackError::ScratchFull { .. },
            ) => {
                "make room, name a folder on another disk by --scratch, or allow more memory \
                 with --memory, so that less is put there"
            }
            Self::Result(_) => "results are raws, stacks, linear DNG, TIFF, FITS or PNG",
            Self::Compare(noise::CompareError::Register { .. }) => {
                "all results must show the same field, at scales that differ by less than 2.2 times"
            }
            Self::OptionCount { .. } => "separate values by commas; - leaves one to the file",
            Self::Export(export::ExportError::Exists { .. }) => {
                "choose another folder with -o, or replace the result with --overwrite"
            }
            Self::Export(export::ExportError::DiskFull { .. }) => {
                "make room, or choose a folder on another disk with -o"
            }
            _ => return None,
        };
        Some(hint.to_owned())
    }
}
