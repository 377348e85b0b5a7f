//! The noise of one difference over one tile, at pixel and at area scale.

use crate::covariance::{
    FLAT_TOP_BLOCK_PX, FLAT_TOP_REACH_PX, PaddedPlane, block_window, flat_top_window, pairs_by_lag,
};
use crate::trend::Trend;

/// Noise of one tile, as variances on the scale of the difference's input.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct DifferenceNoise {
    /// White-noise equivalent at the block scale, DN^2. An estimate: it scatters around
    /// the truth and can be negative where pixels are few.
    pub area: f64,
    /// Per pixel, DN^2.
    pub pixel: f64,
    /// Windowed sum of the cubed autocorrelation: what is left at area scale of noise
    /// that a nonlinear estimator (a median, a clip) adds.
    pub cubed: f64,
    /// Relative variance that `area` would have were the noise white.
    pub area_scatter: f64,
    /// Pixels used.
    pub pixels: usize,
}

/// Pixels of a tile that go into the robust sigma; one in so many.
const SIGMA_STRIDE: usize = 3;
/// 1 / inverse normal of 3/4. Source: Rousseeuw & Croux (1993), JASA 88, 1273.
const SIGMA_PER_MAD: f32 = 1.482_602_2;
/// A pass more than it takes a bright trail to stop pulling the surface.
const MAX_PASSES: usize = 4;

/// Buffers and rules for the differences of one tile.
pub(crate) struct DifferenceMeter {
    width: usize,
    block_px: usize,
    outlier_sigmas: f32,
    outlier_grow_px: usize,
    window: Vec<f64>,
    plane: PaddedPlane,
    pairs_of: Vec<bool>,
    pairs: Vec<f64>,
    covariance: Vec<f64>,
}

impl DifferenceMeter {
    pub(crate) fn new(
        (width, height): (usize, usize),
        block_px: usize,
        outlier_sigmas: f32,
        outlier_grow_px: usize,
    ) -> Self {
        Self {
            width,
            block_px,
            outlier_sigmas,
            outlier_grow_px,
            window: block_window(block_px),
            plane: PaddedPlane::new(width, height, block_px),
            pairs_of: Vec::new(),
            pairs: Vec::new(),
            covariance: Vec::new(),
        }
    }

    /// A meter whose "area" is the sum of the autocovariance under
    /// [`flat_top_window`](crate::covariance::flat_top_window): the level that the noise has
    /// at low frequencies, which no interpolation changes.
    pub(crate) fn flat_top(
        (width, height): (usize, usize),
        outlier_sigmas: f32,
        outlier_grow_px: usize,
    ) -> Self {
        Self {
            window: flat_top_window(),
            plane: PaddedPlane::new(width, height, FLAT_TOP_REACH_PX),
            ..Self::new(
                (width, height),
                // Blocks whose window has the same sum cost a surface as much.
                FLAT_TOP_BLOCK_PX,
                outlier_sigmas,
                outlier_grow_px,
            )
        }
    }

    /// Measures `values` where `valid`; both row-major over the tile.
    ///
    /// Takes the trend out of `values` and strikes gross outliers off `valid`. `None`
    /// when too few pixels are left.
    pub(crate) fn measure(
        &mut self,
        values: &mut [f32],
        valid: &mut [bool],
    ) -> Option<DifferenceNoise> {
        let (n, trend) = self.clean(values, valid)?;
        self.noise(values, valid, n, trend)
    }

    /// Takes the trend out of `values` and strikes gross outliers off `valid`; how many
    /// pixels are left. `None` when too few are.
    pub(crate) fn clean(&self, values: &mut [f32], valid: &mut [bool]) -> Option<(usize, Trend)> {
        for pass in 0..=MAX_PASSES {
            let n = valid.iter().filter(|&&valid| valid).count();
            let trend = Trend::affordable(n, self.block_px)?;
            if !trend.subtract(values, valid, self.width) {
                return None;
            }
            if pass == MAX_PASSES || !self.strike_outliers(values, valid) {
                return Some((n, trend));
            }
        }
        None
    }

    /// Autocovariance of what was measured last, in the order of
    /// [`half_plane`](crate::covariance::half_plane) of a block.
    pub(crate) fn covariance(&self) -> &[f64] {
        &self.covariance
    }

    /// Pairs of `valid` pixels by lag, in the same order.
    pub(crate) fn pairs(&mut self, valid: &[bool]) -> &[f64] {
        self.count_pairs(valid);
        &self.pairs
    }

    fn noise(
        &mut self,
        values: &[f32],
        valid: &[bool],
        n: usize,
        trend: Trend,
    ) -> Option<DifferenceNoise> {
        self.count_pairs(valid);
        if self.pairs.iter().any(|&pairs| pairs < 1.0) {
            return None;
        }
        self.plane.fill(values, valid);
        let sums = self.plane.lag_sums();
        let per_pixel = sums[0] / self.pairs[0];
        let (mut area, mut cubed, mut area_scatter) = (0.0, 0.0, 0.0);
        self.covariance.clear();
        for ((sum, pairs), window) in sums.iter().zip(&self.pairs).zip(&self.window) {
            let covariance = sum / pairs;
            self.covariance.push(covariance);
            area += window * covariance;
            if per_pixel > 0.0 {
                cubed += window * (covariance / per_pixel).powi(3);
            }
            area_scatter += window * window / pairs;
        }
        // Lag 0 has a variance of 2 C^2 / n, the others of C^2 / n each, and stand twice
        // in the window already.
        area_scatter += self.window[0] * self.window[0] / self.pairs[0];
        let spent = trend.spent(n, self.block_px);
        let kept = 1.0 - spent;
        // The fitted terms scatter no more.
        area_scatter -= 2.0 * spent * spent / trend.terms() as f64;
        Some(DifferenceNoise {
            area: area / kept,
            pixel: per_pixel / (1.0 - trend.spent(n, 1)),
            cubed,
            area_scatter: area_scatter.max(2.0 / n as f64) / (kept * kept),
            pixels: n,
        })
    }

    /// Pairs of valid pixels by lag; kept as long as the mask stays the same.
    fn count_pairs(&mut self, valid: &[bool]) {
        if self.pairs_of == valid {
            return;
        }
        self.pairs = pairs_by_lag(valid, self.width, self.plane.reach());
        self.pairs_of = valid.to_vec();
    }

    /// Marks what lies far out, and its neighborhood; whether anything did.
    ///
    /// A scale of 0 (more than half of the values equal) strikes nothing.
    fn strike_outliers(&self, values: &[f32], valid: &mut [bool]) -> bool {
        let mut sizes: Vec<f32> = (0..values.len())
            .step_by(SIGMA_STRIDE)
            .filter(|&p| valid[p])
            .map(|p| values[p].abs())
            .collect();
        if sizes.is_empty() {
            return false;
        }
        let middle = sizes.len() / 2;
        let (_, mad, _) = sizes.select_nth_unstable_by(middle, f32::total_cmp);
        let limit = self.outlier_sigmas * SIGMA_PER_MAD * *mad;
        if limit <= 0.0 {
            return false;
        }
        let far: Vec<usize> = (0..values.len())
            .filter(|&p| valid[p] && values[p].abs() > limit)
            .collect();
        let height = values.len() / self.width;
        for &p in &far {
            let (x, y) = (p % self.width, p / self.width);
            let grow = self.outlier_grow_px;
            for row in y.saturating_sub(grow)..(y + grow + 1).min(height) {
                let columns = x.saturating_sub(grow)..(x + grow + 1).min(self.width);
                valid[row * self.width..][columns].fill(false);
            }
        }
        !far.is_empty()
    }
}

#[cfg(test)]
mod tests;
