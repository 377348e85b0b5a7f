//! What a night tells while it goes on, and to whom.

use crate::progress::Progress;
use report::NightSession;
use std::sync::{Mutex, MutexGuard, PoisonError};
use std::time::{Duration, Instant};

/// Shortest time between two reports of the same stage.
const EVERY: Duration = Duration::from_secs(1);

/// Something that happened.
#[derive(Clone, Debug)]
#[non_exhaustive]
pub enum NightEvent<'a> {
    /// Files are being read for their digests.
    Digests {
        /// How many so far.
        done: usize,
        /// Of how many.
        files: usize,
    },
    /// Files are about to be looked at.
    Survey {
        /// How many.
        files: usize,
    },
    /// A file was looked at.
    Surveyed {
        /// How many so far.
        done: usize,
        /// Of how many.
        files: usize,
    },
    /// Lights of series are being compared, to see where the camera was turned.
    Compares {
        /// Series that are done.
        done: usize,
        /// Of how many.
        series: usize,
    },
    /// Something that the user should know, and that ends nothing.
    Note(&'a str),
    /// A session begins.
    Begins {
        /// The session.
        session: &'a NightSession,
        /// Its place among them, from 1.
        place: usize,
        /// How many there are.
        of: usize,
        /// Time for it and all that follow, s, as far as can be told.
        left_s: Option<f64>,
    },
    /// A stage of the session at hand.
    Stage {
        /// Its name.
        name: &'a str,
        /// Steps of it that are done.
        done: usize,
        /// All its steps, 0 when that is not known.
        steps: usize,
    },
    /// A session has ended.
    Ends {
        /// The session's name.
        id: &'a str,
        /// How.
        how: &'a Ended,
        /// Time it took, s.
        seconds: f64,
    },
}

/// How a session ended.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Ended {
    /// Its result was made, as the line says.
    Made(String),
    /// Its result was there already.
    Kept,
    /// It came to no result.
    Failed(String),
    /// Another run is at it.
    Elsewhere(String),
}

/// Hears how a night goes on; called from any thread.
pub trait NightWatch: Sync {
    /// Something happened.
    fn hear(&self, event: &NightEvent);
}

/// Hears nothing.
impl NightWatch for () {
    fn hear(&self, _: &NightEvent) {}
}

/// The stages of one session: told at a bearable rate, and kept with their times.
pub(crate) struct Stages<'a> {
    watch: &'a dyn NightWatch,
    at: Mutex<At>,
}

struct At {
    name: String,
    steps: usize,
    told: Instant,
    begun: Instant,
    log: String,
}

impl<'a> Stages<'a> {
    pub fn new(watch: &'a dyn NightWatch) -> Self {
        let at = Mutex::new(At {
            name: String::new(),
            steps: 0,
            told: Instant::now(),
            begun: Instant::now(),
            log: String::new(),
        });
        Self { watch, at }
    }

    /// The stages, a line each with the seconds from the beginning.
    pub fn into_log(self) -> String {
        std::mem::take(&mut self.at().log)
    }

    fn at(&self) -> MutexGuard<'_, At> {
        self.at.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

impl Progress for Stages<'_> {
    fn stage(&self, name: &str, steps: usize) {
        let mut at = self.at();
        let seconds = at.begun.elapsed().as_secs_f64();
        at.log.push_str(&format!("{seconds:8.1} s  {name}\n"));
        at.name = name.to_owned();
        at.steps = steps;
        at.told = Instant::now();
        let done = 0;
        self.watch.hear(&NightEvent::Stage { name, done, steps });
    }

    fn advance(&self, done: usize) {
        let mut at = self.at();
        if at.told.elapsed() >= EVERY || done == at.steps {
            at.told = Instant::now();
            let steps = at.steps;
            let name = &at.name;
            self.watch.hear(&NightEvent::Stage { name, done, steps });
        }
    }

    fn note(&self, line: &str) {
        let mut at = self.at();
        at.log.push_str(&format!("note: {line}\n"));
        self.watch.hear(&NightEvent::Note(line));
    }
}
