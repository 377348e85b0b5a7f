//! Every frame under a folder, each content once, in sets of what was taken together.

use super::plan::from_root;
use super::pointing::stated_turn_deg;
use super::remedy;
use super::watch::{NightEvent, NightWatch};
use crate::content::{ContentDigest, file_digest};
use crate::fitting::{Taken, exposure_mismatch, iso_mismatch, sensor_mismatch};
use crate::memory_plan::MemoryBudget;
use crate::result_names::{self, REPORT};
use crate::{JobError, decode_options};
use raw::{Cfa, FrameInfo, FrameKind, Reading, SurveyOptions};
use rayon::prelude::*;
use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicUsize, Ordering};

/// A frame, and where else it lies.
#[derive(Clone, Debug)]
pub(crate) struct FoundFrame {
    /// The first file of this content, by path.
    pub path: PathBuf,
    /// Other files of the same content.
    pub copies: Vec<PathBuf>,
    pub digest: ContentDigest,
    pub info: FrameInfo,
    /// Width and height, px.
    pub size: (usize, usize),
    /// Filters; `None` of a master that was made elsewhere.
    pub cfa: Option<Cfa>,
    pub kind: FrameKind,
    /// Whether there are spots in it that may be stars.
    pub may_have_stars: bool,
}

impl FoundFrame {
    /// How it was taken.
    pub fn taken(&self) -> Taken<'_> {
        Taken {
            info: &self.info,
            size: self.size,
            cfa: self.cfa.as_ref(),
        }
    }

    fn folder(&self) -> &Path {
        self.path.parent().unwrap_or(Path::new(""))
    }

    fn is_master(&self) -> bool {
        self.cfa.is_none()
    }
}

/// Frames of one kind that were taken together, in the order of their times.
#[derive(Clone, Debug)]
pub(crate) struct FrameSet {
    /// One or more.
    pub frames: Vec<FoundFrame>,
    /// Why it begins or ends where it does, beside folders, settings and pauses.
    pub notes: Vec<String>,
}

impl FrameSet {
    /// The first frame, which stands for all.
    pub fn model(&self) -> &FoundFrame {
        &self.frames[0]
    }

    /// The frames' folders, each once.
    pub fn folders(&self) -> Vec<&Path> {
        distinct(self.frames.iter().map(FoundFrame::folder))
    }

    fn has_copies(&self) -> bool {
        self.frames.iter().any(|frame| !frame.copies.is_empty())
    }

    /// Files that hold the same as another in the set's own folders.
    pub fn own_copies(&self) -> Vec<&Path> {
        let own = self.folders();
        let copies = self.frames.iter().flat_map(|frame| &frame.copies);
        let copies = copies.filter(|copy| copy.parent().is_some_and(|dir| own.contains(&dir)));
        copies.map(PathBuf::as_path).collect()
    }

    /// Every folder in which its frames lie, its own first.
    pub fn all_folders(&self) -> Vec<&Path> {
        [self.folders(), self.copy_folders()].concat()
    }

    /// The folders that hold all of it, be it as copies; its own where none does.
    pub fn whole_in(&self) -> Vec<&Path> {
        let mut whole = self.all_folders();
        whole.retain(|folder| self.lies_in(folder));
        match whole.is_empty() {
            true => self.folders(),
            false => whole,
        }
    }

    /// Whether every frame of it lies in `folder` or below, be it as a copy.
    pub fn lies_in(&self, folder: &Path) -> bool {
        self.frames.iter().all(|frame| {
            let mut paths = std::iter::once(&frame.path).chain(&frame.copies);
            paths.any(|path| path.starts_with(folder))
        })
    }

    /// Other folders in which its frames lie again.
    pub fn copy_folders(&self) -> Vec<&Path> {
        let own = self.folders();
        let copies = self.frames.iter().flat_map(|frame| &frame.copies);
        let folders = distinct(copies.filter_map(|copy| copy.parent()));
        let others = folders.into_iter().filter(|folder| !own.contains(folder));
        others.collect()
    }
}

fn distinct<'a>(folders: impl Iterator<Item = &'a Path>) -> Vec<&'a Path> {
    let mut distinct: Vec<&Path> = folders.collect();
    distinct.sort();
    distinct.dedup();
    distinct
}

/// What is under a folder.
#[derive(Debug, Default)]
pub(crate) struct Discovery {
    /// Sets of one kind each, in the order they were taken.
    pub sets: Vec<FrameSet>,
    /// What cannot be used, each with its reason.
    pub left_out: Vec<(PathBuf, String)>,
    /// Files looked at.
    pub looked_at: usize,
}

/// Reads every frame under `root` but those under `output`.
///
/// # Errors
///
/// When `root` cannot be listed, or `output` holds frames and is no earlier output.
pub(crate) fn discover(
    root: &Path,
    output: &Path,
    gap_s: f64,
    budget: &MemoryBudget,
    watch: &dyn NightWatch,
) -> Result<Discovery, JobError> {
    let list = raw::collect_files(&[root.to_owned()]);
    let mut left_out = Vec::new();
    for unreadable in list.unreadable {
        if unreadable.path == root {
            let problem = unreadable.source.to_string();
            let path = unreadable.path;
            return Err(JobError::Input { path, problem });
        }
        let reason = remedy::of_error(&unreadable.source);
        left_out.push((unreadable.path, reason));
    }
    let mut files = list.files;
    let output = output.canonicalize().ok();
    files.retain(|file| !lies_under(file, output.as_deref()) && !is_result(file));
    let looked_at = files.len();
    let unique = by_content(files, &mut left_out, watch);
    let frames = survey(unique, &mut left_out, budget, watch);
    left_out.sort();
    Ok(Discovery {
        sets: sets(frames, gap_s),
        left_out,
        looked_at,
    })
}

fn lies_under(file: &Path, folder: Option<&Path>) -> bool {
    let real = file.canonicalize().ok();
    folder.is_some_and(|folder| real.is_some_and(|real| real.starts_with(folder)))
}

/// Whether a file is of the result of an earlier job, which lies beside its report.
pub(crate) fn is_result(file: &Path) -> bool {
    result_names::names(file) && file.with_file_name(REPORT).is_file()
}

/// The files of one content.
struct Unique {
    digest: ContentDigest,
    paths: Vec<PathBuf>,
}

/// Files by content, in the order of the first path of each.
fn by_content(
    files: Vec<PathBuf>,
    left_out: &mut Vec<(PathBuf, String)>,
    watch: &dyn NightWatch,
) -> Vec<Unique> {
    let mut paths: BTreeMap<ContentDigest, Vec<PathBuf>> = BTreeMap::new();
    let digests = digests(&files, watch);
    for (path, digest) in files.into_iter().zip(digests) {
        match digest {
            Ok(digest) => paths.entry(digest).or_default().push(path),
            Err(reason) => left_out.push((path, reason)),
        }
    }
    let unique = paths.into_iter().map(|(digest, mut paths)| {
        paths.sort();
        Unique { digest, paths }
    });
    let mut unique: Vec<_> = unique.collect();
    unique.sort_by(|a, b| a.paths.cmp(&b.paths));
    unique
}

/// The digest of each file, or why it is no frame.
fn digests(files: &[PathBuf], watch: &dyn NightWatch) -> Vec<Result<ContentDigest, String>> {
    let options = decode_options();
    let digest = |path: &PathBuf| match raw::check_file(path, &options) {
        Ok(()) => file_digest(path).map_err(|error| remedy::of_error(&error)),
        // What is too long to be a frame is not read to its end for that.
        Err(error) => Err(remedy::of_fault(&error.fault)),
    };
    let (done, n_files) = (AtomicUsize::new(0), files.len());
    let tell = |done| {
        watch.hear(&NightEvent::Digests {
            done,
            files: n_files,
        });
    };
    tell(0);
    let told = |path| {
        let digest = digest(path);
        let done = done.fetch_add(1, Ordering::Relaxed) + 1;
        // The last one is told when all are done.
        if done < n_files {
            tell(done);
        }
        digest
    };
    let digests = files.par_iter().map(told).collect();
    tell(n_files);
    digests
}

/// Decodes one file of each content, and tells what it is.
fn survey(
    unique: Vec<Unique>,
    left_out: &mut Vec<(PathBuf, String)>,
    budget: &MemoryBudget,
    watch: &dyn NightWatch,
) -> Vec<FoundFrame> {
    let paths: Vec<PathBuf> = unique.iter().map(|one| one.paths[0].clone()).collect();
    let options = SurveyOptions {
        decode: decode_options(),
        threads: budget.threads,
    };
    let files = paths.len();
    watch.hear(&NightEvent::Survey { files });
    let done = AtomicUsize::new(0);
    let most_px = AtomicUsize::new(0);
    let survey = raw::survey_with(&paths, &options, |_, frame| {
        let px = frame.mosaic.data.len();
        let px = most_px.fetch_max(px, Ordering::Relaxed).max(px);
        let done = done.fetch_add(1, Ordering::Relaxed) + 1;
        watch.hear(&NightEvent::Surveyed { done, files });
        Reading::On {
            files_at_a_time: budget.files_at_a_time(px),
        }
    });
    let survey = survey.expect("nothing stops it");
    if done.into_inner() < files.max(1) {
        // What cannot be read was looked at as well.
        let done = files;
        watch.hear(&NightEvent::Surveyed { done, files });
    }
    let mut frames = Vec::new();
    for (mut one, file) in unique.into_iter().zip(survey.files) {
        let path = one.paths.remove(0);
        let mut may_have_stars = false;
        let (info, size, cfa, kind) = match file.outcome {
            Ok((frame, verdict)) => {
                may_have_stars = frame.stats.stars_per_mpx > 0.0;
                (frame.info, frame.size, Some(frame.cfa), verdict.kind)
            }
            Err(error) => match master(&path, &options) {
                Some((info, size, kind)) => (info, size, None, kind),
                None => {
                    let reason = remedy::of_fault(&error.fault);
                    let files = std::iter::once(path).chain(one.paths);
                    left_out.extend(files.map(|file| (file, reason.clone())));
                    continue;
                }
            },
        };
        frames.push(FoundFrame {
            path,
            copies: one.paths,
            digest: one.digest,
            info,
            size,
            cfa,
            kind,
            may_have_stars,
        });
    }
    frames
}

/// A master that was made elsewhere, of numbers that no sensor records; its file says what
/// it is.
fn master(path: &Path, options: &SurveyOptions) -> Option<(FrameInfo, (usize, usize), FrameKind)> {
    let plane = raw::read_plane(path, &options.decode).ok()?;
    let kind = plane.info.declared_kind?;
    let size = (plane.values.ncols(), plane.values.nrows());
    (kind != FrameKind::Light).then_some((plane.info, size, kind))
}

/// Puts frames into sets by folder, settings and gaps of time.
fn sets(mut frames: Vec<FoundFrame>, gap_s: f64) -> Vec<FrameSet> {
    frames.sort_by(|a, b| a.folder().cmp(b.folder()).then_with(|| in_time(a, b)));
    let mut sets: Vec<FrameSet> = Vec::new();
    // Sets of the folder at hand, to which frames may still be added.
    let mut open: Vec<usize> = Vec::new();
    for frame in frames {
        open.retain(|&i| sets[i].model().folder() == frame.folder());
        let own = |&&i: &&usize| {
            let last = sets[i].frames.last().expect("sets are not empty");
            alike(&frame, sets[i].model())
                && !apart(last, &frame, gap_s)
                && !is_turned(last, &frame)
        };
        match open.iter().find(own) {
            Some(&i) => sets[i].frames.push(frame),
            None => {
                open.push(sets.len());
                sets.push(FrameSet {
                    frames: vec![frame],
                    notes: Vec::new(),
                });
            }
        }
    }
    let mut sets = join_copies(sets);
    sort_by_time(&mut sets);
    sets
}

/// The order in which two frames were taken; by name where times do not tell.
pub(crate) fn in_time(a: &FoundFrame, b: &FoundFrame) -> std::cmp::Ordering {
    let time = |frame: &FoundFrame| frame.info.captured.map(|captured| captured.local);
    time(a).cmp(&time(b)).then_with(|| a.path.cmp(&b.path))
}

/// Puts sets in the order they were taken.
pub(crate) fn sort_by_time(sets: &mut [FrameSet]) {
    sets.sort_by(|a, b| in_time(a.model(), b.model()));
}

/// Whether by their headers the camera was turned between two lights.
fn is_turned(earlier: &FoundFrame, later: &FoundFrame) -> bool {
    later.kind == FrameKind::Light && stated_turn_deg(earlier, later).is_some()
}

/// Whether two frames of a folder belong to one set.
fn alike(a: &FoundFrame, b: &FoundFrame) -> bool {
    let (info, other) = (&a.info, &b.info);
    let same = |a: Option<f64>, b: Option<f64>| match (a, b) {
        // A zoom states its focal length roughly.
        (Some(a), Some(b)) => (a - b).abs() <= 0.02 * a.abs().max(b.abs()),
        _ => true,
    };
    let optics =
        || same(info.focal_length_mm, other.focal_length_mm) && same(info.aperture, other.aperture);
    let by_kind = match a.kind {
        FrameKind::Light => optics() && exposure_mismatch(info, other).is_none(),
        // The light for flats changes, and their exposure with it.
        FrameKind::Flat => optics(),
        FrameKind::Dark | FrameKind::Bias => exposure_mismatch(info, other).is_none(),
    };
    by_kind
        && a.kind == b.kind
        && !a.is_master()
        && !b.is_master()
        && sensor_mismatch(a.taken(), b.taken()).is_none()
        && iso_mismatch(info, other).is_none()
}

/// Whether between the end of one exposure and the start of the next lies a pause that
/// ends a session.
fn apart(earlier: &FoundFrame, later: &FoundFrame, gap_s: f64) -> bool {
    match (&earlier.info.captured, &later.info.captured) {
        (Some(a), Some(b)) => b.seconds_since(a) - earlier.info.exposure_s.unwrap_or(0.0) > gap_s,
        _ => false,
    }
}

/// Joins what is one set in two folders, each of which has copies of the other's frames and
/// perhaps more.
fn join_copies(sets: Vec<FrameSet>) -> Vec<FrameSet> {
    let mut joined: Vec<FrameSet> = Vec::new();
    for set in sets {
        let shares = |earlier: &&mut FrameSet| {
            let model = earlier.model();
            let has = |a: &FrameSet, b: &FrameSet| {
                let folders = a.copy_folders();
                folders.iter().any(|folder| b.folders().contains(folder))
            };
            let copied = earlier.has_copies() || set.has_copies();
            copied && alike(model, set.model()) && (has(earlier, &set) || has(&set, earlier))
        };
        match joined.iter_mut().find(shares) {
            Some(earlier) => {
                earlier.frames.extend(set.frames);
                earlier.frames.sort_by(in_time);
            }
            None => joined.push(set),
        }
    }
    joined
}

/// What the headers say of where the lights of a set were taken, where that divides it from
/// another of the same folder.
pub(crate) fn turn_note(set: &FrameSet, sets: &[FrameSet], root: &Path) -> Option<String> {
    let model = set.model();
    let turned = |other: &FrameSet| {
        let first = other.model();
        let near = first.folder() == model.folder() && alike(first, model);
        let degrees = stated_turn_deg(model, first).filter(|_| near && first.path != model.path)?;
        Some((degrees, from_root(&first.path, root)))
    };
    let (degrees, other) = sets.iter().find_map(turned)?;
    Some(format!(
        "by the headers the camera pointed {degrees:.1}° away from where it took {other}, which \
         is of another session"
    ))
}

/// What is odd about the times of a set: by the names of its files the clock runs backwards.
pub(crate) fn clock_note(set: &FrameSet, root: &Path) -> Option<String> {
    let [before, after] = backwards(set.frames.iter().collect())?;
    Some(format!(
        "the clock runs backwards from {} to {}, if their names tell the order: check the \
         camera's clock",
        from_root(&before.path, root),
        from_root(&after.path, root)
    ))
}

/// Whether by the names of its files a clock that jumped backwards divides a set from another
/// of the same folder.
pub(crate) fn jump_note(set: &FrameSet, sets: &[FrameSet], root: &Path) -> Option<String> {
    let model = set.model();
    let others = sets.iter().filter(|other| {
        let other = other.model();
        other.path != model.path && other.folder() == model.folder() && alike(other, model)
    });
    let own = |frame: &FoundFrame| set.frames.iter().any(|own| own.path == frame.path);
    let jump = |other: &FrameSet| {
        let pair = backwards(set.frames.iter().chain(&other.frames).collect())?;
        // Within one of the two it divides nothing.
        let between = own(pair[0]) != own(pair[1]);
        between.then(|| pair.map(|frame| from_root(&frame.path, root)))
    };
    let [before, after] = others.into_iter().find_map(jump)?;
    Some(format!(
        "the clock jumps backwards from {before} to {after}, if their names tell the order, and \
         divides what was taken together into two sessions: check the camera's clock, or allow \
         longer pauses with --gap"
    ))
}

/// The first two frames, by name, between which the clock runs backwards.
fn backwards(mut frames: Vec<&FoundFrame>) -> Option<[&FoundFrame; 2]> {
    frames.sort_by(|a, b| a.path.cmp(&b.path));
    let pairs = frames.windows(2).map(|pair| [pair[0], pair[1]]);
    pairs.into_iter().find(|[before, after]| {
        let times = (&before.info.captured, &after.info.captured);
        matches!(times, (Some(a), Some(b)) if b.seconds_since(a) < -a.resolution_s.max(b.resolution_s))
    })
}

#[cfg(test)]
mod tests;
