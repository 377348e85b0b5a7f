//! How the gain grows with the number of lights, from means of real subsets of them.

use std::ops::Range;

use stack::TileSamples;

use crate::difference::{DifferenceMeter, DifferenceNoise};
use crate::measured::Measured;
use crate::observer::TileNoise;
use crate::pattern::shared_of_blocks;
use crate::region_noise::area;
use crate::robust::{Scattered, average};

/// Tiles that every number of lights is measured on, per channel.
const GROWTH_TILES: usize = 600;
/// Standard errors from which a floor counts.
const SIGNIFICANT: f64 = 2.0;
/// Twice the lights must lower the noise by this factor to be worth it.
const WORTH_DOUBLING: f64 = 1.1;
/// Squared sine of the angle between both terms of the fit below which rounding rules.
const ALIKE: f64 = 1e-9;
/// Fewest numbers of lights that a line is fitted to: through two it would go exactly.
const FEWEST_FITTED: usize = 3;
/// No pattern takes more than this of a light's variance.
const MOST_PATTERN: f64 = 0.95;

/// Gain of the mean of `n` lights.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct GrowthPoint {
    /// Lights averaged.
    pub n: usize,
    /// Noise of a single light over that of the mean, at the scale of blocks.
    pub gain: f64,
    /// One standard error of `gain`.
    pub error: f64,
}

/// Gain against the number of lights; noise relative to that of a single light.
#[derive(Clone, Debug, PartialEq)]
pub struct GrowthCurve {
    /// n = 1, 2, 4, ... up to half of the lights, as means of n neighbors in time differ
    /// from the next n, with what they share of a pattern that was measured; the last is
    /// the stack itself.
    pub points: Vec<GrowthPoint>,
    /// The part of the stack's noise that does not average, over the noise of a single
    /// light: `f` of `sigma^2 = a / n + f^2 s(n)`, where s is 1, or how much less of a
    /// pattern that was measured fewer lights would have averaged over their drift; 0 when
    /// the fit is negative. Its error is what it grows by when `f^2` grows by one standard
    /// error, so that a floor of 0 has one too. `None` with fewer than 3 numbers to compare
    /// (fewer than 8 lights): a fit through two points knows no error.
    pub floor: Option<Measured>,
    /// Lights in all at which the noise would be half of the stack's; `None` when no
    /// number would do, since the floor is higher, or without `floor`.
    pub lights_to_halve: Option<Measured>,
    /// Number of lights from which twice as many lower the noise by less than a tenth,
    /// which is a matter of the floor; `None` when no floor shows beyond chance.
    pub stops_paying_at: Option<Measured>,
    /// Whether a fixed pattern is in it; without, the curve is about random noise only.
    pub includes_pattern: bool,
}

/// Half the squared difference of two means of `n` lights, on one tile.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct GrowthSample {
    pub n: usize,
    pub noise: DifferenceNoise,
}

/// Numbers of lights with two disjoint sets of them among `lights`.
fn numbers(lights: usize) -> impl Iterator<Item = usize> {
    std::iter::successors(Some(1), |n| Some(2 * n)).take_while(move |n| 2 * n <= lights)
}

/// Measures means against means on tile number `index` of `tiles`; nothing on most tiles
/// of a large picture.
pub(crate) fn grow(
    tile: &TileSamples<'_>,
    (index, tiles): (usize, usize),
    usable: &[bool],
    meter: &mut DifferenceMeter,
) -> Vec<GrowthSample> {
    let every = (tiles / GROWTH_TILES).max(1);
    let lights = tile.samples.len();
    if lights < 4 || !index.is_multiple_of(every) {
        return Vec::new();
    }
    let most_runs = (GROWTH_TILES / tiles.max(1)).max(1);
    let mut samples = Vec::new();
    for n in numbers(lights) {
        let runs = lights / (2 * n);
        for k in 0..most_runs.min(runs) {
            let run = (index / every + k) % runs;
            let (mut values, mut valid) = mean_difference(tile, 2 * n * run, n, usable);
            if let Some(noise) = meter.measure(&mut values, &mut valid) {
                samples.push(GrowthSample { n, noise });
            }
        }
    }
    samples
}

/// Mean of `n` lights from `first` minus the mean of the next `n`, scaled to the noise of
/// a mean of n lights of the stack's average weight.
fn mean_difference(
    tile: &TileSamples<'_>,
    first: usize,
    n: usize,
    usable: &[bool],
) -> (Vec<f32>, Vec<bool>) {
    let pixels = usable.len();
    let mut sums = [0, 1].map(|_| (vec![0.0f32; pixels], vec![0.0f32; pixels]));
    for i in first..first + 2 * n {
        let (sum, weights) = &mut sums[usize::from(i >= first + n)];
        let weight = tile.weights[i];
        for p in 0..pixels {
            if tile.kept[i][p] != 0 {
                sum[p] += weight * (tile.samples[i][p] - tile.mean[p]);
                weights[p] += weight;
            }
        }
    }
    let mean_weight = tile.weights.iter().sum::<f32>() / tile.weights.len() as f32;
    let unit = (mean_weight * n as f32).recip();
    let [(sum_a, weight_a), (sum_b, weight_b)] = &sums;
    let mut valid = usable.to_vec();
    let mut values = vec![0.0; pixels];
    for p in 0..pixels {
        let (a, b) = (weight_a[p], weight_b[p]);
        valid[p] &= a > 0.0 && b > 0.0;
        if valid[p] {
            let difference = sum_a[p] / a - sum_b[p] / b;
            values[p] = difference * (a * b / (a + b) * unit).sqrt();
        }
    }
    (values, valid)
}

/// What the whole stack says, and what its means share of a pattern.
pub(crate) struct StackPoint<'a> {
    pub lights: usize,
    pub gain: f64,
    pub error: f64,
    /// Share of the stack's variance that is pattern; `None` when not known.
    pub pattern: Option<f64>,
    pub positions_px: Option<&'a [Vec<(f64, f64)>]>,
}

impl GrowthCurve {
    /// `None` without a number of lights to compare.
    pub(crate) fn of(
        tiles: &[TileNoise],
        channels: usize,
        block_px: usize,
        stack: &StackPoint<'_>,
    ) -> Option<Self> {
        let by_channel: Vec<Vec<Variance>> = (0..channels)
            .map(|channel| variances(tiles, channel, stack.lights))
            .filter(|variances| !variances.is_empty())
            .collect();
        let least = by_channel.iter().map(Vec::len).min()?;
        let share = 1.0 / by_channel.len() as f64;
        let pattern = stack.pattern.filter(|&share| share > 0.0);
        let hidden = hidden(pattern, stack, block_px, least);
        // Variances over that of a single light, mean over the channels.
        let points: Vec<Variance> = (0..least)
            .map(|k| {
                let mut point = Variance {
                    n: by_channel[0][k].n,
                    mean: 0.0,
                    error: 0.0,
                };
                for channel in &by_channel {
                    let shown = channel[0].mean / (1.0 - hidden[0]);
                    point.mean += share * (channel[k].mean / shown + hidden[k]);
                    point.error = point.error.hypot(share * channel[k].error / shown);
                }
                point
            })
            .collect();
        let fitted = decline(pattern, stack, block_px, least)
            .and_then(|decline| fit(&points, &decline))
            .or_else(|| fit(&points, &vec![1.0; least]));
        let mut points: Vec<GrowthPoint> = points
            .iter()
            .map(|point| {
                let gain = point.mean.max(f64::MIN_POSITIVE).sqrt().recip();
                // A gain is relative to the first point: what that does not know counts.
                let first = if point.n == 1 { 0.0 } else { points[0].error };
                let own = if point.n == 1 {
                    0.0
                } else {
                    point.error / point.mean
                };
                GrowthPoint {
                    n: point.n,
                    gain,
                    error: 0.5 * gain * own.hypot(first),
                }
            })
            .collect();
        points.push(GrowthPoint {
            n: stack.lights,
            gain: stack.gain,
            error: stack.error,
        });
        Some(Self {
            points,
            floor: fitted.as_ref().map(Fit::floor),
            lights_to_halve: fitted.as_ref().and_then(|fit| fit.lights_to_halve(stack)),
            stops_paying_at: fitted.as_ref().and_then(Fit::stops_paying_at),
            includes_pattern: stack.pattern.is_some(),
        })
    }
}

/// Variance of a mean of n lights, and its error.
#[derive(Clone, Copy)]
struct Variance {
    n: usize,
    mean: f64,
    error: f64,
}

fn variances(tiles: &[TileNoise], channel: usize, lights: usize) -> Vec<Variance> {
    let samples: Vec<&GrowthSample> = tiles
        .iter()
        .filter(|tile| tile.channel == channel)
        .filter_map(|tile| tile.measured.as_ref())
        .flat_map(|tile| &tile.growth)
        .collect();
    numbers(lights)
        .map_while(|n| {
            let own = samples.iter().filter(|sample| sample.n == n);
            let values: Vec<Scattered> = own.map(|sample| area(&sample.noise)).collect();
            let found = average(&values).filter(|found| found.mean > 0.0)?;
            Some(Variance {
                n,
                mean: found.mean,
                error: found.error,
            })
        })
        .collect()
}

/// What the two means of each number share of the pattern and so do not show, over the
/// variance of a single light.
fn hidden(pattern: Option<f64>, stack: &StackPoint<'_>, block_px: usize, count: usize) -> Vec<f64> {
    let (Some(pattern), Some(positions)) = (pattern, stack.positions_px) else {
        return vec![0.0; count];
    };
    let lights = stack.lights;
    let all = shared_of_blocks(positions, block_px, 0..lights, 0..lights);
    let in_light = (pattern / stack.gain.powi(2) / all.max(1.0 / lights as f64)).min(MOST_PATTERN);
    numbers(lights)
        .take(count)
        .map(|n| {
            let runs = lights / (2 * n);
            let of_run = |run: usize| {
                let first = 2 * n * run;
                shared_of_blocks(
                    positions,
                    block_px,
                    first..first + n,
                    first + n..first + 2 * n,
                )
            };
            in_light * (0..runs).map(of_run).sum::<f64>() / runs as f64
        })
        .collect()
}

/// Variance of a measured pattern in means of n neighbors over that in the stack, whose
/// lights drifted further; `None` without a pattern.
fn decline(
    pattern: Option<f64>,
    stack: &StackPoint<'_>,
    block_px: usize,
    count: usize,
) -> Option<Vec<f64>> {
    let positions = stack.positions_px.filter(|_| pattern.is_some())?;
    let lights = stack.lights;
    let shared = |set: Range<usize>| shared_of_blocks(positions, block_px, set.clone(), set);
    let all = shared(0..lights);
    let of_number = |n: usize| {
        let sets = 2 * (lights / (2 * n));
        let sum: f64 = (0..sets).map(|set| shared(n * set..n * (set + 1))).sum();
        sum / sets as f64 / all
    };
    Some(numbers(lights).take(count).map(of_number).collect())
}

/// `sigma^2 = slope / n + floor s(n)`, variances over that of a single light.
struct Fit {
    slope: f64,
    floor: f64,
    slope_error: f64,
    floor_error: f64,
    covariance: f64,
}

impl Fit {
    fn floor(&self) -> Measured {
        let variance = self.floor.max(0.0);
        let value = variance.sqrt();
        Measured {
            value,
            error: (variance + self.floor_error).sqrt() - value,
        }
    }

    fn floor_counts(&self) -> bool {
        self.floor > SIGNIFICANT * self.floor_error
    }

    /// `N (now - floor) / (now / 4 - floor)`; its error as if stack and fit were independent.
    fn lights_to_halve(&self, stack: &StackPoint<'_>) -> Option<Measured> {
        let floor = if self.floor_counts() { self.floor } else { 0.0 };
        let now = stack.gain.powi(-2);
        let now_error = 2.0 * now * stack.error / stack.gain;
        let left = 0.25 * now - floor;
        let lights = stack.lights as f64;
        let by_floor = 0.75 * now * self.floor_error;
        let by_now = 0.75 * floor * now_error;
        (left > 0.0).then(|| Measured {
            value: lights * (now - floor) / left,
            error: lights * by_floor.hypot(by_now) / (left * left),
        })
    }

    fn stops_paying_at(&self) -> Option<Measured> {
        let worth = WORTH_DOUBLING.powi(-2);
        let ratio = self.slope / self.floor;
        let variance = self.slope_error.powi(2) + (ratio * self.floor_error).powi(2)
            - 2.0 * ratio * self.covariance;
        let found = Measured {
            value: ratio,
            error: variance.max(0.0).sqrt() / self.floor,
        };
        let found = found.times((worth - 0.5) / (1.0 - worth));
        self.floor_counts().then_some(Measured {
            value: found.value.max(1.0),
            ..found
        })
    }
}

/// Weighed by the errors; `None` with too few points, or where both terms are alike.
fn fit(points: &[Variance], decline: &[f64]) -> Option<Fit> {
    let (mut ss, mut sx, mut xx, mut sy, mut xy) = (0.0, 0.0, 0.0, 0.0, 0.0);
    for (point, &s) in points.iter().zip(decline) {
        let weight = point.error.powi(-2);
        let x = 1.0 / point.n as f64;
        ss += weight * s * s;
        sx += weight * s * x;
        xx += weight * x * x;
        sy += weight * s * point.mean;
        xy += weight * x * point.mean;
    }
    let determinant = ss * xx - sx * sx;
    let slope = (ss * xy - sx * sy) / determinant;
    let floor = (xx * sy - sx * xy) / determinant;
    let floor_error = (xx / determinant).sqrt();
    let told =
        points.len() >= FEWEST_FITTED && determinant > ALIKE * ss * xx && floor_error.is_finite();
    told.then_some(Fit {
        slope,
        floor,
        slope_error: (ss / determinant).sqrt(),
        floor_error,
        covariance: -sx / determinant,
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn curve(n: usize, of: impl Fn(f64) -> f64) -> Vec<Variance> {
        numbers(n)
            .map(|n| Variance {
                n,
                mean: of(n as f64),
                error: 0.01 * of(n as f64),
            })
            .collect()
    }

    #[test]
    fn the_fit_finds_slope_and_floor() {
        let found = fit(&curve(64, |n| 0.9 / n + 0.1), &[1.0; 6]).expect("six points");
        assert!((found.slope - 0.9).abs() < 1e-9 && (found.floor - 0.1).abs() < 1e-9);
        assert!(found.floor_error > 0.0 && found.floor_error < 0.01);
        // Two numbers of lights: a line goes through both, whatever they are.
        assert!(fit(&curve(4, |n| 1.0 / n), &[1.0; 2]).is_none());
        assert!(fit(&curve(2, |n| 1.0 / n), &[1.0]).is_none());
        assert!(fit(&[], &[]).is_none());
    }

    /// Errors of what follows from the fit against its scatter under points that scatter.
    #[test]
    fn errors_of_what_follows_are_as_wide_as_its_scatter() {
        use rand::SeedableRng;
        use rand_distr::{Distribution, Normal};
        const TRIALS: usize = 4000;
        /// 4000 trials know a width to 1.1 %; ratios of fitted numbers are not quite normal.
        const TOLERANCE: f64 = 0.06;
        let mut truth = curve(64, |n| 0.95 / n + 0.003);
        // Well known, so that what follows from the fit is nearly linear in it.
        truth.iter_mut().for_each(|point| point.error *= 0.2);
        let mut rng = rand_chacha::ChaCha8Rng::seed_from_u64(17);
        let normal = Normal::new(0.0, 1.0).expect("a width");
        let stack = StackPoint {
            lights: 64,
            gain: (0.95f64 / 64.0 + 0.003).sqrt().recip(),
            error: 0.0,
            pattern: None,
            positions_px: None,
        };
        let found: Vec<[Measured; 3]> = (0..TRIALS)
            .map(|_| {
                let points: Vec<Variance> = truth
                    .iter()
                    .map(|point| Variance {
                        mean: point.mean + point.error * normal.sample(&mut rng),
                        ..*point
                    })
                    .collect();
                let fit = fit(&points, &vec![1.0; points.len()]).expect("six points");
                let halve = fit.lights_to_halve(&stack).expect("a low floor");
                [fit.floor(), halve, fit.stops_paying_at().expect("a floor")]
            })
            .collect();
        for figure in 0..3 {
            let values = found.iter().map(|trial| trial[figure].value);
            let mean = values.clone().sum::<f64>() / TRIALS as f64;
            let scatter = values.map(|v| (v - mean).powi(2)).sum::<f64>() / TRIALS as f64;
            let stated = found.iter().map(|trial| trial[figure].error.powi(2));
            let ratio = (scatter * TRIALS as f64 / stated.sum::<f64>()).sqrt();
            assert!((ratio - 1.0).abs() < TOLERANCE, "{figure}: {ratio}");
        }
    }

    #[test]
    fn the_fit_knows_a_pattern_that_drifts() {
        let decline: Vec<f64> = numbers(64).map(|n| 2.0 - n as f64 / 64.0).collect();
        let of = |n: f64| 0.8 / n + 0.1 * (2.0 - n / 64.0);
        let found = fit(&curve(64, of), &decline).expect("six points");
        assert!((found.slope - 0.8).abs() < 1e-9 && (found.floor - 0.1).abs() < 1e-9);
        // A pattern that averages like noise is no floor.
        let like_noise: Vec<f64> = numbers(64).map(|n| 64.0 / n as f64).collect();
        assert!(fit(&curve(64, |n| 1.0 / n), &like_noise).is_none());
    }

    #[test]
    fn numbers_double_up_to_half() {
        assert_eq!(numbers(12).collect::<Vec<_>>(), [1, 2, 4]);
        assert_eq!(numbers(16).collect::<Vec<_>>(), [1, 2, 4, 8]);
        assert_eq!(numbers(1).count(), 0);
    }
}
