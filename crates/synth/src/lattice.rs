//! Smooth pictures, known on a lattice and interpolated between its nodes.

use rayon::prelude::*;

/// Values on a square lattice over a picture, linear between the nodes.
///
/// For what varies over tens of pixels and is dear to compute: glow, cloud, the band.
#[derive(Clone, Debug)]
pub(crate) struct Lattice<const CHANNELS: usize> {
    columns: usize,
    nodes: Vec<[f32; CHANNELS]>,
}

/// Distance of two nodes, px.
const STEP_PX: usize = 8;

impl<const CHANNELS: usize> Lattice<CHANNELS> {
    /// A lattice over `width` by `height` pixels, with `value(x, y)` at its nodes.
    pub(crate) fn new(
        width: usize,
        height: usize,
        value: impl Fn(f64, f64) -> [f64; CHANNELS] + Sync,
    ) -> Self {
        // One node beyond the last pixel, so that every pixel has four around it.
        let (columns, rows) = (width / STEP_PX + 2, height / STEP_PX + 2);
        let nodes = (0..rows * columns)
            .into_par_iter()
            .map(|i| {
                let (row, col) = (i / columns, i % columns);
                let (x, y) = ((col * STEP_PX) as f64, (row * STEP_PX) as f64);
                value(x, y).map(|channel| channel as f32)
            })
            .collect();
        Self { columns, nodes }
    }

    /// The value at a pixel; beyond the picture, that at its edge.
    pub(crate) fn at(&self, x: f64, y: f64) -> [f32; CHANNELS] {
        let rows = self.nodes.len() / self.columns;
        let cell = |position: f64, n: usize| {
            let scaled = (position / STEP_PX as f64).clamp(0.0, (n - 1) as f64);
            let low = (scaled as usize).min(n - 2);
            (low, (scaled - low as f64) as f32)
        };
        let (col, across) = cell(x, self.columns);
        let (row, down) = cell(y, rows);
        let (left, right) = (
            self.between(row, col, down),
            self.between(row, col + 1, down),
        );
        std::array::from_fn(|channel| left[channel] + across * (right[channel] - left[channel]))
    }

    /// Calls `set(column, value)` for the pixels of a row, as [`Self::at`] has them.
    pub(crate) fn row(
        &self,
        row: usize,
        width: usize,
        mut set: impl FnMut(usize, [f32; CHANNELS]),
    ) {
        let (node_row, down) = (row / STEP_PX, (row % STEP_PX) as f32 / STEP_PX as f32);
        let mut left = self.between(node_row, 0, down);
        for start in (0..width).step_by(STEP_PX) {
            let right = self.between(node_row, start / STEP_PX + 1, down);
            for col in start..(start + STEP_PX).min(width) {
                let across = (col - start) as f32 / STEP_PX as f32;
                let value = std::array::from_fn(|channel| {
                    left[channel] + across * (right[channel] - left[channel])
                });
                set(col, value);
            }
            left = right;
        }
    }

    /// The value `down` of the way from a node to the one below.
    fn between(&self, row: usize, col: usize, down: f32) -> [f32; CHANNELS] {
        let top = self.nodes[row * self.columns + col];
        let bottom = self.nodes[(row + 1) * self.columns + col];
        std::array::from_fn(|channel| top[channel] + down * (bottom[channel] - top[channel]))
    }
}
