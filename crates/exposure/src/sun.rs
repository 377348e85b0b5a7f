//! Where the Sun is, to a hundredth of a degree.

use crate::calendar::JulianDate;

/// A place on the sky, of date.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Equatorial {
    /// Degrees, 0 to 360.
    pub right_ascension_deg: f64,
    /// Degrees.
    pub declination_deg: f64,
}

impl Equatorial {
    /// Of a place on the ecliptic of date.
    pub(crate) fn of_ecliptic(longitude_deg: f64, latitude_deg: f64, when: JulianDate) -> Self {
        let (sin_lon, cos_lon) = longitude_deg.to_radians().sin_cos();
        let (sin_lat, cos_lat) = latitude_deg.to_radians().sin_cos();
        let obliquity_deg = 23.439_291 - 0.013_004_2 * when.centuries_since_2000();
        let (sin_eps, cos_eps) = obliquity_deg.to_radians().sin_cos();
        let x = cos_lat * cos_lon;
        let y = cos_lat * sin_lon * cos_eps - sin_lat * sin_eps;
        let z = cos_lat * sin_lon * sin_eps + sin_lat * cos_eps;
        Self {
            right_ascension_deg: y.atan2(x).to_degrees().rem_euclid(360.0),
            declination_deg: z.clamp(-1.0, 1.0).asin().to_degrees(),
        }
    }
}

/// Apparent longitude of the Sun, degrees. Meeus, Astronomical Algorithms (1998), ch. 25,
/// low accuracy, from memory: 0.01°.
pub(crate) fn sun_longitude_deg(when: JulianDate) -> f64 {
    let t = when.centuries_since_2000();
    let mean_longitude = 280.466_46 + t * (36_000.769_83 + 0.000_303_2 * t);
    let anomaly = (357.529_11 + t * (35_999.050_29 - 0.000_153_7 * t)).to_radians();
    let center = (1.914_602 - t * (0.004_817 + 0.000_014 * t)) * anomaly.sin()
        + (0.019_993 - 0.000_101 * t) * (2.0 * anomaly).sin()
        + 0.000_289 * (3.0 * anomaly).sin();
    let node = (125.04 - 1934.136 * t).to_radians();
    mean_longitude + center - 0.005_69 - 0.004_78 * node.sin()
}

/// Where the Sun is.
pub fn sun(when: JulianDate) -> Equatorial {
    Equatorial::of_ecliptic(sun_longitude_deg(when), 0.0, when)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Meeus (1998), example 25.a, from memory: 1992-10-13 0h, right ascension 13h13m31.4s
    /// (198.38083°), declination -7.78507°.
    #[test]
    fn the_sun_is_where_meeus_has_it() {
        let found = sun(JulianDate::from_days(2_448_908.5));
        assert!(
            (found.right_ascension_deg - 198.380_83).abs() < 5e-4,
            "{found:?}"
        );
        assert!((found.declination_deg + 7.785_07).abs() < 5e-4, "{found:?}");
    }
}
