//! One session to be done: its name, its frames, and what its result depends on.

use super::NightJob;
use super::choices::Choice;
use super::discover::{FoundFrame, FrameSet, clock_note};
use super::pairing::Paired;
use super::plan::from_root;
use crate::content::{ContentDigest, hex, joint_digest};
use crate::reporting::capture_text;
use crate::{Inputs, LightsBy};
use raw::FrameKind;
use report::{NightCalibration, NightSession};
use sha2::{Digest, Sha256};
use std::path::{Path, PathBuf};

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
    /// Whether no stars were seen in it when everything was looked at.
    pub(crate) hopeless: bool,
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

/// The session of a set of lights, with what was chosen to calibrate it.
pub(crate) fn session(
    set: &FrameSet,
    paired: &[Paired],
    job: &NightJob,
    choice: Choice,
) -> SessionPlan {
    let sets = [(FrameKind::Light, Some(set))].into_iter();
    let sets = sets.chain(paired.iter().map(|paired| (paired.kind, paired.set)));
    let by_kind: Vec<(FrameKind, &FrameSet)> =
        sets.filter_map(|(kind, set)| Some((kind, set?))).collect();
    let paths = |set: &FrameSet| set.frames.iter().map(|frame| frame.path.clone()).collect();
    SessionPlan {
        session: description(set, paired, &job.root),
        key: key(&by_kind, &job.settings(&choice)),
        input_digest: joint_digest(by_kind.iter().flat_map(|(_, set)| digests(set)).collect()),
        files: by_kind
            .iter()
            .map(|(kind, set)| (*kind, paths(set)))
            .collect(),
        choice,
        hopeless: false,
    }
}

/// What is known of a session beforehand.
fn description(set: &FrameSet, paired: &[Paired], root: &Path) -> NightSession {
    let texts = |folders: Vec<&Path>| folders.iter().map(|path| from_root(path, root)).collect();
    let model = set.model();
    let captured = |frame: &FoundFrame| frame.info.captured.as_ref().map(capture_text);
    let (width, height) = model.size;
    NightSession {
        id: id(set),
        folders: texts(set.folders()),
        also_in: texts(set.copy_folders()),
        camera: model.info.camera.clone(),
        width: width as u32,
        height: height as u32,
        exposure_s: model.info.exposure_s,
        iso: model.info.iso,
        first: set.frames.first().and_then(captured),
        last: set.frames.last().and_then(captured),
        lights: set.frames.len() as u32,
        calibration: paired
            .iter()
            .map(|paired| calibration(paired, root))
            .collect(),
        notes: notes(set, root),
        ..NightSession::default()
    }
}

/// What the reader should know of a set.
fn notes(set: &FrameSet, root: &Path) -> Vec<String> {
    let joined = |paths: Vec<&Path>, with: &str| {
        let texts = paths.into_iter().map(|path| match from_root(path, root) {
            here if here == "." => "the root itself".to_owned(),
            there => there,
        });
        let texts: Vec<String> = texts.collect();
        (!texts.is_empty()).then(|| texts.join(with))
    };
    let again = joined(set.copy_folders(), " and in ")
        .map(|folders| format!("the same frames lie in {folders} again: they are done once"));
    let copies = joined(set.own_copies(), ", ")
        .map(|files| format!("copies of other frames in the same folder, used once: {files}"));
    let mut notes = set.notes.clone();
    notes.extend([again, copies, clock_note(set, root)].into_iter().flatten());
    notes
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
}
