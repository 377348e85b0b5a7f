//! A star as it was measured.

/// A star on one frame.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Star {
    /// Centroid, px to the right of the first pixel's center.
    pub x: f64,
    /// Centroid, px below the first pixel's center.
    pub y: f64,
    /// Light above the background, DN of the plane it was found on.
    pub flux_dn: f64,
    /// Highest pixel above the background, DN.
    pub peak_dn: f64,
    /// Full width at half maximum, px, geometric mean of both axes.
    pub fwhm_px: f64,
    /// 1 − minor/major axis; 0 is round.
    pub ellipticity: f64,
    /// Direction of the major axis, rad, from +x towards +y, in (−π/2, π/2].
    pub position_angle_rad: f64,
    /// Flux over its standard error.
    pub snr: f64,
    /// Whether a pixel of it reached the white level; its centroid is not to be trusted.
    pub saturated: bool,
}
