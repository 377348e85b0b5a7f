//! The index over all sessions, from what is there.

use super::place::{Place, record};
use super::plan::{NightPlan, SessionPlan};
use crate::JobError;
use export::{AtomicFile, Overwrite};
use report::{NIGHT_SCHEMA_VERSION, Night, NightSession, SessionState};
use std::path::Path;

/// The file of the index.
pub(crate) const NIGHT: &str = "night.json";
/// The page of the index.
pub(crate) const INDEX: &str = "index.html";

/// What became of the sessions of `plan`; without one, of all that are there.
pub(crate) fn collect(plan: Option<&NightPlan>, root: &Path, place: &Place) -> Night {
    let Some(plan) = plan else {
        return all_there(root, place);
    };
    let mut night = plan.as_night(root);
    night.sessions = plan
        .sessions
        .iter()
        .map(|plan| state(plan, place))
        .collect();
    let current = |id: &String| {
        let mut sessions = night.sessions.iter();
        sessions.any(|session| session.id == *id && session.state == SessionState::Done)
    };
    night.older = place
        .finished()
        .into_iter()
        .filter(|id| !current(id))
        .collect();
    night
}

/// What became of one session.
fn state(plan: &SessionPlan, place: &Place) -> NightSession {
    let id = &plan.session.id;
    let of_these = |folder: &Path| record(folder).filter(|record| record.key == plan.key);
    let waiting = || NightSession {
        reason: Some("not done yet".to_owned()),
        ..plan.session.clone()
    };
    match of_these(&place.done(id)).or_else(|| of_these(&place.failed(id))) {
        // What is known beforehand is of the frames as they lie now.
        Some(record) => NightSession {
            state: record.session.state,
            reason: record.session.reason,
            result: record.session.result,
            ..plan.session.clone()
        },
        None => waiting(),
    }
}

fn all_there(root: &Path, place: &Place) -> Night {
    let finished = place.finished();
    let records = finished.iter().filter_map(|id| record(&place.done(id)));
    let mut sessions: Vec<NightSession> = records.map(|record| record.session).collect();
    sessions.sort_by(|a, b| (&a.first, &a.id).cmp(&(&b.first, &b.id)));
    Night {
        schema_version: NIGHT_SCHEMA_VERSION,
        version: env!("CARGO_PKG_VERSION").to_owned(),
        root: report::file_name(root),
        sessions,
        ..Night::default()
    }
}

/// Writes the index, each file whole or not at all.
pub(crate) fn write(night: &Night, place: &Place) -> Result<(), JobError> {
    let json = place.dir().join(NIGHT);
    let page = place.dir().join(INDEX);
    AtomicFile::write_whole(&json, &night.to_json(), Overwrite::Yes)?;
    AtomicFile::write_whole(&page, report::night_page(night).as_bytes(), Overwrite::Yes)?;
    Ok(())
}
