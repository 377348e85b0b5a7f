//! The sky's level beside a ground: measured on sky alone, and leveled where the ground is.

use super::{SkyMesh, cell, level_of, smoothed};
use crate::{Calibrator, LightMask, StackError, StoredMosaic};
use align::PixelMap;
use raw::Rect;

/// Least share of a cell that must be sky.
const LEAST_SKY: f64 = 0.1;

impl SkyMesh {
    /// No level anywhere, on the nodes of this mesh.
    pub fn zeroed(&self) -> Self {
        let mut mesh = self.clone();
        mesh.levels.iter_mut().for_each(|levels| levels.fill(0.0));
        mesh
    }

    /// The mesh of the same light without its ground.
    ///
    /// Cells that the ground touches, and their neighbors, are measured anew on what is left
    /// of them; cells of ground alone continue their neighbors.
    ///
    /// - `not_sky`: hides what is no sky, in the light's own pixels.
    ///
    /// # Errors
    ///
    /// When the mask is not of the light's size, or samples cannot be read back from the
    /// scratch file.
    pub fn beside_ground(
        &self,
        mosaic: &StoredMosaic,
        calibrator: &Calibrator,
        not_sky: &LightMask,
    ) -> Result<Self, StackError> {
        StackError::check_size("a mask", not_sky.size(), (self.width, self.height))?;
        let (columns, rows) = (self.columns, self.rows);
        let area = Rect::of_size(self.width, self.height);
        let cells: Vec<Rect> = (0..columns * rows)
            .map(|node| cell(&area, columns, rows, node))
            .collect();
        let touched: Vec<bool> = cells.iter().map(|cell| any(not_sky, cell)).collect();
        let mesh = Rect::of_size(columns, rows);
        let mut nodes: Vec<Vec<f32>> = (0..cells.len())
            .map(|node| self.levels.iter().map(|levels| levels[node]).collect())
            .collect();
        for (node, levels) in nodes.iter_mut().enumerate() {
            let around = neighborhood(node, columns, &mesh);
            if !around.into_iter().any(|near| touched[near]) {
                continue;
            }
            let window = calibrator.window(mosaic, &cells[node])?;
            let cfa = &calibrator.layout().cfa;
            let is_sky = |row, col| !not_sky.hides(row, col);
            let sites = cells[node].area() as f64 / cfa.channels().len() as f64;
            for (level, &channel) in levels.iter_mut().zip(cfa.channels()) {
                let (found, seen) = level_of(&window, cfa, &cells[node], channel, is_sky);
                *level = if seen as f64 >= LEAST_SKY * sites {
                    found
                } else {
                    f32::NAN
                };
            }
        }
        continue_into_ground(&mut nodes, columns, &mesh);
        let levels = (0..self.levels.len())
            .map(|channel| smoothed(&nodes, channel, columns, rows))
            .collect();
        Ok(Self {
            levels,
            ..self.clone()
        })
    }
}

fn any(mask: &LightMask, cell: &Rect) -> bool {
    (cell.y0..cell.y1).any(|row| (cell.x0..cell.x1).any(|col| mask.hides(row, col)))
}

/// A node and those around it.
fn neighborhood(node: usize, columns: usize, mesh: &Rect) -> Vec<usize> {
    let (column, row) = (node % columns, node / columns);
    let around = Rect {
        x0: column,
        y0: row,
        x1: column + 1,
        y1: row + 1,
    }
    .grown(1, mesh);
    (around.y0..around.y1)
        .flat_map(|row| (around.x0..around.x1).map(move |column| row * columns + column))
        .collect()
}

/// Nodes without a level get the mean of those around them that have one, ring by ring.
fn continue_into_ground(nodes: &mut [Vec<f32>], columns: usize, mesh: &Rect) {
    let known = |levels: &Vec<f32>| levels.iter().all(|level| level.is_finite());
    loop {
        let before = nodes.to_vec();
        let mut filled = 0;
        for (node, levels) in nodes.iter_mut().enumerate() {
            if known(levels) {
                continue;
            }
            let around = neighborhood(node, columns, mesh);
            let around: Vec<&Vec<f32>> = around
                .into_iter()
                .map(|near| &before[near])
                .filter(|levels| known(levels))
                .collect();
            if around.is_empty() {
                continue;
            }
            for (channel, level) in levels.iter_mut().enumerate() {
                let sum: f32 = around.iter().map(|levels| levels[channel]).sum();
                *level = sum / around.len() as f32;
            }
            filled += 1;
        }
        if filled == 0 {
            return;
        }
    }
}

/// What is added to every light to bring its sky to the mean of all **where the camera saw
/// it**, on a mesh over the reference.
///
/// Over a ground, glow stands with the ground and with the lens, not with the stars. The
/// stack of the ground has it there, and so must the sky beside it; leveled to the mean
/// along the stars, as by [`sky_offsets`](crate::sky_offsets), both would differ at the
/// ridge by the glow's slope times the stars' way.
pub fn sky_offsets_over_ground(
    meshes: &[&SkyMesh],
    maps: &[PixelMap],
    scale: &[f32],
) -> Vec<SkyMesh> {
    let Some(first) = meshes.first() else {
        return Vec::new();
    };
    let mut offsets: Vec<SkyMesh> = meshes.iter().map(|_| first.zeroed()).collect();
    for channel in 0..first.levels.len() {
        for node in 0..first.columns * first.rows {
            let (x, y) = first.position(node);
            let here = meshes.iter().map(|mesh| f64::from(mesh.at(channel, x, y)));
            let target = (here.sum::<f64>() / meshes.len() as f64) as f32;
            for (i, offset) in offsets.iter_mut().enumerate() {
                let (frame_x, frame_y) = maps[i].map(x, y);
                let sky = scale[i] * meshes[i].at(channel, frame_x, frame_y);
                offset.levels[channel][node] = target - sky;
            }
        }
    }
    offsets
}
