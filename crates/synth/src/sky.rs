//! The stars, and how much of their light a camera gets.

use crate::random::{Purpose, stream};
use crate::rotation::{cross, dot};
use crate::{Lens, Sensor};
use rand::Rng;
use rand_distr::{Distribution, StandardNormal};

/// The sky without its weather.
#[derive(Clone, Debug, PartialEq)]
pub struct Sky {
    /// The stars that are drawn one by one.
    pub stars: Stars,
    /// The light between them.
    pub glow: crate::Glow,
    /// A band of stars too faint to be drawn one by one.
    pub band: Option<crate::Band>,
}

/// Where the stars come from.
#[derive(Clone, Debug, PartialEq)]
pub enum Stars {
    /// Invented ones that follow [`CountLaw`].
    Counted(CountLaw),
    /// These.
    Listed(Vec<Star>),
}

/// Stars drawn at random so that `log10 N(<m) = 0.46 m - 3.68` per square degree.
///
/// Source: a line through the mean counts over the whole sky, 5,000 stars to magnitude
/// 6 and 340,000 to magnitude 10 (from memory). Real counts flatten to fainter stars.
/// Colors B-V are normal, 0.75 ± 0.40 cut to -0.3 .. 2.0 (invented).
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct CountLaw {
    /// Magnitude of the brightest star that may be drawn.
    pub brightest_mag: f64,
    /// Magnitude of the faintest.
    pub faintest_mag: f64,
    /// Stars over the number of the law.
    pub density: f64,
}

/// Slope of the count law, per magnitude.
pub const COUNT_SLOPE: f64 = 0.46;
/// `log10` of the stars brighter than magnitude 0 in a square degree.
pub const COUNT_ZERO: f64 = -3.68;

/// A star.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Star {
    /// Direction in the axes of the reference light's camera at mid-exposure; of length 1.
    pub direction: [f64; 3],
    /// Visual magnitude.
    pub magnitude: f64,
    /// Color index B-V, mag.
    pub color_bv: f64,
}

/// Photons of a star of magnitude 0 above the atmosphere, per s, cm² and Å.
///
/// Source: Bessell (1979), PASP 91, 589, for V (from memory), rounded as usual.
pub const PHOTONS_MAG_0: f64 = 1000.0;
/// Width of the visual band, Å.
pub const BAND_WIDTH_ANGSTROM: f64 = 890.0;
/// Color index B-V of a star that a daylight balance shows as white, that of the Sun.
pub const WHITE_BV: f64 = 0.65;

impl Star {
    /// Electrons per second in R, G and B at the center of the field.
    ///
    /// Red and blue follow the color by `V-R = 0.56 (B-V)` about 0.65, that of the Sun (linear
    /// relation for main-sequence stars, from memory), so that a star of that color has
    /// the ratios of [`Sensor::efficiency`].
    pub fn electrons_per_s(&self, lens: &Lens, sensor: &Sensor) -> [f64; 3] {
        let photons = PHOTONS_MAG_0
            * BAND_WIDTH_ANGSTROM
            * lens.pupil_area_cm2()
            * magnitude_ratio(self.magnitude);
        let redder_mag = self.color_bv - WHITE_BV;
        let ratios = [
            magnitude_ratio(-0.56 * redder_mag),
            1.0,
            magnitude_ratio(redder_mag),
        ];
        [0, 1, 2].map(|channel| photons * ratios[channel] * sensor.efficiency[channel])
    }
}

/// Electrons per second in a pixel that looks at an even sky, at unit efficiency.
///
/// `photons x bandwidth x 10^(-0.4 mu) x pi/4 (pitch / f-number)^2 x 206264.8^2`; the
/// focal length cancels. `mag_arcsec2` is the brightness in mag/arcsec².
pub fn surface_electrons_per_s(mag_arcsec2: f64, lens: &Lens, sensor: &Sensor) -> f64 {
    let pitch_cm = sensor.pitch_um * 1e-4;
    let arcsec_per_rad = 3600.0 * 1.0f64.to_degrees();
    PHOTONS_MAG_0
        * BAND_WIDTH_ANGSTROM
        * magnitude_ratio(mag_arcsec2)
        * std::f64::consts::FRAC_PI_4
        * (pitch_cm / lens.f_number * arcsec_per_rad).powi(2)
}

/// `10^(-0.4 m)`: light of magnitude `m` over that of magnitude 0.
pub fn magnitude_ratio(magnitude: f64) -> f64 {
    libm::pow(10.0, -0.4 * magnitude)
}

impl CountLaw {
    /// The stars within `half_angle_rad` of `axis`. `crowding` (0 to `crowding_max`)
    /// multiplies the density at a direction.
    pub(crate) fn draw(
        &self,
        seed: u64,
        axis: [f64; 3],
        half_angle_rad: f64,
        crowding_max: f64,
        crowding: impl Fn([f64; 3]) -> f64,
    ) -> Vec<Star> {
        let cos_edge = libm::cos(half_angle_rad);
        let area_deg2 = std::f64::consts::TAU * (1.0 - cos_edge) * 1.0f64.to_degrees().powi(2);
        let per_deg2 = libm::pow(10.0, COUNT_ZERO + COUNT_SLOPE * self.faintest_mag);
        let n = (per_deg2 * area_deg2 * self.density * crowding_max).round() as usize;
        let (right, down) = across(axis);
        let mut rng = stream(seed, Purpose::Stars, 0, 0);
        let mut stars = Vec::new();
        for _ in 0..n {
            let z = 1.0 - rng.random::<f64>() * (1.0 - cos_edge);
            let turn = std::f64::consts::TAU * rng.random::<f64>();
            // 1 - u lies in (0, 1], so that the logarithm is finite.
            let rank = 1.0 - rng.random::<f64>();
            let normal: f64 = StandardNormal.sample(&mut rng);
            let keep = rng.random::<f64>() * crowding_max;
            let sine = (1.0 - z * z).max(0.0).sqrt();
            let (x, y) = (sine * libm::cos(turn), sine * libm::sin(turn));
            let direction = [0, 1, 2].map(|i| x * right[i] + y * down[i] + z * axis[i]);
            let magnitude = self.faintest_mag + libm::log10(rank) / COUNT_SLOPE;
            if magnitude >= self.brightest_mag && keep < crowding(direction) {
                stars.push(Star {
                    direction,
                    magnitude,
                    color_bv: (0.75 + 0.40 * normal).clamp(-0.3, 2.0),
                });
            }
        }
        stars
    }
}

/// Two directions across `axis` and across each other.
fn across(axis: [f64; 3]) -> ([f64; 3], [f64; 3]) {
    let start = if axis[0].abs() < 0.9 {
        [1.0, 0.0, 0.0]
    } else {
        [0.0, 1.0, 0.0]
    };
    let along = dot(start, axis);
    let right = [0, 1, 2].map(|i| start[i] - along * axis[i]);
    let norm = dot(right, right).sqrt();
    let right = right.map(|component| component / norm);
    (right, cross(axis, right))
}
