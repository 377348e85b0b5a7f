//! Reported noise against that of the night's noise-free twin; the whole table is in
//! docs/noise-truth.md.

#![allow(clippy::print_stdout, reason = "a failing test shows its figures")]

use radicand_tests::{Cell, twin_night};
use std::sync::OnceLock;
use synth::{Calibration, Scene};

/// A reported figure this close to the truth is right whatever its error.
const CLOSE: f64 = 0.02;
/// Share of the cells that is to be right: twice a standard error holds 95.4 % of them.
const RIGHT: f64 = 0.95;

/// The cells of three nights: what they are, and how many lights they have.
fn nights() -> &'static [(&'static str, Vec<Cell>)] {
    static NIGHTS: OnceLock<Vec<(&str, Vec<Cell>)>> = OnceLock::new();
    NIGHTS.get_or_init(|| {
        [
            ("tripod-burst", 4, vec!["lights", "darks"]),
            ("tripod-burst", 12, vec!["lights", "darks"]),
            ("tracked", 12, vec!["lights", "darks", "flats", "bias"]),
        ]
        .into_iter()
        .map(|(name, lights, folders)| {
            let mut scene = Scene::named(name).expect("a scene");
            (scene.width, scene.height, scene.frames) = (900, 640, lights);
            scene.calibration = Calibration {
                darks: 12,
                flats: 12,
                bias: 12,
                ..Calibration::NONE
            };
            (name, twin_night(&scene, &folders).cells)
        })
        .collect()
    })
}

/// Share of the cells whose figure is within twice its error, or close.
fn right(cells: &[Cell], figure: impl Fn(&Cell) -> (f64, f64, f64)) -> f64 {
    let right = cells.iter().filter(|cell| {
        let (reported, truth, error) = figure(cell);
        (reported / truth - 1.0).abs() < (2.0 * error / truth).max(CLOSE)
    });
    right.count() as f64 / cells.len() as f64
}

#[test]
fn noise_and_gain_are_the_true_ones_region_by_region() {
    for (name, cells) in nights() {
        let single = right(cells, Cell::single);
        let stack = right(cells, Cell::stack);
        let gain = right(cells, Cell::gains);
        println!(
            "{name}: {} cells; {single:.3} {stack:.3} {gain:.3}",
            cells.len()
        );
        assert!(cells.len() >= 36, "{name}: {} cells", cells.len());
    }
    // Cells of a night share their calibration frames, and so their luck: only nights
    // together have as many chances as cells.
    let all: Vec<Cell> = nights()
        .iter()
        .flat_map(|(_, cells)| cells)
        .copied()
        .collect();
    let n = all.len() as f64;
    for (what, share) in [
        ("single", right(&all, Cell::single)),
        ("stack", right(&all, Cell::stack)),
        ("gain", right(&all, Cell::gains)),
    ] {
        println!("{what}: right in {share:.3} of {n}");
        // Twice the chance scatter of a share of so many cells below it.
        let least = RIGHT - 2.0 * (RIGHT * (1.0 - RIGHT) / n).sqrt();
        assert!(share >= least, "{what} right in {share:.3} of the cells");
    }
}

#[test]
fn errors_are_neither_too_small_nor_too_large() {
    /// z must scatter by one.
    const WIDTH_TOLERANCE: f64 = 0.15;
    let z: Vec<f64> = nights()
        .iter()
        .flat_map(|(_, cells)| cells.iter().map(Cell::z))
        .collect();
    let n = z.len() as f64;
    let mean = z.iter().sum::<f64>() / n;
    let width = (z.iter().map(|z| (z - mean).powi(2)).sum::<f64>() / (n - 1.0)).sqrt();
    println!("{n} cells: z {mean:.3} +- {width:.3}");
    // Chance of so many independent cells, four times over.
    assert!(mean.abs() < 4.0 / n.sqrt(), "{mean}");
    assert!((width - 1.0).abs() < WIDTH_TOLERANCE, "{width}");
}
