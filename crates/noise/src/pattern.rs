//! What halves can say about a fixed pattern, and what they cannot.
//!
//! Sky and sensor are two layers that only the drift tells apart. A pattern that moves
//! less than a pixel or two is the same in all lights, so no difference of lights shows it.

use stack::HalfSplit;

/// What a bound on the pattern rests on.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum PatternBasis {
    /// Measured or bounded by what the drift lets halves see.
    Drift,
    /// Not visible; bounded by the pixel response that flats show.
    Flats,
    /// Not visible; bounded by a typical pixel response.
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

/// What is known about the sensor's fixed pattern before measuring.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct PatternPrior {
    /// Rms response differences from pixel to pixel left after calibration, as a share
    /// of the sky level.
    pub response: f64,
    /// [`PatternBasis::Flats`] when measured, else [`PatternBasis::Assumed`].
    pub basis: PatternBasis,
}

/// Response differences of pixels without a flat, as a share of the signal: common
/// practice gives 0.5 to 1 %, no source.
const TYPICAL_RESPONSE: f64 = 0.008;

impl Default for PatternPrior {
    fn default() -> Self {
        Self {
            response: TYPICAL_RESPONSE,
            basis: PatternBasis::Assumed,
        }
    }
}

/// The fixed pattern in the stack.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct PatternSummary {
    /// Whether the drift is large enough, and the lights many enough, for halves to show at
    /// least a third of it at area scale: from about 6 px on with blocks of 8.
    pub visible: bool,
    /// Drift of the stars over the sensor in all, px; `None` when not known.
    pub drift_px: Option<f64>,
    /// Share of the stack's area variance that is pattern, 0 to 1; `None` when not
    /// visible.
    pub fraction_of_variance: Option<f64>,
    /// Largest share that the evidence allows, 0 to 1: two sigma above the measured one
    /// where visible; else what a sliver seen through little drift leaves possible, or
    /// the prior response, whichever is less.
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

/// How strongly a pattern that the drift moves evenly shows in the stack, in half
/// differences and in single lights, at area scale: factors of the pattern's variance.
///
/// A pattern that is white on the sensor and moves by (dx, dy) between two lights is
/// correlated between their blocks by `(1 - |dx|/b)(1 - |dy|/b)`. Halves whose centers
/// lie less than a block apart share part of the pattern, which cancels in their
/// difference but not in the stack.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct PatternModel {
    pub stack: f64,
    pub odd_even: f64,
    pub first_last: f64,
    pub single: f64,
}

/// Directions of the drift averaged over, since only its length is known.
const DIRECTIONS: usize = 9;

/// Beyond this ratio of hidden to shown pattern the model is no longer trusted to
/// correct a gain, only to bound it.
const MOST_HIDDEN: f64 = 3.0;

impl PatternModel {
    /// For `n` lights of equal weight that drift evenly by `drift_px` in all.
    pub(crate) fn of_drift(drift_px: f64, n: usize, block_px: usize) -> Self {
        let step = drift_px / (n.max(2) - 1) as f64;
        let shared: Vec<f64> = (0..n)
            .map(|apart| {
                let moved = step * apart as f64 / block_px as f64;
                let along = |part: f64| (1.0 - moved * part).max(0.0);
                (0..DIRECTIONS)
                    .map(|i| std::f64::consts::FRAC_PI_2 * i as f64 / (DIRECTIONS - 1) as f64)
                    .map(|angle: f64| along(angle.cos()) * along(angle.sin()))
                    .sum::<f64>()
                    / DIRECTIONS as f64
            })
            .collect();
        let variance = |factor: &dyn Fn(usize) -> f64| -> f64 {
            let factors: Vec<f64> = (0..n).map(factor).collect();
            let pairs = (0..n).flat_map(|i| (0..n).map(move |j| (i, j)));
            pairs
                .map(|(i, j)| factors[i] * factors[j] * shared[i.abs_diff(j)])
                .sum()
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
        let rest = total - 1.0;
        let single = (0..n)
            .map(|light| variance(&|i| if i == light { 1.0 } else { -1.0 / rest }) * rest / total);
        Self {
            stack: variance(&|_| 1.0 / total),
            odd_even: half(HalfSplit::OddEven),
            first_last: half(HalfSplit::FirstLast),
            single: single.sum::<f64>() / total,
        }
    }

    /// Excess of the stack over halves in turn, for one of halves in time over them.
    pub(crate) fn hidden(&self) -> f64 {
        (self.stack - self.odd_even) / (self.first_last - self.odd_even)
    }

    /// Variance of the pattern on one light, from the excess of halves in time.
    pub(crate) fn pattern(&self, excess: f64) -> f64 {
        excess / (self.first_last - self.odd_even)
    }

    /// Whether the shown part is large enough to tell the hidden one.
    pub(crate) fn is_trusted(&self) -> bool {
        (1.0..=MOST_HIDDEN).contains(&self.hidden())
    }
}

impl PatternPrior {
    /// Area-scale variance of an unmoved pattern, DN^2: white on the channel's
    /// photosites, which are a `photosite_share` of all.
    pub(crate) fn area_variance(&self, sky_dn: f64, photosite_share: f64) -> f64 {
        (self.response * sky_dn).powi(2) / photosite_share.clamp(f64::MIN_POSITIVE, 1.0)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_standing_pattern_shows_nowhere_but_in_the_stack() {
        let model = PatternModel::of_drift(0.0, 12, 8);
        assert!((model.stack - 1.0).abs() < 1e-12);
        for shown in [model.odd_even, model.first_last, model.single] {
            assert!(shown.abs() < 1e-12);
        }
        assert!(!model.is_trusted());
    }

    #[test]
    fn a_fast_pattern_is_noise_like_any_other() {
        // Steps of over a block: every light has its own pattern.
        let model = PatternModel::of_drift(20.0 * 19.0, 20, 8);
        for share in [model.stack, model.odd_even, model.first_last] {
            assert!((share - 0.05).abs() < 1e-12);
        }
        assert!((model.single - 1.0).abs() < 1e-12);
    }

    #[test]
    fn the_hidden_part_shrinks_as_the_drift_grows() {
        let hidden = |drift| PatternModel::of_drift(drift, 20, 8).hidden();
        assert!(hidden(4.0) > hidden(8.0) && hidden(8.0) > hidden(16.0));
        assert!(hidden(40.0) < 1.2, "{}", hidden(40.0));
        assert!(!PatternModel::of_drift(2.0, 20, 8).is_trusted());
        assert!(PatternModel::of_drift(16.0, 20, 8).is_trusted());
    }
}
