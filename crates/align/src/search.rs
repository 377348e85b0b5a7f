//! The search for a map between two lists of stars: suggestions, growth, confirmation.
//!
//! Asterisms suggest, the bright stars choose and grow, all stars confirm. What the answer
//! means for a frame is decided in `matching`.

use crate::asterism::{Suggestion, suggestions};
use crate::fit::{Fit, Model, Pair, fit_best, fit_robust};
use crate::neighbors::Neighbors;
use crate::{AlignError, Homography, MatchOptions, Star};

/// The usable stars of a frame, brightest first, with their indices in the caller's list.
pub(crate) struct List<'a> {
    pub(crate) stars: Vec<(usize, &'a Star)>,
}

impl<'a> List<'a> {
    pub(crate) fn of(stars: &'a [Star]) -> Self {
        let usable =
            |star: &Star| star.x.is_finite() && star.y.is_finite() && !star.flux_dn.is_nan();
        let mut stars: Vec<(usize, &Star)> = stars
            .iter()
            .enumerate()
            .filter(|(_, star)| usable(star))
            .collect();
        stars.sort_by(|a, b| b.1.flux_dn.total_cmp(&a.1.flux_dn).then(a.0.cmp(&b.0)));
        Self { stars }
    }

    /// The list without the stars of these indices in the caller's list.
    pub(crate) fn without(&self, taken: &[usize]) -> Self {
        let taken: std::collections::HashSet<usize> = taken.iter().copied().collect();
        let stars = self.stars.iter().filter(|(i, _)| !taken.contains(i));
        Self {
            stars: stars.copied().collect(),
        }
    }

    fn brightest(&self, count: usize) -> Self {
        Self {
            stars: self.stars.iter().take(count).copied().collect(),
        }
    }

    pub(crate) fn places(&self) -> Vec<[f64; 2]> {
        self.stars
            .iter()
            .map(|(_, star)| [star.x, star.y])
            .collect()
    }
}

/// A map and the pairs that agree with it.
#[derive(Clone)]
pub(crate) struct Solution {
    pub(crate) fit: Fit,
    pub(crate) mirrored: bool,
    /// Indices into the caller's lists.
    pub(crate) pairs: Vec<(usize, usize)>,
    pub(crate) places: Vec<Pair>,
}

/// A map that the bright stars agree on.
struct Grown {
    fit: Fit,
    mirrored: bool,
    agreeing: usize,
}

/// What is searched for, and how.
pub(crate) struct Search<'a> {
    /// Width and height of the frames, px.
    pub(crate) size: (usize, usize),
    pub(crate) options: &'a MatchOptions,
    /// Fewest pairs that make a match.
    pub(crate) needed: usize,
}

/// Stars and triangles that a search is made with.
struct Attempt {
    /// Brightest stars of the reference, and of the frame.
    stars: (usize, usize),
    /// Nearest stars each of them makes triangles with.
    neighbors: usize,
    /// Greatest change of scale, as a logarithm.
    max_scale_change: f64,
    /// Whether it is made for another focal length.
    other_scale: bool,
}

/// Shorter sides of triangles have too uncertain ratios, px.
const MIN_SIDE_PX: f64 = 6.0;

/// Suggestions looked at, the best of which are refined.
const TRIED: usize = 600;
const REFINED: usize = 3;

impl Search<'_> {
    /// The map most stars agree with, if more than chance lets agree.
    pub(crate) fn solve(&self, reference: &List, frame: &List) -> Result<Solution, AlignError> {
        let mut best: Option<Solution> = None;
        let longest = reference.stars.len().max(frame.stars.len());
        let mut all_tried = false;
        for attempt in self.attempts() {
            // The same stars again suggest what they suggested; another scale is new to them.
            if all_tried && !attempt.other_scale {
                continue;
            }
            let bright = (
                reference.brightest(attempt.stars.0),
                frame.brightest(attempt.stars.1),
            );
            let grown = self
                .promising(&bright.0, &bright.1, &attempt)
                .into_iter()
                .filter_map(|suggestion| self.grow(&suggestion, &bright))
                .max_by(|a, b| {
                    a.agreeing
                        .cmp(&b.agreeing)
                        .then(b.fit.scale.total_cmp(&a.fit.scale))
                });
            if let Some(solution) = grown.and_then(|grown| self.finish(grown, reference, frame))
                && best
                    .as_ref()
                    .is_none_or(|b| solution.pairs.len() > b.pairs.len())
            {
                best = Some(solution);
            }
            all_tried |= longest <= attempt.stars.0;
            if best
                .as_ref()
                .is_some_and(|b| self.is_no_chance(b, reference, frame))
            {
                break;
            }
        }
        let matched = best.as_ref().map_or(0, |solution| solution.pairs.len());
        let needed = best
            .as_ref()
            .map_or(self.needed, |b| self.more_than_chance(b, reference, frame));
        best.filter(|_| matched >= needed)
            .ok_or(AlignError::NoMatch {
                matched,
                found: frame.stars.len(),
                reference: reference.stars.len(),
                needed,
            })
    }

    /// What is tried, one after the other until the stars agree. Through a lens of twice the
    /// focal length a quarter of the stars fill the frame: equal numbers of the brightest
    /// would be other stars.
    fn attempts(&self) -> [Attempt; 4] {
        const OTHER_LENS: f64 = 4.0;
        let MatchOptions {
            asterism_stars: stars,
            asterism_neighbors: neighbors,
            max_scale_change,
            other_scale_change,
            ..
        } = *self.options;
        let few = (3.0 * stars as f64 / OTHER_LENS) as usize;
        let attempt = |stars, neighbors, max_scale_change, other_scale| Attempt {
            stars,
            neighbors,
            max_scale_change,
            other_scale,
        };
        let other = max_scale_change.max(other_scale_change);
        [
            attempt((stars, stars), neighbors, max_scale_change, false),
            attempt(
                (3 * stars, 3 * stars),
                neighbors + 5,
                max_scale_change,
                false,
            ),
            attempt((3 * stars, few), neighbors, other, true),
            attempt((few, 3 * stars), neighbors, other, true),
        ]
    }

    fn is_no_chance(&self, solution: &Solution, reference: &List, frame: &List) -> bool {
        solution.pairs.len() >= self.more_than_chance(solution, reference, frame)
    }

    /// Pairs that chance does not give: three make the map, unrelated stars fall within the
    /// tolerance of others at a rate that their number tells, and the best of many maps has
    /// been chosen.
    fn more_than_chance(&self, solution: &Solution, reference: &List, frame: &List) -> usize {
        let area_px2 = (self.size.0 * self.size.1).max(1) as f64;
        let radius_px = tolerance_px(&solution.fit);
        let density = frame.stars.len() as f64 / area_px2;
        let hit = (density * std::f64::consts::PI * radius_px * radius_px).min(1.0);
        let expected = reference.stars.len() as f64 * hit;
        self.needed
            .max((3.0 + expected + 8.0 * expected.sqrt()).ceil() as usize)
    }

    /// The suggestions that most bright stars agree with.
    fn promising(&self, reference: &List, frame: &List, attempt: &Attempt) -> Vec<Suggestion> {
        let (a, b) = (reference.places(), frame.places());
        let index = Neighbors::new(&b);
        let found = suggestions(
            &a,
            &b,
            attempt.neighbors,
            attempt.max_scale_change,
            MIN_SIDE_PX,
        );
        let mut scored: Vec<(usize, Suggestion)> = Vec::new();
        let (mut done, mut seen) = (0, std::collections::HashSet::new());
        for suggestion in found {
            if done == TRIED {
                break;
            }
            // Two triangles with a side in common say nearly the same.
            let mut key = suggestion.pairs;
            key.sort_unstable();
            if !seen.insert(key) {
                continue;
            }
            done += 1;
            if let Some(map) = self.similarity(&suggestion, &a, &b) {
                scored.push((agreeing(&map, &suggestion, &a, &index), suggestion));
            }
        }
        scored.sort_by_key(|(count, _)| std::cmp::Reverse(*count));
        scored
            .into_iter()
            .take(REFINED)
            .map(|(_, suggestion)| suggestion)
            .collect()
    }

    fn similarity(
        &self,
        suggestion: &Suggestion,
        reference: &[[f64; 2]],
        frame: &[[f64; 2]],
    ) -> Option<Homography> {
        let pairs = suggestion.pairs.map(|(i, j)| Pair {
            from: reference[i],
            to: frame[j],
            error_px: 1.0,
        });
        fit_robust(Model::Similarity, &pairs, suggestion.mirrored).map(|fit| fit.map)
    }

    /// Grows a suggestion to all bright stars, from a tolerance that allows for what a
    /// similarity cannot say to one as close as the fit is good.
    fn grow(&self, suggestion: &Suggestion, bright: &(List, List)) -> Option<Grown> {
        const LIMITS_PX: [f64; 6] = [30.0, 15.0, 8.0, 5.0, 3.0, 2.0];
        const GROWING_ROUNDS: usize = 3;
        let mirrored = suggestion.mirrored;
        let (a, b) = (bright.0.places(), bright.1.places());
        let mut map = self.similarity(suggestion, &a, &b)?;
        let center = center(suggestion, &a);
        let index = Neighbors::new(&b);
        let mut grown = None;
        for (round, limit_px) in LIMITS_PX.into_iter().enumerate() {
            let reach = |place: [f64; 2]| match round {
                0..GROWING_ROUNDS => growing_tolerance_px(place, center).min(limit_px),
                _ => limit_px,
            };
            let pairs = pair_up(&map, &a, &index, &reach);
            let places = self.pairs(&bright.0, &bright.1, &pairs);
            let fit = fit_best(&places, self.size, mirrored)?;
            map = fit.map;
            grown = Some(Grown {
                fit,
                mirrored,
                agreeing: pairs.len(),
            });
        }
        grown
    }

    /// Takes in all stars of both lists.
    fn finish(&self, grown: Grown, reference: &List, frame: &List) -> Option<Solution> {
        const ROUNDS: usize = 3;
        let (a, b) = (reference.places(), frame.places());
        let index = Neighbors::new(&b);
        let mut fit = grown.fit;
        let mut solution = None;
        for _ in 0..ROUNDS {
            let radius_px = tolerance_px(&fit);
            let pairs = pair_up(&fit.map, &a, &index, &|_| radius_px);
            let pairs = without_saturated(reference, frame, pairs);
            let places = self.pairs(reference, frame, &pairs);
            fit = fit_best(&places, self.size, grown.mirrored)?;
            let lists = (reference, frame);
            solution = Some(self.agreeing_pairs(&fit, grown.mirrored, lists, &pairs, &places));
        }
        solution
    }

    /// The pairs that are no outliers of a fit.
    fn agreeing_pairs(
        &self,
        fit: &Fit,
        mirrored: bool,
        (reference, frame): (&List, &List),
        pairs: &[(usize, usize)],
        places: &[Pair],
    ) -> Solution {
        /// A two-dimensional Gaussian is beyond this once in 3000.
        const OUTLIER_SIGMAS: f64 = 4.0;
        let agrees = |place: &Pair| {
            place.residual_px(&fit.map) <= OUTLIER_SIGMAS * fit.scale * place.error_px
        };
        let kept = pairs.iter().zip(places).filter(|(_, place)| agrees(place));
        let mut kept: Vec<((usize, usize), Pair)> = kept
            .map(|(&(i, j), &place)| ((reference.stars[i].0, frame.stars[j].0), place))
            .collect();
        kept.sort_by_key(|(pair, _)| *pair);
        let (pairs, places) = kept.into_iter().unzip();
        Solution {
            fit: fit.clone(),
            mirrored,
            pairs,
            places,
        }
    }

    fn pairs(&self, reference: &List, frame: &List, pairs: &[(usize, usize)]) -> Vec<Pair> {
        let pair = |&(i, j): &(usize, usize)| {
            let (a, b) = (reference.stars[i].1, frame.stars[j].1);
            Pair {
                from: [a.x, a.y],
                to: [b.x, b.y],
                error_px: a.position_error_px().hypot(b.position_error_px()),
            }
        };
        pairs.iter().map(pair).collect()
    }
}

/// How far from its mapped place a star may be and still be the same, px.
fn tolerance_px(fit: &Fit) -> f64 {
    // The faintest stars err by about a third of a pixel.
    const FAINT_PX: f64 = 0.35;
    (4.0 * fit.scale * FAINT_PX).clamp(0.5, 2.0)
}

/// What a similarity through one triangle may be off at a place, px: its own error grows with
/// the distance, and so does what lenses and a turning sky add.
fn growing_tolerance_px(place: [f64; 2], center: [f64; 2]) -> f64 {
    3.0 + 0.01 * (place[0] - center[0]).hypot(place[1] - center[1])
}

/// The middle of a suggestion's triangle on the reference.
fn center(suggestion: &Suggestion, reference: &[[f64; 2]]) -> [f64; 2] {
    let corners = suggestion.pairs.map(|(i, _)| reference[i]);
    [0, 1].map(|axis| corners.iter().map(|corner| corner[axis]).sum::<f64>() / 3.0)
}

/// How many stars have a partner under a suggestion's map.
fn agreeing(
    map: &Homography,
    suggestion: &Suggestion,
    reference: &[[f64; 2]],
    frame: &Neighbors<2>,
) -> usize {
    let center = center(suggestion, reference);
    pair_up(map, reference, frame, &|place| {
        growing_tolerance_px(place, center)
    })
    .len()
}

/// Pairs of nearest stars within reach, each star once, the closest first served.
fn pair_up(
    map: &Homography,
    reference: &[[f64; 2]],
    frame: &Neighbors<2>,
    reach_px: &dyn Fn([f64; 2]) -> f64,
) -> Vec<(usize, usize)> {
    let mut near: Vec<(f64, usize, usize)> = reference
        .iter()
        .enumerate()
        .filter_map(|(i, &place)| {
            let (x, y) = map.apply(place[0], place[1]);
            let (j, distance) = frame.nearest(&[x, y], reach_px(place))?;
            Some((distance, i, j))
        })
        .collect();
    near.sort_by(|a, b| a.0.total_cmp(&b.0).then((a.1, a.2).cmp(&(b.1, b.2))));
    let mut taken = std::collections::HashSet::new();
    near.into_iter()
        .filter(|&(_, _, j)| taken.insert(j))
        .map(|(_, i, j)| (i, j))
        .collect()
}

/// Leaves out pairs with a saturated star where the others suffice for every model.
fn without_saturated(
    reference: &List,
    frame: &List,
    pairs: Vec<(usize, usize)>,
) -> Vec<(usize, usize)> {
    let sound =
        |&(i, j): &(usize, usize)| !reference.stars[i].1.saturated && !frame.stars[j].1.saturated;
    match pairs.iter().filter(|pair| sound(pair)).count() {
        count if count >= Model::Homography.min_pairs() => {
            pairs.into_iter().filter(sound).collect()
        }
        _ => pairs,
    }
}
