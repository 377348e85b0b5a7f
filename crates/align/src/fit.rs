//! Least-squares maps through pairs of points, and the choice of the model.

use crate::Homography;
use crate::stats::median;
use nalgebra::{DMatrix, DVector, Matrix3};

/// What kind of map was fitted, by degrees of freedom.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Model {
    /// Shift, rotation, one scale: 4 parameters.
    Similarity,
    /// Any linear map and a shift: 6 parameters.
    Affine,
    /// Plane to plane as a lens without distortion sees a turning sky: 8 parameters.
    Homography,
}

impl Model {
    /// Name in words.
    pub fn name(self) -> &'static str {
        match self {
            Self::Similarity => "similarity",
            Self::Affine => "affine",
            Self::Homography => "homography",
        }
    }

    /// Numbers that are fitted.
    pub fn parameters(self) -> usize {
        match self {
            Self::Similarity => 4,
            Self::Affine => 6,
            Self::Homography => 8,
        }
    }

    /// Pairs below which the model is not tried: twice the points an affine map needs and
    /// two, and five times those of a homography, or noise would bend the corners.
    pub fn min_pairs(self) -> usize {
        match self {
            Self::Similarity => 3,
            Self::Affine => 8,
            Self::Homography => 20,
        }
    }

    /// Least standard deviation of the positions along their narrow axis, as a share of the
    /// frame's short side. Evenly spread stars have 0.29.
    fn min_spread(self) -> f64 {
        match self {
            Self::Similarity => 0.0,
            Self::Affine => 0.07,
            Self::Homography => 0.12,
        }
    }
}

/// Two measured places of one star.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Pair {
    pub(crate) from: [f64; 2],
    pub(crate) to: [f64; 2],
    /// Standard error of the distance along one axis, px.
    pub(crate) error_px: f64,
}

impl Pair {
    /// Distance of the mapped place from the measured one, px; infinite behind the horizon.
    pub(crate) fn residual_px(&self, map: &Homography) -> f64 {
        let (x, y) = map.apply(self.from[0], self.from[1]);
        let distance = (x - self.to[0]).hypot(y - self.to[1]);
        if distance.is_nan() {
            f64::INFINITY
        } else {
            distance
        }
    }
}

/// A fitted map.
#[derive(Clone, Debug)]
pub(crate) struct Fit {
    pub(crate) map: Homography,
    pub(crate) model: Model,
    /// Residuals over their standard errors have this scale: 1 when errors are as stated.
    pub(crate) scale: f64,
}

/// Tukey's biweight takes no notice of residuals beyond this many sigmas; 95 % efficient for
/// Gaussian errors in one dimension (Holland & Welsch 1977; from memory).
pub(crate) const TUKEY_SIGMAS: f64 = 4.685;

/// The median length of a two-dimensional Gaussian vector, in sigmas: √(2 ln 2).
pub(crate) const MEDIAN_LENGTH: f64 = 1.177_410_022_515_474_7;

/// The map the pairs support best: of the models that have pairs enough, spread enough, that
/// of the least corrected Akaike criterion
/// `Σ min(r²/s², c²) + 2p + 2p(p + 1)/(2n − p − 1)`,
/// with `s` the robust scale of the most general of them and `c` Tukey's bound (Hurvich &
/// Tsai 1989, Biometrika 76, 297; from memory). It predicts best where no star is, too.
pub(crate) fn fit_best(pairs: &[Pair], size: (usize, usize), mirrored: bool) -> Option<Fit> {
    let spread = narrow_spread(pairs) / size.0.min(size.1).max(1) as f64;
    let supported =
        |model: &Model| pairs.len() >= model.min_pairs() && spread >= model.min_spread();
    let fits: Vec<Fit> = [Model::Homography, Model::Affine, Model::Similarity]
        .into_iter()
        .filter(supported)
        .filter_map(|model| fit_robust(model, pairs, mirrored))
        .collect();
    let scale = fits.first()?.scale;
    let criterion = |fit: &Fit| {
        let bounded = |pair: &Pair| {
            let ratio = pair.residual_px(&fit.map) / (scale * pair.error_px);
            (ratio * ratio).min(TUKEY_SIGMAS * TUKEY_SIGMAS)
        };
        let p = fit.model.parameters() as f64;
        let spare = 2.0 * pairs.len() as f64 - p - 1.0;
        let correction = if spare > 0.0 {
            2.0 * p * (p + 1.0) / spare
        } else {
            0.0
        };
        pairs.iter().map(bounded).sum::<f64>() + 2.0 * p + correction
    };
    fits.iter()
        .min_by(|a, b| criterion(a).total_cmp(&criterion(b)))
        .cloned()
}

/// Fits with Tukey's biweight, reweighted until the map stands still.
pub(crate) fn fit_robust(model: Model, pairs: &[Pair], mirrored: bool) -> Option<Fit> {
    const ROUNDS: usize = 30;
    const STILL_PX: f64 = 1e-5;
    // A residual scale of nothing would reject everything but the exact.
    const LEAST_SCALE: f64 = 1e-9;
    let mut weights: Vec<f64> = pairs.iter().map(|pair| pair.error_px.powi(-2)).collect();
    let mut map = fit_weighted(model, pairs, &weights, mirrored)?;
    let mut scale = f64::NAN;
    for _ in 0..ROUNDS {
        let ratios: Vec<f64> = pairs
            .iter()
            .map(|pair| pair.residual_px(&map) / pair.error_px)
            .collect();
        scale = (median(&mut ratios.clone())? / MEDIAN_LENGTH).max(LEAST_SCALE);
        for ((weight, pair), ratio) in weights.iter_mut().zip(pairs).zip(&ratios) {
            let inside = 1.0 - (ratio / (TUKEY_SIGMAS * scale)).powi(2);
            *weight = inside.max(0.0).powi(2) / pair.error_px.powi(2);
        }
        let next = fit_weighted(model, pairs, &weights, mirrored)?;
        let moved = pairs.iter().map(|pair| {
            let ((x, y), (next_x, next_y)) = (
                map.apply(pair.from[0], pair.from[1]),
                next.apply(pair.from[0], pair.from[1]),
            );
            (x - next_x).hypot(y - next_y)
        });
        let still = moved.fold(0.0, f64::max) < STILL_PX;
        map = next;
        if still {
            break;
        }
    }
    // Pairs as few as the parameters need leave residuals that say too little.
    let freedom = 2.0 * pairs.len() as f64 / (2.0 * pairs.len() as f64 - model.parameters() as f64);
    let scale = scale * freedom.max(1.0).sqrt();
    scale.is_finite().then_some(Fit { map, model, scale })
}

/// Weighted least squares of the distances on the frame, by Gauss-Newton in coordinates
/// centered and scaled to 1 (Hartley 1997, "In defense of the eight-point algorithm", on why).
fn fit_weighted(
    model: Model,
    pairs: &[Pair],
    weights: &[f64],
    mirrored: bool,
) -> Option<Homography> {
    let from = Normal::of(pairs.iter().map(|pair| pair.from), weights)?;
    let to = Normal::of(pairs.iter().map(|pair| pair.to), weights)?;
    let mirror = if mirrored && model == Model::Similarity {
        -1.0
    } else {
        1.0
    };
    let points: Vec<([f64; 2], [f64; 2])> = pairs
        .iter()
        .map(|pair| {
            let [x, y] = from.apply(pair.from);
            ([mirror * x, y], to.apply(pair.to))
        })
        .collect();
    let mut matrix = Matrix3::identity();
    if model == Model::Homography {
        matrix = gauss_newton(Model::Affine, matrix, &points, weights)?;
    }
    let matrix = gauss_newton(model, matrix, &points, weights)?;
    let flip = Matrix3::from_diagonal(&nalgebra::Vector3::new(mirror, 1.0, 1.0));
    let whole = to.matrix().try_inverse()? * matrix * flip * from.matrix();
    let scaled = whole / whole[(2, 2)];
    let finite = scaled.iter().all(|v| v.is_finite());
    finite.then(|| {
        Homography(std::array::from_fn(|row| {
            std::array::from_fn(|col| scaled[(row, col)])
        }))
    })
}

/// Centers points and scales them to a mean square distance of 2.
struct Normal {
    center: [f64; 2],
    scale: f64,
}

impl Normal {
    fn of(points: impl Iterator<Item = [f64; 2]> + Clone, weights: &[f64]) -> Option<Self> {
        let total: f64 = weights.iter().sum();
        let mean = |value: &dyn Fn([f64; 2]) -> f64| {
            points
                .clone()
                .zip(weights)
                .map(|(p, w)| w * value(p))
                .sum::<f64>()
                / total
        };
        let center = [mean(&|p| p[0]), mean(&|p| p[1])];
        let square = mean(&|p| (p[0] - center[0]).powi(2) + (p[1] - center[1]).powi(2));
        let scale = (2.0 / square).sqrt();
        scale.is_finite().then_some(Self { center, scale })
    }

    fn apply(&self, point: [f64; 2]) -> [f64; 2] {
        [0, 1].map(|i| (point[i] - self.center[i]) * self.scale)
    }

    fn matrix(&self) -> Matrix3<f64> {
        let s = self.scale;
        let [x, y] = self.center;
        Matrix3::new(s, 0.0, -s * x, 0.0, s, -s * y, 0.0, 0.0, 1.0)
    }
}

fn gauss_newton(
    model: Model,
    start: Matrix3<f64>,
    points: &[([f64; 2], [f64; 2])],
    weights: &[f64],
) -> Option<Matrix3<f64>> {
    const ROUNDS: usize = 20;
    const CONVERGED: f64 = 1e-13;
    let n = model.parameters();
    let mut matrix = start;
    for _ in 0..ROUNDS {
        let mut normal = DMatrix::<f64>::zeros(n, n);
        let mut right = DVector::<f64>::zeros(n);
        for ((from, to), &weight) in points.iter().zip(weights) {
            if weight == 0.0 {
                continue;
            }
            let (image, slopes) = slopes(model, &matrix, *from);
            for axis in 0..2 {
                let residual = to[axis] - image[axis];
                for i in 0..n {
                    right[i] += weight * slopes[axis][i] * residual;
                    for j in 0..=i {
                        normal[(i, j)] += weight * slopes[axis][i] * slopes[axis][j];
                    }
                }
            }
        }
        let step = normal.cholesky()?.solve(&right);
        add_step(model, &mut matrix, step.as_slice());
        if !matrix.iter().all(|v| v.is_finite()) {
            return None;
        }
        if step.amax() < CONVERGED {
            break;
        }
    }
    Some(matrix)
}

/// The image of a point and its derivatives by the model's parameters, for each axis.
fn slopes(model: Model, m: &Matrix3<f64>, [x, y]: [f64; 2]) -> ([f64; 2], [[f64; 8]; 2]) {
    let w = m[(2, 0)] * x + m[(2, 1)] * y + m[(2, 2)];
    let image = [0, 1].map(|i| (m[(i, 0)] * x + m[(i, 1)] * y + m[(i, 2)]) / w);
    let [u, v] = image;
    let mut slopes = [[0.0; 8]; 2];
    match model {
        Model::Similarity => {
            slopes[0][..4].copy_from_slice(&[x, -y, 1.0, 0.0]);
            slopes[1][..4].copy_from_slice(&[y, x, 0.0, 1.0]);
        }
        Model::Affine | Model::Homography => {
            slopes[0] = [x, y, 1.0, 0.0, 0.0, 0.0, -u * x, -u * y].map(|s| s / w);
            slopes[1] = [0.0, 0.0, 0.0, x, y, 1.0, -v * x, -v * y].map(|s| s / w);
        }
    }
    (image, slopes)
}

fn add_step(model: Model, m: &mut Matrix3<f64>, step: &[f64]) {
    match model {
        Model::Similarity => {
            m[(0, 0)] += step[0];
            m[(1, 1)] += step[0];
            m[(0, 1)] -= step[1];
            m[(1, 0)] += step[1];
            m[(0, 2)] += step[2];
            m[(1, 2)] += step[3];
        }
        Model::Affine | Model::Homography => {
            for (i, value) in step.iter().enumerate() {
                m[(i / 3, i % 3)] += value;
            }
        }
    }
}

/// Standard deviation of the reference places along their narrow axis, px.
fn narrow_spread(pairs: &[Pair]) -> f64 {
    let n = pairs.len() as f64;
    let mean = [0, 1].map(|i| pairs.iter().map(|pair| pair.from[i]).sum::<f64>() / n);
    let moment = |i: usize, j: usize| {
        let product = |pair: &Pair| (pair.from[i] - mean[i]) * (pair.from[j] - mean[j]);
        pairs.iter().map(product).sum::<f64>() / n
    };
    let axes = crate::shape::Ellipse::from_moments(moment(0, 0), moment(0, 1), moment(1, 1));
    axes.minor_px2.max(0.0).sqrt()
}

#[cfg(test)]
#[path = "fit/tests.rs"]
mod tests;
