//! What halves can say about a fixed pattern, and what they cannot.
//!
//! Sky and sensor are two layers that only the drift tells apart. A pattern that moves
//! less than a pixel or two is the same in all lights, so no difference of lights shows it.

use std::ops::Range;

use stack::HalfSplit;

use crate::region_noise::Excess;

/// What a bound on the pattern rests on.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum PatternBasis {
    /// Measured or bounded by what the drift lets halves see.
    Drift,
    /// Not visible; bounded by what flats and darks leave of it, both measured.
    Calibration,
    /// Not visible; bounded by what flats leave of the pixels' response, measured, and
    /// by typical offsets.
    Flats,
    /// Not visible; bounded by what darks leave of the pixels' offsets, measured, and by
    /// a typical response.
    Darks,
    /// Not visible; bounded by a typical pixel response and typical offsets.
    Assumed,
}

/// What the headline may claim.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Headline {
    /// Random noise and pattern were both measured.
    RandomAndPattern,
    /// A pattern could not be seen: the figures are about random noise only.
    RandomNoiseOnly,
}

/// The fixed pattern in the stack.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct PatternSummary {
    /// Whether it could be measured: by halves where the lights lie far enough apart to
    /// show at least a third of what they share (for an even drift, from about 6 px), else
    /// by the lights' track over the sensor where that tells its share of the stack's
    /// variance to 0.05 or better.
    pub visible: bool,
    /// Largest distance between two lights over the sensor, px; `None` when not known.
    pub drift_px: Option<f64>,
    /// Share of the stack's area variance that is pattern, 0 to 1; `None` when not
    /// visible.
    pub fraction_of_variance: Option<f64>,
    /// Parts of `fraction_of_variance` in columns and in rows of the sensor, mean over the
    /// channels; 0 where none shows beyond chance, `None` where only halves tell the
    /// pattern. A drift along the lines does not show them.
    pub columns: Option<f64>,
    /// See `columns`.
    pub rows: Option<f64>,
    /// Direction in which the stars drift over the sensor from the first lights to the
    /// last: degrees from +x (right) toward +y (down), 0 to 360; `None` without motion.
    pub direction_deg: Option<f64>,
    /// Whether a pattern was found that a slow and steady drift smears into streaks along
    /// `direction_deg`: "walking" noise.
    pub walking: bool,
    /// Largest share that the evidence allows, 0 to 1: two sigma above the measured one
    /// where visible; else what a sliver seen through little drift leaves possible, or
    /// the prior pattern, whichever is less.
    pub upper_bound: f64,
    /// What `upper_bound` rests on.
    pub basis: PatternBasis,
}

/// Below this drift, halves see nothing of a pattern, px; [`PatternSummary::visible`] asks
/// for more.
pub const VISIBLE_DRIFT_PX: f64 = 2.0;
/// With fewer lights both splits are the same difference.
pub const FEWEST_LIGHTS_FOR_PATTERN: usize = 4;

/// Whether halves of `n_lights` lights that drift `drift_px` in all show anything of a
/// pattern.
pub(crate) fn shows_at_all(drift_px: f64, n_lights: usize) -> bool {
    n_lights >= FEWEST_LIGHTS_FOR_PATTERN && drift_px >= VISIBLE_DRIFT_PX
}

/// How far the two lights furthest apart are from each other, px: the mean distance over
/// the places given. 0 without lights.
pub(crate) fn extent_px(positions_px: &[Vec<(f64, f64)>]) -> f64 {
    let pairs = positions_px
        .iter()
        .enumerate()
        .flat_map(|(i, a)| positions_px[..i].iter().map(move |b| (a, b)));
    pairs
        .filter_map(|(a, b)| mean_over_places(a, b, |dx, dy| dx.hypot(dy)))
        .fold(0.0, f64::max)
}

/// Mean of a function of the displacement over the places that both lights have; `None`
/// where they have none.
fn mean_over_places(
    a: &[(f64, f64)],
    b: &[(f64, f64)],
    of: impl Fn(f64, f64) -> f64,
) -> Option<f64> {
    let (sum, count) = a
        .iter()
        .zip(b)
        .map(|(a, b)| (a.0 - b.0, a.1 - b.1))
        .filter(|(dx, dy)| dx.is_finite() && dy.is_finite())
        .map(|(dx, dy)| of(dx, dy))
        .fold((0.0, 0usize), |(sum, count), value| {
            (sum + value, count + 1)
        });
    (count > 0).then(|| sum / count as f64)
}

/// Share of a white pattern's area variance that two sets of lights have in common: the
/// mean over their pairs of `(1 - |dx|/b)(1 - |dy|/b)`, 1 for pairs not known.
pub(crate) fn shared_of_blocks(
    positions_px: &[Vec<(f64, f64)>],
    block_px: usize,
    first: Range<usize>,
    second: Range<usize>,
) -> f64 {
    let overlap = |moved: f64| (1.0 - moved.abs() / block_px as f64).max(0.0);
    let pairs = first
        .clone()
        .flat_map(|i| second.clone().map(move |j| (i, j)));
    let shared = pairs.map(|(i, j)| {
        let both = |dx: f64, dy: f64| overlap(dx) * overlap(dy);
        mean_over_places(&positions_px[i], &positions_px[j], both).unwrap_or(1.0)
    });
    shared.sum::<f64>() / (first.len() * second.len()).max(1) as f64
}

/// How strongly a pattern shows in the stack, in half differences and in single lights, at
/// area scale: factors of the variance that it has in one light.
///
/// A pattern that is white on the sensor and moves by (dx, dy) between two lights is
/// correlated between their blocks by `(1 - |dx|/b)(1 - |dy|/b)`, 0 from a block on.
/// Halves whose lights lie less than a block apart share part of the pattern, which
/// cancels in their difference but not in the stack.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct PatternModel {
    pub stack: f64,
    pub odd_even: f64,
    pub first_last: f64,
    pub single: f64,
}

/// Beyond this ratio of hidden to shown pattern the model is no longer trusted to
/// correct a gain, only to bound it.
const MOST_HIDDEN: f64 = 3.0;
/// Halves that show this share of the pattern in the stack need no correction: what is
/// missing changes a gain by less than a twentieth even if all noise is pattern.
const ALL_SHOWN: f64 = 0.9;
/// Splits that show the pattern more alike than this share of it do not measure it.
const LEAST_CONTRAST: f64 = 0.05;

impl PatternModel {
    /// For lights of equal weight in capture order, each at the same places of the
    /// picture.
    pub(crate) fn of_positions(positions_px: &[Vec<(f64, f64)>], block_px: usize) -> Self {
        let n = positions_px.len();
        let overlap = |moved: f64| (1.0 - moved.abs() / block_px as f64).max(0.0);
        // Lights that cannot be compared are taken to share all: the cautious side.
        let shared = |i: usize, j: usize| {
            let (a, b) = (&positions_px[i], &positions_px[j]);
            match i == j {
                true => 1.0,
                false => mean_over_places(a, b, |dx, dy| overlap(dx) * overlap(dy)).unwrap_or(1.0),
            }
        };
        let shared: Vec<Vec<f64>> = (0..n)
            .map(|i| (0..n).map(|j| shared(i, j)).collect())
            .collect();
        let variance = |factor: &dyn Fn(usize) -> f64| -> f64 {
            let factors: Vec<f64> = (0..n).map(factor).collect();
            let row = |i: usize| -> f64 {
                let terms = factors.iter().zip(&shared[i]);
                terms.map(|(factor, shared)| factor * shared).sum()
            };
            (0..n).map(|i| factors[i] * row(i)).sum()
        };
        let sizes = [n.div_ceil(2) as f64, (n / 2) as f64];
        let total = n as f64;
        // The halves' difference as it is scaled to the stack's noise.
        let scale = (sizes[0] * sizes[1]).sqrt() / total;
        let half = |split: HalfSplit| {
            variance(&|i| match split.is_second(i, n) {
                true => -scale / sizes[1],
                false => scale / sizes[0],
            })
        };
        // Light minus the mean of the rest, written by sums over rows of the table.
        let rest = total - 1.0;
        let all: f64 = shared.iter().flatten().sum();
        let single = shared.iter().map(|row| {
            let others = row.iter().sum::<f64>() - 1.0;
            let among_rest = all - 1.0 - 2.0 * others;
            (1.0 - 2.0 * others / rest + among_rest / (rest * rest)) * rest / total
        });
        Self {
            stack: all / (total * total),
            odd_even: half(HalfSplit::OddEven),
            first_last: half(HalfSplit::FirstLast),
            single: single.sum::<f64>() / total,
        }
    }

    /// Factors of the split that shows more and of the other one.
    fn contrast(&self, split: HalfSplit) -> (f64, f64) {
        match split {
            HalfSplit::OddEven => (self.odd_even, self.first_last),
            HalfSplit::FirstLast => (self.first_last, self.odd_even),
        }
    }

    /// Share of the pattern that the halves show which an excess points to, both alike
    /// without one.
    pub(crate) fn shown(&self, excess: Excess) -> f64 {
        match excess {
            Excess::None => 0.5 * (self.odd_even + self.first_last),
            Excess::OddEven => self.odd_even,
            Excess::FirstLast => self.first_last,
        }
    }

    /// Share of the pattern's variance in the stack that the mean of both splits misses.
    pub(crate) fn missed(&self) -> f64 {
        (self.stack - 0.5 * (self.odd_even + self.first_last)).max(0.0)
    }

    /// Excess of the stack over the split that shows less, for one of `split` over it;
    /// `None` where the splits show the pattern alike, or the other one shows more.
    pub(crate) fn hidden(&self, split: HalfSplit) -> Option<f64> {
        let (more, less) = self.contrast(split);
        // No half shows more than the stack holds, but for rounding.
        (more - less > LEAST_CONTRAST * self.stack)
            .then(|| ((self.stack - less) / (more - less)).max(1.0))
    }

    /// Variance of the pattern in one light, from the excess of `split` over the other one.
    pub(crate) fn pattern(&self, split: HalfSplit, excess: f64) -> f64 {
        let (more, less) = self.contrast(split);
        excess / (more - less)
    }

    /// Whether an excess of `split` shows enough of the pattern to tell the rest.
    pub(crate) fn corrects(&self, split: HalfSplit) -> bool {
        self.hidden(split)
            .is_some_and(|hidden| hidden <= MOST_HIDDEN)
    }

    /// Whether no pattern escapes: halves show it all, or enough to tell the rest.
    pub(crate) fn is_trusted(&self) -> bool {
        self.odd_even.min(self.first_last) >= ALL_SHOWN * self.stack
            || self.corrects(HalfSplit::FirstLast)
            || self.corrects(HalfSplit::OddEven)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// `n` lights on a line, each (dx, dy) on from the one before.
    fn line(n: usize, (dx, dy): (f64, f64)) -> Vec<Vec<(f64, f64)>> {
        (0..n)
            .map(|i| vec![(dx * i as f64, dy * i as f64)])
            .collect()
    }

    fn drifting(drift_px: f64, n: usize) -> PatternModel {
        let step = drift_px / (n - 1) as f64;
        PatternModel::of_positions(&line(n, (0.8 * step, 0.6 * step)), 8)
    }

    #[test]
    fn a_standing_pattern_shows_nowhere_but_in_the_stack() {
        let model = drifting(0.0, 12);
        assert!((model.stack - 1.0).abs() < 1e-12);
        for shown in [model.odd_even, model.first_last, model.single] {
            assert!(shown.abs() < 1e-12);
        }
        assert!(!model.is_trusted());
        assert!((model.missed() - 1.0).abs() < 1e-12);
    }

    #[test]
    fn a_fast_pattern_is_noise_like_any_other() {
        // Steps of over a block: every light has its own pattern, and nothing is hidden.
        let model = PatternModel::of_positions(&line(20, (11.0, 4.0)), 8);
        for share in [model.stack, model.odd_even, model.first_last] {
            assert!((share - 0.05).abs() < 1e-12);
        }
        assert!((model.single - 1.0).abs() < 1e-12);
        assert!(model.is_trusted());
        assert_eq!(model.hidden(HalfSplit::FirstLast), None);
        assert!(model.missed() < 1e-12);
    }

    #[test]
    fn the_hidden_part_shrinks_as_the_drift_grows() {
        let hidden = |drift| {
            drifting(drift, 20)
                .hidden(HalfSplit::FirstLast)
                .expect("halves in time differ")
        };
        assert!(hidden(4.0) > hidden(8.0) && hidden(8.0) > hidden(16.0));
        assert!(hidden(40.0) < 1.2, "{}", hidden(40.0));
        assert!(!drifting(2.0, 20).is_trusted());
        assert!(drifting(16.0, 20).is_trusted());
    }

    #[test]
    fn two_places_in_turn_show_by_halves_in_turn() {
        let positions: Vec<_> = (0..12)
            .map(|i| vec![(20.0 * (i % 2) as f64, 0.0)])
            .collect();
        let model = PatternModel::of_positions(&positions, 8);
        assert!((model.stack - 0.5).abs() < 1e-12);
        assert!((model.odd_even - 0.5).abs() < 1e-12);
        assert!(model.first_last.abs() < 1e-12);
        assert!(model.corrects(HalfSplit::OddEven) && !model.corrects(HalfSplit::FirstLast));
        assert!(model.is_trusted());
        assert!((extent_px(&positions) - 20.0).abs() < 1e-12);
    }

    #[test]
    fn many_lights_in_a_small_box_share_what_halves_do_not_show() {
        // 36 lights on 3 x 3 places a block apart, so mixed that all halves are alike.
        let positions: Vec<_> = (0..36)
            .map(|i| (i + i / 9 + i / 18) % 9)
            .map(|place| vec![(8.0 * (place % 3) as f64, 8.0 * (place / 3) as f64)])
            .collect();
        let model = PatternModel::of_positions(&positions, 8);
        assert!((model.stack - 1.0 / 9.0).abs() < 1e-12);
        assert!(!model.is_trusted(), "{model:?}");
        assert!(model.missed() > 0.09, "{model:?}");
    }

    #[test]
    fn a_turning_field_moves_though_its_middle_does_not() {
        let corners = [
            (-900.0, -600.0),
            (900.0, -600.0),
            (-900.0, 600.0),
            (900.0, 600.0),
        ];
        let positions: Vec<Vec<(f64, f64)>> = (0..10)
            .map(|i| 0.01 * i as f64)
            .map(|angle: f64| {
                let (sin, cos) = angle.sin_cos();
                let moved = |&(x, y): &(f64, f64)| (x * cos - y * sin - x, x * sin + y * cos - y);
                corners.iter().map(moved).collect()
            })
            .collect();
        let radius = 900f64.hypot(600.0);
        assert!((extent_px(&positions) - 2.0 * radius * 0.045f64.sin()).abs() < 1e-9);
        assert!(PatternModel::of_positions(&positions, 8).is_trusted());
    }

    #[test]
    fn places_not_known_count_as_the_same() {
        let positions = vec![vec![(f64::NAN, 0.0)]; 4];
        let model = PatternModel::of_positions(&positions, 8);
        assert!((model.stack - 1.0).abs() < 1e-12);
        assert_eq!(extent_px(&positions), 0.0);
        assert_eq!(extent_px(&[]), 0.0);
    }
}
