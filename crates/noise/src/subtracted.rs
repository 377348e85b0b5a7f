//! What taking a pattern off the lights that told it makes of their noise, and of the pattern.
//!
//! The pattern found is what lights have more than their stack, averaged on the sensor. With
//! `e_i(w) = exp(i w t_i)` for light i, t_i off on the sensor, `B = mean of e_i`, `K(w)` the part
//! of what is found that is believed and not smooth, n_i the lights' noise and p the pattern,
//! light i on the reference is afterwards
//!
//! ```text
//! x_i = e_i [ n_i - K (mean of n_j - conj(B) mean of e_j n_j) ] + e_i [ 1 - K (1 - |B|^2) ] p
//! ```
//!
//! A sum `y = sum of c_i x_i`, with `C = sum of c_i e_i`, has of white noise of unit variance
//!
//! ```text
//! sum of c_i^2 - 2 K/N Re[conj(C) (C - B sum of c_i)] + K^2/N |C|^2 (1 - |B|^2)
//! ```
//!
//! and of the pattern `|C|^2 [1 - K (1 - |B|^2)]^2`. For the stack, `c = 1/N`, that is
//! `1/N [1 + K^2 |B|^2 (1 - |B|^2)]`: no frequency of its noise grows by more than a quarter.
//! Differences of lights lose of their own noise, since it is in the pattern that is taken
//! off them; these are the factors by which they are brought back.

use crate::pattern::PatternSummary;
use crate::region::Region;
use crate::report::{ChannelNoise, GainReport, RegionNoise};
use crate::robust::Average;
use crate::scales::SingleNoise;
use stack::HalfSplit;

/// Frequencies along an axis, from none to where means over blocks show little.
const FREQUENCIES: usize = 48;
/// Largest frequency, radians a pixel: twice the first zero of means over 8 px.
const LARGEST: f64 = 1.6;
/// Places of the field at most, of those that positions are given for.
const MOST_PLACES: usize = 12;

/// Factors of variances at the scale of blocks.
#[derive(Clone, Copy, Debug, PartialEq)]
struct Factors {
    /// Of noise in the stack, over that without taking anything off.
    stack: f64,
    /// Of noise as half differences show it, in turn and in time, likewise.
    halves: [f64; 2],
    /// Of noise in a single light, and as light minus rest shows it.
    single: f64,
    single_shown: f64,
    /// Of the pattern that was in the stack: what is left, and what halves show of that.
    left: f64,
    left_shown: [f64; 2],
}

/// A pattern that was estimated from the lights and taken off them, as far as their noise goes.
#[derive(Clone, Debug, PartialEq)]
pub struct SubtractedPattern {
    /// For a pattern that is white on the sensor, for columns, and for rows.
    factors: [Factors; 3],
    before: Vec<(Region, usize, Before)>,
    pub(crate) summary: PatternSummary,
}

/// One channel of a region with the pattern in the lights.
#[derive(Clone, Copy, Debug, PartialEq)]
struct Before {
    /// Area variance of the pattern in the stack, DN^2, in the three kinds.
    pattern: [f64; 3],
    /// Noise of the typical light, DN.
    single: SingleNoise,
}

/// The same for one channel of a region.
#[derive(Clone, Copy, Debug)]
pub(crate) struct SubtractedHere<'a> {
    factors: &'a [Factors; 3],
    before: Option<Before>,
}

impl SubtractedPattern {
    /// - `before`: the report of the same lights with the pattern in them.
    /// - `positions_px`: as [`ReportContext::positions_px`](crate::ReportContext), finite.
    /// - `believed`: part of what is found that is taken off, at the scale of blocks.
    /// - `smooth_px`: what is smooth over that is not.
    pub fn new(
        before: &GainReport,
        positions_px: &[Vec<(f64, f64)>],
        block_px: usize,
        believed: f64,
        smooth_px: usize,
    ) -> Self {
        let summary = before.summary.pattern;
        let share = |part: Option<f64>| {
            let all = summary.fraction_of_variance.unwrap_or(0.0);
            part.map_or(0.0, |part| {
                (part / all.max(f64::MIN_POSITIVE)).clamp(0.0, 1.0)
            })
        };
        let (columns, rows) = (share(summary.columns), share(summary.rows));
        let white = (1.0 - columns - rows).max(0.0);
        let of_cell = |cell: &ChannelNoise| {
            let variance = cell.stack.pattern.powi(2);
            Before {
                pattern: [white, columns, rows].map(|part| part * variance),
                single: cell.single,
            }
        };
        let of_region = |region: &RegionNoise| -> Vec<(Region, usize, Before)> {
            let cells = region.channels.iter();
            cells
                .map(|cell| (region.region, cell.channel, of_cell(cell)))
                .collect()
        };
        let sums = |directions: Directions, believed: f64| {
            Sums::over(positions_px, block_px, directions, believed, smooth_px).factors()
        };
        Self {
            factors: [
                sums(Directions::All, believed),
                // A line is the mean of so many sites that nothing of it is in doubt.
                sums(Directions::AlongX, 1.0),
                sums(Directions::AlongY, 1.0),
            ],
            before: before.regions.iter().flat_map(of_region).collect(),
            summary,
        }
    }

    /// Part of a white pattern's variance in the stack that is left when all that the lights
    /// show of it is believed: what is common to sky and sensor along their track.
    pub fn untold(positions_px: &[Vec<(f64, f64)>], block_px: usize, smooth_px: usize) -> f64 {
        let sums = Sums::over(positions_px, block_px, Directions::All, 1.0, smooth_px);
        sums.factors().left
    }

    /// Part of a white pattern's variance in the stack that is left.
    pub fn left(&self) -> f64 {
        self.factors[0].left
    }

    pub(crate) fn in_region(&self, region: &Region, channel: usize) -> SubtractedHere<'_> {
        let mut known = self.before.iter();
        let own = known.find(|(place, of, _)| place == region && *of == channel);
        SubtractedHere {
            factors: &self.factors,
            before: own.map(|(_, _, before)| *before),
        }
    }
}

impl SubtractedHere<'_> {
    /// The noise of the stack by a half difference after the pattern was taken off.
    pub(crate) fn noise_of(&self, shown: Average, split: HalfSplit) -> Average {
        let split = match split {
            HalfSplit::OddEven => 0,
            HalfSplit::FirstLast => 1,
        };
        let kinds = self.factors.iter().zip(self.pattern());
        let pattern: f64 = kinds.map(|(f, before)| f.left_shown[split] * before).sum();
        let factor = self.factors[0].stack / self.factors[0].halves[split].max(f64::MIN_POSITIVE);
        Average {
            // No pattern is most of what halves show.
            mean: factor * (shown.mean - pattern.min(0.5 * shown.mean)),
            error: factor * shown.error,
        }
    }

    fn pattern(&self) -> [f64; 3] {
        self.before.map_or([0.0; 3], |before| before.pattern)
    }

    /// Noise of the typical light as the camera gave it, which is what a stack without the
    /// pattern is held against: no light alone can tell the pattern.
    pub(crate) fn recorded(&self) -> Option<SingleNoise> {
        self.before.map(|before| before.single)
    }

    /// Factor from a light's variance as light minus rest shows it to its own.
    pub(crate) fn single(&self) -> f64 {
        let white = &self.factors[0];
        white.single / white.single_shown.max(f64::MIN_POSITIVE)
    }

    /// Area variance of what is left of the pattern in the stack.
    pub(crate) fn left(&self) -> f64 {
        let kinds = self.factors.iter().zip(self.pattern());
        kinds.map(|(factors, before)| factors.left * before).sum()
    }
}

/// The frequencies of a kind of pattern.
#[derive(Clone, Copy, PartialEq)]
enum Directions {
    All,
    AlongX,
    AlongY,
}

/// Sums over frequencies and places, weighed by the spectrum of a block's mean.
#[derive(Default)]
struct Sums {
    weight: f64,
    stack: f64,
    halves: [f64; 2],
    single: f64,
    single_shown: f64,
    pattern: f64,
    left: f64,
    left_shown: [f64; 2],
}

impl Sums {
    fn over(
        positions_px: &[Vec<(f64, f64)>],
        block_px: usize,
        directions: Directions,
        believed: f64,
        smooth_px: usize,
    ) -> Self {
        let mut sums = Self::default();
        let places = positions_px.first().map_or(0, Vec::len);
        let step = places.div_ceil(MOST_PLACES).max(1);
        for place in (0..places).step_by(step) {
            let at: Vec<(f64, f64)> = positions_px.iter().map(|light| light[place]).collect();
            for (x, y) in frequencies(directions) {
                let weight =
                    mean_over(x, block_px as f64).powi(2) * mean_over(y, block_px as f64).powi(2);
                let smooth = mean_over(x, smooth_px as f64) * mean_over(y, smooth_px as f64);
                sums.add(&at, (x, y), believed * (1.0 - smooth), weight);
            }
        }
        sums
    }

    fn add(&mut self, at: &[(f64, f64)], (x, y): (f64, f64), believed: f64, weight: f64) {
        let lights = at.len();
        let n = lights as f64;
        let mut mean = (0.0, 0.0);
        let mut halves = [(0.0, 0.0); 2];
        let sizes = [lights.div_ceil(2) as f64, (lights / 2) as f64];
        // The halves' difference, as it is scaled to the stack's noise.
        let scale = (sizes[0] * sizes[1]).sqrt() / n;
        for (i, (t_x, t_y)) in at.iter().enumerate() {
            let (sin, cos) = (x * t_x + y * t_y).sin_cos();
            mean = (mean.0 + cos / n, mean.1 + sin / n);
            for (split, sum) in [HalfSplit::OddEven, HalfSplit::FirstLast]
                .iter()
                .zip(&mut halves)
            {
                let c = match split.is_second(i, lights) {
                    true => -scale / sizes[1],
                    false => scale / sizes[0],
                };
                *sum = (sum.0 + c * cos, sum.1 + c * sin);
            }
        }
        let power = |a: (f64, f64)| a.0 * a.0 + a.1 * a.1;
        let common = power(mean);
        let told = 1.0 - common;
        let left = (1.0 - believed * told).powi(2);
        self.weight += weight;
        self.stack += weight * (1.0 + believed * believed * common * told);
        // The sum of squares of a half difference's factors is 1 / N.
        let of_difference = |c2: f64| 1.0 - believed * c2 * (2.0 - believed * told);
        for (i, half) in halves.iter().enumerate() {
            self.halves[i] += weight * of_difference(power(*half));
            self.left_shown[i] += weight * power(*half) * left;
        }
        self.single += weight * (1.0 - believed / n * told * (2.0 - believed));
        self.single_shown += weight * of_difference(told / (n - 1.0));
        self.pattern += weight * common;
        self.left += weight * common * left;
    }

    fn factors(&self) -> Factors {
        let weight = self.weight.max(f64::MIN_POSITIVE);
        let pattern = self.pattern.max(f64::MIN_POSITIVE);
        Factors {
            stack: self.stack / weight,
            halves: self.halves.map(|half| half / weight),
            single: self.single / weight,
            single_shown: self.single_shown / weight,
            left: self.left / pattern,
            left_shown: self.left_shown.map(|shown| shown / pattern),
        }
    }
}

/// Half a plane of frequencies; the other half has the same powers. None is 0, and no two are
/// in a simple ratio to a drift's.
fn frequencies(directions: Directions) -> Vec<(f64, f64)> {
    let n = FREQUENCIES as f64;
    let at = |i: usize| ((i as f64 + 0.37) / n * 2.0 - 1.0) * LARGEST;
    match directions {
        Directions::All => (0..FREQUENCIES * FREQUENCIES / 2)
            .map(|i| (at(i % FREQUENCIES), at(FREQUENCIES / 2 + i / FREQUENCIES)))
            .collect(),
        Directions::AlongX => (0..FREQUENCIES).map(|i| (at(i), 0.0)).collect(),
        Directions::AlongY => (0..FREQUENCIES).map(|i| (0.0, at(i))).collect(),
    }
}

/// Transfer of a mean over so many pixels: `sin(w n / 2) / (n sin(w / 2))`.
fn mean_over(frequency: f64, n: f64) -> f64 {
    let half = 0.5 * frequency;
    match half.sin().abs() < 1e-12 {
        true => 1.0,
        false => (n * half).sin() / (n * half.sin()),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const BLOCK: usize = 8;
    const SMOOTH: usize = 66;

    fn line(n: usize, step: (f64, f64)) -> Vec<Vec<(f64, f64)>> {
        (0..n)
            .map(|i| vec![(step.0 * i as f64, step.1 * i as f64)])
            .collect()
    }

    fn factors(positions: &[Vec<(f64, f64)>], believed: f64) -> Factors {
        Sums::over(positions, BLOCK, Directions::All, believed, SMOOTH).factors()
    }

    #[test]
    fn lights_that_stand_still_tell_nothing_and_lose_nothing() {
        let found = factors(&line(12, (0.0, 0.0)), 1.0);
        assert!((found.left - 1.0).abs() < 1e-12 && (found.stack - 1.0).abs() < 1e-12);
        assert!(found.halves.iter().all(|half| (half - 1.0).abs() < 1e-12));
    }

    #[test]
    fn what_is_not_believed_changes_nothing() {
        let found = factors(&line(12, (3.0, 1.0)), 0.0);
        let ones = [found.left, found.stack, found.single, found.single_shown];
        assert!(
            ones.iter().all(|one| (one - 1.0).abs() < 1e-12),
            "{found:?}"
        );
    }

    #[test]
    fn lights_far_apart_tell_nearly_all() {
        // Places that no frequency has in common.
        let scattered: Vec<_> = (0..20)
            .map(f64::from)
            .map(|i| vec![(311.0 * (1.7 * i).sin(), 277.0 * (2.3 * i * i).cos())])
            .collect();
        let found = factors(&scattered, 1.0);
        assert!(found.left < 0.05, "{found:?}");
        // Of the noise 1 + |B|^2 (1 - |B|^2), |B|^2 some 1 / N.
        assert!((found.stack - 1.05).abs() < 0.02, "{found:?}");
        assert!((found.halves[0] - 0.95).abs() < 0.02, "{found:?}");
    }

    #[test]
    fn along_a_line_part_is_sky_as_well_as_sensor() {
        let (short, long) = (line(20, (0.3, 0.1)), line(20, (3.0, 1.0)));
        let (short, long) = (factors(&short, 1.0).left, factors(&long, 1.0).left);
        assert!(short > 0.5 && long < short && long > 0.3, "{short} {long}");
    }
}
