//! Where a still picture has edges: what a boundary may follow at little cost.

use crate::stats::{SIGMA_PER_MAD, median};
use ndarray::Array2;

/// Steps of this many sigmas above chance are edges.
const EDGE_SIGMAS: f32 = 4.0;
/// Cells to either side that tell a step from a slope.
const ASIDE_CELLS: usize = 3;

/// Cost of a boundary between a cell and its neighbor, of that in a smooth place: 0 on an
/// edge, 1 away from any.
pub(super) struct Edges {
    /// To the right neighbor.
    pub right: Array2<f32>,
    /// To the neighbor below.
    pub below: Array2<f32>,
}

impl Edges {
    /// The edges of a picture; NaN cells have none.
    ///
    /// A step counts by what it is more than the picture's slope on its smoother side, so
    /// that glow and the dark corners of a lens are no edges.
    pub fn of(picture: &Array2<f32>) -> Self {
        Self {
            right: costs(picture, (0, 1)),
            below: costs(picture, (1, 0)),
        }
    }
}

fn costs(picture: &Array2<f32>, (dy, dx): (usize, usize)) -> Array2<f32> {
    let (rows, columns) = picture.dim();
    let mut steps = Array2::from_elem((rows, columns), 0.0_f32);
    for row in 0..rows.saturating_sub(dy) {
        for col in 0..columns.saturating_sub(dx) {
            let step = picture[(row + dy, col + dx)] - picture[(row, col)];
            steps[(row, col)] = if step.is_finite() { step } else { 0.0 };
        }
    }
    let mut all: Vec<f32> = steps.iter().map(|step| step.abs()).collect();
    let typical = SIGMA_PER_MAD as f32 * median(&mut all).unwrap_or(0.0);
    let limit = EDGE_SIGMAS * typical.max(f32::MIN_POSITIVE);
    let (aside_y, aside_x) = (ASIDE_CELLS * dy, ASIDE_CELLS * dx);
    Array2::from_shape_fn((rows, columns), |(row, col)| {
        let step = steps[(row, col)];
        let slope = |at: Option<(usize, usize)>| {
            at.and_then(|at| steps.get(at)).map_or(0.0, |slope| *slope)
        };
        let before = slope(row.checked_sub(aside_y).zip(col.checked_sub(aside_x)));
        let after = slope(Some((row + aside_y, col + aside_x)));
        let beyond = (step - before).abs().min((step - after).abs());
        (-(beyond / limit).powi(2)).exp()
    })
}
