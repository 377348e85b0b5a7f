//! The index over all sessions, from what is there.

use super::NightJob;
use super::kept::{Look, record_of, spoiled};
use super::place::{Place, record};
use super::plan::NightPlan;
use super::session_plan::SessionPlan;
use crate::JobError;
use export::{AtomicFile, Overwrite};
use report::{NIGHT_SCHEMA_VERSION, Night, NightFault, NightSession, SessionRecord, SessionState};
use std::path::Path;

/// The file of the index.
pub(crate) const NIGHT: &str = "night.json";
/// The page of the index.
pub(crate) const INDEX: &str = "index.html";

/// What became of the sessions of `plan`, whose results are looked at as closely as is asked.
pub(crate) fn collect(plan: &NightPlan, root: &Path, place: &Place, look: Look) -> Night {
    let mut night = plan.as_night(root);
    let states = plan.sessions.iter().map(|plan| state(plan, place, look));
    night.sessions = states.collect();
    night.older = older(plan, place);
    night
}

/// Results of other frames or settings than those of `plan`.
fn older(plan: &NightPlan, place: &Place) -> Vec<String> {
    let is_current = |id: &String| {
        let mut sessions = plan.sessions.iter();
        sessions.any(|plan| plan.session.id == *id && record_of(plan, &place.done(id)).is_some())
    };
    let mut finished = place.finished();
    finished.retain(|id| !is_current(id));
    finished
}

/// What became of the sessions, by a list that was made for other settings or by none: a
/// result of other settings than those of `job` is not what was asked for.
pub(crate) fn collect_unlisted(kept: Option<&NightPlan>, job: &NightJob, place: &Place) -> Night {
    let mut night = match kept {
        Some(plan) => collect(plan, &job.root, place, Look::Contents),
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
            night.older.push(session.id.clone());
        }
    }
    night.older.sort();
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
    let folders = session.folders.iter().chain(&session.also_in);
    let folders: Vec<&Path> = folders.map(Path::new).collect();
    let settings = job.settings(&job.choices.of(&folders));
    record(&place.done(&session.id)).is_some_and(|record| {
        record.settings == settings && record.version == env!("CARGO_PKG_VERSION")
    })
}

/// What became of one session.
fn state(plan: &SessionPlan, place: &Place, look: Look) -> NightSession {
    let id = &plan.session.id;
    let folder = place.done(id);
    let done = record_of(plan, &folder).map(|record| checked(record, &folder, look));
    match done.or_else(|| Some(record_of(plan, &place.failed(id))?.session)) {
        // What is known beforehand is of the frames as they lie now.
        Some(found) => NightSession {
            state: found.state,
            reason: found.reason,
            result: found.result,
            log: place.log(id, found.state),
            ..plan.session.clone()
        },
        None => NightSession {
            reason: Some("not done yet".to_owned()),
            ..plan.session.clone()
        },
    }
}

/// A session that was done; one whose result is no longer whole waits to be done again.
fn checked(record: SessionRecord, folder: &Path, look: Look) -> NightSession {
    match spoiled(folder, &record, look) {
        None => record.session,
        Some(name) => NightSession {
            state: SessionState::Waiting,
            reason: Some(format!(
                "{name} of its result is missing or not as it was made: do it again"
            )),
            result: None,
            ..record.session
        },
    }
}

/// All sessions that were begun and ended.
fn all_there(root: &Path, place: &Place) -> Night {
    let (finished, failed) = (place.finished(), place.without_result());
    let done = finished.iter().filter_map(|id| {
        let folder = place.done(id);
        let session = checked(record(&folder)?, &folder, Look::Contents);
        Some(NightSession {
            log: place.log(id, session.state),
            ..session
        })
    });
    let failed = failed.iter().filter(|id| !finished.contains(id));
    let failed = failed.filter_map(|id| {
        Some(NightSession {
            log: place.log(id, SessionState::Failed),
            ..record(&place.failed(id))?.session
        })
    });
    let mut sessions: Vec<NightSession> = done.chain(failed).collect();
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
