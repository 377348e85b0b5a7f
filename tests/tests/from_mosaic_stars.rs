//! Simulated nights: colors and sharpness of stars, demosaicked and of
//! photosites alone.

#![allow(clippy::print_stdout, reason = "a failing test shows its figures")]

use align::{Homography, PixelMap};
use ndarray::{Array3, Axis};
use radicand_tests::{Burst, Way, cfa_light, check_gain, mean_and_error};
use stack::{DropShape, RecordedWhite};
use synth::{CountLaw, Scene, Simulator, Stars, Weather};

const WIDTH: usize = 256;
const HEIGHT: usize = 192;
/// Waves to a pixel of the lights at which detail is measured.
const FREQUENCY: f64 = 0.25;
/// Stars have no neighbor, and no border, within this, px.
const LONE_PX: f64 = 11.0;

/// A star, its place in the first light, and its true R/G.
struct LoneStar {
    x: f64,
    y: f64,
    red_over_green: f64,
}

/// A night, and what is true of it.
struct Night {
    burst: Burst,
    stars: Vec<LoneStar>,
    /// The light of the reference, e⁻.
    light: Array3<f32>,
    /// White, as the camera's matrix has it.
    white: RecordedWhite,
}

impl Night {
    /// A named scene with bright stars, none of them saturated, its lights where they truly
    /// lie.
    fn new(name: &str, frames: usize) -> Self {
        let mut scene = Scene::named(name).expect("a scene");
        (scene.width, scene.height, scene.frames) = (WIDTH, HEIGHT, frames);
        scene.seed = 5;
        scene.sky.stars = Stars::Counted(CountLaw {
            brightest_mag: 7.5,
            faintest_mag: 9.0,
            density: 12.0,
        });
        // What defect maps are for.
        scene.sensor.hot_fraction = 0.0;
        let simulator = Simulator::new(&scene).expect("a night");
        let light = |index: usize| {
            let frame = simulator.light(index).expect("a light");
            let map = Homography(frame.homography.expect("a lens without distortion"));
            let map = PixelMap::from_homography(map);
            cfa_light(&scene.sensor.cfa, frame.mosaic.data, map)
        };
        let lights = (0..frames).map(light).collect();
        let planes = simulator.expected_light(0, Weather::AsItIs);
        let planes = planes.expect("a light");
        Self {
            burst: Burst::new(lights),
            stars: lone_stars(&simulator),
            light: ndarray::stack(Axis(0), &planes.each_ref().map(|plane| plane.view()))
                .expect("planes of one size"),
            white: export::recorded_white(&scene.sensor.color_matrix)
                .and_then(RecordedWhite::new)
                .expect("a camera's matrix"),
        }
    }

    /// Bilinear, gradients of numbers as they are recorded, and in the balance of white; said,
    /// and held to what the last is for.
    fn demosaicked(&self) -> Vec<Figures> {
        let bilinear = self.figures(Way::Bilinear);
        let as_recorded = self.figures(Way::Gradient(RecordedWhite::default()));
        let gradient = self.figures(Way::Gradient(self.white));
        say("bilinear", &bilinear);
        say("gradient, as recorded", &as_recorded);
        say("gradient", &gradient);
        check_truer("gradient", &gradient, &bilinear);
        check_truer("gradient", &gradient, &as_recorded);
        let color =
            |found: &[Figures]| mean_and_error(found.iter().map(|f| f.color_square.sqrt())).0;
        assert!(color(&gradient) < 0.25 * color(&as_recorded), "stars");
        bilinear
    }

    fn figures(&self, way: Way) -> Vec<Figures> {
        let picture = self.burst.made(way);
        let of = |star| {
            let truth = Figures::of(&self.light, 1.0, star);
            Figures::of(&picture, way.scale(), star).over(&truth)
        };
        self.stars.iter().map(of).collect()
    }
}

/// Stars of the first light without neighbors, away from its border.
fn lone_stars(simulator: &Simulator) -> Vec<LoneStar> {
    let scene = simulator.scene();
    let places: Vec<(usize, (f64, f64))> = (0..simulator.stars().len())
        .filter_map(|i| Some((i, simulator.star_center_px(i, 0)?)))
        .collect();
    // Dithers of 400 arc seconds are 11 px, either way.
    let inside = |(x, y): (f64, f64)| {
        let border = 2.5 * LONE_PX;
        (border..WIDTH as f64 - border).contains(&x)
            && (border..HEIGHT as f64 - border).contains(&y)
    };
    let is_lone = |&(i, (x, y)): &(usize, (f64, f64))| {
        let near = |&&(j, (u, v)): &&(usize, (f64, f64))| j != i && (u - x).hypot(v - y) < LONE_PX;
        inside((x, y)) && !places.iter().any(|place| near(&place))
    };
    let lone = places.iter().filter(|place| is_lone(place));
    lone.map(|&(i, (x, y))| {
        let [red, green, _] = simulator.stars()[i].electrons_per_s(&scene.lens, &scene.sensor);
        LoneStar {
            x,
            y,
            red_over_green: red / green,
        }
    })
    .collect()
}

/// What a picture makes of a star.
struct Figures {
    /// Mean square error of R/G, over the true one, at the pixels within 1.2 px.
    color_square: f64,
    /// Contrast at [`FREQUENCY`] in R and in G, mean of both axes.
    modulation: [f64; 2],
}

/// A pixel beside a star: how far from it, px of the lights, and its red and green.
type Beside = (f64, f64, [f64; 2]);

/// Pixels around a star.
fn around(picture: &Array3<f32>, scale: f64, star: &LoneStar) -> Vec<Beside> {
    let (_, rows, columns) = picture.dim();
    let on_reference = |at: usize| (at as f64 + 0.5) / scale - 0.5;
    let span = |at: f64, n: usize| {
        let first = ((at - LONE_PX) * scale).max(0.0) as usize;
        first..(((at + LONE_PX) * scale) as usize + 2).min(n)
    };
    let pixel = |(row, col): (usize, usize)| {
        let (dx, dy) = (on_reference(col) - star.x, on_reference(row) - star.y);
        let value = |channel: usize| f64::from(picture[(channel, row, col)]);
        (dx, dy, [value(0), value(1)])
    };
    let places =
        span(star.y, rows).flat_map(|row| span(star.x, columns).map(move |col| (row, col)));
    places.map(pixel).collect()
}

/// Median of a channel in the ring of 6 to 9 px.
fn sky(around: &[Beside], channel: usize) -> f64 {
    let ring = around
        .iter()
        .filter(|(dx, dy, _)| (6.0..9.0).contains(&dx.hypot(*dy)));
    let mut values: Vec<f64> = ring.map(|(_, _, value)| value[channel]).collect();
    values.sort_by(f64::total_cmp);
    values[values.len() / 2]
}

impl Figures {
    fn of(picture: &Array3<f32>, scale: f64, star: &LoneStar) -> Self {
        let around = around(picture, scale, star);
        let sky = [0, 1].map(|channel| sky(&around, channel));
        let phase = std::f64::consts::TAU * FREQUENCY;
        let (mut off, mut n, mut light, mut wave) = (0.0, 0.0, [0.0; 2], [0.0; 2]);
        for (dx, dy, value) in around {
            let own = [0, 1].map(|channel| value[channel] - sky[channel]);
            let distance = dx.hypot(dy);
            if distance <= 1.2 {
                off += (own[0] / own[1] / star.red_over_green - 1.0).powi(2);
                n += 1.0;
            }
            if distance <= 4.0 {
                let cosine = 0.5 * ((phase * dx).cos() + (phase * dy).cos());
                for channel in [0, 1] {
                    light[channel] += own[channel];
                    wave[channel] += own[channel] * cosine;
                }
            }
        }
        Self {
            color_square: off / n,
            modulation: [0, 1].map(|channel| wave[channel] / light[channel]),
        }
    }

    /// Contrast over the true one.
    fn over(mut self, truth: &Self) -> Self {
        for (found, truth) in self.modulation.iter_mut().zip(truth.modulation) {
            *found /= truth;
        }
        self
    }
}

fn say(name: &str, found: &[Figures]) {
    let color = mean_and_error(found.iter().map(|f| f.color_square.sqrt()));
    let [red, green] = [0, 1].map(|c| mean_and_error(found.iter().map(|f| f.modulation[c])));
    println!(
        "{name:28} star color {:.3} ± {:.3}; modulation R {:.3} ± {:.3} G {:.3} ± {:.3}",
        color.0, color.1, red.0, red.1, green.0, green.1
    );
}

/// Holds that a way shows stars truer than another does of the same lights:
/// star by star, beyond the error.
fn check_truer(name: &str, found: &[Figures], other: &[Figures]) {
    let gain = |figure: fn(&Figures) -> f64| {
        let pairs = found.iter().zip(other);
        check_gain(
            name,
            pairs.map(|(found, other)| figure(other) - figure(found)),
        );
    };
    gain(|f| f.color_square.sqrt());
    gain(|f| (f.modulation[0] - 1.0).abs());
    gain(|f| (f.modulation[0] - f.modulation[1]).abs());
}

#[test]
fn stars_of_a_dithered_night_keep_color_and_detail() {
    let night = Night::new("tracked", 28);
    assert!(night.stars.len() > 20, "{}", night.stars.len());
    let bilinear = night.demosaicked();
    for (name, way) in [
        ("square 1, scale 1", Way::Drops(1.0, DropShape::Square(1.0))),
        (
            "square 0.6, scale 1",
            Way::Drops(1.0, DropShape::Square(0.6)),
        ),
        ("point, scale 1", Way::Drops(1.0, DropShape::Point)),
        (
            "gaussian 1, scale 1",
            Way::Drops(1.0, DropShape::Gaussian(1.0)),
        ),
        (
            "steered 1.2, scale 1",
            Way::Drops(1.0, DropShape::Steered(1.2)),
        ),
        (
            "square 0.8, scale 1.5",
            Way::Drops(1.5, DropShape::Square(0.8)),
        ),
        (
            "steered 1.2, scale 1.5",
            Way::Drops(1.5, DropShape::Steered(1.2)),
        ),
    ] {
        let found = night.figures(way);
        say(name, &found);
        check_truer(name, &found, &bilinear);
    }
}

#[test]
fn stars_of_a_square_of_shifts_keep_color_and_detail() {
    let night = Night::new("multi-shot", 4);
    let bilinear = night.demosaicked();
    let found = night.figures(Way::Drops(1.0, DropShape::Square(1.0)));
    say("square 1, scale 1", &found);
    check_truer("square 1", &found, &bilinear);
}
