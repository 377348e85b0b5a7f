//! Drawn skies of known noise, scale and brightness through the comparison.

use super::*;
use crate::Measured;
use ndarray::Array2;
use rand::{Rng, SeedableRng};
use rand_chacha::ChaCha8Rng;
use rand_distr::StandardNormal;

/// Standard errors that a figure may lie off its truth.
const SIGMAS: f64 = 4.0;
/// A noise less certain than this, relative, is not measured; the field has 40 tiles.
const LARGEST_ERROR: f64 = 0.05;
/// Sides of the field, in pixels of the coarse camera: 20 MP are 5480 x 3650 px.
const FIELD: (f64, f64) = (548.0, 365.0);
/// Pixels of a 50 MP camera along one of those of a 20 MP camera.
const FINER: f64 = 1.581_138_830_084_19;

/// A camera and what it makes of the field.
#[derive(Clone, Copy)]
struct Camera {
    /// Own pixels along a unit of the field.
    px_per_unit: f64,
    /// White noise of a pixel, DN.
    noise_dn: f32,
    /// Star light over that of the first camera's.
    brightness: f64,
    seed: u64,
}

const PLAIN: Camera = Camera {
    px_per_unit: 1.0,
    noise_dn: 4.0,
    brightness: 1.0,
    seed: 1,
};

impl Camera {
    /// The field with the same stars for all, one plane, and noise of its own.
    fn picture(&self) -> Array2<f32> {
        let side = |units: f64| (units * self.px_per_unit).round() as usize;
        let (width, height) = (side(FIELD.0), side(FIELD.1));
        let mut noise = ChaCha8Rng::seed_from_u64(self.seed);
        let sky_dn = 100.0 * self.brightness / self.px_per_unit.powi(2);
        let mut plane = Array2::from_shape_fn((height, width), |_| {
            sky_dn as f32 + self.noise_dn * noise.sample::<f32, _>(StandardNormal)
        });
        let mut stars = ChaCha8Rng::seed_from_u64(77);
        for _ in 0..220 {
            let (x, y) = (stars.random::<f64>(), stars.random::<f64>());
            let flux_dn = 2500.0 * 10f64.powf(1.3 * stars.random::<f64>());
            // Edges of the field are edges of pixels, whose centers are whole numbers.
            let at = |share: f64, n: usize| share * n as f64 - 0.5;
            let flux_dn = flux_dn * self.brightness;
            self.add_star(&mut plane, (at(x, width), at(y, height)), flux_dn);
        }
        plane
    }

    /// A Gaussian star of 2.4 units full width, wide enough to be the same when sampled
    /// at the centers of pixels.
    fn add_star(&self, plane: &mut Array2<f32>, (x, y): (f64, f64), flux_dn: f64) {
        let sigma = 2.4 * self.px_per_unit / FWHM_PER_SIGMA;
        let reach = (5.0 * sigma).ceil();
        let peak = flux_dn / (std::f64::consts::TAU * sigma * sigma);
        let (rows, columns) = plane.dim();
        let range = |at: f64, n: usize| {
            let first = (at - reach).max(0.0) as usize;
            first..((at + reach).max(0.0) as usize + 1).min(n)
        };
        for row in range(y, rows) {
            for col in range(x, columns) {
                let d2 = (row as f64 - y).powi(2) + (col as f64 - x).powi(2);
                plane[(row, col)] += (peak * (-0.5 * d2 / (sigma * sigma)).exp()) as f32;
            }
        }
    }

    fn contender(&self, name: &str) -> Contender {
        of_planes(name, vec![self.picture()])
    }
}

fn of_planes(name: &str, planes: Vec<Array2<f32>>) -> Contender {
    Contender {
        name: name.to_owned(),
        planes,
        saturation_dn: Some(60_000.0),
        scale_arcsec: None,
        shutter_s: None,
        clock_s: None,
        own_noise_dn: None,
        frames: Vec::new(),
    }
}

fn compared(cameras: &[Camera]) -> Comparison {
    let contenders: Vec<Contender> = cameras.iter().map(|c| c.contender("one")).collect();
    compare(&contenders, &CompareOptions::default()).expect("the same sky")
}

#[track_caller]
fn check(found: Measured, truth: f64, largest_error: f64) {
    let off = (found.value - truth) / found.error;
    assert!(off.abs() < SIGMAS, "{found:?} for {truth}: {off:.1} sigmas");
    let relative = found.error / found.value;
    assert!(relative < largest_error, "{found:?} is no measurement");
}

#[test]
fn fifty_megapixels_are_seen_at_63_percent_beside_twenty() {
    // Common practice, no source: a 20 MP frame beside a 50 MP composite of the same view
    // is matched at about 63 % linear scale, the root of 20 over 50.
    let coarse = Camera {
        noise_dn: 4.0,
        ..PLAIN
    };
    // White noise of a sum over the area of a coarse pixel: as much as the coarse has.
    let fine = Camera {
        px_per_unit: FINER,
        noise_dn: (4.0 / FINER) as f32,
        seed: 2,
        ..PLAIN
    };
    for (cameras, grid) in [([coarse, fine], 0), ([fine, coarse], 1)] {
        let found = compared(&cameras);
        assert_eq!(found.grid, grid);
        assert_eq!(found.results[grid].display_scale, 1.0);
        let scale = found.results[1 - grid].display_scale;
        assert!((scale - 0.632).abs() < 0.002, "{scale}");
        let ratio = found.noise_ratios[0].ratio;
        check(ratio, 1.0, LARGEST_ERROR);
        let fwhm = &found.results;
        let width = fwhm[0].fwhm.value / fwhm[1].fwhm.value;
        assert!((width - 1.0).abs() < 0.02, "{width}");
        check(found.results[1].channels[0].flux_scale, 1.0, 0.01);
    }
}

#[test]
fn equal_results_do_not_differ_and_their_errors_are_right() {
    let (mut squares, n) = (0.0, 8);
    for seed in 0..n {
        let cameras = [10, 30].map(|first| Camera {
            seed: first + seed,
            ..PLAIN
        });
        let ratio = compared(&cameras).noise_ratios[0].ratio;
        check(ratio, 1.0, LARGEST_ERROR);
        squares += ratio.distance(1.0).powi(2);
    }
    // The width of eight scores is known to a quarter.
    let width = (squares / n as f64).sqrt();
    assert!((0.25..1.75).contains(&width), "{width}");
}

#[test]
fn double_noise_is_ranked_with_its_error() {
    let noisy = Camera {
        noise_dn: 8.0,
        seed: 3,
        ..PLAIN
    };
    // Three times as bright in its own numbers: the ratio is at equal star flux.
    let bright = Camera {
        noise_dn: 12.0,
        brightness: 3.0,
        seed: 4,
        ..PLAIN
    };
    let found = compared(&[PLAIN, noisy, bright]);
    let ratio = |of: usize, over: usize| {
        let pair = found.noise_ratios.iter();
        let pair = pair.filter(|pair| (pair.of, pair.over) == (of, over));
        pair.map(|pair| pair.ratio).next().expect("all pairs")
    };
    check(ratio(0, 1), 0.5, LARGEST_ERROR);
    assert!(ratio(0, 1).distance(1.0) > 10.0);
    check(ratio(0, 2), 1.0, LARGEST_ERROR);
    check(ratio(1, 2), 2.0, LARGEST_ERROR);
    let channel = |k: usize| found.results[k].channels[0];
    check(channel(0).noise_per_area, 4.0, LARGEST_ERROR);
    check(channel(1).noise_per_area, 8.0, LARGEST_ERROR);
    check(channel(2).noise_per_area, 4.0, LARGEST_ERROR);
    check(channel(2).flux_scale, 3.0, 0.01);
    // A star stands out half as well, and must be twice as bright to be found.
    let snr = channel(0).star_snr.value / channel(1).star_snr.value;
    assert!((snr - 2.0).abs() < 0.1, "{snr}");
    let limit = channel(1).limit_flux.value / channel(0).limit_flux.value;
    assert!((limit - 2.0).abs() < 0.1, "{limit}");
    // Without a scale in arcsec lengths are pixels of the first.
    assert!(!found.in_arcsec);
    assert!((found.results[0].fwhm.value - 2.4).abs() < 0.1);
}

#[test]
fn colors_are_told_by_channel() {
    let colored = |first: u64, blue_noise_dn: f32| {
        let plane = |i: u64| {
            let blue = i == 2;
            Camera {
                noise_dn: if blue { blue_noise_dn } else { 4.0 },
                seed: first + i,
                ..PLAIN
            }
        };
        of_planes("color", (0..3).map(|i| plane(i).picture()).collect())
    };
    let options = CompareOptions {
        zero_point: Some(25.0),
        ..CompareOptions::default()
    };
    let pair = [colored(50, 4.0), colored(60, 8.0)];
    let found = compare(&pair, &options).expect("the same sky");
    let [red, green, blue] = [0, 1, 2].map(|c| found.results[1].channels[c]);
    assert_eq!([red.name, green.name, blue.name], ["R", "G", "B"]);
    check(red.noise_per_area, 4.0, LARGEST_ERROR);
    check(blue.noise_per_area, 8.0, LARGEST_ERROR);
    // The mean of the logarithms over three channels, one of them doubled.
    check(
        found.noise_ratios[0].ratio,
        2f64.powf(-1.0 / 3.0),
        LARGEST_ERROR,
    );
    assert!(green.color_error_mag.value.is_nan());
    assert!(blue.color_error_mag.value > red.color_error_mag.value);
    let limit = found.results[0].limit_magnitude.expect("a zero point");
    let expected = 25.0 - 2.5 * found.results[0].channels[1].limit_flux.value.log10();
    assert!((limit.value - expected).abs() < 1e-9);
    // Against one without colors all are seen as one channel.
    let plain = Camera { seed: 9, ..PLAIN }.contender("plain");
    let found = compare(&[pair[0].clone(), plain], &options).expect("the same sky");
    assert_eq!(found.results[0].channels.len(), 1);
    check(
        found.noise_ratios[0].ratio,
        3f64.sqrt().recip(),
        LARGEST_ERROR,
    );
}

#[test]
fn missing_data_and_one_bad_patch_do_not_spoil_it() {
    let mut second = Camera { seed: 6, ..PLAIN }.contender("holes");
    let plane = &mut second.planes[0];
    plane.slice_mut(ndarray::s![.., ..90]).fill(f32::NAN);
    plane[(200, 300)] = f32::NAN;
    plane[(201, 330)] = 59_000.0;
    // A cloud of noise over two tiles.
    let mut rough = ChaCha8Rng::seed_from_u64(8);
    plane
        .slice_mut(ndarray::s![64..128, 256..384])
        .map_inplace(|value| *value += 40.0 * rough.sample::<f32, _>(StandardNormal));
    let pair = [PLAIN.contender("whole"), second];
    let found = compare(&pair, &CompareOptions::default()).expect("the same sky");
    check(found.noise_ratios[0].ratio, 1.0, LARGEST_ERROR);
}

#[test]
fn copies_have_no_noise_of_their_own() {
    let one = PLAIN.contender("one");
    let found = compare(&[one.clone(), one], &CompareOptions::default()).expect("the same sky");
    // What both share is taken for sky: nothing can be said, and nothing is.
    let ratio = found.noise_ratios[0].ratio;
    assert!(ratio.value.is_nan() && ratio.error.is_nan(), "{ratio:?}");
    for result in &found.results {
        assert!(result.channels[0].noise_per_area.value.is_nan());
    }
}

#[test]
fn a_part_of_a_stack_is_known_by_the_stack_s_halves() {
    // Frames a and b make the stack; a by itself is in it.
    let [a, b] = [20, 21].map(|seed| Camera { seed, ..PLAIN }.picture());
    let mut stack = of_planes("stack", vec![(&a + &b) * 0.5]);
    stack.frames = vec!["a".into(), "b".into()];
    stack.own_noise_dn = Some(vec![(4.0 / 2f64.sqrt(), 0.02)]);
    let mut part = of_planes("part", vec![a]);
    part.frames = vec!["a".into()];
    let found = compare(&[stack, part], &CompareOptions::default()).expect("the same sky");
    assert_eq!(found.results[0].channels[0].estimate, Estimate::OwnHalves);
    let by_stack = Estimate::Subset { of: 0 };
    assert_eq!(found.results[1].channels[0].estimate, by_stack);
    assert_eq!(found.results[0].shares_frames_with, [1]);
    check(found.noise_ratios[0].ratio, 0.5f64.sqrt(), LARGEST_ERROR);
}

#[test]
fn what_cannot_be_compared_is_a_typed_error() {
    let error = |contenders: &[Contender]| {
        compare(contenders, &CompareOptions::default()).expect_err("cannot be compared")
    };
    let one = PLAIN.contender("one");
    let counts = [0, 1, 7].map(|n| error(&vec![one.clone(); n]));
    for (n, count) in [0, 1, 7].into_iter().zip(counts) {
        assert_eq!(count, CompareError::Count { found: n, most: 6 });
    }
    let plane = || Array2::<f32>::zeros((100, 100));
    let other = Array2::<f32>::zeros((100, 90));
    for planes in [
        vec![],
        vec![plane(); 2],
        vec![plane(), plane(), other],
        vec![Array2::zeros((0, 0))],
    ] {
        let found = error(&[one.clone(), of_planes("odd", planes)]);
        assert!(matches!(&found, CompareError::Planes { name, .. } if name == "odd"));
    }
    // No stars: nothing to register by, whether even, empty of data, or saturated all over.
    for value in [100.0, f32::NAN, 1e6] {
        let flat = Array2::from_elem((365, 548), value);
        let found = error(&[one.clone(), of_planes("flat", vec![flat])]);
        let named = matches!(&found, CompareError::Register { name, with, .. }
            if name == "flat" && with == "one");
        assert!(named, "{found}");
    }
    // All stars saturated: they register, and tell no brightness.
    let clipped = Contender {
        saturation_dn: Some(120.0),
        ..one.clone()
    };
    let found = error(&[one, clipped]);
    let few = matches!(&found, CompareError::FewStars { needed: 8, .. });
    assert!(
        few || matches!(found, CompareError::Register { .. }),
        "{found}"
    );
}

#[test]
fn the_jackknife_is_the_standard_error_of_a_mean() {
    let values = [1.0, 4.0, 2.0, 7.0, 5.0];
    let n = values.len() as f64;
    let sum: f64 = values.iter().sum();
    let left_out = values.map(|value| (sum - value) / (n - 1.0));
    let mean = sum / n;
    let squares: f64 = values.iter().map(|value| (value - mean).powi(2)).sum();
    let want = (squares / (n - 1.0) / n).sqrt();
    let found = separate::jackknife(left_out.into_iter());
    assert!((found - want).abs() < 1e-12, "{found} {want}");
    assert!(separate::jackknife([1.0].into_iter()).is_nan());
    assert!(separate::jackknife([].into_iter()).is_nan());
    assert_eq!(separate::jackknife([3.0; 4].into_iter()), 0.0);
}
