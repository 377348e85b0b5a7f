//! How far a job has come, told to whoever wants to know.

use indicatif::{ProgressBar, ProgressDrawTarget, ProgressStyle};
use std::collections::BTreeMap;
use std::io::Write;
use std::time::{Duration, Instant};

/// Hears how a job goes on; called from any thread.
pub trait Progress: Sync {
    /// A stage begins; `steps` is 0 when its length is not known.
    fn stage(&self, name: &str, steps: usize);
    /// `done` steps of the stage are done.
    fn advance(&self, done: usize);
    /// Something to know while the job goes on.
    fn note(&self, line: &str);
}

/// Hears nothing.
impl Progress for () {
    fn stage(&self, _: &str, _: usize) {}
    fn advance(&self, _: usize) {}
    fn note(&self, _: &str) {}
}

/// A progress bar on standard error; draws nothing where that is no terminal.
#[derive(Debug)]
pub struct Bar(ProgressBar);

impl Bar {
    /// A bar that is drawn on a terminal.
    pub fn on_terminal() -> Self {
        Self(ProgressBar::hidden())
    }
}

impl Progress for Bar {
    fn stage(&self, name: &str, steps: usize) {
        let style = match steps {
            0 => "{msg:<28} {spinner}",
            _ => "{msg:<28} {wide_bar} {pos}/{len} {eta:>5}",
        };
        let style = ProgressStyle::with_template(style).expect("a valid template");
        // Nothing of it is drawn before all of it is set.
        self.0.set_draw_target(ProgressDrawTarget::hidden());
        self.0.set_position(0);
        self.0.set_length(steps as u64);
        self.0.set_message(name.to_owned());
        self.0.set_style(style);
        self.0.reset();
        self.0.set_draw_target(ProgressDrawTarget::stderr());
        self.0.enable_steady_tick(Duration::from_millis(200));
    }

    fn advance(&self, done: usize) {
        self.0.set_position(done as u64);
    }

    fn note(&self, line: &str) {
        self.0.suspend(|| {
            // Nobody is left to be told when this fails.
            let _ = writeln!(std::io::stderr(), "note: {line}");
        });
    }
}

impl Drop for Bar {
    fn drop(&mut self) {
        self.0.finish_and_clear();
    }
}

/// How long each stage of a job took.
#[derive(Debug)]
pub struct Stopwatch {
    started: Instant,
    stages: Vec<(String, f64)>,
}

impl Default for Stopwatch {
    fn default() -> Self {
        Self {
            started: Instant::now(),
            stages: Vec::new(),
        }
    }
}

impl Stopwatch {
    /// Ends a stage; the next one begins.
    pub fn lap(&mut self, stage: &str) {
        self.stages
            .push((stage.to_owned(), self.started.elapsed().as_secs_f64()));
        self.started = Instant::now();
    }

    /// Seconds by stage; one that was gone through again counts in all.
    pub fn by_stage(&self) -> BTreeMap<String, f64> {
        let mut seconds = BTreeMap::new();
        for (stage, lasted) in &self.stages {
            *seconds.entry(stage.clone()).or_insert(0.0) += lasted;
        }
        seconds
    }

    /// The stages and their seconds, in order.
    pub fn stages(&self) -> &[(String, f64)] {
        &self.stages
    }
}
