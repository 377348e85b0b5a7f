//! One session: made in a hidden folder, and put in its place when it is whole.

use super::NightJob;
use super::kept::{Look, content_of, is_finished};
use super::lock::NoLock;
use super::place::{LOG, Place, RECORD};
use super::plan::from_root;
use super::session_plan::SessionPlan;
use super::watch::{Ended, NightEvent, NightWatch, Stages};
use crate::{JobError, ResultFolder, StackJob};
use export::{AtomicFile, Overwrite};
use report::{
    NIGHT_SCHEMA_VERSION, NightFault, NightFile, NightResult, NightSession, Report, SessionRecord,
    SessionState, calibration_choice,
};
use std::any::Any;
use std::io;
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::path::Path;
use std::time::Instant;

/// Does a session that is not done yet; what goes wrong with it stays with it.
pub(crate) fn attempt(
    plan: &SessionPlan,
    job: &NightJob,
    place: &Place,
    watch: &dyn NightWatch,
) -> Ended {
    let id = &plan.session.id;
    let _lock = match place.lock_session(id) {
        Ok(lock) => lock,
        Err(NoLock::Held { holder, .. }) => return Ended::Elsewhere(holder),
        Err(NoLock::Io(error)) => return Ended::Failed(unwritable(place, &error)),
    };
    let recovered = place.recover(id);
    if is_finished(plan, place, Look::Contents) {
        // What is left of an earlier one does no harm beside it.
        place.forget_failure(id);
        return Ended::Kept;
    }
    if let Err(leftover) = recovered {
        return Ended::Failed(leftover.to_string());
    }
    let mut log = Log::new(plan);
    let made = catch_unwind(AssertUnwindSafe(|| make(plan, job, place, &mut log, watch)));
    let made = made.unwrap_or_else(|panic| Err(format!("internal error: {}", said(&*panic))));
    match made.and_then(|result| finish(plan, job, place, &mut log, watch, result)) {
        Ok(headline) => Ended::Made(headline),
        Err(reason) => {
            log.line(&format!("failed: {reason}"));
            // The reason is told in any case; it is kept where the disk allows.
            let _ = keep_failure(plan, job, place, log, &reason);
            Ended::Failed(reason)
        }
    }
}

/// Stacks the lights into the hidden folder.
fn make(
    plan: &SessionPlan,
    job: &NightJob,
    place: &Place,
    log: &mut Log,
    watch: &dyn NightWatch,
) -> Result<NightResult, String> {
    let stack = StackJob {
        inputs: plan.inputs(&job.stack.inputs),
        ..job.stack(&plan.choice)
    };
    let explain = |error: JobError| explain(&error);
    let stages = Stages::new(watch);
    let outcome = stack.run(&stages);
    log.lines(&stages.into_log());
    let mut outcome = outcome.map_err(|error| {
        for left_out in error.left_out() {
            log.line(&left_out.to_string());
        }
        explain(error)
    })?;
    if outcome.digest != plan.input_digest {
        return Err("its files changed while they were read: run the same again".to_owned());
    }
    let part = place.part(&plan.session.id);
    let folder = ResultFolder::prepare(&part, &job.formats, Overwrite::No).map_err(explain)?;
    let report = folder.write(&stack, &mut outcome).map_err(explain)?;
    let left_out = outcome.left_out.iter().map(|left_out| {
        log.line(&left_out.to_string());
        NightFault {
            file: from_root(&left_out.path, &job.root),
            reason: left_out.reason.clone(),
        }
    });
    let left_out = left_out.collect();
    let files = files(&part, &folder.names()).map_err(|error| unwritable(place, &error))?;
    Ok(result(&report, left_out, files, log))
}

fn result(
    report: &Report,
    left_out: Vec<NightFault>,
    files: Vec<NightFile>,
    log: &mut Log,
) -> NightResult {
    let warnings = report.warnings.iter();
    let warnings: Vec<String> = warnings
        .map(|warning| format!("{}; {}", warning.text, warning.advice))
        .collect();
    for warning in &warnings {
        log.line(&format!("note: {warning}"));
    }
    let summary = &report.noise.summary;
    let effective_frames = Some(summary.effective_frames).filter(|frames| frames.is_finite());
    NightResult {
        headline: report::headline(report),
        frames_used: summary.frames_used,
        effective_frames,
        left_out,
        warnings,
        files,
    }
}

/// The files of a result with what is in them.
fn files(folder: &Path, names: &[&str]) -> io::Result<Vec<NightFile>> {
    let file = |name: &&str| -> io::Result<NightFile> {
        Ok(NightFile {
            content: Some(content_of(&folder.join(name))?),
            name: (*name).to_owned(),
        })
    };
    names.iter().map(file).collect()
}

/// Writes down what was done, and puts the folder in its place.
fn finish(
    plan: &SessionPlan,
    job: &NightJob,
    place: &Place,
    log: &mut Log,
    watch: &dyn NightWatch,
    result: NightResult,
) -> Result<String, String> {
    let id = &plan.session.id;
    let headline = result.headline.clone();
    log.line(&headline);
    let session = NightSession {
        state: SessionState::Done,
        result: Some(result),
        ..plan.session.clone()
    };
    write_down(plan, job, place, log, session).map_err(|error| explain(&error))?;
    let put = place.put(id, &place.done(id));
    if let Some(leftover) = put.map_err(|error| unwritable(place, &error))? {
        watch.hear(&NightEvent::Note(&leftover.to_string()));
    }
    place.forget_failure(id);
    Ok(headline)
}

/// Keeps the reason and the log of a failure; an earlier result stays as it is.
fn keep_failure(
    plan: &SessionPlan,
    job: &NightJob,
    place: &Place,
    log: Log,
    reason: &str,
) -> Result<(), JobError> {
    let id = &plan.session.id;
    let failed = |source| JobError::OutputFolder {
        path: place.failed(id),
        source,
    };
    let recovered = place.recover(id);
    recovered.map_err(|leftover| failed(io::Error::other(leftover)))?;
    std::fs::create_dir_all(place.part(id)).map_err(failed)?;
    let session = NightSession {
        state: SessionState::Failed,
        reason: Some(reason.to_owned()),
        ..plan.session.clone()
    };
    write_down(plan, job, place, &log, session)?;
    place.put(id, &place.failed(id)).map_err(failed)?;
    Ok(())
}

/// Writes the log, and then the record, which says that all is there.
fn write_down(
    plan: &SessionPlan,
    job: &NightJob,
    place: &Place,
    log: &Log,
    session: NightSession,
) -> Result<(), JobError> {
    let part = place.part(&plan.session.id);
    let record = SessionRecord {
        schema_version: NIGHT_SCHEMA_VERSION,
        key: plan.key.clone(),
        settings: job.settings(&plan.choice),
        version: env!("CARGO_PKG_VERSION").to_owned(),
        session,
    };
    AtomicFile::write_whole(&part.join(LOG), log.text().as_bytes(), Overwrite::No)?;
    AtomicFile::write_whole(&part.join(RECORD), &record.to_json(), Overwrite::No)?;
    Ok(())
}

/// What happened, for whoever wants to know why.
struct Log {
    text: String,
    begun: Instant,
}

impl Log {
    fn new(plan: &SessionPlan) -> Self {
        let session = &plan.session;
        let mut log = Self {
            text: String::new(),
            begun: Instant::now(),
        };
        let version = env!("CARGO_PKG_VERSION");
        log.line(&format!("radicand {version}: {}", session.id));
        log.line(&format!("begun {}", jiff::Timestamp::now()));
        for (kind, files) in &plan.files {
            for file in files {
                log.line(&format!("{}: {}", kind.name(), raw::printable(file)));
            }
        }
        for choice in &session.calibration {
            log.line(&raw::printable(calibration_choice(choice).as_ref()));
        }
        for note in &session.notes {
            log.line(&format!("note: {}", raw::printable(note.as_ref())));
        }
        log
    }

    fn line(&mut self, line: &str) {
        self.text.push_str(line);
        self.text.push('\n');
    }

    fn lines(&mut self, lines: &str) {
        self.text.push_str(lines);
    }

    fn text(&self) -> String {
        let seconds = self.begun.elapsed().as_secs_f64();
        let now = jiff::Timestamp::now();
        format!("{}ended {now}, after {seconds:.1} s\n", self.text)
    }
}

/// An error in one line, with its causes, the first reasons behind it, and the way out.
pub(crate) fn explain(error: &JobError) -> String {
    const MOST_REASONS: usize = 3;
    let mut text = error.to_string();
    let mut cause = std::error::Error::source(error);
    while let Some(source) = cause {
        let because = source.to_string();
        // Some errors quote their cause.
        if !text.contains(&because) {
            text.push_str(&format!(": {because}"));
        }
        cause = source.source();
    }
    for left_out in error.left_out().iter().take(MOST_REASONS) {
        text.push_str(&format!("; {left_out}"));
    }
    match error.hint() {
        Some(hint) => format!("{text}; {hint}"),
        None => text,
    }
}

fn unwritable(place: &Place, error: &io::Error) -> String {
    let dir = raw::printable(place.dir());
    format!("{dir}: cannot be written: {error}; make room, or choose another folder with -o")
}

/// What a panic says.
pub(crate) fn said(panic: &(dyn Any + Send)) -> &str {
    let text = panic.downcast_ref::<String>().map(String::as_str);
    text.or(panic.downcast_ref::<&str>().copied())
        .unwrap_or("no reason given")
}
