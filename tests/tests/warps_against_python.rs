//! Planes on other pixels against OpenCV, scipy and Pillow: fixtures/warp_checks.

#![allow(clippy::print_stdout, reason = "a failing test shows its figures")]

use align::{Homography, PixelMap};
use ndarray::Array2;
use radicand_tests::{fixture, largest_difference, read_f32, read_u16};
use stack::{Kernel, resample_plane};

const WIDTH: usize = 44;
const HEIGHT: usize = 36;

/// The script holds the plane below this, DN.
const LARGEST_DN: f64 = 6000.0;
/// Of a value of up to [`LARGEST_DN`], as a sum in `f32` whose weights add up to at most 1.9
/// in absolute value: ten roundings here (two weights, two products, six sums), six of the
/// reference (OpenCV adds in `f32`), half a unit each, DN.
const ROUNDING_DN: f64 = 8.0 * 1.9 * LARGEST_DN * f32::EPSILON as f64;
/// Kernels are tabulated at 1024 phases, so a place is at most half a phase off, px.
const HALF_PHASE_PX: f64 = 0.5 / 1024.0;
/// OpenCV finds a place of up to 64 px in `f32`: a quotient of two sums of three products,
/// the numbers of the matrix rounded too; sixteen roundings of half a unit, px.
const OPENCV_PLACE_PX: f64 = 8.0 * 64.0 * f32::EPSILON as f64;

fn file(name: &str) -> std::path::PathBuf {
    fixture("warp_checks").join(name)
}

fn plane() -> Array2<f32> {
    let samples = read_u16(&file("plane.u16")).into_iter().map(f32::from);
    Array2::from_shape_vec((HEIGHT, WIDTH), samples.collect()).expect("44 x 36 px")
}

/// Largest difference of neighbors along rows, and along columns, DN/px.
fn steepest(plane: &Array2<f32>) -> [f64; 2] {
    let along = |axis: usize| {
        let lanes = plane.lanes(ndarray::Axis(axis));
        let steps = lanes.into_iter().flat_map(|lane| {
            let lane = lane.to_vec();
            let steps = lane
                .windows(2)
                .map(|pair| f64::from((pair[1] - pair[0]).abs()));
            steps.collect::<Vec<_>>()
        });
        steps.fold(0.0, f64::max)
    };
    [along(1), along(0)]
}

/// Holds the plane at other places against a file of the fixture.
#[track_caller]
fn check(name: &str, map: [[f64; 3]; 3], kernel: Kernel, size: (usize, usize), tolerance_dn: f64) {
    let map = PixelMap::from_homography(Homography(map));
    let found = resample_plane(plane().view(), &map, kernel, size);
    let want = read_f32(&file(&format!("{name}.f32")));
    assert_eq!(want.len(), size.0 * size.1);
    let largest = largest_difference(name, found.iter(), &want);
    println!("{name}: off by {largest:.6} DN at most, {tolerance_dn:.6} allowed");
    assert!(largest <= tolerance_dn, "{name}: off by {largest} DN");
}

#[test]
fn a_turn_by_whole_phases_is_opencvs_and_scipys_to_rounding() {
    let [cosine, sine] = [1011.0 / 1024.0, 163.0 / 1024.0];
    let turned = [
        [cosine, -sine, 2931.0 / 1024.0],
        [sine, cosine, -2211.0 / 1024.0],
        [0.0, 0.0, 1.0],
    ];
    for (kernel, name) in [
        (Kernel::Bilinear, "turned_bilinear_opencv"),
        (Kernel::Bilinear, "turned_bilinear_scipy"),
        (Kernel::Cubic, "turned_cubic_scipy"),
    ] {
        check(name, turned, kernel, (WIDTH, HEIGHT), ROUNDING_DN);
    }
}

#[test]
fn a_homography_is_opencvs_and_scipys_to_half_a_phase() {
    let tilted = [[1.03, -0.11, 1.37], [0.09, 0.97, -0.83], [7e-4, -4e-4, 1.0]];
    // A plane between its pixels is as steep as its steepest pair of neighbors when they are
    // joined by lines. The cubic of a = -1/2 is steepest in the middle, 5/4 of that pair less
    // 1/8 of both beside it, and is then weighed by -1/16, 9/16, 9/16, -1/16 the other way.
    let cubic = 1.5 * 1.25;
    for (kernel, name, steeper, off_px) in [
        (Kernel::Bilinear, "tilted_bilinear_scipy", 1.0, 0.0),
        (
            Kernel::Bilinear,
            "tilted_bilinear_opencv",
            1.0,
            OPENCV_PLACE_PX,
        ),
        (Kernel::Cubic, "tilted_cubic_scipy", cubic, 0.0),
    ] {
        let slopes: f64 = steepest(&plane()).iter().sum();
        let tolerance_dn = (HALF_PHASE_PX + off_px) * steeper * slopes + ROUNDING_DN;
        check(name, tilted, kernel, (WIDTH, HEIGHT), tolerance_dn);
    }
}

#[test]
fn shifts_and_enlargements_are_pillows_to_rounding() {
    // Where Pillow's box begins, from the corner of the first pixel.
    let (left, top) = (4.0 + 307.0 / 1024.0, 4.0 + 640.0 / 1024.0);
    for (name, size, step) in [
        ("moved", (35, 27), 1.0),
        ("enlarged", (48, 40), 11.0 / 16.0),
    ] {
        // The middle of the first pixel of the result, from the center of the plane's first.
        let first = 0.5 * step - 0.5;
        let map = [
            [step, 0.0, left + first],
            [0.0, step, top + first],
            [0.0, 0.0, 1.0],
        ];
        for (kernel, of) in [
            (Kernel::Bilinear, "bilinear"),
            (Kernel::Cubic, "cubic"),
            (Kernel::Lanczos3, "lanczos3"),
        ] {
            check(
                &format!("{name}_{of}_pillow"),
                map,
                kernel,
                size,
                ROUNDING_DN,
            );
        }
    }
}
