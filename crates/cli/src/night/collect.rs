//! The index over all sessions, from what is there.

use super::NightJob;
use super::place::{Place, record};
use super::plan::{NightPlan, SessionPlan};
use crate::JobError;
use export::{AtomicFile, Overwrite};
use report::{NIGHT_SCHEMA_VERSION, Night, NightFault, NightSession, SessionState};
use std::path::Path;

/// The file of the index.
pub(crate) const NIGHT: &str = "night.json";
/// The page of the index.
pub(crate) const INDEX: &str = "index.html";

/// What became of the sessions of `plan`.
pub(crate) fn collect(plan: &NightPlan, root: &Path, place: &Place) -> Night {
    let mut night = plan.as_night(root);
    night.sessions = plan
        .sessions
        .iter()
        .map(|plan| state(plan, place))
        .collect();
    night.older = older(&night, place);
    night
}

/// Results that are not those of a session in the index.
fn older(night: &Night, place: &Place) -> Vec<String> {
    let current = |id: &String| {
        let mut sessions = night.sessions.iter();
        sessions.any(|session| session.id == *id && session.state == SessionState::Done)
    };
    let mut finished = place.finished();
    finished.retain(|id| !current(id));
    finished
}

/// What became of the sessions, by a list that was made for other settings or by none: a
/// result of other settings than those of `job` is not what was asked for.
pub(crate) fn collect_unlisted(kept: Option<&NightPlan>, job: &NightJob, place: &Place) -> Night {
    let mut night = match kept {
        Some(plan) => collect(plan, &job.root, place),
        None => all_there(&job.root, place),
    };
    for session in &mut night.sessions {
        if session.result.is_some() && !is_as_asked(session, job, place) {
            session.state = SessionState::Waiting;
            session.result = None;
            session.reason = Some(
                "its result was made with other settings, or by another version: collect with \
                 the settings it was made with, or do it again"
                    .to_owned(),
            );
        }
    }
    night.older = older(&night, place);
    let reason = match kept {
        Some(_) => {
            "the list of sessions was made for another root or other settings, or by another version"
        }
        None => "there is no list of sessions, so that one that was never begun is not known",
    };
    night.left_out.push(NightFault {
        file: report::file_name(&place.plan()),
        reason: format!("{reason}: list them again with --list-jobs"),
    });
    night
}

/// Whether the result of a session was made with the settings of `job`.
fn is_as_asked(session: &NightSession, job: &NightJob, place: &Place) -> bool {
    let folder = session.folders.first().map_or("", String::as_str);
    let settings = job.settings(&job.choices.of(Path::new(folder)));
    record(&place.done(&session.id)).is_some_and(|record| {
        record.settings == settings && record.version == env!("CARGO_PKG_VERSION")
    })
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

/// All sessions that were begun and ended.
fn all_there(root: &Path, place: &Place) -> Night {
    let (finished, failed) = (place.finished(), place.without_result());
    let done = finished.iter().filter_map(|id| record(&place.done(id)));
    let failed = failed.iter().filter(|id| !finished.contains(id));
    let failed = failed.filter_map(|id| record(&place.failed(id)));
    let records = done.chain(failed);
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
