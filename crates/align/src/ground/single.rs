//! The ground of a single picture: what the sky, followed down from its upper border, ends at.
//!
//! Without a second light nothing tells what moves. But the sky is smooth, and it is at the
//! top: from there it is followed downwards as long as the picture stays at the level that
//! the sky above lets expect. Where it leaves that level for good, along an edge, ground
//! begins.

use super::cells::halved;
use super::contour::{BAND_CELLS, LEVEL_SIGMAS, Limit, contour, redrawn};
use super::edges::Edges;
use super::label::{LEAST_EDGE_SHARE, LEAST_SHARE, boundary_of, pieces};
use super::pixels;
use super::structure::calmed;
use crate::stats::{SIGMA_PER_MAD, median};
use ndarray::Array2;

/// Share of the picture, from the top, that is taken for sky to begin with.
const TOP_SHARE: f64 = 0.2;
/// Least of it, cells of twice `cell_px`: a level is drawn from beyond [`BAND_CELLS`].
const LEAST_TOP: usize = BAND_CELLS + 6;
/// Starlight beyond so many sigmas is taken away.
const STAR_SIGMAS: f32 = 3.0;
/// How much more than chance a cell must deviate to be ground, one after the other: a glow
/// that bends more than a plane looks like ground until the sky is given more room.
const PATIENCE: [f32; 4] = [1.0, 2.0, 4.0, 8.0];
/// Least side of a picture, cells of twice `cell_px`.
const LEAST_SIDE: usize = 2 * LEAST_TOP;

/// Finds the ground in one picture whose sky is at the top: `[row, column]` at full
/// resolution, `true` where the picture shows ground. `None` where the sky does not end along
/// edges, or ground reaches into the upper fifth over the whole width.
///
/// - `picture`: in [`cell_means`](crate::cell_means) of `cell_px`.
/// - `size`: width and height of the picture, px.
///
/// # Panics
///
/// When the picture is not of `size` in cells.
pub fn find_ground_alone(
    picture: &Array2<f32>,
    cell_px: usize,
    (width, height): (usize, usize),
) -> Option<Array2<bool>> {
    let cells = (height / cell_px, width / cell_px);
    assert_eq!(picture.dim(), cells, "a picture of its size");
    if cells.0.min(cells.1) < 2 * LEAST_SIDE {
        return None;
    }
    let starless = starless(picture);
    let coarse = halved(&starless);
    let edges = Edges::of(&coarse);
    let follow = |patience: f32| {
        let labels = followed_down(&coarse, patience * LEVEL_SIGMAS);
        believed(&labels, &edges).then_some(labels)
    };
    let labels = PATIENCE.into_iter().find_map(follow)?;
    let still = Array2::from_elem(labels.dim(), false);
    let drawn = standing(contour(&starless, &labels, &still));
    Some(pixels(&drawn, cell_px, (width, height)))
}

/// The picture with its stars cut down to the noise.
fn starless(picture: &Array2<f32>) -> Array2<f32> {
    let calm = calmed(picture);
    let mut off: Vec<f32> = picture
        .iter()
        .zip(&calm)
        .map(|(a, b)| (a - b).abs())
        .collect();
    off.retain(|off| off.is_finite());
    let sigma = SIGMA_PER_MAD as f32 * median(&mut off).unwrap_or(0.0);
    let mut starless = picture.clone();
    starless.zip_mut_with(&calm, |value, calm| {
        if *value > calm + STAR_SIGMAS * sigma {
            *value = *calm;
        }
    });
    starless
}

/// Labels whose boundary came down from the top until it stayed where it was.
fn followed_down(picture: &Array2<f32>, level_sigmas: f32) -> Array2<bool> {
    let (rows, columns) = picture.dim();
    let top = ((rows as f64 * TOP_SHARE) as usize).max(LEAST_TOP);
    let still = Array2::from_elem((rows.div_ceil(2), columns.div_ceil(2)), false);
    let mut labels = Array2::from_shape_fn((rows, columns), |(row, _)| row >= top);
    let ground = |labels: &Array2<bool>| labels.iter().filter(|&&ground| ground).count();
    // Each time it comes down by at least a cell somewhere, or stays.
    for _ in 0..rows {
        let before = ground(&labels);
        let limit = Limit {
            sigmas: level_sigmas,
            ..Limit::HALF_WAY
        };
        labels = redrawn(picture, &labels, &limit, &still);
        let after = ground(&labels);
        if after >= before || after == 0 {
            break;
        }
    }
    standing(labels)
}

/// Only what stands on the lower border: the rest is trails of stars, or cloud.
fn standing(mut labels: Array2<bool>) -> Array2<bool> {
    let last = labels.nrows() - 1;
    for piece in pieces(&labels, true) {
        if !piece.iter().any(|&(row, _)| row == last) {
            piece.iter().for_each(|&at| labels[at] = false);
        }
    }
    labels
}

/// Whether there is both, and they meet along edges.
fn believed(labels: &Array2<bool>, edges: &Edges) -> bool {
    let all = labels.len() as f64;
    let (mut edge, mut boundary, mut ground) = (0, 0, 0);
    for piece in pieces(labels, true) {
        let (edge_steps, steps, _) = boundary_of(&piece, labels, edges);
        (edge, boundary, ground) = (edge + edge_steps, boundary + steps, ground + piece.len());
    }
    let share = ground as f64 / all;
    let both = (LEAST_SHARE..=1.0 - LEAST_SHARE).contains(&share);
    both && edge as f64 >= LEAST_EDGE_SHARE * boundary as f64
}
