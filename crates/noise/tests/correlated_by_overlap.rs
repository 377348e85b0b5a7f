//! Noise of pictures gathered by area overlap, against Fruchter & Hook (2002).
//!
//! Frames of white noise at many sub-pixel phases, their pixels shrunk to square drops of
//! side p (in frame pixels), are averaged by overlap into pixels of side s: variable-pixel
//! reconstruction (Fruchter & Hook 2002, PASP 114, 144). Neighbors share drops, so a pixel
//! shows less noise than there is: with r = p / s the noise at large scales is
//! R = r / (1 - 1 / (3 r)) times a pixel's for r >= 1, and 1 / (1 - r / 3) below
//! (section 7 there, from memory; derived again from the overlap of two boxes). Means of
//! b x b pixels reach R but for a part in b.

#![allow(clippy::print_stdout, reason = "a failing test shows its figures")]
#![allow(dead_code, reason = "the engine serves many tests")]

mod engine;

use engine::{Burst, cells, rng, white};
use rand::Rng;

/// Of the ratios: finite dither leaves pixels of unequal weight, and 3072 blocks of four
/// pictures know their noise to 0.7 %.
const TOLERANCE: f64 = 0.03;
/// Of the stack's own ratio: four errors of 3072 blocks, which know a noise to 1.3 %.
const STACK_TOLERANCE: f64 = 0.05;
/// Digits of the table, over what the extrapolation makes of them.
const TABLE_DIGITS: f64 = 3e-4;
/// Phases a side, one drawn in each cell of the frame's pixel.
const PHASES: usize = 6;
const LIGHTS: usize = 4;
const WIDTH: usize = 512;
const HEIGHT: usize = 384;
const SIGMA_DN: f32 = 10.0;

/// p, s, and b sd(block) / sd(pixel) at b = 8 and 16: sums of the autocorrelation of the
/// overlap of two boxes, evaluated independently.
const TABLE: [(f64, f64, f64, f64); 8] = [
    (1.0, 1.0, 1.4375, 1.4687),
    (0.8, 1.0, 1.3182, 1.3409),
    (0.5, 1.0, 1.1750, 1.1875),
    (0.6, 0.5, 1.5785, 1.6200),
    (0.7, 0.6, 1.5539, 1.5936),
    (0.8, 0.5, 1.8863, 1.9537),
    (1.0, 0.5, 2.2000, 2.3000),
    (0.5, 0.5, 1.4375, 1.4687),
];

fn published_ratio(drop: f64, pitch: f64) -> f64 {
    let r = drop / pitch;
    if r >= 1.0 {
        r / (1.0 - 1.0 / (3.0 * r))
    } else {
        1.0 / (1.0 - r / 3.0)
    }
}

/// Pixels of `0 .. n` that a drop from `low` on overlaps, and by how much.
fn overlaps(low: f64, drop: f64, pitch: f64, n: usize) -> Vec<(usize, f32)> {
    let high = low + drop;
    let first = (low / pitch).floor().max(0.0) as usize;
    (first..n)
        .map(|k| {
            let (left, right) = (k as f64 * pitch, (k + 1) as f64 * pitch);
            (k, (right.min(high) - left.max(low)) as f32)
        })
        .take_while(|&(k, _)| (k as f64) * pitch < high)
        .filter(|&(_, overlap)| overlap > 0.0)
        .collect()
}

/// One picture: frames of white noise at all phases, averaged by overlap.
fn gathered(drop: f64, pitch: f64, seed: u64) -> Vec<f32> {
    let mut rng = rng(seed);
    let (mut sum, mut weight) = (vec![0.0f32; WIDTH * HEIGHT], vec![0.0f32; WIDTH * HEIGHT]);
    for cell in 0..PHASES * PHASES {
        let mut phase = |cell: usize| (cell as f64 + rng.random::<f64>()) / PHASES as f64 - 1.0;
        let (phase_x, phase_y) = (phase(cell % PHASES), phase(cell / PHASES));
        let inset = 0.5 * (1.0 - drop);
        let along = |n: usize, phase: f64| -> Vec<Vec<(usize, f32)>> {
            let frame = (n as f64 * pitch).ceil() as usize + 2;
            (0..frame)
                .map(|i| overlaps(i as f64 + phase + inset, drop, pitch, n))
                .collect()
        };
        let (columns, rows) = (along(WIDTH, phase_x), along(HEIGHT, phase_y));
        for row in &rows {
            let noise = white(&mut rng, columns.len(), SIGMA_DN);
            for (value, column) in noise.iter().zip(&columns) {
                for &(y, high) in row {
                    for &(x, wide) in column {
                        sum[y * WIDTH + x] += high * wide * value;
                        weight[y * WIDTH + x] += high * wide;
                    }
                }
            }
        }
    }
    sum.iter().zip(&weight).map(|(sum, w)| sum / w).collect()
}

#[test]
fn the_table_tends_to_the_published_ratio() {
    for (drop, pitch, at_8, at_16) in TABLE {
        // What is missing falls as 1 / b.
        let limit = 2.0 * at_16 - at_8;
        let published = published_ratio(drop, pitch);
        assert!((limit - published).abs() < TABLE_DIGITS, "{drop} {pitch}");
    }
}

#[test]
fn noise_correlated_by_overlap_is_measured_at_its_true_scale() {
    for (case, (drop, pitch, at_8, _)) in TABLE.into_iter().enumerate() {
        let mut burst = Burst::of_size(LIGHTS, WIDTH, HEIGHT);
        for (i, light) in burst.lights.iter_mut().enumerate() {
            *light = gathered(drop, pitch, (40 + 10 * case + i) as u64);
        }
        let found = cells(&burst.report().expect("noise"));
        let rms = |of: fn(&noise::ChannelNoise) -> f64| {
            (found.iter().map(|cell| of(cell).powi(2)).sum::<f64>() / found.len() as f64).sqrt()
        };
        let (area, pixel) = (rms(|cell| cell.single.area), rms(|cell| cell.single.pixel));
        let ratio = area / pixel;
        // Of N frames a pixel shows sigma / (s R sqrt(N)).
        let native = f64::from(SIGMA_DN) / PHASES as f64;
        let want_pixel = native / (pitch * published_ratio(drop, pitch));
        println!("{drop} {pitch}: {ratio:.4} of {at_8}, pixel {pixel:.4} of {want_pixel:.4}");
        assert!((ratio / at_8 - 1.0).abs() < TOLERANCE, "{drop} {pitch}");
        assert!(
            (pixel / want_pixel - 1.0).abs() < TOLERANCE,
            "{drop} {pitch}"
        );
        let borrowed = rms(|cell| cell.budget.borrowed) * at_8;
        assert!((borrowed - 1.0).abs() < STACK_TOLERANCE, "{drop} {pitch}");
    }
}
