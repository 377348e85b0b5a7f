//! A frame turned by any angle, matched through a known lens.
//!
//! An ultra-wide lens draws the same stars otherwise in another part of the picture, so that
//! triangles in the plane no longer match. Triangles of directions do.

use crate::asterism::{Suggestion, suggestions};
use crate::resection::{Sight, resect};
use crate::tracks::pair_up;
use crate::{Attitude, Lens, Star};

/// Brightest stars of each list that triangles are made of.
const BRIGHTEST: usize = 360;

/// The stars of a list that the lens sees, brightest first.
struct Sky<'a> {
    stars: Vec<&'a Star>,
    directions: Vec<[f64; 3]>,
    places: Vec<[f64; 2]>,
}

impl<'a> Sky<'a> {
    fn of(lens: &Lens, stars: &'a [Star], most: usize) -> Self {
        let mut seen: Vec<(&Star, [f64; 3])> = stars
            .iter()
            .filter_map(|star| Some((star, lens.unproject(star.x, star.y)?)))
            .collect();
        seen.sort_by(|a, b| b.0.flux_dn.total_cmp(&a.0.flux_dn));
        seen.truncate(most);
        Self {
            places: seen.iter().map(|(star, _)| [star.x, star.y]).collect(),
            stars: seen.iter().map(|(star, _)| *star).collect(),
            directions: seen.iter().map(|(_, direction)| *direction).collect(),
        }
    }
}

/// The attitude of a frame by triangles of directions; `None` when no more stars agree than
/// chance lets agree.
pub(crate) fn attitude(
    lens: &Lens,
    reference: &[Star],
    frame: &[Star],
    size: (usize, usize),
) -> Option<Attitude> {
    const NEIGHBORS: usize = 9;
    /// The lens is the same; what is off is its uncertainty.
    const SCALE_CHANGE: f64 = 0.02;
    const MIN_SIDE_PX: f64 = 12.0;
    const TRIED: usize = 400;
    /// What a turn by three stars may be off across the field, px.
    const COARSE_PX: f64 = 8.0;
    let own = Sky::of(lens, reference, BRIGHTEST);
    let theirs = Sky::of(lens, frame, BRIGHTEST);
    let (from, to) = (&own.directions, &theirs.directions);
    let min_side = MIN_SIDE_PX / lens.focal_px();
    let found = suggestions(from, to, NEIGHBORS, SCALE_CHANGE, min_side);
    let turned = |suggestion: &Suggestion| {
        let pairs = suggestion.pairs.iter();
        Attitude::between(pairs.map(|&(i, j)| (&from[i], &to[j], 1.0)))
    };
    let agreeing = |turn: &Attitude| pair_up(lens, turn, from, &theirs.places, COARSE_PX).len();
    let alike = found.iter().filter(|suggestion| !suggestion.mirrored);
    let best = alike.take(TRIED).filter_map(turned).max_by_key(agreeing)?;
    let all = |stars| Sky::of(lens, stars, usize::MAX);
    confirm(lens, &all(reference), &all(frame), best, size)
}

/// The attitude refined on all stars, if they agree with it.
fn confirm(
    lens: &Lens,
    own: &Sky,
    theirs: &Sky,
    start: Attitude,
    size: (usize, usize),
) -> Option<Attitude> {
    const REACHES_PX: [f64; 3] = [8.0, 4.0, 2.0];
    const FEWEST: f64 = 8.0;
    let mut attitude = start;
    let mut agreeing = 0;
    for reach_px in REACHES_PX {
        let pairs = pair_up(lens, &attitude, &own.directions, &theirs.places, reach_px);
        let sight = |&(i, j): &(usize, usize)| Sight {
            direction: own.directions[i],
            at: theirs.places[j],
            error_px: own.stars[i]
                .position_error_px()
                .hypot(theirs.stars[j].position_error_px()),
        };
        let sights: Vec<Sight> = pairs.iter().map(sight).collect();
        attitude = resect(lens, &sights)?;
        agreeing = pairs.len();
    }
    // Unrelated stars fall within reach at a rate that their number tells.
    let area_px2 = (size.0 * size.1).max(1) as f64;
    let reach_px2 = std::f64::consts::PI * REACHES_PX[2] * REACHES_PX[2];
    let hit = (theirs.stars.len() as f64 * reach_px2 / area_px2).min(1.0);
    let expected = own.stars.len() as f64 * hit;
    let needed = (FEWEST + expected + 8.0 * expected.sqrt()).ceil();
    (agreeing as f64 >= needed).then_some(attitude)
}
