//! What of the files becomes what: the lights of one session and the frames that
//! calibrate them.

use crate::JobError;
use crate::content::digest;
use crate::fitting::{
    DarkScaling, Taken, calibration_mismatch, dark_scale, light_mismatch, master_mismatch,
    most_common, of_one_exposure, other_temperature,
};
use crate::intake::Intake;
use crate::light::PoorLight;
use crate::memory_plan::{MemoryBudget, MemoryPlan};
use crate::progress::Progress;
use crate::result_names;
use ndarray::Array2;
use raw::{
    DecodeError, DecodeOptions, DecoderProcess, FrameInfo, FrameKind, SitePattern, SurveyOptions,
    SurveyedFrame, printable,
};
use stack::{SensorLayout, StoredMosaic};
use std::fmt;
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicUsize, Ordering};
use std::sync::{Mutex, PoisonError};

/// Where the frames of a job come from.
#[derive(Clone, Debug, Default)]
pub struct Inputs {
    /// Lights, and whatever else is with them.
    pub lights: Vec<PathBuf>,
    /// Darks, whatever they look like.
    pub darks: Vec<PathBuf>,
    /// Flats, whatever they look like.
    pub flats: Vec<PathBuf>,
    /// Bias frames, whatever they look like.
    pub bias: Vec<PathBuf>,
    /// What tells a light.
    pub lights_by: LightsBy,
    /// Whether darks of another exposure are used.
    pub dark_scaling: DarkScaling,
    /// Where the result goes: what an earlier run left there is no input, and nothing
    /// else may be there.
    pub results: Option<PathBuf>,
}

/// What tells that a file given as a light is one.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum LightsBy {
    /// What it looks like: darks, flats and bias frames may be among the lights.
    #[default]
    Looks,
    /// Whoever gives it, and has looked at it among all others.
    Statement,
}

/// A decoded frame, waiting to be used.
#[derive(Clone, Debug)]
pub struct SessionFrame {
    /// What is known about it.
    pub frame: SurveyedFrame,
    /// What it is for.
    pub kind: FrameKind,
    /// Why it is taken for that.
    pub because: String,
    /// What the sensor recorded.
    pub mosaic: StoredMosaic,
    /// Levels and filters.
    pub layout: SensorLayout,
}

impl SessionFrame {
    /// The file.
    pub fn path(&self) -> &Path {
        &self.frame.info.path
    }

    /// How it was taken.
    pub(crate) fn taken(&self) -> Taken<'_> {
        Taken {
            info: &self.frame.info,
            size: self.frame.size,
            cfa: Some(&self.layout.cfa),
        }
    }
}

/// A master that was made elsewhere, of values that no sensor records.
#[derive(Clone, Debug)]
pub struct GivenMaster {
    /// What it is for.
    pub kind: FrameKind,
    /// What its file says.
    pub info: FrameInfo,
    /// The values, `[row, column]`.
    pub values: Array2<f32>,
}

/// An input that is not used.
#[derive(Clone, Debug)]
pub struct LeftOut {
    /// The file.
    pub path: PathBuf,
    /// Its frame, when it has one.
    pub frame: Option<Box<(SurveyedFrame, FrameKind)>>,
    /// What was found on it, when it was looked at as a light.
    pub poor: Option<Box<PoorLight>>,
    /// Why it is not used.
    pub reason: String,
}

impl fmt::Display for LeftOut {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "left out: {}: {}", printable(&self.path), self.reason)
    }
}

impl LeftOut {
    fn unreadable(error: DecodeError) -> Self {
        Self {
            reason: error.fault.to_string(),
            path: error.path,
            frame: None,
            poor: None,
        }
    }

    /// A light that does not fit the others.
    pub(crate) fn poor(frame: SessionFrame, poor: PoorLight, reason: String) -> Self {
        Self {
            poor: Some(Box::new(poor)),
            ..Self::of(frame, reason)
        }
    }

    /// A master that does not fit.
    fn master(master: &GivenMaster, reason: String) -> Self {
        Self {
            path: master.info.path.clone(),
            frame: None,
            poor: None,
            reason,
        }
    }

    /// A readable frame that is not used.
    pub fn of(frame: SessionFrame, reason: String) -> Self {
        let path = frame.path().to_owned();
        Self {
            path,
            frame: Some(Box::new((frame.frame, frame.kind))),
            poor: None,
            reason,
        }
    }
}

/// The frames of a job, told apart.
#[derive(Clone, Debug, Default)]
pub struct Session {
    /// Lights of one camera, size, exposure and ISO, in the order they were taken.
    pub lights: Vec<SessionFrame>,
    /// Darks that fit them.
    pub darks: Vec<SessionFrame>,
    /// Flats that fit them.
    pub flats: Vec<SessionFrame>,
    /// Bias frames that fit them.
    pub bias: Vec<SessionFrame>,
    /// Masters that were made elsewhere and fit the lights, one of a kind.
    pub masters: Vec<GivenMaster>,
    /// What the dark signal is multiplied by for the exposure, where the darks have another.
    pub dark_scale: Option<f64>,
    /// Whether it may be.
    pub dark_scaling: DarkScaling,
    /// What is not used, each with its reason.
    pub left_out: Vec<LeftOut>,
    /// How the job stays within its memory; there when there are frames.
    pub(crate) plan: Option<MemoryPlan>,
    /// SHA-256 over the digests of all files, in ascending order: what went in, by
    /// content.
    pub digest: String,
}

/// How files are read: foreign decoders run in this very program, started anew.
pub fn decode_options() -> DecodeOptions {
    let decoder_process = std::env::current_exe().ok().map(DecoderProcess::new);
    DecodeOptions {
        decoder_process,
        ..DecodeOptions::default()
    }
}

/// Reads every input once and tells what it is for.
///
/// # Errors
///
/// When an input does not exist, when the budget is too small or scratch data cannot be
/// written, or when there is no light among the inputs.
pub fn gather(
    inputs: &Inputs,
    budget: &MemoryBudget,
    progress: &dyn Progress,
) -> Result<Session, JobError> {
    let light = match inputs.lights_by {
        LightsBy::Looks => None,
        LightsBy::Statement => Some(FrameKind::Light),
    };
    let groups = [
        (&inputs.lights, light),
        (&inputs.darks, Some(FrameKind::Dark)),
        (&inputs.flats, Some(FrameKind::Flat)),
        (&inputs.bias, Some(FrameKind::Bias)),
    ];
    let mut files: Vec<(PathBuf, Option<FrameKind>)> = Vec::new();
    let mut session = Session::default();
    let results = inputs
        .results
        .as_deref()
        .and_then(|dir| dir.canonicalize().ok());
    for (paths, kind) in groups {
        let mut list = raw::collect_files(paths);
        if let Some(results) = &results {
            list.files.retain(|file| !is_earlier_result(file, results));
            if list.files.iter().any(|file| lies_in(file, results)) {
                return Err(JobError::AmongOriginals(results.clone()));
            }
        }
        for unreadable in list.unreadable {
            if paths.contains(&unreadable.path) {
                let problem = unreadable.source.to_string();
                return Err(JobError::Input {
                    path: unreadable.path,
                    problem,
                });
            }
            let reason = format!("cannot be read: {}", unreadable.source);
            session.left_out.push(LeftOut {
                path: unreadable.path,
                frame: None,
                reason,
                poor: None,
            });
        }
        // A folder of darks inside the folder of lights is found twice; what was said
        // about its kind counts.
        for path in list.files {
            match files.iter_mut().find(|(known, _)| *known == path) {
                Some(known) => known.1 = kind.or(known.1),
                None => files.push((path, kind)),
            }
        }
    }
    files.sort();
    let frames = read(&files, budget, &mut session, progress)?;
    let (looked_at, readable) = (files.len(), frames.len());
    session.dark_scaling = inputs.dark_scaling;
    session.sort_out(frames, inputs.dark_scaling);
    if session.lights.is_empty() {
        return Err(JobError::NoLights {
            looked_at,
            readable,
            left_out: session.left_out,
        });
    }
    session.check_dark_scaling()?;
    Ok(session)
}

fn lies_in(file: &Path, dir: &Path) -> bool {
    let folder = file.parent().and_then(|parent| parent.canonicalize().ok());
    folder.is_some_and(|folder| folder == dir)
}

fn is_earlier_result(file: &Path, results: &Path) -> bool {
    result_names::names(file) && lies_in(file, results)
}

/// Decodes all files into the store; what cannot be read is left out.
fn read(
    files: &[(PathBuf, Option<FrameKind>)],
    budget: &MemoryBudget,
    session: &mut Session,
    progress: &dyn Progress,
) -> Result<Vec<SessionFrame>, JobError> {
    let paths: Vec<PathBuf> = files.iter().map(|(path, _)| path.clone()).collect();
    let options = SurveyOptions {
        decode: decode_options(),
        threads: budget.threads,
    };
    progress.stage("reading frames", paths.len());
    let done = AtomicUsize::new(0);
    let intake = Mutex::new(Intake::new(budget, paths.len(), progress));
    let survey = raw::survey_with(&paths, &options, |i, frame| {
        let mut intake = intake.lock().unwrap_or_else(PoisonError::into_inner);
        let go_on = intake.take(i, frame);
        progress.advance(done.fetch_add(1, Ordering::Relaxed) + 1);
        go_on
    });
    let intake = intake.into_inner().unwrap_or_else(PoisonError::into_inner);
    let (stored, plan) = intake.finish()?;
    session.plan = plan;
    let survey = survey.expect("it is stopped by errors alone");
    session.digest = digest(&paths);
    let mut frames = Vec::with_capacity(stored.len());
    let mut stored = stored.into_iter();
    let first_of = |i: usize| {
        let same = survey.duplicates.iter().find(|same| same.contains(&i))?;
        (same[0] != i).then(|| printable(&paths[same[0]]))
    };
    for (i, (file, (_, stated))) in survey.files.into_iter().zip(files).enumerate() {
        match file.outcome {
            Ok((frame, verdict)) => {
                let stored = stored.next().expect("every readable frame was stored");
                let (kind, because) = match stated {
                    Some(kind) => (*kind, "given as such".to_owned()),
                    None => (verdict.kind, verdict.because),
                };
                let frame = SessionFrame {
                    frame,
                    kind,
                    because,
                    mosaic: stored.mosaic,
                    layout: stored.layout,
                };
                match first_of(i).filter(|_| kind == FrameKind::Light) {
                    Some(first) => {
                        let reason = format!("holds the same exposure as {first}");
                        session.left_out.push(LeftOut::of(frame, reason));
                    }
                    None => frames.push(frame),
                }
            }
            Err(error) => {
                // A master is made of numbers that no sensor records.
                let master = stated
                    .filter(|&kind| kind != FrameKind::Light)
                    .and_then(|kind| {
                        let plane = raw::read_plane(&error.path, &options.decode).ok()?;
                        Some(GivenMaster {
                            kind,
                            info: plane.info,
                            values: plane.values,
                        })
                    });
                match master {
                    Some(master) => session.masters.push(master),
                    None => session.left_out.push(LeftOut::unreadable(error)),
                }
            }
        }
    }
    Ok(frames)
}

impl Session {
    /// Finds the lights that are most, and the calibration frames that fit them.
    fn sort_out(&mut self, frames: Vec<SessionFrame>, scaling: DarkScaling) {
        let (lights, others): (Vec<_>, Vec<_>) = frames
            .into_iter()
            .partition(|frame| frame.kind == FrameKind::Light);
        let Some(model) = most_common(&lights) else {
            self.left_out.extend(others.into_iter().map(|frame| {
                let reason = format!("a {} without lights to calibrate", frame.kind.name());
                LeftOut::of(frame, reason)
            }));
            let masters = self.masters.drain(..).map(|master| {
                let reason = format!("a {} without lights to calibrate", master.kind.name());
                LeftOut::master(&master, reason)
            });
            self.left_out.extend(masters);
            return;
        };
        for light in lights {
            match light_mismatch(light.taken(), model.taken()) {
                None => self.lights.push(light),
                Some(reason) => self.left_out.push(LeftOut::of(light, reason)),
            }
        }
        self.lights.sort_by(|a, b| {
            let time =
                |frame: &SessionFrame| frame.frame.info.captured.map(|captured| captured.local);
            time(a).cmp(&time(b)).then_with(|| a.path().cmp(b.path()))
        });
        self.choose_masters(&model, scaling);
        for frame in others {
            let kind = frame.kind;
            let mismatch = calibration_mismatch(frame.taken(), kind, model.taken(), scaling);
            let mismatch = mismatch.or_else(|| {
                let given = self.masters.iter().any(|master| master.kind == kind);
                given.then(|| format!("a master {} was given", kind.name()))
            });
            match mismatch {
                Some(reason) => self.left_out.push(LeftOut::of(frame, reason)),
                None => match kind {
                    FrameKind::Dark => self.darks.push(frame),
                    FrameKind::Flat => self.flats.push(frame),
                    FrameKind::Bias | FrameKind::Light => self.bias.push(frame),
                },
            }
        }
        let (darks, others) = of_one_exposure(std::mem::take(&mut self.darks), &model);
        self.darks = darks;
        let reason = "another exposure than the darks that are used";
        let others = others.into_iter();
        let others = others.map(|dark| LeftOut::of(dark, reason.to_owned()));
        self.left_out.extend(others);
        self.dark_scale = self.find_dark_scale();
        self.level_blacks();
    }

    /// Keeps one master of a kind that fits the lights.
    fn choose_masters(&mut self, model: &SessionFrame, scaling: DarkScaling) {
        let mut chosen: Vec<GivenMaster> = Vec::new();
        for master in std::mem::take(&mut self.masters) {
            let mismatch = master_mismatch(&master, model, scaling).or_else(|| {
                let other = chosen.iter().any(|other| other.kind == master.kind);
                other.then(|| format!("another master {} is used", master.kind.name()))
            });
            match mismatch {
                Some(reason) => self.left_out.push(LeftOut::master(&master, reason)),
                None => chosen.push(master),
            }
        }
        self.masters = chosen;
    }

    /// Notes with every frame by how much its black level lies above the first light's.
    fn level_blacks(&mut self) {
        let Some(first) = self.lights.first() else {
            return;
        };
        let model = first.layout.black_level_dn.clone();
        let frames = [
            &mut self.lights,
            &mut self.darks,
            &mut self.flats,
            &mut self.bias,
        ];
        for frame in frames.into_iter().flatten() {
            let own = &frame.layout.black_level_dn;
            let (width, height) = (own.width() * model.width(), own.height() * model.height());
            let offsets = (0..width * height)
                .map(|i| (i / width, i % width))
                .map(|(row, col)| own.at(row, col) - model.at(row, col));
            let offsets = SitePattern::new(width, offsets.collect()).expect("whole rows");
            frame.mosaic = frame.mosaic.clone().with_black_offset(offsets);
        }
    }

    /// A master of a kind that was made elsewhere.
    pub(crate) fn master(&self, kind: FrameKind) -> Option<&GivenMaster> {
        self.masters.iter().find(|master| master.kind == kind)
    }

    fn find_dark_scale(&self) -> Option<f64> {
        let (lights, darks) = self.lights_and_darks();
        dark_scale(&lights, &darks)
    }

    /// Temperatures of lights and darks, °C, where both are stated and differ.
    pub(crate) fn other_temperature(&self) -> Option<(f64, f64)> {
        let (lights, darks) = self.lights_and_darks();
        other_temperature(&lights, &darks)
    }

    fn lights_and_darks(&self) -> (Vec<&FrameInfo>, Vec<&FrameInfo>) {
        let lights = self.lights.iter().map(|f| &f.frame.info).collect();
        let darks = self.darks.iter().map(|f| &f.frame.info);
        let master = self.master(FrameKind::Dark).map(|master| &master.info);
        (lights, darks.chain(master).collect())
    }

    /// A file of the darks, or of their master.
    pub(crate) fn a_dark(&self) -> Option<&Path> {
        let (_, darks) = self.lights_and_darks();
        darks.first().map(|info| info.path.as_path())
    }

    fn check_dark_scaling(&self) -> Result<(), JobError> {
        let bias = !self.bias.is_empty() || self.master(FrameKind::Bias).is_some();
        match self.dark_scale {
            Some(factor) if !bias => Err(JobError::DarkScaling { factor }),
            _ if bias || self.dark_scaling == DarkScaling::Never => Ok(()),
            _ => match (self.other_temperature(), self.a_dark()) {
                (Some((lights_c, darks_c)), Some(dark)) => Err(JobError::DarkTemperature {
                    dark: dark.to_owned(),
                    darks_c,
                    lights_c,
                    problem: "there are no bias frames".to_owned(),
                }),
                _ => Ok(()),
            },
        }
    }
}
