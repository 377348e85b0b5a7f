//! How the camera may turn between frames, as numbers that can be fitted.

use crate::Attitude;
use nalgebra::Vector3;

/// The attitudes of all frames, the reference's being the identity.
#[derive(Clone, Debug)]
pub(crate) enum Motion {
    /// Each frame as it likes: three numbers a frame.
    Free(Vec<Attitude>),
    /// All about one axis: two numbers for it, and an angle a frame, rad.
    Turning { axis: [f64; 3], angles: Vec<f64> },
}

/// One fitted number of a frame's attitude: its index, and the small turn a unit of it makes.
pub(crate) type Column = (usize, [f64; 3]);

impl Motion {
    pub(crate) fn attitude(&self, frame: usize) -> Attitude {
        match self {
            Self::Free(attitudes) => attitudes[frame],
            Self::Turning { axis, angles } => {
                Attitude::from_rotation_vector(axis.map(|part| part * angles[frame]))
            }
        }
    }

    pub(crate) fn frames(&self) -> usize {
        match self {
            Self::Free(attitudes) => attitudes.len(),
            Self::Turning { angles, .. } => angles.len(),
        }
    }

    /// How many numbers are fitted.
    pub(crate) fn parameters(&self) -> usize {
        match self {
            Self::Free(attitudes) => 3 * (attitudes.len() - 1),
            Self::Turning { angles, .. } => 2 + angles.len() - 1,
        }
    }

    /// The numbers that a frame's attitude depends on; the reference's on none.
    pub(crate) fn columns(&self, frame: usize, reference: usize) -> Vec<Column> {
        if frame == reference {
            return Vec::new();
        }
        let place = place(frame, reference);
        match self {
            Self::Free(_) => (0..3)
                .map(|i| {
                    (
                        3 * place + i,
                        std::array::from_fn(|k| f64::from(u8::from(k == i))),
                    )
                })
                .collect(),
            Self::Turning { axis, angles } => {
                // A turn by θ about a + e is one about a, then one by sin θ e + (1 − cos θ) a × e.
                let (sine, cosine) = angles[frame].sin_cos();
                let across = across(*axis).map(|side| {
                    let turned = Vector3::from(*axis).cross(&Vector3::from(side));
                    std::array::from_fn(|k| sine * side[k] + (1.0 - cosine) * turned[k])
                });
                vec![(0, across[0]), (1, across[1]), (2 + place, *axis)]
            }
        }
    }

    /// The motion after a step of its numbers.
    pub(crate) fn moved(&self, step: &[f64], reference: usize) -> Self {
        match self {
            Self::Free(attitudes) => {
                let moved = |(frame, attitude): (usize, &Attitude)| {
                    if frame == reference {
                        return *attitude;
                    }
                    let at = 3 * place(frame, reference);
                    let turn = [step[at], step[at + 1], step[at + 2]];
                    attitude.then(&Attitude::from_rotation_vector(turn))
                };
                Self::Free(attitudes.iter().enumerate().map(moved).collect())
            }
            Self::Turning { axis, angles } => {
                let [right, down] = across(*axis);
                let moved = std::array::from_fn::<f64, 3, _>(|k| {
                    axis[k] + step[0] * right[k] + step[1] * down[k]
                });
                let norm = moved.iter().map(|part| part * part).sum::<f64>().sqrt();
                let angle = |(frame, angle): (usize, &f64)| match frame == reference {
                    true => 0.0,
                    false => angle + step[2 + place(frame, reference)],
                };
                Self::Turning {
                    axis: moved.map(|part| part / norm),
                    angles: angles.iter().enumerate().map(angle).collect(),
                }
            }
        }
    }

    /// The one axis that the attitudes come closest to, and the angles about it; the axis is
    /// such that most of the turning is right-handed in the order of the frames.
    pub(crate) fn about_one_axis(&self) -> Self {
        let vectors: Vec<Vector3<f64>> = (0..self.frames())
            .map(|frame| Vector3::from(self.attitude(frame).rotation_vector()))
            .collect();
        let mut sum = nalgebra::Matrix3::zeros();
        for vector in &vectors {
            sum += vector * vector.transpose();
        }
        let eigen = sum.symmetric_eigen();
        let mut axis: Vector3<f64> = eigen.eigenvectors.column(eigen.eigenvalues.imax()).into();
        let middle = (vectors.len() as f64 - 1.0) / 2.0;
        let order: f64 = (0..)
            .zip(&vectors)
            .map(|(i, v)| (f64::from(i) - middle) * axis.dot(v))
            .sum();
        if order < 0.0 {
            axis = -axis;
        }
        Self::Turning {
            axis: axis.into(),
            angles: vectors.iter().map(|vector| axis.dot(vector)).collect(),
        }
    }
}

/// Place of a frame among those that are not the reference.
fn place(frame: usize, reference: usize) -> usize {
    frame - usize::from(frame > reference)
}

/// Two directions across a unit vector and across each other.
pub(crate) fn across(direction: [f64; 3]) -> [[f64; 3]; 2] {
    let direction = Vector3::from(direction);
    let start = match direction.x.abs() < 0.9 {
        true => Vector3::x(),
        false => Vector3::y(),
    };
    let right = (start - direction * direction.dot(&start)).normalize();
    [right.into(), direction.cross(&right).into()]
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn columns_are_the_derivatives_of_the_attitude() {
        const STEP: f64 = 1e-6;
        const TOLERANCE: f64 = 1e-8; // the step squared, and rounding over the step
        let free = Motion::Free(
            [[0.3, 0.2, -0.1], [0.0; 3], [0.5, -0.4, 1.0]]
                .map(Attitude::from_rotation_vector)
                .to_vec(),
        );
        let turning = Motion::Turning {
            axis: [0.6, 0.0, 0.8],
            angles: vec![-0.3, 0.0, 0.9],
        };
        for motion in [free, turning] {
            for (frame, parameter) in
                (0..3).flat_map(|f| (0..motion.parameters()).map(move |p| (f, p)))
            {
                let mut step = vec![0.0; motion.parameters()];
                step[parameter] = STEP;
                let moved = motion.moved(&step, 1).attitude(frame);
                let turn = motion
                    .attitude(frame)
                    .inverse()
                    .then(&moved)
                    .rotation_vector();
                let columns = motion.columns(frame, 1);
                let column = columns.iter().find(|(index, _)| *index == parameter);
                let want = column.map_or([0.0; 3], |(_, turn)| *turn);
                for k in 0..3 {
                    assert!(
                        (turn[k] / STEP - want[k]).abs() < TOLERANCE + STEP,
                        "{motion:?} {parameter}"
                    );
                }
            }
        }
    }

    #[test]
    fn the_common_axis_is_found() {
        let turns = [-0.02, 0.0, 0.01, 0.05].map(|angle| [0.0, -0.6 * angle, 0.8 * angle]);
        let free = Motion::Free(turns.map(Attitude::from_rotation_vector).to_vec());
        let Motion::Turning { axis, angles } = free.about_one_axis() else {
            panic!("a turning motion");
        };
        assert!((axis[1] + 0.6).abs() < 1e-12 && (axis[2] - 0.8).abs() < 1e-12);
        assert!((angles[3] - 0.05).abs() < 1e-12);
    }
}
