//! Bursts that lamps hold in place while the sky moves.

use crate::neighbors::Neighbors;
use crate::{AlignError, Alignment, MatchOptions, STILL_PX, Star, align_stars, median};

/// Share of the frames that show a standing detection: the others may be clouded.
const MOST: f64 = 0.75;
/// Fewest frames beside the reference that tell what stands from what happens to be there.
const FEWEST_FRAMES: usize = 3;
/// Share of a frame's pairs from which it matters that they stand.
const MATTERS: f64 = 0.1;
/// Pairs of what moves from which a frame speaks for it: three times as many coordinates as a
/// homography has parameters.
const FEWEST_PAIRS: usize = 12;

/// Aligns a burst anew by what moves, where what stands still has a part in its alignments and
/// is not the sky.
///
/// Two frames do not tell a village under a moving sky from a tracked sky over a moving
/// village, and where the sky moves little a homography follows half of both. A whole burst
/// tells what stands, and the picture which is the sky: the higher of the two, and the larger.
///
/// - `places`: every frame's alignment from the reference; `None` for those without one, and
///   for the reference;
/// - `up`: direction in pixels, to the right and down;
/// - `size`: width and height of the frames, px.
///
/// Returns the frames that are aligned anew, by index; none where all is well.
///
/// # Errors
///
/// Of each frame, [`AlignError::Held`] where nothing but what stands is in common.
pub fn realign_held(
    frames: &[&[Star]],
    places: &[Option<&Alignment>],
    reference: usize,
    up: [f64; 2],
    size: (usize, usize),
    options: &MatchOptions,
) -> Vec<(usize, Result<Alignment, AlignError>)> {
    let Some(standing) = Standing::of(frames, reference) else {
        return Vec::new();
    };
    let rests = |place: &&Alignment| share_of(place, &standing.stands) >= MATTERS;
    if !places.iter().flatten().any(rests) {
        return Vec::new();
    }
    let (own, own_stars) = standing.rest(frames[reference]);
    let others: Vec<usize> = (0..frames.len()).filter(|&i| i != reference).collect();
    let moving: Vec<(usize, Option<Alignment>)> = others
        .iter()
        .map(|&i| {
            let (theirs, stars) = standing.rest(frames[i]);
            let found = align_stars(&own_stars, &stars, size, options);
            let of_all = |mut found: Alignment| {
                for (a, b) in &mut found.pairs {
                    (*a, *b) = (own[*a], theirs[*b]);
                }
                found.stationary = frames[reference].len() - own.len();
                found
            };
            (i, found.ok().map(of_all))
        })
        .collect();
    let found = moving.iter().filter_map(|(_, found)| found.as_ref());
    let found: Vec<&Alignment> = found
        .filter(|place| place.pairs.len() >= FEWEST_PAIRS)
        .collect();
    let lamps = standing.moved_by(&found, frames[reference]);
    let holds = |place: &Alignment| share_of(place, &lamps) >= MATTERS;
    if !places.iter().flatten().any(|place| holds(place)) {
        // The stars about the pole stand, and so does their sky.
        return Vec::new();
    }
    let sky = Spread::of(moving_stars(frames[reference], &found), up);
    let ground = Spread::of(standing.stars(frames[reference]), up);
    if 2 * found.len() < others.len() || ground.is_sky_over(&sky) {
        return Vec::new();
    }
    moving
        .into_iter()
        .filter_map(|(i, found)| match (found, &places[i]) {
            (Some(found), _) => Some((i, Ok(found))),
            (None, Some(place)) if holds(place) => {
                let stationary = place.pairs.len();
                Some((i, Err(AlignError::Held { stationary })))
            }
            (None, _) => None,
        })
        .collect()
}

/// Share of an alignment's pairs whose star of the reference is among these.
fn share_of(place: &Alignment, among: &[bool]) -> f64 {
    let pairs = place.pairs.iter().filter(|&&(own, _)| among[own]);
    pairs.count() as f64 / place.pairs.len().max(1) as f64
}

/// The reference's detections that stand still on most frames.
struct Standing {
    stands: Vec<bool>,
    /// Where those are.
    places: Neighbors<2>,
}

impl Standing {
    /// `None` where the frames are too few, or nothing stands.
    fn of(frames: &[&[Star]], reference: usize) -> Option<Self> {
        let place_of = |star: &Star| [star.x, star.y];
        let others = frames.iter().enumerate().filter(|&(i, _)| i != reference);
        let others: Vec<Neighbors<2>> = others
            .map(|(_, stars)| Neighbors::new(&stars.iter().map(place_of).collect::<Vec<_>>()))
            .collect();
        let stands = |star: &Star| {
            let at = place_of(star);
            let alike = others
                .iter()
                .filter(|other| other.nearest(&at, STILL_PX).is_some());
            alike.count() as f64 >= MOST * others.len() as f64
        };
        let stands: Vec<bool> = frames[reference].iter().map(stands).collect();
        let any = others.len() >= FEWEST_FRAMES && stands.contains(&true);
        let standing = frames[reference].iter().zip(&stands);
        let standing = standing.filter(|&(_, &stands)| stands);
        let standing: Vec<_> = standing.map(|(star, _)| place_of(star)).collect();
        any.then(|| Self {
            places: Neighbors::new(&standing),
            stands,
        })
    }

    /// Those of them that most of these alignments say should have moved.
    fn moved_by(&self, found: &[&Alignment], reference: &[Star]) -> Vec<bool> {
        let moves = |star: &Star| {
            let moves = found.iter().filter(|place| {
                let (x, y) = place.map.map(star.x, star.y);
                (x - star.x).hypot(y - star.y) > 2.0 * STILL_PX
            });
            2 * moves.count() > found.len()
        };
        let stars = reference.iter().zip(&self.stands);
        stars.map(|(star, &stands)| stands && moves(star)).collect()
    }

    fn stars<'a>(&'a self, reference: &'a [Star]) -> impl Iterator<Item = &'a Star> {
        let stars = reference.iter().zip(&self.stands);
        stars.filter(|&(_, &stands)| stands).map(|(star, _)| star)
    }

    /// A frame's detections apart from them: their indices, and what they are.
    fn rest(&self, stars: &[Star]) -> (Vec<usize>, Vec<Star>) {
        let apart =
            |(_, star): &(usize, &Star)| self.places.nearest(&[star.x, star.y], STILL_PX).is_none();
        let apart = stars.iter().enumerate().filter(apart);
        apart.map(|(i, star)| (i, *star)).unzip()
    }
}

/// The reference's stars that any of these alignments rests on.
fn moving_stars<'a>(reference: &'a [Star], found: &[&Alignment]) -> impl Iterator<Item = &'a Star> {
    let mut paired = vec![false; reference.len()];
    for &(own, _) in found.iter().flat_map(|place| &place.pairs) {
        paired[own] = true;
    }
    let stars = reference.iter().zip(paired);
    stars.filter(|&(_, paired)| paired).map(|(star, _)| star)
}

/// Where detections lie in the picture.
struct Spread {
    /// Median height, px.
    height_px: f64,
    /// Area of the box that holds all but a tenth of them on each side, px².
    area_px2: f64,
}

impl Spread {
    fn of<'a>(stars: impl Iterator<Item = &'a Star>, up: [f64; 2]) -> Self {
        const LEFT_OUT: f64 = 0.1;
        let (mut x, mut y): (Vec<f64>, Vec<f64>) = stars.map(|star| (star.x, star.y)).unzip();
        let heights = x.iter().zip(&y).map(|(x, y)| x * up[0] + y * up[1]);
        let height_px = median(&mut heights.collect::<Vec<_>>()).unwrap_or(0.0);
        let extent = |at: &mut Vec<f64>| {
            at.sort_unstable_by(f64::total_cmp);
            let out = (LEFT_OUT * at.len() as f64) as usize;
            match at.get(out..at.len() - out) {
                Some([first, .., last]) => last - first,
                _ => 0.0,
            }
        };
        Self {
            height_px,
            area_px2: extent(&mut x) * extent(&mut y),
        }
    }

    /// Whether this is a sky and the other the ground below: defects of the sensor, all over
    /// the picture, are not higher, and lamps around a camera that looks up are not either.
    fn is_sky_over(&self, other: &Self) -> bool {
        /// A dozen detections know their middle to a twelfth of their extent.
        const HIGHER: f64 = 0.25;
        let apart_px = HIGHER * self.area_px2.max(other.area_px2).sqrt();
        self.height_px > other.height_px + apart_px && self.area_px2 > other.area_px2
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::testing::{Noise, star};

    const SIZE: (usize, usize) = (1200, 800);
    const STARS: usize = 40;
    const UP: [f64; 2] = [0.0, -1.0];
    const FRAMES: usize = 8;

    fn field(count: usize, rows: std::ops::Range<f64>, noise: &mut Noise) -> Vec<Star> {
        let one = |_| {
            let flux_dn = 1000.0 * (1.0 - noise.uniform()).powf(-0.8).min(50.0);
            let y = rows.start + (rows.end - rows.start) * noise.uniform();
            star(SIZE.0 as f64 * noise.uniform(), y, flux_dn)
        };
        (0..count).map(one).collect()
    }

    /// Frames of 40 stars, of which `clouded` shows 15, over lamps of which each shows most.
    fn frames(
        drift_px: f64,
        lamp_drift_px: f64,
        clouded: usize,
        lamps: usize,
        seed: u64,
    ) -> Vec<Vec<Star>> {
        let mut noise = Noise::new(seed);
        let stars = field(STARS, 0.0..600.0, &mut noise);
        let lamps = field(lamps, 650.0..790.0, &mut noise);
        let mut shown = |stars: &[Star], moved_px: f64, share: f64| -> Vec<Star> {
            let kept: Vec<&Star> = stars.iter().filter(|_| noise.uniform() < share).collect();
            let moved = |star: &&Star| Star {
                x: star.x + moved_px + 0.05 * noise.gaussian(),
                y: star.y + 0.3 * moved_px + 0.05 * noise.gaussian(),
                ..**star
            };
            kept.iter().map(moved).collect()
        };
        let frame = |i: usize| {
            let share = if i == clouded { 0.4 } else { 0.95 };
            let mut frame = shown(&stars, drift_px * i as f64, share);
            frame.extend(shown(&lamps, lamp_drift_px * i as f64, 0.95));
            frame
        };
        (0..FRAMES).map(frame).collect()
    }

    fn align_all(frames: &[Vec<Star>]) -> Vec<Option<Alignment>> {
        let options = MatchOptions::default();
        let align = |stars: &Vec<Star>| align_stars(&frames[0], stars, SIZE, &options).ok();
        let mut places: Vec<_> = frames.iter().map(align).collect();
        places[0] = None;
        places
    }

    fn anew(frames: &[Vec<Star>]) -> Vec<(usize, Result<Alignment, AlignError>)> {
        let lists: Vec<&[Star]> = frames.iter().map(Vec::as_slice).collect();
        let places = align_all(frames);
        let places: Vec<Option<&Alignment>> = places.iter().map(Option::as_ref).collect();
        realign_held(&lists, &places, 0, UP, SIZE, &MatchOptions::default())
    }

    /// Greatest distance of what the frames' maps say from the drift, px.
    fn worst_px(found: &[(usize, Result<Alignment, AlignError>)], drift_px: f64) -> f64 {
        let off_px = |(i, found): &(usize, Result<Alignment, AlignError>)| {
            let map = &found.as_ref().expect("fifteen stars").map;
            let moved_px = drift_px * *i as f64;
            let (x, y) = map.map(600.0, 300.0);
            (x - 600.0 - moved_px).hypot(y - 300.0 - 0.3 * moved_px)
        };
        found.iter().map(off_px).fold(0.0, f64::max)
    }

    #[test]
    fn a_clouded_frame_that_lamps_hold_is_aligned_by_its_stars() {
        // A fifth of the drift from one frame to the next; errors are 0.05 px.
        const LIMIT_PX: f64 = 1.0;
        let mut held = 0;
        for seed in 0..8 {
            let frames = frames(5.0, 0.0, 3, 30, seed);
            let found = anew(&frames);
            assert!(worst_px(&found, 5.0) < LIMIT_PX, "{found:?}");
            held += usize::from(!found.is_empty());
        }
        assert!(held > 4, "the test holds no frame: {held}");
    }

    #[test]
    fn more_lamps_than_stars_do_not_hold_a_burst() {
        const LIMIT_PX: f64 = 0.3;
        for (seed, drift_px) in [(0, 1.2), (1, 3.0), (2, 8.0)] {
            for lamps in [40, 120] {
                let frames = frames(drift_px, 0.0, FRAMES, lamps, seed);
                let found = anew(&frames);
                let off_px = worst_px(&found, drift_px);
                assert!(off_px < LIMIT_PX, "{lamps} lamps: {off_px} px");
                assert!(lamps == 40 || found.len() == FRAMES - 1);
            }
        }
    }

    #[test]
    fn a_frame_without_stars_is_no_part_of_the_sky() {
        let mut frames = frames(5.0, 0.0, 3, 30, 1);
        frames[3].retain(|star| star.y > 640.0);
        let found = anew(&frames);
        for (frame, found) in &found {
            let held = matches!(found, Err(AlignError::Held { .. }));
            assert_eq!(held, *frame == 3, "frame {frame}: {found:?}");
        }
        assert!(found.iter().any(|&(frame, _)| frame == 3));
    }

    #[test]
    fn a_tracked_sky_over_moving_lamps_is_left_alone() {
        for (seed, lamps) in (0..8).zip([30, 60, 200].into_iter().cycle()) {
            assert!(anew(&frames(0.02, 5.0, FRAMES, lamps, seed)).is_empty());
        }
    }

    #[test]
    fn stars_about_the_pole_are_left_alone() {
        let mut noise = Noise::new(11);
        let stars = field(300, 0.0..800.0, &mut noise);
        let frame = |i: usize| {
            let turned = |star: &Star| {
                let (x, y) = (star.x - 600.0, star.y - 400.0);
                let (sin, cos) = (4e-4 * i as f64).sin_cos();
                Star {
                    x: 600.0 + cos * x - sin * y + 0.05 * noise.gaussian(),
                    y: 400.0 + sin * x + cos * y + 0.05 * noise.gaussian(),
                    ..*star
                }
            };
            stars.iter().map(turned).collect()
        };
        let frames: Vec<Vec<Star>> = (0..FRAMES).map(frame).collect();
        assert!(anew(&frames).is_empty());
    }

    #[test]
    fn two_shots_at_one_place_of_a_dither_are_left_alone() {
        let mut frames = frames(5.0, 0.0, FRAMES, 30, 4);
        for frame in &mut frames {
            frame.retain(|star| star.y < 640.0);
        }
        frames[1] = frames[0].clone();
        assert!(anew(&frames).is_empty());
    }
}
