//! What is to be done: the sessions, by name, with the frames that go into each.

use super::NightJob;
use super::choices::Choice;
use super::discover::{
    Discovery, FrameSet, clock_note, discover, jump_note, sort_by_time, turn_note, when,
};
use super::pairing::{Paired, pair};
use super::place::Place;
use super::plan_file;
use super::pointing::{KnownTurns, divide};
use super::watch::NightWatch;
use crate::content::{ContentDigest, hex, joint_digest};
use crate::reporting::capture_text;
use crate::{Inputs, JobError, LightsBy};
use raw::FrameKind;
use report::{NIGHT_SCHEMA_VERSION, Night, NightCalibration, NightFault, NightSession};
use sha2::{Digest, Sha256};
use std::collections::BTreeSet;
use std::path::{Path, PathBuf};

/// What is to be done.
#[derive(Clone, Debug, Default)]
pub struct NightPlan {
    /// The sessions, in the order they were taken.
    pub sessions: Vec<SessionPlan>,
    /// Files that cannot be used, each with its reason.
    pub left_out: Vec<NightFault>,
    /// Entries of the settings file that change nothing.
    pub idle_settings: Vec<NightFault>,
    /// Folders of frames that no session needs, or that are to be skipped.
    pub unused: Vec<NightFault>,
    /// Files looked at.
    pub looked_at: usize,
    /// Where the camera was turned, so that it need not be looked for again.
    pub(crate) turns: KnownTurns,
}

/// One session to be done.
#[derive(Clone, Debug)]
pub struct SessionPlan {
    /// What is known of it beforehand.
    pub session: NightSession,
    /// SHA-256 over all that its result depends on.
    pub key: String,
    /// Its files, by kind.
    pub files: Vec<(FrameKind, Vec<PathBuf>)>,
    /// SHA-256 over its files.
    pub input_digest: String,
    /// What is said of it alone.
    pub(crate) choice: Choice,
}

impl SessionPlan {
    /// Files of one kind.
    pub fn of_kind(&self, kind: FrameKind) -> Vec<PathBuf> {
        let mut files = self.files.iter();
        let found = files.find(|(own, _)| *own == kind);
        found.map(|(_, files)| files.clone()).unwrap_or_default()
    }

    /// Its inputs, for a stack whose files go to `results`.
    pub(crate) fn inputs(&self, model: &Inputs) -> Inputs {
        Inputs {
            lights: self.of_kind(FrameKind::Light),
            darks: self.of_kind(FrameKind::Dark),
            flats: self.of_kind(FrameKind::Flat),
            bias: self.of_kind(FrameKind::Bias),
            lights_by: LightsBy::Statement,
            dark_scaling: model.dark_scaling,
            results: None,
        }
    }

    /// All its files.
    pub fn count(&self) -> usize {
        self.files.iter().map(|(_, files)| files.len()).sum()
    }
}

impl NightPlan {
    /// Files that cannot be used, and settings that change nothing.
    pub(crate) fn n_left_out(&self) -> usize {
        self.left_out.len() + self.idle_settings.len()
    }

    /// Looks at everything under the job's root.
    ///
    /// # Errors
    ///
    /// When the root cannot be listed, the output holds originals, or the choices speak of a
    /// folder that is not there.
    pub fn of(job: &NightJob, watch: &dyn NightWatch) -> Result<Self, JobError> {
        job.choices.check_folders(&job.root)?;
        let budget = job.stack.memory_budget();
        let mut found = discover(&job.root, &job.output, job.gap_s, &budget, watch)?;
        let known = plan_file::known_turns(&Place::existing(&job.output));
        let turns;
        (found.sets, turns) = divide(found.sets, &known, watch);
        sort_by_time(&mut found.sets);
        let root = &job.root;
        let scaling = job.stack.inputs.dark_scaling;
        let mut used = BTreeSet::new();
        let mut sessions = Vec::new();
        let mut unused = Vec::new();
        let lights = |set: &&FrameSet| set.model().kind == FrameKind::Light;
        for set in found.sets.iter().filter(lights) {
            let choice = job.choices.of(relative(set.folders()[0], root));
            if choice.skips() {
                unused.push(idle(set, root, "that are to be skipped"));
                continue;
            }
            let paired = pair(set, &found.sets, scaling, root, &choice);
            let chosen = paired.iter().filter_map(|paired| paired.set);
            used.extend(chosen.map(|set| set.model().path.clone()));
            let mut plan = session(set, &paired, job, choice);
            plan.session.notes.extend(jump_note(set, &found.sets));
            plan.session.notes.extend(turn_note(set, &found.sets));
            sessions.push((when(set), plan));
        }
        for set in needless(&found, &used) {
            let choice = job.choices.of(relative(set.folders()[0], root));
            match is_called_light(set) {
                true if choice.skips() => unused.push(idle(set, root, "that are to be skipped")),
                true => sessions.push((when(set), starless(set, job, choice))),
                false => unused.push(idle(set, root, "that no session needs")),
            }
        }
        sessions.sort_by(|(a, _), (b, _)| a.cmp(b));
        let sessions: Vec<SessionPlan> = sessions.into_iter().map(|(_, plan)| plan).collect();
        let holds = |kind, folder: &Path| {
            let mut sets = found.sets.iter();
            sets.any(|set| {
                set.model().kind == kind && relative(set.folders()[0], root).starts_with(folder)
            })
        };
        Ok(Self {
            sessions,
            left_out: faults(&found, root),
            idle_settings: job.choices.idle(holds),
            unused,
            looked_at: found.looked_at,
            turns,
        })
    }

    /// The plan as a night of which nothing is done.
    pub(crate) fn as_night(&self, root: &Path) -> Night {
        Night {
            schema_version: NIGHT_SCHEMA_VERSION,
            version: env!("CARGO_PKG_VERSION").to_owned(),
            root: report::file_name(root),
            sessions: self
                .sessions
                .iter()
                .map(|plan| plan.session.clone())
                .collect(),
            left_out: self.left_out.clone(),
            idle_settings: self.idle_settings.clone(),
            unused: self.unused.clone(),
            older: Vec::new(),
        }
    }
}

fn faults(found: &Discovery, root: &Path) -> Vec<NightFault> {
    let fault = |(path, reason): &(PathBuf, String)| NightFault {
        file: from_root(path, root),
        reason: reason.clone(),
    };
    found.left_out.iter().map(fault).collect()
}

/// Calibration frames that were not chosen for any session.
fn needless<'a>(
    found: &'a Discovery,
    used: &'a BTreeSet<PathBuf>,
) -> impl Iterator<Item = &'a FrameSet> {
    found.sets.iter().filter(|set| {
        let model = set.model();
        model.kind != FrameKind::Light && !used.contains(&model.path)
    })
}

/// Whether the names of frames without stars say that they are lights.
fn is_called_light(set: &FrameSet) -> bool {
    let info = &set.model().info;
    info.declared_kind.is_none() && raw::kind_in_name(info) == Some(FrameKind::Light)
}

/// A session of lights, by their names, that were taken for something else: it comes to no
/// result, and says so.
fn starless(set: &FrameSet, job: &NightJob, choice: Choice) -> SessionPlan {
    let mut plan = session(set, &[], job, choice);
    plan.session.notes.push(format!(
        "of kind {} by their content though their name says light: no stars were found in them; \
         `radicand survey` says more",
        set.model().kind.name()
    ));
    plan
}

/// A set that is not used.
fn idle(set: &FrameSet, root: &Path, why: &str) -> NightFault {
    let kind = set.model().kind.name();
    NightFault {
        file: from_root(set.folders()[0], root),
        reason: format!("frames {why}: {} of kind {kind}", set.frames.len()),
    }
}

fn relative<'a>(path: &'a Path, root: &Path) -> &'a Path {
    path.strip_prefix(root).unwrap_or(path)
}

/// A path from the root, as text.
fn from_root(path: &Path, root: &Path) -> String {
    match path.strip_prefix(root) {
        Ok(rest) if rest == Path::new("") => ".".to_owned(),
        Ok(rest) => report::file_name(rest),
        Err(_) => report::file_name(path),
    }
}

fn session(set: &FrameSet, paired: &[Paired], job: &NightJob, choice: Choice) -> SessionPlan {
    let root = job.root.as_path();
    let texts = |folders: Vec<&Path>| folders.iter().map(|path| from_root(path, root)).collect();
    let model = set.model();
    let also_in: Vec<String> = texts(set.copy_folders());
    let mut notes = set.notes.clone();
    if !also_in.is_empty() {
        notes.push(format!(
            "the same frames lie in {} again: they are done once",
            also_in.join(" and in ")
        ));
    }
    let own_copies = set.own_copies();
    if !own_copies.is_empty() {
        notes.push(format!(
            "copies of other frames in the same folder, used once: {}",
            own_copies
                .iter()
                .map(|path| from_root(path, root))
                .collect::<Vec<_>>()
                .join(", ")
        ));
    }
    notes.extend(clock_note(set));
    let known =
        |frame: &super::discover::FoundFrame| frame.info.captured.as_ref().map(capture_text);
    let (width, height) = model.size;
    let session = NightSession {
        id: id(set),
        folders: texts(set.folders()),
        also_in,
        camera: model.info.camera.clone(),
        width: width as u32,
        height: height as u32,
        exposure_s: model.info.exposure_s,
        iso: model.info.iso,
        first: set.frames.first().and_then(known),
        last: set.frames.last().and_then(known),
        lights: set.frames.len() as u32,
        calibration: paired
            .iter()
            .map(|paired| calibration(paired, root))
            .collect(),
        notes,
        ..NightSession::default()
    };
    let sets = [(FrameKind::Light, Some(set))].into_iter();
    let sets = sets.chain(paired.iter().map(|paired| (paired.kind, paired.set)));
    let by_kind: Vec<(FrameKind, &FrameSet)> =
        sets.filter_map(|(kind, set)| Some((kind, set?))).collect();
    let paths = |set: &FrameSet| set.frames.iter().map(|frame| frame.path.clone()).collect();
    SessionPlan {
        key: key(&by_kind, &job.settings(&choice)),
        input_digest: joint_digest(by_kind.iter().flat_map(|(_, set)| digests(set)).collect()),
        files: by_kind
            .iter()
            .map(|(kind, set)| (*kind, paths(set)))
            .collect(),
        session,
        choice,
    }
}

fn calibration(paired: &Paired, root: &Path) -> NightCalibration {
    NightCalibration {
        kind: Some(match paired.kind {
            FrameKind::Light => report::FrameKind::Light,
            FrameKind::Dark => report::FrameKind::Dark,
            FrameKind::Flat => report::FrameKind::Flat,
            FrameKind::Bias => report::FrameKind::Bias,
        }),
        frames: paired.set.map_or(0, |set| set.frames.len() as u32),
        folder: paired.set.map(|set| from_root(set.folders()[0], root)),
        because: paired.because.clone(),
    }
}

fn digests(set: &FrameSet) -> Vec<ContentDigest> {
    set.frames.iter().map(|frame| frame.digest).collect()
}

/// What the result of a session depends on.
fn key(sets: &[(FrameKind, &FrameSet)], settings: &str) -> String {
    let mut hasher = Sha256::new();
    for (kind, set) in sets {
        hasher.update(kind.name());
        hasher.update(joint_digest(digests(set)));
    }
    hasher.update(settings);
    hasher.update(env!("CARGO_PKG_VERSION"));
    hex(&hasher.finalize())
}

/// A name that stays while frames are added: time of the first light, camera, and the
/// beginning of that light's digest.
fn id(set: &FrameSet) -> String {
    let first = set.model();
    let time = match &first.info.captured {
        Some(captured) => captured.local.strftime("%Y-%m-%d_%H%M%S").to_string(),
        None => "undated".to_owned(),
    };
    let camera = first.info.camera.as_deref().map(plain).unwrap_or_default();
    let camera = if camera.is_empty() { "camera" } else { &camera };
    const DIGEST_BYTES: usize = 5;
    format!("{time}_{camera}_{}", hex(&first.digest[..DIGEST_BYTES]))
}

/// A text as part of a file name: small letters, digits and hyphens.
fn plain(text: &str) -> String {
    const LONGEST: usize = 24;
    let kept = |c: char| {
        if c.is_ascii_alphanumeric() {
            c.to_ascii_lowercase()
        } else {
            '-'
        }
    };
    let plain: String = text.chars().map(kept).collect();
    let words: Vec<&str> = plain.split('-').filter(|word| !word.is_empty()).collect();
    let mut plain = words.join("-");
    plain.truncate(LONGEST);
    plain.trim_end_matches('-').to_owned()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn names_are_plain() {
        assert_eq!(plain("Lumholt N12"), "lumholt-n12");
        assert_eq!(
            plain("<script>alert('x')</script>"),
            "script-alert-x-script"
        );
        assert_eq!(plain("../../Ä\n"), "");
        assert_eq!(plain(&"ab ".repeat(20)).len(), 24 - 1);
    }

    #[test]
    fn paths_start_at_the_root() {
        let root = Path::new("nights");
        assert_eq!(from_root(Path::new("nights/a/b.dng"), root), "a/b.dng");
        assert_eq!(from_root(root, root), ".");
        assert_eq!(from_root(Path::new("else/b.dng"), root), "else/b.dng");
    }
}
