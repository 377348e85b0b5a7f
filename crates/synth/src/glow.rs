//! Light that is no star: the glow of the sky, and a band of stars beyond counting.

use crate::noise_field::{NoiseField, smoothstep};
use crate::rotation::dot;

/// The glow of the night sky: fixed to the camera, as air and town lights are from a
/// tripod.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Glow {
    /// Brightness at the center, mag/arcsec²; `None` is a black sky.
    pub mag_arcsec2: Option<f64>,
    /// Strength in R, G, B over a white sky of that brightness.
    pub tint: [f64; 3],
    /// Growth across half the picture to the right and down, as a fraction of the
    /// brightness at the center.
    pub gradient: [f64; 2],
    /// A dome of light over the lower edge, as a multiple of the brightness at the center.
    pub dome: f64,
    /// Height in which the dome falls by e, as a fraction of the picture's height.
    pub dome_height: f64,
}

impl Glow {
    /// No glow at all.
    pub const NONE: Self = Self {
        mag_arcsec2: None,
        tint: [1.0; 3],
        gradient: [0.0; 2],
        dome: 0.0,
        dome_height: 1.0,
    };

    /// Brightness of the dome in a row over that of the sky at the center; `v` runs from
    /// -1 at the upper edge to 1 at the lower.
    pub(crate) fn dome_at(&self, v: f64) -> f64 {
        self.dome * libm::exp(-(1.0 - v) / (2.0 * self.dome_height))
    }

    /// Brightness at a pixel over that at the center, in R, G and B; `u` runs from -1 at
    /// the left edge to 1 at the right, `dome` is [`Self::dome_at`] of the row.
    pub(crate) fn relative(&self, u: f64, v: f64, dome: f64) -> [f64; 3] {
        let slope = 1.0 + self.gradient[0] * u + self.gradient[1] * v;
        [0, 1, 2].map(|channel| self.tint[channel] * (slope + dome * DOME_TINT[channel]).max(0.0))
    }
}

/// Strength of the dome in R, G, B: warmer than the sky, as town lights are (invented).
const DOME_TINT: [f64; 3] = [1.35, 1.0, 0.65];

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
