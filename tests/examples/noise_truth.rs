//! Prints the table of docs/noise-truth.md: reported noise against true noise, scene by
//! scene.
//!
//! `cargo run --release -p radicand-tests --example noise_truth > docs/noise-truth.md`

#![allow(clippy::print_stdout, reason = "the table is what it is for")]

use radicand_tests::{Cell, twin_night};
use synth::{Calibration, Scene};

/// Numbers of lights.
const LIGHTS: [usize; 5] = [2, 4, 10, 20, 60];
/// Scenes, and what they are called here.
const SCENES: [(&str, &str); 4] = [
    ("tripod-burst", "tripod"),
    ("tripod-ground", "tripod, sky over the ground"),
    ("tracked", "tracked, dithered"),
    ("tracked-still", "tracked, no dither"),
];
/// Folders that go into the stack, and what they are called here.
const CALIBRATIONS: [(&[&str], &str); 2] = [
    (&["lights"], "none"),
    (
        &["lights", "darks", "flats", "bias"],
        "20 darks, flats and bias frames",
    ),
];
/// A reported figure this close to the truth is right whatever its error.
const CLOSE: f64 = 0.02;

fn main() {
    let only: Vec<String> = std::env::args().skip(1).collect();
    let mut all = Vec::new();
    println!("{HEAD}");
    for (name, title) in SCENES {
        for (folders, calibration) in CALIBRATIONS {
            for lights in LIGHTS {
                let label = format!("{name}/{}/{lights}", folders.len());
                if only.is_empty() || only.iter().any(|part| label.contains(part.as_str())) {
                    let cells = row(name, title, folders, calibration, lights);
                    if lights >= MEASURED_FROM {
                        all.extend(cells);
                    }
                }
            }
        }
    }
    println!("{}", closing(&all));
}

/// What all cells say together, and what the table says.
fn closing(cells: &[Cell]) -> String {
    let n = cells.len() as f64;
    let z: Vec<f64> = cells.iter().map(Cell::z).collect();
    let mean = z.iter().sum::<f64>() / n;
    let scatter = (z.iter().map(|z| (z - mean).powi(2)).sum::<f64>() / (n - 1.0)).sqrt();
    let single = Figure::of(cells, Cell::single);
    let stack = Figure::of(cells, Cell::stack);
    let gain = Figure::of(cells, Cell::gains);
    format!(
        "\
All {n} cells of {MEASURED_FROM} lights and more together: single noise {:.3} of the true one and
right in {:.1} %, stack noise {:.3} and {:.1} %, gain {:.3} and {:.1} %; z {mean:.2} +- {:.2}, scatter
{scatter:.2}.

{TAIL}",
        single.ratio,
        100.0 * single.right,
        stack.ratio,
        100.0 * stack.right,
        gain.ratio,
        100.0 * gain.right,
        n.sqrt().recip(),
    )
}

/// Fewer lights have one difference: their gain is assumed, and the report says so.
const MEASURED_FROM: usize = 4;

const TAIL: &str = "\
What to read from it:

- A figure with a standard error lies within two of them in 95 % of cases when figure and
  error are right; a night has few cells, so that its own share scatters by 3 to 4 %.
- Noise of single lights comes out up to 1.3 % low, and the stack's by as much, so that
  gains do not see it: the surface that is taken out of a tile costs interpolated noise a
  little more than the white noise that is given back.
- With two lights the gain is assumed, and the report says so.";

const HEAD: &str = "\
# Reported noise against the truth

Made by `cargo run --release -p radicand-tests --example noise_truth`. Every row is an
invented night of 1200 x 900 px through the whole job, held against a twin of it without
noise that went through the same engine (`tests/twin.rs`). A cell is one channel of one
region of open sky that all lights reach; `right` is the share of cells whose reported
figure lies within 2 % of the truth or within twice its own error (with the scatter of the
realized truth); z is the distance of gains in such errors, which should scatter by 1.

| scene | calibration | N | cells | single: reported / true | right | stack: reported / true | right | gain: reported / true | right | z: mean, scatter | frames: reported (true) | pattern visible |
|---|---|---|---|---|---|---|---|---|---|---|---|---|";

fn row(name: &str, title: &str, folders: &[&str], calibration: &str, lights: usize) -> Vec<Cell> {
    let night = twin_night(&scene(name, lights), folders);
    let cells = &night.cells;
    let single = Figure::of(cells, Cell::single);
    let stack = Figure::of(cells, Cell::stack);
    let gain = Figure::of(cells, Cell::gains);
    let z: Vec<f64> = cells.iter().map(Cell::z).collect();
    let n = z.len() as f64;
    let mean = z.iter().sum::<f64>() / n;
    let scatter = (z.iter().map(|z| (z - mean).powi(2)).sum::<f64>() / (n - 1.0)).sqrt();
    let frames = |of: &dyn Fn(&Cell) -> f64| {
        let mut frames: Vec<f64> = cells.iter().map(|cell| of(cell).powi(2)).collect();
        frames.sort_by(f64::total_cmp);
        frames.get(frames.len() / 2).copied().unwrap_or(f64::NAN)
    };
    println!(
        "| {title} | {calibration} | {} | {} | {} | {} | {} | {mean:.2}, {scatter:.2} | {:.2} ({:.2}) | {} |",
        night.outcome.lights.len(),
        cells.len(),
        single.cells(),
        stack.cells(),
        gain.cells(),
        frames(&|cell| cell.reported.gain_area),
        frames(&|cell| cell.gain()),
        if night.outcome.noise.summary.pattern.visible {
            "yes"
        } else {
            "no"
        },
    );
    night.cells
}

/// How one figure does over all cells.
struct Figure {
    /// Geometric mean of reported over true.
    ratio: f64,
    right: f64,
}

impl Figure {
    fn of(cells: &[Cell], figure: impl Fn(&Cell) -> (f64, f64, f64)) -> Self {
        let n = cells.len() as f64;
        let (mut right, mut logarithms) = (0.0, 0.0);
        for (reported, truth, error) in cells.iter().map(figure) {
            let ratio = reported / truth;
            let is_right = (ratio - 1.0).abs() < (2.0 * error / truth).max(CLOSE);
            right += if is_right { 1.0 } else { 0.0 };
            logarithms += ratio.ln();
        }
        Self {
            right: right / n,
            ratio: (logarithms / n).exp(),
        }
    }

    fn cells(&self) -> String {
        format!("{:.3} | {:.0} %", self.ratio, 100.0 * self.right)
    }
}

/// A scene with so many lights and calibration frames.
fn scene(name: &str, lights: usize) -> Scene {
    let still = name == "tracked-still";
    let mut scene = Scene::named(if still { "tracked" } else { name }).expect("a scene");
    if still {
        scene.mount.dither_arcsec = 0.0;
    }
    scene.frames = lights;
    scene.calibration = Calibration {
        darks: 20,
        flats: 20,
        bias: 20,
        ..Calibration::NONE
    };
    scene
}
