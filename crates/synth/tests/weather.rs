//! What crosses the picture does what the truth says of it.

use ndarray::Array2;
use synth::{
    Aircraft, Cloud, Dawn, Dew, Glow, LightDome, Meteor, Mount, Satellite, Scene, Simulator, Sky,
    Star, Stars, Vignetting, Weather, apply_homography, south_pole_in_camera,
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

#[test]
fn dew_widens_and_dims_as_the_truth_says() {
    let mut scene = black();
    let projection = scene.lens.projection(scene.sensor.pitch_um, WIDTH, HEIGHT);
    scene.sky.stars = Stars::Listed(vec![Star {
        direction: projection.direction(80.2, 60.4),
        magnitude: 6.0,
        color_bv: 0.65,
    }]);
    scene.dew = Some(Dew {
        last_dry_light: 1,
        fwhm_growth: 0.9,
        loss: 0.4,
    });
    let width2 = |picture: &Array2<f32>| {
        let total = sum(picture);
        let moment = picture
            .indexed_iter()
            .map(|((_, col), &value)| f64::from(value) * (col as f64 - 80.2).powi(2));
        moment.sum::<f64>() / total
    };
    let dry = green(&scene, 0, Weather::AsItIs);
    // Light 3 of 5: two of three steps, squared: 4/9.
    for (index, amount) in [(1, 0.0), (3, 4.0 / 9.0), (4, 1.0)] {
        let picture = green(&scene, index, Weather::AsItIs);
        let share = sum(&picture) / sum(&dry);
        const TOLERANCE: f64 = 1e-5; // beyond five sigmas, f32
        assert!((share - (1.0 - 0.4 * amount)).abs() < TOLERANCE, "{share}");
        let sigma2 = (scene.lens.fwhm_px / synth::FWHM_PER_SIGMA * (1.0 + 0.9 * amount)).powi(2);
        let want = sigma2 + 1.0 / 12.0;
        assert!(
            (width2(&picture) / want - 1.0).abs() < 1e-4,
            "{}",
            width2(&picture)
        );
        assert!((scene.transmission(index) - (1.0 - 0.4 * amount)).abs() < 1e-12);
    }
}

#[test]
fn dawn_grows_by_its_magnitudes_a_minute() {
    let mut scene = black();
    (scene.exposure_s, scene.gap_s) = (10.0, 50.0);
    scene.sky.glow = Glow {
        mag_arcsec2: Some(21.0),
        dawn: Some(Dawn {
            equal_after_s: 60.0,
            mag_per_min: 0.5,
        }),
        ..Glow::NONE
    };
    let night = {
        let mut scene = scene.clone();
        scene.sky.glow.dawn = None;
        sum(&green(&scene, 0, Weather::Clear))
    };
    for index in 0..4 {
        let found = sum(&green(&scene, index, Weather::Clear)) / night - 1.0;
        // Equal to the glow in the second light; 0.5 mag is a factor of 10^0.2.
        let want = 10f64.powf(0.2 * (index as f64 - 1.0));
        assert!((found / want - 1.0).abs() < 1e-5, "{found} for {want}");
    }
}

#[test]
fn a_dome_of_light_stands_over_its_town() {
    let mut scene = black();
    scene.lens.focal_length_mm = 1.2;
    scene.look(
        scene.site,
        synth::Pointing {
            altitude_deg: 10.0,
            azimuth_deg: 200.0,
            roll_deg: 0.0,
        },
    );
    scene.sky.glow = Glow {
        mag_arcsec2: Some(21.0),
        dome: Some(LightDome {
            azimuth_deg: 210.0,
            strength: 4.0,
            height_deg: 5.0,
            width_deg: 8.0,
        }),
        ..Glow::NONE
    };
    let picture = green(&scene, 0, Weather::Clear);
    let simulator = Simulator::new(&scene).expect("sound");
    let brightest = picture
        .indexed_iter()
        .max_by(|a, b| a.1.total_cmp(b.1))
        .expect("pixels")
        .0;
    let direction = simulator
        .projection()
        .direction(brightest.1 as f64, brightest.0 as f64);
    let up = scene.pointing.zenith();
    let altitude = (0..3)
        .map(|i| up[i] * direction[i])
        .sum::<f64>()
        .asin()
        .to_degrees();
    let east_of_axis = (direction[0]).atan2(direction[2]).to_degrees();
    // The lattice of 8 px is a degree and a half here, and below the horizon the dome is even.
    assert!(altitude < 2.0, "{altitude}");
    assert!((east_of_axis - 10.0).abs() < 2.0, "{east_of_axis}");
}

#[test]
fn meteors_and_aircraft_come_in_their_own_light_alone() {
    let mut scene = black();
    scene.meteors.push(Meteor {
        light: 1,
        start: [0.2, 0.2],
        end: [0.7, 0.6],
        electrons_per_px: 900.0,
    });
    scene.aircraft.push(Aircraft {
        light: 3,
        start: [0.1, 0.5],
        end: [0.9, 0.5],
        electrons_per_px: 300.0,
        flashes: 4,
        flash_electrons: 50_000.0,
        span_px: 8.0,
    });
    let lights: Vec<_> = (0..5)
        .map(|i| sum(&green(&scene, i, Weather::AsItIs)))
        .collect();
    assert_eq!([lights[0], lights[2], lights[4]], [0.0; 3]);
    assert_eq!(sum(&green(&scene, 3, Weather::Clear)), 0.0);
    // Its profile: 0.7/3 of a parabola and 0.3 x 2/3 of a square root, 0.4333 of its length.
    let [[x0, y0], [x1, y1]] = scene.meteors[0].ends_px(WIDTH, HEIGHT);
    let efficiency = scene.sensor.efficiency[1];
    let want = 1.2 * 900.0 * efficiency * (x1 - x0).hypot(y1 - y0) * 0.433_33;
    // Sampled at pixels where the flare ends as a square root.
    assert!(
        (lights[1] / want - 1.0).abs() < 0.02,
        "{} for {want}",
        lights[1]
    );
    // Four white flashes, one green lamp and a tenth of a red one.
    let [[x0, _], [x1, _]] = scene.aircraft[0].ends_px(WIDTH, HEIGHT);
    let want = efficiency * (4.0 * 50_000.0 + 1.1 * 300.0 * (x1 - x0));
    assert!(
        (lights[3] / want - 1.0).abs() < 1e-4,
        "{} for {want}",
        lights[3]
    );
}

#[test]
fn a_wrong_exposure_and_a_shaken_light_are_only_those() {
    let mut scene = Scene::named("faults").expect("a known scene");
    (scene.width, scene.height) = (WIDTH, HEIGHT);
    let wrong = scene.faults.wrong_exposure.expect("it has one");
    let shaken = scene.faults.shaken.expect("it has one");
    let shots = scene.shots();
    for shot in &shots[..scene.frames] {
        let factor = if shot.number == wrong.light {
            wrong.factor
        } else {
            1.0
        };
        assert_eq!(shot.exposure_s, scene.exposure_s * factor);
        let since = shot.start.duration_since(scene.start).as_secs_f64();
        let period = scene.exposure_s + scene.gap_s;
        assert!(
            (since - shot.number as f64 * period).abs() < 1e-3,
            "lights begin evenly"
        );
    }
    (scene.cloud, scene.dew) = (None, None);
    scene.satellites.clear();
    scene.sky.glow = Glow::NONE;
    let peak = |index| {
        green(&scene, index, Weather::Clear)
            .iter()
            .copied()
            .fold(0.0, f32::max)
    };
    let (before, during, after) = (
        peak(shaken.light - 1),
        peak(shaken.light),
        peak(shaken.light + 1),
    );
    assert!(
        during < 0.7 * before && during < 0.7 * after,
        "{before} {during} {after}"
    );
}
