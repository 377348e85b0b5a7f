//! The promise of `--memory`: never more than that, and the same bytes for any figure.

#![cfg(target_os = "linux")]

mod support;

use radicand_tests::folder_digests;
use serde_json::Value;
use std::path::Path;
use std::sync::OnceLock;
use support::{Run, radicand, radicand_ends, report, timeless};
use tempfile::TempDir;

/// Large enough that pixels and not the program itself decide: 0.7 Mpx.
const DIMENSIONS: &str = "1000x700";

/// `few/` with 4 lights of a ridge under a turning sky, `many/` with 12, and darks for both.
fn nights() -> &'static Path {
    static NIGHTS: OnceLock<TempDir> = OnceLock::new();
    let made = || {
        let temp = tempfile::tempdir().expect("a folder");
        let simulate = |scene: &str, folder: &str, frames: &str| {
            let args = ["simulate", scene, "-o", folder, "--dimensions", DIMENSIONS];
            radicand_ends(temp.path(), &[&args[..], &["--frames", frames]].concat(), 0);
        };
        simulate("tripod-ground", "few", "4");
        simulate("tripod-ground", "many", "12");
        simulate("calibration", "calibration", "0");
        std::fs::create_dir(temp.path().join("scratch")).expect("a folder");
        temp
    };
    NIGHTS.get_or_init(made).path()
}

fn stack(lights: &str, output: &Path, more: &[&str]) -> Run {
    let output = output.display().to_string();
    let args = ["stack", lights, "-o", &output, "--threads", "2"];
    let scratch = ["--scratch", "scratch"];
    radicand(nights(), &[&args[..], &scratch, more].concat())
}

/// The least that a job says it takes, as an argument.
#[track_caller]
fn least(lights: &str, more: &[&str]) -> String {
    let temp = tempfile::tempdir().expect("a folder");
    let run = stack(
        lights,
        &temp.path().join("result"),
        &[more, &["--memory", "1M"]].concat(),
    );
    assert_eq!(run.status, 1, "{run:?}");
    assert!(!temp.path().join("result").exists(), "no half result");
    assert!(
        run.stderr.contains("1.0 MiB (1048576 bytes)"),
        "{}",
        run.stderr
    );
    let advice = run.stderr.split("--memory ").nth(1).expect("advice");
    advice.trim().to_owned()
}

fn bytes(size: &str) -> u64 {
    let mib: u64 = size.trim_end_matches('M').parse().expect("a size in MiB");
    mib << 20
}

fn peak(report: &Value) -> u64 {
    let peak = report["run"]["peak_memory_bytes"].as_u64();
    peak.expect("Linux tells it")
}

/// Runs a job within `memory`; its report.
#[track_caller]
fn stack_within(lights: &str, output: &Path, memory: &str, more: &[&str]) -> Value {
    let run = stack(lights, output, &[more, &["--memory", memory]].concat());
    assert_eq!(run.status, 0, "{run:?}");
    let report = report(output);
    let (peak, limit) = (peak(&report), bytes(memory));
    println!("{lights} {more:?} within {memory}: {} MiB", peak >> 20);
    assert!(peak <= limit, "{lights}: {peak} bytes of {limit} allowed");
    report
}

#[test]
fn the_least_is_enough_for_many_lights_as_for_few_and_changes_no_byte() {
    /// What more lights may add: their stars, and what the allocator keeps.
    const MOST_BY_LIGHTS: f64 = 1.15;
    let temp = tempfile::tempdir().expect("a folder");
    let memory = least("many", &[]);
    let within = temp.path().join("within");
    let many = stack_within("many", &within, &memory, &[]);
    let few = stack_within("few", &temp.path().join("few"), &memory, &[]);
    let ratio = peak(&many) as f64 / peak(&few) as f64;
    assert!(ratio < MOST_BY_LIGHTS, "{ratio} times the memory");
    // There is a ground in it, so both of its stacks were in scratch files.
    assert!(many["ground"]["fraction"].as_f64().expect("a ground") > 0.05);

    let free = temp.path().join("free");
    assert_eq!(stack("many", &free, &[]).status, 0);
    assert!(peak(&report(&free)) > bytes(&memory), "a limit that limits");
    assert_eq!(timeless(many), timeless(report(&free)));
    let pictures = |folder: &Path| -> Vec<(String, _)> {
        let all = folder_digests(folder).into_iter();
        let all = all.map(|(path, digest)| (format!("{path:?}"), digest));
        all.filter(|(path, _)| !path.contains("report.json"))
            .collect()
    };
    assert_eq!(pictures(&within), pictures(&free));
    let left = std::fs::read_dir(nights().join("scratch")).expect("a folder");
    assert_eq!(left.count(), 0, "scratch is left");
}

#[test]
fn masters_trails_and_a_moving_ground_stay_within_the_least() {
    let temp = tempfile::tempdir().expect("a folder");
    let ways: [&[&str]; 2] = [
        &[
            "--dark",
            "calibration/darks",
            "--flat",
            "calibration/flats",
            "--bias",
            "calibration/bias",
            "--ground",
            "none",
        ],
        &["--combine", "max", "--format", "tiff"],
    ];
    for (i, way) in ways.into_iter().enumerate() {
        let memory = least("few", way);
        stack_within("few", &temp.path().join(i.to_string()), &memory, way);
    }
}

#[test]
fn a_scratch_folder_that_is_not_there_is_named() {
    let temp = tempfile::tempdir().expect("a folder");
    let memory = least("few", &[]);
    let output = temp.path().join("result").display().to_string();
    let args = [
        "stack",
        "few",
        "-o",
        &output,
        "--memory",
        &memory,
        "--threads",
        "2",
    ];
    let run = radicand_ends(
        nights(),
        &[&args[..], &["--scratch", "no/such/folder"]].concat(),
        1,
    );
    assert!(run.stderr.contains("no/such/folder"), "{}", run.stderr);
    assert!(run.stderr.contains("--scratch"), "{}", run.stderr);
    assert!(!temp.path().join("result").exists(), "no half result");
}
