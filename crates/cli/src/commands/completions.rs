//! `radicand completions`: what a shell may complete, made from the command line's definition.

use super::{Console, Done};
use crate::JobError;
use crate::args::{Cli, CompletionsArgs, PROGRAM};
use clap::CommandFactory;
use serde_json::json;

pub(super) fn run(args: &CompletionsArgs, console: &Console) -> Result<Done, JobError> {
    let mut script = Vec::new();
    clap_complete::generate(args.shell, &mut Cli::command(), PROGRAM, &mut script);
    let script = String::from_utf8_lossy(&script);
    if console.json {
        let shell = args.shell.to_string();
        let mut text = serde_json::to_vec_pretty(&json!({ "shell": shell, "script": script }))?;
        text.push(b'\n');
        console.emit(&text);
    } else {
        // Asked for, however quiet.
        console.print(&script);
    }
    Ok(Done::Whole)
}
