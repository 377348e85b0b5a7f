//! The sky level and its noise: flat, sloped, masked and degenerate planes.

use super::*;
use crate::testing::Noise;

/// Level and rms of a flat noisy plane: a mesh cell of 640 samples knows its level to
/// 0.05 sigma and its rms to 3 %; the 3 x 3 median and interpolation halve that.
const LEVEL_TOLERANCE_SIGMA: f64 = 0.12;
const RMS_TOLERANCE: f64 = 0.08;

fn noisy(width: usize, height: usize, level: impl Fn(f64, f64) -> f64) -> Array2<f32> {
    let mut noise = Noise::new(11);
    Array2::from_shape_fn((height, width), |(y, x)| {
        (level(x as f64, y as f64) + 3.0 * noise.gaussian()) as f32
    })
}

fn check(plane: &Array2<f32>, level: impl Fn(f64, f64) -> f64) {
    let sky = Background::estimate(plane.view(), &BackgroundOptions::default());
    for (x, y) in [(0.0, 0.0), (200.0, 131.0), (319.0, 255.0), (40.5, 250.0)] {
        assert!((sky.at(x, y) - level(x, y)).abs() < LEVEL_TOLERANCE_SIGMA * 3.0 * 2.0);
        assert!(
            (sky.rms_at(x, y) / 3.0 - 1.0).abs() < RMS_TOLERANCE,
            "{}",
            sky.rms_at(x, y)
        );
    }
}

#[test]
fn a_flat_sky_and_its_noise_are_found() {
    check(&noisy(320, 256, |_, _| 100.0), |_, _| 100.0);
}

#[test]
fn a_gradient_is_followed_to_the_edges() {
    let slope = |x: f64, y: f64| 50.0 + 0.02 * x - 0.01 * y;
    check(&noisy(320, 256, slope), slope);
}

#[test]
fn masked_pixels_and_bright_stars_change_nothing() {
    let mut plane = noisy(320, 256, |_, _| 100.0);
    for i in 0..60 {
        plane[(4 * i, 5 * i)] = f32::NAN;
        plane[(4 * i + 1, 300 - 5 * i)] = 60_000.0;
    }
    for (row, col) in (64..128).flat_map(|row| (0..128).map(move |col| (row, col))) {
        plane[(row, col)] = f32::NAN;
    }
    check(&plane, |_, _| 100.0);
}

#[test]
fn rows_agree_with_points() {
    /// f32 rows against f64 points at a level of 100.
    const ROUNDING_DN: f64 = 1e-4;
    for (width, height) in [(320, 256), (50, 40), (97, 300)] {
        let plane = noisy(width, height, |x, y| 100.0 + 0.1 * x + 0.05 * y);
        let sky = Background::estimate(plane.view(), &BackgroundOptions::default());
        let (mut level, mut rms) = (vec![0.0; width], vec![0.0; width]);
        for y in [0, height / 2, height - 1] {
            sky.fill_row(y, &mut level);
            sky.fill_rms_row(y, &mut rms);
            for x in 0..width {
                let (at, rms_at) = (sky.at(x as f64, y as f64), sky.rms_at(x as f64, y as f64));
                assert!((f64::from(level[x]) - at).abs() < ROUNDING_DN);
                assert!((f64::from(rms[x]) - rms_at).abs() < ROUNDING_DN);
            }
        }
    }
}

#[test]
fn degenerate_planes_are_answered() {
    let options = BackgroundOptions::default();
    let masked = Array2::from_elem((90, 70), f32::NAN);
    let sky = Background::estimate(masked.view(), &options);
    assert_eq!(sky.at(3.0, 3.0), 0.0);
    assert!(sky.rms_at(3.0, 3.0).is_nan());
    let equal = Array2::from_elem((90, 70), 7.0_f32);
    let sky = Background::estimate(equal.view(), &options);
    assert_eq!((sky.at(3.0, 3.0), sky.rms_at(3.0, 3.0)), (7.0, 0.0));
    for shape in [(0, 0), (1, 1), (1, 200), (200, 1)] {
        let tiny = Array2::from_elem(shape, 7.0_f32);
        let sky = Background::estimate(tiny.view(), &options);
        assert!(sky.at(0.0, 0.0).is_finite());
    }
}

#[test]
fn the_clipping_correction_is_the_published_one() {
    // 1/s for one pass at the true sigma: the truncated Gaussian, s² = 1 − 2kφ(k)/(2Φ(k)−1);
    // k = 3 gives 0.98658 (closed form, evaluated with scipy).
    assert!((clipping_correction(3.0) - 1.0 / 0.986_58).abs() < 1e-4);
}
