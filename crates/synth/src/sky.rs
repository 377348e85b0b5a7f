//! The stars, and how much of their light a camera gets.

use crate::random::{Purpose, stream};
use crate::rotation::{cross, dot};
use crate::{Lens, Sensor};
use rand::Rng;
use rand_chacha::ChaCha8Rng;
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
    /// The air before all of it; `None` neither dims nor bends light.
    pub air: Option<crate::Air>,
}

/// Where the stars come from.
#[derive(Clone, Debug, PartialEq)]
pub enum Stars {
    /// Invented ones that follow [`CountLaw`].
    Counted(CountLaw),
    /// These.
    Listed(Vec<Star>),
    /// Those that stand over the scene's site at its time: the real ones as far as the
    /// [catalog](crate::catalog) goes, and beyond it invented ones by the count law, down
    /// to this magnitude.
    Catalog(f64),
}

/// Seed of what belongs to the real sky: the same in every scene.
pub(crate) const REAL_SKY_SEED: u64 = 41_253;

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

/// Effective wavelengths of the filters, µm (invented, as those of common sensors are).
const WAVELENGTHS_UM: [f64; 3] = [0.600, 0.530, 0.465];
/// Second radiation constant, µm K (CODATA 2018, from memory).
const RADIATION_UM_K: f64 = 14_387.769;

impl Star {
    /// Electrons per second in R, G and B at the center of the field, without air.
    ///
    /// The magnitude sets the green channel. Red and blue follow from the photons of a black
    /// body of the star's temperature over those of a star with B-V = 0.65, that of the Sun,
    /// so that such a star has the ratios of [`Sensor::efficiency`].
    pub fn electrons_per_s(&self, lens: &Lens, sensor: &Sensor) -> [f64; 3] {
        let photons = PHOTONS_MAG_0
            * BAND_WIDTH_ANGSTROM
            * lens.pupil_area_cm2()
            * magnitude_ratio(self.magnitude);
        let (own, white) = (temperature_k(self.color_bv), temperature_k(WHITE_BV));
        let ratio = |channel: usize| {
            let over_green = |temperature_k: f64| {
                photon_rate(WAVELENGTHS_UM[channel], temperature_k)
                    / photon_rate(WAVELENGTHS_UM[1], temperature_k)
            };
            over_green(own) / over_green(white)
        };
        [0, 1, 2].map(|channel| photons * ratio(channel) * sensor.efficiency[channel])
    }
}

/// Temperature of a star, K, from B-V (cut to -0.4 .. 3).
///
/// Source: Ballesteros (2012), EPL 97, 34008, eq. 14 (from memory).
pub fn temperature_k(color_bv: f64) -> f64 {
    let reduced = 0.92 * color_bv.clamp(-0.4, 3.0);
    4600.0 * (1.0 / (reduced + 1.7) + 1.0 / (reduced + 0.62))
}

/// Photons of a black body by Planck's law, in any unit.
fn photon_rate(wavelength_um: f64, temperature_k: f64) -> f64 {
    let exponent = RADIATION_UM_K / (wavelength_um * temperature_k);
    libm::pow(wavelength_um, -4.0) / libm::expm1(exponent)
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
    libm::exp(-0.4 * std::f64::consts::LN_10 * magnitude)
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
        let area_sr = std::f64::consts::TAU * (1.0 - cos_edge);
        let (right, down) = across(axis);
        let mut rng = stream(seed, Purpose::Stars, 0, 0);
        let place = |height: f64, turn: f64| {
            let z = 1.0 - height * (1.0 - cos_edge);
            let (x, y) = on_circle(z, std::f64::consts::TAU * turn);
            [0, 1, 2].map(|i| x * right[i] + y * down[i] + z * axis[i])
        };
        self.draw_area(&mut rng, area_sr, crowding_max, crowding, place)
    }

    /// The stars within `half_angle_rad` of `axis` of a sky that is the same whichever part
    /// of it is asked for: drawn cell by cell.
    pub(crate) fn draw_fixed(
        &self,
        seed: u64,
        axis: [f64; 3],
        half_angle_rad: f64,
        crowding_max: f64,
        crowding: impl Fn([f64; 3]) -> f64,
    ) -> Vec<Star> {
        const RINGS: usize = 36;
        const SECTORS: usize = 72;
        // The polar cells are the longest: 19 degrees.
        const CELL_REACH_RAD: f64 = 10.5 / 57.3;
        let cos_edge = libm::cos((half_angle_rad + CELL_REACH_RAD).min(std::f64::consts::PI));
        let area_sr = 2.0 * std::f64::consts::TAU / (RINGS * SECTORS) as f64;
        let mut stars = Vec::new();
        for cell in 0..RINGS * SECTORS {
            let (ring, sector) = ((cell / SECTORS) as f64, (cell % SECTORS) as f64);
            let place = |height: f64, turn: f64| {
                let z = 1.0 - 2.0 * (ring + height) / RINGS as f64;
                let turn = (sector + turn) / SECTORS as f64;
                let (x, y) = on_circle(z, std::f64::consts::TAU * turn);
                [x, y, z]
            };
            if dot(place(0.5, 0.5), axis) < cos_edge {
                continue;
            }
            let mut rng = stream(seed, Purpose::Fainter, cell, 0);
            stars.extend(self.draw_area(&mut rng, area_sr, crowding_max, &crowding, place));
        }
        stars
    }

    /// The stars of an area that `place` fills evenly from two numbers in 0 .. 1.
    fn draw_area(
        &self,
        rng: &mut ChaCha8Rng,
        area_sr: f64,
        crowding_max: f64,
        crowding: impl Fn([f64; 3]) -> f64,
        place: impl Fn(f64, f64) -> [f64; 3],
    ) -> Vec<Star> {
        let area_deg2 = area_sr * 1.0f64.to_degrees().powi(2);
        let per_deg2 = libm::pow(10.0, COUNT_ZERO + COUNT_SLOPE * self.faintest_mag);
        let n = (per_deg2 * area_deg2 * self.density * crowding_max).round() as usize;
        let mut stars = Vec::new();
        for _ in 0..n {
            let (height, turn) = (rng.random::<f64>(), rng.random::<f64>());
            // 1 - u lies in (0, 1], so that the logarithm is finite.
            let rank = 1.0 - rng.random::<f64>();
            let normal: f64 = StandardNormal.sample(rng);
            let keep = rng.random::<f64>() * crowding_max;
            let magnitude = self.faintest_mag + libm::log10(rank) / COUNT_SLOPE;
            if magnitude < self.brightest_mag {
                continue;
            }
            let direction = place(height, turn);
            if keep < crowding(direction) {
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

/// The point of the unit sphere at height `z`, `turn_rad` around: x and y.
fn on_circle(z: f64, turn_rad: f64) -> (f64, f64) {
    let sine = (1.0 - z * z).max(0.0).sqrt();
    (sine * libm::cos(turn_rad), sine * libm::sin(turn_rad))
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
