//! Sky or ground, cell by cell: the cheapest labels, and whether they are to be believed.

use super::cut::{Grid, cut};
use super::edges::Edges;
use ndarray::Array2;
use std::collections::VecDeque;

/// Motion beyond so many sigmas of chance is a star's.
const MOVING_SIGMAS: f32 = 5.0;
/// What a cell in motion says for sky, in nats: stars cover at least a twentieth of a
/// sky's cells, chance fewer than one in 500 of a ground's.
const MOVING_NATS: f32 = 3.2;
/// What a cell without motion says for ground: far less than the twentieth that stars
/// cover, since skies have places without stars.
const STILL_NATS: f32 = 0.02;
/// What a boundary costs from cell to cell in a smooth place, and on an edge.
const BOUNDARY_NATS: (f32, f32) = (2.0, 0.02);
/// Nats to the integers of the cut.
const PER_NAT: f32 = 1000.0;

/// Least share of the picture that is a ground, its pieces together.
pub(super) const LEAST_SHARE: f64 = 0.003;
/// Least share of the picture that is a piece of it: a tree along the border.
const LEAST_PIECE_SHARE: f64 = 0.0003;
/// Share of a ground's boundary that must be an edge.
pub(super) const LEAST_EDGE_SHARE: f64 = 0.6;
/// Cost below which a boundary counts as an edge, of that in a smooth place.
const EDGE_COST: f32 = 0.5;
/// Most motion on a ground, of that in the sky.
const MOST_MOTION: f64 = 0.2;

/// Labels by motion and edges: `true` is ground. `None` without a ground to be believed.
///
/// - `score`: motion with the stars, sigmas; NaN where it cannot be told.
pub(super) fn label(score: &Array2<f32>, edges: &Edges) -> Option<Array2<bool>> {
    let (rows, columns) = score.dim();
    let pull = score.map(|&score| match score {
        score if score.is_nan() => 0.0,
        score if is_moving(score) => -MOVING_NATS,
        _ => STILL_NATS,
    });
    let boundary = |&cost: &f32| {
        let (smooth, edge) = BOUNDARY_NATS;
        ((edge + (smooth - edge) * cost) * PER_NAT) as i32
    };
    let grid = Grid {
        columns,
        rows,
        pull: pull.iter().map(|nats| (nats * PER_NAT) as i32).collect(),
        right: edges.right.iter().map(boundary).collect(),
        below: edges.below.iter().map(boundary).collect(),
    };
    let labels = Array2::from_shape_vec((rows, columns), cut(&grid)).expect("a label a cell");
    let ground = believed(&labels, score, edges);
    ground.iter().any(|&ground| ground).then_some(ground)
}

/// Whether a score is that of a star passing; not so where it is unknown.
pub(super) fn is_moving(score: f32) -> bool {
    score > MOVING_SIGMAS
}

/// The pieces of a labeled ground that are one: they reach the picture's border, end at
/// edges, hold no stars, and are enough of the picture together. A ridge just below the frame
/// leaves only the tips of its trees.
fn believed(labels: &Array2<bool>, score: &Array2<f32>, edges: &Edges) -> Array2<bool> {
    let moving = |at: (usize, usize)| is_moving(score[at]);
    let (mut sky, mut sky_moving) = (0_usize, 0_usize);
    for (at, _) in labels.indexed_iter().filter(|(_, ground)| !**ground) {
        sky += 1;
        sky_moving += usize::from(moving(at));
    }
    let in_sky = sky_moving as f64 / sky.max(1) as f64;
    let mut ground = Array2::from_elem(labels.dim(), false);
    let mut cells = 0;
    for piece in pieces(labels, true) {
        let share = piece.len() as f64 / labels.len() as f64;
        let in_piece = piece.iter().filter(|&&at| moving(at)).count() as f64 / piece.len() as f64;
        let (edge, all, border) = boundary_of(&piece, labels, edges);
        let ends_at_edges = edge as f64 >= LEAST_EDGE_SHARE * all as f64;
        let still = in_piece < MOST_MOTION * in_sky;
        if share >= LEAST_PIECE_SHARE && border && ends_at_edges && still {
            piece.iter().for_each(|&at| ground[at] = true);
            cells += piece.len();
        }
    }
    if (cells as f64) < LEAST_SHARE * labels.len() as f64 {
        ground.fill(false);
    }
    ground
}

/// Boundary steps of a piece that are edges, all of them, and whether it reaches the
/// picture's border.
pub(super) fn boundary_of(
    piece: &[(usize, usize)],
    labels: &Array2<bool>,
    edges: &Edges,
) -> (usize, usize, bool) {
    let (rows, columns) = labels.dim();
    let (mut edge, mut all, mut border) = (0, 0, false);
    for &(row, col) in piece {
        border |= row == 0 || col == 0 || row + 1 == rows || col + 1 == columns;
        let mut meet = |other: (usize, usize), cost: f32| {
            if !labels[other] {
                all += 1;
                edge += usize::from(cost < EDGE_COST);
            }
        };
        if col + 1 < columns {
            meet((row, col + 1), edges.right[(row, col)]);
        }
        if col > 0 {
            meet((row, col - 1), edges.right[(row, col - 1)]);
        }
        if row + 1 < rows {
            meet((row + 1, col), edges.below[(row, col)]);
        }
        if row > 0 {
            meet((row - 1, col), edges.below[(row - 1, col)]);
        }
    }
    (edge, all, border)
}

/// The connected pieces of all cells with a label, by their sides, in reading order.
pub(super) fn pieces(labels: &Array2<bool>, label: bool) -> Vec<Vec<(usize, usize)>> {
    let (rows, columns) = labels.dim();
    let mut seen = Array2::from_elem((rows, columns), false);
    let mut pieces = Vec::new();
    for (start, &own) in labels.indexed_iter() {
        if own != label || seen[start] {
            continue;
        }
        let mut piece = Vec::new();
        let mut next = VecDeque::from([start]);
        seen[start] = true;
        while let Some((row, col)) = next.pop_front() {
            piece.push((row, col));
            let around = [
                (row.wrapping_sub(1), col),
                (row, col.wrapping_sub(1)),
                (row, col + 1),
                (row + 1, col),
            ];
            for at in around {
                if labels.get(at) == Some(&label) && !seen[at] {
                    seen[at] = true;
                    next.push_back(at);
                }
            }
        }
        pieces.push(piece);
    }
    pieces
}
