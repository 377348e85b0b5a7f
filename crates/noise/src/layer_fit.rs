//! Least squares of patterns against what two contrasts of moved lights share.

use crate::layers::{LAGS, REACH_PX, SIDE, TileLayers};
use crate::robust::median;
use crate::trend::solve_positive;

/// Scale of what changes slowly in the sky (focus, thin cloud, residuals of faint stars):
/// the autocovariance of stars of 3.3 px FWHM, px.
const SKY_SCALE_PX: f64 = 2.0;
/// What is left over may be this multiple of what the tiles' scatter explains: the lags'
/// squares add up to about 15 independent ones, whose sum scatters by a third.
const CHANCE: f64 = 2.0;
/// Tiles whose residual exceeds this multiple of the median one are left out.
const ODD_TILE: f64 = 4.0;

/// A term of the fit.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Term {
    White = 0,
    Columns = 1,
    Rows = 2,
}

/// A fitted term: variance over that of a single light's noise.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Fitted {
    pub ratio: f64,
    pub error: f64,
}

/// What was fitted to a set of tiles.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct LayerFit {
    pub terms: Vec<(Term, Fitted)>,
    /// Rms over the lags of what the terms leave over beyond chance, over that of the
    /// white term at ratio 1: as much of another kind may be in the ratio.
    pub misfit: f64,
}

impl LayerFit {
    pub(crate) fn get(&self, term: Term) -> Option<Fitted> {
        let found = self.terms.iter().find(|(other, _)| *other == term);
        found.map(|(_, fitted)| *fitted)
    }
}

/// Least squares over tiles and lags; the errors are those of the tiles' own scatter.
pub(crate) fn fit(
    tiles: &[&TileLayers],
    templates: &[[Vec<f64>; 3]],
    terms: &[Term],
) -> Option<LayerFit> {
    let design = |tile: &TileLayers| -> Vec<Vec<f64>> {
        let cell = &templates[tile.cell];
        let mut columns: Vec<Vec<f64>> = terms.iter().map(|&t| cell[t as usize].clone()).collect();
        columns.push(vec![1.0; LAGS]);
        columns.push(
            (0..LAGS)
                .map(|l| {
                    let lag = |k: usize| k as f64 - REACH_PX as f64;
                    let r2 = lag(l % SIDE).powi(2) + lag(l / SIDE).powi(2);
                    (-0.5 * r2 / (SKY_SCALE_PX * SKY_SCALE_PX)).exp()
                })
                .collect(),
        );
        columns
    };
    let usable: Vec<&&TileLayers> = tiles
        .iter()
        .filter(|tile| tile.noise[0] > 0.0 && tile.cross.iter().all(|c| c.is_finite()))
        .collect();
    let first = Solution::of(&usable, &design)?;
    let sizes: Vec<f64> = usable
        .iter()
        .map(|tile| {
            tile.pairs
                * first
                    .residual(tile, &design(tile))
                    .iter()
                    .map(|r| r * r)
                    .sum::<f64>()
        })
        .collect();
    let limit = ODD_TILE * median(sizes.clone());
    let kept: Vec<&&TileLayers> = usable
        .into_iter()
        .zip(&sizes)
        .filter(|(_, size)| **size <= limit)
        .map(|(tile, _)| tile)
        .collect();
    Solution::of(&kept, &design)?.judge(&kept, &design, terms)
}

struct Solution {
    size: usize,
    matrix: Vec<f64>,
    values: Vec<f64>,
}

impl Solution {
    fn of(tiles: &[&&TileLayers], design: &dyn Fn(&TileLayers) -> Vec<Vec<f64>>) -> Option<Self> {
        let size = design(tiles.first()?).len();
        let (mut matrix, mut rhs) = (vec![0.0; size * size], vec![0.0; size]);
        for tile in tiles {
            let columns = design(tile);
            for (i, a) in columns.iter().enumerate() {
                rhs[i] += tile.pairs * dot(a, &tile.cross) / tile.noise[0];
                for (j, b) in columns.iter().enumerate() {
                    matrix[i * size + j] += tile.pairs * dot(a, b);
                }
            }
        }
        let values = solve_positive(matrix.clone(), rhs)?;
        Some(Self {
            size,
            matrix,
            values,
        })
    }

    fn residual(&self, tile: &TileLayers, columns: &[Vec<f64>]) -> Vec<f64> {
        (0..LAGS)
            .map(|l| {
                let model: f64 = columns
                    .iter()
                    .zip(&self.values)
                    .map(|(c, v)| v * c[l])
                    .sum();
                tile.cross[l] / tile.noise[0] - model
            })
            .collect()
    }

    fn judge(
        &self,
        tiles: &[&&TileLayers],
        design: &dyn Fn(&TileLayers) -> Vec<Vec<f64>>,
        terms: &[Term],
    ) -> Option<LayerFit> {
        let n = self.size;
        // What each tile adds to each value: rows of the inverse times its gradient.
        let rows: Option<Vec<Vec<f64>>> = (0..terms.len())
            .map(|k| {
                let mut unit = vec![0.0; n];
                unit[k] = 1.0;
                solve_positive(self.matrix.clone(), unit)
            })
            .collect();
        let rows = rows?;
        let mut variances = vec![0.0; terms.len()];
        let (mut sum, mut squares) = (vec![0.0; LAGS], 0.0);
        let (mut all, mut power) = (0.0, 0.0);
        for tile in tiles {
            let columns = design(tile);
            let residual = self.residual(tile, &columns);
            let gradient: Vec<f64> = columns
                .iter()
                .map(|c| tile.pairs * dot(c, &residual))
                .collect();
            for (variance, row) in variances.iter_mut().zip(&rows) {
                *variance += dot(row, &gradient).powi(2);
            }
            all += tile.pairs;
            for (l, r) in residual.iter().enumerate() {
                sum[l] += tile.pairs * r;
                squares += (tile.pairs * r).powi(2);
                power += tile.pairs * columns[0][l].powi(2);
            }
        }
        let left = sum.iter().map(|s| s * s).sum::<f64>();
        let beyond = (left - CHANCE * squares) / (all * all);
        let power = power / all;
        let freedom = tiles.len() as f64 / (tiles.len() as f64 - 1.0).max(1.0);
        Some(LayerFit {
            terms: terms
                .iter()
                .enumerate()
                .map(|(k, &term)| {
                    let (ratio, error) = (self.values[k], (freedom * variances[k]).sqrt());
                    (term, Fitted { ratio, error })
                })
                .collect(),
            misfit: if power > 0.0 {
                (beyond.max(0.0) / power).sqrt()
            } else {
                0.0
            },
        })
    }
}

fn dot(a: &[f64], b: &[f64]) -> f64 {
    a.iter().zip(b).map(|(a, b)| a * b).sum()
}
