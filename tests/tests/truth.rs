//! An invented night through the whole job, held against what only its maker knows:
//! positions, noise, trails and hot pixels.

#![allow(clippy::print_stdout, reason = "a failing test shows its figures")]

use align::{Background, BackgroundOptions, DetectOptions, PixelMap, detect};
use ndarray::{Array2, Array3};
use radicand::{Inputs, StackJob, StackOutcome, calibrator, gather};
use radicand_tests::in_memory;
use raw::Rect;
use stack::{TileObserver, TileSamples};
use std::path::Path;
use std::sync::OnceLock;
use synth::{
    Calibration, CountLaw, Satellite, Scene, Simulator, Stars, Weather, apply_homography,
    write_scene,
};
use tempfile::TempDir;

const WIDTH: usize = 640;
const HEIGHT: usize = 480;
const LIGHTS: usize = 16;

/// Few stars, so that most of the picture holds nothing but noise.
fn scene() -> Scene {
    let satellite = |light, start, end, electrons_per_px| Satellite {
        light,
        start,
        end,
        electrons_per_px,
    };
    let mut scene = Scene::named("tripod-burst").expect("a scene");
    (scene.width, scene.height, scene.frames) = (WIDTH, HEIGHT, LIGHTS);
    scene.sky.stars = Stars::Counted(CountLaw {
        brightest_mag: 3.0,
        faintest_mag: 9.5,
        density: 1.0,
    });
    scene.satellites = vec![
        satellite(2, [-0.05, 0.20], [1.05, 0.55], 900.0),
        satellite(9, [0.62, -0.05], [0.35, 1.05], 250.0),
    ];
    scene.calibration = Calibration {
        darks: 8,
        ..Calibration::NONE
    };
    scene
}

/// A night that was stacked, and all that is known of it.
struct Known {
    simulator: Simulator,
    outcome: StackOutcome,
    /// `[light][channel, row, column]`: every light as it went into the stack.
    samples: Vec<Array3<f32>>,
    /// Expected light over the reference, `[channel]`, DN.
    truth: [Array2<f32>; 3],
    /// Pixels away from stars that every light reaches.
    empty: Array2<bool>,
}

/// Keeps every sample it is shown: area, channel, a plane per light.
struct Recorder;

impl TileObserver for Recorder {
    type Summary = (Rect, usize, Vec<Vec<f32>>);

    fn observe(&self, tile: &TileSamples<'_>) -> Self::Summary {
        let planes = tile.samples.iter().map(|plane| plane.to_vec());
        (tile.area, tile.channel, planes.collect())
    }
}

/// Stacks the frames of some folders of a scene that was written to `night`.
fn stacked(scene: &Scene, night: &Path, folders: &[&str]) -> Known {
    let lights = folders.iter().map(|folder| night.join(folder)).collect();
    let job = StackJob::new(Inputs {
        lights,
        ..Inputs::default()
    });
    let outcome = job.run(&()).expect("a stack");
    assert_eq!(outcome.lights.len(), scene.frames);

    let session = gather(&job.inputs, &job.memory_budget(), &()).expect("the frames again");
    let calibrator = calibrator(&session).expect("masters");
    let lights: Vec<_> = outcome.lights.iter().map(|l| l.light.clone()).collect();
    let (again, tiles) =
        stack::stack(&lights, &calibrator, &job.options, &Recorder, &|_, _| ()).expect("a stack");
    assert_eq!(again.mean, in_memory(&outcome).mean, "the same stack twice");
    let mut samples = vec![Array3::zeros((3, HEIGHT, WIDTH)); scene.frames];
    for (area, channel, planes) in tiles {
        for (light, plane) in planes.iter().enumerate() {
            for (i, &value) in plane.iter().enumerate() {
                let (row, col) = (area.y0 + i / area.width(), area.x0 + i % area.width());
                samples[light][(channel, row, col)] = value;
            }
        }
    }

    let simulator = Simulator::new(scene).expect("a scene");
    let light = simulator.expected_light(outcome.reference, Weather::Clear);
    let gain = scene.sensor.gain_e_per_dn as f32;
    let truth = light.expect("a light").map(|plane| plane / gain);
    let empty = empty_pixels(&simulator, outcome.reference, &samples);
    Known {
        simulator,
        outcome,
        samples,
        truth,
        empty,
    }
}

fn written(scene: &Scene) -> TempDir {
    let temp = tempfile::tempdir().expect("a folder");
    write_scene(scene, temp.path(), |_| ()).expect("a scene on disk");
    temp
}

/// The night with its darks.
fn known() -> &'static Known {
    static KNOWN: OnceLock<Known> = OnceLock::new();
    KNOWN.get_or_init(|| {
        let scene = scene();
        stacked(&scene, written(&scene).path(), &["lights", "darks"])
    })
}

/// Where the stars of the scene lie in the reference: x, y in px and magnitude.
fn stars(simulator: &Simulator, reference: usize) -> Vec<(f64, f64, f64)> {
    let map = simulator
        .homography(reference)
        .expect("a rectilinear lens without distortion");
    let place = |star: &synth::Star| {
        let (x, y) = simulator.projection().project(star.direction)?;
        let (x, y) = apply_homography(&map, x, y);
        Some((x, y, star.magnitude))
    };
    simulator.stars().iter().filter_map(place).collect()
}

/// Distance from a star at which its light is lost in the noise, px: eight times the
/// standard deviation of its image, and more for the few bright ones.
fn star_radius_px(magnitude: f64) -> f64 {
    if magnitude < 6.0 { 14.0 } else { 9.0 }
}

fn empty_pixels(simulator: &Simulator, reference: usize, samples: &[Array3<f32>]) -> Array2<bool> {
    let mut empty = Array2::from_shape_fn((HEIGHT, WIDTH), |(row, col)| {
        samples.iter().all(|light| !light[(0, row, col)].is_nan())
    });
    for (x, y, magnitude) in stars(simulator, reference) {
        let radius = star_radius_px(magnitude);
        for ((row, col), empty) in empty.indexed_iter_mut() {
            *empty &= radius < (col as f64 - x).hypot(row as f64 - y);
        }
    }
    empty
}

/// Side of a block, px.
const BLOCK_PX: usize = 8;
/// Blocks to each side whose mean is taken for the smooth part of a block's error.
const REACH: usize = 2;
/// Fewest blocks for such a mean.
const FEWEST: usize = 9;

/// White-equivalent noise: means of blocks of errors, less the mean of the blocks around
/// (glow and vignetting are smooth), times the side. Also the number of blocks.
fn block_noise(error: impl Fn(usize, usize) -> f32, empty: &Array2<bool>) -> (f64, usize) {
    let (rows, columns) = (HEIGHT / BLOCK_PX, WIDTH / BLOCK_PX);
    let mean = |block_row: usize, block_column: usize| {
        let mut sum = 0.0;
        for row in block_row * BLOCK_PX..(block_row + 1) * BLOCK_PX {
            for col in block_column * BLOCK_PX..(block_column + 1) * BLOCK_PX {
                if !empty[(row, col)] {
                    return None;
                }
                sum += f64::from(error(row, col));
            }
        }
        Some(sum / (BLOCK_PX * BLOCK_PX) as f64)
    };
    let means = Array2::from_shape_fn((rows, columns), |(row, column)| mean(row, column));
    let (mut sum, mut n) = (0.0, 0);
    for ((row, column), own) in means.indexed_iter() {
        let Some(own) = own else { continue };
        let near = |i: usize, n: usize| i.saturating_sub(REACH)..n.min(i + REACH + 1);
        let around: Vec<f64> = near(row, rows)
            .flat_map(|r| near(column, columns).map(move |c| (r, c)))
            .filter_map(|place| means[place])
            .collect();
        if around.len() < FEWEST {
            continue;
        }
        // Independent blocks: what is left of a block's variance after the mean of k
        // that it is one of.
        let k = around.len() as f64;
        let smooth = around.iter().sum::<f64>() / k;
        sum += (own - smooth).powi(2) / (1.0 - 1.0 / k);
        n += 1;
    }
    let blocks_per_variance = (BLOCK_PX * BLOCK_PX) as f64;
    ((sum / n as f64 * blocks_per_variance).sqrt(), n)
}

impl Known {
    fn error(&self, channel: usize, row: usize, col: usize, value: f32) -> f32 {
        value - self.truth[channel][(row, col)]
    }

    /// Noise of the stack, and of the typical light, at the scale of blocks, DN.
    fn noise(&self, channel: usize) -> (f64, f64, usize) {
        let mean = &in_memory(&self.outcome).mean;
        let of_stack = |row, col| self.error(channel, row, col, mean[(channel, row, col)]);
        let (stack, blocks) = block_noise(of_stack, &self.empty);
        let mut lights: Vec<f64> = self
            .samples
            .iter()
            .map(|light| {
                let of_light = |row, col| self.error(channel, row, col, light[(channel, row, col)]);
                block_noise(of_light, &self.empty).0
            })
            .collect();
        lights.sort_by(f64::total_cmp);
        let n = lights.len();
        let typical = 0.5 * (lights[(n - 1) / 2] + lights[n / 2]);
        (stack, typical, blocks)
    }
}

#[test]
fn the_reported_gain_is_the_true_one() {
    // At most 5 % off. 2,500 blocks know the stack's noise to 1.4 % themselves.
    const GAIN_TOLERANCE: f64 = 0.05;
    let known = known();
    let report = &known.outcome.noise;
    let mut gains = Vec::new();
    for channel in 0..3 {
        let (stack, single, blocks) = known.noise(channel);
        let (mut weight, mut single_sq, mut stack_sq) = (0.0, 0.0, 0.0);
        for region in &report.regions {
            for noise in region.channels.iter().filter(|c| c.channel == channel) {
                let pixels = noise.pixels as f64;
                weight += pixels;
                single_sq += pixels * noise.single.area.powi(2);
                stack_sq += pixels * noise.stack.area.powi(2);
            }
        }
        let (says_single, says_stack) = ((single_sq / weight).sqrt(), (stack_sq / weight).sqrt());
        let (gain, says) = (single / stack, says_single / says_stack);
        println!(
            "channel {channel}: single {single:.3} (report {says_single:.3}), stack {stack:.3} \
             (report {says_stack:.3}), gain {gain:.3} (report {says:.3}), {blocks} blocks"
        );
        assert!(blocks > 1500, "{blocks} blocks are too few to judge by");
        let off = says / gain - 1.0;
        assert!(off.abs() < GAIN_TOLERANCE, "channel {channel}: {off:.3}");
        gains.push(gain);
    }
    let summary = &report.summary;
    let mean = gains.iter().sum::<f64>() / 3.0;
    println!(
        "summary {:.3} +- {:.3}, expected {:.3}, true mean of the channels {mean:.3}, {:?}",
        summary.gain_area, summary.error, summary.expected_gain, summary.pattern
    );
    assert!((summary.gain_area / mean - 1.0).abs() < GAIN_TOLERANCE);
    assert!(summary.pattern.visible, "{:?}", summary.pattern);
}

#[test]
fn stars_lie_where_the_scene_has_them() {
    /// Largest rms distance from the truth, over the inner two thirds, px.
    const POSITION_RMS_PX: f64 = 0.1;
    let known = known();
    let plane = in_memory(&known.outcome)
        .mean
        .index_axis(ndarray::Axis(0), 1);
    let background = Background::estimate(plane, &BackgroundOptions::default());
    let found = detect(plane, &background, &DetectOptions::default());
    let truth = stars(&known.simulator, known.outcome.reference);
    let inner = |x: f64, y: f64| {
        let (w, h) = (WIDTH as f64, HEIGHT as f64);
        (w / 6.0..w * 5.0 / 6.0).contains(&x) && (h / 6.0..h * 5.0 / 6.0).contains(&y)
    };
    let (mut n, mut dx, mut dy, mut squares) = (0.0, 0.0, 0.0, 0.0);
    for &(x, y, _) in truth.iter().filter(|&&(x, y, _)| inner(x, y)) {
        let distance = |other: &(f64, f64, f64)| (other.0 - x).hypot(other.1 - y);
        // Two stars in one spot have one centroid.
        if truth.iter().filter(|other| distance(other) < 10.0).count() > 1 {
            continue;
        }
        let near = |star: &&align::Star| (star.x - x).hypot(star.y - y) < 2.0;
        let Some(star) = found.iter().find(near).filter(|star| star.snr > 30.0) else {
            continue;
        };
        n += 1.0;
        dx += star.x - x;
        dy += star.y - y;
        squares += (star.x - x).powi(2) + (star.y - y).powi(2);
    }
    let rms = f64::sqrt(squares / n);
    println!(
        "{n} stars: mean off ({:.4}, {:.4}) px, rms {rms:.4} px",
        dx / n,
        dy / n
    );
    assert!(n >= 25.0, "{n} stars");
    assert!(rms < POSITION_RMS_PX, "{rms} px rms over {n} stars");
}

/// Means of a plane along a line and beside it, and the numbers of pixels.
struct Trail {
    on: f64,
    n_on: f64,
    beside: f64,
    n_beside: f64,
}

impl Trail {
    /// How much brighter the line is than what is beside it.
    fn excess(&self) -> f64 {
        self.on - self.beside
    }
}

/// Distance from a trail's middle that counts as on it, and as beside it, px.
const ON_PX: f64 = 3.0;
const BESIDE_PX: (f64, f64) = (12.0, 24.0);

/// Looks at a channel's errors along the path of a satellite; `ends` in px of `light`.
fn trail(
    known: &Known,
    channel: usize,
    plane: &dyn Fn(usize, usize) -> f32,
    map: &PixelMap,
    ends: [[f64; 2]; 2],
) -> Trail {
    let [start, end] = ends;
    let along = [end[0] - start[0], end[1] - start[1]];
    let length = along[0].hypot(along[1]);
    let (mut on, mut n_on, mut beside, mut n_beside) = (0.0, 0.0, 0.0, 0.0);
    for ((row, col), &empty) in known.empty.indexed_iter() {
        if !empty {
            continue;
        }
        let (x, y) = map.map(col as f64, row as f64);
        let across = (x - start[0]) * along[1] - (y - start[1]) * along[0];
        let distance = (across / length).abs();
        let error = f64::from(known.error(channel, row, col, plane(row, col)));
        if distance < ON_PX {
            on += error;
            n_on += 1.0;
        } else if BESIDE_PX.0 < distance && distance < BESIDE_PX.1 {
            beside += error;
            n_beside += 1.0;
        }
    }
    Trail {
        on: on / n_on,
        n_on,
        beside: beside / n_beside,
        n_beside,
    }
}

#[test]
fn satellites_leave_no_trail() {
    let known = known();
    let scene = known.simulator.scene();
    for satellite in &scene.satellites {
        let light = satellite.light;
        let map = &known.outcome.lights[light].light.map;
        let ends = satellite.ends_px(WIDTH, HEIGHT);
        for channel in 0..3 {
            let (stack_noise, single_noise, _) = known.noise(channel);
            let of_light = |row, col| known.samples[light][(channel, row, col)];
            let of_stack = |row, col| in_memory(&known.outcome).mean[(channel, row, col)];
            let before = trail(known, channel, &of_light, map, ends);
            let after = trail(known, channel, &of_stack, map, ends);
            let per_dn = (1.0 / after.n_on + 1.0 / after.n_beside).sqrt();
            println!(
                "light {light} channel {channel}: {:.2} DN, {:.3} DN in the stack, noise of that \
                 {:.3} DN, {} px",
                before.excess(),
                after.excess(),
                stack_noise * per_dn,
                after.n_on
            );
            assert!(
                before.excess() > 20.0 * single_noise * per_dn,
                "there was a trail"
            );
            // Within the noise of a single pixel of the stack, and far below what a mean
            // of all lights would have left.
            assert!(after.excess().abs() < 0.1 * stack_noise, "light {light}");
            let mean_would_leave = before.excess() / LIGHTS as f64;
            assert!(after.excess().abs() < 0.1 * mean_would_leave + 4.0 * stack_noise * per_dn);
        }
    }
}

/// Mean error of a stack along the paths of the hot pixels over the sky, and the mean that
/// plain averaging would have left there, DN.
fn hot_pixel_trace(known: &Known) -> (f64, f64, usize) {
    let outcome = &known.outcome;
    let scene = known.simulator.scene();
    let dn_per_rate = scene.exposure_s / scene.sensor.gain_e_per_dn;
    let (mut left, mut plain, mut n) = (0.0, 0.0, 0);
    for pixel in &known.simulator.maps().hot_pixels {
        let channel = match scene.sensor.cfa.at(pixel.y, pixel.x) {
            raw::Channel::R => 0,
            raw::Channel::G => 1,
            _ => 2,
        };
        for light in &outcome.lights {
            let (x, y) = light.light.map.map_back(pixel.x as f64, pixel.y as f64);
            let (row, col) = (y.round(), x.round());
            let inside = (20.0..HEIGHT as f64 - 20.0).contains(&row)
                && (20.0..WIDTH as f64 - 20.0).contains(&col);
            let (row, col) = (row as usize, col as usize);
            if !inside || !known.empty[(row, col)] {
                continue;
            }
            let error = |row: usize, col: usize| {
                let value = in_memory(outcome).mean[(channel, row, col)];
                f64::from(known.error(channel, row, col, value))
            };
            let around = [
                (row - 9, col),
                (row + 9, col),
                (row, col - 9),
                (row, col + 9),
            ];
            let empty: Vec<f64> = around
                .into_iter()
                .filter(|&place| known.empty[place])
                .map(|(row, col)| error(row, col))
                .collect();
            if empty.is_empty() {
                continue;
            }
            left += error(row, col) - empty.iter().sum::<f64>() / empty.len() as f64;
            plain += pixel.rate_e_per_s * dn_per_rate / outcome.lights.len() as f64;
            n += 1;
        }
    }
    (left / n as f64, plain / n as f64, n)
}

#[test]
fn hot_pixels_are_not_left_in_the_stack() {
    // What is left of them, of what a plain mean would leave.
    const LEFT: f64 = 0.1;
    let scene = scene();
    let without_darks = stacked(&scene, written(&scene).path(), &["lights"]);
    for (name, known) in [("with", known()), ("without", &without_darks)] {
        let (left, plain, n) = hot_pixel_trace(known);
        let pixel_noise = known.outcome.noise.regions[0].channels[0].stack.pixel;
        // A place, less the mean of up to four around it, each seen by about two lights.
        let noise = pixel_noise / (n as f64 / 2.0).sqrt();
        println!("{name} darks: {left:.3} DN of {plain:.3} DN left at {n} places, +- {noise:.3}");
        assert!(n > 500, "{n} places");
        assert!(
            left.abs() < LEFT * plain + 4.0 * noise,
            "{name} darks: {left} DN"
        );
        assert!(4.0 * noise < LEFT * plain, "too noisy to judge");
    }
}

#[test]
fn a_pattern_that_cannot_be_seen_is_not_denied() {
    // Tracked without dither, neither darks nor flats: the sensor's pattern lies still
    // under the sky, and halves of the stack are blind to it.
    let mut scene = Scene::named("tracked").expect("a scene");
    (scene.width, scene.height) = (WIDTH, HEIGHT);
    scene.mount.dither_arcsec = 0.0;
    scene.sky.stars = self::scene().sky.stars;
    let known = stacked(&scene, written(&scene).path(), &["lights"]);
    let summary = &known.outcome.noise.summary;
    let gains: Vec<f64> = (0..3)
        .map(|channel| {
            let (stack, single, _) = known.noise(channel);
            single / stack
        })
        .collect();
    let truth = (gains.iter().sum::<f64>() / 3.0).powi(2);
    println!(
        "12 lights worth {truth:.1} in truth; report {:.1}, at the bound {:.1}, {:?}",
        summary.effective_frames, summary.effective_frames_at_upper_bound, summary.pattern
    );
    assert!(!summary.pattern.visible, "{:?}", summary.pattern);
    assert!(summary.pattern.fraction_of_variance.is_none());
    assert!(summary.effective_frames > truth, "there is a pattern");
    // 3,000 blocks know a variance to 2.6 %, its effect on the frames as well.
    const BLOCKS: f64 = 0.1;
    assert!(summary.effective_frames_at_upper_bound < truth * (1.0 + BLOCKS));
}
