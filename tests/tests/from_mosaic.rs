//! Pictures of photosites against what is true: detail and color.

#![allow(clippy::print_stdout, reason = "a failing test shows its figures")]

use ndarray::{Array3, s};
use radicand_tests::{
    BORDER_PX, Burst, FOUR_SHIFTS, Way, check_gain, check_near, dithers, inner, lights,
    mean_and_error,
};
use stack::{DropShape, RecordedWhite};

const SIDE: usize = 84;

/// What is gray and white in DN, as balanced lights would show it: what gradients of the
/// other colors are published for.
const BALANCED: [f64; 3] = [1.0, 1.0, 1.0];
/// The same as a camera records it: the simulator's `efficiency`, over that of green.
const RECORDED: [f64; 3] = [0.415, 1.0, 0.7525];

/// Gradients of numbers as they are recorded, and in the balance of what is white.
fn gradients() -> [Way; 2] {
    let white = RecordedWhite::new(RECORDED).expect("a white");
    [
        Way::Gradient(RecordedWhite::default()),
        Way::Gradient(white),
    ]
}

/// Waves of a grating to a pixel of the lights: beyond what red sites two pixels apart tell.
const FREQUENCY: f64 = 0.35;
/// Level and contrast of it, DN and 1.
const GRATING: (f64, f64) = (20_000.0, 0.5);

/// sin πx / πx.
fn sinc(x: f64) -> f64 {
    (std::f64::consts::PI * x).sin() / (std::f64::consts::PI * x)
}

/// A grating along x, as photosites see it that are light-sensitive all over; `waves` says
/// which channels have it, the others are even.
fn grating(color: [f64; 3], waves: [f64; 3]) -> impl Fn(usize, f64, f64) -> f64 {
    move |channel, x, _| {
        let phase = std::f64::consts::TAU * FREQUENCY * x;
        let contrast = GRATING.1 * waves[channel] * sinc(FREQUENCY);
        GRATING.0 * color[channel] * (1.0 + contrast * phase.sin())
    }
}

/// Contrast of the grating that a channel shows, over its true one.
fn modulation(picture: &Array3<f32>, channel: usize, scale: f64) -> f64 {
    let plane = inner(picture, channel, scale);
    let phase = std::f64::consts::TAU * FREQUENCY / scale;
    // Whole waves, so that the mean level does not count: 20 pixels of the lights hold seven.
    let columns = (20.0 * scale) as usize * (plane.ncols() / (20.0 * scale) as usize);
    let (mut sin, mut cos, mut level) = (0.0, 0.0, 0.0);
    let part = plane.slice(s![.., ..columns]);
    for ((_, col), &value) in part.indexed_iter() {
        sin += f64::from(value) * (phase * col as f64).sin();
        cos += f64::from(value) * (phase * col as f64).cos();
        level += f64::from(value);
    }
    2.0 * sin.hypot(cos) / level / GRATING.1
}

/// Root mean square of R/G over the true one, less 1, over the gray grating.
fn false_color(picture: &Array3<f32>, scale: f64, color: [f64; 3]) -> f64 {
    let (red, green) = (inner(picture, 0, scale), inner(picture, 1, scale));
    let off = |(&r, &g): (&f32, &f32)| (f64::from(r / g) * color[1] / color[0] - 1.0).powi(2);
    let squares = red.iter().zip(green).map(off);
    (squares.sum::<f64>() / red.len() as f64).sqrt()
}

const SKY_DN: f64 = 2000.0;

/// White stars of 1.7 px full width, each at another place between pixels.
fn stars(color: [f64; 3]) -> impl Fn(usize, f64, f64) -> f64 {
    move |channel, x, y| {
        let (fx, fy) = ((x / 12.0).floor(), (y / 12.0).floor());
        let mut level = SKY_DN;
        for (i, j) in (-1..=1).flat_map(|j| (-1..=1).map(move |i| (f64::from(i), f64::from(j)))) {
            let (sx, sy) = star_place(fx + i, fy + j);
            let squared = (x - sx).powi(2) + (y - sy).powi(2);
            level += 30_000.0
                * color[channel]
                * (-4.0 * std::f64::consts::LN_2 * squared / (1.7 * 1.7)).exp();
        }
        level
    }
}

/// Place of the star of a cell.
fn star_place(i: f64, j: f64) -> (f64, f64) {
    let between = |a: f64| a.rem_euclid(1.0) - 0.5;
    (
        12.0 * i + 6.0 + between(0.618 * i + 0.31 * j),
        12.0 * j + 6.0 + between(0.414 * j + 0.73 * i),
    )
}

/// The pixels of a picture around stars: squared distance, px² of the lights, and the light of
/// red and green above the sky, over that of a white star.
fn around_stars(picture: &Array3<f32>, scale: f64, color: [f64; 3]) -> Vec<(f64, [f64; 2])> {
    let border = (BORDER_PX as f64 * scale) as usize;
    let on_reference = |at: usize| (at as f64 + 0.5) / scale - 0.5;
    let inside = border..picture.dim().1 - border;
    let pixels = inside
        .clone()
        .flat_map(|row| inside.clone().map(move |col| (row, col)));
    let pixel = |(row, col): (usize, usize)| {
        let (x, y) = (on_reference(col), on_reference(row));
        let (sx, sy) = star_place((x / 12.0).floor(), (y / 12.0).floor());
        let light =
            |channel: usize| (f64::from(picture[(channel, row, col)]) - SKY_DN) / color[channel];
        ((x - sx).powi(2) + (y - sy).powi(2), [light(0), light(1)])
    };
    pixels.map(pixel).collect()
}

/// Root mean square error of R/G, over the true one, at the pixels within 1.5 px of stars.
fn color_error(around: &[(f64, [f64; 2])]) -> f64 {
    let near = around.iter().filter(|(squared, _)| *squared <= 1.5 * 1.5);
    let off = near.map(|(_, [red, green])| (red / green - 1.0).powi(2));
    let (sum, n) = off.fold((0.0, 0.0), |(sum, n), off| (sum + off, n + 1.0));
    (sum / n).sqrt()
}

/// Full width of the mean star in red, px of the lights: by its second moments within 4 px.
fn red_width(around: &[(f64, [f64; 2])]) -> f64 {
    let (mut light, mut moment) = (0.0, 0.0);
    for (squared, [red, _]) in around.iter().filter(|(squared, _)| *squared <= 16.0) {
        light += red;
        moment += red * squared;
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

/// A gray grating and white stars, seen by the same lights.
struct Scenes {
    color: [f64; 3],
    gray: Burst,
    starry: Burst,
}

impl Scenes {
    fn new(shifts: &[(f64, f64)], color: [f64; 3]) -> Self {
        Self {
            color,
            gray: Burst::new(lights(shifts, SIDE, grating(color, [1.0; 3]))),
            starry: Burst::new(lights(shifts, SIDE, stars(color))),
        }
    }

    fn figures(&self, way: Way) -> Figures {
        let (gray, starry) = (self.gray.made(way), self.starry.made(way));
        let scale = way.scale();
        let around = around_stars(&starry, scale, self.color);
        Figures {
            red_modulation: modulation(&gray, 0, scale),
            green_modulation: modulation(&gray, 1, scale),
            false_color: false_color(&gray, scale, self.color),
            star_color_error: color_error(&around),
            red_width_px: red_width(&around),
        }
    }
}

/// Prints the figures of a way, with their errors where there are several dithers.
fn say(name: &str, found: &[Figures]) {
    let of = |figure: fn(&Figures) -> f64| match found {
        [one] => format!("{:.4}", figure(one)),
        _ => {
            let (mean, error) = mean_and_error(found.iter().map(figure));
            format!("{mean:.3} ± {error:.3}")
        }
    };
    println!(
        "{name:20} modulation R {} G {}; false color {}; star color {}; red FWHM {} px",
        of(|f| f.red_modulation),
        of(|f| f.green_modulation),
        of(|f| f.false_color),
        of(|f| f.star_color_error),
        of(|f| f.red_width_px),
    );
}

/// Drops of each kind, and the contrast that photosite, drop and pixel leave of a wave where
/// places are even; `None` where the drop's width depends on the picture.
fn drops() -> [(&'static str, Way, Option<f64>); 7] {
    let square = |side: f64, scale: f64| {
        let left = sinc(FREQUENCY) * sinc(FREQUENCY * side) * sinc(FREQUENCY / scale);
        (Way::Drops(scale, DropShape::Square(side)), Some(left))
    };
    let way = |name, (way, left)| (name, way, left);
    [
        way("square 1, scale 1", square(1.0, 1.0)),
        way("square 0.6, scale 1", square(0.6, 1.0)),
        way(
            "point, scale 1",
            (
                Way::Drops(1.0, DropShape::Point),
                Some(sinc(FREQUENCY).powi(2)),
            ),
        ),
        way(
            "gaussian 1, scale 1",
            (Way::Drops(1.0, DropShape::Gaussian(1.0)), None),
        ),
        way(
            "steered 1.2, scale 1",
            (Way::Drops(1.0, DropShape::Steered(1.2)), None),
        ),
        way("square 1, scale 2", square(1.0, 2.0)),
        way("square 0.6, scale 2", square(0.6, 2.0)),
    ]
}

#[test]
fn gradients_in_the_balance_of_white_keep_the_colors_of_stars() {
    let [as_recorded, in_balance] = gradients();
    // As white lamps are recorded: a balance that is wrong by a half of it, either way.
    let lamps = RecordedWhite::new([1.5 * RECORDED[0], RECORDED[1], RECORDED[2] / 1.5]);
    let lamps = Way::Gradient(lamps.expect("a white"));
    let mut found = [(); 4].map(|()| Vec::new());
    for seed in [11, 12, 13] {
        let shifts = dithers(40, 5.0, seed);
        let recorded = Scenes::new(&shifts, RECORDED);
        let made = [as_recorded, lamps, in_balance].map(|way| recorded.figures(way));
        let balanced = Scenes::new(&shifts, BALANCED).figures(as_recorded);
        for (all, one) in found.iter_mut().zip(made.into_iter().chain([balanced])) {
            all.push(one);
        }
    }
    let [as_recorded, lamps, in_balance, balanced] = found;
    say("as recorded", &as_recorded);
    say("lamps for white", &lamps);
    say("in balance", &in_balance);
    say("balanced numbers", &balanced);
    // Red of half as many DN is rounded as coarsely, and no kernel is kept from ringing beside
    // it, which happens from half of full scale on.
    const LESS_RED: f64 = 0.02;
    let nights = in_balance
        .iter()
        .zip(&balanced)
        .zip(&as_recorded)
        .zip(&lamps);
    for (((found, published), recorded), lamps) in nights {
        let [own, other, wrong] = [found, recorded, lamps].map(|f| f.star_color_error);
        assert!(own < 0.2 * other, "{own} of {other}");
        assert!(wrong < 0.6 * other, "{wrong} of {other}");
        assert!(found.false_color < 0.25 * recorded.false_color, "gray");
        check_near("stars", own, published.star_color_error, LESS_RED);
        check_near(
            "red",
            found.red_modulation,
            published.red_modulation,
            LESS_RED,
        );
        check_near(
            "green",
            found.green_modulation,
            published.green_modulation,
            1e-3,
        );
    }
}

#[test]
fn dithered_photosites_beat_bilinear_in_detail_and_color() {
    let nights = [11, 12, 13].map(|seed| Scenes::new(&dithers(40, 5.0, seed), RECORDED));
    let of = |way: Way| nights.each_ref().map(|night| night.figures(way));
    let [_, in_balance] = gradients();
    let (bilinear, gradient) = (of(Way::Bilinear), of(in_balance));
    say("bilinear", &bilinear);
    say("gradient", &gradient);
    for (name, way, left) in drops() {
        let found = of(way);
        say(name, &found);
        let gain = |over: &[Figures; 3], figure: fn(&Figures) -> f64| {
            let pairs = found.iter().zip(over);
            let gains = pairs.map(|(found, over)| figure(over) - figure(found));
            check_gain(name, gains);
        };
        gain(&bilinear, |f| (f.red_modulation - f.green_modulation).abs());
        gain(&bilinear, |f| f.false_color);
        gain(&bilinear, |f| -f.red_modulation);
        // A finer grid shows more detail than gradients do of gray things.
        if way.scale() == 2.0 {
            gain(&gradient, |f| -f.red_modulation);
        }
        if let Some(left) = left {
            let (mean, error) = mean_and_error(found.iter().map(|f| f.red_modulation));
            assert!(
                (mean - left).abs() < 4.0 * error,
                "{name}: {mean} of {left}"
            );
        }
    }
}

#[test]
fn even_places_leave_no_false_color() {
    // Thirds of a pixel over a cell of the mosaic: photosites of each color lie around each
    // pixel alike.
    let third = |i: u32| f64::from(i) / 3.0;
    let shifts: Vec<_> = (0..36).map(|i| (third(i % 6), third(i / 6))).collect();
    let recorded = Scenes::new(&shifts, RECORDED);
    let bilinear = recorded.figures(Way::Bilinear);
    let [as_recorded, gradient] = gradients().map(|way| recorded.figures(way));
    for (name, way, _) in drops() {
        let found = recorded.figures(way);
        // Whole numbers of 2e4 DN.
        assert!(
            found.false_color < 1e-3 && found.star_color_error < 2e-3,
            "{name}"
        );
        assert!(
            way.scale() == 1.0 || found.red_modulation > gradient.red_modulation,
            "{name}"
        );
        say(name, &[found]);
    }
    for demosaicked in [&bilinear, &as_recorded] {
        assert!(demosaicked.false_color > 0.1 && demosaicked.star_color_error > 0.1);
    }
    // Even places leave gradients of gray things nothing to err in either.
    assert!(gradient.false_color < 0.01 && gradient.star_color_error < 0.01);
    say("bilinear", &[bilinear]);
    say("gradient, as recorded", &[as_recorded]);
    say("gradient", &[gradient]);
}

#[test]
fn detail_of_one_color_alone_takes_photosites_of_that_color() {
    // As the light of hydrogen: red has waves, green and blue have none.
    let red = grating(BALANCED, [1.0, 0.0, 0.0]);
    let burst = Burst::new(lights(&dithers(40, 5.0, 11), SIDE, red));
    let shown = |way: Way| {
        let picture = burst.made(way);
        let [red, green] = [0, 1].map(|channel| modulation(&picture, channel, 1.0));
        println!("{way:?}: modulation R {red:.3}, G {green:.3}");
        (red, green)
    };
    let gradient = shown(Way::Gradient(RecordedWhite::default()));
    let found = shown(Way::Drops(1.0, DropShape::Square(1.0)));
    assert!(found.0 > 3.0 * gradient.0, "red");
    assert!(found.1 < 1e-3 && gradient.1 > 0.05, "green, which has none");
}

#[test]
fn a_square_of_shifts_gives_every_pixel_its_own_photosites() {
    let recorded = Scenes::new(&FOUR_SHIFTS, RECORDED);
    let bilinear = recorded.figures(Way::Bilinear);
    let [as_recorded, gradient] = gradients().map(|way| recorded.figures(way));
    let found = recorded.figures(Way::Drops(1.0, DropShape::Square(1.0)));
    // A photosite's own aperture is all that is left.
    check_near("red", found.red_modulation, sinc(FREQUENCY), 1e-3);
    check_near("green", found.green_modulation, sinc(FREQUENCY), 1e-3);
    // Whole numbers of 2e4 DN.
    assert!(found.false_color < 1e-4 && found.star_color_error < 2e-3);
    for demosaicked in [&bilinear, &as_recorded] {
        assert!(demosaicked.star_color_error > 0.05 && demosaicked.false_color > 0.1);
    }
    // Gradients of gray things err alike in all colors around a square, and lose detail.
    assert!(found.red_modulation > 1.25 * gradient.red_modulation);
    assert!(gradient.false_color < 1e-3 && gradient.star_color_error < 2e-3);
    say("bilinear", &[bilinear]);
    say("gradient, as recorded", &[as_recorded]);
    say("gradient", &[gradient]);
    say("from the mosaic", &[found]);
}
