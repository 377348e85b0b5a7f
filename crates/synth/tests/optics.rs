//! What the lens does to the place, the width and the brightness of a star.

use ndarray::Array2;
use synth::{
    Calibration, Glow, Lens, Mapping, Mount, Projection, Scene, Simulator, Sky, Star, Stars,
    Vignetting, Weather,
};

const WIDTH: usize = 240;
const HEIGHT: usize = 180;
const MAPPINGS: [Mapping; 4] = [
    Mapping::Rectilinear,
    Mapping::Stereographic,
    Mapping::Equidistant,
    Mapping::Equisolid,
];

#[test]
#[allow(clippy::approx_constant, reason = "the digits as they are published")]
fn mappings_have_their_published_radii() {
    // Source: the definitions (tan t, 2 tan t/2, t, 2 sin t/2), evaluated independently.
    const TOLERANCE: f64 = 6e-6; // the stated digits
    for (angle_deg, want) in [
        (30.0f64, [0.577_35, 0.535_90, 0.523_60, 0.517_64]),
        (45.0, [1.0, 0.828_43, 0.785_40, 0.765_37]),
        (60.0, [1.732_05, 1.154_70, 1.047_20, 1.0]),
    ] {
        for (mapping, want) in MAPPINGS.into_iter().zip(want) {
            let found = mapping.radius(angle_deg.to_radians());
            assert!(
                (found - want).abs() < TOLERANCE,
                "{mapping:?}: {found} for {want}"
            );
            // And so through the projection, 1000 px to a focal length.
            let projection = Projection::new(mapping, 1000.0, [0.0; 2], [0.0; 3]);
            let (sine, cosine) = angle_deg.to_radians().sin_cos();
            let (x, y) = projection
                .project([0.6 * sine, 0.8 * sine, cosine])
                .expect("seen");
            assert!((x - 600.0 * want).abs() < 1000.0 * TOLERANCE);
            assert!((y - 800.0 * want).abs() < 1000.0 * TOLERANCE);
        }
    }
    // 90 degrees off the axis only fisheyes see.
    let side = [1.0, 0.0, 0.0];
    for (mapping, want) in
        MAPPINGS
            .into_iter()
            .zip([None, Some(2.0), Some(1.570_796_3), Some(1.414_213_6)])
    {
        let projection = Projection::new(mapping, 1.0, [0.0; 2], [0.0; 3]);
        let found = projection.project(side).map(|place| place.0);
        match (found, want) {
            (None, None) => {}
            (Some(found), Some(want)) => assert!((found - want).abs() < 1e-7),
            other => panic!("{mapping:?}: {other:?}"),
        }
    }
}

#[test]
fn directions_come_back_through_every_lens() {
    const TOLERANCE_PX: f64 = 1e-7;
    for mapping in MAPPINGS {
        for distortion in [[0.0; 3], [-0.05, 0.01, -0.002], [0.03, 0.0, 0.0]] {
            let projection = Projection::new(mapping, 700.0, [400.0, 300.0], distortion);
            for (x, y) in [(400.0, 300.0), (0.0, 0.0), (799.0, 10.0), (401.0, 599.0)] {
                let direction = projection.direction(x, y);
                let length: f64 = direction.iter().map(|part| part * part).sum();
                assert!((length - 1.0).abs() < 1e-12);
                let (u, v) = projection.project(direction).expect("in the picture");
                assert!(
                    (u - x).hypot(v - y) < TOLERANCE_PX,
                    "{mapping:?} {distortion:?}: ({u}, {v}) for ({x}, {y})"
                );
            }
        }
    }
}

#[test]
fn distortion_is_the_radial_polynomial() {
    // Source: x (1 + k1 r² + k2 r⁴ + k3 r⁶) (Brown 1966, from memory), by hand: at r = 0.5
    // with k = (-0.05, 0.02, -0.004): 1 - 0.0125 + 0.00125 - 0.0000625.
    let k = [-0.05, 0.02, -0.004];
    let projection = Projection::new(Mapping::Rectilinear, 1000.0, [0.0; 2], k);
    let norm = 1.25f64.sqrt();
    let (x, y) = projection
        .project([0.3 / norm, 0.4 / norm, 1.0 / norm])
        .expect("seen");
    assert!((x - 300.0 * 0.988_687_5).abs() < 1e-9, "{x}");
    assert!((y - 400.0 * 0.988_687_5).abs() < 1e-9, "{y}");
    // Where 1 + 3 k1 r² falls to nothing the picture would fold back: no light from there.
    let folding = Projection::new(Mapping::Rectilinear, 1000.0, [0.0; 2], [-0.2, 0.0, 0.0]);
    let far = 2.0 / 5.0f64.sqrt();
    assert_eq!(folding.project([far, 0.0, far / 2.0]), None);
}

#[test]
fn a_pixels_share_of_the_sky_adds_up_to_the_field() {
    // Source: the area of a spherical cap, 2 pi (1 - cos t); the pixels within 40 degrees of
    // the axis must share it, whatever the mapping. Pixels on the rim are in or out as a whole:
    // their number's scatter, about the fourth root of it, is 3e-4 of all.
    const TOLERANCE: f64 = 1e-3;
    for mapping in MAPPINGS {
        for distortion in [[0.0; 3], [-0.06, 0.0, 0.0]] {
            let f = 200.0;
            let projection = Projection::new(mapping, f, [250.0, 250.0], distortion);
            let edge = 40.0f64.to_radians();
            let mut sum = 0.0;
            for row in 0..501 {
                for col in 0..501 {
                    let (x, y) = (f64::from(col), f64::from(row));
                    if projection.cos_angle(x, y) > edge.cos() {
                        sum += projection.solid_angle(x, y) / (f * f);
                    }
                }
            }
            let want = std::f64::consts::TAU * (1.0 - edge.cos());
            assert!(
                (sum / want - 1.0).abs() < TOLERANCE,
                "{mapping:?}: {sum} for {want}"
            );
        }
    }
}

/// One star at a pixel, seen through a lens.
fn one_star(lens: Lens, x: f64, y: f64) -> Simulator {
    let mut scene = Scene::named("tripod-burst").expect("a known scene");
    (scene.width, scene.height, scene.frames) = (WIDTH, HEIGHT, 1);
    scene.lens = lens;
    scene.mount = Mount::tracked([0.0, 0.0, 1.0], 0.0);
    let projection = scene.lens.projection(scene.sensor.pitch_um, WIDTH, HEIGHT);
    scene.sky = Sky {
        stars: Stars::Listed(vec![Star {
            direction: projection.direction(x, y),
            // So bright that nothing of its light is left undrawn.
            magnitude: -5.0,
            color_bv: 0.65,
        }]),
        glow: Glow::NONE,
        band: None,
        air: None,
    };
    scene.calibration = Calibration::NONE;
    Simulator::new(&scene).expect("a sound scene")
}

fn plain_lens() -> Lens {
    Lens {
        vignetting: Vignetting::None,
        fwhm_growth: 0.0,
        ..Scene::named("tripod-burst").expect("a known scene").lens
    }
}

fn planes(simulator: &Simulator) -> [Array2<f32>; 3] {
    simulator
        .expected_light(0, Weather::Clear)
        .expect("a light")
}

/// Sum, centroid, and variances along and across the direction `along`.
fn moments(picture: &Array2<f32>, along: [f64; 2]) -> (f64, (f64, f64), [f64; 2]) {
    let mut sums = [0.0; 3];
    for ((row, col), &value) in picture.indexed_iter() {
        let value = f64::from(value);
        sums = [
            sums[0] + value,
            sums[1] + value * col as f64,
            sums[2] + value * row as f64,
        ];
    }
    let (cx, cy) = (sums[1] / sums[0], sums[2] / sums[0]);
    let mut variances = [0.0; 2];
    for ((row, col), &value) in picture.indexed_iter() {
        let (dx, dy, value) = (col as f64 - cx, row as f64 - cy, f64::from(value));
        variances[0] += value * (dx * along[0] + dy * along[1]).powi(2) / sums[0];
        variances[1] += value * (dx * along[1] - dy * along[0]).powi(2) / sums[0];
    }
    (sums[0], (cx, cy), variances)
}

#[test]
fn coma_widens_a_star_along_the_radius_and_less_across() {
    // Source: third-order coma (Born & Wolf, from memory): a zone of share u of the aperture's
    // area is a circle of radius c u displaced by 2 c u. Variances over the aperture: along
    // 4 c²/12 + c²/6 = c²/2, across c²/6 (by hand); the centroid stays, as drawn.
    const TOLERANCE: f64 = 1e-4; // light beyond five sigmas, f32
    let (x, y) = (200.3, 150.8);
    let (cx, cy) = ((WIDTH as f64 - 1.0) / 2.0, (HEIGHT as f64 - 1.0) / 2.0);
    let radius = (x - cx).hypot(y - cy);
    for (f_number, stop) in [(1.4, 1.0), (2.8, 0.5)] {
        let lens = Lens {
            coma_px: 3.0,
            f_number,
            ..plain_lens()
        };
        let c = 3.0 * radius / cx.hypot(cy) * stop * stop;
        let [_, green, _] = planes(&one_star(lens.clone(), x, y));
        let along = [(x - cx) / radius, (y - cy) / radius];
        let (_, center, variances) = moments(&green, along);
        assert!((center.0 - x).hypot(center.1 - y) < 1e-4, "{center:?}");
        let own = (lens.fwhm_px / synth::FWHM_PER_SIGMA).powi(2) + 1.0 / 12.0;
        assert!(
            (variances[0] / (own + c * c / 2.0) - 1.0).abs() < TOLERANCE,
            "{variances:?}"
        );
        assert!(
            (variances[1] / (own + c * c / 6.0) - 1.0).abs() < TOLERANCE,
            "{variances:?}"
        );
    }
}

#[test]
fn coma_has_its_tail_outside() {
    let lens = Lens {
        coma_px: 3.0,
        ..plain_lens()
    };
    let (x, y) = (220.0, (HEIGHT as f64 - 1.0) / 2.0);
    let [_, green, _] = planes(&one_star(lens, x, y));
    let third: f64 = green
        .indexed_iter()
        .map(|((_, col), &value)| f64::from(value) * (col as f64 - x).powi(3))
        .sum();
    assert!(third > 0.0, "skewed outwards");
}

#[test]
fn lateral_color_moves_red_and_blue_along_the_radius() {
    let lens = Lens {
        lateral_color: [2e-3, -3e-3],
        ..plain_lens()
    };
    let (x, y) = (200.3, 150.8);
    let (cx, cy) = ((WIDTH as f64 - 1.0) / 2.0, (HEIGHT as f64 - 1.0) / 2.0);
    let planes = planes(&one_star(lens, x, y));
    for (plane, scale) in planes.iter().zip([1.002, 1.0, 0.997]) {
        let (_, found, _) = moments(plane, [1.0, 0.0]);
        let want = (cx + scale * (x - cx), cy + scale * (y - cy));
        assert!(
            (found.0 - want.0).hypot(found.1 - want.1) < 1e-4,
            "{found:?} for {want:?}"
        );
    }
}

#[test]
fn a_star_loses_what_the_pupil_loses_and_the_sky_what_its_pixel_sees() {
    // Source: a rectilinear pupil loses the cosine, a pixel's sky its cube: together the
    // cosine-fourth law. An equisolid fisheye's pixels all see the same.
    let wide = Lens {
        focal_length_mm: 0.5,
        vignetting: Vignetting::Natural,
        ..plain_lens()
    };
    let (x, y) = (30.0, 40.0);
    let simulator = one_star(wide.clone(), x, y);
    let cosine = simulator.projection().direction(x, y)[2];
    let [_, green, _] = planes(&simulator);
    let (sum, _, _) = moments(&green, [1.0, 0.0]);
    let [_, rate, _] = simulator.stars()[0].electrons_per_s(&wide, &simulator.scene().sensor);
    let share = sum / (rate * simulator.scene().exposure_s);
    assert!((share / cosine - 1.0).abs() < 3e-6, "{share} for {cosine}");
    let found = wide.illumination(simulator.projection(), x, y);
    assert!((found - cosine.powi(4)).abs() < 1e-12, "{found}");
    let fisheye = Lens {
        mapping: Mapping::Equisolid,
        ..wide
    };
    let projection = fisheye.projection(4.35, WIDTH, HEIGHT);
    assert!((fisheye.illumination(&projection, x, y) - 1.0).abs() < 1e-12);
}

#[test]
fn the_barrel_is_out_of_the_way_two_stops_down() {
    let at = |f_number| {
        let lens = Lens {
            f_number,
            vignetting: Vignetting::Mechanical(0.4),
            ..plain_lens()
        };
        let projection = lens.projection(4.35, WIDTH, HEIGHT);
        let natural = Lens {
            vignetting: Vignetting::Natural,
            ..lens.clone()
        };
        lens.illumination(&projection, 0.0, 0.0) / natural.illumination(&projection, 0.0, 0.0)
    };
    assert!((at(1.4) - 0.6).abs() < 1e-12);
    assert!(at(2.0) > 0.6 && at(2.0) < 1.0);
    assert_eq!(at(2.8), 1.0);
}

#[test]
fn temperatures_follow_the_color() {
    // Source: Ballesteros (2012): the Sun, B-V = 0.65, has about 5770 K; Vega, 0, about 10,000.
    assert!((synth::temperature_k(0.65) - 5770.0).abs() < 60.0);
    assert!((synth::temperature_k(0.0) - 10_125.0).abs() < 30.0);
    let scene = Scene::named("tripod-burst").expect("a known scene");
    let ratio = |color_bv| {
        let star = Star {
            direction: [0.0, 0.0, 1.0],
            magnitude: 5.0,
            color_bv,
        };
        let [red, _, blue] = star.electrons_per_s(&scene.lens, &scene.sensor);
        red / blue
    };
    assert!(
        ratio(1.5) > ratio(0.65) && ratio(0.65) > ratio(-0.2),
        "red stars are red"
    );
}
