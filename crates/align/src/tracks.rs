//! Which detections of all frames are the same star.

use crate::bundle::{Observation, Track, direction};
use crate::neighbors::Neighbors;
use crate::{Alignment, Attitude, Lens, Star};

/// Tracks through the reference's stars, as frames were matched with it one by one.
/// Mirrored frames have no part in them.
pub(crate) fn from_alignments(
    frames: &[&[Star]],
    places: &[Option<&Alignment>],
    reference: usize,
) -> Vec<Track> {
    let observe = |frame: usize, star: usize| observation(frames, frame, star);
    let mut tracks: Vec<Track> = (0..frames[reference].len())
        .map(|star| vec![observe(reference, star)])
        .collect();
    for (frame, place) in places.iter().enumerate() {
        let Some(place) = place.filter(|place| frame != reference && !place.mirrored) else {
            continue;
        };
        for &(star, other) in &place.pairs {
            tracks[star].push(observe(frame, other));
        }
    }
    tracks.retain(|track| track.len() > 1);
    tracks
}

/// Tracks of all frames that have an attitude, by where the lens puts the stars: those of
/// the reference first, then what other frames add, nearest to the reference first.
///
/// A track may have a single place; `tolerance_px` is the reach of a match. Detections that
/// are `standing` are on none.
pub(crate) fn by_model(
    frames: &[&[Star]],
    standing: &[Vec<bool>],
    lens: &Lens,
    attitudes: &[Option<Attitude>],
    reference: usize,
    tolerance_px: f64,
) -> Vec<Track> {
    let mut order: Vec<usize> = (0..frames.len()).collect();
    order.sort_by_key(|&frame| (frame.abs_diff(reference), frame));
    let known: Vec<Attitude> = attitudes
        .iter()
        .map(|attitude| attitude.unwrap_or_else(Attitude::identity))
        .collect();
    let mut tracks: Vec<Track> = Vec::new();
    let mut sky: Vec<[f64; 3]> = Vec::new();
    for frame in order {
        let Some(attitude) = attitudes[frame] else {
            continue;
        };
        let moving: Vec<usize> = (0..frames[frame].len())
            .filter(|&star| !standing[frame][star])
            .collect();
        let places: Vec<[f64; 2]> = moving
            .iter()
            .map(|&star| [frames[frame][star].x, frames[frame][star].y])
            .collect();
        let mut free = vec![true; places.len()];
        for (track, place) in pair_up(lens, &attitude, &sky, &places, tolerance_px) {
            free[place] = false;
            tracks[track].push(observation(frames, frame, moving[place]));
            sky[track] = direction(lens, &known, &tracks[track]);
        }
        for place in (0..places.len()).filter(|&place| free[place]) {
            if lens.unproject(places[place][0], places[place][1]).is_some() {
                let track = vec![observation(frames, frame, moving[place])];
                sky.push(direction(lens, &known, &track));
                tracks.push(track);
            }
        }
    }
    tracks
}

/// Pairs of a direction and a place within reach, each once, the closest first served.
pub(crate) fn pair_up(
    lens: &Lens,
    attitude: &Attitude,
    sky: &[[f64; 3]],
    places: &[[f64; 2]],
    tolerance_px: f64,
) -> Vec<(usize, usize)> {
    let index = Neighbors::new(places);
    let mut near: Vec<(f64, usize, usize)> = (0..sky.len())
        .filter_map(|i| {
            let at = lens.project(attitude.rotate(sky[i]))?;
            let (j, distance) = index.nearest(&at, tolerance_px)?;
            Some((distance, i, j))
        })
        .collect();
    near.sort_by(|a, b| a.0.total_cmp(&b.0).then((a.1, a.2).cmp(&(b.1, b.2))));
    let mut taken = vec![false; places.len()];
    near.into_iter()
        .filter(|&(_, _, j)| !std::mem::replace(&mut taken[j], true))
        .map(|(_, i, j)| (i, j))
        .collect()
}

/// At most `most` tracks of those with places on two frames or more, spread over the field:
/// cell by cell of a grid, those that most frames show and that are measured best first.
pub(crate) fn thinned(tracks: &[Track], size: (usize, usize), most: usize) -> Vec<Track> {
    const CELLS: usize = 16;
    let mut cells: Vec<Vec<&Track>> = vec![Vec::new(); CELLS * CELLS];
    for track in tracks.iter().filter(|track| track.len() > 1) {
        let cell = |at: f64, extent: usize| {
            ((at / extent.max(1) as f64 * CELLS as f64).max(0.0) as usize).min(CELLS - 1)
        };
        let [x, y] = track[0].at;
        cells[cell(y, size.1) * CELLS + cell(x, size.0)].push(track);
    }
    for cell in &mut cells {
        cell.sort_by(|a, b| {
            let errors = a[0].error_px.total_cmp(&b[0].error_px);
            b.len().cmp(&a.len()).then(errors)
        });
    }
    let deepest = cells.iter().map(Vec::len).max().unwrap_or(0);
    (0..deepest)
        .flat_map(|rank| cells.iter().filter_map(move |cell| cell.get(rank)))
        .take(most)
        .map(|track| (*track).clone())
        .collect()
}

/// The tracks as some of the frames show them, with the frames counted anew.
pub(crate) fn on_frames(tracks: &[Track], frames: &[usize]) -> Vec<Track> {
    let place = |frame: usize| frames.iter().position(|&kept| kept == frame);
    let kept = |track: &Track| -> Track {
        track
            .iter()
            .filter_map(|seen| {
                Some(Observation {
                    frame: place(seen.frame)?,
                    ..*seen
                })
            })
            .collect()
    };
    tracks
        .iter()
        .map(kept)
        .filter(|track| track.len() > 1)
        .collect()
}

fn observation(frames: &[&[Star]], frame: usize, star: usize) -> Observation {
    let seen = &frames[frame][star];
    Observation {
        frame,
        star,
        at: [seen.x, seen.y],
        error_px: seen.position_error_px(),
    }
}
