//! From the stars' coordinates to the camera's axes: date, site and pointing.
//!
//! The stars stand on the mean equator of date: precession is applied; nutation (under
//! 18 arcsec), aberration (under 21 arcsec) and parallax are neglected. UTC is taken as UT1.

use crate::rotation::{self, Matrix};
use jiff::civil::{DateTime, date};

/// A place on Earth.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Site {
    /// Latitude, degrees, north positive.
    pub latitude_deg: f64,
    /// Longitude, degrees, east positive.
    pub longitude_deg: f64,
}

/// Where a camera looks.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Pointing {
    /// Altitude of the optical axis, degrees.
    pub altitude_deg: f64,
    /// Azimuth of the optical axis, degrees from north by east.
    pub azimuth_deg: f64,
    /// Turn about the optical axis, degrees: at 90 the right side of the camera is down.
    pub roll_deg: f64,
}

/// RA and declination of the north galactic pole, degrees, J2000.
///
/// Source: the IAU 1958 pole (Blaauw et al. 1960) brought to J2000 (from memory).
pub const GALACTIC_POLE_DEG: (f64, f64) = (192.859_48, 27.128_25);

const DAYS_PER_CENTURY: f64 = 36_525.0;

impl Pointing {
    /// From east, north, up to the camera's right, down, ahead.
    pub fn from_horizon(&self) -> Matrix {
        let (sin_alt, cos_alt) = sin_cos_deg(self.altitude_deg);
        let (sin_az, cos_az) = sin_cos_deg(self.azimuth_deg);
        let (sin_roll, cos_roll) = sin_cos_deg(self.roll_deg);
        let ahead = [cos_alt * sin_az, cos_alt * cos_az, sin_alt];
        let level = [cos_az, -sin_az, 0.0];
        let plumb = rotation::cross(ahead, level);
        let mix = |a: f64, b: f64| [0, 1, 2].map(|i| a * level[i] + b * plumb[i]);
        [mix(cos_roll, sin_roll), mix(-sin_roll, cos_roll), ahead]
    }

    /// The direction straight up, in the camera's axes.
    pub fn zenith(&self) -> [f64; 3] {
        rotation::apply(&self.from_horizon(), [0.0, 0.0, 1.0])
    }

    /// The south celestial pole, in the camera's axes: the axis of a tripod's sky.
    pub fn south_pole(&self, site: &Site) -> [f64; 3] {
        let (sin_lat, cos_lat) = sin_cos_deg(site.latitude_deg);
        rotation::apply(&self.from_horizon(), [0.0, -cos_lat, -sin_lat])
    }
}

impl Site {
    /// From directions of J2000 to east, north, up at `utc`.
    pub fn horizon_from_j2000(&self, utc: DateTime) -> Matrix {
        let sidereal_deg = greenwich_sidereal_time_deg(utc) + self.longitude_deg;
        let (sin_st, cos_st) = sin_cos_deg(sidereal_deg);
        let (sin_lat, cos_lat) = sin_cos_deg(self.latitude_deg);
        let from_equator = [
            [-sin_st, cos_st, 0.0],
            [-sin_lat * cos_st, -sin_lat * sin_st, cos_lat],
            [cos_lat * cos_st, cos_lat * sin_st, sin_lat],
        ];
        rotation::multiply(&from_equator, &precession(utc))
    }
}

/// The direction of right ascension and declination, degrees, in their own axes.
pub fn equatorial(ra_deg: f64, dec_deg: f64) -> [f64; 3] {
    let (sin_ra, cos_ra) = sin_cos_deg(ra_deg);
    let (sin_dec, cos_dec) = sin_cos_deg(dec_deg);
    [cos_dec * cos_ra, cos_dec * sin_ra, sin_dec]
}

/// Greenwich mean sidereal time, degrees, 0 to 360.
///
/// Source: Meeus, Astronomical Algorithms, 2nd ed., eq. 12.4, the IAU 1982 model (from memory).
pub fn greenwich_sidereal_time_deg(utc: DateTime) -> f64 {
    let days = days_since_j2000(utc);
    let t = days / DAYS_PER_CENTURY;
    let angle_deg = 280.460_618_37 + 360.985_647_366_29 * days + 0.000_387_933 * t * t
        - t * t * t / 38_710_000.0;
    angle_deg.rem_euclid(360.0)
}

/// Julian years since J2000.
pub(crate) fn years_since_j2000(utc: DateTime) -> f64 {
    days_since_j2000(utc) / 365.25
}

fn days_since_j2000(utc: DateTime) -> f64 {
    utc.duration_since(date(2000, 1, 1).at(12, 0, 0, 0))
        .as_secs_f64()
        / 86_400.0
}

/// From the mean equator of J2000 to that of date.
///
/// Source: Meeus, eq. 21.3, the IAU 1976 model of Lieske (from memory).
fn precession(utc: DateTime) -> Matrix {
    let t = days_since_j2000(utc) / DAYS_PER_CENTURY;
    let angle = |a: f64, b: f64, c: f64| ((a + (b + c * t) * t) * t / 3600.0).to_radians();
    let zeta = angle(2306.2181, 0.301_88, 0.017_998);
    let z = angle(2306.2181, 1.094_68, 0.018_203);
    let theta = angle(2004.3109, -0.426_65, -0.041_833);
    let first = rotation::rotation_about([0.0, 0.0, 1.0], zeta);
    let second = rotation::rotation_about([0.0, 1.0, 0.0], -theta);
    let third = rotation::rotation_about([0.0, 0.0, 1.0], z);
    rotation::multiply(&third, &rotation::multiply(&second, &first))
}

pub(crate) fn sin_cos_deg(angle_deg: f64) -> (f64, f64) {
    let angle = angle_deg.to_radians();
    (libm::sin(angle), libm::cos(angle))
}
