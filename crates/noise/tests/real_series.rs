//! Real photon noise against N: fixtures/series, of three instruments.

#![allow(clippy::print_stdout, reason = "a failing test shows its figures")]

use std::path::PathBuf;

use ndarray::{Array3, ArrayView3};
use noise::{NoiseError, SeriesCurve, noise_against_n};
use stack::HalfSplit;

/// A series of the fixtures; `bytes` per sample tells f32 from u16.
fn series(name: &str) -> Array3<f32> {
    let path = PathBuf::from(env!("CARGO_MANIFEST_DIR"))
        .join("../../fixtures/series")
        .join(name);
    let data = std::fs::read(&path).unwrap_or_else(|error| panic!("{}: {error}", path.display()));
    let (head, body) = data.split_at(12);
    let (sizes, _) = head.as_chunks::<4>();
    let [frames, rows, columns] = [0, 1, 2].map(|i| u32::from_le_bytes(sizes[i]) as usize);
    let samples = if name.ends_with(".f32") {
        body.as_chunks::<4>()
            .0
            .iter()
            .map(|&bytes| f32::from_le_bytes(bytes))
            .collect()
    } else {
        body.as_chunks::<2>()
            .0
            .iter()
            .map(|&bytes| f32::from(u16::from_le_bytes(bytes)))
            .collect()
    };
    Array3::from_shape_vec((frames, rows, columns), samples).expect("the head tells the size")
}

fn curve(frames: ArrayView3<'_, f32>, split: HalfSplit) -> SeriesCurve {
    let curve = noise_against_n(frames, split).expect("frames with pixels");
    for point in &curve.points {
        println!(
            "  {split:?} n {:3} sigma {:.4} +- {:.4} expected {:.4} ({:+.1} sigma)",
            point.n, point.sigma, point.error, point.expected, point.excess_sigmas
        );
    }
    curve
}

/// Standard errors; six numbers a series, so 3 would be met by chance once in 60 series.
const SIGMAS: f64 = 3.0;

#[track_caller]
fn check_falls_as_root(frames: ArrayView3<'_, f32>) {
    let curve = curve(frames, HalfSplit::OddEven);
    assert_eq!(curve.stops_at, None);
    assert_eq!(curve.floor, 0.0);
    for point in &curve.points {
        assert!(point.excess_sigmas.abs() < SIGMAS, "{point:?}");
    }
}

#[test]
fn space_frames_in_turn_fall_as_the_root_of_n() {
    check_falls_as_root(series("k2_200068665_flux.f32").view());
    for index in 0..5 {
        check_falls_as_root(series(&format!("kepler_{index:02}_flux.f32")).view());
    }
}

#[test]
fn camera_frames_in_turn_fall_as_the_root_of_n() {
    check_falls_as_root(series("dslr_tabby.u16").view());
}

#[test]
fn frames_in_time_show_the_drift_that_does_not_average() {
    // The pointing drifts: stars move over the stamp, and more frames do not help.
    for name in ["k2_200068665_flux.f32", "dslr_tabby.u16", "dslr_wasp33.u16"] {
        let curve = curve(series(name).view(), HalfSplit::FirstLast);
        let stops_at = curve.stops_at.unwrap_or(usize::MAX);
        assert!(stops_at <= 16, "{name}: {stops_at}");
        let there = curve
            .points
            .iter()
            .find(|point| point.n == stops_at)
            .expect("a point");
        assert!(
            curve.floor > there.expected && curve.floor < there.sigma,
            "{name}: {}",
            curve.floor
        );
    }
}

#[test]
fn quiet_pixels_have_the_noise_that_the_archive_predicts() {
    // The archive's errors are those of single cadences. Pixels of the fainter half hold
    // little star light, whose pointing jitter the archive does not count.
    for index in 0..5 {
        let flux = series(&format!("kepler_{index:02}_flux.f32"));
        let error = series(&format!("kepler_{index:02}_flux_err.f32"));
        let mean = flux.mean_axis(ndarray::Axis(0)).expect("frames");
        let mut levels: Vec<f32> = mean
            .iter()
            .copied()
            .filter(|value| value.is_finite())
            .collect();
        levels.sort_by(f32::total_cmp);
        let limit = levels[levels.len() / 2];
        let mut faint = flux.clone();
        let (mut predicted, mut count) = (0.0, 0.0);
        for ((row, column), &level) in mean.indexed_iter() {
            if level < limit {
                for frame in 0..flux.dim().0 {
                    predicted += f64::from(error[[frame, row, column]]).powi(2);
                    count += 1.0;
                }
            } else {
                (0..flux.dim().0).for_each(|frame| faint[[frame, row, column]] = f32::NAN);
            }
        }
        let measured = curve(faint.view(), HalfSplit::OddEven).points[0];
        let ratio = measured.sigma / f64::sqrt(predicted / count);
        let error = measured.error / measured.sigma * ratio;
        println!("kepler {index}: measured over predicted {ratio:.3} +- {error:.3}");
        assert!((ratio - 1.0).abs() < SIGMAS * error);
    }
}

#[test]
fn a_series_without_frames_pixels_or_noise_is_told_apart() {
    let short = noise_against_n(Array3::zeros((1, 5, 5)).view(), HalfSplit::OddEven);
    assert_eq!(
        short,
        Err(NoiseError::ShortSeries {
            frames: 1,
            pixels: 25
        })
    );
    let masked = Array3::from_elem((9, 5, 5), f32::NAN);
    let masked = noise_against_n(masked.view(), HalfSplit::OddEven);
    assert_eq!(
        masked,
        Err(NoiseError::ShortSeries {
            frames: 9,
            pixels: 0
        })
    );
    assert!(noise_against_n(Array3::zeros((0, 0, 0)).view(), HalfSplit::OddEven).is_err());
    let flat = noise_against_n(
        Array3::from_elem((8, 4, 4), 7.0).view(),
        HalfSplit::FirstLast,
    );
    let flat = flat.expect("frames with pixels");
    assert_eq!((flat.stops_at, flat.floor), (None, 0.0));
    assert!(
        flat.points
            .iter()
            .all(|point| point.sigma == 0.0 && point.excess_sigmas == 0.0)
    );
}
