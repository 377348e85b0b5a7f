//! Electrons that a pixel collects of a sky of known brightness.

/// Square arcseconds in a steradian.
const ARCSEC2_PER_SR: f64 = 206_264.806_247 * 206_264.806_247;

/// The part of the spectrum that brightness is stated in, and what the camera makes of it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct SkyBand {
    /// Photons of a star of magnitude 0, per second, cm² and Å.
    pub photons_per_s_cm2_angstrom: f64,
    /// Width of the band, Å.
    pub width_angstrom: f64,
    /// Electrons per photon that reaches the front lens: quantum efficiency times the
    /// transmission of lens and filters.
    pub efficiency: f64,
}

impl Default for SkyBand {
    /// V: 1000 photons (Bessell 1979 and 1998, from memory; 3.631e-9 erg at 5500 Å are
    /// 1005), 890 Å; and an efficiency of 0.4, which is a guess good to a factor of 1.5.
    fn default() -> Self {
        Self {
            photons_per_s_cm2_angstrom: 1000.0,
            width_angstrom: 890.0,
            efficiency: 0.4,
        }
    }
}

impl SkyBand {
    /// Electrons per second in a pixel, of a surface of `mag_per_arcsec2`.
    ///
    /// `f Δλ 10^(-0.4 μ) η (π/4) (p/N)²` per square arcsecond (elementary): with the pixel
    /// pitch p and the f-number N alone, whatever the focal length.
    pub fn electrons_per_s(&self, mag_per_arcsec2: f64, pitch_um: f64, aperture: f64) -> f64 {
        self.electrons_at_magnitude_0(pitch_um, aperture) * 10f64.powf(-0.4 * mag_per_arcsec2)
    }

    /// Brightness of a surface that gives so many electrons per second in a pixel,
    /// mag/arcsec²; infinite for none.
    pub fn mag_per_arcsec2(&self, electrons_per_s: f64, pitch_um: f64, aperture: f64) -> f64 {
        -2.5 * (electrons_per_s / self.electrons_at_magnitude_0(pitch_um, aperture)).log10()
    }

    fn electrons_at_magnitude_0(&self, pitch_um: f64, aperture: f64) -> f64 {
        let pitch_cm = 1e-4 * pitch_um;
        self.photons_per_s_cm2_angstrom
            * self.width_angstrom
            * self.efficiency
            * std::f64::consts::FRAC_PI_4
            * (pitch_cm / aperture).powi(2)
            * ARCSEC2_PER_SR
    }
}
