//! The lens: how much light falls where, and how sharply.

use crate::projection::BACKMOST;
pub use crate::projection::{Mapping, Projection};

/// A lens.
#[derive(Clone, Debug, PartialEq)]
pub struct Lens {
    /// Name for the files' metadata.
    pub model: String,
    /// Focal length, mm.
    pub focal_length_mm: f64,
    /// Focal ratio; no unit.
    pub f_number: f64,
    /// Focal ratio wide open. Stopped down from there, the corners gain.
    pub widest_f_number: f64,
    /// How distance from the axis grows with angle.
    pub mapping: Mapping,
    /// Radial distortion `k1`, `k2`, `k3`; see [`Projection`].
    pub distortion: [f64; 3],
    /// Magnification of red and of blue over that of green, minus 1.
    pub lateral_color: [f64; 2],
    /// How the light falls off towards the corners.
    pub vignetting: Vignetting,
    /// Full width at half maximum of a star at the center, px, before the pixels
    /// widen it.
    pub fwhm_px: f64,
    /// By how much of itself the FWHM has grown at the corner, wide open; it grows with the
    /// square of the distance from the center. 0 is the same everywhere.
    pub fwhm_growth: f64,
    /// Coma at the corner, wide open, px: the radius of the circle that the rim of the
    /// aperture draws. Grows with the distance from the center.
    pub coma_px: f64,
}

/// Loss of light towards the corners.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Vignetting {
    /// None: every pixel gets what the one at the center gets.
    None,
    /// The natural falloff. Of a rectilinear lens without distortion it is the fourth
    /// power of the cosine of the field angle.
    Natural,
    /// The natural falloff, and the barrel's: this share of the light is lost at the
    /// corner wide open. It grows with the fourth power of the distance from the center.
    Mechanical(f64),
}

/// FWHM of a Gaussian over its standard deviation, `2 sqrt(2 ln 2)`.
pub const FWHM_PER_SIGMA: f64 = 2.354_820_045_030_949_3;

/// The image of a star without its trail: round Gaussians in a row along a radius.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Blur {
    /// Standard deviation of the core, px.
    pub sigma_px: f64,
    /// Coma, px, outwards.
    pub coma_px: [f64; 2],
}

/// A Gaussian of a blur: offset, px; standard deviation, px; share of the light.
pub(crate) type Part = ([f64; 2], f64, f64);

/// Coma less than this is not drawn, px.
const LEAST_COMA_PX: f64 = 0.02;

impl Lens {
    /// The projection onto a sensor of `width` by `height` pixels, its optical axis
    /// in the middle.
    pub fn projection(&self, pitch_um: f64, width: usize, height: usize) -> Projection {
        Projection::new(
            self.mapping,
            self.focal_length_mm * 1000.0 / pitch_um,
            [(width as f64 - 1.0) / 2.0, (height as f64 - 1.0) / 2.0],
            self.distortion,
        )
    }

    /// Area of the entrance pupil, cm²: a disk of the diameter `focal length / f-number`.
    pub fn pupil_area_cm2(&self) -> f64 {
        let diameter_cm = self.focal_length_mm / 10.0 / self.f_number;
        std::f64::consts::FRAC_PI_4 * diameter_cm * diameter_cm
    }

    /// Light of an even sky at a pixel relative to the center: [`Self::throughput`] times
    /// the sky that the pixel sees.
    pub fn illumination(&self, projection: &Projection, x: f64, y: f64) -> f64 {
        match self.vignetting {
            Vignetting::None => 1.0,
            _ => self.throughput(projection, x, y) * projection.solid_angle(x, y),
        }
    }

    /// Light of a star at a pixel relative to the center.
    ///
    /// The pupil of a rectilinear lens is seen obliquely and loses the cosine of the angle;
    /// that of the other mappings is taken to turn towards the light, as in fisheyes.
    pub fn throughput(&self, projection: &Projection, x: f64, y: f64) -> f64 {
        let cosine = projection.cos_angle(x, y);
        let pupil = match self.mapping {
            Mapping::Rectilinear => cosine,
            _ if cosine < BACKMOST => 0.0,
            _ => 1.0,
        };
        match self.vignetting {
            Vignetting::None => 1.0,
            Vignetting::Natural => pupil,
            Vignetting::Mechanical(loss) => {
                // Two stops down the barrel is out of the way.
                let stop = self.stop();
                let open = ((stop * stop - 0.25) / 0.75).max(0.0);
                let radius2 = projection.corner_share(x, y).powi(2);
                pupil * (1.0 - loss * open * radius2 * radius2).max(0.0)
            }
        }
    }

    /// Standard deviation of a star's core at a pixel, px, before the pixels widen it.
    pub fn sigma_px(&self, projection: &Projection, x: f64, y: f64) -> f64 {
        let growth = self.fwhm_growth * self.stop() * projection.corner_share(x, y).powi(2);
        self.fwhm_px / FWHM_PER_SIGMA * (1.0 + growth)
    }

    /// The image of a star at a pixel.
    pub(crate) fn blur(&self, projection: &Projection, x: f64, y: f64) -> Blur {
        let [cx, cy] = projection.principal_point_px;
        let radius = (x - cx).hypot(y - cy).max(f64::MIN_POSITIVE);
        let coma = self.coma_px * self.stop() * self.stop() * projection.corner_share(x, y);
        let coma = coma / radius;
        Blur {
            sigma_px: self.sigma_px(projection, x, y),
            coma_px: [coma * (x - cx), coma * (y - cy)],
        }
    }

    /// Magnification of R, G and B over that of green.
    pub(crate) fn magnification(&self) -> [f64; 3] {
        [
            1.0 + self.lateral_color[0],
            1.0,
            1.0 + self.lateral_color[1],
        ]
    }

    /// Diameter of the aperture over that wide open.
    fn stop(&self) -> f64 {
        (self.widest_f_number / self.f_number).min(1.0)
    }
}

impl Blur {
    /// The Gaussians it is made of; their centroid is at (0, 0).
    ///
    /// Third-order coma: the zone of the aperture at a share `u` of its area draws a circle
    /// of radius `c u` around a center displaced by `2 c u` (Born & Wolf, Principles of
    /// Optics, ch. 5.3, from memory). Each zone's circle is taken as a Gaussian of the
    /// same variance; three zones by Gauss-Legendre give the variance exactly: `c²/2` along
    /// the radius and `c²/6` across.
    pub fn parts(&self) -> impl Iterator<Item = Part> {
        let [x, y] = self.coma_px;
        let coma = x.hypot(y);
        let half = (3.0f64 / 5.0).sqrt() / 2.0;
        let (spread, zones) = if coma < LEAST_COMA_PX {
            (0.0, [(0.5, 1.0); 3].into_iter().take(1))
        } else {
            let zones = [
                (0.5 - half, 5.0 / 18.0),
                (0.5, 8.0 / 18.0),
                (0.5 + half, 5.0 / 18.0),
            ];
            (coma, zones.into_iter().take(3))
        };
        let sigma2 = self.sigma_px * self.sigma_px;
        zones.map(move |(u, share)| {
            let offset = 2.0 * u - 1.0;
            let sigma = (sigma2 + (spread * u).powi(2) / 2.0).sqrt();
            ([offset * x, offset * y], sigma, share)
        })
    }

    /// How far its light reaches, px, in sigmas of the widest Gaussian.
    pub fn reach_px(&self, sigmas: f64) -> f64 {
        let coma = self.coma_px[0].hypot(self.coma_px[1]);
        sigmas * self.sigma_px.hypot(coma) + coma
    }
}
