//! Whether a result is there as it was made.

use super::place::{LOG, Place, record};
use super::session_plan::SessionPlan;
use crate::content::{file_digest, hex};
use crate::result_names::REPORT;
use report::{NightContent, Report, SessionRecord};
use sha2::{Digest, Sha256};
use std::io;
use std::path::Path;

/// How closely files are looked at.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Look {
    /// By their lengths: at once, and good for a guess.
    Lengths,
    /// By what is in them.
    Contents,
}

/// What a session's folder says of a result of exactly these inputs and settings, whether or
/// not its files are still there.
pub(crate) fn record_of(plan: &SessionPlan, folder: &Path) -> Option<SessionRecord> {
    record(folder).filter(|record| record.key == plan.key)
}

/// Whether the result of exactly these inputs is there, every file as it was made, as far as
/// `look` goes.
pub(crate) fn is_finished(plan: &SessionPlan, place: &Place, look: Look) -> bool {
    let folder = place.done(&plan.session.id);
    record_of(plan, &folder).is_some_and(|record| {
        record.session.result.is_some() && spoiled(&folder, &record, look).is_none()
    })
}

/// The first file of a result that is missing or not as it was made, by its name.
pub(crate) fn spoiled(folder: &Path, record: &SessionRecord, look: Look) -> Option<String> {
    let files = record
        .session
        .result
        .iter()
        .flat_map(|result| &result.files);
    let mut spoiled = files.filter(|file| {
        let path = folder.join(&file.name);
        let there = std::fs::metadata(&path).ok().map(|found| found.len());
        let Some(bytes) = there else { return true };
        match &file.content {
            // The length of a report changes with the times in it.
            Some(_) if look == Look::Lengths && file.name == REPORT => bytes == 0,
            Some(content) if look == Look::Lengths => content.bytes != bytes,
            Some(content) => content_of(&path).ok().as_ref() != Some(content),
            None => true,
        }
    });
    let log = || Some(LOG.to_owned()).filter(|log| !folder.join(log).is_file());
    spoiled.next().map(|file| file.name.clone()).or_else(log)
}

/// What is in a file of a result; of a report, what is in it beside times.
pub(crate) fn content_of(path: &Path) -> io::Result<NightContent> {
    if path.file_name() != Some(REPORT.as_ref()) {
        return Ok(NightContent {
            bytes: std::fs::metadata(path)?.len(),
            sha256: hex(&file_digest(path)?),
        });
    }
    let report = Report::from_json(&std::fs::read(path)?).map_err(io::Error::other)?;
    let timeless = report.without_times().to_json();
    Ok(NightContent {
        bytes: timeless.len() as u64,
        sha256: hex(&Sha256::digest(&timeless)),
    })
}
