//! `radicand manual`: a man page for the program and one for every command, made from the
//! command line's definition.

use super::{Console, Done, overwrite};
use crate::JobError;
use crate::args::{Cli, ManualArgs, PROGRAM};
use clap::{Command, CommandFactory};
use clap_mangen::Man;
use export::{AtomicFile, refuse_existing};
use serde_json::json;
use std::path::PathBuf;

pub(super) fn run(args: &ManualArgs, console: &Console) -> Result<Done, JobError> {
    let pages: Vec<(PathBuf, Vec<u8>)> = pages()
        .into_iter()
        .map(|(name, page)| (args.output.join(name), page))
        .collect();
    let overwrite = overwrite(args.overwrite);
    for (path, _) in &pages {
        refuse_existing(path, overwrite)?;
    }
    std::fs::create_dir_all(&args.output).map_err(|source| JobError::OutputFolder {
        path: args.output.clone(),
        source,
    })?;
    for (path, page) in &pages {
        AtomicFile::write_whole(path, page, overwrite)?;
    }
    console.say(&format!(
        "{} pages in {}",
        pages.len(),
        args.output.display()
    ));
    let files: Vec<String> = pages
        .iter()
        .map(|(path, _)| report::file_name(path))
        .collect();
    let mut text = serde_json::to_vec_pretty(&json!({ "files": files }))?;
    text.push(b'\n');
    console.emit(&text);
    Ok(Done::Whole)
}

/// Names and contents, the program's own page first.
fn pages() -> Vec<(String, Vec<u8>)> {
    // Built, commands know their full names and what they have in common.
    let mut program = Cli::command().disable_help_subcommand(true);
    program.build();
    let commands = program
        .get_subcommands()
        .filter(|command| !command.is_hide_set());
    [&program]
        .into_iter()
        .chain(commands)
        .cloned()
        .map(page)
        .collect()
}

fn page(command: Command) -> (String, Vec<u8>) {
    let man = Man::new(command).source(format!("{PROGRAM} {}", env!("CARGO_PKG_VERSION")));
    let mut page = Vec::new();
    man.render(&mut page)
        .expect("writing to memory does not fail");
    (man.get_filename(), page)
}
