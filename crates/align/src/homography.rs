//! Plane-to-plane projective maps and their algebra.

use nalgebra::Matrix3;

/// A plane-to-plane projective map, row-major; `m[2][2]` is 1.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Homography(pub [[f64; 3]; 3]);

/// Denominators below this are the line that maps to infinity: no frame is this large.
const HORIZON: f64 = 1e-9;

impl Homography {
    /// The map that moves nothing.
    pub const IDENTITY: Self = Self([[1.0, 0.0, 0.0], [0.0, 1.0, 0.0], [0.0, 0.0, 1.0]]);

    /// The image of a point, px to px.
    ///
    /// `(NaN, NaN)` at or behind the horizon, where the denominator is not positive:
    /// no camera sees both sides of it.
    pub fn apply(&self, x: f64, y: f64) -> (f64, f64) {
        let m = &self.0;
        project(
            m[0][0] * x + m[0][1] * y + m[0][2],
            m[1][0] * x + m[1][1] * y + m[1][2],
            self.denominator(x, y),
        )
    }

    /// The denominator of the image of a point; the image is finite where it is positive.
    pub fn denominator(&self, x: f64, y: f64) -> f64 {
        let m = &self.0;
        m[2][0] * x + m[2][1] * y + m[2][2]
    }

    /// The map back; `None` when this one flattens the plane or is not finite.
    pub fn inverse(&self) -> Option<Self> {
        self.matrix().try_inverse().and_then(Self::from_matrix)
    }

    /// The map that goes through `self` first and through `next` after it.
    ///
    /// `None` when the first point of the plane goes to infinity, which this form
    /// of the matrix cannot say.
    pub fn then(&self, next: &Self) -> Option<Self> {
        Self::from_matrix(next.matrix() * self.matrix())
    }

    fn matrix(&self) -> Matrix3<f64> {
        Matrix3::from_fn(|row, col| self.0[row][col])
    }

    /// Scales the matrix to `m[2][2] = 1`; `None` when that is impossible.
    fn from_matrix(m: Matrix3<f64>) -> Option<Self> {
        let scaled = m / m[(2, 2)];
        let usable = m[(2, 2)].abs() > HORIZON * m.amax() && scaled.iter().all(|v| v.is_finite());
        usable.then(|| {
            Self(std::array::from_fn(|r| {
                std::array::from_fn(|c| scaled[(r, c)])
            }))
        })
    }
}

/// The plane point of homogeneous coordinates, NaN at or behind the horizon.
#[inline(always)]
pub(crate) fn project(x: f64, y: f64, denominator: f64) -> (f64, f64) {
    let scale = if denominator > HORIZON {
        1.0 / denominator
    } else {
        f64::NAN
    };
    (x * scale, y * scale)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Inverting and composing costs a few rounding steps of coordinates near 1e4 px.
    const ROUND_TRIP_PX: f64 = 1e-8;

    /// The sky turning for 120 s around a pole 30° above the axis, through a 24 mm lens
    /// on 5.98 µm pixels: H = K R K⁻¹ (Hartley & Zisserman, Multiple View Geometry,
    /// ch. 8.4, from memory; numbers from an independent numpy evaluation).
    fn turning_sky() -> Homography {
        let f_px = 24.0 / 0.005_98;
        let (s, c) = (120.0_f64 * 15.041067 / 3600.0).to_radians().sin_cos();
        let tilt = 30.0_f64.to_radians();
        let pole = nalgebra::Vector3::new(0.0, -tilt.sin(), tilt.cos());
        let cross = pole.cross_matrix();
        let rotation = Matrix3::identity() + cross * s + cross * cross * (1.0 - c);
        let camera = Matrix3::new(f_px, 0.0, 3000.0, 0.0, f_px, 2000.0, 0.0, 0.0, 1.0);
        let inverse = camera.try_inverse().expect("a focal length is not zero");
        Homography::from_matrix(camera * rotation * inverse).expect("a small rotation")
    }

    #[test]
    fn a_turning_sky_moves_the_corners_as_computed_elsewhere() {
        // The reference values are printed to 1e-5 px.
        const PRINTED_PX: f64 = 6e-6;
        for (x, y, want_x, want_y) in [
            (3000.0, 2000.0, 2982.44045, 1999.93347),
            (0.0, 0.0, -12.14342, -29.38308),
            (6000.0, 4000.0, 5957.54973, 4016.05282),
        ] {
            let (got_x, got_y) = turning_sky().apply(x, y);
            assert!((got_x - want_x).abs() < PRINTED_PX, "{got_x} {want_x}");
            assert!((got_y - want_y).abs() < PRINTED_PX, "{got_y} {want_y}");
        }
    }

    #[test]
    fn there_and_back_is_no_move() {
        let there = turning_sky();
        let back = there.inverse().expect("a rotation can be undone");
        let both = there.then(&back).expect("near identity");
        for (x, y) in [(0.0, 0.0), (6000.0, 0.0), (17.5, 3999.0)] {
            let (mapped_x, mapped_y) = there.apply(x, y);
            let (back_x, back_y) = back.apply(mapped_x, mapped_y);
            let (both_x, both_y) = both.apply(x, y);
            assert!((back_x - x).hypot(back_y - y) < ROUND_TRIP_PX);
            assert!((both_x - x).hypot(both_y - y) < ROUND_TRIP_PX);
        }
    }

    #[test]
    fn a_flattening_map_has_no_inverse() {
        assert_eq!(Homography([[0.0; 3]; 3]).inverse(), None);
        let line = Homography([[1.0, 2.0, 0.0], [2.0, 4.0, 0.0], [0.0, 0.0, 1.0]]);
        assert_eq!(line.inverse(), None);
        let nan = Homography([[f64::NAN, 0.0, 0.0], [0.0, 1.0, 0.0], [0.0, 0.0, 1.0]]);
        assert_eq!(nan.inverse(), None);
    }

    #[test]
    fn nothing_comes_from_behind_the_horizon() {
        let steep = Homography([[1.0, 0.0, 0.0], [0.0, 1.0, 0.0], [-0.01, 0.0, 1.0]]);
        assert!(steep.apply(99.0, 5.0).0.is_finite());
        assert!(steep.apply(100.0, 5.0).0.is_nan());
        assert!(steep.apply(500.0, 5.0).1.is_nan());
    }
}
