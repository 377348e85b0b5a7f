//! The noise of single pictures, told apart by what they do not share.
//!
//! On the same sky, brought to the same scale, result i is `R_i = S + n_i`. Of two results
//! the scene S is what they have in common, so
//!
//! ```text
//! v_i = var(R_i) - cov(R_i, R_j) = (var(R_i) - var(R_j) + var(R_i - R_j)) / 2
//! ```
//!
//! and of three the scene cancels altogether ("three-cornered hat", Gray & Allan 1974,
//! Proc. 28th Freq. Control Symp., 243; from memory):
//!
//! ```text
//! v_i = cov(R_i - R_j, R_i - R_k) = (var(R_i - R_j) + var(R_i - R_k) - var(R_j - R_k)) / 2
//! ```
//!
//! Both hold for independent noise. The first pays for scene that is left (stars are
//! masked, a smooth surface is taken out of every tile) with an error, and with the error
//! of the brightness scale times the scene; of all that can be formed for a result the one
//! with the least error is used.
//!
//! Results that share frames are not independent. Of a mean j of frames that holds all of
//! result i, `cov(n_i, n_j) = v_j` (its weights are the best, so nothing of it is left to
//! correlate with `n_i - n_j`), and `v_i = var(R_i - R_j) + v_j`, with `v_j` of its halves.

use crate::Measured;
use crate::compare::grid::{OnGrid, Patch};
use crate::compare::moments::{TileMoments, pairs, tile_moments};
use crate::compare::photometry::Photometry;
use crate::compare::pooled::{Pooled, without_outliers};
use crate::compare::types::{Contender, PairNoise};
use rayon::prelude::*;

/// What the noise of a result rests on.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Estimate {
    /// Its variance less its covariance with another result.
    Pair {
        /// The other.
        with: usize,
    },
    /// Its covariance with itself by way of two other results.
    Hat {
        /// The others.
        with: (usize, usize),
    },
    /// Halves of its own: it shares frames with the others.
    OwnHalves,
    /// All its frames are in another result: the variance of their difference, and that
    /// other's by its own halves.
    Subset {
        /// The other.
        of: usize,
    },
}

/// What a scale by star fluxes is uncertain by for faint light: aperture, kernel, a median's
/// loss at sharp stars (2.6 % seen). A judgment, no source.
pub(crate) const SCALE_FLOOR: f64 = 0.01;

/// The noise of one channel of all results.
pub(crate) struct Separated {
    results: Vec<NoiseEstimate>,
    /// By result, its slope at the sky's level over that of the grid's result, or the
    /// inverse, of star fluxes: where one has all frames of the other.
    sky_slopes: Vec<Vec<Measured>>,
    /// Relative errors of the brightness scales.
    scale_errors: Vec<f64>,
}

struct NoiseEstimate {
    estimate: Estimate,
    /// Variance of a grid pixel (white equivalent), in DN of the grid's result.
    variance: f64,
    /// The same with a group of tiles left out in turn.
    replicates: Vec<f64>,
    /// Error beyond what the replicates show: of own halves, and of scene that an error
    /// of the scale leaves.
    more_error: f64,
}

/// Groups of the jackknife.
const GROUPS: usize = 20;

impl Separated {
    pub(crate) fn estimate(&self, k: usize) -> Estimate {
        self.results[k].estimate
    }

    /// Slopes at the sky's level that a linear result does not have above 1.
    pub(crate) fn sky_slopes(&self, k: usize) -> &[Measured] {
        &self.sky_slopes[k]
    }

    /// White-equivalent noise of a grid pixel; NaN where it was lost in the others'.
    pub(crate) fn noise(&self, k: usize) -> Measured {
        let measured = &self.results[k];
        if measured.variance.is_nan() || measured.variance <= 0.0 {
            return Measured::NONE;
        }
        let error = jackknife(measured.replicates.iter().copied()).hypot(measured.more_error);
        let sigma = measured.variance.sqrt();
        Measured {
            value: sigma,
            error: (0.5 * error / sigma).hypot(self.scale_errors[k] * sigma),
        }
    }
}

/// Standard error from leaving groups out in turn (Tukey 1958, Ann. Math. Stat. 29, 614);
/// NaN of fewer than two.
pub(crate) fn jackknife(values: impl Iterator<Item = f64>) -> f64 {
    let values: Vec<f64> = values.collect();
    let n = values.len() as f64;
    if n < 2.0 {
        return f64::NAN;
    }
    let mean = values.iter().sum::<f64>() / n;
    let squares: f64 = values.iter().map(|value| (value - mean).powi(2)).sum();
    (squares * (n - 1.0) / n).sqrt()
}

/// All tiles, and all but one group in turn.
pub(crate) fn pool(tiles: &[TileMoments], n: usize) -> (Pooled, Vec<Pooled>) {
    let groups = GROUPS.min(tiles.len());
    let without = |group: usize| {
        let others = tiles.iter().enumerate();
        let others = others.filter(move |(i, _)| i % groups != group);
        Pooled::of(others.map(|(_, tile)| tile), n)
    };
    (
        Pooled::of(tiles.iter(), n),
        (0..groups).map(without).collect(),
    )
}

/// Results that share frames with result `k`.
pub(crate) fn sharing(contenders: &[Contender], k: usize) -> Vec<usize> {
    let frames = &contenders[k].frames;
    (0..contenders.len())
        .filter(|&other| other != k)
        .filter(|&other| {
            let theirs = &contenders[other].frames;
            theirs.iter().any(|frame| frames.contains(frame))
        })
        .collect()
}

/// Whether all frames of one are in the other.
fn is_subset(one: &Contender, other: &Contender) -> bool {
    !one.frames.is_empty() && one.frames.iter().all(|frame| other.frames.contains(frame))
}

/// Measures one channel; `None` when no tile has enough pixels.
///
/// - `grid`: the result whose pixels are the grid.
/// - `toned`: results of a known tone curve, by which no other is measured.
pub(crate) fn separate(
    contenders: &[Contender],
    grids: &[OnGrid],
    patch: &Patch,
    stars: &Photometry,
    channel: usize,
    grid: usize,
    toned: &[usize],
) -> Option<Separated> {
    let n = grids.len();
    let scales: Vec<Measured> = (0..n).map(|k| stars.flux_scale[k][channel]).collect();
    let tiles: Vec<TileMoments> = patch
        .tiles
        .par_iter()
        .filter_map(|&tile| {
            let plane = |(grid, scale): (&OnGrid, &Measured)| -> Vec<f32> {
                let values = grid.window(channel, tile).into_iter();
                values.map(|value| value / scale.value as f32).collect()
            };
            let planes: Vec<Vec<f32>> = grids.iter().zip(&scales).map(plane).collect();
            tile_moments(&planes, patch.off_stars(tile), tile.width())
        })
        .collect();
    let tiles = without_outliers(tiles, n);
    if tiles.is_empty() {
        return None;
    }
    let (whole, replicates) = pool(&tiles, n);
    let separator = Separator {
        contenders,
        grids,
        scales: &scales,
        toned,
        channel,
        whole,
        replicates,
        scale_errors: scales.iter().map(|s| s.error / s.value).collect(),
    };
    let results = (0..n).map(|k| separator.measure(k));
    Some(Separated {
        results: results.collect(),
        sky_slopes: (0..n).map(|k| separator.sky_slopes(k, grid)).collect(),
        scale_errors: separator.scale_errors,
    })
}

struct Separator<'a> {
    contenders: &'a [Contender],
    grids: &'a [OnGrid<'a>],
    scales: &'a [Measured],
    toned: &'a [usize],
    channel: usize,
    whole: Pooled,
    replicates: Vec<Pooled>,
    scale_errors: Vec<f64>,
}

impl Separator<'_> {
    /// NaN where nothing is left to measure by.
    fn measure(&self, k: usize) -> NoiseEstimate {
        let usable = |other: &usize| !self.toned.contains(other);
        let shares = sharing(self.contenders, k);
        let own = self.own_variance(k);
        // The largest result that holds all of this one's frames.
        let superset = shares
            .iter()
            .filter(|&j| usable(j) && is_subset(&self.contenders[k], &self.contenders[*j]))
            .filter_map(|&j| Some((j, self.own_variance(j)?)))
            .max_by_key(|&(j, _)| self.contenders[j].frames.len());
        let others: Vec<usize> = (0..self.grids.len())
            .filter(|i| *i != k && usable(i))
            .collect();
        let apart: Vec<usize> = others
            .iter()
            .copied()
            .filter(|i| !shares.contains(i))
            .collect();
        match (self.best(k, &apart), superset, own) {
            (Some(best), _, _) => best,
            (None, Some((of, own)), _) => self.measured(k, Estimate::Subset { of }, own),
            (None, None, Some(own)) => self.measured(k, Estimate::OwnHalves, own),
            // Correlated with all others, and no halves: too low, and said so by the note
            // that frames are shared.
            (None, None, None) => self.best(k, &others).unwrap_or_else(|| {
                let unknown = (f64::NAN, f64::NAN);
                self.measured(k, Estimate::OwnHalves, unknown)
            }),
        }
    }

    /// The estimate of least error by these others.
    fn best(&self, k: usize, others: &[usize]) -> Option<NoiseEstimate> {
        let two = others.iter().map(|&with| Estimate::Pair { with });
        let three = pairs(others.len())
            .map(|(a, b)| (others[a], others[b]))
            // What the other two share would be taken for noise of this one.
            .filter(|&(a, b)| !sharing(self.contenders, a).contains(&b))
            .map(|with| Estimate::Hat { with });
        two.chain(three)
            .map(|estimate| {
                let scene = self.whole.scene_error(k, estimate, &self.scale_errors);
                let measured = self.measured(k, estimate, (0.0, scene));
                let random = jackknife(measured.replicates.iter().copied());
                (random.hypot(scene), measured)
            })
            .min_by(|a, b| a.0.total_cmp(&b.0))
            .map(|(_, measured)| measured)
    }

    /// Slope of a result on one that holds all its frames, both ways: 1 for a linear part
    /// of a mean (see the head of this file), less of a worse estimator, never more.
    fn sky_slopes(&self, k: usize, grid: usize) -> Vec<Measured> {
        let slope = |of: usize, on: usize| {
            let value = self.whole.slope(of, on);
            let random = jackknife(self.replicates.iter().map(|pooled| pooled.slope(of, on)));
            let scale = self.scale_errors[of].hypot(self.scale_errors[on]);
            Measured {
                value,
                error: random.hypot(value * scale.hypot(SCALE_FLOOR)),
            }
        };
        [(k, grid), (grid, k)]
            .into_iter()
            .filter(|&(of, on)| of != on)
            .filter(|&(of, on)| is_subset(&self.contenders[of], &self.contenders[on]))
            .map(|(of, on)| slope(of, on))
            .collect()
    }

    /// An estimate, with a variance (and error) to be added that no replicate changes.
    fn measured(&self, k: usize, estimate: Estimate, added: (f64, f64)) -> NoiseEstimate {
        let of = |pooled: &Pooled| pooled.apply(k, estimate) + added.0;
        NoiseEstimate {
            estimate,
            variance: of(&self.whole),
            replicates: self.replicates.iter().map(of).collect(),
            more_error: added.1,
        }
    }

    /// The variance that own halves tell, on the grid and in the grid's DN, and its error.
    fn own_variance(&self, k: usize) -> Option<(f64, f64)> {
        let own = self.contenders[k].own_noise_dn.as_ref()?;
        let (sigma, error) = *own.get(self.channel)?;
        let loss = self.whole.block_loss(k)?;
        // White noise of a sum over n own pixels is √n that of one.
        let on_grid = self.grids[k].px_per_grid() / self.scales[k].value;
        let variance = (sigma * on_grid).powi(2) / loss;
        Some((variance, 2.0 * variance * error / sigma))
    }
}

/// Noise ratios of all pairs of results, geometric mean over the channels.
pub(crate) fn ratios(separated: &[Separated], n: usize) -> Vec<PairNoise> {
    pairs(n)
        .map(|(of, over)| PairNoise {
            of,
            over,
            ratio: ratio(separated, of, over),
        })
        .collect()
}

fn ratio(separated: &[Separated], of: usize, over: usize) -> Measured {
    let channels = separated.len() as f64;
    let log = |a: f64, b: f64| 0.5 * (a / b).ln();
    let mean = |value: &dyn Fn(&NoiseEstimate, &NoiseEstimate) -> f64| {
        let pairs = separated.iter().map(|c| (&c.results[of], &c.results[over]));
        pairs.map(|(a, b)| value(a, b)).sum::<f64>() / channels
    };
    let value = mean(&|a, b| log(a.variance, b.variance)).exp();
    let groups = separated
        .iter()
        .map(|channel| channel.results[of].replicates.len())
        .min()
        .unwrap_or(0);
    let replicate = |group: usize| mean(&|a, b| log(a.replicates[group], b.replicates[group]));
    let random = jackknife((0..groups).map(replicate));
    // Scales and own halves are measured channel by channel.
    let more: f64 = separated
        .iter()
        .map(|channel| {
            let relative = |k: usize| {
                let measured = &channel.results[k];
                0.5 * measured.more_error / measured.variance
            };
            let scale = channel.scale_errors[of].hypot(channel.scale_errors[over]);
            relative(of).powi(2) + relative(over).powi(2) + scale.powi(2)
        })
        .sum();
    let error = value * random.hypot(more.sqrt() / channels);
    match value.is_finite() && error.is_finite() {
        true => Measured { value, error },
        false => Measured::NONE,
    }
}
