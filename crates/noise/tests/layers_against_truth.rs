//! Patterns under a drift too small for halves, told from the sky by the lights' track.

#![allow(clippy::print_stdout, reason = "a failing test shows its figures")]

mod engine;

use engine::{Burst, SIGMAS, red_of, rng, shifted, unexplained_is_chance, white};
use noise::Headline;
use rand::Rng;

/// Room around the picture for the drift, px.
const MARGIN: usize = 16;

/// What the sensor adds to every light, over the picture and its margins.
type Sensor<'a> = &'a dyn Fn(usize, usize) -> Vec<f32>;

/// Lights of white noise (sigma 10) over a fixed pattern of the sensor, resampled where
/// the track says; `red` takes the red of a mosaic first.
fn night(track: &[(f64, f64)], sensor: Sensor<'_>, red: bool, seed: u64) -> Burst {
    let mut burst = Burst::blank(track.len());
    burst.photosite_share = if red { 0.25 } else { 1.0 };
    let (width, height) = (burst.width, burst.height);
    let (stride, rows) = (width + 2 * MARGIN, height + 2 * MARGIN);
    let pattern = sensor(stride, rows);
    for (i, (light, at)) in burst.lights.iter_mut().zip(track).enumerate() {
        let mut frame = white(&mut rng(seed * 1000 + i as u64), stride * rows, 10.0);
        frame.iter_mut().zip(&pattern).for_each(|(v, p)| *v += p);
        if red {
            frame = red_of(&frame, stride);
        }
        *light = shifted(&frame, width, height, MARGIN, at.0, at.1);
    }
    burst.positions_px = Some(track.iter().map(|&at| vec![at]).collect());
    burst.add_scene(|_, _| 1000.0);
    burst
}

/// An even drift, `drift_px` in all.
fn drift(n: usize, drift_px: f64) -> Vec<(f64, f64)> {
    let step = drift_px / (n - 1) as f64;
    (0..n)
        .map(|i| (0.3 + 0.8 * step * i as f64, 0.1 - 0.6 * step * i as f64))
        .collect()
}

fn pixels(sigma: f32, seed: u64) -> impl Fn(usize, usize) -> Vec<f32> {
    move |stride, rows| white(&mut rng(seed), stride * rows, sigma)
}

/// Share of the stack's variance that the pattern has, from the lights without noise.
fn true_share(burst: &Burst, track: &[(f64, f64)], sensor: Sensor<'_>, red: bool) -> f64 {
    let mut quiet = Burst::blank(track.len());
    let (stride, rows) = (quiet.width + 2 * MARGIN, quiet.height + 2 * MARGIN);
    let mut pattern = sensor(stride, rows);
    if red {
        pattern = red_of(&pattern, stride);
    }
    let (width, height) = (quiet.width, quiet.height);
    for (light, at) in quiet.lights.iter_mut().zip(track) {
        *light = shifted(&pattern, width, height, MARGIN, at.0, at.1);
    }
    quiet.block_variance(&quiet.stack()) / burst.block_variance(&burst.stack())
}

#[test]
fn a_pattern_that_moves_one_pixel_is_measured() {
    // The case that halves are blind to: 12 lights, 1.1 px, 0.8 % of a level of 1000; and
    // what is too little for halves in time as well. As a mosaic's red, too.
    for (n, drift_px, red, seed) in [
        (12, 1.1, false, 1),
        (12, 1.1, true, 2),
        (20, 4.0, true, 3),
        (12, 0.3, false, 4),
    ] {
        let (track, sensor) = (drift(n, drift_px), pixels(8.0, 90 + seed));
        let burst = night(&track, &sensor, red, seed);
        let summary = burst.report().expect("noise").summary;
        let truth = burst.true_gain();
        let share = true_share(&burst, &track, &sensor, red);
        let pattern = summary.pattern;
        let found = pattern.fraction_of_variance.expect("visible");
        println!(
            "{n} lights {drift_px} px, red {red}: {:.2} +- {:.2} frames of true {:.2}, \
             share {found:.3} of true {share:.3}",
            summary.effective_frames,
            2.0 * summary.gain_area * summary.error,
            truth * truth
        );
        assert!(pattern.visible);
        assert_eq!(summary.headline, Headline::RandomAndPattern);
        assert!((summary.gain_area - truth).abs() < SIGMAS * summary.realized_error);
        // Known strengths within 10 %.
        assert!((found / share - 1.0).abs() < 0.1, "{found} {share}");
        assert!(summary.effective_frames_at_upper_bound < 1.05 * truth * truth);
        unexplained_is_chance(&burst);
        let direction = pattern.direction_deg.expect("it moves");
        assert!((direction - (360.0 - 36.870)).abs() < 1e-3, "{direction}");
        assert_eq!(pattern.walking, drift_px > 1.0);
        assert_eq!((pattern.columns, pattern.rows), (Some(0.0), Some(0.0)));
        // Halves alone are blind to it.
        let mut blind = burst.clone();
        blind.tracked = false;
        let blind = blind.report().expect("noise").summary;
        assert!(!blind.pattern.visible);
        assert!(blind.effective_frames > 1.3 * truth * truth);
    }
}

#[test]
fn no_pattern_is_found_where_there_is_none() {
    let (mut squares, mut count) = (0.0, 0.0);
    for seed in 0..6 {
        let track = drift(8, 1.5);
        let burst = night(&track, &pixels(0.0, 1), seed % 2 == 1, 40 + seed);
        let summary = burst.report().expect("noise").summary;
        let pattern = summary.pattern;
        println!("none: {pattern:?}");
        if pattern.visible {
            assert_eq!(pattern.fraction_of_variance, Some(0.0));
        }
        assert!(!pattern.walking);
        assert!(pattern.upper_bound < 0.25, "{}", pattern.upper_bound);
        let z = (summary.gain_area - 8f64.sqrt()) / summary.error;
        squares += z * z;
        count += 1.0;
    }
    // 6 scores know a width to 0.3; the errors count a doubt that is not here.
    let width = f64::sqrt(squares / count);
    println!("z width {width:.2}");
    assert!(width < 1.9, "{width}");
}

#[test]
fn the_sky_is_no_pattern() {
    // Faint stars below any mask, which grow wider in the course of the night, and a
    // gradient that turns: both change slowly, and neither lies on the sensor.
    let track = drift(12, 1.1);
    let mut burst = night(&track, &pixels(0.0, 1), false, 60);
    let mut rng = rng(61);
    let width = burst.width;
    for _ in 0..3000 {
        let (x, y) = (rng.random_range(8.0..760.0), rng.random_range(8.0..504.0));
        let flux = 400.0 * rng.random_range(0.0f64..1.0).powi(3);
        for (i, light) in burst.lights.iter_mut().enumerate() {
            let sigma2 = 1.3f64.powi(2) * (1.0 + 0.01 * i as f64);
            for p in 0..15 * 15 {
                let (column, row) = (x as usize + p % 15 - 7, y as usize + p / 15 - 7);
                let r2 = (column as f64 - x).powi(2) + (row as f64 - y).powi(2);
                let value = flux / (std::f64::consts::TAU * sigma2) * (-0.5 * r2 / sigma2).exp();
                light[row * width + column] += value as f32;
            }
        }
    }
    for (i, light) in burst.lights.iter_mut().enumerate() {
        for (p, value) in light.iter_mut().enumerate() {
            *value += 0.002 * i as f32 * (p % width) as f32;
        }
    }
    let summary = burst.report().expect("noise").summary;
    println!("sky: {:?}", summary.pattern);
    assert!(summary.pattern.fraction_of_variance.unwrap_or(0.0) < 0.05);
    assert!(!summary.pattern.walking);
    assert!((summary.gain_area - 12f64.sqrt()).abs() < SIGMAS * summary.realized_error);
}

#[test]
fn columns_are_told_from_pixels() {
    let columns = |stride: usize, rows: usize| {
        let line = white(&mut rng(70), stride, 2.0);
        (0..stride * rows).map(|p| line[p % stride]).collect()
    };
    let track = drift(12, 1.5);
    let burst = night(&track, &columns, false, 71);
    let summary = burst.report().expect("noise").summary;
    let share = true_share(&burst, &track, &columns, false);
    println!("columns: {:?} true {share:.3}", summary.pattern);
    let found = summary.pattern.columns.expect("told by the track");
    assert!((found / share - 1.0).abs() < 0.1, "{found} {share}");
    assert_eq!(summary.pattern.rows, Some(0.0));
    let truth = burst.true_gain();
    assert!((summary.gain_area - truth).abs() < SIGMAS * summary.realized_error);
}

#[test]
fn a_track_of_other_lights_changes_nothing() {
    let mut burst = night(&drift(6, 1.0), &pixels(0.0, 1), false, 80);
    let track = burst.track();
    let observer = noise::NoiseObserver::new(burst.mask.clone(), noise::NoiseOptions::default());
    burst.lights.pop();
    burst.weights.pop();
    burst.positions_px = None;
    let plain = burst.tiles(&observer).0;
    let other = burst.tiles(&observer.with_track(track)).0;
    assert_eq!(burst.report_of(&plain), burst.report_of(&other));
}
