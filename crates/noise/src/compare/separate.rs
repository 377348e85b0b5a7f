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

use crate::compare::grid::{OnGrid, Patch};
use crate::compare::middle;
use crate::compare::moments::{TileMoments, pair_index, pairs, tile_moments};
use crate::compare::photometry::Photometry;
use crate::compare::types::{Contender, PairNoise, Value};
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
}

/// The noise of one channel of all results.
pub(crate) struct Separated {
    estimates: Vec<Estimate>,
    /// Variance of a grid pixel (white equivalent), in DN of the grid's result.
    variances: Vec<f64>,
    /// The same with a group of tiles left out: `[group][result]`.
    replicates: Vec<Vec<f64>>,
    /// Relative errors of the brightness scales.
    scale_errors: Vec<f64>,
    /// Absolute errors of the variances that rest on own halves.
    own_errors: Vec<Option<f64>>,
}

/// Groups of the jackknife.
const GROUPS: usize = 20;
/// Tiles whose noise lies further out, in robust sigmas of its cube root, are not used.
const TILE_SIGMAS: f64 = 6.0;
const SIGMA_PER_MAD: f64 = 1.482_602_218_505_602;

impl Separated {
    pub(crate) fn estimate(&self, k: usize) -> Estimate {
        self.estimates[k]
    }

    /// White-equivalent noise of a grid pixel; NaN where it was lost in the others'.
    pub(crate) fn noise(&self, k: usize) -> Value {
        let variance = self.variances[k];
        let error = match self.own_errors[k] {
            Some(error) => error,
            None => jackknife(self.replicates.iter().map(|replicate| replicate[k])),
        };
        if variance.is_nan() || variance <= 0.0 {
            return Value::NONE;
        }
        let sigma = variance.sqrt();
        Value {
            value: sigma,
            error: (0.5 * error / sigma).hypot(self.scale_errors[k] * sigma),
        }
    }
}

/// Standard error from leaving groups out in turn (Tukey 1958, Ann. Math. Stat. 29, 614).
fn jackknife(values: impl Iterator<Item = f64>) -> f64 {
    let values: Vec<f64> = values.collect();
    let n = values.len() as f64;
    if n < 2.0 {
        return f64::NAN;
    }
    let mean = values.iter().sum::<f64>() / n;
    let squares: f64 = values.iter().map(|value| (value - mean).powi(2)).sum();
    (squares * (n - 1.0) / n).sqrt()
}

/// Results that share frames with result `k`.
pub(crate) fn sharing(contenders: &[Contender], k: usize) -> Vec<usize> {
    let frames = &contenders[k].frames;
    (0..contenders.len())
        .filter(|&other| other != k)
        .filter(|&other| {
            contenders[other]
                .frames
                .iter()
                .any(|frame| frames.contains(frame))
        })
        .collect()
}

/// Measures one channel; `None` when no tile has enough pixels.
pub(crate) fn separate(
    contenders: &[Contender],
    grids: &[OnGrid],
    patch: &Patch,
    stars: &Photometry,
    channel: usize,
) -> Option<Separated> {
    let n = grids.len();
    let scales: Vec<f32> = (0..n)
        .map(|k| stars.flux_scale[k][channel].value as f32)
        .collect();
    let tiles: Vec<TileMoments> = patch
        .tiles
        .par_iter()
        .filter_map(|&tile| {
            let planes: Vec<Vec<f32>> = grids
                .iter()
                .zip(&scales)
                .map(|(grid, scale)| {
                    let mut values = grid.window(channel, tile);
                    values.iter_mut().for_each(|value| *value /= scale);
                    values
                })
                .collect();
            tile_moments(&planes, patch.off_stars(tile), tile.width())
        })
        .collect();
    let tiles = without_outliers(tiles, n);
    if tiles.is_empty() {
        return None;
    }
    let groups = GROUPS.min(tiles.len());
    let whole = Pooled::of(tiles.iter(), n);
    let replicates: Vec<Pooled> = (0..groups)
        .map(|group| {
            let others = tiles
                .iter()
                .enumerate()
                .filter(|(i, _)| i % groups != group);
            Pooled::of(others.map(|(_, tile)| tile), n)
        })
        .collect();
    let scale_errors: Vec<f64> = (0..n)
        .map(|k| stars.flux_scale[k][channel])
        .map(|scale| scale.error / scale.value)
        .collect();
    let mut separated = Separated {
        estimates: Vec::new(),
        variances: Vec::new(),
        replicates: vec![Vec::new(); groups],
        scale_errors,
        own_errors: Vec::new(),
    };
    for k in 0..n {
        let shares = sharing(contenders, k);
        let own = own_variance(&contenders[k], &grids[k], scales[k], channel);
        let apart: Vec<usize> = (0..n).filter(|i| *i != k && !shares.contains(i)).collect();
        let others: Vec<usize> = match (apart.is_empty(), own) {
            (true, None) => (0..n).filter(|&i| i != k).collect(),
            _ => apart,
        };
        let best = candidates(k, &others, contenders)
            .map(|estimate| {
                let random = jackknife(replicates.iter().map(|pooled| pooled.apply(k, estimate)));
                let scene = whole.scene_error(k, estimate, &separated.scale_errors);
                (random.hypot(scene), estimate)
            })
            .min_by(|a, b| a.0.total_cmp(&b.0));
        match (best, own) {
            (Some((error, estimate)), _) => {
                separated.estimates.push(estimate);
                separated.variances.push(whole.apply(k, estimate));
                separated.own_errors.push(None);
                for (values, pooled) in separated.replicates.iter_mut().zip(&replicates) {
                    values.push(pooled.apply(k, estimate));
                }
                debug_assert!(error.is_nan() || error >= 0.0);
            }
            (None, Some((variance, error))) => {
                separated.estimates.push(Estimate::OwnHalves);
                separated.variances.push(variance);
                separated.own_errors.push(Some(error));
                separated
                    .replicates
                    .iter_mut()
                    .for_each(|v| v.push(variance));
            }
            (None, None) => return None,
        }
    }
    Some(separated)
}

/// What can be formed for a result with the others.
fn candidates<'a>(
    k: usize,
    others: &'a [usize],
    contenders: &'a [Contender],
) -> impl Iterator<Item = Estimate> + 'a {
    let two = others.iter().map(|&with| Estimate::Pair { with });
    let three = pairs(others.len())
        .map(|(a, b)| (others[a], others[b]))
        // What the other two share would be taken for noise of this one.
        .filter(move |&(a, b)| a != k && !sharing(contenders, a).contains(&b))
        .map(|with| Estimate::Hat { with });
    two.chain(three)
}

/// The variance that own halves tell, on the grid and in the grid's DN, and its error.
fn own_variance(
    contender: &Contender,
    grid: &OnGrid,
    scale: f32,
    channel: usize,
) -> Option<(f64, f64)> {
    let (sigma, error) = *contender.own_noise_dn.as_ref()?.get(channel)?;
    // White noise of a sum over n own pixels is √n that of one.
    let on_grid = grid.px_per_grid() / f64::from(scale);
    let variance = (sigma * on_grid).powi(2);
    Some((variance, 2.0 * variance * error / sigma))
}

/// Means over tiles, by pixels.
struct Pooled {
    own: Vec<f64>,
    pair: Vec<f64>,
}

impl Pooled {
    fn of<'a>(tiles: impl Iterator<Item = &'a TileMoments>, n: usize) -> Self {
        let (mut own, mut pair) = (vec![0.0; n], vec![0.0; n * (n - 1) / 2]);
        let mut pixels = 0.0;
        for tile in tiles {
            let weight = tile.pixels as f64;
            pixels += weight;
            let add = |sums: &mut [f64], moments: &[super::moments::Moment]| {
                for (sum, moment) in sums.iter_mut().zip(moments) {
                    *sum += weight * moment.area;
                }
            };
            add(&mut own, &tile.own);
            add(&mut pair, &tile.pair);
        }
        own.iter_mut()
            .chain(&mut pair)
            .for_each(|sum| *sum /= pixels);
        Self { own, pair }
    }

    fn difference(&self, a: usize, b: usize) -> f64 {
        self.pair[pair_index(a, b, self.own.len())]
    }

    fn apply(&self, k: usize, estimate: Estimate) -> f64 {
        match estimate {
            Estimate::Pair { with } => {
                0.5 * (self.own[k] - self.own[with] + self.difference(k, with))
            }
            Estimate::Hat { with: (a, b) } => {
                0.5 * (self.difference(k, a) + self.difference(k, b) - self.difference(a, b))
            }
            Estimate::OwnHalves => f64::NAN,
        }
    }

    /// What an error of the brightness scale makes of scene that is left, DN^2.
    fn scene_error(&self, k: usize, estimate: Estimate, scale_errors: &[f64]) -> f64 {
        let scene = |with: usize| {
            let covariance = 0.5 * (self.own[k] + self.own[with] - self.difference(k, with));
            covariance.max(0.0) * scale_errors[k].hypot(scale_errors[with])
        };
        match estimate {
            Estimate::Pair { with } => scene(with),
            // Second order in the scale.
            Estimate::Hat { .. } | Estimate::OwnHalves => 0.0,
        }
    }
}

/// Leaves out tiles where something else than noise differs: cloud, ground, a trail.
fn without_outliers(tiles: Vec<TileMoments>, n: usize) -> Vec<TileMoments> {
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

/// Noise ratios of all pairs of results, geometric mean over the channels.
pub(crate) fn ratios(separated: &[Separated], n: usize) -> Vec<PairNoise> {
    pairs(n)
        .map(|(of, over)| {
            let log = |variances: &[f64]| 0.5 * (variances[of] / variances[over]).ln();
            let channels = separated.len() as f64;
            let mean = |value: &dyn Fn(&Separated) -> f64| {
                separated.iter().map(value).sum::<f64>() / channels
            };
            let ratio = mean(&|channel| log(&channel.variances)).exp();
            let groups = separated
                .iter()
                .map(|c| c.replicates.len())
                .min()
                .unwrap_or(0);
            let random = jackknife(
                (0..groups).map(|group| mean(&|channel| log(&channel.replicates[group]))),
            );
            // Scales and own halves of the channels are measured one by one.
            let other = separated
                .iter()
                .map(|channel| {
                    let own = |k: usize| {
                        channel.own_errors[k].map_or(0.0, |e| 0.5 * e / channel.variances[k])
                    };
                    let scale = channel.scale_errors[of].hypot(channel.scale_errors[over]);
                    own(of).powi(2) + own(over).powi(2) + scale.powi(2)
                })
                .sum::<f64>()
                .sqrt()
                / channels;
            PairNoise {
                of,
                over,
                ratio: Value {
                    value: ratio,
                    error: ratio * random.hypot(other),
                },
            }
        })
        .collect()
}
