//! Moments of all tiles together, and what can be formed of them.

use crate::compare::middle;
use crate::compare::moments::{BLOCK_PX, TileMoments, pair_index};
use crate::compare::separate::Estimate;

/// Tiles whose noise lies further out, in robust sigmas of its cube root, are not used.
const TILE_SIGMAS: f64 = 6.0;
const SIGMA_PER_MAD: f64 = 1.482_602_218_505_602;

/// Means over tiles, by pixels.
pub(crate) struct Pooled {
    own: Vec<f64>,
    pair: Vec<f64>,
    /// As `pair`, of blocks.
    blocks: Vec<f64>,
    /// As `own` and `pair`, pixel by pixel.
    pixel_own: Vec<f64>,
    pixel_pair: Vec<f64>,
}

impl Pooled {
    /// The means over tiles of `n` planes.
    pub(crate) fn of<'a>(tiles: impl Iterator<Item = &'a TileMoments>, n: usize) -> Self {
        let n_pairs = n * (n - 1) / 2;
        let mut pooled = Self {
            own: vec![0.0; n],
            pair: vec![0.0; n_pairs],
            blocks: vec![0.0; n_pairs],
            pixel_own: vec![0.0; n],
            pixel_pair: vec![0.0; n_pairs],
        };
        let mut pixels = 0.0;
        for tile in tiles {
            let weight = tile.pixels as f64;
            pixels += weight;
            for (i, moment) in tile.own.iter().enumerate() {
                pooled.own[i] += weight * moment.area;
                pooled.pixel_own[i] += weight * moment.pixel;
            }
            for (i, moment) in tile.pair.iter().enumerate() {
                pooled.pair[i] += weight * moment.area;
                pooled.blocks[i] += weight * moment.block;
                pooled.pixel_pair[i] += weight * moment.pixel;
            }
        }
        for sums in [
            &mut pooled.own,
            &mut pooled.pair,
            &mut pooled.blocks,
            &mut pooled.pixel_own,
            &mut pooled.pixel_pair,
        ] {
            sums.iter_mut().for_each(|sum| *sum /= pixels);
        }
        pooled
    }

    /// What the triangular window of a report's blocks sees of the variance: interpolation
    /// moves noise to neighboring lags, where that window has `1 - |lag| / b`. Measured
    /// with smaller blocks on the difference to another result, taken to be alike.
    pub(crate) fn block_loss(&self, k: usize) -> Option<f64> {
        /// Side of the blocks that reports are about, px.
        const REPORT_BLOCK_PX: f64 = 8.0;
        let n = self.own.len();
        let pair = pair_index(k, (0..n).find(|&other| other != k)?, n);
        let seen = (self.blocks[pair] / self.pair[pair]).sqrt();
        let lag = BLOCK_PX as f64 * (1.0 - seen);
        let loss = (1.0 - lag / REPORT_BLOCK_PX).powi(2);
        // Beyond this it is not interpolation that makes the difference.
        (0.5..1.2).contains(&loss).then_some(loss)
    }

    /// Variance of a plane, scene and noise.
    pub(crate) fn own(&self, k: usize) -> f64 {
        self.own[k]
    }

    /// The same pixel by pixel.
    pub(crate) fn pixel_own(&self, k: usize) -> f64 {
        self.pixel_own[k]
    }

    /// Covariance of two planes.
    pub(crate) fn covariance(&self, a: usize, b: usize) -> f64 {
        0.5 * (self.own[a] + self.own[b] - self.difference(a, b))
    }

    /// Slope of the regression of plane `k` on plane `on`.
    pub(crate) fn slope(&self, k: usize, on: usize) -> f64 {
        self.covariance(k, on) / self.own[on]
    }

    /// Variance of the difference of two planes, pixel by pixel.
    pub(crate) fn pixel_difference(&self, a: usize, b: usize) -> f64 {
        self.pixel_pair[pair_index(a, b, self.own.len())]
    }

    /// Variance of the difference of two planes.
    pub(crate) fn difference(&self, a: usize, b: usize) -> f64 {
        self.pair[pair_index(a, b, self.own.len())]
    }

    /// The variance of result `k`, or the part of it that the pictures tell.
    pub(crate) fn apply(&self, k: usize, estimate: Estimate) -> f64 {
        match estimate {
            Estimate::Pair { with } => {
                0.5 * (self.own[k] - self.own[with] + self.difference(k, with))
            }
            Estimate::Hat { with: (a, b) } => {
                0.5 * (self.difference(k, a) + self.difference(k, b) - self.difference(a, b))
            }
            Estimate::Subset { of } => self.difference(k, of),
            Estimate::OwnHalves => 0.0,
        }
    }

    /// What an error of the brightness scale makes of scene that is left, DN^2; of second
    /// order in the scale where the scene cancels.
    pub(crate) fn scene_error(&self, k: usize, estimate: Estimate, scale_errors: &[f64]) -> f64 {
        let Estimate::Pair { with } = estimate else {
            return 0.0;
        };
        self.covariance(k, with).max(0.0) * scale_errors[k].hypot(scale_errors[with])
    }
}

/// Leaves out tiles where something else than noise differs: cloud, ground, a trail.
pub(crate) fn without_outliers(tiles: Vec<TileMoments>, n: usize) -> Vec<TileMoments> {
    let n_pairs = n * (n - 1) / 2;
    let limits: Vec<(f64, f64)> = (0..n_pairs)
        .map(|pair| {
            let roots = || tiles.iter().map(|tile| tile.pair[pair].area.cbrt());
            let center = middle(roots());
            let spread = SIGMA_PER_MAD * middle(roots().map(|root| (root - center).abs()));
            (center, TILE_SIGMAS * spread.max(1e-3 * center.abs()))
        })
        .collect();
    let usual = |tile: &TileMoments| {
        tile.pair
            .iter()
            .zip(&limits)
            .all(|(moment, (center, limit))| (moment.area.cbrt() - center).abs() <= *limit)
    };
    tiles.into_iter().filter(|tile| usual(tile)).collect()
}
