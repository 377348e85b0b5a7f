//! Where stars are, how they move, how wide and how bright they are.

use ndarray::Array2;
use synth::{
    Calibration, CountLaw, Glow, Mapping, Mount, Projection, SIDEREAL_RATE_ARCSEC_PER_S, Scene,
    Simulator, Sky, Star, Stars, Vignetting, Weather, apply_homography, homography, rotation_about,
    surface_electrons_per_s,
};

/// A small picture of one star at `(x, y)` and nothing else.
fn one_star(x: f64, y: f64, mount: Mount) -> Scene {
    let mut scene = Scene::named("tripod-burst").expect("a known scene");
    (scene.width, scene.height, scene.frames) = (96, 80, 3);
    scene.lens.vignetting = Vignetting::None;
    scene.lens.fwhm_growth = 0.0;
    scene.mount = mount;
    let projection = scene.lens.projection(scene.sensor.pitch_um, 96, 80);
    scene.sky = Sky {
        stars: Stars::Listed(vec![Star {
            direction: projection.direction(x, y),
            magnitude: 5.0,
            color_bv: 0.65,
        }]),
        glow: Glow::NONE,
        band: None,
        air: None,
    };
    scene.calibration = Calibration::NONE;
    scene
}

fn still() -> Mount {
    Mount::tracked([0.0, 0.0, 1.0], 0.0)
}

fn green_light(scene: &Scene, index: usize) -> Array2<f32> {
    let simulator = Simulator::new(scene).expect("a sound scene");
    let [_, green, _] = simulator
        .expected_light(index, Weather::Clear)
        .expect("a light");
    green
}

/// Sum, centroid and variances of a picture.
fn moments(picture: &Array2<f32>) -> (f64, (f64, f64), (f64, f64)) {
    let (mut sum, mut x, mut y, mut xx, mut yy) = (0.0, 0.0, 0.0, 0.0, 0.0);
    for ((row, col), &value) in picture.indexed_iter() {
        let (value, col, row) = (f64::from(value), col as f64, row as f64);
        sum += value;
        x += value * col;
        y += value * row;
        xx += value * col * col;
        yy += value * row * row;
    }
    let center = (x / sum, y / sum);
    (
        sum,
        center,
        (xx / sum - center.0.powi(2), yy / sum - center.1.powi(2)),
    )
}

/// Light beyond the five sigmas drawn, on four sides, and the rounding of f32.
const FLUX_TOLERANCE: f64 = 3e-6;
/// Variance beyond five sigmas: 2 (x pdf + tail) at 5 is 1.6e-5; doubled for f32.
const VARIANCE_TOLERANCE: f64 = 3e-5;
/// px; rounding of f32 over a star's hundred pixels.
const CENTROID_TOLERANCE_PX: f64 = 2e-5;

#[test]
fn a_star_gathered_by_pixels_has_a_twelfth_more_variance() {
    // Source: variance of a unit box, 1/12 px² (elementary).
    for (x, y) in [(40.0, 40.0), (41.37, 39.5), (30.81, 44.25)] {
        for sigma_px in [0.9, 1.5, 2.5] {
            let mut scene = one_star(x, y, still());
            scene.lens.fwhm_px = sigma_px * synth::FWHM_PER_SIGMA;
            let (_, center, variance) = moments(&green_light(&scene, 0));
            let want = sigma_px * sigma_px + 1.0 / 12.0;
            for found in [variance.0, variance.1] {
                assert!(
                    (found / want - 1.0).abs() < VARIANCE_TOLERANCE,
                    "{found} for {want}"
                );
            }
            assert!(
                (center.0 - x).abs() < CENTROID_TOLERANCE_PX,
                "{} for {x}",
                center.0
            );
            assert!(
                (center.1 - y).abs() < CENTROID_TOLERANCE_PX,
                "{} for {y}",
                center.1
            );
        }
    }
}

#[test]
fn a_sharp_star_has_a_twelfth_more_variance_over_all_phases() {
    // Below 0.9 px a star is undersampled: its variance swings with its place in the pixel,
    // by parts of exp(-2 pi² sigma²). Over eight even phases the swing cancels.
    for sigma_px in [0.4, 0.6] {
        let mut sum = 0.0;
        for phase in 0..8 {
            let x = 40.0 + f64::from(phase) / 8.0;
            let mut scene = one_star(x, 40.0, still());
            scene.lens.fwhm_px = sigma_px * synth::FWHM_PER_SIGMA;
            let (_, center, variance) = moments(&green_light(&scene, 0));
            sum += variance.0 + (center.0 - x).powi(2);
        }
        let want = sigma_px * sigma_px + 1.0 / 12.0;
        assert!(
            (sum / 8.0 / want - 1.0).abs() < VARIANCE_TOLERANCE,
            "{} for {want}",
            sum / 8.0
        );
    }
}

#[test]
fn a_trail_adds_a_twelfth_of_its_squared_length() {
    // Source: variance of a box of length L, L²/12 (elementary). The axis points up, the
    // star goes to the right or left: all of the trail is in x.
    for rate_arcsec_per_s in [15.0, 60.0, 200.0] {
        let scene = one_star(
            47.5,
            39.5,
            Mount::tracked([0.0, 1.0, 0.0], rate_arcsec_per_s),
        );
        let simulator = Simulator::new(&scene).expect("a sound scene");
        let scale = simulator.projection().pixel_scale_arcsec();
        let length_px = rate_arcsec_per_s * scene.exposure_s / scale;
        let sigma_px = scene.lens.fwhm_px / synth::FWHM_PER_SIGMA;
        let (_, _, variance) = moments(&green_light(&scene, 0));
        let across = sigma_px * sigma_px + 1.0 / 12.0;
        let along = across + length_px * length_px / 12.0;
        assert!(
            (variance.0 / along - 1.0).abs() < VARIANCE_TOLERANCE,
            "{length_px} px"
        );
        assert!(
            (variance.1 / across - 1.0).abs() < VARIANCE_TOLERANCE,
            "{length_px} px"
        );
    }
}

#[test]
fn the_light_of_a_star_adds_up_to_the_truth() {
    let mut scene = one_star(50.2, 33.9, Mount::tripod([0.0, 1.0, 0.0]));
    scene.exposure_s = 10.0;
    let simulator = Simulator::new(&scene).expect("a sound scene");
    let rates = simulator.stars()[0].electrons_per_s(&scene.lens, &scene.sensor);
    let planes = simulator
        .expected_light(1, Weather::Clear)
        .expect("a light");
    for (plane, rate) in planes.iter().zip(rates) {
        let (sum, _, _) = moments(plane);
        assert!((sum / (10.0 * rate) - 1.0).abs() < FLUX_TOLERANCE, "{sum}");
    }
}

#[test]
fn a_star_on_the_edge_gives_the_picture_its_part() {
    // The edge of the first pixel, -0.5, halves a star; a corner quarters it; far out
    // there is nothing.
    for (x, y, share) in [
        (-0.5, 40.0, 0.5),
        (95.5, 40.0, 0.5),
        (40.0, 79.5, 0.5),
        (-0.5, -0.5, 0.25),
        (-60.0, 40.0, 0.0),
    ] {
        let scene = one_star(x, y, still());
        let simulator = Simulator::new(&scene).expect("a sound scene");
        let [_, rate, _] = simulator.stars()[0].electrons_per_s(&scene.lens, &scene.sensor);
        let sum: f64 = green_light(&scene, 0)
            .iter()
            .map(|&value| f64::from(value))
            .sum();
        let want = share * rate * scene.exposure_s;
        assert!(
            (sum - want).abs() <= FLUX_TOLERANCE * want,
            "{sum} for {want} at {x} {y}"
        );
    }
}

#[test]
fn a_white_star_has_the_colors_of_a_neutral_gray() {
    let scene = one_star(40.0, 40.0, still());
    let simulator = Simulator::new(&scene).expect("a sound scene");
    let rates = simulator.stars()[0].electrons_per_s(&scene.lens, &scene.sensor);
    for channel in 0..3 {
        let ratio = rates[channel] / rates[1];
        let want = scene.sensor.efficiency[channel] / scene.sensor.efficiency[1];
        assert!((ratio - want).abs() < 1e-12);
    }
}

#[test]
fn a_star_drifts_by_the_sidereal_rate_times_the_cosine_of_its_declination() {
    // Source: 360° in a sidereal day of 86164.0905 s is 15.04107 arcsec/s; times cos(dec)
    // over the pixel scale. Exact at the center of the field for small steps: over 4.75 s
    // the path bends by less than 1e-3 px.
    const DRIFT_TOLERANCE_PX: f64 = 2e-4;
    for declination_deg in [-60.0f64, -20.0, 0.0, 35.0, 75.0] {
        let declination = declination_deg.to_radians();
        // The south pole stands 90° + declination from the star, below it in the picture.
        let south_pole = [0.0, declination.cos(), -declination.sin()];
        let scene = one_star(47.5, 39.5, Mount::tripod(south_pole));
        let scale = 206_264.806 * scene.sensor.pitch_um / (1000.0 * scene.lens.focal_length_mm);
        let want = 15.041_07 * declination.cos() / scale * (scene.exposure_s + scene.gap_s);
        let (_, from, _) = moments(&green_light(&scene, 0));
        let (_, to, _) = moments(&green_light(&scene, 1));
        let found = (to.0 - from.0).hypot(to.1 - from.1);
        assert!(
            (found - want).abs() < DRIFT_TOLERANCE_PX,
            "{found} px for {want} px"
        );
        assert!(to.0 > from.0, "facing south, stars go west, to the right");
    }
}

#[test]
fn the_homography_of_a_rotation_matches_its_reference() {
    // Source: K R K^-1 (Hartley & Zisserman, ch. 8.4, from memory), computed with numpy
    // 2.4.6 for f = 24 mm, 5.98 µm, the pole 30° above the axis, 120 s at 15.041067"/s.
    const TOLERANCE_PX: f64 = 1e-5; // the reference has five decimals
    const RELATIVE_TOLERANCE: f64 = 1e-9; // and ten digits in the matrix
    let projection = Projection::new(
        Mapping::Rectilinear,
        24_000.0 / 5.98,
        [3000.0, 2000.0],
        [0.0; 3],
    );
    let thirty = 30.0f64.to_radians();
    let angle = (120.0 * 15.041_067f64 / 3600.0).to_radians();
    let matrix = homography(
        &projection,
        &projection,
        &rotation_about([0.0, -thirty.sin(), thirty.cos()], angle),
    );
    let want = [
        [1.006_525_317f64, -0.007_615_399_686, -12.143_419_92],
        [0.009_790_438_311, 1.003_245_424, -29.383_079_35],
        [1.093_735_754e-6, -4.144_294e-9, 1.0],
    ];
    for (row, want_row) in matrix.iter().zip(want) {
        for (found, want) in row.iter().zip(want_row) {
            let allowed = RELATIVE_TOLERANCE * want.abs().max(1e-3);
            assert!((found - want).abs() < allowed, "{found} for {want}");
        }
    }
    for ((x, y), (want_x, want_y)) in [
        ((3000.0, 2000.0), (2982.44045, 1999.93347)),
        ((0.0, 0.0), (-12.14342, -29.38308)),
        ((6000.0, 4000.0), (5957.54973, 4016.05282)),
    ] {
        let found = apply_homography(&matrix, x, y);
        assert!((found.0 - want_x).abs() < TOLERANCE_PX, "{found:?}");
        assert!((found.1 - want_y).abs() < TOLERANCE_PX, "{found:?}");
    }
}

#[test]
fn stars_are_where_the_homography_of_the_truth_puts_them() {
    let mut scene = one_star(20.0, 30.0, Mount::tripod([0.3, 0.8, -0.4]));
    scene.mount.dither_arcsec = 200.0;
    let simulator = Simulator::new(&scene).expect("a sound scene");
    for index in 0..scene.frames {
        let homography = simulator.homography(index).expect("a rectilinear lens");
        let want = apply_homography(&homography, 20.0, 30.0);
        let (_, found, _) = moments(&green_light(&scene, index));
        // The middle of a bent trail is off its centroid by less than this.
        const BEND_PX: f64 = 1e-4;
        assert!((found.0 - want.0).abs() < BEND_PX, "{found:?} for {want:?}");
        assert!((found.1 - want.1).abs() < BEND_PX, "{found:?} for {want:?}");
    }
}

#[test]
fn sky_brightness_gives_electrons_by_the_zero_point() {
    // Source: 1000 photons/s/cm²/Å at magnitude 0 (Bessell 1979, from memory) x 890 Å x
    // 0.4 x pi/4 (pitch / N)² x 206264.806² x 10^(-0.4 mu), worked by hand.
    const RELATIVE_TOLERANCE: f64 = 1e-4;
    let mut scene = Scene::named("tripod-burst").expect("a known scene");
    for (pitch_um, f_number, mag, want) in [
        (5.98, 2.0, 22.0, 1.6855),
        (5.98, 2.0, 21.0, 4.2338),
        (5.98, 2.0, 18.0, 67.10),
        (3.76, 1.8, 21.5, 1.3038),
        (4.35, 2.8, 21.5, 0.7212),
    ] {
        scene.sensor.pitch_um = pitch_um;
        scene.lens.f_number = f_number;
        let found = 0.4 * surface_electrons_per_s(mag, &scene.lens, &scene.sensor);
        assert!(
            (found / want - 1.0).abs() < RELATIVE_TOLERANCE,
            "{found} for {want}"
        );
    }
}

#[test]
fn the_sidereal_rate_is_the_published_one() {
    // Source: 7.292115858e-5 rad/s x 206264.806 arcsec/rad.
    assert!((SIDEREAL_RATE_ARCSEC_PER_S - 15.041_068_6).abs() < 1e-7);
}

#[test]
fn vignetting_is_the_fourth_power_of_the_cosine() {
    // Source: the cosine-fourth law; 45° off the axis a quarter is left.
    let mut scene = Scene::named("demo").expect("a known scene");
    scene.lens.vignetting = Vignetting::Natural;
    let projection = scene.lens.projection(scene.sensor.pitch_um, 1500, 1000);
    let [x, y] = projection.principal_point_px;
    let at_45 = scene
        .lens
        .illumination(&projection, x + projection.focal_length_px, y);
    assert!((at_45 - 0.25).abs() < 1e-12);
    assert_eq!(scene.lens.illumination(&projection, x, y), 1.0);
}

#[test]
fn the_stars_follow_the_count_law() {
    let mut scene = Scene::named("tripod-burst").expect("a known scene");
    (scene.width, scene.height, scene.frames) = (4000, 3000, 1);
    scene.sky.stars = Stars::Counted(CountLaw {
        brightest_mag: 2.0,
        faintest_mag: 12.0,
        density: 1.0,
    });
    let simulator = Simulator::new(&scene).expect("a sound scene");
    let count = |mag: f64| {
        let brighter = simulator.stars().iter().filter(|star| star.magnitude < mag);
        brighter.count() as f64
    };
    // Each magnitude has 10^0.46 = 2.884 times the stars of the one before.
    for mag in [8.0, 9.0, 10.0, 11.0] {
        let ratio = count(mag + 1.0) / count(mag);
        let sigma = ratio * (1.0 / count(mag)).sqrt();
        assert!(
            (ratio - 2.884).abs() < 4.0 * sigma,
            "{ratio} at magnitude {mag}"
        );
    }
    // And 10^(0.46 x 10 - 3.68) = 8.318 a square degree to magnitude 10, over the cone
    // that the drawn stars fill: its half angle is that of the farthest star.
    let cosines = simulator.stars().iter().map(|star| star.direction[2]);
    let edge = cosines.fold(1.0, f64::min);
    let area_deg2 = std::f64::consts::TAU * (1.0 - edge) * 1.0f64.to_degrees().powi(2);
    let want = 8.318 * area_deg2;
    assert!(
        (count(10.0) - want).abs() < 4.0 * want.sqrt(),
        "{} for {want}",
        count(10.0)
    );
}
