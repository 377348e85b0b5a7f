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

impl Star {
    /// Standard error of the centroid along one axis, px: `0.25 fwhm / snr` where the
    /// background makes the noise, with a floor for what else moves a star.
    ///
    /// From the Cramér-Rao bound √(8πv) s²/F for variance v per pixel and the SNR of an
    /// aperture of radius R, F/√(πR²v): 2√2 s²/(R SNR), for a star of usual size in
    /// [`detect`](crate::detect())'s aperture.
    ///
    /// Half a pixel for saturated stars and where SNR or FWHM say nothing.
    pub fn position_error_px(&self) -> f64 {
        /// Pixel response, air, color: what a bright star's place is uncertain by, px.
        const FLOOR_PX: f64 = 0.02;
        const UNKNOWN_PX: f64 = 0.5;
        let noise_px = 0.25 * self.fwhm_px / self.snr;
        let known = !self.saturated && self.snr > 0.0 && self.fwhm_px > 0.0 && noise_px.is_finite();
        if known {
            noise_px.hypot(FLOOR_PX)
        } else {
            UNKNOWN_PX
        }
    }
}
