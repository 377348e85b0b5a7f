//! Where the Moon is and how much of it is lit, to a third of a degree.

use crate::calendar::JulianDate;
use crate::horizon::{Horizontal, Observer};
use crate::sun::{Equatorial, sun_longitude_deg};

/// The Moon at a moment, as seen from the middle of the Earth.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Moon {
    /// Where it is.
    pub place: Equatorial,
    /// Its horizontal parallax, degrees.
    pub parallax_deg: f64,
    /// Angle at it between Sun and Earth, degrees: 0 when full, 180 when new.
    pub phase_angle_deg: f64,
}

impl Moon {
    /// Share of its disk that is lit, 0 to 1. Meeus (1998), eq. 48.1.
    pub fn lit(&self) -> f64 {
        0.5 * (1.0 + self.phase_angle_deg.to_radians().cos())
    }

    /// Where it stands for an observer: lower by the parallax than from the Earth's middle.
    pub fn horizontal(&self, observer: &Observer, when: JulianDate) -> Horizontal {
        let from_middle = observer.horizontal(self.place, when);
        let lower = self.parallax_deg * from_middle.altitude_deg.to_radians().cos();
        Horizontal {
            altitude_deg: from_middle.altitude_deg - lower,
            ..from_middle
        }
    }
}

/// Terms `[factor, phase, rate per century]`, degrees.
type Terms<const N: usize> = [[f64; 3]; N];

const LONGITUDE: Terms<6> = [
    [6.29, 135.0, 477_198.87],
    [-1.27, 259.3, -413_335.36],
    [0.66, 235.7, 890_534.22],
    [0.21, 269.9, 954_397.74],
    [-0.19, 357.5, 35_999.05],
    [-0.11, 186.5, 966_404.03],
];

const LATITUDE: Terms<4> = [
    [5.13, 93.3, 483_202.02],
    [0.28, 228.2, 960_400.89],
    [-0.28, 318.3, 6_003.15],
    [-0.17, 217.6, -407_332.21],
];

/// Of cosines.
const PARALLAX: Terms<4> = [
    [0.0518, 135.0, 477_198.87],
    [0.0095, 259.3, -413_335.36],
    [0.0078, 235.7, 890_534.22],
    [0.0028, 269.9, 954_397.74],
];

/// The Moon at a moment. The low-precision formulas of the Astronomical Almanac (page D22),
/// from memory: 0.3° in longitude, 0.2° in latitude.
pub fn moon(when: JulianDate) -> Moon {
    let t = when.centuries_since_2000();
    let angle = |[_, phase, rate]: &[f64; 3]| (phase + rate * t).to_radians();
    let sines =
        |terms: &[[f64; 3]]| -> f64 { terms.iter().map(|term| term[0] * angle(term).sin()).sum() };
    let cosines: f64 = PARALLAX
        .iter()
        .map(|term| term[0] * angle(term).cos())
        .sum();
    let longitude_deg = 218.32 + 481_267.881 * t + sines(&LONGITUDE);
    let latitude_deg = sines(&LATITUDE);
    let from_sun = (longitude_deg - sun_longitude_deg(when)).to_radians();
    let elongation = (latitude_deg.to_radians().cos() * from_sun.cos())
        .clamp(-1.0, 1.0)
        .acos();
    Moon {
        place: Equatorial::of_ecliptic(longitude_deg, latitude_deg, when),
        parallax_deg: 0.9508 + cosines,
        // The Sun is 400 times as far: its rays are parallel to 0.15°.
        phase_angle_deg: 180.0 - elongation.to_degrees(),
    }
}
