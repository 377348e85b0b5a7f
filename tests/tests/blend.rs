//! A tracked night over a ridge, and the ridge from a tripod: the ground kept out of the sky,
//! both joined, and all held against what only the simulator knows.

use align::Homography;
use ndarray::{Array2, ArrayView2, Axis};
use radicand::{
    BlendJob, BlendOutcome, GroundChoice, Inputs, ResultFolder, StackJob, StackOutcome,
};
use std::path::PathBuf;
use std::sync::OnceLock;
use synth::{Scene, Simulator, Weather, write_scene};

const LIGHTS: usize = 8;
const SIZE: (usize, usize) = (640, 480);
const ARCSEC_PER_RAD: f64 = 206_264.806;

struct Known {
    sky: Simulator,
    /// The same night without its ground.
    bare: Simulator,
    /// The session that stood still.
    still: Simulator,
    outcome: StackOutcome,
    blend: BlendOutcome,
    /// Index of the reference among the shots.
    reference: usize,
    /// Result of the stack; the ground's first raw.
    files: (PathBuf, PathBuf),
    _temp: tempfile::TempDir,
}

fn scene() -> Scene {
    let mut scene = Scene::named("tracked-ground").expect("a scene");
    ((scene.width, scene.height), scene.frames) = (SIZE, LIGHTS);
    scene.exposure_s = 20.0;
    scene.sessions[0].frames = 1;
    if let Some(ground) = &mut scene.ground {
        ground.ridge_deg = 16.2;
        ground.relief_deg = 0.8;
    }
    scene
}

fn night() -> &'static Known {
    static NIGHT: OnceLock<Known> = OnceLock::new();
    NIGHT.get_or_init(|| {
        let scene = scene();
        let temp = tempfile::tempdir().expect("a folder");
        write_scene(&scene, temp.path(), |_| ()).expect("a scene on disk");
        let job = StackJob::new(Inputs {
            lights: vec![temp.path().join("lights")],
            ..Inputs::default()
        });
        let mut outcome = job.run(&()).expect("a stack");
        let result = temp.path().join("result");
        let formats = [radicand::Format::Fits];
        let folder =
            ResultFolder::prepare(&result, &formats, Default::default()).expect("a folder");
        folder.write(&job, &mut outcome).expect("a result");
        let files = (
            result.join("stack.fits"),
            temp.path().join("ground/lights/shot_0001.dng"),
        );
        let blend = BlendJob {
            sky: files.0.clone(),
            ground: files.1.clone(),
            mask: GroundChoice::Auto,
        };
        let blend = blend.run(&()).expect("a blend");
        let sessions = scene.each_session();
        let simulator = |scene: &Scene| Simulator::new(scene).expect("sound");
        let bare = Scene {
            ground: None,
            ..sessions[0].1.clone()
        };
        let sky = simulator(&sessions[0].1);
        let path = outcome.lights[outcome.reference].frame.path();
        Known {
            reference: shot_of(&sky, path),
            bare: simulator(&bare),
            still: simulator(&sessions[1].1),
            sky,
            outcome,
            blend,
            files,
            _temp: temp,
        }
    })
}

fn shot_of(simulator: &Simulator, path: &std::path::Path) -> usize {
    let shots = simulator.scene().shots();
    let shot = shots
        .iter()
        .position(|shot| shot.path.file_name() == path.file_name());
    shot.expect("a shot of the scene")
}

/// Green light without noise, DN.
fn light(simulator: &Simulator, index: usize) -> Array2<f32> {
    let light = simulator.expected_light(index, Weather::AsItIs);
    let [_, green_e, _] = light.expect("a light");
    green_e / simulator.scene().sensor.gain_e_per_dn as f32
}

/// From a pixel of the still session to that of the reference by the ground: K R K⁻¹.
fn truth_map(night: &Known) -> Homography {
    let plane = |m: [[f64; 3]; 3]| Homography(m.map(|row| row.map(|v| v / m[2][2])));
    let f = ARCSEC_PER_RAD / night.sky.projection().pixel_scale_arcsec();
    let (cx, cy) = (0.5 * (SIZE.0 as f64 - 1.0), 0.5 * (SIZE.1 as f64 - 1.0));
    let camera = plane([[f, 0.0, cx], [0.0, f, cy], [0.0, 0.0, 1.0]]);
    let still = plane(night.still.ground_rotation(0)).inverse();
    let steps = [
        camera.inverse(),
        still,
        Some(plane(night.sky.ground_rotation(night.reference))),
        Some(camera),
    ];
    let all = steps
        .into_iter()
        .try_fold(Homography::IDENTITY, |all, step| all.then(&step?));
    all.expect("small turns")
}

fn bilinear(plane: &Array2<f32>, x: f64, y: f64) -> Option<f32> {
    let (rows, columns) = plane.dim();
    let inside = x >= 0.0 && y >= 0.0 && x < (columns - 1) as f64 && y < (rows - 1) as f64;
    let (col, row) = (x as usize, y as usize);
    let (fx, fy) = (x.fract() as f32, y.fract() as f32);
    let line = |row| plane[(row, col)] * (1.0 - fx) + plane[(row, col + 1)] * fx;
    inside.then(|| line(row) * (1.0 - fy) + line(row + 1) * fy)
}

fn median(mut values: Vec<f32>) -> f32 {
    values.sort_by(f32::total_cmp);
    values[values.len() / 2]
}

fn green(stack: &stack::Stack) -> ArrayView2<'_, f32> {
    stack.mean.index_axis(Axis(0), 1)
}

fn sky_dn(night: &Known) -> f32 {
    night.outcome.lights[night.outcome.reference]
        .seen
        .sky
        .level(1)
}

#[test]
fn the_moving_ground_is_found_in_every_light() {
    const RIGHT: f64 = 0.99;
    let night = night();
    let ground = night.outcome.ground.as_ref().expect("a ground");
    let moving = ground.moving.as_ref().expect("a ground that moves");
    assert_eq!(night.outcome.lights.len(), LIGHTS);
    for (i, light) in night.outcome.lights.iter().enumerate() {
        let found = moving.on_light(i);
        let cover = night
            .sky
            .ground_cover(shot_of(&night.sky, light.frame.path()));
        let cover = cover.expect("a ground");
        let right = found
            .iter()
            .zip(&cover)
            .filter(|&(&set, &cover)| set == (cover > 0.5));
        let share = right.count() as f64 / found.len() as f64;
        println!("light {i}: {share}");
        assert!(share >= RIGHT, "light {i}: {share}");
        // What is kept out of the sky holds all that a light's ground covers even a little.
        let kept_out = moving.swept(i).not_sky();
        let leaks = kept_out
            .iter()
            .zip(&cover)
            .filter(|&(&out, &cover)| !out && cover > 0.02);
        let share = leaks.count() as f64 / found.len() as f64;
        println!("light {i} leaks: {share}");
        assert!(share < 2e-4, "light {i}: {share}");
    }
    let report = radicand_report(night);
    println!("{report:?}");
}

fn radicand_report(night: &Known) -> (f64, f64, f64) {
    let moving = night
        .outcome
        .ground
        .as_ref()
        .and_then(|ground| ground.moving.as_ref());
    let moving = moving.expect("a ground that moves");
    (moving.drift_px, moving.smear_px(), moving.masked)
}

#[test]
fn no_ground_is_smeared_into_the_sky() {
    let night = night();
    let ground = night.outcome.ground.as_ref().expect("a ground");
    let sky = ground.sky.as_ref().expect("the sky alone");
    let sky = sky.index_axis(Axis(0), 1);
    let (truth, level) = (light(&night.bare, night.reference), sky_dn(night));
    let near = steps_to(&ground.mask.ground().mapv(|set| set));
    let mut off: Vec<(usize, f32)> = Vec::new();
    for (at, &value) in sky.indexed_iter().filter(|(_, value)| value.is_finite()) {
        if near[at] <= 24 {
            off.push((near[at], (value - truth[at]) / level));
        }
    }
    for band in [(0, 0), (1, 4), (5, 8), (9, 16), (17, 24)] {
        let in_band = off.iter().filter(|(px, _)| (band.0..=band.1).contains(px));
        let values: Vec<f32> = in_band.map(|(_, off)| *off).collect();
        if values.len() > 200 {
            let dark = values.iter().filter(|&&off| off < -0.12).count();
            println!(
                "{band:?}: n {} median {} dark {}",
                values.len(),
                median(values.clone()),
                dark as f64 / values.len() as f64
            );
        }
    }
}

/// Steps along rows and columns to the nearest that is set, px.
fn steps_to(set: &Array2<bool>) -> Array2<usize> {
    let mut steps = set.mapv(|set| if set { 0 } else { 10_000 });
    let (rows, columns) = set.dim();
    let all: Vec<(usize, usize)> = ndarray::indices((rows, columns)).into_iter().collect();
    for &(row, col) in &all {
        let back = [(row.wrapping_sub(1), col), (row, col.wrapping_sub(1))];
        let least = back.iter().filter_map(|&at| steps.get(at)).min().copied();
        steps[(row, col)] = steps[(row, col)].min(least.unwrap_or(10_000) + 1);
    }
    for &(row, col) in all.iter().rev() {
        let ahead = [(row + 1, col), (row, col + 1)];
        let least = ahead.iter().filter_map(|&at| steps.get(at)).min().copied();
        steps[(row, col)] = steps[(row, col)].min(least.unwrap_or(10_000) + 1);
    }
    steps
}

#[test]
fn the_sky_is_the_stack_and_the_ground_is_the_ground_times_a_factor() {
    let night = night();
    let blend = &night.blend;
    let picture = green(&blend.stack);
    let alone = night
        .outcome
        .ground
        .as_ref()
        .and_then(|ground| ground.sky.as_ref());
    let alone = alone.expect("the sky alone");
    let alone = alone.index_axis(Axis(0), 1);
    let mut same = 0;
    for (at, _) in blend
        .sky_share
        .indexed_iter()
        .filter(|(_, share)| **share == 1.0)
    {
        let sky = if alone[at].is_finite() {
            alone[at]
        } else {
            green(&night.outcome.stack)[at]
        };
        assert_eq!(picture[at], sky, "{at:?}");
        same += 1;
    }
    assert!(same as f64 > 0.5 * picture.len() as f64, "{same}");
    // Exposures of 20 s and 90 s.
    let factor = blend.report.brightness.factor;
    println!("factor {factor} {:?}", blend.report.brightness);
    let still = light(&night.still, 0);
    let back = truth_map(night).inverse().expect("a turn");
    let (mut off, mut right, mut n) = (Vec::new(), 0, 0);
    let cover = night.still.ground_cover(0).expect("a ground");
    for (at, &is_ground) in blend.ground.indexed_iter() {
        let (x, y) = back.apply(at.1 as f64, at.0 as f64);
        let Some(there) = bilinear(&cover, x, y) else {
            continue;
        };
        n += 1;
        right += usize::from(is_ground == (there > 0.5));
        if is_ground
            && blend.sky_share[at] == 0.0
            && let Some(light) = bilinear(&still, x, y)
        {
            off.push((picture[at] / factor as f32 - light) / light.max(1.0));
        }
    }
    println!(
        "right {} ground off {} of {}",
        right as f64 / n as f64,
        median(off.clone()),
        off.len()
    );
    println!(
        "offset {:?} truth {:?}",
        blend.report.offset,
        truth_map(night).apply(320.0, 420.0)
    );
    println!("shares {:?} {:?}", blend.report.shares, blend.report.noise);
}

#[test]
fn the_joined_ridge_has_no_halo_and_is_there_once() {
    let night = night();
    let blend = &night.blend;
    let picture = green(&blend.stack);
    let back = truth_map(night).inverse().expect("a turn");
    let (still, sky) = (light(&night.still, 0), light(&night.bare, night.reference));
    let cover = night.still.ground_cover(0).expect("a ground");
    let factor = blend.report.brightness.factor as f32;
    let ground = Array2::from_shape_fn(picture.dim(), |(row, col)| {
        let (x, y) = back.apply(col as f64, row as f64);
        bilinear(&cover, x, y).is_some_and(|cover| cover > 0.5)
    });
    let (outside, inside) = (steps_to(&ground), steps_to(&ground.mapv(|set| !set)));
    let mut by_px = vec![Vec::new(); 33];
    for (at, &value) in picture.indexed_iter() {
        let px = outside[at] as isize - inside[at] as isize;
        let (x, y) = back.apply(at.1 as f64, at.0 as f64);
        let Some(there) = bilinear(&still, x, y).filter(|_| (-16..=16).contains(&px)) else {
            continue;
        };
        let truth = if blend.sky_share[at] > 0.5 {
            sky[at]
        } else {
            factor * there
        };
        by_px[(px + 16) as usize].push((value - truth) / sky_dn(night));
    }
    for (i, off) in by_px
        .into_iter()
        .enumerate()
        .filter(|(_, off)| off.len() > 200)
    {
        println!(
            "{} px: {} of {}",
            i as isize - 16,
            median(off.clone()),
            off.len()
        );
    }
}
