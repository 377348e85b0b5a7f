//! Prints the table of docs/noise.md: noise of the stack with a pattern of the sensor in the
//! lights, and after it was told from them and taken off, as reported and as it is.
//!
//! `cargo run --release -p radicand-tests --example sensor_pattern [NAME]`

#![allow(clippy::print_stdout, reason = "the table is what it is for")]

use radicand::PatternChoice;
use radicand_tests::{Cell, TwinNight, twin_night_by};
use synth::{Calibration, Scene};

/// What it is called, the scene, its lights, and the pattern of its sensor: sites and columns,
/// e-, and response.
type Night = (&'static str, &'static str, usize, [f64; 3]);

const STRONG: [f64; 3] = [5.0, 1.5, 0.01];
const USUAL: [f64; 3] = [0.8, 0.0, 0.006];
const NOTHING: [f64; 3] = [0.0; 3];
const NIGHTS: [Night; 8] = [
    ("tripod, strong pattern", "tripod-burst", 16, STRONG),
    ("tripod, as simulated", "tripod-burst", 16, USUAL),
    ("tripod, none", "tripod-burst", 16, NOTHING),
    ("dithered, strong pattern", "tracked", 12, STRONG),
    ("dithered, as simulated", "tracked", 12, USUAL),
    ("dithered, none", "tracked", 12, NOTHING),
    ("no dither, strong pattern", "tracked-still", 12, STRONG),
    ("30 dithered, strong pattern", "tracked", 30, STRONG),
];

fn main() {
    let only: Vec<String> = std::env::args().skip(1).collect();
    println!(
        "| night | drift, px | believed | noise of the stack before: reported (true), DN | after | \
         ratio reported | true | worth frames: reported (true) | taken off |"
    );
    println!("|---|---|---|---|---|---|---|---|---|");
    for night in NIGHTS {
        if only.is_empty() || only.iter().any(|part| night.0.contains(part.as_str())) {
            row(night);
        }
    }
}

fn row((title, scene, lights, [sites_e, columns_e, response]): Night) {
    let mut scene = match scene {
        "tracked-still" => {
            let mut scene = Scene::named("tracked").expect("a scene");
            scene.mount.dither_arcsec = 0.0;
            scene
        }
        name => Scene::named(name).expect("a scene"),
    };
    (scene.width, scene.height, scene.frames) = (900, 640, lights);
    scene.calibration = Calibration::NONE;
    scene.sensor.dsnu_e = sites_e;
    scene.sensor.column_noise_e = columns_e;
    scene.sensor.prnu = response;
    let by = |choice| twin_night_by(&scene, &["lights"], |job| job.sensor_pattern = choice);
    let (before, after) = (by(PatternChoice::None), by(PatternChoice::Auto));
    let outcome = after
        .outcome
        .sensor_pattern
        .as_ref()
        .expect("it was asked for");
    let found = outcome.found.as_ref();
    let reported = found.and_then(|found| found.noise);
    let (was, is) = (figures(&before), figures(&after));
    let change = reported.map_or("-".to_owned(), |change| {
        format!("{:.3} ± {:.3}", change.ratio, change.error)
    });
    let frames = |of: &dyn Fn(&Cell) -> f64| mean(&after, of);
    println!(
        "| {title} | {:.1} | {} | {:.2} ({:.2}) | {:.2} ({:.2}) | {change} | {:.3} | {:.1} ({:.1}) | {} |",
        outcome.drift_px.unwrap_or(f64::NAN),
        found.map_or("-".to_owned(), |found| format!("{:.2}", found.believed)),
        was.0,
        was.1,
        is.0,
        is.1,
        is.1 / was.1,
        frames(&|cell| cell.reported.gain_area).powi(2),
        frames(&|cell| cell.gain()).powi(2),
        outcome.declined.as_deref().unwrap_or("yes"),
    );
}

/// Geometric means of the stack's noise over the cells: reported and true, DN.
fn figures(night: &TwinNight) -> (f64, f64) {
    (
        mean(night, |cell| cell.reported.stack.area),
        mean(night, |cell| cell.stack_dn),
    )
}

fn mean(night: &TwinNight, of: impl Fn(&Cell) -> f64) -> f64 {
    let logs = night.cells.iter().map(|cell| of(cell).ln());
    (logs.sum::<f64>() / night.cells.len() as f64).exp()
}
