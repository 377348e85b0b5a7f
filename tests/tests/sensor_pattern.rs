//! A pattern of the sensor that is told from the lights: whether taking it off lowers the true
//! noise, and whether it is left where it cannot be told or is not there.

#![allow(clippy::print_stdout, reason = "a failing test shows its figures")]

use radicand::{Inputs, PatternChoice, PatternOutcome, StackJob, StackOutcome};
use radicand_tests::{TwinNight, in_memory, twin_night_by};
use std::path::Path;
use synth::{Calibration, Scene, write_scene};

/// A tripod under the turning sky, without darks.
///
/// - `pattern`: offsets of sites and of columns, e-.
fn scene(pattern: (f64, f64)) -> Scene {
    let mut scene = Scene::named("tripod-burst").expect("a scene");
    (scene.width, scene.height, scene.frames) = (640, 448, 10);
    scene.gap_s = 6.0;
    scene.calibration = Calibration::NONE;
    (scene.sensor.dsnu_e, scene.sensor.column_noise_e) = pattern;
    scene
}

fn job(folder: &Path) -> StackJob {
    let mut job = StackJob::new(Inputs {
        lights: vec![folder.join("lights")],
        ..Inputs::default()
    });
    job.sensor_pattern = PatternChoice::Auto;
    job
}

fn found(outcome: &StackOutcome) -> &PatternOutcome {
    outcome.sensor_pattern.as_ref().expect("it was asked for")
}

/// Geometric mean of the stack's true noise over regions and channels, DN.
fn true_noise_dn(night: &TwinNight) -> f64 {
    let logs = night.cells.iter().map(|cell| cell.stack_dn.ln());
    (logs.sum::<f64>() / night.cells.len() as f64).exp()
}

#[test]
fn true_noise_falls_as_much_as_the_report_says() {
    /// Of the ratio: the true noise of some thousand blocks of each stack, which share theirs,
    /// is known to 2 %, and the strength of the pattern to 5 %.
    const TOLERANCE: f64 = 0.04;
    let scene = scene((5.0, 1.5));
    let by = |choice| twin_night_by(&scene, &["lights"], |job| job.sensor_pattern = choice);
    let (with, without) = (by(PatternChoice::None), by(PatternChoice::Auto));
    let found = found(&without.outcome);
    assert_eq!(found.declined, None);
    let noise = found.found.as_ref().and_then(|found| found.noise);
    let reported = noise.expect("it was measured").ratio;
    let truth = true_noise_dn(&without) / true_noise_dn(&with);
    println!("noise of the stack: {reported:.3} times, truly {truth:.3} times");
    assert!(truth < 0.9, "{truth}");
    assert!(
        (reported / truth - 1.0).abs() < TOLERANCE,
        "{reported} {truth}"
    );
    // What was there before is reported as it was.
    assert!(with.outcome.sensor_pattern.is_none());
}

#[test]
fn nothing_is_taken_off_where_there_is_nothing() {
    let temp = tempfile::tempdir().expect("a folder");
    let mut scene = scene((0.0, 0.0));
    scene.sensor.prnu = 0.0;
    write_scene(&scene, temp.path(), |_| ()).expect("a scene on disk");
    let asked = job(temp.path()).run(&()).expect("a stack");
    let outcome = found(&asked);
    println!("{:?}", outcome.declined);
    assert!(outcome.declined.is_some());
    let pattern = outcome.found.as_ref().expect("it was looked for");
    assert!(pattern.believed < 0.1, "{}", pattern.believed);
    // The picture is that of lights nobody looked at.
    let mut plain = job(temp.path());
    plain.sensor_pattern = PatternChoice::None;
    let plain = plain.run(&()).expect("a stack");
    let bits = |outcome: &StackOutcome| -> Vec<u32> {
        in_memory(outcome)
            .mean
            .iter()
            .map(|v| v.to_bits())
            .collect()
    };
    assert!(bits(&asked) == bits(&plain));
}

#[test]
fn too_little_drift_is_declined_with_numbers() {
    let temp = tempfile::tempdir().expect("a folder");
    let mut scene = scene((5.0, 1.5));
    (scene.frames, scene.exposure_s, scene.gap_s) = (6, 0.5, 0.1);
    write_scene(&scene, temp.path(), |_| ()).expect("a scene on disk");
    let outcome = job(temp.path()).run(&()).expect("a stack");
    let outcome = found(&outcome);
    let reason = outcome.declined.as_deref().expect("it is declined");
    println!("{reason}");
    assert!(reason.starts_with("the lights drift by "), "{reason}");
    assert!(outcome.found.is_none(), "nothing was looked for");
}

#[test]
fn threads_and_memory_change_no_bit_of_it() {
    let temp = tempfile::tempdir().expect("a folder");
    let mut scene = scene((5.0, 1.5));
    (scene.width, scene.height, scene.frames) = (448, 320, 6);
    scene.gap_s = 9.0;
    write_scene(&scene, temp.path(), |_| ()).expect("a scene on disk");
    let by = |threads: usize, memory_bytes: Option<u64>| -> (Option<String>, Vec<u32>) {
        let mut job = job(temp.path());
        job.memory_bytes = memory_bytes.unwrap_or(job.memory_bytes);
        let pool = rayon::ThreadPoolBuilder::new().num_threads(threads).build();
        let outcome = pool.expect("threads").install(|| job.run(&()));
        let outcome = outcome.expect("a stack");
        let declined = found(&outcome).declined.clone();
        let stack = outcome.stack.whole().expect("read back");
        (declined, stack.mean.iter().map(|v| v.to_bits()).collect())
    };
    let alone = by(1, None);
    assert_eq!(alone.0, None);
    assert!(alone == by(3, None));
    assert!(alone == by(2, Some(90 << 20)));
}
