//! A second decoder that does wrong whatever the name of its file asks for.
//!
//! Tests use it to prove that the parent survives: `hang`, `abort`, `babble` or
//! `flood`.
#![allow(clippy::print_stdout, reason = "its standard output is what is tested")]

use std::io::Write;
use std::path::Path;
use std::time::Duration;

fn main() {
    let args: Vec<_> = std::env::args_os().skip(1).collect();
    let stem = args.last().and_then(|path| Path::new(path).file_stem());
    match stem.and_then(|stem| stem.to_str()) {
        Some("hang") => std::thread::sleep(Duration::from_secs(600)),
        Some("abort") => std::process::abort(),
        Some("babble") => println!("all is well, here comes nothing of use to you"),
        Some("flood") => flood(),
        _ => {}
    }
}

/// Writes without end, or until nobody reads.
fn flood() {
    let mut stdout = std::io::stdout().lock();
    while stdout.write_all(&[0xff; 1 << 16]).is_ok() {}
}
