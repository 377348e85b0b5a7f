//! The air: it bends starlight, dims it, and glows more towards the horizon.

use crate::rotation::dot;
use crate::sky::magnitude_ratio;

/// Clear air.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Air {
    /// Loss towards the zenith in R, G, B, mag.
    pub extinction_mag: [f64; 3],
    /// Whether and how it bends light.
    pub refraction: Option<Refraction>,
}

/// The state of air that bends light.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Refraction {
    /// Pressure, hPa.
    pub pressure_hpa: f64,
    /// Temperature, °C.
    pub temperature_c: f64,
}

impl Refraction {
    /// How much higher a body stands than without air, degrees; by its *apparent* altitude.
    ///
    /// Source: Bennett (1982), J. Navigation 35, 255: `cot(h + 7.31 / (h + 4.4))` arcmin at
    /// 1010 hPa and 10 °C, scaled by `P / 1010 x 283 / (273 + T)`.
    pub fn lift_deg(&self, apparent_altitude_deg: f64) -> f64 {
        let h = apparent_altitude_deg;
        let arcmin = 1.0 / libm::tan((h + 7.31 / (h + 4.4)).to_radians());
        arcmin / 60.0 * self.pressure_hpa / 1010.0 * 283.0 / (273.0 + self.temperature_c)
    }

    /// The apparent direction of a true one. Bodies lower than -1° are lifted as
    /// those at it.
    pub fn apparent(&self, direction: [f64; 3], zenith: [f64; 3]) -> [f64; 3] {
        let sine = dot(direction, zenith).clamp(-1.0, 1.0);
        let altitude_deg = libm::asin(sine).to_degrees();
        let start_deg = altitude_deg.max(LOWEST_DEG);
        // Each round gains two digits high up, and one at the horizon, where the lift changes
        // fastest with altitude.
        let mut lift_deg = 0.0;
        for _ in 0..MOST_ROUNDS {
            let before = lift_deg;
            lift_deg = self.lift_deg(start_deg + lift_deg);
            if (lift_deg - before).abs() < LIFT_ERROR_DEG {
                break;
            }
        }
        let cosine = (1.0 - sine * sine).sqrt();
        if cosine == 0.0 {
            return direction;
        }
        // In the plane of the direction and the zenith, by the lift towards the zenith.
        let (sin_lift, cos_lift) = crate::horizon::sin_cos_deg(lift_deg);
        let along = cos_lift - sin_lift * sine / cosine;
        let up = sin_lift / cosine;
        [0, 1, 2].map(|i| along * direction[i] + up * zenith[i])
    }
}

/// Below this altitude refraction is no longer followed, degrees.
const LOWEST_DEG: f64 = -1.0;
const MOST_ROUNDS: usize = 10;
/// What is left of the lift's error, degrees: 0.0004 arcsec.
const LIFT_ERROR_DEG: f64 = 1e-7;

impl Air {
    /// Share of starlight that arrives in R, G and B from an altitude.
    pub fn transmission(&self, altitude_deg: f64) -> [f64; 3] {
        let airmass = airmass(altitude_deg);
        self.extinction_mag
            .map(|loss| magnitude_ratio(loss * airmass))
    }

    /// Glow of the air over that at the zenith, in R, G and B.
    ///
    /// Source: Krisciunas & Schaefer (1991), PASP 103, 1033, eq. 2 and 3 (from memory): a layer
    /// seen obliquely, `X = (1 - 0.96 cos² h)^-1/2`, behind air that takes `k (X - 1)` mag.
    pub fn glow(&self, altitude_deg: f64) -> [f64; 3] {
        let (_, cos_alt) = crate::horizon::sin_cos_deg(altitude_deg.max(0.0));
        let layer = 1.0 / (1.0 - 0.96 * cos_alt * cos_alt).sqrt();
        self.extinction_mag
            .map(|loss| layer * magnitude_ratio(loss * (layer - 1.0)))
    }
}

/// Air on the way over that towards the zenith; below the horizon as at it.
///
/// Source: Kasten & Young (1989), Applied Optics 28, 4735 (from memory).
pub fn airmass(altitude_deg: f64) -> f64 {
    let h = altitude_deg.max(0.0);
    let (sin_alt, _) = crate::horizon::sin_cos_deg(h);
    1.0 / (sin_alt + 0.505_72 * libm::exp(-1.636_4 * libm::log(h + 6.079_95)))
}
