//! What people and programs are told while a night goes on.

use super::{described, line};
use crate::commands::Console;
use crate::night::{Ended, NightEvent, NightWatch, span};
use crate::progress::{Bar, Progress};
use report::NightSession;
use serde_json::{Value, json};
use std::sync::{Mutex, PoisonError};
use std::time::{Duration, Instant};

/// Shortest time between two reports of a look at everything.
const EVERY: Duration = Duration::from_secs(1);

/// Tells people and programs how a night goes on.
pub(super) struct ConsoleWatch<'a> {
    console: &'a Console,
    bar: Mutex<Option<Bar>>,
    /// When a stage was told last.
    told: Mutex<Instant>,
}

impl<'a> ConsoleWatch<'a> {
    pub fn new(console: &'a Console) -> Self {
        Self {
            console,
            bar: Mutex::new(None),
            told: Mutex::new(Instant::now()),
        }
    }

    /// Takes the bar away, so that a line can be written.
    pub fn clear(&self) {
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
        work(&mut self.bar.lock().unwrap_or_else(PoisonError::into_inner));
    }

    fn tell(&self, event: Value) {
        self.console.emit(&line(&event));
    }

    /// How far a look at everything has come, which has a name while it goes on, another as an
    /// event at its end, and a name of what is counted.
    fn looks(&self, (stage, event, things): (&str, &str, &str), done: usize, of: usize) {
        if done == of {
            self.clear();
            self.tell(json!({ "event": event, things: of }));
        } else if done == 0 {
            self.stage(stage, of);
            self.tells_stage(stage, 0, of);
        } else {
            self.advance(done);
            self.tells_stage(stage, done, of);
        }
    }

    /// A stage at its beginning, and after that at a bearable rate.
    fn tells_stage(&self, stage: &str, done: usize, of: usize) {
        let mut told = self.told.lock().unwrap_or_else(PoisonError::into_inner);
        if done == 0 || told.elapsed() >= EVERY {
            *told = Instant::now();
            self.tell(json!({ "event": "stage", "stage": stage, "done": done, "of": of }));
        }
    }

    fn begins(&self, session: &NightSession, place: usize, of: usize, left_s: Option<f64>) {
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
        match *event {
            NightEvent::Digests { done, files } => {
                let names = ("reading files", "read", "files");
                self.looks(names, done, files);
            }
            NightEvent::Survey { files } => {
                self.tell(json!({ "event": "survey", "files": files }));
                self.stage("looking at files", files);
                self.tells_stage("looking at files", 0, files);
            }
            NightEvent::Surveyed { done, files } => {
                self.looks(("looking at files", "surveyed", "files"), done, files);
            }
            NightEvent::Compares { done, series } => {
                let names = ("comparing fields", "compared", "series");
                self.looks(names, done, series);
            }
            NightEvent::Note(note) => {
                self.console.complain(&format!("note: {note}"));
                self.tell(json!({ "event": "note", "text": note }));
            }
            NightEvent::Begins {
                session,
                place,
                of,
                left_s,
            } => self.begins(session, place, of, left_s),
            NightEvent::Stage { name, done, steps } => {
                match done {
                    0 => self.stage(name, steps),
                    done => self.advance(done),
                }
                self.tell(json!({ "event": "stage", "stage": name, "done": done, "of": steps }));
            }
            NightEvent::Ends { id, how, seconds } => self.ends(id, how, seconds),
        }
    }
}
