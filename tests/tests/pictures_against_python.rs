//! Demosaicing and resampling against scipy and numpy: fixtures/picture_checks.

#![allow(clippy::print_stdout, reason = "a failing test shows its figures")]

use align::{Homography, PixelMap};
use ndarray::Array2;
use radicand_tests::{
    fixture, largest_difference, mono_calibrator, mono_light, read_f32, read_u16,
};
use raw::{Cfa, Rect};
use stack::{CalibratedWindow, Combine, Demosaic, DemosaicMethod, Kernel, StackOptions};

/// Largest sample of the pictures, DN.
const LARGEST_DN: f64 = 4000.0;
/// An `f32` sum of up to 36 products with weights that add up to at most 1.9 in absolute
/// value, tabulated as `f32`: five roundings of the largest, DN.
const ROUNDING_DN: f64 = 5.0 * 1.9 * LARGEST_DN * f32::EPSILON as f64;
/// Kernels are tabulated at 1024 phases, so a position is at most half a phase off, px.
const PHASE_ERROR_PX: f64 = 0.5 / 1024.0;

fn picture(name: &str) -> std::path::PathBuf {
    fixture("picture_checks").join(name)
}

#[test]
fn bilinear_demosaicing_is_scipys() {
    let bounds = Rect::of_size(37, 26);
    let mosaic = read_u16(&picture("mosaic.u16"));
    let window = CalibratedWindow {
        area: bounds,
        values: mosaic.into_iter().map(f32::from).collect(),
    };
    for pattern in ["RGGB", "GRBG", "GBRG", "BGGR"] {
        let name = format!("bilinear_{}.f32", pattern.to_lowercase());
        let want = read_f32(&picture(&name));
        let mut planes = vec![Vec::new(); 3];
        let cfa = Cfa::bayer(pattern).expect("a Bayer array");
        Demosaic::new(&cfa, DemosaicMethod::Bilinear).run(&window, &bounds, &mut planes);
        let found = planes.concat();
        assert_eq!(
            (found.len(), want.len()),
            (3 * bounds.area(), 3 * bounds.area())
        );
        for (i, (found, want)) in found.iter().zip(&want).enumerate() {
            let off = f64::from(found - want).abs();
            assert!(off <= ROUNDING_DN, "{pattern} {i}: {found}, want {want}");
        }
    }
}

const WIDTH: usize = 31;
const HEIGHT: usize = 23;

/// One light through the engine: its values are those of the resampled plane.
fn resampled(kernel: Kernel, map: Homography) -> Vec<f32> {
    let plane = read_u16(&picture("plane.u16"));
    let plane = Array2::from_shape_vec((HEIGHT, WIDTH), plane).expect("31 x 23 px");
    let light = mono_light(plane, PixelMap::from_homography(map));
    let options = StackOptions {
        combine: Combine::Mean,
        kernel,
        ..StackOptions::default()
    };
    let calibrator = mono_calibrator(WIDTH, HEIGHT);
    let (stack, _) =
        stack::stack(&[light], &calibrator, &options, &(), &|_, _| ()).expect("a stack");
    stack.mean.into_iter().collect()
}

/// What a kernel can make of an error of position.
struct Bound {
    /// Largest sum over the taps of |dw/dx|, 1/px.
    slope: f64,
    /// Largest sum over the taps of |w|.
    weights: f64,
}

/// Sums over the taps of a kernel's absolute values and slopes, from the kernel's
/// definition on a fine grid of phases.
fn bound(kernel: Kernel) -> Bound {
    let sinc = |x: f64| match x * std::f64::consts::PI {
        0.0 => 1.0,
        angle => angle.sin() / angle,
    };
    let value = |x: f64| match (kernel, x.abs()) {
        (Kernel::Bilinear, x) => (1.0 - x).max(0.0),
        (Kernel::Cubic, x) if x <= 1.0 => 1.5 * x.powi(3) - 2.5 * x * x + 1.0,
        (Kernel::Cubic, x) if x < 2.0 => -0.5 * x.powi(3) + 2.5 * x * x - 4.0 * x + 2.0,
        (Kernel::Lanczos3, x) if x < 3.0 => sinc(x) * sinc(x / 3.0),
        _ => 0.0,
    };
    const STEPS: usize = 2000;
    let at = |phase: f64| (-3..=4).map(move |tap| value(f64::from(tap) - phase));
    let mut bound = Bound {
        slope: 0.0,
        weights: 0.0,
    };
    for step in 0..STEPS {
        let (phase, next) = (step as f64 / STEPS as f64, (step + 1) as f64 / STEPS as f64);
        let slopes = at(phase).zip(at(next)).map(|(a, b)| (b - a).abs());
        bound.slope = bound.slope.max(slopes.sum::<f64>() * STEPS as f64);
        bound.weights = bound.weights.max(at(phase).map(f64::abs).sum());
    }
    bound
}

const KERNELS: [(Kernel, &str); 3] = [
    (Kernel::Bilinear, "bilinear"),
    (Kernel::Cubic, "cubic"),
    (Kernel::Lanczos3, "lanczos3"),
];

#[track_caller]
fn check_plane(name: &str, found: &[f32], tolerance_dn: f64) {
    let want = read_f32(&picture(&format!("resampled_{name}.f32")));
    assert_eq!(want.len(), WIDTH * HEIGHT);
    let largest = largest_difference(name, found.iter(), &want);
    println!("{name}: off by {largest:.5} DN at most, {tolerance_dn:.5} allowed");
    assert!(largest <= tolerance_dn, "{name}: off by {largest} DN");
}

#[test]
fn shifts_by_whole_phases_are_numpys_to_rounding() {
    let shift = Homography([
        [1.0, 0.0, 307.0 / 1024.0],
        [0.0, 1.0, -640.0 / 1024.0],
        [0.0, 0.0, 1.0],
    ]);
    for (kernel, name) in KERNELS {
        check_plane(
            &format!("{name}_shift"),
            &resampled(kernel, shift),
            ROUNDING_DN,
        );
    }
}

#[test]
fn a_turn_with_perspective_is_numpys_to_a_phase() {
    let (c, s) = (5f64.to_radians().cos(), 5f64.to_radians().sin());
    let turn = Homography([
        [c, -s, 15.0 - 15.0 * c + 11.0 * s],
        [s, c, 11.0 - 15.0 * s - 11.0 * c],
        [2e-4, -1e-4, 1.0],
    ]);
    for (kernel, name) in KERNELS {
        // Each axis is off by half a phase at most; samples lie around half the largest.
        let bound = bound(kernel);
        let per_axis = PHASE_ERROR_PX * bound.slope * bound.weights * 0.5 * LARGEST_DN;
        let tolerance_dn = 2.0 * per_axis + ROUNDING_DN;
        check_plane(
            &format!("{name}_turn"),
            &resampled(kernel, turn),
            tolerance_dn,
        );
    }
}
