//! What two pictures of one ground have in common: edges and texture, without stars, glow and
//! the dark corners of a lens.

use super::cells::halved;
use ndarray::Array2;

/// Half the side of the window whose median takes stars out, cells.
const CALM_CELLS: usize = 2;
/// How far around a cell its surroundings reach, cells.
const AROUND_CELLS: usize = 10;
/// Most cells that are taken for structure: those where it is strongest.
const MOST_CELLS: usize = 16_000;
/// Resolutions, each half as fine as the one before.
const LEVELS: usize = 5;
/// Least side of the coarsest, cells.
const LEAST_SIDE: usize = 40;

/// A slope of so many times the picture's typical one is structure.
const STEEP: f32 = 5.0;

/// A picture at falling resolutions, the finest first.
pub(super) struct Structure {
    pub levels: Vec<Level>,
}

/// A picture at one resolution.
pub(super) struct Level {
    /// Light beyond that of the surroundings, in the picture's unit.
    pub light: Array2<f32>,
    /// Side of a cell, px.
    pub cell_px: usize,
    /// Cells where the picture's slope is steep, in reading order.
    pub steep: Vec<(usize, usize)>,
}

impl Structure {
    /// The structure of a picture in cells of `cell_px`; NaN cells stay NaN.
    pub fn of(picture: &Array2<f32>, cell_px: usize) -> Self {
        let mut calm = calmed(picture);
        let mut cell_px = cell_px;
        let mut levels = Vec::new();
        loop {
            levels.push(Level::of(beyond_surroundings(&calm), cell_px));
            let (rows, columns) = calm.dim();
            if levels.len() == LEVELS || rows.min(columns) < 2 * LEAST_SIDE {
                return Self { levels };
            }
            calm = halved(&calm);
            cell_px *= 2;
        }
    }
}

impl Structure {
    /// Takes only what lies where `keep` is set, in cells of the finest resolution.
    pub fn limited_to(mut self, keep: &Array2<bool>) -> Self {
        for (i, level) in self.levels.iter_mut().enumerate() {
            let kept = |&(row, col): &(usize, usize)| {
                keep.get((row << i, col << i)).is_some_and(|&keep| keep)
            };
            level.steep.retain(kept);
        }
        self
    }
}

impl Level {
    fn of(light: Array2<f32>, cell_px: usize) -> Self {
        let (rows, columns) = light.dim();
        let mut slopes = Vec::new();
        for row in 1..rows.saturating_sub(1) {
            for col in 1..columns.saturating_sub(1) {
                let across = light[(row, col + 1)] - light[(row, col - 1)];
                let down = light[(row + 1, col)] - light[(row - 1, col)];
                let slope = across.hypot(down);
                if slope.is_finite() && light[(row, col)].is_finite() {
                    slopes.push((slope, (row, col)));
                }
            }
        }
        let mut all: Vec<f32> = slopes.iter().map(|(slope, _)| *slope).collect();
        let limit = STEEP * crate::stats::median(&mut all).unwrap_or(0.0);
        slopes.retain(|(slope, _)| *slope > limit);
        slopes.sort_by(|a, b| b.0.total_cmp(&a.0).then(a.1.cmp(&b.1)));
        slopes.truncate(MOST_CELLS);
        let mut steep: Vec<_> = slopes.into_iter().map(|(_, at)| at).collect();
        steep.sort_unstable();
        Self {
            light,
            cell_px,
            steep,
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
