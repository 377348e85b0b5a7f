//! A lens in front of a sensor, by the numbers printed on them.

use crate::vector::Vector;

/// Arcseconds in a radian, by µm per mm.
const ARCSEC_PER_UM_PER_MM: f64 = 206.264_806_247;

/// Diagonal of the 36 mm x 24 mm frame, mm.
const FULL_FRAME_DIAGONAL_MM: f64 = 43.266_615_3;

/// How the distance from the optical axis grows with the angle θ from it, in focal lengths.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Projection {
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

impl Projection {
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
            Self::Rectilinear if angle_rad >= std::f64::consts::FRAC_PI_2 => f64::INFINITY,
            Self::Rectilinear => angle_rad.tan(),
            Self::Stereographic => 2.0 * (angle_rad / 2.0).tan(),
            Self::Equidistant => angle_rad,
            Self::Equisolid => 2.0 * (angle_rad / 2.0).sin(),
        }
    }

    /// Angle from the axis at a distance from it in focal lengths; NaN where no light falls.
    pub fn angle_rad(self, radius: f64) -> f64 {
        match self {
            Self::Rectilinear => radius.atan(),
            Self::Stereographic => 2.0 * (radius / 2.0).atan(),
            Self::Equidistant if radius > std::f64::consts::PI => f64::NAN,
            Self::Equidistant => radius,
            Self::Equisolid => 2.0 * (radius / 2.0).asin(),
        }
    }

    /// Growth of the scale against the center's, along the radius: `d radius / d angle`.
    pub fn radial_growth(self, angle_rad: f64) -> f64 {
        match self {
            Self::Rectilinear => angle_rad.cos().powi(-2),
            Self::Stereographic => (angle_rad / 2.0).cos().powi(-2),
            Self::Equidistant => 1.0,
            Self::Equisolid => (angle_rad / 2.0).cos(),
        }
    }

    /// Growth of the scale against the center's, across the radius: `radius / sin angle`.
    pub fn tangential_growth(self, angle_rad: f64) -> f64 {
        match angle_rad {
            0.0 => 1.0,
            angle => self.radius(angle) / angle.sin(),
        }
    }
}

/// A lens in front of a sensor. Lens distortion is not known and left out.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Camera {
    /// Width of the picture as it is held, px.
    pub width_px: u32,
    /// Height of the picture as it is held, px.
    pub height_px: u32,
    /// Distance of two pixels, µm.
    pub pitch_um: f64,
    /// Focal length, mm.
    pub focal_length_mm: f64,
    /// f-number.
    pub aperture: f64,
    /// How the lens draws.
    pub projection: Projection,
}

impl Camera {
    /// Focal length, px.
    pub fn focal_length_px(&self) -> f64 {
        1000.0 * self.focal_length_mm / self.pitch_um
    }

    /// Side of a pixel on the sky at the center, arcsec.
    pub fn scale_arcsec(&self) -> f64 {
        ARCSEC_PER_UM_PER_MM * self.pitch_um / self.focal_length_mm
    }

    /// Width and height of the sensor, mm.
    pub fn sensor_mm(&self) -> [f64; 2] {
        [self.width_px, self.height_px].map(|side| f64::from(side) * self.pitch_um / 1000.0)
    }

    /// Diagonal of 36 mm x 24 mm over the sensor's.
    pub fn crop(&self) -> f64 {
        let [width, height] = self.sensor_mm();
        FULL_FRAME_DIAGONAL_MM / width.hypot(height)
    }

    /// Angle between the middles of opposite edges, across and down, degrees; NaN where the
    /// lens does not light them.
    pub fn field_deg(&self) -> [f64; 2] {
        [self.width_px, self.height_px].map(|side| {
            let radius = 0.5 * f64::from(side) / self.focal_length_px();
            2.0 * self.projection.angle_rad(radius).to_degrees()
        })
    }

    /// Side of a pixel on the sky where the lens draws it largest (its corners, or the
    /// center), arcsec.
    pub fn finest_scale_arcsec(&self) -> f64 {
        let diagonal = f64::from(self.width_px).hypot(f64::from(self.height_px));
        let corner = self
            .projection
            .angle_rad(0.5 * diagonal / self.focal_length_px());
        let growth = self
            .projection
            .radial_growth(corner)
            .max(self.projection.tangential_growth(corner))
            .max(1.0);
        self.scale_arcsec() / growth
    }

    /// The middle of the picture, px.
    pub(crate) fn center_px(&self) -> [f64; 2] {
        [self.width_px, self.height_px].map(|side| 0.5 * (f64::from(side) - 1.0))
    }

    /// Direction of a pixel, of length 1, along the camera's right, down and forward; NaN
    /// where no light falls.
    pub(crate) fn direction(&self, x: f64, y: f64) -> Vector {
        let [cx, cy] = self.center_px();
        let (dx, dy) = (x - cx, y - cy);
        let distance = dx.hypot(dy);
        if distance == 0.0 {
            return [0.0, 0.0, 1.0];
        }
        let angle = self.projection.angle_rad(distance / self.focal_length_px());
        let (sin, cos) = angle.sin_cos();
        [sin * dx / distance, sin * dy / distance, cos]
    }

    /// The pixel of a direction of length 1; not finite where the lens does not see.
    pub(crate) fn project(&self, direction: Vector) -> [f64; 2] {
        let [right, down, forward] = direction;
        let [cx, cy] = self.center_px();
        let across = right.hypot(down);
        if across == 0.0 && forward > 0.0 {
            return [cx, cy];
        }
        let radius = self.projection.radius(across.atan2(forward)) * self.focal_length_px();
        [cx + radius * right / across, cy + radius * down / across]
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const ALL: [Projection; 4] = [
        Projection::Rectilinear,
        Projection::Stereographic,
        Projection::Equidistant,
        Projection::Equisolid,
    ];

    /// Half of the last digit of the tables.
    const DIGIT: f64 = 5e-6;

    /// Radii of the four mappings by their definitions, in the order of `ALL`, evaluated
    /// with numpy.
    #[test]
    #[allow(clippy::approx_constant, reason = "the table as it was evaluated")]
    fn radii_are_those_of_the_definitions() {
        let table = [
            (30.0, [0.57735, 0.53590, 0.52360, 0.51764]),
            (45.0, [1.00000, 0.82843, 0.78540, 0.76537]),
            (60.0, [1.73205, 1.15470, 1.04720, 1.00000]),
            (90.0, [f64::INFINITY, 2.00000, 1.57080, 1.41421]),
        ];
        for (deg, radii) in table {
            let angle = f64::to_radians(deg);
            for (projection, want) in ALL.into_iter().zip(radii) {
                let found = projection.radius(angle);
                let near = found == want || (found - want).abs() <= DIGIT;
                assert!(near, "{projection:?} at {deg}°: {found} for {want}");
                let back = projection.angle_rad(found);
                assert!((back - angle).abs() < 1e-12, "{projection:?}: {back}");
            }
        }
    }

    /// Growth off the axis of a rectilinear lens: 1/cos² along, 1/cos across (elementary).
    #[test]
    #[allow(clippy::approx_constant, reason = "the table as it was evaluated")]
    fn a_rectilinear_lens_draws_its_corners_larger() {
        let table = [
            (20.0, 1.1325, 1.0642),
            (30.0, 1.3333, 1.1547),
            (45.0, 2.0, 1.4142),
            (52.0, 2.6383, 1.6243),
        ];
        for (deg, along, across) in table {
            let angle = f64::to_radians(deg);
            let lens = Projection::Rectilinear;
            assert!((lens.radial_growth(angle) - along).abs() < 5e-5, "{deg}");
            assert!(
                (lens.tangential_growth(angle) - across).abs() < 5e-5,
                "{deg}"
            );
        }
    }

    /// Growth is the slope of the radius, whatever the lens.
    #[test]
    fn growth_is_the_slope_of_the_radius() {
        const STEP: f64 = 1e-5;
        for projection in ALL {
            for angle in [0.1, 0.5, 1.0] {
                let rise = projection.radius(angle + STEP) - projection.radius(angle - STEP);
                let slope = rise / (2.0 * STEP);
                let growth = projection.radial_growth(angle);
                assert!(
                    (slope / growth - 1.0).abs() < 1e-8,
                    "{projection:?} {angle}"
                );
            }
        }
    }

    #[test]
    fn pixels_and_directions_are_each_others_inverse() {
        for projection in ALL {
            let camera = Camera {
                width_px: 6000,
                height_px: 4000,
                pitch_um: 5.98,
                focal_length_mm: 14.0,
                aperture: 1.8,
                projection,
            };
            for place in [
                [0.0, 0.0],
                [2999.5, 1999.5],
                [5999.0, 10.0],
                [3000.0, 3999.0],
            ] {
                let direction = camera.direction(place[0], place[1]);
                let back = camera.project(direction);
                let off = (back[0] - place[0]).hypot(back[1] - place[1]);
                assert!(off < 1e-8, "{projection:?}: {back:?} for {place:?}");
            }
        }
        let behind = Camera {
            width_px: 6000,
            height_px: 4000,
            pitch_um: 5.98,
            focal_length_mm: 14.0,
            aperture: 1.8,
            projection: Projection::Rectilinear,
        };
        assert!(!behind.project([0.6, 0.0, -0.8])[0].is_finite());
    }

    /// Fields of 36 mm, `2 atan(w / 2f)` (elementary).
    #[test]
    fn fields_are_as_wide_as_sensor_and_lens_say() {
        for (focal_length_mm, want) in [(14.0, 104.250), (24.0, 73.740), (135.0, 15.189)] {
            let camera = Camera {
                width_px: 6000,
                height_px: 4000,
                pitch_um: 6.0,
                focal_length_mm,
                aperture: 2.0,
                projection: Projection::Rectilinear,
            };
            assert!((camera.field_deg()[0] - want).abs() < 5e-4, "{want}");
            assert!((camera.crop() - 1.0).abs() < 1e-8);
        }
    }
}
