//! The radicand program: arguments in, exit status out.

use radicand::{Cli, JobError, run};
use std::process::ExitCode;

fn main() -> ExitCode {
    // A decoder that must not take the program down runs as a child of it: this very
    // program, started with one hidden argument.
    let args: Vec<_> = std::env::args_os().skip(1).collect();
    if let Some(status) = raw::run_child(&args) {
        return ExitCode::from(status.clamp(0, 255) as u8);
    }
    match run(&Cli::parse_checked()) {
        Ok(done) => ExitCode::from(done.status()),
        Err(error) => {
            complain(&error);
            ExitCode::from(error.status())
        }
    }
}

#[expect(clippy::print_stderr, reason = "this is where the program speaks")]
fn complain(error: &JobError) {
    let mut said = error.to_string();
    eprintln!("error: {said}");
    let mut cause = std::error::Error::source(error);
    while let Some(source) = cause {
        let because = source.to_string();
        // Some errors quote their cause.
        if !said.contains(&because) {
            eprintln!("  because: {because}");
        }
        said = because;
        cause = source.source();
    }
    for left_out in error.left_out() {
        eprintln!("{left_out}");
    }
    if let Some(hint) = error.hint() {
        eprintln!("hint: {hint}");
    }
}
