//! A decoding child that does wrong whatever the name of its file asks for.
//!
//! Tests use it to prove that the parent survives: `hang`, `abort`, `babble`, `flood`,
//! `promise` or `boast`. Asked to `tell`, it refuses politely and says what it was given.
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
        // As much as the file might hold, of which nothing comes.
        Some("promise") => answer(
            r#"{"Ok":{"shape":{"width":4000,"height":3000,"samples_per_pixel":1},"description":{"Err":""}}}"#,
        ),
        // More than the file can hold.
        Some("boast") => answer(
            r#"{"Ok":{"shape":{"width":20000,"height":14000,"samples_per_pixel":1},"description":{"Err":""}}}"#,
        ),
        Some("tell") => answer(&format!("{{\"Err\":\"{}\"}}", given())),
        _ => {}
    }
}

/// The head of an answer as the parent understands it.
fn answer(header: &str) {
    let mut stdout = std::io::stdout().lock();
    let length = (header.len() as u32).to_le_bytes();
    let parts = [&b"radicand-frame-1"[..], &length, header.as_bytes()];
    let written = parts
        .into_iter()
        .try_for_each(|part| stdout.write_all(part));
    written.expect("the parent reads");
}

/// Environment, folder and standard input of this process.
fn given() -> String {
    let names: Vec<String> = std::env::vars().map(|(name, _)| name).collect();
    let folder = std::env::current_dir().expect("a folder");
    let length = std::io::copy(&mut std::io::stdin(), &mut std::io::sink()).expect("a file");
    let names = names.join(" ");
    format!("{names}; {}; {length} bytes", folder.display())
}

/// Writes without end, or until nobody reads.
fn flood() {
    let mut stdout = std::io::stdout().lock();
    while stdout.write_all(&[0xff; 1 << 16]).is_ok() {}
}
