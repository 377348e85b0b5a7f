//! `radicand night`: every session under a folder.

use super::{Console, Done};
use crate::JobError;
use crate::night::{Ended, NightEvent, NightJob, NightPlan, NightWatch, SessionPlan, span};
use crate::night_args::NightArgs;
use crate::progress::{Bar, Progress};
use report::{NightFault, NightSession, calibration_choice, night_summary, session_description};
use serde_json::{Value, json};
use std::sync::Mutex;

mod jobs;

pub(super) fn run(args: &NightArgs, console: &Console) -> Result<Done, JobError> {
    let Some(threads) = args.picture.threads.map(usize::from) else {
        return run_as_asked(args, console);
    };
    let pool = rayon::ThreadPoolBuilder::new().num_threads(threads).build();
    pool.map_err(|_| JobError::Threads(threads))?
        .install(|| run_as_asked(args, console))
}

fn run_as_asked(args: &NightArgs, console: &Console) -> Result<Done, JobError> {
    let job = args.job()?;
    let watch = ConsoleWatch::new(console);
    if args.dry_run {
        return dry_run(&job, &watch, console);
    }
    if args.list_jobs {
        let plan = job.keep_plan(&watch)?;
        drop(watch);
        return jobs::list(&plan, console);
    }
    if let Some(id) = &args.session {
        let outcome = job.run_session(id, &watch)?;
        complain_of(&outcome.left_out, &[], console);
        return match outcome.ended {
            Ended::Failed(_) => Err(JobError::NothingDone { sessions: 1 }),
            Ended::Elsewhere(_) => Ok(Done::Partly),
            Ended::Made(_) | Ended::Kept => Ok(Done::given(outcome.left_out.len())),
        };
    }
    if args.collect {
        let night = job.collect(&watch)?;
        drop(watch);
        complain_of(&night.left_out, &night.idle_settings, console);
        for session in &night.sessions {
            if let Some(reason) = &session.reason {
                console.complain(&format!("left out: {}: {}", session.id, printable(reason)));
            }
        }
        console.say(&night_summary(&night));
        console.emit(&line(
            &json!({ "event": "collected", "summary": night_summary(&night) }),
        ));
        return Ok(Done::given(crate::night::left_out(&night)));
    }
    let outcome = job.run(&watch)?;
    drop(watch);
    let night = &outcome.night;
    complain_of(&night.left_out, &night.idle_settings, console);
    let text = night_summary(night);
    console.say(&text);
    console.say(&format!(
        "Look at {}",
        job.output.join("index.html").display()
    ));
    console.emit(&line(&json!({ "event": "ended", "summary": text })));
    Ok(Done::given(crate::night::left_out(night)))
}

/// Names the files that are left out, and the settings that change nothing.
fn complain_of(left_out: &[NightFault], idle_settings: &[NightFault], console: &Console) {
    for NightFault { file, reason } in left_out.iter().chain(idle_settings) {
        console.complain(&format!("left out: {}: {reason}", printable(file)));
    }
}

fn printable(text: &str) -> String {
    raw::printable(text.as_ref())
}

/// Says what would be done.
fn dry_run(job: &NightJob, watch: &ConsoleWatch, console: &Console) -> Result<Done, JobError> {
    let plan = job.plan(watch)?;
    watch.clear();
    let speed = job.speed(&plan);
    let (mut seconds, mut disk_bytes) = (0.0, 0);
    for session in &plan.sessions {
        let finished = job.is_finished(session);
        let estimate = job.estimate(session, &speed);
        console.say(&describe(session, finished));
        if !finished {
            seconds += estimate.seconds;
            disk_bytes += estimate.disk_bytes;
            console.say(&format!(
                "  takes roughly {}, {} of memory, {} on the disk, {} of scratch data",
                span(estimate.seconds),
                size(estimate.memory_bytes),
                size(estimate.disk_bytes),
                size(estimate.scratch_bytes),
            ));
        }
        console.emit(&line(&json!({
            "event": "planned",
            "session": session.session,
            "finished": finished,
            "seconds": estimate.seconds,
            "memory_bytes": estimate.memory_bytes,
            "disk_bytes": estimate.disk_bytes,
            "scratch_bytes": estimate.scratch_bytes,
        })));
    }
    say_unused(&plan, console);
    console.say(&format!(
        "{}; what is to be done takes roughly {} and {} on the disk",
        match plan.sessions.len() {
            1 => "1 session".to_owned(),
            n => format!("{n} sessions"),
        },
        span(seconds),
        size(disk_bytes)
    ));
    Ok(Done::given(plan.n_left_out()))
}

fn say_unused(plan: &NightPlan, console: &Console) {
    for fault in &plan.unused {
        console.say(&format!("{}: {}", printable(&fault.file), fault.reason));
    }
    complain_of(&plan.left_out, &plan.idle_settings, console);
}

fn describe(plan: &SessionPlan, finished: bool) -> String {
    let session = &plan.session;
    let state = if finished {
        "done already"
    } else {
        "to be done"
    };
    let mut text = format!("{} ({state}): {}", session.id, described(session));
    for choice in &session.calibration {
        text += &format!("\n  {}", printable(&calibration_choice(choice)));
    }
    for note in &session.notes {
        text += &format!("\n  note: {}", printable(note));
    }
    text
}

fn described(session: &NightSession) -> String {
    printable(&session_description(session))
}

/// A number of bytes, for people; binary units, as `--memory` has them.
fn size(bytes: u64) -> String {
    const MIB: f64 = 1024.0 * 1024.0;
    let mib = bytes as f64 / MIB;
    match mib < 1024.0 {
        true => format!("{mib:.0} MiB"),
        false => format!("{:.1} GiB", mib / 1024.0),
    }
}

/// One event on a line of its own.
fn line(event: &Value) -> Vec<u8> {
    format!("{event}\n").into_bytes()
}

/// Tells people and programs how a night goes on.
struct ConsoleWatch<'a> {
    console: &'a Console,
    bar: Mutex<Option<Bar>>,
}

impl<'a> ConsoleWatch<'a> {
    fn new(console: &'a Console) -> Self {
        let bar = Mutex::new(None);
        Self { console, bar }
    }

    /// Takes the bar away, so that a line can be written.
    fn clear(&self) {
        self.with_bar(|bar| *bar = None);
    }

    fn stage(&self, name: &str, steps: usize) {
        if !self.console.quiet {
            self.with_bar(|bar| bar.get_or_insert_with(Bar::on_terminal).stage(name, steps));
        }
    }

    fn advance(&self, done: usize) {
        self.with_bar(|bar| {
            if let Some(bar) = bar {
                bar.advance(done);
            }
        });
    }

    fn with_bar(&self, work: impl FnOnce(&mut Option<Bar>)) {
        let mut bar = self
            .bar
            .lock()
            .unwrap_or_else(|poisoned| poisoned.into_inner());
        work(&mut bar);
    }

    fn tell(&self, event: Value) {
        self.console.emit(&line(&event));
    }

    fn ends(&self, id: &str, how: &Ended, seconds: f64) {
        self.clear();
        let (word, text) = match how {
            Ended::Made(headline) => ("made", Some(headline)),
            Ended::Kept => ("kept", None),
            Ended::Failed(reason) => ("failed", Some(reason)),
            Ended::Elsewhere(holder) => ("elsewhere", Some(holder)),
        };
        self.tell(json!({
            "event": "session_ends", "session": id, "how": word, "text": text, "seconds": seconds,
        }));
        match how {
            Ended::Made(headline) => self.console.say(&format!("  {headline}")),
            Ended::Kept => self.console.say("  done already"),
            Ended::Failed(reason) => self.console.complain(&format!("failed: {id}: {reason}")),
            Ended::Elsewhere(holder) => {
                self.console
                    .complain(&format!("left out: {id}: {holder} is at it"));
            }
        }
    }
}

impl NightWatch for ConsoleWatch<'_> {
    fn hear(&self, event: &NightEvent) {
        match event {
            NightEvent::Survey { files } => {
                self.tell(json!({ "event": "survey", "files": files }));
                self.stage("looking at files", *files);
            }
            NightEvent::Surveyed { done, files } => {
                self.advance(*done);
                if done == files {
                    self.clear();
                    self.tell(json!({ "event": "surveyed", "files": files }));
                }
            }
            NightEvent::Compares { done, series } if done == series => {
                self.clear();
                self.tell(json!({ "event": "compared", "series": series }));
            }
            NightEvent::Compares { done: 0, series } => self.stage("comparing fields", *series),
            NightEvent::Compares { done, .. } => self.advance(*done),
            NightEvent::Note(note) => {
                self.console.complain(&format!("note: {note}"));
                self.tell(json!({ "event": "note", "text": note }));
            }
            NightEvent::Begins {
                session,
                place,
                of,
                left_s,
            } => {
                self.clear();
                let left = left_s.map_or(String::new(), |s| format!("; about {} left", span(s)));
                let described = described(session);
                self.console
                    .say(&format!("session {place} of {of}: {described}{left}"));
                self.tell(json!({
                    "event": "session_begins", "session": session.id, "place": place, "of": of,
                    "lights": session.lights, "left_s": left_s,
                }));
            }
            NightEvent::Stage {
                name,
                done: 0,
                steps,
            } => {
                self.stage(name, *steps);
                self.tell(json!({ "event": "stage", "stage": name, "done": 0, "of": steps }));
            }
            NightEvent::Stage { name, done, steps } => {
                self.advance(*done);
                self.tell(json!({ "event": "stage", "stage": name, "done": done, "of": steps }));
            }
            NightEvent::Ends { id, how, seconds } => self.ends(id, how, *seconds),
        }
    }
}
