//! What crosses the picture: satellites and thin cloud.

use crate::noise_field::{NoiseField, smoothstep};
use crate::star_image::{REACH_SIGMAS, Strip};

/// A satellite: an even line in one light.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Satellite {
    /// The light, counted from 0.
    pub light: usize,
    /// Where it is when the shutter opens, fractions of width and height.
    pub start: [f64; 2],
    /// Where it is when the shutter closes.
    pub end: [f64; 2],
    /// Light per px of its path at unit efficiency, e⁻.
    pub electrons_per_px: f64,
}

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

impl Satellite {
    /// Its path in a picture of `width` by `height` pixels: start and end, px.
    pub fn ends_px(&self, width: usize, height: usize) -> [[f64; 2]; 2] {
        let extent = [width as f64 - 1.0, height as f64 - 1.0];
        [self.start, self.end].map(|end| [end[0] * extent[0], end[1] * extent[1]])
    }
}

/// Adds an even line, as wide as a star. `electrons` is the light per px of its length.
///
/// The profile is the Gaussian of a star with the pixel's 1/12 px² in its variance,
/// taken at the pixel's center; the ends are blurred likewise.
pub(crate) fn add_line(
    strip: &mut Strip<'_>,
    ends: [[f64; 2]; 2],
    sigma_px: f64,
    electrons: [f64; 3],
) {
    let [[x0, y0], [x1, y1]] = ends;
    let length = (x1 - x0).hypot(y1 - y0);
    if length == 0.0 {
        return;
    }
    let (ux, uy) = ((x1 - x0) / length, (y1 - y0) / length);
    let sigma = (sigma_px * sigma_px + 1.0 / 12.0).sqrt();
    let scale = std::f64::consts::FRAC_1_SQRT_2 / sigma;
    let peak = 1.0 / (sigma * std::f64::consts::TAU.sqrt());
    let reach = REACH_SIGMAS * sigma;
    let width = strip.width;
    for i in 0..strip.planes[0].len() {
        let (x, y) = (
            (i % width) as f64 - x0,
            (strip.first_row + i / width) as f64 - y0,
        );
        let along = x * ux + y * uy;
        let across = y * ux - x * uy;
        if across.abs() > reach || along < -reach || along > length + reach {
            continue;
        }
        let ends = 0.5 * (libm::erf(along * scale) - libm::erf((along - length) * scale));
        let share = peak * libm::exp(-(across * scale).powi(2)) * ends;
        for (plane, total) in strip.planes.iter_mut().zip(electrons) {
            plane[i] += (total * share) as f32;
        }
    }
}
