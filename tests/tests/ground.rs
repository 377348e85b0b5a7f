//! A night over a ridge with trees through the whole job, held against what only its maker
//! knows: where the ground is, and what it and the sky look like.

#![allow(clippy::print_stdout, reason = "a failing test shows its figures")]

use align::{Background, BackgroundOptions, DetectOptions, detect};
use ndarray::Array2;
use noise::Part;
use radicand::{GroundChoice, Inputs, StackJob, StackOutcome};
use radicand_tests::{in_memory, shot_of};
use raw::Channel;
use std::sync::OnceLock;
use synth::{Pointing, Scene, Simulator, Weather, write_scene};

const LIGHTS: usize = 12;

struct Known {
    simulator: Simulator,
    outcome: StackOutcome,
    /// Distance from the true ridge, px: negative on the ground, up to [`FAR_PX`].
    from_ridge_px: Array2<i32>,
}

impl Known {
    /// Green light of the reference without noise, e⁻.
    fn green_e(&self) -> Array2<f32> {
        let reference = self.outcome.lights[self.outcome.reference].frame.path();
        let index = shot_of(&self.simulator, reference);
        let light = self.simulator.expected_light(index, Weather::AsItIs);
        let [_, green_e, _] = light.expect("a light");
        green_e
    }
}

const FAR_PX: i32 = 12;

fn night() -> &'static Known {
    static NIGHT: OnceLock<Known> = OnceLock::new();
    NIGHT.get_or_init(|| {
        let mut scene = Scene::named("tripod-ground").expect("a scene");
        (scene.width, scene.height, scene.frames) = (640, 480, LIGHTS);
        let lower = Pointing {
            altitude_deg: 14.8,
            ..scene.pointing
        };
        scene.look(scene.site, lower);
        let temp = tempfile::tempdir().expect("a folder");
        write_scene(&scene, temp.path(), |_| ()).expect("a scene on disk");
        let job = StackJob::new(Inputs {
            lights: vec![temp.path().join("lights")],
            ..Inputs::default()
        });
        assert_eq!(job.ground, GroundChoice::Auto);
        let outcome = job.run(&()).expect("a stack");
        let simulator = Simulator::new(&scene).expect("a scene");
        let cover = simulator.ground_cover(0).expect("a ground");
        Known {
            from_ridge_px: from_ridge(&cover.mapv(|cover| cover > 0.5)),
            simulator,
            outcome,
        }
    })
}

/// Signed distance to the nearest pixel of the other part, px, rounded up.
fn from_ridge(ground: &Array2<bool>) -> Array2<i32> {
    let mut distances = ground.mapv(|ground| if ground { -FAR_PX } else { FAR_PX });
    let (rows, columns) = ground.dim();
    for (row, col) in ndarray::indices_of(ground) {
        let other = |&(y, x): &(usize, usize)| ground[(y, x)] != ground[(row, col)];
        let span = |at: usize, n: usize| {
            at.saturating_sub(FAR_PX as usize)..(at + FAR_PX as usize + 1).min(n)
        };
        let near = span(row, rows).flat_map(|y| span(col, columns).map(move |x| (y, x)));
        let squares = near
            .filter(other)
            .map(|(y, x)| row.abs_diff(y).pow(2) + col.abs_diff(x).pow(2));
        if let Some(square) = squares.min() {
            let px = ((square as f64).sqrt().ceil() as i32).min(FAR_PX);
            distances[(row, col)] = if ground[(row, col)] { -px } else { px };
        }
    }
    distances
}

#[test]
fn the_ground_is_found_to_the_pixel() {
    // At least; 99.8 % is reached on the scenes at full size.
    const RIGHT: f64 = 0.99;
    let night = night();
    let found = night
        .outcome
        .ground
        .as_ref()
        .expect("a ground")
        .mask
        .ground();
    let right = found
        .iter()
        .zip(&night.from_ridge_px)
        .filter(|&(&ground, &px)| ground == (px < 0));
    let share = right.count() as f64 / found.len() as f64;
    assert!(share >= RIGHT, "{share}");
    // Wrong pixels lie along the ridge, not in the sky or in the ground.
    let far = |&(&ground, &px): &(&bool, &i32)| ground != (px < 0) && px.abs() >= 8;
    let wrong = found.iter().zip(&night.from_ridge_px).filter(far).count();
    assert!(wrong < found.len() / 2000, "{wrong}");
}

#[test]
fn the_ridge_is_where_it_is_and_as_sharp() {
    // Median deviation from the noise-free light at a distance from the ridge, of the sky's
    // level. A light's noise is 6 % of it, and thousands of pixels share a distance.
    const DEVIATION: f32 = 0.02;
    let night = night();
    let outcome = &night.outcome;
    let green_e = night.green_e();
    let gain = night.simulator.scene().sensor.gain_e_per_dn as f32;
    let layout = &outcome.layout;
    let sky_dn = outcome.lights[outcome.reference].seen.sky.level(1);
    for px in -8..=FAR_PX {
        let mut off: Vec<f32> = night
            .from_ridge_px
            .indexed_iter()
            .filter(|&((row, col), &at)| at == px && layout.cfa.at(row, col) == Channel::G)
            .map(|((row, col), _)| {
                (in_memory(outcome).mean[(1, row, col)] - green_e[(row, col)] / gain) / sky_dn
            })
            .collect();
        off.sort_by(f32::total_cmp);
        if off.len() > 200 {
            let median = off[off.len() / 2];
            assert!(median.abs() < DEVIATION, "{px} px from the ridge: {median}");
        }
    }
}

#[test]
fn no_star_of_the_sky_is_lost_and_none_is_on_the_ground() {
    let night = night();
    let outcome = &night.outcome;
    let picture = in_memory(outcome).mean.index_axis(ndarray::Axis(0), 1);
    let background = Background::estimate(picture, &BackgroundOptions::default());
    let found = detect(picture, &background, &DetectOptions::default());
    let at = |x: f64, y: f64| night.from_ridge_px[(y.round() as usize, x.round() as usize)];
    let reference = &outcome.lights[outcome.reference].seen;
    let bright = |star: &&align::Star| star.snr > 8.0 && at(star.x, star.y) > 6;
    let stars: Vec<_> = reference.stars.iter().filter(bright).collect();
    let seen = |star: &&&align::Star| {
        found
            .iter()
            .any(|other| (other.x - star.x).hypot(other.y - star.y) < 1.5)
    };
    let kept = stars.iter().filter(seen).count();
    // A close pair may be one star on one of the pictures.
    assert!(stars.len() > 30, "{}", stars.len());
    assert!(
        kept as f64 >= 0.98 * stars.len() as f64,
        "{kept} of {}",
        stars.len()
    );
    let on_ground = reference
        .stars
        .iter()
        .filter(|star| at(star.x, star.y) < -3);
    assert_eq!(on_ground.count(), 0);
}

#[test]
fn each_part_has_its_own_noise() {
    let night = night();
    let noise = &night.outcome.noise;
    let of = |part| noise.regions.iter().filter(move |r| r.region.part == part);
    assert!(of(Part::Sky).count() > 0 && of(Part::Ground).count() > 0);
    // Equal lights without drift: the gain of random noise is the square root of their number.
    let ideal = (LIGHTS as f64).sqrt();
    let ground = night.outcome.ground.as_ref().expect("a ground");
    let in_all = ground.noise.as_ref().expect("enough ground");
    assert_eq!(in_all.frames_used, LIGHTS);
    let off = (in_all.gain_area - ideal).abs();
    assert!(off < 4.0 * in_all.error, "{} for {ideal}", in_all.gain_area);
    assert!(!in_all.pattern.visible, "what stands still hides a pattern");
    let fraction = ground.mask.fraction();
    let truth = night.from_ridge_px.iter().filter(|&&px| px < 0).count() as f64
        / night.from_ridge_px.len() as f64;
    assert!((fraction - truth).abs() < 0.01, "{fraction} for {truth}");
}

/// Robust standard deviation: of few stars among the pixels, too.
fn scatter(values: &mut [f32]) -> f32 {
    values.sort_by(f32::total_cmp);
    let median = values[values.len() / 2];
    let mut off: Vec<f32> = values.iter().map(|value| (value - median).abs()).collect();
    off.sort_by(f32::total_cmp);
    // 1.4826: consistency of the median absolute deviation for Gaussian noise.
    1.4826 * off[off.len() / 2]
}

#[test]
fn the_sky_beside_the_ridge_is_as_quiet_as_its_lights_allow() {
    // Some thousand pixels share a distance, neighbors part of their noise: 4 % is a standard
    // error at most; the clip costs 2 %, faint stars some percent. Doubled or smeared ridges
    // would be far beyond.
    const NOISIER: f32 = 0.1;
    let night = night();
    let outcome = &night.outcome;
    let green_e = night.green_e();
    let sensor = &night.simulator.scene().sensor;
    let (gain, read_e) = (sensor.gain_e_per_dn as f32, sensor.read_noise_e as f32);
    let [mean, weight] = [&in_memory(outcome).mean, &in_memory(outcome).weight];
    let most = weight.iter().copied().fold(0.0, f32::max);
    // Nearer, the ridge's own edge is in the figure; `the_ridge_is_where_it_is_and_as_sharp`.
    for px in [3..5, 5..7, 7..9, 9..FAR_PX] {
        let places = night.from_ridge_px.indexed_iter();
        let here = places.filter(|&((row, col), at)| {
            px.contains(at) && outcome.layout.cfa.at(row, col) == Channel::G
        });
        // Errors in units of the mean of the lights that were kept there, had they not been
        // smoothed by resampling.
        let mut errors: Vec<f32> = here
            .map(|((row, col), _)| {
                let kept = LIGHTS as f32 * weight[(1, row, col)] / most;
                let noise_e = ((green_e[(row, col)] + read_e * read_e) / kept).sqrt();
                (gain * mean[(1, row, col)] - green_e[(row, col)]) / noise_e
            })
            .filter(|error| error.is_finite())
            .collect();
        let (n, noise) = (errors.len(), scatter(&mut errors));
        println!("{px:?} px from the ridge: noise {noise:.3} of what is due, {n} px");
        assert!(n > 1000, "{n}");
        assert!(noise < 1.0 + NOISIER, "{px:?} px: {noise}");
    }
}
