//! Clips by median deviation, Winsorized means and the price of robust estimators, against
//! numpy and astropy: fixtures/robust_checks.

#![allow(clippy::print_stdout, reason = "a failing test shows its figures")]

use align::PixelMap;
use ndarray::Array2;
use radicand_tests::{
    LEVEL_DN, SIGMA_DN, check_near, fixture, mono_calibrator, mono_light, noise_stack,
};
use rand::{Rng, SeedableRng};
use rand_chacha::ChaCha8Rng;
use rand_distr::StandardNormal;
use serde_json::Value;
use stack::{
    CameraNoise, ChannelNoise, ClipOptions, ClipScale, Combine, PredictedClip, Stack, StackOptions,
    WinsorOptions, clip_sorted, winsor_limits, winsorized_mean,
};

/// Sums of a few doubles in another order, and the JSON parser, relative.
const ROUNDING: f64 = 8.0 * f64::EPSILON;
/// Half a unit in the last place of an `f32`, relative: results are rounded to `f32` once.
const F32_ROUNDING: f64 = 0.5 * f32::EPSILON as f64;
/// Most good samples that growing takes by chance, as its definition says.
const GROWN: f64 = 1e-4;

/// Standard errors a figure may be off: one chance in 16,000.
const SIGMAS: f64 = 4.0;

fn number(value: &Value) -> f64 {
    value.as_f64().expect("a number")
}

fn numbers(value: &Value) -> Vec<f32> {
    let list = value.as_array().expect("a list");
    list.iter().map(|v| number(v) as f32).collect()
}

fn values() -> Value {
    let text = std::fs::read(fixture("robust_checks/values.json")).expect("the fixture");
    serde_json::from_slice(&text).expect("JSON")
}

#[test]
fn clips_and_winsorized_means_are_those_of_numpy_and_astropy() {
    let values = values();
    let cases = values["cases"].as_array().expect("cases");
    assert_eq!(cases.len(), 105);
    for (i, case) in cases.iter().enumerate() {
        let (samples, weights) = (numbers(&case["samples"]), numbers(&case["weights"]));
        let mut sorted = samples.clone();
        sorted.sort_by(f32::total_cmp);
        for result in case["results"].as_array().expect("results") {
            let name = format!("case {i}, {}, {result}", case["kind"]);
            let sigmas = ["low_sigmas", "high_sigmas"].map(|key| number(&result[key]) as f32);
            let [low_sigmas, high_sigmas] = sigmas;
            let options = ClipOptions {
                low_sigmas,
                high_sigmas,
                scale: ClipScale::MedianDeviation,
                ..ClipOptions::default()
            };
            let kept = clip_sorted(&sorted, &options).expect("there are samples");
            assert_eq!(kept.n_kept as u64, result["clip"]["n_kept"], "{name}");
            let inside = sorted
                .iter()
                .filter(|v| kept.low <= **v && **v <= kept.high);
            let mean = inside.map(|&v| f64::from(v)).sum::<f64>() / kept.n_kept as f64;
            check_near(&name, mean, number(&result["clip"]["mean"]), ROUNDING);

            let options = WinsorOptions {
                low_sigmas,
                high_sigmas,
            };
            let limits = winsor_limits(&sorted, &options);
            let plain = winsorized_mean(samples.iter().map(|&v| (v, 1.0)), limits);
            check_near(&name, plain.mean, number(&result["winsorized"]), ROUNDING);
            let weighted = samples.iter().copied().zip(weights.iter().copied());
            let weighted = winsorized_mean(weighted, limits);
            check_near(&name, weighted.mean, number(&result["weighted"]), ROUNDING);
        }
    }
}

/// Stacks samples of pixels too far apart to touch each other: `pixels[pixel][light]`.
fn through_the_engine(pixels: &[Vec<f32>], weights: &[f32], combine: Combine) -> Vec<f32> {
    const SPACING_PX: usize = 7;
    let width = SPACING_PX * pixels.len();
    let place = |i: usize| (SPACING_PX / 2, SPACING_PX * i + SPACING_PX / 2);
    let lights: Vec<_> = (0..weights.len())
        .map(|light| {
            let mut samples = Array2::from_elem((SPACING_PX, width), LEVEL_DN as u16);
            for (i, pixel) in pixels.iter().enumerate() {
                samples[place(i)] = pixel[light] as u16;
            }
            let mut light_in = mono_light(samples, PixelMap::identity());
            light_in.weight = weights[light];
            light_in
        })
        .collect();
    let options = StackOptions {
        combine,
        ..StackOptions::default()
    };
    let calibrator = mono_calibrator(width, SPACING_PX);
    let stack = stack::stack(&lights, &calibrator, &options, &(), &|_, _| ());
    let (stack, _) = stack.expect("a stack");
    (0..pixels.len())
        .map(|i| stack.mean[(0, place(i).0, place(i).1)])
        .collect()
}

#[test]
fn the_engines_results_are_the_same() {
    let values = values();
    let recordable = |case: &&Value| numbers(&case["samples"]).iter().all(|&v| v < 65536.0);
    for case in values["cases"].as_array().expect("cases") {
        if !recordable(&case) {
            continue;
        }
        let pixels = [numbers(&case["samples"])];
        for result in case["results"].as_array().expect("results") {
            let sigmas = ["low_sigmas", "high_sigmas"].map(|key| number(&result[key]) as f32);
            let [low_sigmas, high_sigmas] = sigmas;
            let winsorized = Combine::Winsorized(WinsorOptions {
                low_sigmas,
                high_sigmas,
            });
            let clip = Combine::SigmaClip(ClipOptions {
                low_sigmas,
                high_sigmas,
                scale: ClipScale::MedianDeviation,
                ..ClipOptions::default()
            });
            let ones = vec![1.0; pixels[0].len()];
            let weights = numbers(&case["weights"]);
            let tried = [
                (winsorized, &ones, &result["winsorized"]),
                (winsorized, &weights, &result["weighted"]),
                (clip, &ones, &result["clip"]["mean"]),
            ];
            for (combine, weights, want) in tried {
                let found = through_the_engine(&pixels, weights, combine)[0];
                let name = format!("{} {combine:?}", case["kind"]);
                check_near(&name, found.into(), number(want), F32_ROUNDING + ROUNDING);
            }
        }
    }
}

struct Price {
    estimator: String,
    n: usize,
    sigmas: f32,
    n_var: (f64, f64),
    touched: (f64, f64),
}

fn prices() -> Vec<Price> {
    let text = std::fs::read_to_string(fixture("robust_checks/price.csv")).expect("the fixture");
    let price = |line: &str| {
        let fields: Vec<&str> = line.split(',').collect();
        let number = |i: usize| fields[i].parse::<f64>().expect("a number");
        Price {
            estimator: fields[0].to_owned(),
            n: number(1) as usize,
            sigmas: number(2) as f32,
            n_var: (number(3), number(4)),
            touched: (number(5), number(6)),
        }
    };
    let prices: Vec<Price> = text.lines().skip(1).map(price).collect();
    assert_eq!(prices.len(), 30);
    prices
}

const SIDE_PX: usize = 240;

/// `n` times the variance of the stack, in units of a sample's, and its standard error.
fn n_var(stack: &Stack, n: usize) -> (f64, f64) {
    let squares = stack.mean.iter().map(|&value| {
        let off = f64::from((value - LEVEL_DN) / SIGMA_DN);
        n as f64 * off * off
    });
    let squares: Vec<f64> = squares.collect();
    let count = squares.len() as f64;
    let mean = squares.iter().sum::<f64>() / count;
    let spread = squares.iter().map(|s| (s - mean).powi(2)).sum::<f64>() / count;
    (mean, (spread / count).sqrt())
}

/// Read noise and shot noise of a camera whose samples at [`LEVEL_DN`] scatter by
/// [`SIGMA_DN`], in equal parts.
fn camera() -> CameraNoise {
    let half_dn2 = 0.5 * SIGMA_DN * SIGMA_DN;
    CameraNoise(
        [ChannelNoise {
            gain_e_per_dn: LEVEL_DN / half_dn2,
            floor_dn2: half_dn2,
        }; 3],
    )
}

#[test]
fn robust_estimators_cost_what_numpy_finds() {
    for (i, price) in prices().iter().enumerate() {
        let sigmas = price.sigmas;
        let combine = match price.estimator.as_str() {
            "winsorized" => Combine::Winsorized(WinsorOptions {
                low_sigmas: sigmas,
                high_sigmas: sigmas,
            }),
            _ => Combine::PredictedClip(PredictedClip {
                low_sigmas: sigmas,
                high_sigmas: sigmas,
                max_passes: 5,
                camera: camera(),
            }),
        };
        let stack = noise_stack(SIDE_PX, price.n, combine, i as u64);
        let (found, error) = n_var(&stack, price.n);
        let (want, want_error) = price.n_var;
        let samples = (price.n * SIDE_PX * SIDE_PX) as f64;
        let taken = stack.rejected.iter().map(|&r| f64::from(r)).sum::<f64>() / samples;
        println!(
            "{} n {} at {sigmas}: n var {found:.4} +- {error:.4} of {want:.4}, rejected {taken:.6}",
            price.estimator, price.n
        );
        let name = format!("{} n {} at {sigmas}", price.estimator, price.n);
        if price.estimator == "winsorized" {
            assert_eq!(taken, 0.0, "{name}");
            let limit = SIGMAS * error.hypot(want_error);
            assert!((found - want).abs() <= limit, "{name}: {found} of {want}");
            continue;
        }
        // Growing takes good samples by chance, at most so many; and where a step of pure
        // noise passes for a star's flank, a little more is kept.
        let (touched, touched_error) = price.touched;
        let grown = GROWN;
        let error_of_share = (2.0 * touched / samples).sqrt().hypot(touched_error);
        let limit = SIGMAS * error_of_share + grown;
        assert!(
            (taken - touched).abs() <= limit,
            "{name}: {taken} of {touched}"
        );
        let limit = SIGMAS * error.hypot(want_error) + grown;
        assert!((found - want).abs() <= limit, "{name}: {found} of {want}");
    }
}

#[test]
fn one_satellite_of_five_goes_by_prediction_and_stays_by_scatter() {
    // One sample 40 sigmas up at each pixel of a coarse grid, in the second of five lights.
    let mut rng = ChaCha8Rng::seed_from_u64(99);
    let pixels: Vec<Vec<f32>> = (0..200)
        .map(|_| {
            let mut draw = || LEVEL_DN + SIGMA_DN * rng.sample::<f32, _>(StandardNormal);
            let mut pixel: Vec<f32> = (0..5).map(|_| draw().round()).collect();
            pixel[1] += 40.0 * SIGMA_DN;
            pixel
        })
        .collect();
    let without = |pixel: &Vec<f32>| {
        let others = [0, 2, 3, 4].map(|light| f64::from(pixel[light]));
        others.iter().sum::<f64>() / 4.0
    };
    let by_scatter = Combine::SigmaClip(ClipOptions::default());
    let predicted = Combine::PredictedClip(PredictedClip {
        low_sigmas: 3.0,
        high_sigmas: 3.0,
        max_passes: 5,
        camera: camera(),
    });
    let left = |combine: Combine| {
        let found = through_the_engine(&pixels, &[1.0; 5], combine);
        let off = found.iter().zip(&pixels);
        let off = off.map(|(&v, pixel)| (f64::from(v) - without(pixel)) / f64::from(SIGMA_DN));
        off.sum::<f64>() / pixels.len() as f64
    };
    // A fifth of 40 sigmas stays, give or take the noise of 200 means; by prediction the
    // others' mean alone, but for the 0.4 % of them that are clipped on either side.
    assert!((left(by_scatter) - 8.0).abs() < 0.2, "{}", left(by_scatter));
    assert!(left(predicted).abs() < 0.05, "{}", left(predicted));
}
