//! What two pictures of one ground have in common: edges and texture, without stars, glow and
//! the dark corners of a lens.

use super::cells::halved;
use ndarray::Array2;

/// Half the side of the window whose median takes stars out, cells.
const CALM_CELLS: usize = 2;
/// How far around a cell its surroundings reach, cells.
const AROUND_CELLS: usize = 10;
/// Resolutions, each half as fine as the one before.
const LEVELS: usize = 5;
/// Least side of the coarsest, cells.
const LEAST_SIDE: usize = 40;

/// A picture at falling resolutions, the finest first.
pub(super) struct Structure {
    /// Light beyond that of the surroundings, in the picture's unit, and the side of a cell, px.
    pub levels: Vec<(Array2<f32>, usize)>,
}

impl Structure {
    /// The structure of a picture in cells of `cell_px`; NaN cells stay NaN.
    pub fn of(picture: &Array2<f32>, cell_px: usize) -> Self {
        let mut calm = calmed(picture);
        let mut cell_px = cell_px;
        let mut levels = Vec::new();
        loop {
            levels.push((beyond_surroundings(&calm), cell_px));
            let (rows, columns) = calm.dim();
            if levels.len() == LEVELS || rows.min(columns) < 2 * LEAST_SIDE {
                return Self { levels };
            }
            calm = halved(&calm);
            cell_px *= 2;
        }
    }
}

/// Every cell as the median of those around it: stars and hot pixels go, edges stay.
pub(super) fn calmed(picture: &Array2<f32>) -> Array2<f32> {
    let (rows, columns) = picture.dim();
    let mut near = Vec::with_capacity((2 * CALM_CELLS + 1).pow(2));
    let span = |at: usize, n: usize| at.saturating_sub(CALM_CELLS)..(at + CALM_CELLS + 1).min(n);
    Array2::from_shape_fn((rows, columns), |(row, col)| {
        if picture[(row, col)].is_nan() {
            return f32::NAN;
        }
        near.clear();
        for row in span(row, rows) {
            let across = span(col, columns).map(|col| picture[(row, col)]);
            near.extend(across.filter(|value| value.is_finite()));
        }
        crate::stats::median(&mut near).unwrap_or(f32::NAN)
    })
}

/// A picture less the mean around each cell.
fn beyond_surroundings(picture: &Array2<f32>) -> Array2<f32> {
    let seen = picture.mapv(|value| if value.is_finite() { 1.0 } else { 0.0 });
    let light = picture.mapv(|value| if value.is_finite() { value } else { 0.0 });
    let (seen, light) = (box_sums(&seen), box_sums(&light));
    Array2::from_shape_fn(picture.dim(), |at| {
        picture[at] - (light[at] / seen[at]) as f32
    })
}

/// Sums over the square window around each cell.
fn box_sums(plane: &Array2<f32>) -> Array2<f64> {
    let (rows, columns) = plane.dim();
    // sums[(r, c)]: over all rows above r and columns left of c.
    let mut sums = Array2::<f64>::zeros((rows + 1, columns + 1));
    for row in 0..rows {
        let mut line = 0.0;
        for col in 0..columns {
            line += f64::from(plane[(row, col)]);
            sums[(row + 1, col + 1)] = sums[(row, col + 1)] + line;
        }
    }
    let span = |at: usize, n: usize| {
        (
            at.saturating_sub(AROUND_CELLS),
            (at + AROUND_CELLS + 1).min(n),
        )
    };
    Array2::from_shape_fn((rows, columns), |(row, col)| {
        let ((top, bottom), (left, right)) = (span(row, rows), span(col, columns));
        sums[(bottom, right)] - sums[(top, right)] - sums[(bottom, left)] + sums[(top, left)]
    })
}
