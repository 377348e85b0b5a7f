//! What demosaicing leaves of the noise of photosites: fixtures/demosaic_checks, and counting.

#![allow(clippy::print_stdout, reason = "a failing test shows its figures")]

use align::{Homography, PixelMap};
use ndarray::{Array2, ArrayView2, s};
use radicand_tests::{LEVEL_DN, SIGMA_DN, cfa_calibrator, cfa_light, fixture, inner};
use rand::{Rng, SeedableRng};
use rand_chacha::ChaCha8Rng;
use rand_distr::StandardNormal;
use raw::{Cfa, Rect};
use stack::{CalibratedWindow, Combine, DefectMap, Demosaic, DemosaicMethod, Kernel, StackOptions};

/// Standard errors a figure may be off: one chance in 16,000.
const SIGMAS: f64 = 4.0;

/// Side of the mosaics in which one photosite is lit, px, and the cell that is looked at.
const SIDE: usize = 12;
const AT: usize = 4;

/// Sums of squared responses to single photosites, `[channel][row][column]` of a cell.
fn shares(letters: &str, method: DemosaicMethod) -> [[[f64; 2]; 2]; 3] {
    let area = Rect::of_size(SIDE, SIDE);
    let cfa = Cfa::bayer(letters).expect("a Bayer array");
    let demosaic = Demosaic::new(&cfa, method);
    let mut shares = [[[0.0; 2]; 2]; 3];
    for lit in 0..area.area() {
        let mut values = vec![0.0; area.area()];
        values[lit] = 1.0;
        let mut planes = vec![Vec::new(); 3];
        demosaic.run(&CalibratedWindow { area, values }, &area, &mut planes);
        for (plane, shares) in planes.iter().zip(&mut shares) {
            for (row, shares) in shares.iter_mut().enumerate() {
                for (column, share) in shares.iter_mut().enumerate() {
                    *share += f64::from(plane[(AT + row) * SIDE + AT + column]).powi(2);
                }
            }
        }
    }
    shares
}

/// Mean over the places of a cell.
fn mean(shares: &[[f64; 2]; 2]) -> f64 {
    shares.iter().flatten().sum::<f64>() / 4.0
}

#[test]
fn photosites_leave_the_noise_that_the_reference_librarys_do() {
    let text = std::fs::read_to_string(fixture("demosaic_checks/noise.csv")).expect("the fixture");
    let mut compared = 0;
    for line in text.lines().skip(1) {
        let fields: Vec<&str> = line.split(',').collect();
        let method = match fields[1] {
            "bilinear" => DemosaicMethod::Bilinear,
            _ => DemosaicMethod::GradientCorrected,
        };
        let [channel, row, column] =
            [2, 3, 4].map(|i| fields[i].parse::<usize>().expect("a place"));
        let want: f64 = fields[5].parse().expect("a share");
        // Weights in sixteenths: every sum is exact.
        let found = shares(fields[0], method)[channel][row][column];
        assert_eq!(found, want, "{line}");
        compared += 1;
    }
    assert_eq!(compared, 4 * 2 * 12);
}

#[test]
fn gradients_leave_the_noise_of_their_published_kernels() {
    // Sums of squares of the kernels of Malvar, He & Cutler (2004), figure 2 (from memory):
    // green, red and blue beside green, red at blue and blue at red.
    const GREEN: f64 = 36.0 / 64.0;
    const BESIDE: f64 = 63.5 / 64.0;
    const ACROSS: f64 = 61.0 / 64.0;
    let [red, green, blue] = shares("RGGB", DemosaicMethod::GradientCorrected);
    assert_eq!(red, [[1.0, BESIDE], [BESIDE, ACROSS]]);
    assert_eq!(green, [[GREEN, 1.0], [1.0, GREEN]]);
    assert_eq!(blue, [[ACROSS, BESIDE], [BESIDE, 1.0]]);
    assert_eq!((mean(&red), mean(&green)), (0.984375, 0.78125));
}

/// Variance of a plane of noise in units of a photosite's, and the mean product of neighbors
/// in a row in the same units.
fn noise(plane: ArrayView2<f32>) -> (f64, f64) {
    let off = plane.mapv(|value| f64::from((value - LEVEL_DN) / SIGMA_DN));
    let products = &off.slice(s![.., 1..]) * &off.slice(s![.., ..-1]);
    let mean = |values: &Array2<f64>| values.mean().expect("pixels");
    (mean(&off.mapv(|v| v * v)), mean(&products))
}

#[test]
fn cells_have_the_noise_of_the_photosites_counted_into_them() {
    const SIDE_PX: usize = 480;
    let cfa = Cfa::bayer("RGGB").expect("a Bayer array");
    let mut rng = ChaCha8Rng::seed_from_u64(17);
    let samples = Array2::from_shape_simple_fn((SIDE_PX, SIDE_PX), || {
        (LEVEL_DN + SIGMA_DN * rng.sample::<f32, _>(StandardNormal)).round() as u16
    });
    let calibrator = cfa_calibrator(cfa.clone(), DefectMap::none(SIDE_PX, SIDE_PX));
    let options = StackOptions {
        combine: Combine::Mean,
        kernel: Kernel::Bilinear,
        demosaic: DemosaicMethod::Superpixel,
        ..StackOptions::default()
    };
    // Red, both greens and blue of a cell lie half a photosite before its middle, on it, and
    // half a photosite behind: so shifted, pixels meet them.
    for (meets, shift) in [-0.5, 0.0, 0.5].into_iter().enumerate() {
        let map = Homography([[1.0, 0.0, shift], [0.0, 1.0, shift], [0.0, 0.0, 1.0]]);
        let light = cfa_light(&cfa, samples.clone(), PixelMap::from_homography(map));
        let made = stack::stack(&[light], &calibrator, &options, &(), &|_, _| ());
        let (stack, _) = made.expect("a stack");
        for (channel, photosites) in [1.0, 2.0, 1.0].into_iter().enumerate() {
            // Between cells, by (1 - d, d) each way: (1 - d)² + d² and d (1 - d) a pixel on.
            let d = 0.25 * channel.abs_diff(meets) as f64;
            let (own, next) = ((1.0 - d) * (1.0 - d) + d * d, d * (1.0 - d));
            let (variance, beside) = (own * own / photosites, own * next / photosites);
            // Without the border, where there are no two cells to lie between.
            let plane = inner(&stack.mean, channel, 0.5);
            let (found, found_beside) = noise(plane);
            // Of correlated noise: squares and products of n pixels scatter as those of
            // n / Σρ² that are independent.
            let correlated = (1.0 + 2.0 * (next / own).powi(2)).powi(2);
            let error = variance * (2.0 * correlated / plane.len() as f64).sqrt();
            println!(
                "shift {shift} channel {channel}: {found:.4} of {variance:.4}, beside \
                 {found_beside:.4} of {beside:.4}, error {error:.4}"
            );
            let name = format!("shift {shift} channel {channel}");
            assert!(
                (found - variance).abs() <= SIGMAS * error,
                "{name}: {found}"
            );
            // A product's variance is never above a square's.
            assert!((found_beside - beside).abs() <= SIGMAS * error, "{name}");
        }
    }
}
