//! From mosaics to maps: frames drawn with a known truth, and everything that disturbs.

use ndarray::Array2;
use radicand_align::{
    Background, BackgroundOptions, DetectOptions, Homography, MatchOptions, Saturation, Star,
    align_stars, choose_reference, detect, luminance,
};
use rand::{Rng, SeedableRng};
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, StandardNormal};
use raw::{Cfa, Channel};

const WIDTH: usize = 1200;
const HEIGHT: usize = 900;
const WHITE_DN: f32 = 15_000.0;

struct Source {
    x: f64,
    y: f64,
    /// Flux in R, G, B, DN.
    flux_dn: [f64; 3],
}

fn sky(rng: &mut ChaCha8Rng) -> Vec<Source> {
    (0..500)
        .map(|_| {
            let flux_dn = 400.0 * (1.0 - rng.random::<f64>()).powf(-1.1).min(1e3);
            let color = 0.6 + 0.8 * rng.random::<f64>();
            Source {
                // Beyond the edges, too: they drift in.
                x: (WIDTH as f64 + 200.0) * rng.random::<f64>() - 100.0,
                y: (HEIGHT as f64 + 200.0) * rng.random::<f64>() - 100.0,
                flux_dn: [0.6 * color * flux_dn, flux_dn, 0.7 / color * flux_dn],
            }
        })
        .collect()
}

/// The sky turned and drifted by `step` frames' worth: a few px and 0.1° each.
fn truth(step: f64) -> Homography {
    let (sin, cos) = (0.1 * step).to_radians().sin_cos();
    Homography([
        [cos, -sin, 3.3 * step],
        [sin, cos, -2.1 * step],
        [4e-7 * step, -2e-7 * step, 1.0],
    ])
}

/// One frame: stars through the map, gradient, photon and read noise, defects, a trail.
fn frame(sky: &[Source], step: f64, clearness: f64, seed: u64) -> Array2<f32> {
    let cfa = Cfa::bayer("GRBG").expect("a Bayer array");
    let mut rng = ChaCha8Rng::seed_from_u64(seed);
    let (sigma_x, sigma_y) = (1.25, 1.1);
    let mut light = Array2::<f64>::zeros((HEIGHT, WIDTH));
    for source in sky {
        let (x, y) = truth(step).apply(source.x, source.y);
        for row in (y - 8.0).max(0.0) as usize..((y + 9.0).max(0.0) as usize).min(HEIGHT) {
            for col in (x - 8.0).max(0.0) as usize..((x + 9.0).max(0.0) as usize).min(WIDTH) {
                let (dx, dy) = ((col as f64 - x) / sigma_x, (row as f64 - y) / sigma_y);
                let profile = (-0.5 * (dx * dx + dy * dy)).exp()
                    / (std::f64::consts::TAU * sigma_x * sigma_y);
                let channel = match cfa.at(row, col) {
                    Channel::R => 0,
                    Channel::B => 2,
                    Channel::G | Channel::Mono => 1,
                };
                light[(row, col)] += clearness * source.flux_dn[channel] * profile;
            }
        }
    }
    let mut defects = ChaCha8Rng::seed_from_u64(77);
    let hot: std::collections::HashMap<(usize, usize), f64> = (0..1000)
        .map(|_| {
            let at = (
                defects.random_range(0..HEIGHT),
                defects.random_range(0..WIDTH),
            );
            (at, 100.0 * 10.0_f64.powf(2.0 * defects.random::<f64>()))
        })
        .collect();
    Array2::from_shape_fn((HEIGHT, WIDTH), |(row, col)| {
        let glow = match cfa.at(row, col) {
            Channel::R => 130.0,
            Channel::B => 90.0,
            Channel::G | Channel::Mono => 220.0,
        } * (1.0 + 0.2 * row as f64 / HEIGHT as f64);
        let across = (row as f64 - 0.4 * col as f64 - 40.0 * step) / 1.5;
        let trail = if step == 1.0 {
            80.0 * (-0.5 * across * across).exp()
        } else {
            0.0
        };
        let electrons = glow + trail + light[(row, col)];
        let noise: f64 = StandardNormal.sample(&mut rng);
        let value = electrons + (electrons + 9.0).sqrt() * noise;
        ((value + hot.get(&(row, col)).unwrap_or(&0.0)) as f32).min(WHITE_DN)
    })
}

fn stars(mosaic: &Array2<f32>) -> Vec<Star> {
    let cfa = Cfa::bayer("GRBG").expect("a Bayer array");
    let plane = luminance(mosaic.view(), &cfa);
    let background = Background::estimate(plane.view(), &BackgroundOptions::default());
    let saturated = mosaic.mapv(|v| v >= WHITE_DN);
    let options = DetectOptions {
        saturation: Some(Saturation::Mask(saturated.view())),
        ..DetectOptions::default()
    };
    detect(plane.view(), &background, &options)
}

/// Root mean square and greatest error of a map over part of the reference, px.
fn errors_px(map: &radicand_align::PixelMap, want: &Homography, share: f64) -> (f64, f64) {
    let (mut squares, mut worst, mut n) = (0.0, 0.0_f64, 0.0);
    for (i, j) in (0..=10).flat_map(|i| (0..=10).map(move |j| (f64::from(i), f64::from(j)))) {
        let at = |i: f64, extent: usize| (0.5 + share * (i / 10.0 - 0.5)) * (extent - 1) as f64;
        let (x, y) = (at(i, WIDTH), at(j, HEIGHT));
        let ((ax, ay), (bx, by)) = (map.map(x, y), want.apply(x, y));
        let error = (ax - bx).hypot(ay - by);
        squares += error * error;
        worst = worst.max(error);
        n += 1.0;
    }
    ((squares / n).sqrt(), worst)
}

#[test]
fn a_burst_is_aligned_to_a_thirtieth_of_a_pixel() {
    /// A third of what the stack may be off, over the inner half.
    const INNER_RMS_PX: f64 = 0.03;
    const CORNER_PX: f64 = 0.1;
    let sky = sky(&mut ChaCha8Rng::seed_from_u64(1));
    let reference = stars(&frame(&sky, 0.0, 1.0, 100));
    let size = (WIDTH, HEIGHT);
    for (step, clearness) in [
        (1.0, 1.0),
        (-3.0, 1.0),
        (5.0, 0.45),
        (10.0, 0.9),
        (0.2, 1.0),
    ] {
        let found = stars(&frame(
            &sky,
            step,
            clearness,
            200 + (step * 10.0).abs() as u64,
        ));
        let aligned = align_stars(&reference, &found, size, &MatchOptions::default());
        let aligned = aligned.expect("the same sky");
        let (rms_px, _) = errors_px(&aligned.map, &truth(step), 0.5);
        let (_, corner_px) = errors_px(&aligned.map, &truth(step), 1.0);
        assert!(rms_px < INNER_RMS_PX, "step {step}: {rms_px} px");
        assert!(corner_px < CORNER_PX, "step {step}: {corner_px} px");
        let clear = aligned.transparency;
        let error = (clear.ratio - clearness).abs();
        assert!(
            error < 0.01 + 4.0 * clear.standard_error,
            "{clear:?} {clearness}"
        );
    }
}

#[test]
fn the_clouded_frame_is_not_the_reference() {
    let sky = sky(&mut ChaCha8Rng::seed_from_u64(1));
    let burst: Vec<Vec<Star>> = [(0.0, 1.0), (1.0, 0.9), (2.0, 0.25), (3.0, 1.0), (4.0, 1.0)]
        .into_iter()
        .map(|(step, clearness)| stars(&frame(&sky, step, clearness, 300 + step as u64)))
        .collect();
    let chosen = choose_reference(&burst).expect("there are stars");
    assert!(chosen == 1 || chosen == 3, "{chosen}");
}
