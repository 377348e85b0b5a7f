//! What is in a folder: every file read once, told apart and grouped.

use crate::classify::{Verdict, classify};
use crate::{
    Cfa, DecodeError, DecodeOptions, Frame, FrameInfo, FrameKind, FrameStats, Mosaic, decode,
};
use std::collections::BTreeMap;
use std::hash::{DefaultHasher, Hash, Hasher};
use std::path::PathBuf;
use std::sync::{Condvar, Mutex, MutexGuard, PoisonError};

mod collect;
pub use collect::{FileList, Ignored, Unreadable, collect_files};

/// How a survey is done.
#[derive(Clone, Debug, Default)]
pub struct SurveyOptions {
    /// How files are read.
    pub decode: DecodeOptions,
    /// Most files read at a time, which bounds the memory: each takes the file and its mosaic.
    /// Default 0: as many as the machine has cores.
    pub threads: usize,
}

/// How a survey goes on after a frame.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Reading {
    /// So many files are read at a time from now on, at least one and at most
    /// [`SurveyOptions::threads`].
    On {
        /// Files read at a time.
        files_at_a_time: usize,
    },
    /// No further file is read.
    Stop,
}

/// A surveyed set of files.
#[derive(Debug, Default)]
pub struct Survey {
    /// One entry for each file, in the order given.
    pub files: Vec<SurveyedFile>,
    /// The readable ones in groups of equal camera, size, exposure, ISO and kind.
    pub groups: Vec<SurveyGroup>,
    /// Readable files that hold the same values in every pixel, as no two noisy exposures do:
    /// indices into [`files`](Self::files), ascending, two or more to an entry.
    pub duplicates: Vec<Vec<usize>>,
}

/// One file and what came of it.
#[derive(Debug)]
pub struct SurveyedFile {
    /// The file.
    pub path: PathBuf,
    /// The frame without its pixels and its kind, or what is wrong with the file.
    pub outcome: Result<(SurveyedFrame, Verdict), DecodeError>,
}

/// A frame without its pixels.
#[derive(Clone, Debug)]
pub struct SurveyedFrame {
    /// How it was taken.
    pub info: FrameInfo,
    /// Width and height of the active area, px.
    pub size: (usize, usize),
    /// Filters.
    pub cfa: Cfa,
    /// Black level, DN, averaged over the sites.
    pub black_level_dn: f64,
    /// From black to white, DN, averaged over the sites.
    pub range_dn: f64,
    /// What it looks like.
    pub stats: FrameStats,
}

/// Frames that belong together.
#[derive(Clone, Debug, PartialEq)]
pub struct SurveyGroup {
    /// Maker and model.
    pub camera: Option<String>,
    /// Width and height of the active area, px.
    pub size: (usize, usize),
    /// Exposure, s.
    pub exposure_s: Option<f64>,
    /// Sensitivity setting.
    pub iso: Option<u32>,
    /// What the frames are for.
    pub kind: FrameKind,
    /// Indices into [`Survey::files`], ascending.
    pub files: Vec<usize>,
}

/// Reads every file once and tells what the frames are.
pub fn survey(files: &[PathBuf], options: &SurveyOptions) -> Survey {
    let all_at_once = Reading::On {
        files_at_a_time: usize::MAX,
    };
    survey_with(files, options, |_, _| all_at_once).expect("nothing stops it")
}

/// As [`survey`], and hands every decoded frame on, so that it need not be read again.
///
/// `keep` gets the index of the file and its frame, on the thread that read it, in no
/// particular order; while it works, that thread reads nothing. Files are read one by one up
/// to the first frame, since only then is known how large a frame is; `keep` says how many
/// are read at a time from then on. What is returned depends on the files alone; it is `None`
/// when `keep` stopped the reading.
pub fn survey_with(
    files: &[PathBuf],
    options: &SurveyOptions,
    keep: impl Fn(usize, Frame) -> Reading + Sync,
) -> Option<Survey> {
    let outcomes = in_parallel(files.len(), options.threads, |i| {
        match decode(&files[i], &options.decode) {
            Ok(frame) => {
                let surveyed = SurveyedFrame::of(&frame);
                let digest = digest(&frame.mosaic);
                (Ok((surveyed, digest)), Some(keep(i, frame)))
            }
            Err(error) => (Err(error), None),
        }
    })?;
    let digests = outcomes
        .iter()
        .map(|o| o.as_ref().ok().map(|(_, digest)| *digest));
    let duplicates = duplicates(digests);
    let outcomes = outcomes
        .into_iter()
        .map(|o| o.map(|(surveyed, _)| surveyed));
    let outcomes: Vec<_> = outcomes.collect();
    let readable: Vec<_> = outcomes.iter().filter_map(|o| o.as_ref().ok()).collect();
    let mut verdicts = classify(&readable).into_iter();
    let files = files
        .iter()
        .zip(outcomes)
        .map(|(path, outcome)| SurveyedFile {
            path: path.clone(),
            outcome: outcome.map(|frame| {
                let verdict = verdicts
                    .next()
                    .expect("one verdict for each readable frame");
                (frame, verdict)
            }),
        });
    let files: Vec<_> = files.collect();
    let groups = groups(&files);
    Some(Survey {
        files,
        groups,
        duplicates,
    })
}

impl SurveyedFrame {
    /// Looks at a frame.
    pub fn of(frame: &Frame) -> Self {
        let mosaic = &frame.mosaic;
        let mean = |values: &[f32]| {
            values.iter().map(|&v| f64::from(v)).sum::<f64>() / values.len().max(1) as f64
        };
        let black_level_dn = mean(mosaic.black_level_dn.values());
        Self {
            info: frame.info.clone(),
            size: mosaic.size(),
            cfa: mosaic.cfa.clone(),
            black_level_dn,
            range_dn: mean(mosaic.white_level_dn.values()) - black_level_dn,
            stats: FrameStats::of(mosaic),
        }
    }

    /// What a user should know about a readable frame, a line each.
    pub fn remarks(&self) -> Vec<String> {
        let mut remarks = Vec::new();
        let mut remark = |applies: bool, text: String| {
            if applies {
                remarks.push(text);
            }
        };
        let saturated_percent = 100.0 * self.stats.saturated;
        remark(
            self.info.exposure_s.is_none(),
            "states no exposure time".to_owned(),
        );
        remark(
            self.info.captured.is_none(),
            "states no capture time".to_owned(),
        );
        remark(self.info.camera.is_none(), "states no camera".to_owned());
        remark(
            saturated_percent >= 5.0,
            format!("{saturated_percent:.0} % of the pixels are saturated"),
        );
        remark(
            self.cfa == Cfa::mono() && self.looks_filtered(),
            "states no filters, but its pixels differ in a pattern of 2 x 2 as behind filters"
                .to_owned(),
        );
        remark(
            self.stats.noise_dn == 0.0,
            "neighboring pixels do not differ: no noise is recorded".to_owned(),
        );
        remarks
    }

    /// Whether the four sites of 2 x 2 see different amounts of light.
    fn looks_filtered(&self) -> bool {
        const LEAST_SHARE_OF_LEVEL: f64 = 0.05;
        const LEAST_DIFFERENCE_DN: f64 = 2.0;
        let difference_dn = self.stats.site_difference_dn;
        difference_dn > LEAST_DIFFERENCE_DN
            && difference_dn > LEAST_SHARE_OF_LEVEL * self.stats.level_dn
    }
}

/// What stands for the values of all pixels: equal ones have equal digests, and others
/// do by a chance of 1 in 2^64.
fn digest(mosaic: &Mosaic) -> u64 {
    let mut hasher = DefaultHasher::new();
    mosaic.data.hash(&mut hasher);
    hasher.finish()
}

/// Which of the files have the same digest, in the order of the first of each.
fn duplicates(digests: impl Iterator<Item = Option<u64>>) -> Vec<Vec<usize>> {
    let mut files: BTreeMap<u64, Vec<usize>> = BTreeMap::new();
    for (i, digest) in digests.enumerate() {
        if let Some(digest) = digest {
            files.entry(digest).or_default().push(i);
        }
    }
    let mut duplicates: Vec<_> = files.into_values().filter(|same| same.len() > 1).collect();
    duplicates.sort();
    duplicates
}

/// Groups in the order of camera, size, kind, exposure and ISO.
fn groups(files: &[SurveyedFile]) -> Vec<SurveyGroup> {
    let mut groups: BTreeMap<_, SurveyGroup> = BTreeMap::new();
    for (i, file) in files.iter().enumerate() {
        let Ok((frame, verdict)) = &file.outcome else {
            continue;
        };
        let info = &frame.info;
        let key = (
            info.camera.clone(),
            frame.size,
            verdict.kind,
            info.exposure_s.map(exposure_key),
            info.iso,
        );
        let group = groups.entry(key).or_insert_with(|| SurveyGroup {
            camera: info.camera.clone(),
            size: frame.size,
            exposure_s: info.exposure_s,
            iso: info.iso,
            kind: verdict.kind,
            files: Vec::new(),
        });
        group.files.push(i);
    }
    groups.into_values().collect()
}

/// Exposures are nominal: what agrees within a percent is one setting.
fn exposure_key(exposure_s: f64) -> i64 {
    const STEPS_PER_E_FOLD: f64 = 100.0;
    (exposure_s.max(1e-9).ln() * STEPS_PER_E_FOLD).round() as i64
}

/// `work(0..n)` on plain threads, results in order; `None` when an answer was to stop.
///
/// Each thread takes the next index when it is free and the last answer allows as many at a
/// time, so no more than that are in work; up to the first answer it is one.
fn in_parallel<T: Send>(
    n: usize,
    threads: usize,
    work: impl Fn(usize) -> (T, Option<Reading>) + Sync,
) -> Option<Vec<T>> {
    let threads = match threads {
        0 => std::thread::available_parallelism().map_or(1, usize::from),
        given => given,
    };
    let gate = Gate::default();
    let results = Mutex::new(Vec::with_capacity(n));
    std::thread::scope(|scope| {
        for _ in 0..threads.min(n) {
            scope.spawn(|| {
                while let Some(turn) = gate.enter(n) {
                    let (result, answer) = work(turn.index);
                    let mut results = results.lock().unwrap_or_else(PoisonError::into_inner);
                    results.push((turn.index, result));
                    drop(results);
                    turn.answer(answer);
                }
            });
        }
    });
    let mut results = results.into_inner().unwrap_or_else(PoisonError::into_inner);
    results.sort_by_key(|(i, _)| *i);
    let finished = results.len() == n;
    finished.then(|| results.into_iter().map(|(_, result)| result).collect())
}

/// Lets so many threads at a time through to the next index.
struct Gate {
    state: Mutex<GateState>,
    changed: Condvar,
}

struct GateState {
    next: usize,
    in_work: usize,
    at_a_time: usize,
    stopped: bool,
}

impl Default for Gate {
    fn default() -> Self {
        let state = GateState {
            next: 0,
            in_work: 0,
            at_a_time: 1,
            stopped: false,
        };
        Self {
            state: Mutex::new(state),
            changed: Condvar::new(),
        }
    }
}

impl Gate {
    /// The next index below `n`, when its turn has come; `None` when there is no more.
    fn enter(&self, n: usize) -> Option<Turn<'_>> {
        let state = self.lock();
        let waits = |state: &mut GateState| {
            state.in_work >= state.at_a_time && state.next < n && !state.stopped
        };
        let waited = self.changed.wait_while(state, waits);
        let mut state = waited.unwrap_or_else(PoisonError::into_inner);
        if state.next >= n || state.stopped {
            return None;
        }
        state.next += 1;
        state.in_work += 1;
        Some(Turn {
            index: state.next - 1,
            gate: self,
        })
    }

    fn lock(&self) -> MutexGuard<'_, GateState> {
        self.state.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

/// An index in work; its end, also by a panic, lets the next one in.
struct Turn<'a> {
    index: usize,
    gate: &'a Gate,
}

impl Turn<'_> {
    fn answer(self, answer: Option<Reading>) {
        let mut state = self.gate.lock();
        match answer {
            Some(Reading::On { files_at_a_time }) => state.at_a_time = files_at_a_time.max(1),
            Some(Reading::Stop) => state.stopped = true,
            None => {}
        }
    }
}

impl Drop for Turn<'_> {
    fn drop(&mut self) {
        self.gate.lock().in_work -= 1;
        self.gate.changed.notify_all();
    }
}
