//! What comes over the sky and the lens: thin cloud and dew.

use crate::noise_field::{NoiseField, smoothstep};

/// Thin cloud that drifts through some of the lights: it takes light from the stars
/// and adds glow.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Cloud {
    /// First light with cloud, counted from 0.
    pub first_light: usize,
    /// Last light with cloud.
    pub last_light: usize,
    /// Share of the starlight lost in the thickest part, 0 to 1.
    pub opacity: f64,
    /// Glow added in the thickest part, as a multiple of the sky's at the center.
    pub added_glow: f64,
    /// Size of the largest clumps, px.
    pub clump_px: f64,
    /// Drift, px/s to the right and down.
    pub drift_px_per_s: [f64; 2],
}

impl Cloud {
    /// Whether any of it is over a light.
    pub(crate) fn covers(&self, light: usize) -> bool {
        (self.first_light..=self.last_light).contains(&light)
    }

    /// Thickness over a pixel of a light `elapsed_s` after the reference, 0 to 1.
    ///
    /// The cloud comes and goes: thickness follows a half sine over its lights.
    pub(crate) fn thickness(
        &self,
        field: &NoiseField,
        light: usize,
        elapsed_s: f64,
        x: f64,
        y: f64,
    ) -> f64 {
        if !self.covers(light) {
            return 0.0;
        }
        let n = (self.last_light - self.first_light + 1) as f64;
        let phase = ((light - self.first_light) as f64 + 0.5) / n;
        let place = [
            (x - self.drift_px_per_s[0] * elapsed_s) / self.clump_px,
            (y - self.drift_px_per_s[1] * elapsed_s) / self.clump_px,
            0.5,
        ];
        let texture = smoothstep((field.at(place) - 0.3) / 0.4);
        libm::sin(std::f64::consts::PI * phase) * texture
    }
}

/// Dew that grows on the lens: stars swell and everything fades.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Dew {
    /// Last light without any, counted from 0.
    pub last_dry_light: usize,
    /// By how much of itself the FWHM has grown in the last light.
    pub fwhm_growth: f64,
    /// Share of all light that is lost in the last light, 0 to 1.
    pub loss: f64,
}

impl Dew {
    /// How much of it there is in light `index` of `lights`, 0 to 1: it grows with the
    /// square of the time.
    pub(crate) fn amount(&self, index: usize, lights: usize) -> f64 {
        let since = index.saturating_sub(self.last_dry_light) as f64;
        let whole = lights.saturating_sub(1 + self.last_dry_light).max(1) as f64;
        (since / whole).min(1.0).powi(2)
    }
}
