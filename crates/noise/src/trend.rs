//! A smooth surface taken out of a tile: gradients and drifting glow are not noise.
//!
//! A fit of q terms to n pixels also takes noise with it. At area scale this counts
//! b^2 times as much as at pixel scale, since the surface is smooth: of white noise about
//! `1 - q b^2 / n` is left. [`Trend::spent`] is that loss.

use stack::with_widest_vectors;

/// Degree of the surface.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Trend {
    Constant,
    Plane,
    Quadratic,
}

/// Exponents of x and y of every term, by rising degree.
const TERMS: [(usize, usize); 6] = [(0, 0), (1, 0), (0, 1), (2, 0), (1, 1), (0, 2)];

/// A surface may cost this share of the area variance; the costlier quadratic less.
/// Beyond it a lower degree is the smaller evil.
const MOST_SPENT: f64 = 1.0 / 3.0;
const MOST_SPENT_BY_QUADRATIC: f64 = 1.0 / 8.0;

impl Trend {
    /// The highest degree that `n` pixels bear at blocks of `block_px`; `None` when not
    /// even a constant can be told from the noise of a block.
    pub(crate) fn affordable(n: usize, block_px: usize) -> Option<Self> {
        if Self::Quadratic.spent(n, block_px) <= MOST_SPENT_BY_QUADRATIC {
            Some(Self::Quadratic)
        } else if Self::Plane.spent(n, block_px) <= MOST_SPENT {
            Some(Self::Plane)
        } else if Self::Constant.spent(n, block_px) <= MOST_SPENT {
            Some(Self::Constant)
        } else {
            None
        }
    }

    /// Terms of the surface.
    pub(crate) fn terms(self) -> usize {
        match self {
            Self::Constant => 1,
            Self::Plane => 3,
            Self::Quadratic => 6,
        }
    }

    /// Share of a white noise's area variance that the fit to `n` pixels removes.
    ///
    /// The sum over lags of the window times the autocovariance of the fitted terms,
    /// which for terms that hardly change across a block is `b^2 / n` each. The linear
    /// and quadratic ones do change: the sum over a tile of 64 px with b = 8 is 2.83
    /// for a plane and 5.31 for a quadratic instead of 3 and 6 (computed from the
    /// orthonormal terms in `the_cost_of_a_surface_is_that_of_its_terms`).
    pub(crate) fn spent(self, n: usize, block_px: usize) -> f64 {
        let effective_terms = match (self, block_px) {
            (Self::Constant, _) => 1.0,
            (Self::Plane, 1) => 3.0,
            (Self::Quadratic, 1) => 6.0,
            (Self::Plane, _) => 2.83,
            (Self::Quadratic, _) => 5.31,
        };
        effective_terms * (block_px * block_px) as f64 / n.max(1) as f64
    }

    /// Subtracts the least-squares surface through the `valid` pixels from all pixels.
    ///
    /// Leaves the values alone and returns false when the pixels do not determine it
    /// (all in one row, say).
    pub(crate) fn subtract(self, values: &mut [f32], valid: &[bool], width: usize) -> bool {
        let Some(coefficients) = self.fit(values, valid, width) else {
            return false;
        };
        let height = values.len() / width.max(1);
        let xs: Vec<f32> = (0..width).map(|x| coordinate(x, width) as f32).collect();
        for (row, line) in values.chunks_exact_mut(width).enumerate() {
            let y = coordinate(row, height);
            // The surface along a row is a parabola in x.
            let mut along = [0.0; 3];
            for (&(i, j), c) in TERMS.iter().zip(&coefficients) {
                along[i] += c * y.powi(j as i32);
            }
            let [a, b, c] = along.map(|value| value as f32);
            for (value, &x) in line.iter_mut().zip(&xs) {
                *value -= a + x * (b + x * c);
            }
        }
        true
    }

    fn fit(self, values: &[f32], valid: &[bool], width: usize) -> Option<Vec<f64>> {
        let q = self.terms();
        let height = values.len() / width.max(1);
        // Those that the mask is multiplied by, and those that the values are.
        let powers: Vec<[f64; 8]> = (0..width)
            .map(|column| {
                let x = coordinate(column, width);
                let squared = x * x;
                [
                    1.0,
                    x,
                    squared,
                    squared * x,
                    squared * x * x,
                    1.0,
                    x,
                    squared,
                ]
            })
            .collect();
        let mut matrix = vec![0.0; q * q];
        let mut rhs = vec![0.0; q];
        for row in 0..height {
            let range = row * width..(row + 1) * width;
            let [moments @ .., u, v, w] = moments(&values[range.clone()], &valid[range], &powers);
            let value_moments = [u, v, w];
            let y = coordinate(row, height);
            for (a, &(ix, iy)) in TERMS[..q].iter().enumerate() {
                rhs[a] += value_moments[ix] * y.powi(iy as i32);
                for (b, &(jx, jy)) in TERMS[..q].iter().enumerate() {
                    matrix[a * q + b] += moments[ix + jx] * y.powi((iy + jy) as i32);
                }
            }
        }
        solve_positive(matrix, rhs)
    }
}

/// Sums over the valid pixels of a row: of the first five powers, and of the values times the
/// last three.
fn moments(values: &[f32], valid: &[bool], powers: &[[f64; 8]]) -> [f64; 8] {
    with_widest_vectors(
        #[inline(always)]
        || {
            let mut sums = [0.0; 8];
            for ((&value, &valid), powers) in values.iter().zip(valid).zip(powers) {
                let one = if valid { 1.0 } else { 0.0 };
                let value = if valid { f64::from(value) } else { 0.0 };
                let factors = [one, one, one, one, one, value, value, value];
                for k in 0..8 {
                    sums[k] += factors[k] * powers[k];
                }
            }
            sums
        },
    )
}

/// -1 to 1 across `n` pixels.
fn coordinate(index: usize, n: usize) -> f64 {
    let half = (n.max(2) - 1) as f64 / 2.0;
    (index as f64 - half) / half
}

/// Solves a symmetric positive definite system by Cholesky; `None` when it is not.
pub(crate) fn solve_positive(mut matrix: Vec<f64>, mut rhs: Vec<f64>) -> Option<Vec<f64>> {
    let q = rhs.len();
    let scale = (0..q).map(|i| matrix[i * q + i]).fold(0.0, f64::max);
    for j in 0..q {
        let mut pivot = matrix[j * q + j];
        for k in 0..j {
            pivot -= matrix[j * q + k] * matrix[j * q + k];
        }
        if pivot.is_nan() || pivot <= 1e-9 * scale {
            return None;
        }
        let pivot = pivot.sqrt();
        matrix[j * q + j] = pivot;
        for i in j + 1..q {
            let mut value = matrix[i * q + j];
            for k in 0..j {
                value -= matrix[i * q + k] * matrix[j * q + k];
            }
            matrix[i * q + j] = value / pivot;
        }
    }
    for i in 0..q {
        for k in 0..i {
            rhs[i] -= matrix[i * q + k] * rhs[k];
        }
        rhs[i] /= matrix[i * q + i];
    }
    for i in (0..q).rev() {
        for k in i + 1..q {
            rhs[i] -= matrix[k * q + i] * rhs[k];
        }
        rhs[i] /= matrix[i * q + i];
    }
    Some(rhs)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::covariance::{PaddedPlane, block_window};

    const SIDE: usize = 64;

    /// Plane of one term, orthonormalised against those before it.
    fn orthonormal_terms(q: usize) -> Vec<Vec<f32>> {
        let mut terms: Vec<Vec<f64>> = Vec::new();
        for &(i, j) in &TERMS[..q] {
            let mut term: Vec<f64> = (0..SIDE * SIDE)
                .map(|p| {
                    coordinate(p % SIDE, SIDE).powi(i as i32)
                        * coordinate(p / SIDE, SIDE).powi(j as i32)
                })
                .collect();
            for other in &terms {
                let dot: f64 = term.iter().zip(other).map(|(a, b)| a * b).sum();
                term.iter_mut().zip(other).for_each(|(a, b)| *a -= dot * b);
            }
            let norm = term.iter().map(|a| a * a).sum::<f64>().sqrt();
            term.iter_mut().for_each(|a| *a /= norm);
            terms.push(term);
        }
        terms
            .into_iter()
            .map(|term| term.into_iter().map(|v| v as f32).collect())
            .collect()
    }

    /// Published to three digits in the table of `spent`.
    const TABLE_ROUNDING: f64 = 0.01;

    #[test]
    fn the_cost_of_a_surface_is_that_of_its_terms() {
        let valid = vec![true; SIDE * SIDE];
        let ones = vec![1.0; SIDE * SIDE];
        let mut padded = PaddedPlane::new(SIDE, SIDE, 8);
        padded.fill(&ones, &valid);
        let pairs = padded.lag_sums();
        for trend in [Trend::Constant, Trend::Plane, Trend::Quadratic] {
            let mut cost = 0.0;
            for term in orthonormal_terms(trend.terms()) {
                padded.fill(&term, &valid);
                let sums = padded.lag_sums();
                cost += block_window(8)
                    .iter()
                    .zip(sums.iter().zip(&pairs))
                    .map(|(window, (sum, pairs))| window * sum / pairs)
                    .sum::<f64>();
            }
            let scaled = cost * (SIDE * SIDE) as f64 / 64.0;
            let stated = trend.spent(SIDE * SIDE, 8) * (SIDE * SIDE) as f64 / 64.0;
            assert!(
                (scaled - stated).abs() < TABLE_ROUNDING,
                "{trend:?}: {scaled} {stated}"
            );
        }
    }

    #[test]
    fn a_surface_of_its_own_degree_vanishes() {
        let valid: Vec<bool> = (0..SIDE * SIDE).map(|p| p % 5 != 0).collect();
        let mut values: Vec<f32> = (0..SIDE * SIDE)
            .map(|p| {
                let (x, y) = ((p % SIDE) as f32, (p / SIDE) as f32);
                40.0 - 0.7 * x + 0.3 * y + 0.01 * x * x - 0.02 * x * y
            })
            .collect();
        assert!(Trend::Quadratic.subtract(&mut values, &valid, SIDE));
        // f32 rounding of values near 100.
        assert!(values.iter().all(|v| v.abs() < 1e-4));
    }

    #[test]
    fn pixels_in_one_row_do_not_make_a_plane() {
        let valid: Vec<bool> = (0..SIDE * SIDE).map(|p| p < SIDE).collect();
        let mut values = vec![3.0; SIDE * SIDE];
        assert!(!Trend::Plane.subtract(&mut values, &valid, SIDE));
        assert!(values.iter().all(|&v| v == 3.0));
        assert!(Trend::Constant.subtract(&mut values, &valid, SIDE));
    }

    #[test]
    fn few_pixels_bear_only_a_low_degree() {
        assert_eq!(Trend::affordable(4096, 8), Some(Trend::Quadratic));
        assert_eq!(Trend::affordable(2000, 8), Some(Trend::Plane));
        assert_eq!(Trend::affordable(300, 8), Some(Trend::Constant));
        assert_eq!(Trend::affordable(150, 8), None);
        assert_eq!(Trend::affordable(0, 8), None);
    }
}
