//! A plan as a file, so that the job of one session need not look at all the others.

use super::NightJob;
use super::choices::Choice;
use super::place::Place;
use super::plan::NightPlan;
use super::pointing::KnownTurns;
use super::session_plan::SessionPlan;
use crate::JobError;
use export::{AtomicFile, Overwrite};
use raw::FrameKind;
use report::{NightFault, NightSession};
use serde::{Deserialize, Serialize};
use std::path::{Path, PathBuf};

#[derive(Serialize, Deserialize)]
struct PlanFile {
    version: String,
    /// The root and the settings it was made for.
    root: String,
    settings: String,
    sessions: Vec<PlannedSession>,
    left_out: Vec<NightFault>,
    idle_settings: Vec<NightFault>,
    unused: Vec<NightFault>,
    skipped: usize,
    looked_at: usize,
    turns: KnownTurns,
}

#[derive(Serialize, Deserialize)]
struct PlannedSession {
    session: NightSession,
    key: String,
    input_digest: String,
    choice: Choice,
    lights: Vec<String>,
    darks: Vec<String>,
    flats: Vec<String>,
    bias: Vec<String>,
}

/// Keeps the plan of a job.
pub(crate) fn save(plan: &NightPlan, job: &NightJob, place: &Place) -> Result<(), JobError> {
    let file = PlanFile {
        version: env!("CARGO_PKG_VERSION").to_owned(),
        root: encode(&job.root),
        settings: settings(job),
        sessions: plan.sessions.iter().map(PlannedSession::of).collect(),
        left_out: plan.left_out.clone(),
        idle_settings: plan.idle_settings.clone(),
        unused: plan.unused.clone(),
        skipped: plan.skipped,
        looked_at: plan.looked_at,
        turns: plan.turns.clone(),
    };
    let bytes = serde_json::to_vec(&file)?;
    Ok(AtomicFile::write_whole(
        &place.plan(),
        &bytes,
        Overwrite::Yes,
    )?)
}

fn read(place: &Place) -> Option<PlanFile> {
    let bytes = std::fs::read(place.plan()).ok()?;
    serde_json::from_slice(&bytes).ok()
}

/// What an earlier plan of this version knows of turns of the camera, whatever it was for.
pub(crate) fn known_turns(place: &Place) -> KnownTurns {
    let file = read(place).filter(|file| file.version == env!("CARGO_PKG_VERSION"));
    file.map(|file| file.turns).unwrap_or_default()
}

/// A plan that was kept.
pub(crate) struct Kept {
    pub plan: NightPlan,
    /// Whether it is of this root, these settings and this version.
    pub fits: bool,
}

/// The plan that was kept, for whatever settings.
pub(crate) fn kept(job: &NightJob, place: &Place) -> Option<Kept> {
    let file = read(place)?;
    let fits = file.root == encode(&job.root)
        && file.settings == settings(job)
        && file.version == env!("CARGO_PKG_VERSION");
    let sessions = file.sessions.into_iter().map(PlannedSession::plan);
    let plan = NightPlan {
        sessions: sessions.collect(),
        left_out: file.left_out,
        idle_settings: file.idle_settings,
        unused: file.unused,
        skipped: file.skipped,
        looked_at: file.looked_at,
        turns: file.turns,
    };
    Some(Kept { plan, fits })
}

/// The plan that was kept, where it is of this root, these settings and this version.
pub(crate) fn load(job: &NightJob, place: &Place) -> Option<NightPlan> {
    kept(job, place)
        .filter(|kept| kept.fits)
        .map(|kept| kept.plan)
}

/// All that a plan depends on beside the files.
fn settings(job: &NightJob) -> String {
    let common = job.settings(&Choice::default());
    format!("{common} {:?} {}", job.choices.entries(), job.gap_s)
}

impl PlannedSession {
    fn of(plan: &SessionPlan) -> Self {
        let files = |kind| plan.of_kind(kind).iter().map(|path| encode(path)).collect();
        Self {
            session: plan.session.clone(),
            key: plan.key.clone(),
            input_digest: plan.input_digest.clone(),
            choice: plan.choice.clone(),
            lights: files(FrameKind::Light),
            darks: files(FrameKind::Dark),
            flats: files(FrameKind::Flat),
            bias: files(FrameKind::Bias),
        }
    }

    fn plan(self) -> SessionPlan {
        let kinds = [
            (FrameKind::Light, self.lights),
            (FrameKind::Dark, self.darks),
            (FrameKind::Flat, self.flats),
            (FrameKind::Bias, self.bias),
        ];
        let paths = |files: Vec<String>| files.iter().map(|text| decode(text)).collect();
        SessionPlan {
            session: self.session,
            key: self.key,
            input_digest: self.input_digest,
            choice: self.choice,
            files: kinds.map(|(kind, files)| (kind, paths(files))).into(),
            // Only who looks at everything knows, and says so.
            hopeless: false,
        }
    }
}

/// A path as text from which it can be had again, whatever its bytes: percent-encoding of
/// what is not plain (RFC 3986).
fn encode(path: &Path) -> String {
    let bytes = path.as_os_str().as_encoded_bytes().iter();
    let encoded = bytes.map(|&byte| match byte {
        b'%' | 0..=0x20 | 0x7f.. => format!("%{byte:02X}"),
        plain => char::from(plain).to_string(),
    });
    encoded.collect()
}

fn decode(text: &str) -> PathBuf {
    let mut bytes = Vec::with_capacity(text.len());
    let mut rest = text.as_bytes();
    while let Some((&first, after)) = rest.split_first() {
        let coded = (first == b'%').then(|| after.get(..2)).flatten();
        let byte =
            coded.and_then(|digits| u8::from_str_radix(std::str::from_utf8(digits).ok()?, 16).ok());
        match byte {
            Some(byte) => {
                bytes.push(byte);
                rest = &after[2..];
            }
            None => {
                bytes.push(first);
                rest = after;
            }
        }
    }
    from_bytes(bytes)
}

#[cfg(unix)]
fn from_bytes(bytes: Vec<u8>) -> PathBuf {
    use std::os::unix::ffi::OsStringExt;
    std::ffi::OsString::from_vec(bytes).into()
}

#[cfg(not(unix))]
fn from_bytes(bytes: Vec<u8>) -> PathBuf {
    String::from_utf8_lossy(&bytes).into_owned().into()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn paths_come_back() {
        for path in [
            "night/N 0001.dng",
            "50 %/a\nb",
            "nuit étoilée/夜.fits",
            "%41",
            "",
        ] {
            assert_eq!(decode(&encode(Path::new(path))), Path::new(path));
        }
        assert_eq!(encode(Path::new("a b%")), "a%20b%25");
    }

    #[cfg(unix)]
    #[test]
    fn bytes_that_are_no_text_come_back() {
        use std::os::unix::ffi::OsStrExt;
        let path = Path::new(std::ffi::OsStr::from_bytes(b"n\xff\n.dng"));
        assert_eq!(encode(path), "n%FF%0A.dng");
        assert_eq!(decode(&encode(path)), path);
    }
}
