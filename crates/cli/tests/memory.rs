//! The promise of `--memory`: never more than that, and the same bytes for any figure.

#![cfg(target_os = "linux")]
#![allow(clippy::print_stdout, reason = "a failing test shows its figures")]

mod support;

use radicand_tests::folder_digests;
use serde_json::Value;
use std::path::Path;
use std::sync::OnceLock;
use support::{Run, radicand, radicand_ends, report, timeless};
use synth::{Scene, write_scene};
use tempfile::TempDir;

const DIMENSIONS: (usize, usize) = (640, 480);

/// The first light of `rising/`.
const FIRST_RISING: &str = "rising/lights/shot_0001.dng";

/// `few/` with 4 lights of a ridge under a turning sky, `many/` with 10, `calibration/` for
/// both, `rising/` with 8 lights that follow the sky while the ridge moves 50 px from each to
/// the next, and an empty folder for scratch files.
fn nights() -> &'static Path {
    static NIGHTS: OnceLock<TempDir> = OnceLock::new();
    let made = || {
        let temp = tempfile::tempdir().expect("a folder");
        let write = |name: &str, folder: &str, frames: usize| {
            let mut scene = Scene::named(name).expect("a scene");
            ((scene.width, scene.height), scene.frames) = (DIMENSIONS, frames);
            if name == "tracked-ground" {
                scene.sessions.clear();
                (scene.exposure_s, scene.gap_s) = (20.0, 120.0);
                let ground = scene.ground.as_mut().expect("a ridge");
                (ground.ridge_deg, ground.relief_deg) = (15.6, 1.6);
                ground.trees_deg = 0.4;
            }
            write_scene(&scene, &temp.path().join(folder), |_| ()).expect("a scene on disk");
        };
        write("tripod-ground", "few", 4);
        write("tripod-ground", "many", 10);
        write("calibration", "calibration", 0);
        write("tracked-ground", "rising", 8);
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
    let result = temp.path().join("result");
    let run = stack(lights, &result, &[more, &["--memory", "1M"]].concat());
    assert_eq!(run.status, 1, "{run:?}");
    assert!(!result.exists(), "no half result");
    let allowed = "1.0 MiB (1048576 bytes)";
    assert!(run.stderr.contains(allowed), "{}", run.stderr);
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

/// Nothing of the scratch files is left, however a job ended.
#[track_caller]
fn no_scratch_is_left() {
    let left = std::fs::read_dir(nights().join("scratch")).expect("a folder");
    assert_eq!(left.count(), 0, "scratch is left");
}

/// Runs a job within the least it takes; its report, and that least.
#[track_caller]
fn stack_within_least(lights: &str, output: &Path, more: &[&str]) -> (Value, u64) {
    let memory = least(lights, more);
    let run = stack(lights, output, &[more, &["--memory", &memory]].concat());
    assert_eq!(run.status, 0, "{run:?}");
    assert!(run.stderr.contains("of scratch data"), "{}", run.stderr);
    let report = report(output);
    let (peak, limit) = (peak(&report), bytes(&memory));
    let mib = |bytes: u64| bytes >> 20;
    println!("{lights} {more:?}: {} of {} MiB", mib(peak), mib(limit));
    assert!(peak <= limit, "{lights}: {peak} bytes of {limit} allowed");
    no_scratch_is_left();
    (report, limit)
}

/// Runs a job with all the memory it asks for, which then needs no scratch data, and holds it
/// against one within its least; the most that it had.
#[track_caller]
fn check_bytes(lights: &str, within: &Path, limited: Value, more: &[&str]) -> u64 {
    let free = within.with_extension("free");
    let run = stack(lights, &free, more);
    assert_eq!(run.status, 0, "{run:?}");
    let all_in_memory = !run.stderr.contains("of scratch data");
    assert!(all_in_memory, "a limit that limits: {}", run.stderr);
    let unlimited = report(&free);
    let most = peak(&unlimited);
    assert_eq!(timeless(limited), timeless(unlimited));
    let pictures = |folder: &Path| -> Vec<_> {
        let all = folder_digests(folder).into_iter();
        let is_report = |path: &Path| path.ends_with("report.json");
        all.filter(|(path, _)| !is_report(path)).collect()
    };
    assert!(pictures(within).len() > 1, "pictures");
    assert_eq!(pictures(within), pictures(&free));
    most
}

#[test]
fn the_least_is_enough_for_many_lights_as_for_few_and_changes_no_byte() {
    let temp = tempfile::tempdir().expect("a folder");
    let within = temp.path().join("many");
    let (many, _) = stack_within_least("many", &within, &[]);
    stack_within_least("few", &temp.path().join("few"), &[]);
    let limited = peak(&many);
    let most = check_bytes("many", &within, many, &[]);
    // What many lights take in memory is far more than what a peak scatters by.
    println!("without a limit: {} MiB", most >> 20);
    assert!(most > limited, "a limit that limits");
}

#[test]
fn a_finer_picture_of_a_rising_ridge_stays_within_its_least_and_is_the_same() {
    let temp = tempfile::tempdir().expect("a folder");
    // The first light shows least of the ridge: it has to be found in the others.
    let way = [
        "--from-mosaic",
        "--scale",
        "1.5",
        "--reference",
        FIRST_RISING,
    ];
    let within = temp.path().join("rising");
    let (report, limit) = stack_within_least("rising/lights", &within, &way);
    let ground = &report["ground"];
    assert!(ground["motion"].is_object(), "{ground}");
    assert!(limit > bytes(&least("rising/lights", &[])), "it takes more");
    check_bytes("rising/lights", &within, report, &way);
}

#[test]
fn masters_and_trails_stay_within_their_least() {
    let temp = tempfile::tempdir().expect("a folder");
    let of = |folder: &str| format!("calibration/{folder}");
    let (darks, flats, bias) = (of("darks"), of("flats"), of("bias"));
    let calibrated = ["--dark", &darks, "--flat", &flats, "--bias", &bias];
    let masters = [&calibrated[..], &["--ground", "none"]].concat();
    let trails = ["--combine", "max", "--format", "tiff"];
    for (i, way) in [&masters[..], &trails].into_iter().enumerate() {
        stack_within_least("few", &temp.path().join(i.to_string()), way);
    }
}

#[test]
fn a_scratch_folder_that_is_not_there_is_named_and_an_error_leaves_nothing() {
    let temp = tempfile::tempdir().expect("a folder");
    let (memory, result) = (least("few", &[]), temp.path().join("result"));
    let output = result.display().to_string();
    let args = ["stack", "few", "-o", &output, "--threads", "2"];
    let args = [&args[..], &["--memory", &memory]].concat();
    let missing = [&args[..], &["--scratch", "no/such/folder"]].concat();
    let run = radicand_ends(nights(), &missing, 1);
    assert!(run.stderr.contains("no/such/folder"), "{}", run.stderr);
    assert!(run.stderr.contains("--scratch"), "{}", run.stderr);
    assert!(!result.exists(), "no half result");
    // It ends when all frames are read, those beyond the limit into the scratch file.
    let wrong = ["--memory", &memory, "--reference", "calibration"];
    let run = stack("few", &result, &wrong);
    assert_eq!(run.status, 1, "{run:?}");
    assert!(run.stderr.contains("of scratch data"), "{}", run.stderr);
    assert!(!result.exists(), "no half result");
    no_scratch_is_left();
}
