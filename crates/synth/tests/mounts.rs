//! How sky and ground move before the camera.

use raw::{Channel, Mosaic};
use synth::{
    Calibration, Composite, Mount, Pointing, SIDEREAL_RATE_ARCSEC_PER_S, Scene, SensorShift,
    Simulator, Site, Sway, Weather,
};

const SITE: Site = Site {
    latitude_deg: 46.2,
    longitude_deg: 9.4,
};

fn pointing(altitude_deg: f64, azimuth_deg: f64) -> Pointing {
    Pointing {
        altitude_deg,
        azimuth_deg,
        roll_deg: 0.0,
    }
}

/// A bare scene of `frames` lights on a mount.
fn scene(view: Pointing, frames: usize, period_s: f64, mount: Mount) -> Scene {
    let mut scene = Scene::named("tripod-ground").expect("a known scene");
    (scene.width, scene.height, scene.frames) = (120, 90, frames);
    (scene.exposure_s, scene.gap_s) = (1.0, period_s - 1.0);
    scene.mount = mount;
    scene.look(SITE, view);
    (scene.sky.air, scene.calibration) = (None, Calibration::NONE);
    scene.sky.stars = synth::Stars::Catalog(6.0);
    scene
}

/// Where the reference axis of the sky has gone in light `index`, arcsec right and down.
fn drift_arcsec(simulator: &Simulator, index: usize) -> [f64; 2] {
    let matrix = simulator.sky_rotation(index);
    [matrix[0][2], matrix[1][2]].map(|part| part.to_degrees() * 3600.0)
}

#[test]
fn an_ill_aligned_tracker_drifts_by_the_misalignment() {
    // Source: drift in declination e x 7.2921e-5 x t at most (small angles, worked by hand):
    // 10' off gives 2.625"/min. An error in altitude drifts most 6 h from the meridian, one in
    // azimuth on it, where the pole's error is e cos(latitude).
    const TOLERANCE: f64 = 0.01; // second order in 10', and the minutes' turn of the sky
    let latitude = SITE.latitude_deg.to_radians();
    for (view, altitude_arcmin, azimuth_arcmin, error_arcmin) in [
        (pointing(0.0, 90.0), 10.0, 0.0, 10.0),
        (pointing(43.8, 180.0), 0.0, 10.0, 10.0 * latitude.cos()),
        (pointing(43.8, 180.0), 10.0, 0.0, 0.0),
    ] {
        let pole = view.south_pole(&SITE);
        let mount = Mount::tracked(pole, 0.0).misaligned(&view, altitude_arcmin, azimuth_arcmin);
        let simulator = Simulator::new(&scene(view, 2, 60.0, mount)).expect("sound");
        let [dx, dy] = drift_arcsec(&simulator, 1);
        // All three places are on the equator: north is the direction away from the south pole.
        let north = [-pole[0], -pole[1]];
        let length = north[0].hypot(north[1]);
        let found = (dx * north[0] + dy * north[1]).abs() / length;
        let want = error_arcmin * 60.0 * 7.2921e-5 * 60.0;
        assert!(
            (found - want).abs() < TOLERANCE,
            "{found} for {want} arcsec a minute"
        );
    }
}

#[test]
fn a_periodic_error_swings_by_its_amplitude() {
    // Source: A sin(2 pi t / P): largest rate 2 pi A / P, 0.5236"/s for 50" in 600 s.
    let view = pointing(43.8, 180.0);
    let mut mount = Mount::tracked(view.south_pole(&SITE), 0.0);
    let tracker = mount.tracker.as_mut().expect("a tracker");
    (tracker.periodic_error_arcsec, tracker.period_s) = (50.0, 600.0);
    let simulator = Simulator::new(&scene(view, 61, 10.0, mount)).expect("sound");
    let along: Vec<f64> = (0..61).map(|i| drift_arcsec(&simulator, i)[0]).collect();
    let (low, high) = along.iter().fold((0.0f64, 0.0f64), |(low, high), &x| {
        (low.min(x), high.max(x))
    });
    assert!(
        (high - 50.0).abs() < 0.1 && (low + 50.0).abs() < 0.1,
        "{low} to {high}"
    );
    let rate = (along[1] - along[0]).abs() / 10.0;
    // Over 10 s the sine falls short of its first slope by (2 pi / 60)²/6, 0.18 %.
    assert!(
        (rate / std::f64::consts::FRAC_PI_6 - 1.0).abs() < 2e-3,
        "{rate}"
    );
    assert!(along[60].abs() < 1e-3, "after a period it is back");
}

#[test]
fn the_ground_turns_against_a_tracker_and_stands_before_a_tripod() {
    let view = pointing(14.0, 200.0);
    let tripod = scene(view, 3, 100.0, Mount::tripod(view.south_pole(&SITE)));
    let simulator = Simulator::new(&tripod).expect("sound");
    assert_eq!(
        simulator.ground_rotation(2),
        synth::rotation_about([0.0, 0.0, 1.0], 0.0)
    );
    assert_eq!(simulator.ground_cover(0), simulator.ground_cover(2));
    let tracked = scene(view, 3, 100.0, Mount::tracked(view.south_pole(&SITE), 0.0));
    let simulator = Simulator::new(&tracked).expect("sound");
    let matrix = simulator.ground_rotation(2);
    // The angle of a rotation from its trace.
    let angle = ((matrix[0][0] + matrix[1][1] + matrix[2][2] - 1.0) / 2.0).acos();
    let want = 200.0 * SIDEREAL_RATE_ARCSEC_PER_S;
    // acos near 1 keeps half the digits: 1e-8 rad is 0.002".
    assert!((angle.to_degrees() * 3600.0 - want).abs() < 0.01, "{angle}");
    let [dx, dy] = drift_arcsec(&simulator, 2);
    assert!(dx.hypot(dy) < 1e-9, "the sky stands still");
    // Tree tops go where the truth says: the ground's rotation carries cover to cover.
    let (from, to) = (simulator.ground_cover(0), simulator.ground_cover(2));
    let (from, to) = (from.expect("ground"), to.expect("ground"));
    let projection = simulator.projection();
    let (mut off, mut shifted, mut n) = (0.0, 0.0, 0.0);
    for row in 20..80 {
        for col in 20..100 {
            let (x, y) = (f64::from(col), f64::from(row));
            let before = projection.direction(x, y);
            let after = matrix.map(|line| (0..3).map(|i| line[i] * before[i]).sum());
            let (u, v) = projection.project(after).expect("ahead");
            if !(0.0..118.0).contains(&u) || !(0.0..88.0).contains(&v) {
                continue;
            }
            let (left, top) = (u as usize, v as usize);
            let (across, down) = ((u - u.floor()) as f32, (v - v.floor()) as f32);
            let line = |row: usize| (1.0 - across) * to[[row, left]] + across * to[[row, left + 1]];
            let moved = (1.0 - down) * line(top) + down * line(top + 1);
            let own = from[[row as usize, col as usize]];
            off += f64::from((moved - own).abs());
            shifted += f64::from((to[[row as usize, col as usize]] - own).abs());
            n += 1.0;
        }
    }
    // Interpolation blurs the edges a little; not following leaves far more.
    assert!(
        n > 1000.0 && off < 0.1 * shifted,
        "{off} against {shifted} of {n}"
    );
}

#[test]
fn hands_tremble_and_wander_as_they_are_told() {
    const N: usize = 400;
    let view = pointing(17.5, 200.0);
    let mut mount = Mount::tripod(view.south_pole(&SITE));
    mount.sway = Some(Sway {
        wander_arcsec: 300.0,
        roll_arcsec: 0.0,
        tremor_arcsec: 0.0,
    });
    let mut still = scene(view, N, 1.0, mount);
    still.mount.rate_arcsec_per_s = 0.0;
    let simulator = Simulator::new(&still).expect("sound");
    let drifts: Vec<_> = (0..N).map(|i| drift_arcsec(&simulator, i)).collect();
    assert!(
        drifts[0][0].hypot(drifts[0][1]) < 1e-9,
        "the first light is the reference"
    );
    for axis in 0..2 {
        let variance = drifts[1..].iter().map(|d| d[axis] * d[axis]).sum::<f64>() / (N - 1) as f64;
        // Relative error of a standard deviation: 1 / sqrt(2 n); four of them.
        let allowed = 4.0 / (2.0 * (N - 1) as f64).sqrt();
        assert!(
            (variance.sqrt() / 300.0 - 1.0).abs() < allowed,
            "{}",
            variance.sqrt()
        );
    }
}

/// A picture of one even color, seen by a moved sensor: every photosite measures its filter.
fn shots(shift: SensorShift) -> Vec<Mosaic> {
    let mut scene = scene(
        pointing(50.0, 170.0),
        shift.shots(),
        2.0,
        Mount::tracked(pointing(50.0, 170.0).south_pole(&SITE), 0.0),
    );
    scene.mount.sensor_shift = shift;
    scene.ground = None;
    scene.sky.stars = synth::Stars::Catalog(9.0);
    scene.exposure_s = 60.0;
    scene.gap_s = 1.0;
    let sensor = &mut scene.sensor;
    (
        sensor.read_noise_e,
        sensor.row_noise_e,
        sensor.prnu,
        sensor.dsnu_e,
    ) = (0.0, 0.0, 0.0, 0.0);
    sensor.hot_fraction = 0.0;
    let simulator = Simulator::new(&scene).expect("sound");
    (0..shift.shots())
        .map(|index| {
            let light = simulator
                .expected_light(index, Weather::Clear)
                .expect("a light");
            // The expected light itself, so that only the geometry is looked at.
            let mut mosaic = simulator.light(index).expect("a light").mosaic;
            let cfa = mosaic.cfa.clone();
            for ((row, col), value) in mosaic.data.indexed_iter_mut() {
                let plane = match cfa.at(row, col) {
                    Channel::R => 0,
                    Channel::B => 2,
                    _ => 1,
                };
                *value = (512.0 + light[plane][[row, col]]).min(60_000.0).round() as u16;
            }
            mosaic
        })
        .collect()
}

#[test]
fn four_shots_measure_every_color_at_every_place() {
    let shots = shots(SensorShift::Four);
    let composite = Composite::of(&shots, SensorShift::Four).expect("four shots");
    let (width, height) = shots[0].size();
    assert_eq!(composite.planes[0].dim(), (height - 1, width - 1));
    // The first shot's own pixels are in it where they stood, green as the mean of two; the
    // others fill the rest. Rounding and the turn of the camera's own axis leave 1 DN.
    let mut n = 0;
    for ((row, col), &value) in shots[0].data.indexed_iter() {
        if row == 0 || col == 0 {
            continue;
        }
        let plane = match shots[0].cfa.at(row, col) {
            Channel::R => 0,
            Channel::B => 2,
            _ => 1,
        };
        let found = composite.planes[plane][[row - 1, col - 1]];
        let error = f64::from(found) - f64::from(value);
        // An even glow with stars: within a shot and between shots a place has one brightness.
        assert!(
            error.abs() <= 2.0 + 1e-3 * f64::from(value),
            "{found} for {value} at {row} {col}"
        );
        n += 1;
    }
    assert_eq!(n, (width - 1) * (height - 1));
    assert_eq!(
        Composite::of(&shots[..3], SensorShift::Four),
        None,
        "too few"
    );
    assert_eq!(Composite::of(&shots, SensorShift::None), None, "not moved");
}

#[test]
fn eight_shots_double_the_grid() {
    let shots = shots(SensorShift::Eight);
    let composite = Composite::of(&shots, SensorShift::Eight).expect("eight shots");
    let (width, height) = shots[0].size();
    assert_eq!(
        composite.planes[0].dim(),
        (2 * (height - 1), 2 * (width - 1))
    );
    let four = Composite::of(&shots[..4], SensorShift::Four).expect("four shots");
    for ((row, col), &value) in four.planes[1].indexed_iter() {
        assert_eq!(composite.planes[1][[2 * row, 2 * col]], value);
    }
    // The brightest star of the finer grid stands where the coarse one has it, doubled.
    let coarse = centroid_of_brightest(&four.planes[1], 6);
    let fine = centroid_of_brightest(&composite.planes[1], 12);
    const TOLERANCE_PX: f64 = 0.1; // between the places the mean of neighbors blurs
    let off = (coarse.0 - fine.0 / 2.0).hypot(coarse.1 - fine.1 / 2.0);
    assert!(off < TOLERANCE_PX, "{coarse:?} {fine:?}");
}

/// Centroid of what is brighter than the sky within `reach` px of the brightest pixel.
fn centroid_of_brightest(plane: &ndarray::Array2<u16>, reach: usize) -> (f64, f64) {
    let mut values: Vec<u16> = plane.iter().copied().collect();
    values.sort_unstable();
    let sky = f64::from(values[values.len() / 2]);
    let (height, width) = plane.dim();
    let inside = plane.indexed_iter().filter(|((row, col), _)| {
        (reach..height - reach).contains(row) && (reach..width - reach).contains(col)
    });
    let ((row0, col0), _) = inside.max_by_key(|(_, value)| **value).expect("pixels");
    let (mut sum, mut x, mut y) = (0.0, 0.0, 0.0);
    for row in row0 - reach..=row0 + reach {
        for col in col0 - reach..=col0 + reach {
            let light = f64::from(plane[[row, col]]) - sky;
            (sum, x, y) = (sum + light, x + light * col as f64, y + light * row as f64);
        }
    }
    (x / sum, y / sum)
}
