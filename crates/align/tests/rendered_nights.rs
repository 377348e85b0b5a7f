//! Nights from photosites to lens, pole and maps: what a sensor records through lenses with
//! distortion, coma and lateral color, against what the simulator put in.

#![allow(clippy::print_stdout, reason = "a failing test shows its figures")]

use radicand_align::{
    Alignment, Background, BackgroundOptions, DetectOptions, Held, MatchOptions, Projection,
    Saturation, SkyModel, SkyOptions, Star, align_stars, detect, luminance, refine_places,
    solve_sky,
};
use synth::{Mapping, Scene, Simulator};

/// The demand: focal length as a share of it.
const FOCAL_SHARE: f64 = 1e-3;
/// The demand: the pole.
const POLE_DEG: f64 = 0.05;
/// The demand: maps over the whole field, corners included.
const MAP_RMS_PX: f64 = 0.05;

const SIZE: (usize, usize) = (1200, 900);
const FRAMES: usize = 6;
const REFERENCE: usize = FRAMES / 2;

/// Six lights of 15 s of a named night, spread over 20 minutes.
fn spread(name: &str) -> Scene {
    let mut scene = Scene::named(name).expect("a scene");
    assert_eq!((scene.width, scene.height), SIZE);
    scene.frames = FRAMES;
    (scene.exposure_s, scene.gap_s) = (15.0, 225.0);
    scene
}

fn stars(simulator: &Simulator, light: usize) -> Vec<Star> {
    let sensor = &simulator.scene().sensor;
    let light = simulator.light(light).expect("a light").mosaic.data;
    let saturated = light.mapv(|value| value >= sensor.white_level_dn());
    let black_dn = f32::from(sensor.black_level_dn);
    let mosaic = light.mapv(|value| f32::from(value) - black_dn);
    let plane = luminance(mosaic.view(), &sensor.cfa);
    let background = Background::estimate(plane.view(), &BackgroundOptions::default());
    let options = DetectOptions {
        saturation: Some(Saturation::Mask(saturated.view())),
        ..DetectOptions::default()
    };
    let mut stars = detect(plane.view(), &background, &options);
    refine_places(&mut stars, mosaic.view(), &sensor.cfa);
    stars
}

fn solve(simulator: &Simulator) -> SkyModel {
    let lists: Vec<Vec<Star>> = (0..FRAMES).map(|light| stars(simulator, light)).collect();
    let aligned = |i: usize| {
        let found = align_stars(&lists[REFERENCE], &lists[i], SIZE, &MatchOptions::default());
        found.expect("one sky")
    };
    let places: Vec<Option<Alignment>> = (0..FRAMES)
        .map(|i| (i != REFERENCE).then(|| aligned(i)))
        .collect();
    let places: Vec<Option<&Alignment>> = places.iter().map(Option::as_ref).collect();
    let frames: Vec<&[Star]> = lists.iter().map(Vec::as_slice).collect();
    let scene = simulator.scene();
    let options = SkyOptions {
        times_s: (0..FRAMES)
            .map(|i| Some(scene.elapsed_s(i, 0.0).floor()))
            .collect(),
        ..SkyOptions::default()
    };
    solve_sky(&frames, &places, REFERENCE, SIZE, &options).expect("the stars tell a lens")
}

/// Root mean square distance of the maps from where the sky's stars are, refraction included;
/// of stars that both lights show above the ground.
fn map_rms_px(simulator: &Simulator, model: &SkyModel, light: usize) -> f64 {
    let cover = simulator.ground_cover(0);
    let map = model.pixel_map(light, SIZE).expect("it has an attitude");
    let in_sky = |&(x, y): &(f64, f64)| {
        let inside = x >= 0.0 && y >= 0.0 && x < SIZE.0 as f64 - 1.0 && y < SIZE.1 as f64 - 1.0;
        let covered = |cover: &ndarray::Array2<f32>| cover[(y as usize, x as usize)] > 0.0;
        inside && !cover.as_ref().is_some_and(covered)
    };
    let place = |star, light| simulator.star_px(star, light).filter(in_sky);
    let squares: Vec<f64> = (0..simulator.stars().len())
        .filter_map(|star| {
            let (x, y) = place(star, REFERENCE)?;
            let (want_x, want_y) = place(star, light)?;
            let (got_x, got_y) = map.map(x, y);
            Some((got_x - want_x).powi(2) + (got_y - want_y).powi(2))
        })
        .collect();
    assert!(squares.len() > 300, "{} stars", squares.len());
    (squares.iter().sum::<f64>() / squares.len() as f64).sqrt()
}

#[track_caller]
fn check(scene: &Scene, projections: &[Projection]) {
    let simulator = Simulator::new(scene).expect("a scene");
    let model = solve(&simulator);
    let focal_px = scene.lens.focal_length_mm * 1000.0 / scene.sensor.pitch_um;
    let off = model.lens.focal_px() / focal_px - 1.0;
    let tripod = model.tripod.as_ref().expect("the camera stood still");
    let cosine: f64 = (0..3)
        .map(|i| tripod.axis[i] * scene.mount.axis[i])
        .sum::<f64>();
    let pole_deg = cosine.clamp(-1.0, 1.0).acos().to_degrees();
    println!(
        "focal length off by {off:.2e} ± {:.1e}, pole by {pole_deg:.4}° ± {:.4}°",
        model.relative_focal_error(),
        tripod.axis_error_rad.to_degrees()
    );
    println!("{:?} {:?} {:?}", model.lens, tripod.held, tripod.clock);
    let maps_px: Vec<f64> = (0..FRAMES)
        .filter(|&light| light != REFERENCE)
        .map(|light| map_rms_px(&simulator, &model, light))
        .collect();
    println!("maps: {maps_px:.4?} px rms");
    let projection = model.lens.projection();
    assert!(projections.contains(&projection), "{projection:?}");
    assert_eq!(tripod.held, Held::SiderealRate);
    assert!(off.abs() < FOCAL_SHARE, "{off}");
    assert!(pole_deg < POLE_DEG, "{pole_deg}");
    assert!(maps_px.iter().all(|&px| px < MAP_RMS_PX), "{maps_px:?}");
    assert!(model.verdict.model_holds(), "{:?}", model.verdict);
}

#[test]
fn a_night_through_a_bent_ultra_wide_lens() {
    check(&spread("ultra-wide"), &[Projection::Rectilinear]);
}

#[test]
fn a_night_over_a_ridge_through_a_bent_fisheye() {
    let mut scene = spread("fisheye");
    scene.lens.distortion = [-0.03, 0.005, 0.0];
    assert_eq!(scene.lens.mapping, Mapping::Equisolid);
    // `2 sin(θ/2)` is `θ` with k1 = −1/24, k2 = 1/1920: through a lens that bends, the stars
    // need not tell the two apart.
    check(&scene, &[Projection::Equisolid, Projection::Equidistant]);
}
