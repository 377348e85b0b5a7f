//! Whether a result is there as it was made.

use super::place::{Place, record};
use super::session_plan::SessionPlan;
use crate::content::{file_digest, hex};
use report::{NightContent, SessionRecord};
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

/// Whether the result of exactly these inputs is there, every file as it was made.
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
        !match (&file.content, there) {
            (Some(content), Some(bytes)) => content.bytes == bytes && holds(&path, content, look),
            // A report holds times, so that its content is not known; it is never empty.
            (None, Some(bytes)) => bytes > 0,
            (_, None) => false,
        }
    });
    spoiled.next().map(|file| file.name.clone())
}

fn holds(path: &Path, content: &NightContent, look: Look) -> bool {
    match look {
        Look::Lengths => true,
        Look::Contents => file_digest(path).is_ok_and(|digest| hex(&digest) == content.sha256),
    }
}
