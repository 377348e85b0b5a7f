//! The boundary of a ground, cell by cell: where the picture stops looking like the sky
//! beyond.

use super::cut::{Grid, cut};
use super::edges::Edges;
use super::label::pieces;
use crate::stats::{SIGMA_PER_MAD, median};
use ndarray::{Array2, s};

/// How far the boundary may lie from where motion and edges put it, cells.
pub(super) const BAND_CELLS: usize = 24;
/// Sky that a level is drawn from, to either side of a cell, cells.
const REACH_CELLS: usize = 40;
/// One in so many rows and columns of it is looked at.
const STRIDE: usize = 2;
/// Cells between the places where the sky's level is drawn.
const LATTICE_CELLS: usize = 6;
/// Cells of sky that a level needs.
const FEWEST_CELLS: f64 = 20.0;
/// Least deviation from the sky's level, in sigmas, from which a cell is rather ground.
pub(super) const LEVEL_SIGMAS: f32 = 3.0;
/// How far around a cell the ground's contrast is measured, cells.
const CONTRAST_CELLS: usize = 6;
/// What a cell twice as far from the sky's level as half way to the ground says, nats.
const NATS_AT_TWICE: f32 = 4.0;
/// Most that one cell's level can say, nats.
const MOST_NATS: f32 = 6.0;
/// What a boundary costs from cell to cell in a smooth place, and on an edge.
const BOUNDARY_NATS: (f32, f32) = (2.0, 0.3);
/// Nats to the integers of the cut.
const PER_NAT: f32 = 1000.0;
/// Pieces smaller than this are specks, cells.
const SPECK_CELLS: usize = 40;
/// Cells that stars pass in a piece of sky within the ground.
const FEWEST_MOVING: usize = 8;

/// Redraws the boundary of `labels` (`true` is ground, half the picture's resolution) on
/// the picture's own cells.
///
/// The sky is smooth: near the boundary its level is known from the sky beyond, by a plane
/// through it. What deviates from that plane is ground, of whatever brightness: trees may
/// be darker than the sky and the snow below brighter. It runs half way in brightness.
///
/// - `moving`: cells that stars pass, at the resolution of `labels`.
pub(super) fn contour(
    picture: &Array2<f32>,
    labels: &Array2<bool>,
    moving: &Array2<bool>,
) -> Array2<bool> {
    let coarse = Array2::from_shape_fn(picture.dim(), |(row, col)| {
        let (last_row, last_col) = (labels.nrows() - 1, labels.ncols() - 1);
        labels[((row / 2).min(last_row), (col / 2).min(last_col))]
    });
    redrawn(picture, &coarse, &Limit::HALF_WAY, moving)
}

/// Ground with all that it dims or brightens, however little: tips of trees that sweep over
/// a cell for a part of the exposure.
///
/// - `labels`: ground, of the picture's resolution.
pub(super) fn touched(picture: &Array2<f32>, labels: &Array2<bool>) -> Array2<bool> {
    let still = Array2::from_elem(labels.dim(), false);
    let limit = Limit {
        of_contrast: 0.0,
        ..Limit::HALF_WAY
    };
    let drawn = redrawn(picture, labels, &limit, &still);
    let mut touched = labels.clone();
    // What is not connected with the ground is a star.
    for piece in pieces(&drawn, true) {
        if piece.iter().any(|&at| labels[at]) {
            piece.iter().for_each(|&at| touched[at] = true);
        }
    }
    touched
}

/// From which deviation on a cell is rather ground.
pub(super) struct Limit {
    /// At least, in sigmas.
    pub sigmas: f32,
    /// As a share of the typical deviation of the ground nearby.
    pub of_contrast: f32,
    /// How far around a cell that deviation is measured, cells.
    pub contrast_cells: usize,
}

impl Limit {
    /// Half way in brightness between sky and ground.
    pub const HALF_WAY: Self = Self {
        sigmas: LEVEL_SIGMAS,
        of_contrast: 0.5,
        contrast_cells: CONTRAST_CELLS,
    };

    /// Half way between sky and the ground as a whole: where motion thins the tips of trees,
    /// they are no measure.
    pub const SMEARED: Self = Self {
        contrast_cells: 2 * CONTRAST_CELLS,
        ..Self::HALF_WAY
    };
}

/// The same for labels of the picture's own resolution.
///
/// - `moving`: at half the picture's resolution.
pub(super) fn redrawn(
    picture: &Array2<f32>,
    coarse: &Array2<bool>,
    limit: &Limit,
    moving: &Array2<bool>,
) -> Array2<bool> {
    let (rows, columns) = picture.dim();
    let near_ground = near(coarse, true);
    let near_sky = near(coarse, false);
    let band = |at| near_ground[at] && near_sky[at];
    let sigma = cell_noise(picture, &near_ground);
    let sky = SkyLevel::beyond(picture, &near_ground, &near_sky);
    let deviations = Array2::from_shape_fn((rows, columns), |at| match band(at) {
        true => (picture[at] - sky.at(at)).abs() / sigma,
        false => f32::NAN,
    });
    let pull = Array2::from_shape_fn((rows, columns), |at| {
        let outside = if coarse[at] { MOST_NATS } else { -MOST_NATS };
        if !band(at) {
            return 10.0 * outside;
        }
        if deviations[at].is_nan() {
            return if coarse[at] { 1.0 } else { -1.0 };
        }
        let share = limit.of_contrast * contrast(&deviations, coarse, at, limit.contrast_cells);
        let limit = share.max(limit.sigmas);
        (NATS_AT_TWICE * (deviations[at] / limit - 1.0)).clamp(-MOST_NATS, MOST_NATS)
    });
    let edges = Edges::of(picture);
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
    let drawn = Array2::from_shape_vec((rows, columns), cut(&grid)).expect("a label a cell");
    without_specks(drawn, moving)
}

/// Typical deviation of the ground near a cell, sigmas; 0 where none is known.
fn contrast(
    deviations: &Array2<f32>,
    ground: &Array2<bool>,
    (row, col): (usize, usize),
    reach: usize,
) -> f32 {
    let (rows, columns) = deviations.dim();
    let span =
        |at: usize, n: usize| (at.saturating_sub(reach)..(at + reach + 1).min(n)).step_by(STRIDE);
    let mut near: Vec<f32> = span(row, rows)
        .flat_map(|row| span(col, columns).map(move |col| (row, col)))
        .filter(|&at| ground[at] && !deviations[at].is_nan())
        .map(|at| deviations[at])
        .collect();
    median(&mut near).unwrap_or(0.0)
}

/// Cells within the band's reach of a label.
fn near(labels: &Array2<bool>, label: bool) -> Array2<bool> {
    let (rows, columns) = labels.dim();
    let spread = |line: &mut [bool]| {
        let mut ahead = 0;
        let mut marked = vec![false; line.len()];
        for (i, &own) in line.iter().enumerate() {
            if own {
                for mark in &mut marked
                    [ahead.max(i.saturating_sub(BAND_CELLS))..(i + BAND_CELLS + 1).min(line.len())]
                {
                    *mark = true;
                }
                ahead = i;
            }
        }
        line.copy_from_slice(&marked);
    };
    let mut marks = labels.mapv(|own| own == label);
    for row in 0..rows {
        let mut line = marks.row(row).to_vec();
        spread(&mut line);
        marks.row_mut(row).assign(&ndarray::ArrayView1::from(&line));
    }
    for col in 0..columns {
        let mut line = marks.column(col).to_vec();
        spread(&mut line);
        marks
            .column_mut(col)
            .assign(&ndarray::ArrayView1::from(&line));
    }
    marks
}

/// Scatter of the sky's cells about their neighborhood, from second differences along rows.
fn cell_noise(picture: &Array2<f32>, not_sky: &Array2<bool>) -> f32 {
    let (rows, columns) = picture.dim();
    let mut bends = Vec::new();
    for row in 0..rows {
        for col in (2..columns).step_by(3) {
            let sky = (col - 2..=col).all(|col| !not_sky[(row, col)]);
            let bend =
                picture[(row, col)] + picture[(row, col - 2)] - 2.0 * picture[(row, col - 1)];
            if sky && bend.is_finite() {
                bends.push(bend.abs());
            }
        }
    }
    // Variances add: 1 + 1 + 4.
    let sigma = SIGMA_PER_MAD as f32 * median(&mut bends).unwrap_or(0.0) / 6.0_f32.sqrt();
    sigma.max(f32::MIN_POSITIVE)
}

/// The sky's level near the ground, on a lattice.
struct SkyLevel {
    nodes: Array2<f32>,
}

impl SkyLevel {
    /// Drawn from the cells away from the ground.
    fn beyond(picture: &Array2<f32>, near_ground: &Array2<bool>, near_sky: &Array2<bool>) -> Self {
        let (rows, columns) = picture.dim();
        let nodes = |n: usize| n.div_ceil(LATTICE_CELLS) + 1;
        let node = |(row, col): (usize, usize)| {
            let at = (row * LATTICE_CELLS, col * LATTICE_CELLS);
            let clamped = (at.0.min(rows - 1), at.1.min(columns - 1));
            let wanted = near_ground[clamped] && near_sky[clamped];
            // A node beside the band serves its border.
            let beside = || {
                let (top, left) = (
                    clamped.0.saturating_sub(LATTICE_CELLS),
                    clamped.1.saturating_sub(LATTICE_CELLS),
                );
                let bottom = (clamped.0 + LATTICE_CELLS).min(rows - 1);
                let right = (clamped.1 + LATTICE_CELLS).min(columns - 1);
                [(top, left), (top, right), (bottom, left), (bottom, right)]
                    .iter()
                    .any(|&at| near_ground[at] && near_sky[at])
            };
            // High trees, or a valley, may keep the sky away.
            let reach = |factor: usize| level(picture, near_ground, at, factor);
            let level = (wanted || beside()).then(|| [1, 2, 4].into_iter().find_map(reach));
            level.flatten().unwrap_or(f32::NAN)
        };
        Self {
            nodes: Array2::from_shape_fn((nodes(rows), nodes(columns)), node),
        }
    }

    /// The level at a cell; NaN where no sky is near.
    fn at(&self, (row, col): (usize, usize)) -> f32 {
        let (top, left) = (row / LATTICE_CELLS, col / LATTICE_CELLS);
        let share = |i: usize| (i % LATTICE_CELLS) as f32 / LATTICE_CELLS as f32;
        let (down, across) = (share(row), share(col));
        let line = |row| {
            let (left, right) = (self.nodes[(row, left)], self.nodes[(row, left + 1)]);
            left * (1.0 - across) + right * across
        };
        line(top) * (1.0 - down) + line(top + 1) * down
    }
}

/// The sky's level at a cell: a plane through the sky around it, by least squares, up to
/// `factor` times the usual reach. `None` with too little sky around.
fn level(
    picture: &Array2<f32>,
    not_sky: &Array2<bool>,
    (row, col): (usize, usize),
    factor: usize,
) -> Option<f32> {
    let (rows, columns) = picture.dim();
    let (reach, stride) = (factor * REACH_CELLS, factor * STRIDE);
    let span = |at: usize, n: usize| at.saturating_sub(reach).min(n)..(at + reach + 1).min(n);
    let (across, down) = (span(col, columns), span(row, rows));
    let (x0, y0) = (across.start, down.start);
    let near = s![down.clone(), across.clone()];
    let (values, masked) = (picture.slice(near), not_sky.slice(near));
    let mut m = [[0.0_f64; 3]; 3];
    let mut v = [0.0_f64; 3];
    for i in (0..values.nrows()).step_by(stride) {
        for j in (0..values.ncols()).step_by(stride) {
            let value = values[(i, j)];
            if masked[(i, j)] || !value.is_finite() {
                continue;
            }
            let basis = [
                1.0,
                (x0 + j) as f64 - col as f64,
                (y0 + i) as f64 - row as f64,
            ];
            for (a, (sums, product)) in m.iter_mut().zip(&mut v).enumerate() {
                sums.iter_mut()
                    .zip(basis)
                    .for_each(|(sum, b)| *sum += basis[a] * b);
                *product += basis[a] * f64::from(value);
            }
        }
    }
    if m[0][0] < FEWEST_CELLS {
        return None;
    }
    let m = nalgebra::Matrix3::from_fn(|a, b| m[a][b]);
    let plane = m.cholesky()?.solve(&nalgebra::Vector3::from(v));
    Some(plane[0] as f32)
}

/// Small islands go to what surrounds them, and so does sky inside the ground where no star
/// was seen.
fn without_specks(mut labels: Array2<bool>, moving: &Array2<bool>) -> Array2<bool> {
    for label in [false, true] {
        let pieces = pieces(&labels, label);
        let largest = pieces.iter().map(Vec::len).max().unwrap_or(0);
        for piece in pieces.into_iter().filter(|piece| piece.len() < largest) {
            let stars = piece.iter().filter(|at| is_moving(moving, **at)).count();
            let starless = !label && stars < FEWEST_MOVING;
            if piece.len() < SPECK_CELLS || starless {
                piece.iter().for_each(|&at| labels[at] = !label);
            }
        }
    }
    labels
}

/// Whether stars pass a cell; `moving` has half the resolution.
fn is_moving(moving: &Array2<bool>, (row, col): (usize, usize)) -> bool {
    moving.get((row / 2, col / 2)).is_some_and(|&moving| moving)
}
