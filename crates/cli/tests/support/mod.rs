//! Runs the program and reads what it left.

#![allow(dead_code, reason = "every test file uses a part of it")]

pub mod archive;

use serde_json::Value;
use std::path::Path;
use std::process::{Command, Output, Stdio};

/// What a run of the program said.
#[derive(Debug)]
pub struct Run {
    pub status: i32,
    pub stdout: String,
    pub stderr: String,
}

/// The program, ready to run in `folder`.
pub fn command(folder: &Path, args: &[&str]) -> Command {
    let mut command = Command::new(env!("CARGO_BIN_EXE_radicand"));
    command
        .current_dir(folder)
        .args(args)
        .stdin(Stdio::null())
        .env("RUST_BACKTRACE", "0");
    command
}

/// Runs the program in `folder`.
pub fn radicand(folder: &Path, args: &[&str]) -> Run {
    let output: Output = command(folder, args).output().expect("the program starts");
    let text = |bytes: Vec<u8>| String::from_utf8(bytes).expect("the program speaks UTF-8");
    let run = Run {
        status: output.status.code().expect("the program ends by itself"),
        stdout: text(output.stdout),
        stderr: text(output.stderr),
    };
    assert!(!run.stderr.contains("panicked"), "{args:?}: {}", run.stderr);
    run
}

/// As [`radicand`], which must end with `status`.
#[track_caller]
pub fn radicand_ends(folder: &Path, args: &[&str], status: i32) -> Run {
    let run = radicand(folder, args);
    assert_eq!(run.status, status, "{args:?}: {run:?}");
    run
}

/// The report in a result folder, checked against the schema.
#[track_caller]
pub fn report(result: &Path) -> Value {
    let bytes = std::fs::read(result.join("report.json")).expect("a report");
    let report = serde_json::from_slice(&bytes).expect("JSON");
    check_schema(&report);
    report
}

/// Checks a report against `docs/report.schema.json`.
#[track_caller]
pub fn check_schema(report: &Value) {
    check_schema_at("report.schema.json", report);
}

/// Checks a file against a schema in `docs/`.
#[track_caller]
pub fn check_schema_at(schema: &str, report: &Value) {
    let docs = Path::new(env!("CARGO_MANIFEST_DIR")).join("../../docs");
    let path = docs.join(schema);
    let schema = std::fs::read(path).expect("the schema");
    let schema: Value = serde_json::from_slice(&schema).expect("JSON");
    let validator = jsonschema::validator_for(&schema).expect("a valid schema");
    let faults: Vec<String> = validator
        .iter_errors(report)
        .map(|error| format!("{}: {error}", error.instance_path()))
        .collect();
    assert!(faults.is_empty(), "{faults:#?}");
}

/// A report without what differs between equal runs.
pub fn timeless(mut report: Value) -> Value {
    let run = report["run"].as_object_mut().expect("a run");
    run.remove("seconds").expect("times");
    run.remove("peak_memory_bytes").expect("memory");
    report
}

/// The entry of the file whose name ends with `name`.
#[track_caller]
pub fn frame<'a>(report: &'a Value, name: &str) -> &'a Value {
    let frames = report["frames"].as_array().expect("frames");
    frames
        .iter()
        .find(|frame| {
            frame["file"]
                .as_str()
                .is_some_and(|file| file.ends_with(name))
        })
        .unwrap_or_else(|| panic!("{name} is not in the report"))
}
