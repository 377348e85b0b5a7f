//! The lens: where light falls, how much of it, and how sharply.

/// A rectilinear lens.
#[derive(Clone, Debug, PartialEq)]
pub struct Lens {
    /// Name for the files' metadata.
    pub model: String,
    /// Focal length, mm.
    pub focal_length_mm: f64,
    /// Focal ratio; no unit.
    pub f_number: f64,
    /// How the light falls off towards the corners.
    pub vignetting: Vignetting,
    /// Full width at half maximum of a star at the center, px, before the pixels
    /// widen it.
    pub fwhm_px: f64,
    /// By how much of itself the FWHM has grown at the corner; it grows with the
    /// square of the distance from the center. 0 is the same everywhere.
    pub fwhm_growth: f64,
}

/// Loss of light towards the corners.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Vignetting {
    /// None: an ideal lens.
    None,
    /// The natural falloff, the fourth power of the cosine of the field angle.
    Cos4,
}

/// Where a rectilinear lens puts a direction: `x = x0 + f X/Z`, `y = y0 + f Y/Z`.
///
/// Directions are in the camera's axes: X to the right, Y down, Z into the picture.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Projection {
    /// Focal length, px.
    pub focal_length_px: f64,
    /// Where the optical axis meets the sensor, px.
    pub principal_point_px: [f64; 2],
}

/// FWHM of a Gaussian over its standard deviation, `2 sqrt(2 ln 2)`.
pub const FWHM_PER_SIGMA: f64 = 2.354_820_045_030_949_3;

impl Lens {
    /// The projection onto a sensor of `width` by `height` pixels, its optical axis
    /// in the middle.
    pub fn projection(&self, pitch_um: f64, width: usize, height: usize) -> Projection {
        Projection {
            focal_length_px: self.focal_length_mm * 1000.0 / pitch_um,
            principal_point_px: [(width as f64 - 1.0) / 2.0, (height as f64 - 1.0) / 2.0],
        }
    }

    /// Area of the entrance pupil, cm²: a disk of the diameter `focal length / f-number`.
    pub fn pupil_area_cm2(&self) -> f64 {
        let diameter_cm = self.focal_length_mm / 10.0 / self.f_number;
        std::f64::consts::FRAC_PI_4 * diameter_cm * diameter_cm
    }

    /// Light at a pixel relative to the center.
    pub fn illumination(&self, projection: &Projection, x: f64, y: f64) -> f64 {
        match self.vignetting {
            Vignetting::None => 1.0,
            Vignetting::Cos4 => {
                let cos2 = 1.0 / (1.0 + projection.tan2(x, y));
                cos2 * cos2
            }
        }
    }

    /// Standard deviation of a star's Gaussian at a pixel, px, before the pixels widen it.
    pub fn sigma_px(&self, projection: &Projection, x: f64, y: f64) -> f64 {
        let [cx, cy] = projection.principal_point_px;
        let corner2 = (cx * cx + cy * cy).max(f64::MIN_POSITIVE);
        let radius2 = (x - cx).powi(2) + (y - cy).powi(2);
        self.fwhm_px / FWHM_PER_SIGMA * (1.0 + self.fwhm_growth * radius2 / corner2)
    }
}

impl Projection {
    /// The pixel of a direction; `None` behind the camera.
    pub fn project(&self, direction: [f64; 3]) -> Option<(f64, f64)> {
        let [x, y, z] = direction;
        let [cx, cy] = self.principal_point_px;
        let f = self.focal_length_px;
        (z > 0.0).then(|| (cx + f * x / z, cy + f * y / z))
    }

    /// The direction of a pixel, of length 1.
    pub fn direction(&self, x: f64, y: f64) -> [f64; 3] {
        let [cx, cy] = self.principal_point_px;
        let f = self.focal_length_px;
        let (dx, dy) = ((x - cx) / f, (y - cy) / f);
        let norm = (1.0 + dx * dx + dy * dy).sqrt();
        [dx / norm, dy / norm, 1.0 / norm]
    }

    /// Size of a pixel at the center, arcsec.
    pub fn pixel_scale_arcsec(&self) -> f64 {
        3600.0 * (1.0 / self.focal_length_px).to_degrees()
    }

    /// Squared tangent of the angle between a pixel and the optical axis.
    fn tan2(&self, x: f64, y: f64) -> f64 {
        let [cx, cy] = self.principal_point_px;
        let f = self.focal_length_px;
        ((x - cx).powi(2) + (y - cy).powi(2)) / (f * f)
    }
}
