//! Where a lens puts a direction.

/// How the distance from the optical axis grows with the angle from it, in focal lengths.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Mapping {
    /// `tan θ`: straight lines stay straight.
    #[default]
    Rectilinear,
    /// `2 tan(θ/2)`: small shapes are kept.
    Stereographic,
    /// `θ`: angles from the axis are kept.
    Equidistant,
    /// `2 sin(θ/2)`: areas are kept.
    Equisolid,
}

impl Mapping {
    /// Name in words.
    pub fn name(self) -> &'static str {
        match self {
            Self::Rectilinear => "rectilinear",
            Self::Stereographic => "stereographic",
            Self::Equidistant => "equidistant",
            Self::Equisolid => "equisolid",
        }
    }

    /// Distance from the axis, in focal lengths, at an angle from it.
    pub fn radius(self, angle_rad: f64) -> f64 {
        match self {
            Self::Rectilinear => libm::tan(angle_rad),
            Self::Stereographic => 2.0 * libm::tan(angle_rad / 2.0),
            Self::Equidistant => angle_rad,
            Self::Equisolid => 2.0 * libm::sin(angle_rad / 2.0),
        }
    }

    /// Angle from the axis, rad, at a distance from it in focal lengths.
    fn angle_rad(self, radius: f64) -> f64 {
        match self {
            Self::Rectilinear => libm::atan(radius),
            Self::Stereographic => 2.0 * libm::atan(radius / 2.0),
            Self::Equidistant => radius.min(std::f64::consts::PI),
            Self::Equisolid => 2.0 * libm::asin((radius / 2.0).min(1.0)),
        }
    }

    /// Growth of the distance with the angle.
    fn slope(self, radius: f64) -> f64 {
        match self {
            Self::Rectilinear => 1.0 + radius * radius,
            Self::Stereographic => 1.0 + radius * radius / 4.0,
            Self::Equidistant => 1.0,
            Self::Equisolid => (1.0 - radius * radius / 4.0).max(0.0).sqrt(),
        }
    }
}

/// From directions to pixels and back: a [`Mapping`] times a radial polynomial,
/// `r (1 + k1 r² + k2 r⁴ + k3 r⁶)` with `r` in focal lengths.
///
/// Directions are in the camera's axes: X to the right, Y down, Z into the picture.
/// Source of the polynomial: Brown (1966), in the order of its terms as commonly written
/// (from memory); for lenses that are not rectilinear it multiplies their own radius.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Projection {
    /// Mapping.
    pub mapping: Mapping,
    /// Focal length, px.
    pub focal_length_px: f64,
    /// Where the optical axis meets the sensor, px.
    pub principal_point_px: [f64; 2],
    /// `k1`, `k2`, `k3`.
    pub distortion: [f64; 3],
    /// Distance beyond which the polynomial folds back, in focal lengths; no light there.
    fold: f64,
    /// Distance from the optical axis to the first corner of an unmoved sensor, px.
    corner_px: f64,
}

/// Cosine of the angle from the axis beyond which lenses that see behind them see nothing.
pub(crate) const BACKMOST: f64 = -0.98;

impl Projection {
    /// A projection of its four parameters.
    pub fn new(
        mapping: Mapping,
        focal_length_px: f64,
        principal_point_px: [f64; 2],
        distortion: [f64; 3],
    ) -> Self {
        const STEP: f64 = 0.01;
        const WIDEST: usize = 1200;
        let slope = |step: &usize| polynomial(&distortion, *step as f64 * STEP).1;
        let fold = (1..WIDEST).find(|step| slope(step) <= 0.05);
        Self {
            mapping,
            focal_length_px,
            principal_point_px,
            distortion,
            corner_px: principal_point_px[0].hypot(principal_point_px[1]),
            fold: fold.map_or(f64::INFINITY, |step| (step - 1) as f64 * STEP),
        }
    }

    /// The pixel of a direction of length 1; `None` where the lens does not see.
    pub fn project(&self, direction: [f64; 3]) -> Option<(f64, f64)> {
        let [x, y, z] = direction;
        let scale = match self.mapping {
            Mapping::Rectilinear if z > 0.0 => 1.0 / z,
            Mapping::Rectilinear => return None,
            _ if z < BACKMOST => return None,
            Mapping::Stereographic => 2.0 / (1.0 + z),
            Mapping::Equisolid => (2.0 / (1.0 + z)).sqrt(),
            Mapping::Equidistant => {
                let sine = x.hypot(y);
                if sine < 1e-12 {
                    1.0
                } else {
                    libm::atan2(sine, z) / sine
                }
            }
        };
        let (u, v) = (scale * x, scale * y);
        let bend = if self.distortion == [0.0; 3] {
            1.0
        } else {
            let radius = u.hypot(v);
            if radius > self.fold {
                return None;
            }
            polynomial(&self.distortion, radius).0
        };
        let [cx, cy] = self.principal_point_px;
        let f = self.focal_length_px * bend;
        Some((cx + f * u, cy + f * v))
    }

    /// The direction of a pixel, of length 1. Beyond what the lens sees, that at its edge.
    pub fn direction(&self, x: f64, y: f64) -> [f64; 3] {
        let [cx, cy] = self.principal_point_px;
        let (dx, dy) = (x - cx, y - cy);
        if self.mapping == Mapping::Rectilinear && self.distortion == [0.0; 3] {
            let f = self.focal_length_px;
            let norm = (f * f + dx * dx + dy * dy).sqrt();
            return [dx / norm, dy / norm, f / norm];
        }
        let distance = dx.hypot(dy);
        if distance == 0.0 {
            return [0.0, 0.0, 1.0];
        }
        let angle = self.mapping.angle_rad(self.ideal_radius(distance));
        let (sin, cos) = (libm::sin(angle), libm::cos(angle));
        [sin * dx / distance, sin * dy / distance, cos]
    }

    /// Size of a pixel at the center, arcsec.
    pub fn pixel_scale_arcsec(&self) -> f64 {
        3600.0 * (1.0 / self.focal_length_px).to_degrees()
    }

    /// Sky in a pixel over that in the pixel on the axis: `sin θ / (r dr/dθ)`.
    pub fn solid_angle(&self, x: f64, y: f64) -> f64 {
        let [cx, cy] = self.principal_point_px;
        let distance = (x - cx).hypot(y - cy);
        let radius = self.ideal_radius(distance);
        if radius < 1e-9 {
            return 1.0;
        }
        let sine = libm::sin(self.mapping.angle_rad(radius));
        let (bend, slope) = polynomial(&self.distortion, radius);
        (sine / (radius * bend * slope * self.mapping.slope(radius).max(1e-3))).max(0.0)
    }

    /// Cosine of the angle between a pixel's direction and the axis.
    pub fn cos_angle(&self, x: f64, y: f64) -> f64 {
        let [cx, cy] = self.principal_point_px;
        let radius = self.ideal_radius((x - cx).hypot(y - cy));
        libm::cos(self.mapping.angle_rad(radius))
    }

    /// The same lens with the sensor moved by `(dx, dy)` px under it.
    pub fn shifted(&self, dx: f64, dy: f64) -> Self {
        let [x, y] = self.principal_point_px;
        Self {
            principal_point_px: [x - dx, y - dy],
            ..*self
        }
    }

    /// Distance of a pixel from the axis over that of the corner.
    pub(crate) fn corner_share(&self, x: f64, y: f64) -> f64 {
        let [cx, cy] = self.principal_point_px;
        (x - cx).hypot(y - cy) / self.corner_px.max(f64::MIN_POSITIVE)
    }

    /// Whether a rotation of the sky is a homography of the picture.
    pub fn is_plane(&self) -> bool {
        self.mapping == Mapping::Rectilinear && self.distortion == [0.0; 3]
    }

    /// Distance in focal lengths without distortion of a distance in px, by Newton's method.
    fn ideal_radius(&self, distance_px: f64) -> f64 {
        let want = distance_px / self.focal_length_px;
        if self.distortion == [0.0; 3] {
            return want;
        }
        let mut radius = want.min(self.fold);
        for _ in 0..ROUNDS {
            let (bend, slope) = polynomial(&self.distortion, radius);
            radius = (radius - (radius * bend - want) / slope).clamp(0.0, self.fold);
        }
        radius
    }
}

/// Rounds of Newton's method; digits double from round to round.
const ROUNDS: usize = 12;

/// `1 + k1 r² + k2 r⁴ + k3 r⁶`, and the slope of `r` times that.
fn polynomial(k: &[f64; 3], radius: f64) -> (f64, f64) {
    let r2 = radius * radius;
    let bend = 1.0 + r2 * (k[0] + r2 * (k[1] + r2 * k[2]));
    let slope = 1.0 + r2 * (3.0 * k[0] + r2 * (5.0 * k[1] + r2 * 7.0 * k[2]));
    (bend, slope)
}
