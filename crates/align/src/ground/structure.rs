//! What two pictures of one ground have in common: edges and texture, without stars, glow and
//! the dark corners of a lens.

use super::cells::halved;
use ndarray::{Array2, s};

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
    let mut near = Vec::with_capacity(WINDOW);
    let span = |at: usize, n: usize| at.saturating_sub(CALM_CELLS)..(at + CALM_CELLS + 1).min(n);
    let mut of_cell = |row: usize, col: usize| {
        if picture[(row, col)].is_nan() {
            return f32::NAN;
        }
        near.clear();
        for row in span(row, rows) {
            let across = span(col, columns).map(|col| picture[(row, col)]);
            near.extend(across.filter(|value| value.is_finite()));
        }
        crate::stats::median(&mut near).unwrap_or(f32::NAN)
    };
    let mut calm = Array2::from_elem((rows, columns), f32::NAN);
    for row in 0..rows {
        let mut col = 0;
        while col < columns {
            match Windows::at(picture, row, col) {
                Some(windows) => {
                    let medians = windows.medians();
                    let mut out = calm.slice_mut(s![row, col..col + LANES]);
                    out.iter_mut().zip(medians).for_each(|(out, v)| *out = v);
                    col += LANES;
                }
                None => {
                    calm[(row, col)] = of_cell(row, col);
                    col += 1;
                }
            }
        }
    }
    calm
}

/// Cells of a window.
const WINDOW: usize = (2 * CALM_CELLS + 1) * (2 * CALM_CELLS + 1);
/// Windows looked at side by side.
const LANES: usize = 8;

/// The windows around neighboring cells of a row, whole and without NaN.
struct Windows([[f32; LANES]; WINDOW]);

impl Windows {
    /// Those around the cells from `(row, col)` on; `None` where one has less than all its
    /// cells.
    fn at(picture: &Array2<f32>, row: usize, col: usize) -> Option<Self> {
        let (top, left) = (row.checked_sub(CALM_CELLS)?, col.checked_sub(CALM_CELLS)?);
        let side = 2 * CALM_CELLS + 1;
        let (rows, columns) = picture.dim();
        if top + side > rows || left + side + LANES - 1 > columns {
            return None;
        }
        let values = picture.as_slice()?;
        let mut cells = [[0.0; LANES]; WINDOW];
        for (i, cell) in cells.iter_mut().enumerate() {
            let start = (top + i / side) * columns + left + i % side;
            cell.copy_from_slice(&values[start..start + LANES]);
        }
        let finite = |cell: &[f32; LANES]| cell.iter().fold(true, |all, v| all & v.is_finite());
        cells.iter().all(finite).then_some(Self(cells))
    }

    /// The middle values. Of just more than half of the cells neither the least nor the
    /// greatest can be the middle one of all: another cell takes their place, and so on until
    /// three are left (common practice, no source).
    fn medians(mut self) -> [f32; LANES] {
        let (kept, others) = self.0.split_at_mut(WINDOW / 2 + 2);
        let mut n = kept.len();
        for other in others {
            ends_first(&mut kept[..n]);
            kept[0] = *other;
            n -= 1;
        }
        ends_first(&mut kept[..n]);
        kept[1]
    }
}

/// Brings the least value of every lane to the first row, and the greatest to the last.
fn ends_first(rows: &mut [[f32; LANES]]) {
    let last = rows.len() - 1;
    for i in 1..=last {
        in_order(rows, 0, i);
    }
    for i in 1..last {
        in_order(rows, i, last);
    }
}

fn in_order(rows: &mut [[f32; LANES]], upper: usize, lower: usize) {
    let (a, b) = (rows[upper], rows[lower]);
    for lane in 0..LANES {
        let ordered = a[lane] < b[lane];
        rows[upper][lane] = if ordered { a[lane] } else { b[lane] };
        rows[lower][lane] = if ordered { b[lane] } else { a[lane] };
    }
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

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_middle_of_every_window_is_that_of_its_sorted_cells() {
        let mut state = 3_u64;
        let mut picture = Array2::from_shape_fn((23, 41), |_| {
            state = state.wrapping_mul(6364136223846793005).wrapping_add(1);
            ((state >> 40) % 1000) as f32
        });
        picture[(11, 20)] = f32::NAN;
        let calm = calmed(&picture);
        for ((row, col), &found) in calm.indexed_iter() {
            let span = |at: usize, n: usize| at.saturating_sub(2)..(at + 3).min(n);
            let cells = picture.slice(s![span(row, 23), span(col, 41)]);
            let mut near: Vec<f32> = cells.iter().copied().filter(|v| !v.is_nan()).collect();
            near.sort_unstable_by(f32::total_cmp);
            let n = near.len();
            let want = 0.5 * near[(n - 1) / 2] + 0.5 * near[n / 2];
            let is_hole = (row, col) == (11, 20);
            assert!(found == want || is_hole && found.is_nan(), "{row} {col}");
        }
    }
}
