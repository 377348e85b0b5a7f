//! A tracked night over a ridge, and the ridge from a tripod: the ground kept out of the sky,
//! both joined, and all held against what only the simulator knows.

#![allow(clippy::print_stdout, reason = "a failing test shows its figures")]

use align::Homography;
use ndarray::{Array2, ArrayView2, Axis};
use radicand::{
    BlendJob, BlendOutcome, GroundChoice, Inputs, JobError, ResultFolder, StackJob, StackOutcome,
};
use radicand_tests::{in_memory, shot_of, whole_plane};
use std::path::PathBuf;
use std::sync::OnceLock;
use synth::{Scene, Simulator, Weather, write_scene};

const LIGHTS: usize = 8;
const SIZE: (usize, usize) = (640, 480);
/// Distance from the ridge that is looked at, px.
const FAR_PX: isize = 16;
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
    // A cell along the boundary is either; a light's ridge is smeared over 7 px besides.
    const RIGHT: f64 = 0.99;
    // Share of a light's pixels that are ground for a while and yet taken for sky.
    const LEAKING: f64 = 3e-4;
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
        let pixels = found.len() as f64;
        // What lies beyond the reference's border no mask of the reference can know: it goes
        // on as at the border, and must not leak (below).
        let back = moving.maps[i].inverse().expect("a map");
        let inside = |x: f64, y: f64, (rows, columns): (usize, usize)| {
            (-0.5..columns as f64 - 0.5).contains(&x) && (-0.5..rows as f64 - 0.5).contains(&y)
        };
        let (mut known, mut right) = (0_usize, 0_usize);
        for ((row, col), &set) in found.indexed_iter() {
            let (x, y) = back.map(col as f64, row as f64);
            if inside(x, y, found.dim()) {
                known += 1;
                right += usize::from(set == (cover[(row, col)] > 0.5));
            }
        }
        let share = right as f64 / known as f64;
        println!("light {i}: {share:.5} of {:.3}", known as f64 / pixels);
        assert!(share >= RIGHT, "light {i}: {share}");
        let kept_out = moving.swept(i).not_sky();
        let leaks = kept_out
            .iter()
            .zip(&cover)
            .filter(|&(&out, &cover)| !out && cover > 0.02);
        let leaks = leaks.count() as f64 / pixels;
        assert!(leaks < LEAKING, "light {i}: {leaks}");
    }
    // 22 s from light to light at the sidereal rate, 37 arcsec a pixel, 20 s exposures.
    let per_light_px = moving.drift_px / (LIGHTS - 1) as f64;
    assert!((7.0..9.0).contains(&per_light_px), "{per_light_px}");
    assert!((moving.smear_px() / per_light_px - 20.0 / 22.0).abs() < 0.02);
    assert!(moving.masked > ground.fraction() && moving.masked < 0.5);
}

#[test]
fn no_ground_is_smeared_into_the_sky() {
    // Median deviation from the noise-free sky, of its level: leveling and its slope.
    const DEVIATION: f32 = 0.005;
    // Smeared trees are darker than the sky by 5 to 90 % of its level; the noise of what two
    // or three lights cover is 3 %, and its tail stays below this.
    const DARK: f32 = -0.12;
    const DARK_SHARE: f64 = 0.002;
    // Of the sky's level.
    const STARLIGHT: f32 = 0.03;
    let night = night();
    let ground = night.outcome.ground.as_ref().expect("a ground");
    let sky = ground.sky.as_ref().expect("the sky alone");
    let sky = whole_plane(sky, 1);
    let (truth, level) = (light(&night.bare, night.reference), sky_dn(night));
    let near = steps_to(ground.mask.ground());
    // Off the stars, whose flanks differ by how they were resampled.
    let rows = truth.rows().into_iter().map(|row| median(row.to_vec()));
    let row_dn: Vec<f32> = rows.collect();
    let dark_sky = |at: (usize, usize)| truth[at] < (1.0 + STARLIGHT) * row_dn[at.0];
    for (first, last) in [(0, 0), (1, 4), (5, 8), (9, 16), (17, 24)] {
        let values: Vec<f32> = sky
            .indexed_iter()
            .filter(|(at, value)| value.is_finite() && (first..=last).contains(&near[*at]))
            .filter(|(at, _)| dark_sky(*at))
            .map(|(at, value)| (value - truth[at]) / level)
            .collect();
        assert!(values.len() > 500, "{first} to {last} px: {}", values.len());
        let dark = values.iter().filter(|&&off| off < DARK).count() as f64 / values.len() as f64;
        let middle = median(values);
        assert!(middle.abs() < DEVIATION, "{first} to {last} px: {middle}");
        assert!(dark < DARK_SHARE, "{first} to {last} px: {dark}");
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

/// Green light of the still session, and the cover of its ground.
fn still_night(night: &Known) -> (Array2<f32>, Array2<f32>) {
    let cover = night.still.ground_cover(0).expect("a ground");
    (light(&night.still, 0), cover)
}

#[test]
fn the_sky_is_the_stack_and_the_ground_is_the_ground_times_a_factor() {
    const RIGHT: f64 = 0.99;
    // Median over the ground, of its own level: what hot pixels and noise leave of it.
    const DEVIATION: f32 = 0.01;
    // The sky's ridge is smeared over 7 px.
    const OFFSET_PX: f64 = 0.4;
    let night = night();
    let blend = &night.blend;
    let picture = green(&blend.stack);
    let alone = night
        .outcome
        .ground
        .as_ref()
        .and_then(|ground| ground.sky.as_ref());
    let alone = alone.expect("the sky alone");
    let alone = whole_plane(alone, 1);
    let mut same = 0;
    for (at, _) in blend
        .sky_share
        .indexed_iter()
        .filter(|(_, share)| **share == 1.0)
    {
        // The sky alone or, where it is not known and beyond the ground's file, the stack.
        let of_sky = [alone[at], green(in_memory(&night.outcome))[at]];
        assert!(of_sky.contains(&picture[at]), "{at:?}: {}", picture[at]);
        same += 1;
    }
    assert!(same as f64 > 0.5 * picture.len() as f64, "{same}");
    // One factor, by the sky of both; that of exposures of 20 s and 90 s but for the sky's
    // altitude, which changes its brightness.
    let factor = blend.report.brightness.factor;
    assert_eq!(blend.report.brightness.basis, "sky");
    assert!((factor * 90.0 / 20.0 - 1.0).abs() < 0.03, "{factor}");
    let (still, cover) = still_night(night);
    let back = truth_map(night).inverse().expect("a turn");
    let (mut off, mut right, mut seen) = (Vec::new(), 0_usize, 0_usize);
    for (at, &is_ground) in blend.ground.indexed_iter() {
        let (x, y) = back.apply(at.1 as f64, at.0 as f64);
        let Some(there) = bilinear(&cover, x, y) else {
            continue;
        };
        seen += 1;
        right += usize::from(is_ground == (there > 0.5));
        if let Some(light) = bilinear(&still, x, y)
            && is_ground
            && blend.sky_share[at] == 0.0
        {
            off.push((picture[at] / factor as f32 - light) / light.max(1.0));
        }
    }
    let right = right as f64 / seen as f64;
    assert!(right >= RIGHT, "{right}");
    assert!(off.len() > 50_000, "{}", off.len());
    let middle = median(off);
    assert!(middle.abs() < DEVIATION, "{middle}");
    // It lies where it was seen to lie.
    let offset = blend.report.offset.px;
    let (width, height) = (SIZE.0 as f64, SIZE.1 as f64);
    let (x, y) = (0.5 * width, 0.88 * height);
    let truth = truth_map(night).apply(x, y);
    let off_px = (truth.0 - x - offset[0]).hypot(truth.1 - y - offset[1]);
    assert!(off_px < OFFSET_PX, "{off_px}");
    let shares = &blend.report.shares;
    let all = [
        shares.sky,
        shares.ground,
        shares.sky_of_ground,
        shares.ground_missing,
    ];
    assert!((all.iter().sum::<f64>() + shares.empty - 1.0).abs() < 1e-6);
    assert_eq!(shares.empty, 0.0);
}

#[test]
fn the_joined_ridge_has_no_halo_and_is_there_once() {
    // Median deviation at a distance from the ridge, of the sky's level: a ridge a third of a
    // pixel off would have 10 % at 1 px; a second ridge, or smeared trees, 10 to 90 % farther out.
    const DEVIATION: f32 = 0.02;
    let night = night();
    let blend = &night.blend;
    let picture = green(&blend.stack);
    let back = truth_map(night).inverse().expect("a turn");
    let (still, cover) = still_night(night);
    let sky = light(&night.bare, night.reference);
    let factor = blend.report.brightness.factor as f32;
    let ground = Array2::from_shape_fn(picture.dim(), |(row, col)| {
        let (x, y) = back.apply(col as f64, row as f64);
        bilinear(&cover, x, y).is_some_and(|cover| cover > 0.5)
    });
    let (outside, inside) = (steps_to(&ground), steps_to(&ground.mapv(|set| !set)));
    // Within 12 px of where the ground's file ends the sky's shows through.
    let to_end = steps_to(&Array2::from_shape_fn(picture.dim(), |(row, col)| {
        let (x, y) = back.apply(col as f64, row as f64);
        bilinear(&cover, x, y).is_none()
    }));
    let mut by_px = vec![Vec::new(); 2 * FAR_PX as usize + 1];
    for (at, &value) in picture.indexed_iter() {
        let px = outside[at] as isize - inside[at] as isize;
        let (x, y) = back.apply(at.1 as f64, at.0 as f64);
        let looked_at = px.abs() <= FAR_PX && to_end[at] > 13;
        let there = bilinear(&still, x, y).filter(|_| looked_at);
        if let Some(there) = there {
            let of_sky = blend.sky_share[at] > 0.5;
            let truth = if of_sky { sky[at] } else { factor * there };
            by_px[(px + FAR_PX) as usize].push((value - truth) / sky_dn(night));
        }
    }
    let mut looked_at = 0;
    for (i, off) in by_px
        .into_iter()
        .enumerate()
        .filter(|(_, off)| off.len() > 200)
    {
        let middle = median(off);
        assert!(
            middle.abs() < DEVIATION,
            "{} px: {middle}",
            i as isize - FAR_PX
        );
        looked_at += 1;
    }
    assert!(looked_at >= 2 * FAR_PX, "{looked_at}");
}

#[test]
fn what_cannot_be_joined_is_refused_with_its_reason() {
    let night = night();
    let folder = tempfile::tempdir().expect("a folder");
    let at = |name: &str| folder.path().join(name);
    let write = |name: &str, size: (usize, usize)| {
        let sky = Array2::from_shape_fn(size, |(row, col)| {
            300.0 + 0.02 * row as f32 + ((row * 7 + col * 13) % 11) as f32
        });
        let planes = [sky.view(), sky.view(), sky.view()];
        let options = export::TiffOptions::default();
        export::write_tiff_f32(&at(name), &planes, &options).expect("a picture");
    };
    write("small.tif", (300, 400));
    write("sky.tif", (SIZE.1, SIZE.0));
    let refused = |sky: PathBuf, ground: PathBuf, mask: GroundChoice| {
        let job = BlendJob { sky, ground, mask };
        job.run(&()).expect_err("nothing to join")
    };
    let (sky, ground) = &night.files;
    let error = refused(sky.clone(), at("small.tif"), GroundChoice::Auto);
    let found = matches!(&error, JobError::BlendUnlike { found, needed, .. }
        if found == "400×300 px" && needed == "640×480 px");
    assert!(found, "{error}");
    let error = refused(sky.clone(), at("sky.tif"), GroundChoice::Auto);
    assert!(
        matches!(&error, JobError::NoGround(path) if *path == at("sky.tif")),
        "{error}"
    );
    let error = refused(at("sky.tif"), ground.clone(), GroundChoice::Auto);
    assert!(matches!(error, JobError::NoCommonRidge { .. }), "{error}");
    let error = refused(sky.clone(), at("none.dng"), GroundChoice::Auto);
    assert!(matches!(error, JobError::Result(_)), "{error}");
    let mask = GroundChoice::Mask(at("small.tif"));
    let error = refused(sky.clone(), ground.clone(), mask);
    assert!(matches!(error, JobError::Mask { .. }), "{error}");
}
