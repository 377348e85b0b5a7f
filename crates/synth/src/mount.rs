//! What the camera stands on: how the sky turns in front of it.

use crate::random::{Purpose, stream};
use crate::rotation::{self, Matrix};
use rand::Rng;

/// The rate at which the sky turns, arcsec/s: a full turn in a sidereal day of
/// 86,164.0905 s.
///
/// Source: IERS Conventions (2010), rotation rate 7.292115e-5 rad/s (from memory).
pub const SIDEREAL_RATE_ARCSEC_PER_S: f64 = 360.0 * 3600.0 / 86_164.090_5;

/// How the sky turns as the camera sees it: at one rate about one axis.
///
/// In the camera's axes (X right, Y down, Z into the picture), turning right-handed.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Mount {
    /// The axis; need not be of length 1.
    pub axis: [f64; 3],
    /// The rate, arcsec/s.
    pub rate_arcsec_per_s: f64,
    /// Radius within which every light but the first is offset at random, arcsec.
    pub dither_arcsec: f64,
}

impl Mount {
    /// A fixed tripod. The sky turns right-handed about the **south** celestial pole;
    /// see [`south_pole_in_camera`].
    pub fn tripod(south_pole: [f64; 3]) -> Self {
        Self {
            axis: south_pole,
            rate_arcsec_per_s: SIDEREAL_RATE_ARCSEC_PER_S,
            dither_arcsec: 0.0,
        }
    }

    /// A tracker that follows the sky but for a slow turn about `axis`.
    pub fn tracked(axis: [f64; 3], rate_arcsec_per_s: f64) -> Self {
        Self {
            axis,
            rate_arcsec_per_s,
            dither_arcsec: 0.0,
        }
    }

    /// The turn of the sky in `elapsed_s` since the reference moment, with the
    /// offset of light `index`.
    pub(crate) fn rotation(&self, seed: u64, index: usize, elapsed_s: f64) -> Matrix {
        let angle_rad = (self.rate_arcsec_per_s * elapsed_s / 3600.0).to_radians();
        let turn = rotation::rotation_about(self.axis, angle_rad);
        rotation::multiply(&self.dither(seed, index), &turn)
    }

    /// A small turn about an axis across the line of sight, uniform over a disk.
    fn dither(&self, seed: u64, index: usize) -> Matrix {
        if index == 0 || self.dither_arcsec == 0.0 {
            return rotation::IDENTITY;
        }
        let mut rng = stream(seed, Purpose::Dither, index, 0);
        let position_angle = std::f64::consts::TAU * rng.random::<f64>();
        let radius_arcsec = self.dither_arcsec * rng.random::<f64>().sqrt();
        let axis = [libm::cos(position_angle), libm::sin(position_angle), 0.0];
        rotation::rotation_about(axis, (radius_arcsec / 3600.0).to_radians())
    }
}

/// The south celestial pole in the axes of an upright camera.
///
/// - `latitude_deg`: of the place, north positive.
/// - `altitude_deg`, `azimuth_deg`: where the camera points; azimuth from north by east.
pub fn south_pole_in_camera(latitude_deg: f64, altitude_deg: f64, azimuth_deg: f64) -> [f64; 3] {
    let (sin_lat, cos_lat) = sin_cos_deg(latitude_deg);
    let (sin_alt, cos_alt) = sin_cos_deg(altitude_deg);
    let (sin_az, cos_az) = sin_cos_deg(azimuth_deg);
    // East, north, up.
    let south_pole = [0.0, -cos_lat, -sin_lat];
    let forward = [cos_alt * sin_az, cos_alt * cos_az, sin_alt];
    let right = [cos_az, -sin_az, 0.0];
    let down = rotation::cross(forward, right);
    [right, down, forward].map(|axis| rotation::dot(axis, south_pole))
}

fn sin_cos_deg(angle_deg: f64) -> (f64, f64) {
    let angle = angle_deg.to_radians();
    (libm::sin(angle), libm::cos(angle))
}
