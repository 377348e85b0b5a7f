//! The growth curve of simulated lights: the root of n without a pattern, the floor with one.

#![allow(clippy::print_stdout, reason = "a failing test shows its figures")]

mod engine;

use engine::{Burst, SIGMAS, rng, shifted, white};
use noise::{GrowthCurve, Measured, Summary};

/// Room around the picture for the drift, px.
const MARGIN: usize = 160;

/// White lights over a white pattern that an even drift moves, resampled to the sky; the
/// pattern's lights by themselves; and what is reported.
struct Night {
    burst: Burst,
    pattern: Burst,
    summary: Summary,
    growth: GrowthCurve,
}

fn night(n: usize, pattern_dn: f32, step_px: f64, seed: u64) -> Night {
    let (mut burst, mut pattern) = (Burst::blank(n), Burst::blank(n));
    let (width, height) = (burst.width, burst.height);
    let pixels = (width + 2 * MARGIN) * (height + 2 * MARGIN);
    let fixed = white(&mut rng(seed + 7), pixels, pattern_dn);
    let at = |i: usize| (0.8 * step_px * i as f64, 0.6 * step_px * i as f64);
    let mut lights = burst.lights.iter_mut().zip(&mut pattern.lights);
    for i in 0..n {
        let (light, still) = lights.next().expect("n lights");
        let mut frame = white(&mut rng(seed * 1000 + i as u64), pixels, 10.0);
        frame.iter_mut().zip(&fixed).for_each(|(v, p)| *v += p);
        *light = shifted(&frame, width, height, MARGIN, at(i).0, at(i).1);
        *still = shifted(&fixed, width, height, MARGIN, at(i).0, at(i).1);
    }
    burst.positions_px = Some((0..n).map(|i| vec![at(i)]).collect());
    burst.add_scene(|_, _| 1000.0);
    let summary = burst.report().expect("noise").summary;
    let growth = summary.growth.clone().expect("enough lights");
    println!("{growth:?}");
    Night {
        burst,
        pattern,
        summary,
        growth,
    }
}

impl Night {
    /// Area variance of the pattern in the stack, and of the stack.
    fn stack(&self) -> (f64, f64) {
        let variance = |burst: &Burst| burst.block_variance(&burst.stack());
        (variance(&self.pattern), variance(&self.burst))
    }

    /// Area variance of a light, median: interpolation between pixels takes up to a
    /// seventh off it, alike for noise and pattern.
    fn typical_light(&self) -> f64 {
        typical_light(&self.burst)
    }

    /// That of the pattern in it.
    fn pattern_of_a_light(&self) -> f64 {
        typical_light(&self.pattern)
    }
}

fn typical_light(burst: &Burst) -> f64 {
    let lights = burst.lights.iter();
    let mut variances: Vec<f64> = lights.map(|light| burst.block_variance(light)).collect();
    variances.sort_by(f64::total_cmp);
    let n = variances.len();
    0.5 * (variances[(n - 1) / 2] + variances[n / 2])
}

/// The floor's variance over that of a light, and its error.
fn floor_variance(growth: &GrowthCurve) -> (f64, f64) {
    let Measured { value, error } = growth.floor.expect("at least three numbers");
    let variance = value * value;
    (variance, (value + error).powi(2) - variance)
}

#[test]
fn four_lights_have_points_and_nothing_that_a_line_would_tell() {
    for n in [4, 7] {
        let growth = night(n, 0.0, 3.0, 430).growth;
        let numbers: Vec<usize> = growth.points.iter().map(|point| point.n).collect();
        assert_eq!(numbers, [1, 2, n]);
        let told = [growth.floor, growth.lights_to_halve, growth.stops_paying_at];
        assert_eq!(told, [None; 3], "of {n} lights");
    }
}

#[test]
fn independent_noise_grows_as_the_root_of_n() {
    let (mut squares, mut count, mut floors) = (0.0, 0.0, 0);
    for seed in 0..4 {
        let Night {
            summary, growth, ..
        } = night(16, 0.0, 3.0, 400 + seed);
        let numbers: Vec<usize> = growth.points.iter().map(|point| point.n).collect();
        assert_eq!(numbers, [1, 2, 4, 8, 16]);
        assert_eq!((growth.points[0].gain, growth.points[0].error), (1.0, 0.0));
        for point in &growth.points[1..] {
            let z = (point.gain - (point.n as f64).sqrt()) / point.error;
            assert!(z.abs() < SIGMAS, "{point:?}");
            assert!(point.error < 0.05 * point.gain, "{point:?}");
            squares += z * z;
            count += 1.0;
        }
        // Without a floor four times the lights halve the noise, and more always pay.
        if growth.stops_paying_at.is_none() {
            let halve = growth.lights_to_halve.expect("no floor");
            assert_eq!(halve.value, 64.0);
            assert!(halve.error > 0.0, "{halve:?}");
        } else {
            floors += 1;
        }
        let (floor, error) = floor_variance(&growth);
        assert!(floor < SIGMAS * error, "{floor} {error}");
        assert!(growth.includes_pattern, "{:?}", summary.pattern);
    }
    // 16 scores know a width to 0.18.
    let width = f64::sqrt(squares / count);
    assert!(
        (width - 1.0).abs() < 3.0 * 0.18,
        "z scores have width {width}"
    );
    // Two standard errors are passed by one night in 44.
    assert!(floors <= 1, "{floors}");
}

/// The pattern's floor and where it stops paying, in a night of 16 lights whose pattern is
/// half as strong as the noise of a light.
fn check_floor(step_px: f64, seed: u64) {
    /// Of a floor: a pattern's strength is known to a tenth, and 6144 blocks tell the
    /// variances of light and pattern to 1.8 % each.
    const TOLERANCE: f64 = 0.1;
    let night = night(16, 5.0, step_px, seed);
    let growth = &night.growth;
    assert!(night.summary.pattern.visible && growth.includes_pattern);
    let floor = night.stack().0 / night.typical_light();
    let (found, error) = floor_variance(growth);
    println!("step {step_px} px: floor {found:.4} true {floor:.4}");
    assert!((found / floor - 1.0).abs() < TOLERANCE, "{found} {floor}");
    assert!(error < 0.02 * floor);
    // Twice n lower the noise by a tenth at n = a / f^2 (w - 1/2) / (1 - w), w = 1.1^-2.
    let worth = 1.1f64.powi(-2);
    let noise = 1.0 - night.pattern_of_a_light() / night.typical_light();
    let stops = noise / floor * (worth - 0.5) / (1.0 - worth);
    let Measured {
        value: found,
        error,
    } = growth.stops_paying_at.expect("a floor");
    assert!(error > 0.0 && error < TOLERANCE * found, "{error}");
    println!("stops paying at {found:.1}, true {stops:.1}");
    // The pattern is over a quarter of the stack's variance: no number of lights halves it.
    assert_eq!(growth.lights_to_halve, None);
    assert!((found / stops - 1.0).abs() < TOLERANCE, "{found} {stops}");
}

#[test]
fn the_floor_of_a_pattern_is_found_however_far_it_drifts() {
    // 16 lights that move 1.5 px in all, of whose pattern hardly anything averages, and
    // 4.5 and 15 px: the more lights, the more of it does.
    for (step_px, seed) in [(0.1, 410), (0.3, 413), (1.0, 415)] {
        check_floor(step_px, seed);
    }
}

#[test]
fn the_lights_that_are_said_to_halve_the_noise_do() {
    // A pattern that is a seventh of the stack's variance.
    let night = night(8, 1.5, 0.15, 420);
    let needed = night.growth.lights_to_halve.expect("a weak floor").value;
    assert!(night.growth.stops_paying_at.is_some(), "a floor shows");
    let (pattern, all) = night.stack();
    let noise = ((all - pattern) * 8.0 / needed + pattern) / all;
    println!("{needed:.0} lights: {:.3} of the noise", noise.sqrt());
    // The floor is known to a fifth, which leaves a tenth of the noise of so many.
    assert!((noise.sqrt() / 0.5 - 1.0).abs() < 0.1, "{noise}");
    assert!(needed > 32.0, "more than without a floor: {needed}");
}
