//! `night.json`: many sessions, and what became of each.

use crate::frame::FrameKind;
use crate::layout;
use crate::report::ReportError;
use serde::{Deserialize, Serialize};

/// Version of the file's structure.
pub const NIGHT_SCHEMA_VERSION: u32 = 1;

/// What became of every session under a folder.
///
/// Two runs on the same input give the same bytes, however often they were interrupted.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Night {
    /// [`NIGHT_SCHEMA_VERSION`].
    pub schema_version: u32,
    /// Version of the program that wrote it.
    pub version: String,
    /// The folder that was searched.
    pub root: String,
    /// The sessions, in the order they were taken.
    pub sessions: Vec<NightSession>,
    /// Files that cannot be used, each with its reason.
    pub left_out: Vec<NightFault>,
    /// Entries of the settings file that change nothing, each with its reason.
    #[serde(default)]
    pub idle_settings: Vec<NightFault>,
    /// Folders of frames that no session needs, or that are to be skipped.
    pub unused: Vec<NightFault>,
    /// Finished results of sessions that are no longer there as they were, by their folder.
    pub older: Vec<String>,
}

/// One session.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct NightSession {
    /// Its name, and that of its folder.
    pub id: String,
    /// What became of it.
    pub state: SessionState,
    /// Why it is not done; `None` when it is.
    pub reason: Option<String>,
    /// Folders of its lights, from the root.
    pub folders: Vec<String>,
    /// Folders in which the same lights lie again.
    pub also_in: Vec<String>,
    /// Maker and model.
    pub camera: Option<String>,
    /// Width of a light, px.
    pub width: u32,
    /// Height of a light, px.
    pub height: u32,
    /// Exposure of a light, s.
    pub exposure_s: Option<f64>,
    /// Sensitivity setting.
    pub iso: Option<u32>,
    /// When the first light was taken, on the camera's clock.
    pub first: Option<String>,
    /// When the last light was taken.
    pub last: Option<String>,
    /// Lights found.
    pub lights: u32,
    /// What calibrates them, and why.
    pub calibration: Vec<NightCalibration>,
    /// What the reader should know.
    pub notes: Vec<String>,
    /// What came of it; `None` when there is no result.
    pub result: Option<NightResult>,
    /// Its log, from the folder of the index; `None` where there is none.
    #[serde(default)]
    pub log: Option<String>,
}

/// What became of a session.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum SessionState {
    /// Not yet.
    #[default]
    Waiting,
    /// Its result is there.
    Done,
    /// It came to no result.
    Failed,
}

/// Calibration frames of one kind, chosen for a session.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct NightCalibration {
    /// Their kind.
    pub kind: Option<FrameKind>,
    /// How many are given to the stack; 0 when none fit.
    pub frames: u32,
    /// Their folder, from the root; `None` when none fit.
    pub folder: Option<String>,
    /// Why these, or why none.
    pub because: String,
}

/// The result of a session.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct NightResult {
    /// What came out, in one line.
    pub headline: String,
    /// Lights in the stack.
    pub frames_used: u32,
    /// Ideal frames it is worth; `None` where that could not be measured.
    pub effective_frames: Option<f64>,
    /// Inputs that were not used, each with its reason.
    pub left_out: Vec<NightFault>,
    /// Warnings of its report: what is the case, and what to do.
    pub warnings: Vec<String>,
    /// The files in its folder.
    pub files: Vec<NightFile>,
}

/// A file of a result.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct NightFile {
    /// Its name.
    pub name: String,
    /// Its length and digest; of the report, those of one whose times and memory are empty.
    pub content: Option<NightContent>,
}

/// What is in a file.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct NightContent {
    /// Length, bytes.
    pub bytes: u64,
    /// SHA-256, in hexadecimal.
    pub sha256: String,
}

/// A file that was not used.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct NightFault {
    /// The file or folder.
    pub file: String,
    /// Why it was not used.
    pub reason: String,
}

/// `job.json`: a session as it was done.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct SessionRecord {
    /// [`NIGHT_SCHEMA_VERSION`].
    pub schema_version: u32,
    /// SHA-256 over the contents of all inputs, the settings and the version: where it is
    /// equal the result is.
    pub key: String,
    /// The settings, as text.
    pub settings: String,
    /// Version of the program that did it.
    pub version: String,
    /// The session.
    pub session: NightSession,
}

impl Night {
    /// Files that were not used, in sessions that are done and beside them.
    pub fn files_left_out(&self) -> usize {
        let results = self.sessions.iter().filter_map(|s| s.result.as_ref());
        let in_results: usize = results.map(|result| result.left_out.len()).sum();
        self.left_out.len() + in_results
    }

    /// All that keeps the night from being whole: files that were not used, sessions without
    /// a result, and settings that change nothing.
    pub fn shortfalls(&self) -> usize {
        let without = self.sessions.iter().filter(|s| s.result.is_none()).count();
        self.files_left_out() + without + self.idle_settings.len()
    }

    /// The bytes of the file, as [`Report::to_json`](crate::Report::to_json) writes them.
    pub fn to_json(&self) -> Vec<u8> {
        layout::to_json(self)
    }

    /// The night that `bytes` hold.
    ///
    /// # Errors
    ///
    /// [`ReportError`].
    pub fn from_json(bytes: &[u8]) -> Result<Self, ReportError> {
        Ok(serde_json::from_slice(bytes)?)
    }
}

impl SessionRecord {
    /// The bytes of the file, as [`Report::to_json`](crate::Report::to_json) writes them.
    pub fn to_json(&self) -> Vec<u8> {
        layout::to_json(self)
    }

    /// The record that `bytes` hold.
    ///
    /// # Errors
    ///
    /// [`ReportError`].
    pub fn from_json(bytes: &[u8]) -> Result<Self, ReportError> {
        Ok(serde_json::from_slice(bytes)?)
    }
}
