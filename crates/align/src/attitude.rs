//! Where a camera points relative to another moment.

use nalgebra::{Matrix3, Quaternion, Rotation3, UnitQuaternion, Vector3};

/// A rotation that takes directions in the reference frame's camera axes to those of another
/// frame, as a unit quaternion. Axes: X to the right, Y down, Z into the picture.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Attitude(UnitQuaternion<f64>);

impl Attitude {
    /// The reference's own.
    pub fn identity() -> Self {
        Self(UnitQuaternion::identity())
    }

    /// A right-handed turn about a vector's direction by its length in rad.
    pub fn from_rotation_vector(vector: [f64; 3]) -> Self {
        Self(UnitQuaternion::from_scaled_axis(Vector3::from(vector)))
    }

    /// Axis times angle, rad; the angle is at most π.
    pub fn rotation_vector(&self) -> [f64; 3] {
        self.0.scaled_axis().into()
    }

    /// The quaternion `w, x, y, z`, with `w` not negative.
    pub fn quaternion(&self) -> [f64; 4] {
        let sign = if self.0.w < 0.0 { -1.0 } else { 1.0 };
        [self.0.w, self.0.i, self.0.j, self.0.k].map(|part| sign * part)
    }

    /// The attitude of a quaternion `w, x, y, z` of any length; `None` for one without.
    pub fn from_quaternion([w, x, y, z]: [f64; 4]) -> Option<Self> {
        let quaternion = Quaternion::new(w, x, y, z);
        UnitQuaternion::try_new(quaternion, f64::MIN_POSITIVE)
            .filter(|unit| unit.w.is_finite())
            .map(Self)
    }

    /// The direction as this frame sees it.
    pub fn rotate(&self, direction: [f64; 3]) -> [f64; 3] {
        (self.0 * Vector3::from(direction)).into()
    }

    /// The way back.
    pub fn inverse(&self) -> Self {
        Self(self.0.inverse())
    }

    /// First this turn, then `next`.
    pub fn then(&self, next: &Self) -> Self {
        Self(next.0 * self.0)
    }

    /// Angle of the turn, rad.
    pub fn angle_rad(&self) -> f64 {
        self.0.angle()
    }

    /// The rotation as a matrix, row by row.
    pub fn matrix(&self) -> [[f64; 3]; 3] {
        let matrix = self.0.to_rotation_matrix();
        std::array::from_fn(|row| std::array::from_fn(|col| matrix[(row, col)]))
    }

    /// The rotation that takes `from` to `to` best, in weighted least squares.
    ///
    /// Source: Kabsch (1976), Acta Cryst. A32, 922; Wahba's problem (from memory). `None`
    /// when the directions do not tell: fewer than two, or all in one place.
    pub(crate) fn between<'a>(
        pairs: impl Iterator<Item = (&'a [f64; 3], &'a [f64; 3], f64)>,
    ) -> Option<Self> {
        let mut sum = Matrix3::zeros();
        for (from, to, weight) in pairs {
            sum += weight * Vector3::from(*to) * Vector3::from(*from).transpose();
        }
        let svd = sum.svd(true, true);
        let (u, v) = (svd.u?, svd.v_t?);
        let values = svd.singular_values;
        // The second largest value says how far the directions are apart.
        let mut order = [values[0], values[1], values[2]];
        order.sort_by(f64::total_cmp);
        if order[1].is_nan() || order[1] <= 1e-15 * order[2] {
            return None;
        }
        let least = (0..3).min_by(|&a, &b| values[a].total_cmp(&values[b]))?;
        let mut signs = Vector3::repeat(1.0);
        signs[least] = (u.determinant() * v.determinant()).signum();
        let rotation = u * Matrix3::from_diagonal(&signs) * v;
        Some(Self(UnitQuaternion::from_rotation_matrix(
            &Rotation3::from_matrix_unchecked(rotation),
        )))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const ROUNDING: f64 = 1e-14;

    fn close(a: [f64; 3], b: [f64; 3]) -> bool {
        (0..3).all(|i| (a[i] - b[i]).abs() < ROUNDING)
    }

    #[test]
    fn a_quarter_turn_about_the_view_takes_right_to_down() {
        let turn = Attitude::from_rotation_vector([0.0, 0.0, std::f64::consts::FRAC_PI_2]);
        assert!(close(turn.rotate([1.0, 0.0, 0.0]), [0.0, 1.0, 0.0]));
        assert!(close(
            turn.inverse().rotate([0.0, 1.0, 0.0]),
            [1.0, 0.0, 0.0]
        ));
        let half = turn.then(&turn);
        assert!((half.angle_rad() - std::f64::consts::PI).abs() < ROUNDING);
        assert!((turn.matrix()[1][0] - 1.0).abs() < ROUNDING);
    }

    #[test]
    fn quaternions_and_vectors_come_back() {
        let vector = [0.2, -0.5, 1.1];
        let turn = Attitude::from_rotation_vector(vector);
        assert!(close(turn.rotation_vector(), vector));
        let again = Attitude::from_quaternion(turn.quaternion().map(|part| -3.0 * part));
        assert!(close(
            again.expect("it has a length").rotation_vector(),
            vector
        ));
        assert_eq!(Attitude::from_quaternion([0.0; 4]), None);
        assert_eq!(Attitude::from_quaternion([f64::NAN; 4]), None);
    }

    #[test]
    fn the_best_rotation_is_the_one_that_was_made() {
        let turn = Attitude::from_rotation_vector([2.0, -1.0, 0.4]);
        let from = [[0.0, 0.0, 1.0], [0.6, 0.0, 0.8], [0.0, 0.8, 0.6]];
        let to = from.map(|direction| turn.rotate(direction));
        for n in [2, 3] {
            let pairs = from.iter().zip(&to).map(|(a, b)| (a, b, 2.0)).take(n);
            let found = Attitude::between(pairs).expect("they are apart");
            assert!(close(found.rotation_vector(), turn.rotation_vector()));
        }
        let one = from.iter().zip(&to).map(|(a, b)| (a, b, 1.0)).take(1);
        assert_eq!(Attitude::between(one), None);
        assert_eq!(Attitude::between(std::iter::empty()), None);
    }
}
