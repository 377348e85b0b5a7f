//! Rules of thumb for a camera that stands still. Common practice, not physics.

use crate::Camera;

/// Turn of the sky, arcsec per second of time: 360° in a mean sidereal day of 86164.0905 s.
pub const SIDEREAL_ARCSEC_PER_S: f64 = 360.0 * 3600.0 / 86_164.090_5;

/// Turn of the sky, rad/s.
pub const SIDEREAL_RAD_PER_S: f64 = std::f64::consts::TAU / 86_164.090_5;

/// Longest exposure by the rule of 500, s: 500 over the focal length that would show the
/// same field on 36 mm x 24 mm.
///
/// Common practice, no source. It knows nothing of pixels: on 24 million of them stars
/// trail over 6 px in that time, on 61 million over 10.
pub fn rule_of_500_s(camera: &Camera) -> f64 {
    500.0 / (camera.crop() * camera.focal_length_mm)
}

/// Longest exposure by the full NPF rule, s.
///
/// `k (16.856 N + 0.0997 f + 13.713 p) / (f cos δ)`, with the f-number N, the pixel pitch p
/// in µm, the focal length f in mm: drift over `k` times the sum of the Airy disk's diameter,
/// 1.5 arcsec of seeing, and a pixel. `k` = 1 is strict, 2 to 3 still accepted.
/// F. Michaud (2016), from memory; common practice.
pub fn npf_rule_s(camera: &Camera, declination_deg: f64, k: f64) -> f64 {
    let Camera {
        aperture,
        focal_length_mm,
        pitch_um,
        ..
    } = camera;
    let drift = 16.856 * aperture + 0.0997 * focal_length_mm + 13.713 * pitch_um;
    k * drift / (focal_length_mm * declination_deg.to_radians().cos())
}

/// Longest exposure by the easy NPF rule, s: `(35 N + 30 p) / f`, about the full one with
/// `k` = 2.1 on the celestial equator. Common practice, no source.
pub fn npf_easy_s(camera: &Camera) -> f64 {
    (35.0 * camera.aperture + 30.0 * camera.pitch_um) / camera.focal_length_mm
}
