//! Pictures of photosites against what is true: detail, color, noise.

#![allow(clippy::print_stdout, reason = "a failing test shows its figures")]

use align::{Homography, PixelMap};
use ndarray::{Array2, ArrayView2, s};
use noise::{
    HalfNoise, HalfNoiseObserver, NoiseOptions, StarMask, drop_correlation, drop_correlation_at,
};
use radicand_tests::{cfa_calibrator, cfa_light, check_near};
use rand::{Rng, SeedableRng};
use rand_chacha::ChaCha8Rng;
use rand_distr::StandardNormal;
use raw::{Cfa, Channel, Rect};
use stack::{
    Calibrator, Combine, DefectMap, DemosaicMethod, DropShape, FirstPass, FromMosaic, Light, Stack,
    StackOptions, StackPlace, stack, stack_from_mosaic,
};

const SIDE: usize = 96;
/// Left out at every side, where the lights do not all reach, px.
const BORDER: usize = 12;

fn cfa() -> Cfa {
    Cfa::bayer("RGGB").expect("a Bayer array")
}

fn calibrator(side: usize) -> Calibrator {
    cfa_calibrator(cfa(), DefectMap::none(side, side))
}

/// Index of the channel of a photosite.
fn channel(row: usize, col: usize) -> usize {
    match cfa().at(row, col) {
        Channel::R => 0,
        Channel::G => 1,
        _ => 2,
    }
}

/// Moves of the framing by chance, each way up to `most_px`; the first light is the reference.
fn dithers(n: usize, most_px: f64, seed: u64) -> Vec<(f64, f64)> {
    let mut rng = ChaCha8Rng::seed_from_u64(seed);
    let mut draw = |i: usize| match i {
        0 => 0.0,
        _ => rng.random_range(-most_px..most_px),
    };
    (0..n).map(|i| (draw(i), draw(i))).collect()
}

/// One photosite each way around a square.
const FOUR_SHIFTS: [(f64, f64); 4] = [(0.0, 0.0), (1.0, 0.0), (1.0, 1.0), (0.0, 1.0)];

/// Lights of a scene `level(channel, x, y)`, its values those of whole photosites.
fn lights(
    shifts: &[(f64, f64)],
    side: usize,
    mut level: impl FnMut(usize, f64, f64) -> f64,
) -> Vec<Light> {
    let light = |&(dx, dy): &(f64, f64)| {
        let samples = Array2::from_shape_fn((side, side), |(row, col)| {
            let value = level(channel(row, col), col as f64 - dx, row as f64 - dy);
            value.round() as u16
        });
        let map = Homography([[1.0, 0.0, dx], [0.0, 1.0, dy], [0.0, 0.0, 1.0]]);
        cfa_light(&cfa(), samples, PixelMap::from_homography(map))
    };
    shifts.iter().map(light).collect()
}

/// The ordinary stack.
fn ordinary(lights: &[Light], demosaic: DemosaicMethod) -> Stack {
    let options = StackOptions {
        combine: Combine::Mean,
        demosaic,
        ..StackOptions::default()
    };
    let side = lights[0].mosaic.size().0;
    stack(lights, &calibrator(side), &options, &(), &|_, _| ())
        .expect("a stack")
        .0
}

fn from_mosaic(lights: &[Light], scale: f64, drop: DropShape) -> Stack {
    let side = lights[0].mosaic.size().0;
    let stacking = StackOptions {
        combine: Combine::Mean,
        ..StackOptions::default()
    };
    let first = ordinary(lights, DemosaicMethod::Bilinear);
    let first = FirstPass::new(&first.into(), lights.len(), &cfa(), &stacking).expect("in memory");
    let options = FromMosaic { scale, drop };
    let made = stack_from_mosaic(
        lights,
        &[],
        &calibrator(side),
        &first,
        &options,
        &StackPlace::Memory,
        &(),
        &|_, _| (),
    );
    let mut made = made.expect("a stack").0;
    made.fill(&first).expect("in memory");
    made.stack.into_memory().expect("in memory")
}

/// The inner part of a channel.
fn inner(stack: &Stack, channel: usize, scale: f64) -> ArrayView2<'_, f32> {
    let (_, rows, columns) = stack.mean.dim();
    let border = (BORDER as f64 * scale) as usize;
    stack
        .mean
        .slice(s![channel, border..rows - border, border..columns - border])
}

/// Waves of a grating to a pixel of the lights: beyond what red sites two pixels apart tell.
const FREQUENCY: f64 = 0.35;
/// Level and contrast of it, DN and 1.
const GRATING: (f64, f64) = (20_000.0, 0.5);

/// A gray grating along x, as photosites see it that are light-sensitive all over.
fn grating(_: usize, x: f64, _: f64) -> f64 {
    let phase = std::f64::consts::TAU * FREQUENCY;
    let site = (0.5 * phase).sin() / (0.5 * phase);
    GRATING.0 * (1.0 + GRATING.1 * site * (phase * x).sin())
}

/// Contrast of the grating that a channel shows, over its true one.
fn modulation(stack: &Stack, channel: usize, scale: f64) -> f64 {
    let plane = inner(stack, channel, scale);
    let phase = std::f64::consts::TAU * FREQUENCY / scale;
    // Whole waves, so that the mean level does not count: 20 pixels of the lights hold seven.
    let columns = (20.0 * scale) as usize * (plane.ncols() / (20.0 * scale) as usize);
    let (mut sin, mut cos) = (0.0, 0.0);
    let part = plane.slice(s![.., ..columns]);
    for ((_, col), &value) in part.indexed_iter() {
        sin += f64::from(value) * (phase * col as f64).sin();
        cos += f64::from(value) * (phase * col as f64).cos();
    }
    2.0 * sin.hypot(cos) / part.len() as f64 / (GRATING.0 * GRATING.1)
}

/// Root mean square of R/G − 1 over the gray grating.
fn false_color(stack: &Stack, scale: f64) -> f64 {
    let (red, green) = (inner(stack, 0, scale), inner(stack, 1, scale));
    let ratios = red
        .iter()
        .zip(green)
        .map(|(&r, &g)| (f64::from(r / g) - 1.0).powi(2));
    (ratios.sum::<f64>() / red.len() as f64).sqrt()
}

/// Colors of the stars, R, G and B over G.
const STAR_COLOR: [f64; 3] = [0.7, 1.0, 0.45];
const SKY_DN: f64 = 2000.0;

/// Stars of 1.7 px full width, each at another place between pixels.
fn stars(channel: usize, x: f64, y: f64) -> f64 {
    let (fx, fy) = ((x / 12.0).floor(), (y / 12.0).floor());
    let mut level = SKY_DN;
    for (i, j) in (-1..=1).flat_map(|j| (-1..=1).map(move |i| (f64::from(i), f64::from(j)))) {
        let (sx, sy) = star_place(fx + i, fy + j);
        let squared = (x - sx).powi(2) + (y - sy).powi(2);
        level += 30_000.0
            * STAR_COLOR[channel]
            * (-4.0 * std::f64::consts::LN_2 * squared / (1.7 * 1.7)).exp();
    }
    level
}

/// Place of the star of a cell.
fn star_place(i: f64, j: f64) -> (f64, f64) {
    let between = |a: f64| a.rem_euclid(1.0) - 0.5;
    (
        12.0 * i + 6.0 + between(0.618 * i + 0.31 * j),
        12.0 * j + 6.0 + between(0.414 * j + 0.73 * i),
    )
}

/// Root mean square error of R/G, over the true one, at the pixels within 1.5 px of stars.
fn color_error(stack: &Stack, scale: f64) -> f64 {
    let (mut sum, mut n) = (0.0, 0);
    let rows = stack.mean.dim().1;
    let border = (BORDER as f64 * scale) as usize;
    for row in border..rows - border {
        for col in border..rows - border {
            let on_reference = |at: usize| (at as f64 + 0.5) / scale - 0.5;
            let (x, y) = (on_reference(col), on_reference(row));
            let (sx, sy) = star_place((x / 12.0).floor(), (y / 12.0).floor());
            if (x - sx).hypot(y - sy) > 1.5 {
                continue;
            }
            let light = |channel: usize| f64::from(stack.mean[(channel, row, col)]) - SKY_DN;
            sum += (light(0) / light(1) / STAR_COLOR[0] - 1.0).powi(2);
            n += 1;
        }
    }
    (sum / f64::from(n)).sqrt()
}

/// Full width of the mean star in red, px of the lights: by its second moments within 4 px.
fn red_width(stack: &Stack, scale: f64) -> f64 {
    let (mut light, mut moment) = (0.0, 0.0);
    let rows = stack.mean.dim().1;
    let border = (BORDER as f64 * scale) as usize;
    for row in border..rows - border {
        for col in border..rows - border {
            let on_reference = |at: usize| (at as f64 + 0.5) / scale - 0.5;
            let (x, y) = (on_reference(col), on_reference(row));
            let (sx, sy) = star_place((x / 12.0).floor(), (y / 12.0).floor());
            let squared = (x - sx).powi(2) + (y - sy).powi(2);
            if squared <= 16.0 {
                let value = f64::from(stack.mean[(0, row, col)]) - SKY_DN;
                light += value;
                moment += value * squared;
            }
        }
    }
    2.354_82 * (0.5 * moment / light).sqrt()
}

/// What a picture makes of detail and of color.
struct Figures {
    red_modulation: f64,
    green_modulation: f64,
    false_color: f64,
    star_color_error: f64,
    red_width_px: f64,
}

fn figures(shifts: &[(f64, f64)], scale: f64, make: &dyn Fn(&[Light]) -> Stack) -> Figures {
    let gray = make(&lights(shifts, SIDE, grating));
    let starry = make(&lights(shifts, SIDE, stars));
    Figures {
        red_modulation: modulation(&gray, 0, scale),
        green_modulation: modulation(&gray, 1, scale),
        false_color: false_color(&gray, scale),
        star_color_error: color_error(&starry, scale),
        red_width_px: red_width(&starry, scale),
    }
}

fn say(name: &str, found: &Figures) {
    println!(
        "{name:24} modulation R {:.3} G {:.3}; false color {:.4}; star color {:.4}; red FWHM {:.2} px",
        found.red_modulation,
        found.green_modulation,
        found.false_color,
        found.star_color_error,
        found.red_width_px,
    );
}

#[test]
fn dithered_photosites_beat_demosaicking_in_detail_and_color() {
    let shifts = dithers(40, 5.0, 11);
    let bilinear = figures(&shifts, 1.0, &|lights| {
        ordinary(lights, DemosaicMethod::Bilinear)
    });
    let gradient = figures(&shifts, 1.0, &|lights| {
        ordinary(lights, DemosaicMethod::GradientCorrected)
    });
    say("bilinear", &bilinear);
    say("gradient", &gradient);
    let ways = [
        ("square 1, scale 1", 1.0, DropShape::Square(1.0)),
        ("square 0.6, scale 1", 1.0, DropShape::Square(0.6)),
        ("point, scale 1", 1.0, DropShape::Point),
        ("gaussian 1, scale 1", 1.0, DropShape::Gaussian(1.0)),
        ("steered 1.2, scale 1", 1.0, DropShape::Steered(1.2)),
        ("square 1, scale 2", 2.0, DropShape::Square(1.0)),
        ("square 0.6, scale 2", 2.0, DropShape::Square(0.6)),
    ];
    for (name, scale, drop) in ways {
        let found = figures(&shifts, scale, &|lights| from_mosaic(lights, scale, drop));
        say(name, &found);
        // Against the default. Gradients of the other colors tell a gray grating as well as
        // photosites do, which is what they are made for; see docs/from-mosaic.md.
        assert!(
            found.red_modulation > 2.0 * bilinear.red_modulation,
            "{name}"
        );
        assert!(found.false_color < 0.5 * bilinear.false_color, "{name}");
        assert!(
            found.star_color_error < 0.7 * bilinear.star_color_error,
            "{name}"
        );
    }
}

#[test]
fn a_square_of_shifts_gives_every_pixel_its_own_photosites() {
    let bilinear = figures(&FOUR_SHIFTS, 1.0, &|lights| {
        ordinary(lights, DemosaicMethod::Bilinear)
    });
    let found = figures(&FOUR_SHIFTS, 1.0, &|lights| {
        from_mosaic(lights, 1.0, DropShape::Square(1.0))
    });
    say("bilinear", &bilinear);
    say("from the mosaic", &found);
    // A photosite's own aperture is all that is left: sinc of the frequency.
    let phase = std::f64::consts::PI * FREQUENCY;
    check_near("red", found.red_modulation, phase.sin() / phase, 1e-3);
    check_near("green", found.green_modulation, phase.sin() / phase, 1e-3);
    // Whole numbers of 2e4 DN.
    assert!(found.false_color < 1e-4 && found.star_color_error < 2e-3);
    assert!(bilinear.star_color_error > 0.05 && bilinear.false_color > 0.1);
}

/// Noise of the lights, DN.
const SIGMA_DN: f64 = 300.0;

fn noise_of(
    lights: &[Light],
    side: usize,
    options: FromMosaic,
    block_px: usize,
) -> (Vec<HalfNoise>, Vec<f64>) {
    let stacking = StackOptions {
        combine: Combine::Mean,
        ..StackOptions::default()
    };
    let first = ordinary(lights, DemosaicMethod::Bilinear);
    let first = FirstPass::new(&first.into(), lights.len(), &cfa(), &stacking).expect("in memory");
    let size = (side as f64 * options.scale) as usize;
    let border = (BORDER as f64 * options.scale) as usize;
    let mut mask = StarMask::empty(size, size);
    for (x0, y0, x1, y1) in [
        (0, 0, size, border),
        (0, size - border, size, size),
        (0, 0, border, size),
        (size - border, 0, size, size),
    ] {
        mask.mask_rect(Rect { x0, y0, x1, y1 });
    }
    let observer = HalfNoiseObserver::new(
        mask,
        NoiseOptions {
            block_px,
            ..NoiseOptions::default()
        },
    );
    let calibrator = calibrator(side);
    let made = stack_from_mosaic(
        lights,
        &[],
        &calibrator,
        &first,
        &options,
        &StackPlace::Memory,
        &observer,
        &|_, _| (),
    );
    let (made, tiles) = made.expect("a stack");
    let halves = HalfNoise::of(&tiles, 3)
        .into_iter()
        .map(|noise| noise.expect("enough pixels"));
    let made = made.stack.in_memory().expect("it was made there");
    // The scatter of a flat sky is its noise.
    let scatter = |channel: usize| {
        let plane = inner(made, channel, options.scale);
        let values = || plane.iter().map(|&v| f64::from(v));
        let mean = values().sum::<f64>() / plane.len() as f64;
        (values().map(|v| (v - mean).powi(2)).sum::<f64>() / plane.len() as f64).sqrt()
    };
    (halves.collect(), [0, 1, 2].map(scatter).into())
}

#[test]
fn noise_is_what_square_drops_make_of_it() {
    const LIGHTS: usize = 100;
    const NOISE_SIDE: usize = 152;
    let mut rng = ChaCha8Rng::seed_from_u64(5);
    let shifts = dithers(LIGHTS, 4.0, 23);
    let lights = lights(&shifts, NOISE_SIDE, |_, _, _| {
        20_000.0 + SIGMA_DN * rng.sample::<f64, _>(StandardNormal)
    });
    for (scale, side_px) in [(1.0, 1.0), (1.0, 0.5), (2.0, 0.6), (2.0, 1.0)] {
        let options = FromMosaic {
            scale,
            drop: DropShape::Square(side_px),
        };
        let block_px = (8.0 * scale) as usize;
        let (halves, scatter) = noise_of(&lights, NOISE_SIDE, options, block_px);
        let ratio = side_px * scale;
        for (channel, share) in [(0, 0.25), (1, 0.5), (2, 0.25)] {
            // Fruchter & Hook: white noise σ scale / √(N share), over R for a pixel.
            let white = SIGMA_DN * scale / (LIGHTS as f64 * share).sqrt();
            let pixel = white / drop_correlation(ratio);
            let correlation = drop_correlation_at(ratio, block_px);
            let found = &halves[channel];
            println!(
                "scale {scale} side {side_px} channel {channel}: pixel {:.2} scatter {:.2} want {pixel:.2}; \
                 correlation {:.3} want {correlation:.3}; R {:.3}",
                found.pixel_dn,
                scatter[channel],
                found.correlation,
                drop_correlation(ratio)
            );
            // The formula is for even coverage; 25 photosites of red to a pixel scatter, which
            // costs (1 + 1/25)^½ where drops hardly overlap.
            check_near("scatter", scatter[channel], pixel, 0.05);
            check_near("halves", found.pixel_dn, scatter[channel], 0.04);
            // 256 blocks tell little more than a scatter of 5 %.
            let error = found.area_error_dn / found.pixel_dn;
            assert!(
                (found.correlation - correlation).abs() < 4.0 * error,
                "{} of {correlation} ± {error}",
                found.correlation
            );
        }
    }
}

#[test]
fn a_square_of_shifts_has_no_correlation_and_no_noise_lost() {
    // Red and blue once, green twice: variances 1, 1/2, 1 of a photosite's, where a demosaicked
    // frame looks as if it had 9/16 and 5/8.
    let mut rng = ChaCha8Rng::seed_from_u64(8);
    let lights = lights(&FOUR_SHIFTS, SIDE, |_, _, _| {
        20_000.0 + SIGMA_DN * rng.sample::<f64, _>(StandardNormal)
    });
    let stack = from_mosaic(&lights, 1.0, DropShape::Square(1.0));
    for (channel, want) in [(0, 1.0), (1, 0.5_f64.sqrt()), (2, 1.0)] {
        let plane = inner(&stack, channel, 1.0);
        let mean = f64::from(plane.mean().expect("pixels"));
        let squares = plane.mapv(|v| (f64::from(v) - mean).powi(2));
        let sigma = (squares.sum() / squares.len() as f64).sqrt();
        // 72² pixels tell sigma to 1 %.
        check_near("sigma", sigma / SIGMA_DN, want, 0.04);
        let (left, right) = (plane.slice(s![.., ..-1]), plane.slice(s![.., 1..]));
        let pairs = left.iter().zip(right.iter());
        let products: f64 = pairs
            .map(|(&a, &b)| (f64::from(a) - mean) * (f64::from(b) - mean))
            .sum();
        assert!(
            (products / squares.sum()).abs() < 0.06,
            "neighbors share nothing"
        );
    }
}
