//! Real photon noise through the engine: fixtures/series as mosaics without filters,
//! identity maps, stacks of 1, 2, 4, ... frames.

#![allow(clippy::print_stdout, reason = "a failing test shows its figures")]

use align::PixelMap;
use ndarray::{Array2, Array3, Axis};
use noise::noise_against_n;
use radicand_tests::{mono_calibrator, mono_light, read_series};
use stack::{Combine, HalfSplit, StackOptions, TileObserver, TileSamples};

/// Keeps the half-stacks: each is a stack of half of the lights by the same estimator.
struct Halves(HalfSplit);

impl TileObserver for Halves {
    /// First and second half, pixel by pixel.
    type Summary = Vec<(f32, f32)>;

    fn observe(&self, tile: &TileSamples<'_>) -> Vec<(f32, f32)> {
        let split = match self.0 {
            HalfSplit::OddEven => 0,
            HalfSplit::FirstLast => 1,
        };
        let [first, second] = tile.halves[split];
        first.iter().copied().zip(second.iter().copied()).collect()
    }
}

/// Frames as a sensor would have recorded them, `[frame, pixel]`: the pixels that are
/// finite in all of them, brought to whole numbers of 16 bits.
fn recorded(series: &Array3<f32>) -> Array2<u16> {
    let pixels: Vec<Vec<f32>> = series
        .lanes(Axis(0))
        .into_iter()
        .map(|pixel| pixel.to_vec())
        .filter(|pixel| pixel.iter().all(|value| value.is_finite()))
        .collect();
    let all = || pixels.iter().flatten().copied();
    let (least, most) = all().fold((f32::MAX, f32::MIN), |(a, b), v| (a.min(v), b.max(v)));
    let scale = 65_000.0 / (most - least);
    Array2::from_shape_fn((series.len_of(Axis(0)), pixels.len()), |(frame, pixel)| {
        ((pixels[pixel][frame] - least) * scale).round() as u16
    })
}

/// The noise of a stack of `n` frames, by pixel: half of the squared differences of two
/// such stacks, after the mean over the pixels (the sky), averaged over as many runs of
/// 2 n frames as there are.
fn variances(frames: &Array2<u16>, n: usize, split: HalfSplit) -> Vec<f64> {
    let (n_frames, n_px) = frames.dim();
    let calibrator = mono_calibrator(n_px, 1);
    let options = StackOptions {
        combine: Combine::Mean,
        ..StackOptions::default()
    };
    let runs = n_frames / (2 * n);
    let mut variances = vec![0.0; n_px];
    for run in 0..runs {
        let lights: Vec<_> = (run * 2 * n..(run + 1) * 2 * n)
            .map(|i| frames.row(i).insert_axis(Axis(0)).to_owned())
            .map(|frame| mono_light(frame, PixelMap::identity()))
            .collect();
        let (_, tiles) = stack::stack(&lights, &calibrator, &options, &Halves(split), &|_, _| ())
            .expect("a stack");
        let differences: Vec<f64> = tiles
            .concat()
            .into_iter()
            .map(|(first, second)| f64::from(first) - f64::from(second))
            .collect();
        assert_eq!(differences.len(), n_px);
        let level = differences.iter().sum::<f64>() / n_px as f64;
        let freedom = n_px as f64 / (n_px as f64 - 1.0);
        for (variance, difference) in variances.iter_mut().zip(&differences) {
            *variance += 0.5 * freedom * (difference - level).powi(2) / runs as f64;
        }
    }
    variances
}

struct Point {
    n: usize,
    sigma: f64,
    expected: f64,
    /// How far above the square-root law, in standard errors of the difference.
    excess_sigmas: f64,
}

/// Noise of the engine's stacks against the number of frames.
fn curve(name: &str, split: HalfSplit) -> Vec<Point> {
    let frames = recorded(&read_series(name));
    let n_frames = frames.len_of(Axis(0));
    let mean = |v: &[f64]| v.iter().sum::<f64>() / v.len() as f64;
    let single = variances(&frames, 1, split);
    // Pixels of unequal variance count for fewer: (sum v)^2 / sum v^2 (Satterthwaite
    // 1946, Biometrics Bulletin 2, 110, from memory), where the scatter of the variances
    // themselves, 2 / runs, only looks like inequality.
    let squares: f64 = single.iter().map(|v| v * v).sum();
    let all = single.len() as f64;
    let runs = (n_frames / 2) as f64;
    let pixels = (mean(&single) * all).powi(2) * (1.0 + 2.0 / runs) / squares;
    let relative_error = |n: usize| {
        let runs = (n_frames / (2 * n)) as f64;
        (2.0 * runs * (pixels.min(all) - 1.0)).sqrt().recip()
    };
    let points = std::iter::successors(Some(1), |n| Some(2 * n)).take_while(|n| 2 * n <= n_frames);
    let points = points.map(|n| {
        let sigma = mean(&variances(&frames, n, split)).sqrt();
        let expected = (mean(&single) / n as f64).sqrt();
        let scatter = expected * relative_error(n).hypot(relative_error(1));
        Point {
            n,
            sigma,
            expected,
            excess_sigmas: (sigma - expected) / scatter,
        }
    });
    let points: Vec<Point> = points.collect();
    for point in &points {
        println!(
            "{name} {split:?} n {:2}: {:.2} DN, by the root {:.2}, {:+.1} sigma",
            point.n, point.sigma, point.expected, point.excess_sigmas
        );
    }
    points
}

/// Standard errors that a point may lie off; some thirty points are looked at.
const SIGMAS: f64 = 3.5;

/// Series whose noise is at least 9 of the whole numbers they are brought to, so that
/// rounding adds a thousandth of the variance at most.
const QUIET: [&str; 6] = [
    "k2_200068665_flux.f32",
    "kepler_01_flux.f32",
    "kepler_02_flux.f32",
    "kepler_03_flux.f32",
    "kepler_04_flux.f32",
    "dslr_tabby.u16",
];

#[test]
fn stacks_of_frames_taken_in_turn_fall_as_the_root_of_n() {
    for name in QUIET {
        let points = curve(name, HalfSplit::OddEven);
        assert!(points.len() >= 3, "{name}");
        for point in points {
            let Point {
                n, excess_sigmas, ..
            } = point;
            assert!(
                excess_sigmas.abs() < SIGMAS,
                "{name}, n {n}: {excess_sigmas}"
            );
        }
    }
}

#[test]
fn stacks_of_frames_taken_in_time_do_not_and_that_is_reported() {
    // The pointing drifts, so the stars of the later frames are elsewhere.
    for name in ["k2_200068665_flux.f32", "dslr_tabby.u16", "dslr_wasp33.u16"] {
        let points = curve(name, HalfSplit::FirstLast);
        let first = points.iter().find(|point| point.excess_sigmas > 3.0);
        let first = first.unwrap_or_else(|| panic!("{name} falls as the root of n"));
        let reported = noise_against_n(read_series(name).view(), HalfSplit::FirstLast);
        let reported = reported.expect("frames with pixels");
        assert_eq!(reported.stops_at, Some(first.n), "{name}");
        assert!(reported.floor > 0.0, "{name}");
    }
}

#[test]
fn the_noise_crate_says_the_same_of_the_frames_as_the_engine_of_their_stacks() {
    // Rounding to whole numbers leaves 0.29 DN beside a stack's noise of 87 DN or more,
    // 0.3 % where they add up, and they do not: over hundreds of pixels a tenth of that.
    const ROUNDING: f64 = 1e-3;
    for name in ["k2_200068665_flux.f32", "dslr_tabby.u16"] {
        for split in [HalfSplit::OddEven, HalfSplit::FirstLast] {
            let engine = curve(name, split);
            let series = read_series(name);
            let crate_says = noise_against_n(series.view(), split).expect("frames with pixels");
            assert_eq!(engine.len(), crate_says.points.len(), "{name}");
            for (engine, says) in engine.iter().zip(&crate_says.points) {
                // Gains over a single frame have no unit.
                let found = engine.sigma / engine.expected;
                let want = says.sigma / says.expected;
                assert!(
                    (found / want - 1.0).abs() < ROUNDING,
                    "{name}, n {}",
                    says.n
                );
            }
        }
    }
}
