//! Five lights, a satellite in one of them, and every way of combining: what is left of the
//! satellite, and the same bytes whatever else changes.

#![allow(clippy::print_stdout, reason = "a failing test shows its figures")]

use radicand::{Inputs, JobError, Predict, StackJob, StackOutcome};
use radicand_tests::in_memory;
use stack::{ClipOptions, Combine};
use std::path::{Path, PathBuf};
use std::sync::OnceLock;
use synth::{Calibration, CountLaw, Satellite, Scene, Stars, write_scene};
use tempfile::TempDir;

const WIDTH: usize = 300;
const HEIGHT: usize = 200;
const LIGHTS: usize = 5;

/// Crosses the third light.
const SATELLITE: Satellite = Satellite {
    light: 2,
    start: [-0.05, 0.30],
    end: [1.05, 0.60],
    electrons_per_px: 1500.0,
};

fn scene(satellites: Vec<Satellite>) -> Scene {
    let mut scene = Scene::named("tripod-burst").expect("a scene");
    (scene.width, scene.height, scene.frames) = (WIDTH, HEIGHT, LIGHTS);
    scene.sky.stars = Stars::Counted(CountLaw {
        brightest_mag: 3.0,
        faintest_mag: 9.5,
        density: 2.0,
    });
    scene.calibration = Calibration {
        flats: 2,
        bias: 2,
        ..Calibration::NONE
    };
    scene.satellites = satellites;
    scene
}

/// The same night without and with a satellite in its third light.
fn nights() -> &'static [TempDir; 2] {
    static NIGHTS: OnceLock<[TempDir; 2]> = OnceLock::new();
    NIGHTS.get_or_init(|| {
        [vec![], vec![SATELLITE]].map(|satellites| {
            let temp = tempfile::tempdir().expect("a folder");
            write_scene(&scene(satellites), temp.path(), |_| ()).expect("a scene on disk");
            temp
        })
    })
}

fn job(night: &Path) -> StackJob {
    StackJob::new(Inputs {
        lights: ["lights", "flats", "bias"]
            .map(|name| night.join(name))
            .into(),
        ..Inputs::default()
    })
}

fn stacked(night: &TempDir, combine: Combine, predict: Predict) -> StackOutcome {
    let mut job = job(night.path());
    job.options.combine = combine;
    job.predict = predict;
    job.run(&()).expect("a stack")
}

/// Light that the satellite leaves in the green of a stack beyond one without it, DN: the
/// mean along its track.
fn left_dn(combine: Combine, predict: Predict) -> f64 {
    let [without, with] = nights();
    let (with, without) = (
        stacked(with, combine, predict),
        stacked(without, combine, predict),
    );
    let [start, end] = SATELLITE.ends_px(WIDTH, HEIGHT);
    let along = [end[0] - start[0], end[1] - start[1]];
    let length = along[0].hypot(along[1]);
    let map = &with.lights[SATELLITE.light].light.map;
    let (mut sum, mut n) = (0.0, 0);
    for (row, col) in (0..HEIGHT).flat_map(|row| (0..WIDTH).map(move |col| (row, col))) {
        let (x, y) = map.map(col as f64, row as f64);
        let off = along[0] * (y - start[1]) - along[1] * (x - start[0]);
        let difference =
            in_memory(&with).mean[(1, row, col)] - in_memory(&without).mean[(1, row, col)];
        if off.abs() < length && difference.is_finite() {
            sum += f64::from(difference);
            n += 1;
        }
    }
    assert!(n > WIDTH, "the track has {n} px");
    sum / n as f64
}

#[test]
fn a_satellite_in_one_of_five_lights_goes_by_itself() {
    let clip = Combine::SigmaClip(ClipOptions::default());
    // By scatter nothing can be rejected, so this is what a mean shows.
    let shown = left_dn(clip, Predict::Never);
    let by_default = left_dn(clip, Predict::default()) / shown;
    let drawn_in = left_dn(Combine::Winsorized(Default::default()), Predict::Never) / shown;
    println!("{shown:.1} DN; of it by default {by_default:.3}, winsorized {drawn_in:.3}");
    // 1500 electrons at 0.37 a DN over some 3 px, a fifth of it.
    assert!(shown > 80.0, "{shown}");
    // Flanks that lie within three sigmas are no outliers.
    assert!(by_default.abs() < 0.02, "{by_default}");
    // A fifth of three of its sigmas is let in.
    assert!(drawn_in > 0.02 && drawn_in < 0.2, "{drawn_in}");
}

/// The others, and all of them in other tiles: `crates/stack/src/engine/tests.rs`.
fn ways() -> [(Combine, Predict); 4] {
    let clip = Combine::SigmaClip(ClipOptions::default());
    [
        (Combine::Median, Predict::Never),
        (clip, Predict::Never),
        (clip, Predict::Always),
        (Combine::Max, Predict::Never),
    ]
}

/// Every bit of the picture.
fn bits(outcome: &StackOutcome) -> Vec<u32> {
    let stack = outcome.stack.whole().expect("readable");
    let planes = [&stack.mean, &stack.variance, &stack.weight];
    let values = planes
        .iter()
        .flat_map(|plane| plane.iter().map(|v| v.to_bits()));
    values
        .chain(stack.rejected.iter().map(|&n| u32::from(n)))
        .collect()
}

#[test]
fn threads_memory_and_the_order_of_arguments_change_no_bit() {
    let night = nights()[1].path();
    let mut files: Vec<PathBuf> = ["lights", "flats", "bias"]
        .iter()
        .flat_map(|folder| std::fs::read_dir(night.join(folder)).expect("a folder"))
        .map(|entry| entry.expect("an entry").path())
        .collect();
    // Neither in the order of names nor in that of times.
    files.sort_by_key(|path| {
        let name = path.file_name().expect("a name").to_string_lossy();
        name.bytes().rev().map(|b| b ^ 0x55).collect::<Vec<u8>>()
    });
    for (combine, predict) in ways() {
        let run = |order: &[PathBuf], memory_bytes: u64, threads: usize| {
            let mut job = job(night);
            job.inputs.lights = order.to_vec();
            job.options.combine = combine;
            job.predict = predict;
            job.memory_bytes = memory_bytes;
            let pool = rayon::ThreadPoolBuilder::new().num_threads(threads).build();
            pool.expect("threads").install(|| job.run(&()))
        };
        let folders = ["lights", "flats", "bias"].map(|name| night.join(name));
        let known = run(&folders, 1 << 30, 1).expect("a stack");
        let refused = run(&files, 1, 8).expect_err("a byte is not enough");
        let JobError::Memory { needed, .. } = refused else {
            panic!("{refused}");
        };
        // Mosaics and stacks wait in scratch files.
        let other = run(&files, needed.0, 8).expect("a stack");
        assert!(other.stack.in_memory().is_none(), "{combine:?}");
        assert!(bits(&known) == bits(&other), "{combine:?}");
        assert_eq!(known.noise, other.noise, "{combine:?}");
        assert_eq!(known.digest, other.digest);
    }
}
