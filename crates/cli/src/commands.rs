//! What each command does with its arguments, and what it says.

use crate::JobError;
use crate::args::{Cli, Command, Common};
use crate::progress::{Bar, Progress};
use export::Overwrite;
use std::io::{ErrorKind, Write};

mod blend;
mod compare;
mod completions;
mod demo;
mod manual;
mod measure;
mod night;
mod plan;
mod simulate;
mod stack;
mod survey;

/// What `--overwrite` asks for.
fn overwrite(asked: bool) -> Overwrite {
    match asked {
        true => Overwrite::Yes,
        false => Overwrite::No,
    }
}

/// How a command ended when it did not fail.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Done {
    /// Everything was used.
    Whole,
    /// Some inputs were left out, each with its reason.
    Partly,
}

impl Done {
    fn given(left_out: usize) -> Self {
        if left_out == 0 {
            Self::Whole
        } else {
            Self::Partly
        }
    }

    /// The program's exit status.
    pub fn status(self) -> u8 {
        match self {
            Self::Whole => 0,
            Self::Partly => 3,
        }
    }
}

/// Where words go: results to standard output, everything else to standard error.
#[derive(Clone, Copy, Debug)]
pub struct Console {
    json: bool,
    quiet: bool,
    verbose: bool,
}

impl Console {
    /// A console as the arguments ask for.
    pub fn new(common: &Common) -> Self {
        Self {
            json: common.json,
            quiet: common.quiet,
            verbose: common.verbose,
        }
    }

    /// A line of the result, for people.
    pub fn say(&self, line: &str) {
        if !self.json && !self.quiet {
            self.print(&format!("{line}\n"));
        }
    }

    /// A line that is all that was asked for, and is said however quiet it shall be.
    pub fn answer(&self, line: &str) {
        if !self.json {
            self.print(&format!("{line}\n"));
        }
    }

    /// A line for those who want to know more.
    pub fn detail(&self, line: &str) {
        if self.verbose {
            self.say(line);
        }
    }

    /// The result, for programs.
    pub fn emit(&self, json: &[u8]) {
        if self.json {
            self.print(&String::from_utf8_lossy(json));
        }
    }

    /// Something that went wrong without ending the command.
    pub fn complain(&self, line: &str) {
        // Nobody is left to be told when this fails.
        let _ = writeln!(std::io::stderr(), "{line}");
    }

    /// The job is done whether or not anyone reads on: a closed pipe is no fault.
    fn print(&self, text: &str) {
        let mut stdout = std::io::stdout().lock();
        match stdout
            .write_all(text.as_bytes())
            .and_then(|()| stdout.flush())
        {
            Err(error) if error.kind() != ErrorKind::BrokenPipe => {
                self.complain(&format!("cannot write to standard output: {error}"));
            }
            _ => {}
        }
    }

    fn progress(&self) -> Box<dyn Progress> {
        if self.quiet {
            Box::new(())
        } else {
            Box::new(Bar::on_terminal())
        }
    }
}

/// Carries out a command.
///
/// # Errors
///
/// See [`JobError`].
pub fn run(cli: &Cli) -> Result<Done, JobError> {
    let console = Console::new(&cli.common);
    match &cli.command {
        Command::Demo(args) => demo::run(args, &console),
        Command::Survey(args) => survey::run(args, &console),
        Command::Plan(args) => plan::run(args, &console),
        Command::Stack(args) => stack::run(args, &console),
        Command::Simulate(args) => simulate::run(args, &console),
        Command::Measure(args) => measure::run(args, &console),
        Command::Compare(args) => compare::run(args, &console),
        Command::Blend(args) => blend::run(args, &console),
        Command::Completions(args) => completions::run(args, &console),
        Command::Manual(args) => manual::run(args, &console),
        Command::Night(args) => night::run(args, &console),
    }
}
