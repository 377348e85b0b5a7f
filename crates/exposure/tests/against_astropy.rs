//! Drift, Sun, Moon and twilight against astropy (`fixtures/exposure_checks`).

use exposure::{
    Camera, Darkness, Field, JulianDate, MoonIs, Night, Observer, Place, Pointing, Projection, moon,
};
use std::collections::BTreeMap;

const DRIFT: &str = include_str!("../../../fixtures/exposure_checks/drift.csv");
const BODIES: &str = include_str!("../../../fixtures/exposure_checks/bodies.csv");
const TWILIGHT: &str = include_str!("../../../fixtures/exposure_checks/twilight.csv");

fn rows(csv: &str) -> impl Iterator<Item = Vec<&str>> {
    csv.lines().skip(1).map(|line| line.split(',').collect())
}

fn number(text: &str) -> f64 {
    text.parse()
        .unwrap_or_else(|error| panic!("'{text}': {error}"))
}

fn projection(name: &str) -> Projection {
    let all = [
        Projection::Rectilinear,
        Projection::Stereographic,
        Projection::Equidistant,
        Projection::Equisolid,
    ];
    let found = all.into_iter().find(|projection| projection.name() == name);
    found.unwrap_or_else(|| panic!("no projection is called {name}"))
}

/// Annual aberration moves the pole by up to 20.5 arcsec, 1e-4 rad, and the lens draws that
/// up to three times as large in its corners.
const DRIFT_RELATIVE: f64 = 3e-4;

/// Digits of the table, and turns of the Earth's axis within the exposure.
const DRIFT_PX: f64 = 1e-3;

#[test]
fn drift_is_astropys_turn_and_projection() {
    let mut checked = 0;
    for row in rows(DRIFT) {
        let n: Vec<f64> = row[1..].iter().map(|text| number(text)).collect();
        let camera = Camera {
            width_px: n[0] as u32,
            height_px: n[1] as u32,
            pitch_um: n[2],
            focal_length_mm: n[3],
            aperture: 2.0,
            projection: projection(row[0]),
        };
        let pointing = Pointing::Horizon {
            azimuth_deg: n[4],
            altitude_deg: n[5],
            latitude_deg: n[6],
        };
        let place = Place { x: n[8], y: n[9] };
        let found = Field::new(camera, pointing).drift_px(place, n[7]);
        let tolerance = DRIFT_PX + DRIFT_RELATIVE * n[10];
        assert!((found - n[10]).abs() < tolerance, "{found} for {row:?}");
        checked += 1;
    }
    assert!(checked > 300, "{checked} places");
}

/// Meeus' low accuracy: 0.01°; nutation in the sidereal time, 17 arcsec; and UT1 for UTC.
const SUN_DEG: f64 = 0.02;

/// The Almanac's formulas: 0.3° in longitude and 0.2° in latitude.
const MOON_DEG: f64 = 0.36;

#[test]
fn sun_and_moon_stand_where_astropy_has_them() {
    let (mut sun_off, mut moon_off) = (0.0_f64, 0.0_f64);
    for row in rows(BODIES) {
        let n: Vec<f64> = row.iter().map(|text| number(text)).collect();
        let observer = Observer {
            latitude_deg: n[0],
            longitude_deg: n[1],
        };
        let when = JulianDate::from_unix_s(n[2]);
        let night = Night::new(observer, when);
        sun_off = sun_off.max((night.sun_altitude_deg(when) - n[3]).abs());
        moon_off = moon_off.max((night.moon_at(when).altitude_deg - n[4]).abs());
        // 0.36° of elongation change the share by at most half of them in radians.
        let lit = moon(when).lit();
        assert!((lit - n[5]).abs() < 0.0035, "{lit} for {row:?}");
    }
    assert!(sun_off < SUN_DEG, "{sun_off}");
    assert!(moon_off < MOON_DEG, "{moon_off}");
}

/// Seconds that an altitude error shifts a crossing by: the slope of the altitude, which the
/// Sun has at these places and dates, is never below 0.03° a minute where it crosses.
const SUN_S: f64 = 40.0;

/// 0.36° at the least slope of the Moon's altitude in the table, 0.1° a minute.
const MOON_S: f64 = 220.0;

#[test]
fn twilight_and_moonrise_are_astropys() {
    let mut by_night: BTreeMap<[String; 5], Vec<f64>> = BTreeMap::new();
    for row in rows(TWILIGHT) {
        let key = std::array::from_fn(|i| row[i].to_owned());
        let times = by_night.entry(key).or_default();
        times.extend((!row[5].is_empty()).then(|| number(row[5])));
    }
    let (mut never, mut sun_off, mut moon_off) = (0, 0.0_f64, 0.0_f64);
    for ([latitude, longitude, date, what, altitude], want) in &by_night {
        let observer = Observer {
            latitude_deg: number(latitude),
            longitude_deg: number(longitude),
        };
        let night = Night::new(observer, midday(date));
        let found: Vec<f64> = if what == "moon" {
            let changes = night.moon_changes();
            assert!(changes.windows(2).all(|pair| pair[0].1 != pair[1].1));
            changes.iter().map(|(when, _)| when.unix_s()).collect()
        } else {
            let darkness = match altitude.as_str() {
                "-0.833" => night.sun_down(),
                degrees => night.sun_below(-number(degrees)),
            };
            assert!(
                !matches!(darkness, Darkness::Always(_)),
                "{date} {latitude}"
            );
            let span = darkness.span();
            never += usize::from(span.is_none());
            let ends = span.map(|span| [span.from, span.until].map(JulianDate::unix_s));
            ends.into_iter().flatten().collect()
        };
        assert_eq!(
            found.len(),
            want.len(),
            "{latitude} {date} {what} {altitude}"
        );
        for (found, want) in found.iter().zip(want) {
            let off = (found - want).abs();
            let worst = match what.as_str() {
                "moon" => &mut moon_off,
                _ => &mut sun_off,
            };
            *worst = worst.max(off);
        }
    }
    assert!(never >= 3, "{never} twilights that do not end");
    assert!(sun_off < SUN_S, "{sun_off} s");
    assert!(moon_off < MOON_S, "{moon_off} s");
}

/// 12h UTC of a date such as 2024-01-14, by the days of the months.
fn midday(date: &str) -> JulianDate {
    let n: Vec<f64> = date.split('-').map(number).collect();
    let (year, month, day) = (n[0], n[1] as usize, n[2]);
    let leap = usize::from(year % 4.0 == 0.0);
    let before = [
        0,
        31,
        59 + leap,
        90 + leap,
        120 + leap,
        151 + leap,
        181 + leap,
        212 + leap,
    ];
    let before = before
        .into_iter()
        .chain([243 + leap, 273 + leap, 304 + leap, 334 + leap]);
    let of_year = before.collect::<Vec<_>>()[month - 1] as f64 + day - 1.0;
    // 2023-01-01 was 19358 days after 1970-01-01.
    let days = 19_358.0 + 365.0 * (year - 2023.0) + of_year;
    JulianDate::from_unix_s(86_400.0 * (days + 0.5))
}

#[test]
fn the_moon_is_down_in_what_is_called_moonless() {
    let observer = Observer {
        latitude_deg: 47.0,
        longitude_deg: 11.0,
    };
    let night = Night::new(observer, midday("2024-01-14"));
    let dark = night.sun_below(18.0).span().expect("a dark night");
    let parts = night.moonless(dark);
    let last = parts.last().expect("the young Moon sets early");
    assert_eq!(last.until, dark.until);
    let set = night
        .moon_changes()
        .into_iter()
        .find(|(_, is)| *is == MoonIs::Down);
    let (set, _) = set.expect("it sets");
    assert!((last.from.seconds_since(set)).abs() < 1.0);
    assert!(night.moon_at(last.from.plus_s(600.0)).altitude_deg < 0.0);
}
