//! Standard errors of the noise of lights and stack against their scatter about the truth.

#![allow(clippy::print_stdout, reason = "a failing test shows its figures")]
#![allow(dead_code, reason = "the engine serves many tests")]

mod engine;

use engine::{Burst, red_of, rng, shifted, white};
use noise::ChannelNoise;
use raw::Rect;

/// Bursts of 24 regions each.
const BURSTS: u64 = 8;
/// 192 regions know a width to 5 %: three times that.
const WIDTH_TOLERANCE: f64 = 0.15;
/// Errors by the pixel take a quarter of the pixels for independent: no width is above 1 by
/// more than chance, and white noise is known twice as well as they say.
const LEAST_PIXEL_WIDTH: f64 = 0.4;

/// Variance by the pixel of a picture's errors in a part of it.
fn pixel_variance_in(burst: &Burst, picture: &[f32], part: Rect) -> f64 {
    let mut sum = 0.0;
    for y in part.y0..part.y1 {
        let row = y * burst.width + part.x0..y * burst.width + part.x1;
        let pairs = picture[row.clone()].iter().zip(&burst.truth[row]);
        sum += pairs.map(|(v, t)| f64::from(v - t).powi(2)).sum::<f64>();
    }
    sum / (part.width() * part.height()) as f64
}

/// Figures whose errors are checked.
const FIGURES: [&str; 6] = [
    "single",
    "stack",
    "gain",
    "single px",
    "stack px",
    "gain px",
];

/// Found, stated error, truth, in the order of [`FIGURES`].
fn figures(cell: &ChannelNoise, single: [f64; 2], stack: [f64; 2]) -> [(f64, f64, f64); 6] {
    let ([area, pixel], [stack_area, stack_pixel]) = (single, stack);
    let (s, t) = (&cell.single, &cell.stack);
    [
        (s.area, s.area_error, area),
        (t.area, t.area_error, stack_area),
        (cell.gain_area, cell.realized_error, area / stack_area),
        (s.pixel, s.pixel_error, pixel),
        (t.pixel, t.pixel_error, stack_pixel),
        (cell.gain_pixel, cell.gain_pixel_error, pixel / stack_pixel),
    ]
}

/// Demosaiced red, resampled at shifts that differ by whole pixels: lights of equal noise,
/// so that it is known which of them is the typical one.
fn demosaiced(n: usize, sigma: f32, seed: u64) -> Burst {
    const MARGIN: usize = 16;
    let mut burst = Burst::blank(n);
    burst.photosite_share = 0.25;
    let (width, height) = (burst.width, burst.height);
    let (stride, rows) = (width + 2 * MARGIN, height + 2 * MARGIN);
    for (i, light) in burst.lights.iter_mut().enumerate() {
        let red = white(&mut rng(seed * 1000 + i as u64), stride * rows, sigma);
        let (dx, dy) = (i as f64 - 3.7, 2.3 - i as f64);
        *light = shifted(&red_of(&red, stride), width, height, MARGIN, dx, dy);
    }
    burst
}

#[test]
fn errors_of_single_and_stack_are_as_wide_as_their_scatter() {
    for (name, burst_of) in [
        ("white", Burst::white as fn(usize, f32, u64) -> Burst),
        ("demosaiced", demosaiced),
    ] {
        let bursts: Vec<Burst> = (0..BURSTS)
            .map(|seed| burst_of(8, 10.0, 700 + seed))
            .collect();
        let whole = Rect::of_size(bursts[0].width, bursts[0].height);
        let (mut squares, mut count) = ([0.0; 6], 0.0);

        for burst in &bursts {
            let stack = burst.stack();
            // The typical light, of the whole picture: known four times as well as a region's.
            let typical = |of: &dyn Fn(&[f32]) -> f64| {
                let variances = burst.lights.iter().map(|light| of(light) as f32);
                f64::from(engine::median(variances.collect())).sqrt()
            };
            let single = [
                typical(&|light| burst.block_variance(light)),
                typical(&|light| pixel_variance_in(burst, light, whole)),
            ];
            for region in burst.report().expect("noise").regions {
                let r = region.region;
                let part = Rect {
                    x0: r.x0,
                    y0: r.y0,
                    x1: r.x1,
                    y1: r.y1,
                };
                let own = [
                    burst.block_variance_in(&stack, part),
                    pixel_variance_in(burst, &stack, part),
                ];
                let all = figures(&region.channels[0], single, own.map(f64::sqrt));
                for (square, (found, error, truth)) in squares.iter_mut().zip(all) {
                    *square += ((found - truth) / error).powi(2);
                }
                count += 1.0;
            }
        }
        for (figure, square) in FIGURES.iter().zip(squares) {
            let width = f64::sqrt(square / count);
            println!("{name} {figure}: z width {width:.3} of {count}");
            let least = match figure.ends_with("px") {
                true => LEAST_PIXEL_WIDTH,
                false => 1.0 - WIDTH_TOLERANCE,
            };
            let widths = least..1.0 + WIDTH_TOLERANCE;
            assert!(widths.contains(&width), "{name} {figure}: {width}");
        }
    }
}

#[test]
fn unequal_weights_expect_the_number_of_kish() {
    // (sum w)^2 / sum w^2, Kish (1965), from memory: 6.2597048 of these eight.
    let mut burst = Burst::of_size(8, 256, 256);
    for (i, light) in burst.lights.iter_mut().enumerate() {
        *light = white(&mut rng(900 + i as u64), light.len(), 10.0);
    }
    burst.weights = vec![1.0, 1.0, 1.0, 1.0, 0.5, 0.5, 0.25, 0.1];
    let summary = burst.report().expect("noise").summary;
    // Weights are f32.
    assert!((summary.expected_gain.powi(2) - 6.259_704_8).abs() < 1e-5);
}
