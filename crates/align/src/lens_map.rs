//! A rotation seen through a lens, pixel to pixel: exact on a lattice, interpolated between.

use crate::{Attitude, Lens};

/// Where pixels of one frame lie on another of the same lens.
///
/// Exact positions stand on a lattice that covers the frame and a cell beyond; between them
/// cubic polynomials run through four neighbors each way (Lagrange). The spacing is halved
/// until the interpolation is as good as [`GOAL_PX`] in the middle of the cells, where it is
/// worst.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct LensMap {
    lens: Lens,
    attitude: Attitude,
    size: (usize, usize),
    step: usize,
    columns: usize,
    /// Positions at `step (i − 1)`, row by row; NaN where the lens sees nothing.
    nodes: Vec<[f64; 2]>,
    /// Weights of the four nodes around each of a cell's `step` pixels.
    weights: Vec<[f64; 4]>,
    error_px: f64,
}

/// Greatest error of the interpolation that is aimed at, px: a tenth of what the best stars
/// tell of a map.
const GOAL_PX: f64 = 1e-3;

impl LensMap {
    pub(crate) fn new(lens: Lens, attitude: Attitude, size: (usize, usize)) -> Self {
        const WIDEST: usize = 64;
        const NARROWEST: usize = 4;
        let mut map = Self::with_step(lens, attitude, size, WIDEST);
        while map.error_px > GOAL_PX && map.step > NARROWEST {
            map = Self::with_step(lens, attitude, size, map.step / 2);
        }
        map
    }

    fn with_step(lens: Lens, attitude: Attitude, size: (usize, usize), step: usize) -> Self {
        // One node before the frame, and two after its last pixel.
        let count = |extent: usize| extent.saturating_sub(1) / step + 4;
        let (columns, rows) = (count(size.0), count(size.1));
        let mut map = Self {
            lens,
            attitude,
            size,
            step,
            columns,
            nodes: Vec::with_capacity(columns * rows),
            weights: (0..step).map(|i| cubic(i as f64 / step as f64)).collect(),
            error_px: 0.0,
        };
        for row in 0..rows {
            for column in 0..columns {
                let at = |i: usize| (i as f64 - 1.0) * step as f64;
                map.nodes.push(map.exact(at(column), at(row)).into());
            }
        }
        map.extrapolate(rows);
        map.error_px = map.worst_error_px(rows);
        map
    }

    /// Gives nodes beyond the frame that the lens does not see the values that continue those
    /// within, or the frame's rim would have no neighbors to interpolate from.
    fn extrapolate(&mut self, rows: usize) {
        let columns = self.columns;
        let lines = (0..rows).map(|row| (row * columns, 1, columns));
        let lines = lines.chain((0..columns).map(|column| (column, columns, rows)));
        for (start, stride, n) in lines {
            for (at, inwards) in [(0, 1), (n - 2, -1), (n - 1, -1)] {
                let node = |k: isize| start + stride * (at as isize + k * inwards) as usize;
                if n < 5 || self.nodes[node(0)][0].is_finite() {
                    continue;
                }
                let [a, b, c] = [1, 2, 3].map(|k| self.nodes[node(k)]);
                self.nodes[node(0)] = [0, 1].map(|k| 3.0 * (a[k] - b[k]) + c[k]);
            }
        }
    }

    /// Where a point lies, without interpolation; NaN where nowhere.
    pub(crate) fn exact(&self, x: f64, y: f64) -> (f64, f64) {
        let seen = self.lens.unproject(x, y);
        seen.and_then(|direction| self.lens.project(self.attitude.rotate(direction)))
            .map_or((f64::NAN, f64::NAN), |[x, y]| (x, y))
    }

    pub(crate) fn lens(&self) -> &Lens {
        &self.lens
    }

    /// First this map, then `next`; `None` where that is of another lens.
    pub(crate) fn then(&self, next: &Self) -> Option<Self> {
        let attitude = self.attitude.then(&next.attitude);
        (self.lens == next.lens).then(|| Self::new(self.lens, attitude, self.size))
    }

    /// The way back.
    pub(crate) fn inverse(&self) -> Self {
        Self::new(self.lens, self.attitude.inverse(), self.size)
    }

    /// Greatest distance of an interpolated position from the exact one, of those that the
    /// other frame shows, px.
    pub(crate) fn error_px(&self) -> f64 {
        self.error_px
    }

    /// The error in the middle of all cells, of what lands on the other frame or near it.
    fn worst_error_px(&self, rows: usize) -> f64 {
        let mut worst = 0.0_f64;
        let mut point = [(0.0, 0.0)];
        let near =
            |at: f64, extent: usize| at > -(self.step as f64) && at < (extent + self.step) as f64;
        for row in 0..rows - 3 {
            for column in 0..self.columns - 3 {
                let middle = |i: usize, extent: usize| {
                    (i * self.step + self.step / 2).min(extent.saturating_sub(1))
                };
                let (x, y) = (middle(column, self.size.0), middle(row, self.size.1));
                let exact = self.exact(x as f64, y as f64);
                if near(exact.0, self.size.0) && near(exact.1, self.size.1) {
                    self.map_row(x, y, &mut point);
                    let error = (point[0].0 - exact.0).hypot(point[0].1 - exact.1);
                    worst = if error.is_nan() {
                        f64::INFINITY
                    } else {
                        worst.max(error)
                    };
                }
            }
        }
        worst
    }

    /// Where the pixels `x0 .. x0 + out.len()` of row `y` lie, interpolated; beyond the frame
    /// that the lattice is made for, exact.
    pub(crate) fn map_row(&self, x0: usize, y: usize, out: &mut [(f64, f64)]) {
        if y >= self.size.1 || x0 + out.len() > self.size.0 {
            for (i, point) in out.iter_mut().enumerate() {
                *point = self.exact((x0 + i) as f64, y as f64);
            }
            return;
        }
        let down = self.weights[y % self.step];
        let top = y / self.step * self.columns;
        // The lattice's columns at this row.
        let column = |i: usize| -> [f64; 2] {
            let node = |row: usize| self.nodes[top + row * self.columns + i];
            [0, 1].map(|k| (0..4).map(|row| down[row] * node(row)[k]).sum())
        };
        let mut x = x0;
        let mut done = 0;
        while done < out.len() {
            let cell = x / self.step;
            let nodes = [
                column(cell),
                column(cell + 1),
                column(cell + 2),
                column(cell + 3),
            ];
            let weights = &self.weights[x % self.step..];
            let here = weights.len().min(out.len() - done);
            for (point, across) in out[done..done + here].iter_mut().zip(weights) {
                let at = |k: usize| (0..4).map(|n| across[n] * nodes[n][k]).sum();
                *point = (at(0), at(1));
            }
            x += here;
            done += here;
        }
    }
}

/// Weights of four values at −1, 0, 1, 2 for the cubic through them, at `t` in 0 .. 1
/// (Lagrange).
fn cubic(t: f64) -> [f64; 4] {
    let (before, after, far) = (t + 1.0, t - 1.0, t - 2.0);
    [
        -t * after * far / 6.0,
        before * after * far / 2.0,
        -before * t * far / 2.0,
        before * t * after / 6.0,
    ]
}
