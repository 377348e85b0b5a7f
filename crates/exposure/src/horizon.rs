//! From the sky's coordinates to an observer's horizon.

use crate::calendar::JulianDate;
use crate::sun::Equatorial;

/// A place on Earth.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Observer {
    /// North positive, degrees.
    pub latitude_deg: f64,
    /// East positive, degrees.
    pub longitude_deg: f64,
}

/// Where something stands, without refraction.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Horizontal {
    /// From north through east, degrees, 0 to 360.
    pub azimuth_deg: f64,
    /// Above the horizon, degrees.
    pub altitude_deg: f64,
}

/// Mean sidereal time at Greenwich, degrees, 0 to 360. Meeus, Astronomical Algorithms
/// (1998), eq. 12.4, from memory; its examples are reproduced.
pub fn mean_sidereal_deg(when: JulianDate) -> f64 {
    let days = when.days_since_2000();
    let centuries = when.centuries_since_2000();
    let turn = 280.460_618_37
        + 360.985_647_366_29 * days
        + centuries * centuries * (0.000_387_933 - centuries / 38_710_000.0);
    turn.rem_euclid(360.0)
}

impl Observer {
    /// Where something stands at a moment. Meeus (1998), eq. 13.5 and 13.6, from memory; its
    /// example is reproduced.
    pub fn horizontal(&self, place: Equatorial, when: JulianDate) -> Horizontal {
        let sidereal_deg = mean_sidereal_deg(when) + self.longitude_deg;
        self.at_sidereal_time(place, sidereal_deg)
    }

    pub(crate) fn at_sidereal_time(&self, place: Equatorial, sidereal_deg: f64) -> Horizontal {
        let (sin_hour, cos_hour) = (sidereal_deg - place.right_ascension_deg)
            .to_radians()
            .sin_cos();
        let (sin_dec, cos_dec) = place.declination_deg.to_radians().sin_cos();
        let (sin_lat, cos_lat) = self.latitude_deg.to_radians().sin_cos();
        let up = sin_lat * sin_dec + cos_lat * cos_dec * cos_hour;
        let north = cos_lat * sin_dec - sin_lat * cos_dec * cos_hour;
        let east = -cos_dec * sin_hour;
        Horizontal {
            azimuth_deg: east.atan2(north).to_degrees().rem_euclid(360.0),
            altitude_deg: up.clamp(-1.0, 1.0).asin().to_degrees(),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Meeus (1998), examples 12.a and 12.b, from memory, reproduced with ERFA's `gmst82`:
    /// 13h10m46.3668s and 8h34m57.0896s on 1987-04-10.
    #[test]
    fn sidereal_time_is_that_of_meeus() {
        let degrees = |h: f64, m: f64, s: f64| 15.0 * (h + m / 60.0 + s / 3600.0);
        for (hours, want) in [
            (0.0, degrees(13.0, 10.0, 46.3668)),
            (19.35, degrees(8.0, 34.0, 57.0896)),
        ] {
            let found = mean_sidereal_deg(JulianDate::from_days(2_446_895.5 + hours / 24.0));
            // A hundredth of a second of time.
            assert!((found - want).abs() < 4e-5, "{found} for {want}");
        }
    }

    /// Meeus (1998), example 13.b, from memory: Venus over Washington, from apparent sidereal
    /// time 8h34m56.853s: 15.1249° high, 68.0337° west of south.
    #[test]
    fn altitude_and_azimuth_are_those_of_meeus() {
        let washington = Observer {
            latitude_deg: 38.0 + 55.0 / 60.0 + 17.0 / 3600.0,
            longitude_deg: -(77.0 + 3.0 / 60.0 + 56.0 / 3600.0),
        };
        let venus = Equatorial {
            right_ascension_deg: 15.0 * (23.0 + 9.0 / 60.0 + 16.641 / 3600.0),
            declination_deg: -(6.0 + 43.0 / 60.0 + 11.61 / 3600.0),
        };
        let sidereal = 15.0 * (8.0 + 34.0 / 60.0 + 56.853 / 3600.0) + washington.longitude_deg;
        let found = washington.at_sidereal_time(venus, sidereal);
        assert!((found.altitude_deg - 15.1249).abs() < 1e-3, "{found:?}");
        assert!((found.azimuth_deg - 248.0337).abs() < 1e-3, "{found:?}");
    }
}
