//! What crosses the picture does what the truth says of it.

use ndarray::Array2;
use synth::{
    Cloud, Glow, Mount, Satellite, Scene, Simulator, Sky, Star, Stars, Vignetting, Weather,
    apply_homography, south_pole_in_camera,
};

const WIDTH: usize = 160;
const HEIGHT: usize = 120;

/// A still, black sky without a lens's faults.
fn black() -> Scene {
    let mut scene = Scene::named("tripod-burst").expect("a known scene");
    (scene.width, scene.height, scene.frames) = (WIDTH, HEIGHT, 5);
    scene.lens.vignetting = Vignetting::None;
    scene.lens.fwhm_growth = 0.0;
    scene.mount = Mount::tracked([0.0, 0.0, 1.0], 0.0);
    scene.sky = Sky {
        stars: Stars::Listed(Vec::new()),
        glow: Glow::NONE,
        band: None,
        air: None,
    };
    scene
}

fn green(scene: &Scene, index: usize, weather: Weather) -> Array2<f32> {
    let simulator = Simulator::new(scene).expect("a sound scene");
    let [_, green, _] = simulator.expected_light(index, weather).expect("a light");
    green
}

fn sum(picture: &Array2<f32>) -> f64 {
    picture.iter().map(|&value| f64::from(value)).sum()
}

#[test]
fn a_satellite_is_an_even_line_between_its_ends_in_its_own_light() {
    let mut scene = black();
    let satellite = Satellite {
        light: 2,
        start: [0.2, 0.3],
        end: [0.8, 0.7],
        electrons_per_px: 500.0,
    };
    scene.satellites.push(satellite);
    let picture = green(&scene, 2, Weather::AsItIs);
    let [[x0, y0], [x1, y1]] = satellite.ends_px(WIDTH, HEIGHT);
    let length_px = (x1 - x0).hypot(y1 - y0);
    let want_e = 500.0 * scene.sensor.efficiency[1] * length_px;
    // The profile is sampled at pixel centers: parts of exp(-2 pi² (sigma² + 1/12)), 1e-7,
    // and 6e-7 beyond five sigmas; the ends are cut at five sigmas as well.
    const FLUX_TOLERANCE: f64 = 5e-6;
    assert!((sum(&picture) / want_e - 1.0).abs() < FLUX_TOLERANCE);
    let (mut x_sum, mut y_sum) = (0.0, 0.0);
    for ((row, col), &value) in picture.indexed_iter() {
        x_sum += f64::from(value) * col as f64;
        y_sum += f64::from(value) * row as f64;
    }
    let center = (x_sum / sum(&picture), y_sum / sum(&picture));
    const CENTER_TOLERANCE_PX: f64 = 1e-3; // an even line is centered on its middle
    assert!(
        (center.0 - (x0 + x1) / 2.0).abs() < CENTER_TOLERANCE_PX,
        "{center:?}"
    );
    assert!(
        (center.1 - (y0 + y1) / 2.0).abs() < CENTER_TOLERANCE_PX,
        "{center:?}"
    );
    assert_eq!(
        sum(&green(&scene, 1, Weather::AsItIs)),
        0.0,
        "other lights are dark"
    );
    assert_eq!(
        sum(&green(&scene, 2, Weather::Clear)),
        0.0,
        "a clear sky has none"
    );
}

#[test]
fn cloud_takes_the_share_of_starlight_that_the_truth_says() {
    const STAR: (f64, f64) = (61.3, 47.8);
    let mut scene = black();
    let projection = scene.lens.projection(scene.sensor.pitch_um, WIDTH, HEIGHT);
    scene.sky.stars = Stars::Listed(vec![Star {
        direction: projection.direction(STAR.0, STAR.1),
        magnitude: 6.0,
        color_bv: 0.65,
    }]);
    scene.cloud = Some(Cloud {
        first_light: 1,
        last_light: 3,
        opacity: 0.7,
        added_glow: 0.0,
        clump_px: 70.0,
        drift_px_per_s: [10.0, 0.0],
    });
    let simulator = Simulator::new(&scene).expect("a sound scene");
    let clear = sum(&green(&scene, 2, Weather::Clear));
    let mut shares = Vec::new();
    for index in 0..5 {
        let share = sum(&green(&scene, index, Weather::AsItIs)) / clear;
        let Some(map) = simulator.transparency(index) else {
            assert!([0, 4].contains(&index), "light {index} has cloud");
            assert_eq!(share, 1.0);
            continue;
        };
        assert!(map.iter().all(|value| (0.3..=1.0).contains(value)));
        // The star stands between four pixels of a map that is linear between them.
        let pixel = |dx: usize, dy: usize| f64::from(map[[47 + dy, 61 + dx]]);
        let row = |dy| 0.7 * pixel(0, dy) + 0.3 * pixel(1, dy);
        let want = 0.2 * row(0) + 0.8 * row(1);
        const F32_TOLERANCE: f64 = 1e-6;
        assert!(
            (share - want).abs() < F32_TOLERANCE,
            "light {index}: {share} for {want}"
        );
        shares.push(share);
    }
    assert!(
        shares.iter().any(|&share| share < 0.9),
        "no cloud came by: {shares:?}"
    );
}

#[test]
fn cloud_adds_the_glow_it_is_said_to_add() {
    let mut scene = black();
    scene.sky.glow = Glow {
        mag_arcsec2: Some(21.0),
        ..Glow::NONE
    };
    scene.cloud = Some(Cloud {
        first_light: 0,
        last_light: 4,
        opacity: 1.0,
        added_glow: 2.0,
        clump_px: 70.0,
        drift_px_per_s: [0.0; 2],
    });
    let simulator = Simulator::new(&scene).expect("a sound scene");
    let transparency = simulator.transparency(2).expect("cloud");
    let clear = green(&scene, 2, Weather::Clear);
    let cloudy = green(&scene, 2, Weather::AsItIs);
    for (site, &through) in transparency.indexed_iter() {
        // With opacity 1 the thickness is 1 - transparency; it adds twice that.
        let want = clear[site] * (1.0 + 2.0 * (1.0 - through));
        assert!(
            (cloudy[site] / want - 1.0).abs() < 4.0 * f32::EPSILON,
            "{site:?}"
        );
    }
    assert!(
        transparency.iter().any(|&through| through < 0.9),
        "no cloud came by"
    );
}

#[test]
fn an_upright_camera_finds_the_pole_by_its_latitude() {
    // Source: Meeus, Astronomical Algorithms, example 13.b (from memory): from latitude
    // +38.9214° a body at altitude 15.1249°, azimuth 68.0337° from the south (248.0337°
    // from the north), has declination -6.7199°.
    const TOLERANCE_DEG: f64 = 1e-3; // the digits of the example
    let pole = south_pole_in_camera(38.921_389, 15.1249, 248.0337);
    let declination_deg = (-pole[2]).asin().to_degrees();
    assert!(
        (declination_deg + 6.719_892).abs() < TOLERANCE_DEG,
        "{declination_deg}"
    );
    // Level to the north from 30° north: the north pole 30° up, so the south pole down and behind.
    let pole = south_pole_in_camera(30.0, 0.0, 0.0);
    for (found, want) in pole.into_iter().zip([0.0, 0.5, -(0.75f64.sqrt())]) {
        assert!((found - want).abs() < 1e-12, "{pole:?}");
    }
}

#[test]
fn dither_stays_within_its_radius_and_leaves_the_first_light() {
    let mut scene = black();
    scene.frames = 40;
    scene.mount.dither_arcsec = 300.0;
    let simulator = Simulator::new(&scene).expect("a sound scene");
    let [x, y] = simulator.projection().principal_point_px;
    let homography = |index| simulator.homography(index).expect("a rectilinear lens");
    let offsets_arcsec: Vec<_> = (0..40)
        .map(|index| {
            let (u, v) = apply_homography(&homography(index), x, y);
            (u - x).hypot(v - y) * simulator.projection().pixel_scale_arcsec()
        })
        .collect();
    assert_eq!(offsets_arcsec[0], 0.0);
    // Tangent over arc at 300 arcsec: 1 + 7e-7.
    assert!(
        offsets_arcsec.iter().all(|&offset| offset < 300.001),
        "{offsets_arcsec:?}"
    );
    // Uniform over a disk: half of the 39 lie beyond 300 / sqrt 2, ± 3.1; 4 sigmas.
    let outer = offsets_arcsec
        .iter()
        .filter(|&&offset| offset > 300.0 / 2.0f64.sqrt())
        .count();
    assert!((7..=32).contains(&outer), "{outer} of 39");
}

#[test]
fn a_star_is_wider_at_the_corner_by_the_growth() {
    let scene = Scene::named("tripod-burst").expect("a known scene");
    let projection = scene.lens.projection(scene.sensor.pitch_um, WIDTH, HEIGHT);
    let [x, y] = projection.principal_point_px;
    let center = scene.lens.sigma_px(&projection, x, y);
    let corner = scene.lens.sigma_px(&projection, 0.0, 0.0);
    assert!((center - scene.lens.fwhm_px / 2.354_820_045).abs() < 1e-9);
    assert!((corner / center - 1.0 - scene.lens.fwhm_growth).abs() < 1e-12);
}
