//! Which star is which on two frames, and the map between them.

use crate::fit::{Model, Pair};
use crate::neighbors::Neighbors;
use crate::search::{List, Search, Solution};
use crate::stats::median;
use crate::transparency::{Transparency, transparency};
use crate::{Homography, PixelMap, Star};

/// How stars are matched. No guess of shift or rotation is needed or used.
#[derive(Clone, Debug, PartialEq)]
pub struct MatchOptions {
    /// Fewest pairs that make a match. Default 6.
    pub min_matches: usize,
    /// Brightest stars of each list that asterisms are made of. Default 120; a second
    /// attempt takes three times as many.
    pub asterism_stars: usize,
    /// Nearest stars each of them makes triangles with. Default 7; a second attempt takes
    /// five more.
    pub asterism_neighbors: usize,
    /// Greatest change of scale between the frames, as a logarithm: 0.1 is 10 %. Default 0.1.
    pub max_scale_change: f64,
    /// The same for frames that do not match so: another focal length. Default 0.75, a factor
    /// of 2.1.
    pub other_scale_change: f64,
}

impl Default for MatchOptions {
    fn default() -> Self {
        Self {
            min_matches: 6,
            asterism_stars: 120,
            asterism_neighbors: 7,
            max_scale_change: 0.1,
            other_scale_change: 0.75,
        }
    }
}

/// A frame's place relative to the reference.
#[derive(Clone, Debug, PartialEq)]
pub struct Alignment {
    /// Reference pixel to frame pixel.
    pub map: PixelMap,
    /// Pairs of stars the map was fitted to, outliers left out.
    pub matched: usize,
    /// Root mean square distance of those stars from where the map puts them, px.
    pub residual_px: f64,
    /// Star fluxes of the frame over those of the reference; 1 is equally clear.
    pub transparency: Transparency,
    /// What kind of plane-to-plane map the frame's own stars support.
    pub model: Model,
    /// Whether the frame shows the field mirrored.
    pub mirrored: bool,
    /// The pairs, as indices into the reference's list and the frame's, by the first.
    pub pairs: Vec<(usize, usize)>,
    /// Detections that stand still on the sensor while the stars move: defects of the sensor,
    /// or lights on the ground. They took no part.
    pub stationary: usize,
}

/// Why a frame could not be aligned; other frames are not concerned.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
#[non_exhaustive]
pub enum AlignError {
    /// One of the lists is too short: clouds, trees, a lens cap, or too high a threshold.
    #[error("too few stars to align: {found} found, {needed} needed")]
    TooFewStars {
        /// Stars in the shorter list.
        found: usize,
        /// Fewest that can be matched.
        needed: usize,
    },
    /// Stars enough, but no arrangement of them in common.
    #[error(
        "the stars do not match the reference: {matched} of {found} agree, {needed} needed \
         (the reference has {reference})"
    )]
    NoMatch {
        /// Stars that agree under the best map tried.
        matched: usize,
        /// Stars on the frame.
        found: usize,
        /// Stars on the reference.
        reference: usize,
        /// Agreeing stars that could not be chance.
        needed: usize,
    },
    /// What the frame has in common with the reference stands still where the sky moves.
    #[error(
        "{stationary} detections stand still while the sky moves over the other lights, and no \
         stars beside them match: lamps on the ground, or defects of the sensor"
    )]
    Held {
        /// Detections that stand still.
        stationary: usize,
    },
}

/// Finds the map from a reference to a frame from their stars alone.
///
/// Asterisms of the brightest stars suggest similarities, which all stars then confirm and
/// refine; the model is the richest the pairs support (see [`Model`]). Positions count by
/// their errors; saturated stars do not count where others suffice.
///
/// Detections that stand still are tried as stars first. If the rest of the lists agrees on a
/// movement, that movement wins when it has more support, or when a dozen detections or more
/// clearly move and what stands still is sharper than a lens can draw: sensor defects.
///
/// - `size`: width and height of the frames, px.
///
/// # Errors
///
/// [`AlignError::TooFewStars`] when a list has fewer than `min_matches` stars,
/// [`AlignError::NoMatch`] when no more agree than chance lets agree.
pub fn align_stars(
    reference: &[Star],
    frame: &[Star],
    size: (usize, usize),
    options: &MatchOptions,
) -> Result<Alignment, AlignError> {
    let needed = options.min_matches.max(Model::Similarity.min_pairs());
    let (reference_list, frame_list) = (List::of(reference), List::of(frame));
    let found = reference_list.stars.len().min(frame_list.stars.len());
    if found < needed {
        return Err(AlignError::TooFewStars { found, needed });
    }
    let search = Search {
        size,
        options,
        needed,
    };
    let first = search.solve(&reference_list, &frame_list);
    let solution = match first {
        Ok(still) if still.stands_still() => {
            let (mine, theirs): (Vec<usize>, Vec<usize>) = still.pairs.iter().copied().unzip();
            let (a, b) = (reference_list.without(&mine), frame_list.without(&theirs));
            match search.solve(&a, &b) {
                Ok(moving) if !moving.stands_still() && moving.outdoes(&still, frame) => moving,
                _ => still,
            }
        }
        other => other?,
    };
    let stationary = solution.count_stationary(&reference_list, &frame_list);
    Ok(solution.into_alignment(reference, frame, stationary))
}

/// A detection that moves less than this stands still, px.
pub const STILL_PX: f64 = 0.5;

impl Solution {
    /// Whether hardly any of the stars moved.
    fn stands_still(&self) -> bool {
        let moved = |pair: &Pair| (pair.to[0] - pair.from[0]).hypot(pair.to[1] - pair.from[1]);
        let still = self
            .places
            .iter()
            .filter(|pair| moved(pair) < STILL_PX)
            .count();
        10 * still >= 9 * self.places.len()
    }

    /// Whether this movement explains the frame better than stars that stand still.
    fn outdoes(&self, still: &Self, frame: &[Star]) -> bool {
        self.pairs.len() > still.pairs.len()
            || (still.looks_like_defects(self, frame) && self.is_apart_from(still))
    }

    /// Whether these detections are sharper than the moving ones, and than any lens draws.
    fn looks_like_defects(&self, moving: &Self, frame: &[Star]) -> bool {
        /// Measured on drawn Bayer frames: blocks of 2 × 2 equal sites come out 1.5 px wide,
        /// smaller defects less; Gaussian stars of 1.4 px, pixels included, 1.7 px.
        const SHARPEST_STAR_PX: f64 = 1.6;
        /// Defects are sharper than stars by more than this.
        const SHARPER: f64 = 0.75;
        let defects_px = self.median_fwhm_px(frame);
        defects_px < SHARPEST_STAR_PX && defects_px < SHARPER * moving.median_fwhm_px(frame)
    }

    fn median_fwhm_px(&self, frame: &[Star]) -> f64 {
        let widths = self.pairs.iter().map(|&(_, i)| frame[i].fwhm_px);
        let mut widths: Vec<f64> = widths.filter(|fwhm_px| fwhm_px.is_finite()).collect();
        median(&mut widths).unwrap_or(f64::NAN)
    }

    /// Whether this is a movement of its own, and not what the still map left over: blends
    /// and saturated stars that stand still as well, a little off, fit no map much better.
    fn is_apart_from(&self, still: &Self) -> bool {
        /// Three times as many coordinates as a homography has parameters, so that a map
        /// cannot follow their errors.
        const FEWEST_PAIRS: usize = 12;
        /// Eight parameters fitted to the errors of twelve pairs reduce them by √(24 / 16) =
        /// 1.2; the choice of the pairs that agree may add as much again.
        const CLOSER: f64 = 3.0;
        let residual_px = |map: &Homography| {
            let residuals = self.places.iter().map(|pair| pair.residual_px(map));
            median(&mut residuals.collect::<Vec<_>>()).unwrap_or(f64::NAN)
        };
        self.pairs.len() >= FEWEST_PAIRS
            && residual_px(&still.fit.map) > CLOSER * residual_px(&self.fit.map)
    }

    /// Detections at the same place on both frames that the map says should have moved.
    fn count_stationary(&self, reference: &List, frame: &List) -> usize {
        let neighbors = Neighbors::new(&frame.places());
        let stays = |star: &Star| neighbors.nearest(&[star.x, star.y], STILL_PX).is_some();
        let moves = |star: &Star| {
            let (x, y) = self.fit.map.apply(star.x, star.y);
            (x - star.x).hypot(y - star.y) > 2.0 * STILL_PX
        };
        let stars = reference.stars.iter();
        stars.filter(|(_, star)| moves(star) && stays(star)).count()
    }

    fn into_alignment(self, reference: &[Star], frame: &[Star], stationary: usize) -> Alignment {
        let squares = self
            .places
            .iter()
            .map(|pair| pair.residual_px(&self.fit.map).powi(2));
        let residual_px = (squares.sum::<f64>() / self.places.len() as f64).sqrt();
        Alignment {
            map: PixelMap::from_homography(self.fit.map),
            matched: self.pairs.len(),
            residual_px,
            transparency: transparency(reference, frame, &self.pairs),
            model: self.fit.model,
            mirrored: self.mirrored,
            pairs: self.pairs,
            stationary,
        }
    }
}

#[cfg(test)]
#[path = "matching/tests.rs"]
mod tests;
