//! One pixel's samples combined, against numpy and astropy: fixtures/combine_checks.

use align::PixelMap;
use ndarray::Array2;
use radicand_tests::{check_near, fixture, mono_calibrator, mono_light};
use serde_json::Value;
use stack::{
    ClipCenter, ClipOptions, ClipScale, Combine, Stack, StackOptions, clip_sorted, median_of_sorted,
};

/// Half a unit in the last place of an `f32`, relative: results are rounded to `f32` once.
const F32_ROUNDING: f64 = 0.5 * f32::EPSILON as f64;
/// A unit in the last place of an `f64`, relative: the JSON parser is that far off.
const PARSER_ROUNDING: f64 = f64::EPSILON;

struct Case {
    name: String,
    recordable: bool,
    /// In the order drawn.
    samples: Vec<f32>,
    mean: f64,
    median: f64,
    clips: Vec<Clip>,
}

struct Clip {
    options: ClipOptions,
    n_kept: usize,
    low: f32,
    high: f32,
    mean: f64,
}

fn number(value: &Value) -> f64 {
    value.as_f64().expect("a number")
}

fn cases() -> Vec<Case> {
    let text = std::fs::read(fixture("combine_checks/values.json")).expect("the fixture");
    let values: Value = serde_json::from_slice(&text).expect("JSON");
    let max_passes = values["max_passes"].as_u64().expect("a count") as usize;
    let clip = |clip: &Value| Clip {
        options: ClipOptions {
            low_sigmas: number(&clip["low_sigmas"]) as f32,
            high_sigmas: number(&clip["high_sigmas"]) as f32,
            center: match clip["center"].as_str() {
                Some("mean") => ClipCenter::Mean,
                _ => ClipCenter::Median,
            },
            scale: ClipScale::StandardDeviation,
            max_passes,
        },
        n_kept: clip["n_kept"].as_u64().expect("a count") as usize,
        low: number(&clip["low"]) as f32,
        high: number(&clip["high"]) as f32,
        mean: number(&clip["mean"]),
    };
    let list = |value: &Value| value.as_array().expect("a list").clone();
    let cases: Vec<Case> = list(&values["cases"])
        .iter()
        .enumerate()
        .map(|(i, case)| Case {
            name: format!("case {i}, {}", case["kind"]),
            recordable: case["recordable"].as_bool().expect("a flag"),
            samples: list(&case["samples"])
                .iter()
                .map(|v| number(v) as f32)
                .collect(),
            mean: number(&case["mean"]),
            median: number(&case["median"]),
            clips: list(&case["clips"]).iter().map(clip).collect(),
        })
        .collect();
    assert_eq!(cases.len(), 126);
    cases
}

#[test]
fn the_clip_keeps_what_astropy_keeps() {
    for case in cases() {
        let mut sorted = case.samples.clone();
        sorted.sort_by(f32::total_cmp);
        for clip in &case.clips {
            let name = format!("{} {:?}", case.name, clip.options);
            let kept = clip_sorted(&sorted, &clip.options).expect("there are samples");
            assert_eq!(
                (kept.n_kept, kept.low, kept.high),
                (clip.n_kept, clip.low, clip.high),
                "{name}"
            );
        }
    }
}

#[test]
fn the_median_is_numpys() {
    for case in cases() {
        let mut sorted = case.samples.clone();
        sorted.sort_by(f32::total_cmp);
        check_near(
            &case.name,
            median_of_sorted(&sorted),
            case.median,
            PARSER_ROUNDING,
        );
    }
}

/// Distance between the pixels that carry samples, so that none is a neighbor of
/// another's rejected sample, px.
const SPACING_PX: usize = 5;
const COLUMNS: usize = 12;

/// Stacks the recordable cases of `n` samples, each at a pixel of its own.
fn stack_of(cases: &[&Case], n: usize, combine: Combine) -> Stack {
    let rows = cases.len().div_ceil(COLUMNS);
    let (width, height) = (COLUMNS * SPACING_PX, rows * SPACING_PX);
    let lights: Vec<_> = (0..n)
        .map(|light| {
            let mut samples = Array2::from_elem((height, width), 700);
            for (i, case) in cases.iter().enumerate() {
                samples[place(i)] = case.samples[light] as u16;
            }
            mono_light(samples, PixelMap::identity())
        })
        .collect();
    let options = StackOptions {
        combine,
        ..StackOptions::default()
    };
    let calibrator = mono_calibrator(width, height);
    stack::stack(&lights, &calibrator, &options, &(), &|_, _| ())
        .expect("a stack")
        .0
}

fn place(i: usize) -> (usize, usize) {
    let (row, column) = (i / COLUMNS, i % COLUMNS);
    (row * SPACING_PX + 2, column * SPACING_PX + 2)
}

/// Calls `check` with the engine's value and rejected samples of every recordable case.
fn through_the_engine(combine_of: impl Fn(&Case) -> Combine, check: impl Fn(&Case, f32, usize)) {
    let cases = cases();
    for n in [2, 3, 5, 8, 10, 20, 33] {
        let chosen: Vec<&Case> = cases
            .iter()
            .filter(|case| case.recordable && case.samples.len() == n)
            .collect();
        assert_eq!(chosen.len(), 15, "of {n} samples");
        let stack = stack_of(&chosen, n, combine_of(chosen[0]));
        for (i, case) in chosen.iter().enumerate() {
            let (row, column) = place(i);
            let value = stack.mean[(0, row, column)];
            check(case, value, stack.rejected[(0, row, column)].into());
        }
    }
}

#[test]
fn the_engines_mean_and_median_are_numpys() {
    through_the_engine(
        |_| Combine::Mean,
        |case, value, rejected| {
            assert_eq!(rejected, 0);
            check_near(
                &case.name,
                value.into(),
                case.mean,
                F32_ROUNDING + PARSER_ROUNDING,
            );
        },
    );
    through_the_engine(
        |_| Combine::Median,
        |case, value, rejected| {
            assert_eq!(rejected, 0);
            check_near(
                &case.name,
                value.into(),
                case.median,
                F32_ROUNDING + PARSER_ROUNDING,
            );
        },
    );
}

#[test]
fn the_engines_clipped_mean_is_astropys() {
    for which in 0..7 {
        through_the_engine(
            |case| Combine::SigmaClip(case.clips[which].options),
            |case, value, rejected| {
                let clip = &case.clips[which];
                let name = format!("{} {:?}", case.name, clip.options);
                assert_eq!(case.samples.len() - rejected, clip.n_kept, "{name}");
                check_near(
                    &name,
                    value.into(),
                    clip.mean,
                    F32_ROUNDING + PARSER_ROUNDING,
                );
            },
        );
    }
}
