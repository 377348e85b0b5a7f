//! Gaussian drops that follow the edges of the first pass.

use super::FirstPass;
use super::drop::CUT_SIGMAS;
use ndarray::{Array2, Axis};

/// Longest axis of a steered drop over that of a round one.
pub(super) const LONGEST: f64 = 1.4;
/// Shortest axis over that of a round one.
const SHORTEST: f64 = 0.5;
/// Gradients up to so many of their own sigmas are taken for noise, and from so many on for
/// structure alone.
const NOISE_TO_STRUCTURE_SIGMAS: (f64, f64) = (3.0, 9.0);

/// The kernel of every pixel of the reference, as its inverse covariance in units of the round
/// kernel's variance.
///
/// Source: Wronski et al. (2019), ACM TOG 38(4) 28, sect. 5.1: samples of the mosaic are
/// merged by an anisotropic Gaussian kernel whose axes are those of the structure tensor of a
/// gray picture (from memory). A simplified version of it:
///
/// - the gray picture is the sum of the first pass's channels, which is at full resolution and
///   has the noise of N lights, not of one;
/// - what is structure and what noise is told by the gradient over its own standard error
///   instead of by tuned thresholds;
/// - where there is neither edge nor star the kernel keeps its width: flat sky is not smoothed
///   beyond it, since noise is to be measured and not hidden;
/// - no robustness weight: outliers are rejected against the first pass instead.
///
/// With λ1 ≥ λ2 of the tensor over 3 x 3 pixels in units of noise, d = how much √λ1 is
/// structure, 0 to 1, and a = (λ1 − λ2) / (λ1 + λ2): across an edge σ = σ0 (1 − d/2), along
/// it σ = σ0 (1 − d/2 + 0.9 a d).
pub(super) struct Steering(Array2<Kernel>);

/// Inverse of a covariance: xx, xy, yy; and the root of its determinant.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Kernel {
    xx: f32,
    xy: f32,
    yy: f32,
    root: f32,
}

impl Steering {
    pub fn new(first: &FirstPass) -> Self {
        let gray = first.mean().sum_axis(Axis(0));
        let (rows, columns) = gray.dim();
        let gradient = Array2::from_shape_fn((rows, columns), |(row, col)| {
            let (left, right) = (col.saturating_sub(1), (col + 1).min(columns - 1));
            let (above, below) = (row.saturating_sub(1), (row + 1).min(rows - 1));
            let dx = gray[(row, right)] - gray[(row, left)];
            let dy = gray[(below, col)] - gray[(above, col)];
            // A difference of two pixels has twice their variance.
            let noise = (2.0 * first.noise_of_sum(row, col)).sqrt();
            match dx.is_finite() && dy.is_finite() && noise > 0.0 {
                true => (dx / noise, dy / noise),
                false => (0.0, 0.0),
            }
        });
        let span = |at: usize, n: usize| at.saturating_sub(1)..(at + 2).min(n);
        Self(Array2::from_shape_fn((rows, columns), |(row, col)| {
            let near = span(row, rows).flat_map(|r| span(col, columns).map(move |c| (r, c)));
            let (mut xx, mut xy, mut yy, mut n) = (0.0, 0.0, 0.0, 0.0);
            for at in near {
                let (dx, dy) = gradient[at];
                let (dx, dy) = (f64::from(dx), f64::from(dy));
                (xx, xy, yy, n) = (xx + dx * dx, xy + dx * dy, yy + dy * dy, n + 1.0);
            }
            Kernel::of_tensor(xx / n, xy / n, yy / n)
        }))
    }

    /// The kernel of a pixel of the reference.
    pub fn at(&self, at: (usize, usize)) -> &Kernel {
        &self.0[at]
    }
}

impl Kernel {
    fn of_tensor(xx: f64, xy: f64, yy: f64) -> Self {
        let (middle, half) = (0.5 * (xx + yy), 0.5 * (xx - yy));
        let spread = half.hypot(xy);
        let (most, least) = (middle + spread, (middle - spread).max(0.0));
        let (noise, structure) = NOISE_TO_STRUCTURE_SIGMAS;
        let detail = ((most.sqrt() - noise) / (structure - noise)).clamp(0.0, 1.0);
        let edge = if most > 0.0 {
            (most - least) / (most + least)
        } else {
            0.0
        };
        let across = 1.0 - (1.0 - SHORTEST) * detail;
        let along = across + (LONGEST - SHORTEST) * edge * detail;
        // The direction of the steepest gradient.
        let angle = 0.5 * xy.atan2(half);
        let (sin, cos) = angle.sin_cos();
        let (a, b) = (across.powi(-2), along.powi(-2));
        Self {
            xx: (a * cos * cos + b * sin * sin) as f32,
            xy: ((a - b) * cos * sin) as f32,
            yy: (a * sin * sin + b * cos * cos) as f32,
            root: (across * along).recip() as f32,
        }
    }

    /// Weight at a distance in units of the round kernel's sigma; of about unit sum over
    /// places so far apart.
    pub fn weight(&self, dx: f64, dy: f64) -> f64 {
        let (xx, xy, yy) = (f64::from(self.xx), f64::from(self.xy), f64::from(self.yy));
        let scaled = xx * dx * dx + 2.0 * xy * dx * dy + yy * dy * dy;
        match scaled > CUT_SIGMAS * CUT_SIGMAS {
            true => 0.0,
            false => f64::from(self.root) * (-0.5 * scaled).exp() / std::f64::consts::TAU,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn noise_leaves_the_kernel_round() {
        let kernel = Kernel::of_tensor(1.0, 0.2, 1.1);
        assert_eq!((kernel.xx, kernel.yy), (1.0, 1.0));
        assert_eq!(kernel.root, 1.0);
        assert!(kernel.xy.abs() < 1e-6);
    }

    #[test]
    fn an_edge_makes_it_narrow_across_and_long_along() {
        // Steep along x: a vertical edge.
        let kernel = Kernel::of_tensor(400.0, 0.0, 0.0);
        assert!((f64::from(kernel.xx) - SHORTEST.powi(-2)).abs() < 1e-5);
        assert!((f64::from(kernel.yy) - LONGEST.powi(-2)).abs() < 1e-5);
        // The same edge at 45 degrees, falling to the lower right.
        let turned = Kernel::of_tensor(200.0, 200.0, 200.0);
        assert!(turned.weight(1.0, 1.0) < turned.weight(1.0, -1.0));
    }

    #[test]
    fn a_star_makes_it_small_all_around() {
        let kernel = Kernel::of_tensor(400.0, 0.0, 400.0);
        assert!((f64::from(kernel.xx) - SHORTEST.powi(-2)).abs() < 1e-5);
        assert_eq!(kernel.xx, kernel.yy);
    }
}
