//! The real stars stand where catalogues and the almanac put them.

use jiff::civil::{DateTime, date};
use ndarray::Array2;
use std::fs;
use synth::{
    Air, Calibration, Glow, Lens, Mapping, Pointing, Refraction, Scene, Simulator, Site, Sky,
    Stars, Vignetting, Weather, airmass, catalog, equatorial, greenwich_sidereal_time_deg,
};

fn angle_deg(a: [f64; 3], b: [f64; 3]) -> f64 {
    let cross = [
        a[1] * b[2] - a[2] * b[1],
        a[2] * b[0] - a[0] * b[2],
        a[0] * b[1] - a[1] * b[0],
    ];
    let sine = cross.iter().map(|part| part * part).sum::<f64>().sqrt();
    sine.atan2((0..3).map(|i| a[i] * b[i]).sum()).to_degrees()
}

/// Right ascension and declination of bright stars, degrees, J2000.
///
/// Source: Bright Star Catalogue, 5th ed. (Hoffleit & Warren 1991, CDS V/50), rounded.
const PLACES: [(&str, f64, f64); 18] = [
    ("Mizar", 200.981, 54.925),
    ("Alkaid", 206.885, 49.313),
    ("Alcyone", 56.871, 24.105),
    ("Atlas", 57.291, 24.053),
    ("Alnitak", 85.190, -1.943),
    ("Alnilam", 84.053, -1.202),
    ("Mintaka", 83.002, -0.299),
    ("Betelgeuse", 88.793, 7.407),
    ("Bellatrix", 81.283, 6.350),
    ("Rigel", 78.634, -8.202),
    ("Saiph", 86.939, -9.670),
    ("Castor", 113.650, 31.888),
    ("Pollux", 116.329, 28.026),
    ("Aldebaran", 68.980, 16.509),
    ("Sirius", 101.287, -16.716),
    ("Procyon", 114.825, 5.225),
    ("Dubhe", 165.932, 61.751),
    ("Merak", 165.460, 56.382),
];

/// Separations, degrees: great circles between places of the same catalogue, by astropy
/// 8.0 `SkyCoord.separation`; good to 0.02'.
const SEPARATIONS: [(&str, &str, f64); 14] = [
    ("Mizar", "Alkaid", 6.675_80),
    ("Alcyone", "Atlas", 0.386_42),
    ("Alnitak", "Alnilam", 1.356_01),
    ("Alnilam", "Mintaka", 1.386_00),
    ("Alnitak", "Mintaka", 2.736_11),
    ("Betelgeuse", "Bellatrix", 7.530_54),
    ("Rigel", "Saiph", 8.333_76),
    ("Betelgeuse", "Rigel", 18.605_96),
    ("Castor", "Pollux", 4.505_63),
    ("Aldebaran", "Betelgeuse", 21.388_85),
    ("Sirius", "Procyon", 25.701_36),
    ("Betelgeuse", "Procyon", 25.962_03),
    ("Betelgeuse", "Sirius", 27.104_53),
    ("Dubhe", "Merak", 5.374_04),
];

/// Degrees: 0.1', the difference of the two catalogues (1.7" at most) and the stated digits.
const SEPARATION_TOLERANCE_DEG: f64 = 0.1 / 60.0;

fn place(name: &str) -> [f64; 3] {
    let (_, ra, dec) = PLACES
        .into_iter()
        .find(|place| place.0 == name)
        .expect("listed");
    equatorial(ra, dec)
}

/// The brightest star of the catalogue within 0.05 degrees of a place.
fn catalog_direction(name: &str, years: f64) -> [f64; 3] {
    let near = catalog().map(|star| star.direction(years));
    near.into_iter()
        .find(|&direction| angle_deg(direction, place(name)) < 0.05)
        .expect("a bright star")
}

#[test]
fn pairs_of_the_catalogue_are_as_far_apart_as_another_catalogue_says() {
    for (first, second, want_deg) in SEPARATIONS {
        let found_deg = angle_deg(
            catalog_direction(first, 0.0),
            catalog_direction(second, 0.0),
        );
        assert!(
            (found_deg - want_deg).abs() < SEPARATION_TOLERANCE_DEG,
            "{first} - {second}: {found_deg} for {want_deg}"
        );
    }
}

#[test]
fn the_catalogue_is_whole_and_sorted() {
    let stars: Vec<_> = catalog().collect();
    assert_eq!(stars.len(), 25_609);
    assert!(stars.is_sorted_by(|a, b| a.magnitude <= b.magnitude));
    // Source: V of the Bright Star Catalogue (Hoffleit & Warren 1991, from memory); the
    // catalogue's own follow from Hp by a mean relation of the color.
    const V_TOLERANCE_MAG: f64 = 0.07;
    for (hip, want_mag) in [
        (32_349, -1.46), // Sirius, whose Hp does not hold
        (69_673, -0.04),
        (91_262, 0.03),
        (24_608, 0.08),
        (37_279, 0.38),
        (97_649, 0.77),
        (21_421, 0.85),
        (65_474, 0.98),
        (37_826, 1.14),
        (102_098, 1.25),
        (49_669, 1.35),
    ] {
        let star = stars.iter().find(|star| star.hip == hip).expect("there");
        let off_mag = (star.magnitude - want_mag).abs();
        assert!(off_mag < V_TOLERANCE_MAG, "{star:?} for {want_mag}");
    }
    // Source: van Leeuwen (2007) by way of the PyPI package: Arcturus is HIP 69673, its
    // proper motion -1093.39, -2000.06 mas/yr; rounded to whole ones here.
    let arcturus = stars.iter().find(|star| star.hip == 69_673).expect("there");
    assert_eq!(
        (arcturus.pm_ra_mas, arcturus.pm_dec_mas),
        (-1093.0, -2000.0)
    );
    let moved_deg = angle_deg(arcturus.direction(0.0), arcturus.direction(26.0));
    // 2.28"/yr (its usual figure), to the digit.
    assert!(
        (moved_deg * 3600.0 / 26.0 - 2.28).abs() < 0.005,
        "{moved_deg}"
    );
}

/// An equatorial view of a place of the sky, at J2000, without air.
fn scene_of(name: &str, lens: Lens, width: usize, height: usize) -> Scene {
    let mut scene = Scene::named("tripod-burst").expect("a known scene");
    (scene.width, scene.height, scene.frames) = (width, height, 1);
    scene.start = date(2000, 1, 1).at(22, 0, 0, 0);
    scene.exposure_s = 0.001;
    let site = Site {
        latitude_deg: 40.0,
        longitude_deg: 0.0,
    };
    // Where the star stands then, so that the camera can look there.
    let horizon = site.horizon_from_j2000(scene.reference_utc());
    let [east, north, height_up] =
        horizon.map(|row| (0..3).map(|i| row[i] * place(name)[i]).sum::<f64>());
    scene.look(
        site,
        Pointing {
            altitude_deg: height_up.asin().to_degrees(),
            azimuth_deg: east.atan2(north).to_degrees(),
            roll_deg: 20.0,
        },
    );
    scene.sky = Sky {
        stars: Stars::Catalog(7.5),
        glow: Glow::NONE,
        band: None,
        air: None,
    };
    scene.lens = lens;
    scene.calibration = Calibration::NONE;
    scene
}

/// A lens that sees about 60 degrees across 1200 px.
fn lens(mapping: Mapping, distortion: [f64; 3]) -> Lens {
    Lens {
        focal_length_mm: 5.0,
        mapping,
        distortion,
        vignetting: Vignetting::None,
        fwhm_growth: 0.5,
        coma_px: 0.8,
        ..Scene::named("tripod-burst").expect("a known scene").lens
    }
}

/// Centroid of the light within `radius` px of a pixel.
fn centroid(picture: &Array2<f32>, (x0, y0): (f64, f64), radius: f64) -> (f64, f64) {
    let (mut sum, mut x_sum, mut y_sum) = (0.0, 0.0, 0.0);
    for ((row, col), &value) in picture.indexed_iter() {
        let (x, y, value) = (col as f64, row as f64, f64::from(value));
        if (x - x0).hypot(y - y0) <= radius {
            (sum, x_sum, y_sum) = (sum + value, x_sum + value * x, y_sum + value * y);
        }
    }
    (x_sum / sum, y_sum / sum)
}

#[test]
fn pairs_measured_in_a_frame_through_the_lens_are_as_far_apart_as_catalogued() {
    let orion = [
        "Alnitak",
        "Alnilam",
        "Mintaka",
        "Betelgeuse",
        "Bellatrix",
        "Rigel",
        "Saiph",
    ];
    for (mapping, distortion) in [
        (Mapping::Rectilinear, [0.0; 3]),
        (Mapping::Rectilinear, [-0.05, 0.01, -0.002]),
        (Mapping::Stereographic, [0.0; 3]),
        (Mapping::Equidistant, [0.02, 0.0, 0.0]),
        (Mapping::Equisolid, [0.0; 3]),
    ] {
        let scene = scene_of("Alnilam", lens(mapping, distortion), 1200, 900);
        let simulator = Simulator::new(&scene).expect("a sound scene");
        let [_, picture, _] = simulator
            .expected_light(0, Weather::Clear)
            .expect("a light");
        let axes = simulator.sky_axes();
        let measured = orion.map(|name| {
            // Where the star should be, only to know where to look.
            let camera = [0, 1, 2].map(|i| (0..3).map(|k| axes[k][i] * place(name)[k]).sum());
            let near = simulator.projection().project(camera).expect("in view");
            let start = centroid(&picture, near, 4.0);
            let (x, y) = centroid(&picture, start, 8.0);
            simulator.projection().direction(x, y)
        });
        // Neighbors within 8 px pull on the centroids of the fainter stars: a tenth of a pixel.
        let pull_deg = 0.1 * simulator.projection().pixel_scale_arcsec() / 3600.0;
        for (first, second, want_deg) in SEPARATIONS {
            let number = |name| orion.iter().position(|&listed| listed == name);
            let (Some(a), Some(b)) = (number(first), number(second)) else {
                continue;
            };
            let found_deg = angle_deg(measured[a], measured[b]);
            assert!(
                (found_deg - want_deg).abs() < SEPARATION_TOLERANCE_DEG + pull_deg,
                "{mapping:?} {distortion:?}, {first} - {second}: {found_deg} for {want_deg}"
            );
        }
    }
}

#[test]
fn the_sky_is_not_mirrored() {
    // Seen from the ground with north up, east is left: from Betelgeuse the position angle of
    // Rigel is 213.17° and that of Sirius 152.95°, north over east (the same catalogue).
    let scene = scene_of(
        "Betelgeuse",
        lens(Mapping::Rectilinear, [0.0; 3]),
        1200,
        900,
    );
    let simulator = Simulator::new(&scene).expect("a sound scene");
    let axes = simulator.sky_axes();
    let pixel = |direction: [f64; 3]| {
        let camera = [0, 1, 2].map(|i| (0..3).map(|k| axes[k][i] * direction[k]).sum());
        simulator.projection().project(camera).expect("ahead")
    };
    let (x0, y0) = pixel(place("Betelgeuse"));
    let angle = |direction| {
        let (x, y) = pixel(direction);
        (y - y0).atan2(x - x0).to_degrees()
    };
    let north = angle(equatorial(88.793, 7.407 + 0.5));
    for (name, want_deg) in [("Rigel", 213.17), ("Sirius", 152.95)] {
        // Down is positive, so that angles grow clockwise on the sensor: east is the other way.
        let found_deg = (north - angle(place(name))).rem_euclid(360.0);
        // Straight lines through the center of a rectilinear picture are great circles; the
        // places have three decimals.
        assert!(
            (found_deg - want_deg).abs() < 0.02,
            "{name}: {found_deg} for {want_deg}"
        );
    }
}

#[test]
fn sidereal_time_precession_and_altitude_are_erfas() {
    // Source: fixtures/sky_checks, ERFA's gmst82, pmat76 and hd2ae.
    const TOLERANCE_DEG: f64 = 2e-7; // the terms of both series have that many digits
    let path = concat!(
        env!("CARGO_MANIFEST_DIR"),
        "/../../fixtures/sky_checks/erfa.csv"
    );
    let text = fs::read_to_string(path).expect("committed");
    let mut n = 0;
    for line in text.lines().skip(1) {
        let numbers: Vec<f64> = line
            .split(',')
            .map(|word| word.parse().expect("a number"))
            .collect();
        let [
            year,
            month,
            day,
            hours,
            latitude,
            longitude,
            ra,
            dec,
            gmst,
            altitude,
            azimuth,
        ] = numbers[..]
        else {
            panic!("eleven columns")
        };
        let midnight: DateTime = date(year as i16, month as i8, day as i8).at(0, 0, 0, 0);
        let utc = midnight + jiff::SignedDuration::from_millis((hours * 3.6e6).round() as i64);
        let found = greenwich_sidereal_time_deg(utc);
        assert!((found - gmst).abs() < TOLERANCE_DEG, "{found} for {gmst}");
        let site = Site {
            latitude_deg: latitude,
            longitude_deg: longitude,
        };
        let [east, north, up] = site
            .horizon_from_j2000(utc)
            .map(|row| (0..3).map(|i| row[i] * equatorial(ra, dec)[i]).sum::<f64>());
        let found = (
            up.asin().to_degrees(),
            east.atan2(north).to_degrees().rem_euclid(360.0),
        );
        assert!(
            (found.0 - altitude).abs() < TOLERANCE_DEG,
            "{found:?} for {altitude}"
        );
        assert!(
            (found.1 - azimuth).abs() < TOLERANCE_DEG,
            "{found:?} for {azimuth}"
        );
        n += 1;
    }
    assert_eq!(n, 6);
}

#[test]
fn sidereal_time_is_that_of_the_textbook() {
    // Source: Meeus, Astronomical Algorithms, examples 12.a and 12.b (from memory):
    // 13h10m46.3668s and 8h34m57.0896s.
    const TOLERANCE_DEG: f64 = 1e-6;
    for (utc, want_h) in [
        (
            date(1987, 4, 10).at(0, 0, 0, 0),
            13.0 + 10.0 / 60.0 + 46.3668 / 3600.0,
        ),
        (
            date(1987, 4, 10).at(19, 21, 0, 0),
            8.0 + 34.0 / 60.0 + 57.0896 / 3600.0,
        ),
    ] {
        let found = greenwich_sidereal_time_deg(utc);
        assert!((found - 15.0 * want_h).abs() < TOLERANCE_DEG, "{found}");
    }
}

const STANDARD: Refraction = Refraction {
    pressure_hpa: 1010.0,
    temperature_c: 10.0,
};

#[test]
fn refraction_is_bennetts() {
    // Source: Bennett (1982), formula evaluated independently in Python; arcmin.
    const TOLERANCE_ARCMIN: f64 = 5e-4; // the stated digits
    for (altitude_deg, want) in [
        (0.0, 34.478),
        (1.0, 24.329),
        (5.0, 9.883),
        (10.0, 5.392),
        (20.0, 2.703),
        (30.0, 1.717),
        (45.0, 0.9948),
        (75.0, 0.2662),
    ] {
        let found = 60.0 * STANDARD.lift_deg(altitude_deg);
        assert!(
            (found - want).abs() < TOLERANCE_ARCMIN,
            "{found} for {want}"
        );
    }
}

#[test]
fn a_refracted_star_stands_where_its_apparent_altitude_says() {
    const TOLERANCE_DEG: f64 = 2e-7;
    let zenith = [0.0, 0.0, 1.0];
    for true_deg in [-0.3f64, 0.0, 2.0, 15.0, 60.0, 89.9] {
        let (sine, cosine) = true_deg.to_radians().sin_cos();
        let seen = STANDARD.apparent([cosine * 0.6, cosine * 0.8, sine], zenith);
        let length: f64 = seen.iter().map(|part| part * part).sum();
        assert!((length - 1.0).abs() < 1e-12);
        let apparent_deg = seen[2].asin().to_degrees();
        let want_deg = true_deg + STANDARD.lift_deg(apparent_deg);
        assert!(
            (apparent_deg - want_deg).abs() < TOLERANCE_DEG,
            "{apparent_deg} for {want_deg}"
        );
        // Straight up: the azimuth stays.
        assert!((seen[1] * 0.6 - seen[0] * 0.8).abs() < 1e-12);
    }
    let straight_up = STANDARD.apparent(zenith, zenith);
    assert_eq!(straight_up, zenith);
}

#[test]
fn air_dims_by_its_mass() {
    // Source: Kasten & Young (1989), Table I: 5.6 at 10°, 2.0 at 30° (from memory: 5.586,
    // 1.994), 37.92 at the horizon; 1 at the zenith by definition.
    for (altitude_deg, want, tolerance) in [
        (90.0, 1.0, 1e-3),
        (30.0, 1.994, 1e-3),
        (10.0, 5.586, 5e-3),
        (0.0, 37.92, 0.01),
    ] {
        let found = airmass(altitude_deg);
        assert!((found - want).abs() < tolerance, "{found} for {want}");
    }
    let air = Air {
        extinction_mag: [0.1, 0.2, 0.3],
        refraction: None,
    };
    let [_, green, _] = air.transmission(30.0);
    let want = 10f64.powf(-0.4 * 0.2 * airmass(30.0));
    assert!((green - want).abs() < 1e-12);
    // The glow has a ratio of 1 at the zenith, and more below.
    for ratio in air.glow(90.0) {
        assert!((ratio - 1.0).abs() < 1e-12);
    }
    // X = (1 - 0.96 cos² 30°)^-1/2 = 1.8898; k (X - 1) = 0.1780 mag (worked by hand).
    let [_, green, _] = air.glow(30.0);
    assert!(
        (green - 1.8898 * 10f64.powf(-0.4 * 0.177_96)).abs() < 1e-3,
        "{green}"
    );
}

#[test]
fn fainter_stars_go_on_where_the_catalogue_ends_and_stay_where_they_are() {
    let mut scene = scene_of("Alnilam", lens(Mapping::Rectilinear, [0.0; 3]), 1200, 900);
    scene.sky.stars = Stars::Catalog(10.0);
    let simulator = Simulator::new(&scene).expect("a sound scene");
    let count = |from: f64, to: f64| {
        let stars = simulator.stars().iter();
        stars
            .filter(|star| (from..to).contains(&star.magnitude))
            .count() as f64
    };
    // 10^(0.46 x 2.5) = 14.1 times as many to 10 as to 7.5, of which one part is catalogued;
    // Orion has more bright stars than the mean of the sky.
    let ratio = count(7.5, 10.0) / count(-2.0, 7.5);
    assert!((7.0..16.0).contains(&ratio), "{ratio}");
    // A camera that looks elsewhere sees the same stars where both look.
    let mut other = scene.clone();
    other.seed += 5;
    let pointing = Pointing {
        azimuth_deg: scene.pointing.azimuth_deg + 9.0,
        ..scene.pointing
    };
    other.look(scene.site, pointing);
    let other = Simulator::new(&other).expect("a sound scene");
    let in_j2000 = |simulator: &Simulator| -> Vec<[f64; 3]> {
        let axes = simulator.sky_axes();
        let stars = simulator.stars().iter();
        let close = stars.filter(|star| star.magnitude > 7.5 && star.direction[2] > 0.97);
        close
            .map(|star| axes.map(|row| (0..3).map(|i| row[i] * star.direction[i]).sum()))
            .collect()
    };
    let (here, there) = (in_j2000(&simulator), in_j2000(&other));
    let shared = here
        .iter()
        .filter(|&&a| there.iter().any(|&b| angle_deg(a, b) < 1e-7))
        .count();
    assert!(
        here.len() > 500 && shared > here.len() / 3,
        "{shared} of {}",
        here.len()
    );
}
