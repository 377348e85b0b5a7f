//! `radicand night`: every session under a folder.

use super::{Console, Done};
use crate::JobError;
use crate::night::{Ended, NightJob, NightPlan, SessionPlan, span};
use crate::night_args::NightArgs;
use console_watch::ConsoleWatch;
use report::{
    Night, NightFault, NightSession, calibration_choice, night_summary, session_description,
};
use serde_json::{Value, json};

mod console_watch;
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
        return one_session(&job, id, &watch, console);
    }
    let (night, event) = match args.collect {
        true => (job.collect(&watch)?, "collected"),
        false => (job.run(&watch)?.night, "ended"),
    };
    drop(watch);
    complain_of(&night.left_out, &night.idle_settings, console);
    if args.collect {
        complain_of_sessions(&night, console);
    }
    let text = night_summary(&night);
    console.say(&text);
    console.say(&format!(
        "Look at {}",
        job.output.join("index.html").display()
    ));
    console.emit(&line(&json!({ "event": event, "summary": text })));
    Ok(Done::given(night.shortfalls()))
}

fn one_session(
    job: &NightJob,
    id: &str,
    watch: &ConsoleWatch,
    console: &Console,
) -> Result<Done, JobError> {
    let outcome = job.run_session(id, watch)?;
    complain_of(&outcome.left_out, &[], console);
    match outcome.ended {
        Ended::Failed(_) => Err(JobError::NothingDone { sessions: 1 }),
        Ended::Elsewhere(_) => Ok(Done::Partly),
        Ended::Made(_) | Ended::Kept => Ok(Done::given(outcome.left_out.len())),
    }
}

/// Names the sessions that are not done; while they are being done they are named at once.
fn complain_of_sessions(night: &Night, console: &Console) {
    for session in &night.sessions {
        if let Some(reason) = &session.reason {
            console.complain(&format!("left out: {}: {}", session.id, printable(reason)));
        }
    }
}

/// Names the files that are left out, and the settings that change nothing.
fn complain_of(left_out: &[NightFault], idle_settings: &[NightFault], console: &Console) {
    for NightFault { file, reason } in left_out.iter().chain(idle_settings) {
        console.complain(&format!("left out: {}: {reason}", printable(file)));
        console.emit(&line(
            &json!({ "event": "left_out", "file": file, "reason": reason }),
        ));
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
        let mut estimate = job.estimate(session, &speed);
        if finished {
            estimate.trouble = None;
        }
        console.say(&describe(session, finished));
        if let Some(trouble) = &estimate.trouble {
            console.say(&format!("  will come to no result: {trouble}"));
        } else if !finished {
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
            "trouble": estimate.trouble,
        })));
    }
    say_unused(&plan, console);
    let room = job.room_bytes().filter(|room| *room < disk_bytes);
    let short = room.map_or(String::new(), |room| {
        format!(", where there is room for {}", size(room))
    });
    console.say(&format!(
        "{}; what is to be done takes roughly {} and {} on the disk{short}",
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
