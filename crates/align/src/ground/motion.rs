//! What turns with the sky: light that is where the stars' motion takes it.

use super::still::Still;
use crate::PixelMap;
use ndarray::Array2;
use rayon::prelude::*;

/// A light's difference counts as at most so many sigmas: one bright star is no more than
/// several faint ones.
const MOST_SIGMAS: f32 = 6.0;
/// Least motion over all lights that tells sky from ground, cells.
const LEAST_MOTION_CELLS: f64 = 2.5;
/// Cells between the places where maps are evaluated.
const LATTICE_CELLS: usize = 16;
/// Cells that a light's own background is measured over.
const BACKGROUND_CELLS: usize = 24;

/// Follows the stars from each light to the next.
///
/// The lights' differences from their median hold nothing that stands still. Where a star
/// passes a cell in light i, light i + 1 has it where the maps say; on the ground nothing is
/// there but noise. The sum over all pairs of neighbors in time of both differences'
/// product, each in sigmas, is the evidence, here in sigmas of chance; passing lights, satellites and flicker do not
/// follow the stars and add nothing. NaN where the stars move too little to tell.
pub(super) fn motion(
    lights: &[Array2<f32>],
    maps: &[PixelMap],
    still: &Still,
    cell_px: usize,
) -> Array2<f32> {
    let (rows, columns) = still.median.dim();
    let differences: Vec<Array2<f32>> = lights
        .par_iter()
        .map(|light| difference(light, still))
        .collect();
    let mut score = Array2::<f32>::zeros((rows, columns));
    let mut pairs = Array2::<f32>::zeros((rows, columns));
    for (i, own) in differences.iter().enumerate() {
        let neighbors = [i.checked_sub(1), (i + 1 < lights.len()).then_some(i + 1)];
        for j in neighbors.into_iter().flatten() {
            let Some(back) = maps[i].inverse() else {
                continue;
            };
            let other = &differences[j];
            let warp = Warp::new(&back, &maps[j], cell_px, (rows, columns));
            let add = |places: &mut Vec<(f32, f32)>, (row, (sum, pairs)): Row| {
                warp.row(row, places);
                let cells = sum.iter_mut().zip(pairs).zip(own.row(row));
                for (((sum, pairs), own), &(x, y)) in cells.zip(&*places) {
                    let product = own * bilinear(other, x, y);
                    if !product.is_nan() {
                        *sum += product;
                        *pairs += 1.0;
                    }
                }
            };
            let sums = score.as_slice_mut().expect("just made");
            let pairs = pairs.as_slice_mut().expect("just made");
            let sums = sums.par_chunks_mut(columns.max(1));
            let pairs = pairs.par_chunks_mut(columns.max(1));
            let rows = sums.zip(pairs).enumerate();
            rows.for_each_init(|| vec![(0.0, 0.0); columns], add);
        }
    }
    let moved = motion_cells(maps, cell_px, (rows, columns));
    for (at, value) in score.indexed_iter_mut() {
        // A pair is met from both of its ends, at different cells.
        *value = match moved[at] >= LEAST_MOTION_CELLS as f32 && pairs[at] > 0.0 {
            true => *value / pairs[at].sqrt(),
            false => f32::NAN,
        };
    }
    score
}

/// Number of a row, and its sums and pairs.
type Row<'a> = (usize, (&'a mut [f32], &'a mut [f32]));

/// Light minus median and minus the light's own background, in sigmas, limited.
fn difference(light: &Array2<f32>, still: &Still) -> Array2<f32> {
    let mut difference = light - &still.median;
    let (rows, columns) = difference.dim();
    let blocks = |n: usize| n.div_ceil(BACKGROUND_CELLS).max(1);
    let (block_rows, block_columns) = (blocks(rows), blocks(columns));
    let mut background = Array2::<f32>::zeros((block_rows, block_columns));
    let mut values = Vec::new();
    for ((block_row, block_col), level) in background.indexed_iter_mut() {
        values.clear();
        let end = |i: usize, n: usize| ((i + 1) * BACKGROUND_CELLS).min(n);
        for row in block_row * BACKGROUND_CELLS..end(block_row, rows) {
            for col in block_col * BACKGROUND_CELLS..end(block_col, columns) {
                values.push(difference[(row, col)]);
            }
        }
        values.retain(|value| value.is_finite());
        *level = crate::stats::median(&mut values).unwrap_or(0.0);
    }
    let step = BACKGROUND_CELLS as f32;
    for ((row, col), value) in difference.indexed_iter_mut() {
        let place = |i: usize, n: usize| ((i as f32 + 0.5) / step - 0.5).clamp(0.0, (n - 1) as f32);
        let (x, y) = (place(col, block_columns), place(row, block_rows));
        let sigmas = (*value - bilinear(&background, x, y)) / still.noise[(row, col)];
        *value = sigmas.clamp(-MOST_SIGMAS, MOST_SIGMAS);
    }
    difference
}

/// How far the sky moves over a cell from the first light to any other, cells; 0 where
/// unknown.
fn motion_cells(maps: &[PixelMap], cell_px: usize, (rows, columns): (usize, usize)) -> Array2<f32> {
    let mut most = Array2::<f32>::zeros((rows, columns));
    let Some(back) = maps.first().and_then(PixelMap::inverse) else {
        return most;
    };
    let warps: Vec<Warp> = maps
        .iter()
        .map(|map| Warp::new(&back, map, cell_px, (rows, columns)))
        .collect();
    let size = warps[0].shift_x.dim();
    let nodes = Array2::from_shape_fn(size, |at| {
        let shifts = warps
            .iter()
            .map(|warp| warp.shift_x[at].hypot(warp.shift_y[at]));
        shifts.fold(0.0, f32::max)
    });
    let step = LATTICE_CELLS as f32;
    for ((row, col), most) in most.indexed_iter_mut() {
        *most = bilinear(&nodes, col as f32 / step, row as f32 / step);
    }
    most
}

/// From a cell of one light to the place of the same stars in another, by way of the
/// reference; exact on a lattice, interpolated between.
struct Warp {
    shift_x: Array2<f32>,
    shift_y: Array2<f32>,
}

impl Warp {
    fn new(
        back: &PixelMap,
        onward: &PixelMap,
        cell_px: usize,
        (rows, columns): (usize, usize),
    ) -> Self {
        let nodes = |n: usize| n.div_ceil(LATTICE_CELLS) + 1;
        let size = (nodes(rows), nodes(columns));
        let (mut shift_x, mut shift_y) = (Array2::zeros(size), Array2::zeros(size));
        let center = 0.5 * (cell_px as f64 - 1.0);
        for ((row, col), shift_x) in shift_x.indexed_iter_mut() {
            let at = |node: usize| (node * LATTICE_CELLS * cell_px) as f64 + center;
            let (x, y) = (at(col), at(row));
            let (reference_x, reference_y) = back.map(x, y);
            let (to_x, to_y) = onward.map(reference_x, reference_y);
            *shift_x = ((to_x - x) / cell_px as f64) as f32;
            shift_y[(row, col)] = ((to_y - y) / cell_px as f64) as f32;
        }
        Self { shift_x, shift_y }
    }

    /// Where the cells of a row lie, cells.
    fn row(&self, row: usize, places: &mut [(f32, f32)]) {
        let top = row / LATTICE_CELLS;
        let down = (row % LATTICE_CELLS) as f32 / LATTICE_CELLS as f32;
        let line = |plane: &Array2<f32>, node: usize| {
            plane[(top, node)] * (1.0 - down) + plane[(top + 1, node)] * down
        };
        for (node, places) in places.chunks_mut(LATTICE_CELLS).enumerate() {
            let [from, to] =
                [node, node + 1].map(|node| (line(&self.shift_x, node), line(&self.shift_y, node)));
            for (i, place) in places.iter_mut().enumerate() {
                let share = i as f32 / LATTICE_CELLS as f32;
                let (dx, dy) = (
                    from.0 + share * (to.0 - from.0),
                    from.1 + share * (to.1 - from.1),
                );
                *place = ((node * LATTICE_CELLS + i) as f32 + dx, row as f32 + dy);
            }
        }
    }
}

/// A plane between its cells; NaN outside.
pub(super) fn bilinear(plane: &Array2<f32>, x: f32, y: f32) -> f32 {
    let (rows, columns) = plane.dim();
    let inside = x >= 0.0 && y >= 0.0 && x <= (columns - 1) as f32 && y <= (rows - 1) as f32;
    if !inside {
        return f32::NAN;
    }
    let (left, top) = (x as usize, y as usize);
    let (right, bottom) = ((left + 1).min(columns - 1), (top + 1).min(rows - 1));
    let (fx, fy) = (x - left as f32, y - top as f32);
    let upper = plane[(top, left)] * (1.0 - fx) + plane[(top, right)] * fx;
    let lower = plane[(bottom, left)] * (1.0 - fx) + plane[(bottom, right)] * fx;
    upper * (1.0 - fy) + lower * fy
}
