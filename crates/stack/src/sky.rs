//! The sky's level over each light, so that drifting glow and thin cloud neither pass
//! for outliers nor leave steps in the stack.

use crate::sigma_clip::sort_samples;
use crate::{CalibratedWindow, ClipOptions, clip_sorted, median_of_sorted};
pub use beside_ground::sky_offsets_over_ground;

use align::PixelMap;
use raw::{Cfa, Channel, Rect};
use rayon::prelude::*;

mod beside_ground;

/// Side of a mesh cell, px; also the spacing of the nodes.
const CELL_PX: usize = 128;

/// Most samples of a cell and channel that are looked at.
const CELL_SAMPLES: usize = 1500;

/// Sky level of one light on a coarse mesh, a channel at a time.
#[derive(Clone, Debug, PartialEq)]
pub struct SkyMesh {
    columns: usize,
    rows: usize,
    width: usize,
    height: usize,
    /// `levels[channel][row * columns + column]`, DN, at the centers of the cells.
    levels: Vec<Vec<f32>>,
}

impl SkyMesh {
    /// Measures a whole calibrated light: the median of what a sigma clip keeps, by
    /// cell and channel, then the median of each node and its neighbors.
    ///
    /// # Panics
    ///
    /// When the window is empty.
    pub fn measure(light: &CalibratedWindow, cfa: &Cfa) -> Self {
        let area = light.area;
        assert!(!area.is_empty(), "a light has pixels");
        let (columns, rows) = (cells(area.width()), cells(area.height()));
        let nodes: Vec<Vec<f32>> = (0..columns * rows)
            .into_par_iter()
            .map(|node| cell_levels(light, cfa, &cell(&area, columns, rows, node)))
            .collect();
        let levels = (0..cfa.channels().len())
            .map(|channel| smoothed(&nodes, channel, columns, rows))
            .collect();
        Self {
            columns,
            rows,
            width: area.width(),
            height: area.height(),
            levels,
        }
    }

    /// Median over the mesh, DN.
    pub fn level(&self, channel: usize) -> f32 {
        let mut levels = self.levels[channel].clone();
        sort_samples(&mut levels);
        median_of_sorted(&levels) as f32
    }

    /// Level at a pixel, DN: bilinear between nodes, and on by their slope to the
    /// border.
    pub fn at(&self, channel: usize, x: f64, y: f64) -> f32 {
        let (left, fx) = place(x, self.width, self.columns);
        let (top, fy) = place(y, self.height, self.rows);
        let node = |row: usize, column: usize| {
            let (row, column) = (row.min(self.rows - 1), column.min(self.columns - 1));
            self.levels[channel][row * self.columns + column]
        };
        let at = |column: usize| node(top, column) * (1.0 - fy) + node(top + 1, column) * fy;
        at(left) * (1.0 - fx) + at(left + 1) * fx
    }

    /// Where the pixels of a row lie between the nodes.
    ///
    /// - `xs`: ascending, px.
    pub(crate) fn places(&self, xs: impl Iterator<Item = f64>, out: &mut Vec<Place>) {
        out.clear();
        out.extend(xs.map(|x| place(x, self.width, self.columns)));
    }

    /// Levels at the [`places`](Self::places) of a row, DN.
    pub(crate) fn fill_row(&self, channel: usize, y: f64, places: &[Place], out: &mut Vec<f32>) {
        out.clear();
        let (top, fy) = place(y, self.height, self.rows);
        let nodes = |row: usize| {
            let row = row.min(self.rows - 1) * self.columns;
            &self.levels[channel][row..row + self.columns]
        };
        let (upper, lower) = (nodes(top), nodes(top + 1));
        let node = |column: usize| {
            let column = column.min(self.columns - 1);
            upper[column] * (1.0 - fy) + lower[column] * fy
        };
        for run in places.chunk_by(|a, b| a.0 == b.0) {
            let (left, right) = (node(run[0].0), node(run[0].0 + 1));
            out.extend(
                run.iter()
                    .map(|&(_, share)| left * (1.0 - share) + right * share),
            );
        }
    }

    /// Where a node lies, px.
    fn position(&self, node: usize) -> (f64, f64) {
        let at =
            |i: usize, n: usize, extent: usize| (i as f64 + 0.5) * extent as f64 / n as f64 - 0.5;
        (
            at(node % self.columns, self.columns, self.width),
            at(node / self.columns, self.rows, self.height),
        )
    }
}

/// A node and the share of the next one.
pub(crate) type Place = (usize, f32);

/// The node before a position and the share of the next one. Half a cell beyond the
/// outermost nodes, out to the border, their slope goes on: a share below 0 or above 1.
fn place(position: f64, extent: usize, n: usize) -> Place {
    let node = (position + 0.5) * n as f64 / extent as f64 - 0.5;
    if n == 1 {
        return (0, 0.0);
    }
    let node = node.clamp(-0.5, n as f64 - 0.5);
    let before = (node.max(0.0) as usize).min(n.saturating_sub(2));
    (before, (node - before as f64) as f32)
}

/// What is added to every light, on a mesh over the reference, to bring its sky to the
/// weighted mean of all.
///
/// The target is the mean rather than the reference's own sky: with it the corrections
/// cancel in the weighted mean, and so does the noise of measuring them.
///
/// - `scale`: factor that brings each light to one star flux; its sky is scaled along.
pub fn sky_offsets(
    meshes: &[&SkyMesh],
    maps: &[PixelMap],
    scale: &[f32],
    weight: &[f32],
) -> Vec<SkyMesh> {
    let Some(first) = meshes.first() else {
        return Vec::new();
    };
    let (columns, rows) = (first.columns, first.rows);
    let (width, height) = (first.width, first.height);
    let node_x = |column: usize| (column as f64 + 0.5) * width as f64 / columns as f64 - 0.5;
    let node_y = |row: usize| (row as f64 + 0.5) * height as f64 / rows as f64 - 0.5;
    let mut offsets: Vec<SkyMesh> = meshes
        .iter()
        .map(|mesh| SkyMesh {
            levels: vec![vec![0.0; columns * rows]; mesh.levels.len()],
            ..(*first).clone()
        })
        .collect();
    let total: f64 = weight.iter().map(|&w| f64::from(w)).sum();
    for channel in 0..first.levels.len() {
        for node in 0..columns * rows {
            let (x, y) = (node_x(node % columns), node_y(node / columns));
            let sky: Vec<f32> = (0..meshes.len())
                .map(|light| {
                    let (frame_x, frame_y) = maps[light].map(x, y);
                    scale[light] * meshes[light].at(channel, frame_x, frame_y)
                })
                .collect();
            let mean: f64 = sky
                .iter()
                .zip(weight)
                .map(|(&s, &w)| f64::from(s) * f64::from(w))
                .sum::<f64>()
                / total;
            for (offset, sky) in offsets.iter_mut().zip(sky) {
                offset.levels[channel][node] = mean as f32 - sky;
            }
        }
    }
    offsets
}

fn cells(extent: usize) -> usize {
    extent.div_ceil(CELL_PX).max(1)
}

fn cell(area: &Rect, columns: usize, rows: usize, node: usize) -> Rect {
    let cut = |extent: usize, n: usize, i: usize| extent * i / n;
    let (column, row) = (node % columns, node / columns);
    Rect {
        x0: area.x0 + cut(area.width(), columns, column),
        y0: area.y0 + cut(area.height(), rows, row),
        x1: area.x0 + cut(area.width(), columns, column + 1),
        y1: area.y0 + cut(area.height(), rows, row + 1),
    }
}

/// Level of each channel in a cell; NaN for a channel without samples.
fn cell_levels(light: &CalibratedWindow, cfa: &Cfa, cell: &Rect) -> Vec<f32> {
    let level = |&channel| level_of(light, cfa, cell, channel, |_, _| true).0;
    cfa.channels().iter().map(level).collect()
}

/// Level of a channel in the part of a cell that is sky, and its number of photosites; NaN
/// without any.
fn level_of(
    light: &CalibratedWindow,
    cfa: &Cfa,
    cell: &Rect,
    channel: Channel,
    is_sky: impl Fn(usize, usize) -> bool,
) -> (f32, usize) {
    let clip = ClipOptions {
        low_sigmas: 3.0,
        high_sigmas: 2.5,
        ..ClipOptions::default()
    };
    let mut samples: Vec<f32> = Vec::new();
    for row in cell.y0..cell.y1 {
        let own = (cell.x0..cell.x0 + cfa.width()).filter(|&col| cfa.at(row, col) == channel);
        let columns = own.flat_map(|first| (first..cell.x1).step_by(cfa.width()));
        let sky = columns.filter(|&col| is_sky(row, col));
        samples.extend(sky.map(|col| light.at(row, col)));
    }
    let seen = samples.len();
    let step = seen.div_ceil(CELL_SAMPLES).max(1);
    // An odd step, so that the thinned samples do not line up in columns.
    let step = if step.is_multiple_of(2) {
        step + 1
    } else {
        step
    };
    samples = samples.into_iter().step_by(step).collect();
    sort_samples(&mut samples);
    let Some(kept) = clip_sorted(&samples, &clip) else {
        return (f32::NAN, seen);
    };
    let first = samples.partition_point(|&v| v < kept.low);
    let level = median_of_sorted(&samples[first..first + kept.n_kept]) as f32;
    (level, seen)
}

/// A node that stands out from the median of its neighborhood by this many robust sigmas
/// of such differences is replaced by it: a bright star or a trail does not dent the sky.
const NODE_LIMIT_SIGMAS: f32 = 4.0;

/// The levels of a channel, outliers replaced; a gradient's border stays as it is.
fn smoothed(nodes: &[Vec<f32>], channel: usize, columns: usize, rows: usize) -> Vec<f32> {
    let mesh = Rect::of_size(columns, rows);
    let neighborhood = |node: usize| {
        let (column, row) = (node % columns, node / columns);
        let around = Rect {
            x0: column,
            y0: row,
            x1: column + 1,
            y1: row + 1,
        }
        .grown(1, &mesh);
        let mut levels: Vec<f32> = (around.y0..around.y1)
            .flat_map(|r| (around.x0..around.x1).map(move |c| r * columns + c))
            .map(|neighbor| nodes[neighbor][channel])
            .filter(|level| level.is_finite())
            .collect();
        sort_samples(&mut levels);
        if levels.is_empty() {
            0.0
        } else {
            median_of_sorted(&levels) as f32
        }
    };
    let medians: Vec<f32> = (0..columns * rows).map(neighborhood).collect();
    let differs = |node: usize| (nodes[node][channel] - medians[node]).abs();
    let mut differences: Vec<f32> = (0..columns * rows)
        .map(differs)
        .filter(|difference| difference.is_finite())
        .collect();
    sort_samples(&mut differences);
    let limit = NODE_LIMIT_SIGMAS * 1.4826 * median_of_sorted(&differences) as f32;
    let level = |node: usize| match differs(node) <= limit {
        true => nodes[node][channel],
        false => medians[node],
    };
    (0..columns * rows).map(level).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn light(width: usize, height: usize, f: impl Fn(usize, usize) -> f32) -> CalibratedWindow {
        let area = Rect::of_size(width, height);
        CalibratedWindow {
            area,
            values: (0..area.area()).map(|i| f(i / width, i % width)).collect(),
        }
    }

    #[test]
    fn a_gradient_is_followed_and_stars_are_not() {
        let gradient = |row: usize, col: usize| 100.0 + 0.02 * col as f32 - 0.01 * row as f32;
        let starry = light(700, 500, |row, col| {
            let star = if row % 20 == 3 && col % 20 == 4 {
                5000.0
            } else {
                0.0
            };
            gradient(row, col) + star + ((row * 7 + col * 13) % 5) as f32 - 2.0
        });
        let mesh = SkyMesh::measure(&starry, &Cfa::mono());
        // The last two lie beyond the outermost nodes, at the border.
        let places = [
            (350.0, 250.0),
            (200.0, 300.0),
            (500.0, 150.0),
            (0.0, 250.0),
            (699.0, 250.0),
        ];
        for (x, y) in places {
            let want = gradient(y as usize, x as usize);
            assert!(
                (mesh.at(0, x, y) - want).abs() < 0.5,
                "{} {want}",
                mesh.at(0, x, y)
            );
        }
    }

    #[test]
    fn offsets_cancel_in_the_weighted_mean_and_level_the_lights() {
        let meshes: Vec<SkyMesh> = (0..4)
            .map(|i| {
                SkyMesh::measure(
                    &light(300, 260, |_, _| 50.0 + 10.0 * i as f32),
                    &Cfa::mono(),
                )
            })
            .collect();
        let meshes: Vec<&SkyMesh> = meshes.iter().collect();
        let maps = vec![PixelMap::identity(); 4];
        let (scale, weight) = ([1.0, 1.0, 2.0, 1.0], [1.0, 1.0, 0.5, 1.0]);
        let offsets = sky_offsets(&meshes, &maps, &scale, &weight);
        let sum: f32 = offsets
            .iter()
            .zip(weight)
            .map(|(o, w)| w * o.at(0, 150.0, 130.0))
            .sum();
        assert!(sum.abs() < 1e-4, "{sum}");
        let leveled: Vec<f32> = (0..4)
            .map(|i| scale[i] * meshes[i].level(0) + offsets[i].at(0, 20.0, 30.0))
            .collect();
        assert!(
            leveled.iter().all(|v| (v - leveled[0]).abs() < 1e-3),
            "{leveled:?}"
        );
    }

    #[test]
    fn a_picture_of_one_cell_has_one_level() {
        let mesh = SkyMesh::measure(&light(3, 2, |_, _| 7.0), &Cfa::mono());
        assert_eq!((mesh.at(0, 0.0, 0.0), mesh.at(0, 2.0, 1.0)), (7.0, 7.0));
    }
}
