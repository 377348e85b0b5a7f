//! Light that is no star: the glow of the sky, and a band of stars beyond counting.

use crate::noise_field::{NoiseField, smoothstep};
use crate::rotation::dot;

/// The glow of the night sky: fixed to the ground, as air and town lights are.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Glow {
    /// Brightness, mag/arcsec²: at the zenith, or everywhere under a sky without
    /// [`Air`](crate::Air); `None` is a black sky.
    pub mag_arcsec2: Option<f64>,
    /// Strength in R, G, B over a white sky of that brightness.
    pub tint: [f64; 3],
    /// Growth across half the picture to the right and down, as a fraction of
    /// `mag_arcsec2`: fixed to the camera, as stray light is.
    pub gradient: [f64; 2],
    /// A town below the horizon.
    pub dome: Option<LightDome>,
    /// The end of the night.
    pub dawn: Option<Dawn>,
}

/// The light of a town over the horizon: it falls by e over its height and, as a
/// Gaussian, over its width.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct LightDome {
    /// Azimuth, degrees from north by east.
    pub azimuth_deg: f64,
    /// Brightness at the horizon, as a multiple of [`Glow::mag_arcsec2`].
    pub strength: f64,
    /// Height in which it falls by e, degrees.
    pub height_deg: f64,
    /// Standard deviation of its width, degrees.
    pub width_deg: f64,
}

/// Morning twilight: it grows by a steady number of magnitudes a minute.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Dawn {
    /// When it equals the glow at the zenith, s after the middle of the first light.
    pub equal_after_s: f64,
    /// How fast it grows, mag/min.
    pub mag_per_min: f64,
}

impl Glow {
    /// No glow at all.
    pub const NONE: Self = Self {
        mag_arcsec2: None,
        tint: [1.0; 3],
        gradient: [0.0; 2],
        dome: None,
        dawn: None,
    };

    /// Brightness over [`Glow::mag_arcsec2`] in R, G and B. `(u, v)` is the place in the
    /// picture, -1 to 1 across and down; `air` the air's own brightness there.
    pub(crate) fn relative(
        &self,
        (u, v): (f64, f64),
        (altitude_deg, azimuth_deg): (f64, f64),
        air: [f64; 3],
        elapsed_s: f64,
    ) -> [f64; 3] {
        let slope = self.gradient[0] * u + self.gradient[1] * v;
        let dome = self
            .dome
            .map_or(0.0, |dome| dome.at(altitude_deg, azimuth_deg));
        let dawn = self.dawn.map_or(0.0, |dawn| dawn.at(elapsed_s));
        [0, 1, 2].map(|channel| {
            let own = air[channel] + slope + dome * DOME_TINT[channel];
            self.tint[channel] * own.max(0.0) + dawn * DAWN_TINT[channel]
        })
    }
}

impl LightDome {
    fn at(&self, altitude_deg: f64, azimuth_deg: f64) -> f64 {
        let off_deg = (azimuth_deg - self.azimuth_deg + 180.0).rem_euclid(360.0) - 180.0;
        let across = off_deg / self.width_deg;
        self.strength * libm::exp(-altitude_deg.max(0.0) / self.height_deg - 0.5 * across * across)
    }
}

impl Dawn {
    /// Brightness over [`Glow::mag_arcsec2`].
    pub(crate) fn at(&self, elapsed_s: f64) -> f64 {
        let minutes = (elapsed_s - self.equal_after_s) / 60.0;
        crate::sky::magnitude_ratio(-self.mag_per_min * minutes)
    }
}

/// Strength of the dome in R, G, B: warmer than the sky, as town lights are (invented).
const DOME_TINT: [f64; 3] = [1.35, 1.0, 0.65];
/// Strength of the dawn in R, G, B: bluer than the night (invented).
const DAWN_TINT: [f64; 3] = [0.8, 1.0, 1.35];

/// A band of unresolved stars with lanes of dust, fixed to the sky.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Band {
    /// Pole of the great circle it follows, in the axes of the reference light; of length 1.
    pub pole: [f64; 3],
    /// Brightness on the circle without dust, mag/arcsec².
    pub mag_arcsec2: f64,
    /// Standard deviation of its profile, degrees.
    pub width_deg: f64,
    /// Crowding of the counted stars on the circle, over the count law.
    pub crowding: f64,
    /// Depth of the dust: the largest loss, in magnitudes.
    pub dust_mag: f64,
    /// Size of the largest clumps, degrees.
    pub clump_deg: f64,
}

/// Strength of the band in R, G, B: a little warmer than white, as old stars are (invented).
const BAND_TINT: [f64; 3] = [1.08, 1.0, 0.90];

impl Band {
    /// Brightness in a direction over that on the circle without dust, in R, G and B.
    /// Dust takes more of the blue: the losses in V-R and B-V follow from a ratio of
    /// total to selective absorption of 3.1 (Cardelli et al. 1989, from memory).
    pub(crate) fn relative(&self, field: &NoiseField, direction: [f64; 3]) -> [f64; 3] {
        let (profile, dust) = self.profile_and_dust(field, direction);
        let losses = [0.8 * dust, dust, dust * (1.0 + 1.0 / 3.1)];
        [0, 1, 2].map(|channel| {
            BAND_TINT[channel] * profile * crate::sky::magnitude_ratio(losses[channel])
        })
    }

    /// Density of counted stars in a direction, over the count law.
    pub(crate) fn crowding(&self, field: &NoiseField, direction: [f64; 3]) -> f64 {
        let (profile, dust) = self.profile_and_dust(field, direction);
        let gain = (self.crowding - 1.0).max(0.0);
        1.0 + gain * profile * crate::sky::magnitude_ratio(dust)
    }

    /// The clumpy Gaussian profile, 0 to 1, and the dust, mag.
    fn profile_and_dust(&self, field: &NoiseField, direction: [f64; 3]) -> (f64, f64) {
        let latitude_deg = libm::asin(dot(self.pole, direction).clamp(-1.0, 1.0)).to_degrees();
        let across = latitude_deg / self.width_deg;
        let cells = 1.0 / self.clump_deg.to_radians();
        let texture = field.at(direction.map(|component| component * cells));
        let profile = libm::exp(-0.5 * across * across) * (0.55 + 0.45 * texture);
        // Dust is a thinner sheet in the same plane; its clouds are drawn out along it.
        let height = dot(self.pole, direction);
        let flattened = [0, 1, 2].map(|i| direction[i] + 1.5 * height * self.pole[i]);
        let lane = field.at(flattened.map(|component| component * cells + 40.0));
        let sheet = libm::exp(-0.5 * (across / 0.6).powi(2));
        (
            profile,
            self.dust_mag * sheet * smoothstep((lane - 0.42) / 0.25),
        )
    }
}
