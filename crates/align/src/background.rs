//! The smooth level under the stars and its local noise, on a coarse mesh.

use crate::stats::{SIGMA_PER_MAD, median};
use ndarray::{Array2, ArrayView2};
use std::ops::Range;

/// How the background is estimated.
#[derive(Clone, Debug, PartialEq)]
pub struct BackgroundOptions {
    /// Side of a mesh cell, px; several times a star, much less than a gradient. Default 64.
    pub cell_px: usize,
    /// Samples further than this from the median are left out, in sigmas. Default 3.
    pub clip_sigmas: f32,
    /// Side of the median filter over the mesh, cells. Default 3.
    pub filter_cells: usize,
}

impl Default for BackgroundOptions {
    fn default() -> Self {
        Self {
            cell_px: 64,
            clip_sigmas: 3.0,
            filter_cells: 3,
        }
    }
}

/// Level and noise of the sky at every pixel of a plane, DN.
///
/// Per mesh cell the samples are clipped about their median until nothing changes; the
/// level is the mode guessed as `2.5 median − 1.5 mean`, or the median where the two
/// differ by more than 0.3 sigma, as in a crowded cell (Bertin & Arnouts 1996, A&AS 117,
/// 393, sect. 2; from memory). The mesh is median-filtered and interpolated linearly;
/// beyond the outer cell centers the level goes on with the slope it has, the noise stays.
#[derive(Clone, Debug)]
pub struct Background {
    level_dn: Mesh,
    rms_dn: Mesh,
}

impl Background {
    /// Measures a plane, DN; NaN is masked.
    ///
    /// The level of a plane without a single valid pixel is 0 and its rms NaN.
    pub fn estimate(plane: ArrayView2<f32>, options: &BackgroundOptions) -> Self {
        let (height, width) = plane.dim();
        let cells = |extent: usize| {
            ((extent as f64 / options.cell_px.max(1) as f64).round() as usize).max(1)
        };
        let (rows, columns) = (cells(height), cells(width));
        let mut level = Array2::from_elem((rows, columns), f32::NAN);
        let mut rms = level.clone();
        let thin = plane.len() > FULLY_SAMPLED_PX;
        let clip = Clip::at(options.clip_sigmas);
        let mut samples = Vec::new();
        for row in 0..rows {
            for col in 0..columns {
                let (y0, y1) = (row * height / rows, (row + 1) * height / rows);
                let (x0, x1) = (col * width / columns, (col + 1) * width / columns);
                gather(plane, (y0..y1, x0..x1), thin, &mut samples);
                if let Some(sky) = clip.sky(&mut samples) {
                    (level[(row, col)], rms[(row, col)]) = sky;
                }
            }
        }
        let size = (width, height);
        Self {
            level_dn: Mesh::new(
                filtered(level, options.filter_cells, Beyond::Slope),
                size,
                Beyond::Slope,
            ),
            rms_dn: Mesh::new(
                filtered(rms, options.filter_cells, Beyond::Level),
                size,
                Beyond::Level,
            ),
        }
    }

    /// The same level and noise everywhere, DN; for a plane of this width and height.
    pub fn flat(level_dn: f32, rms_dn: f32, size: (usize, usize)) -> Self {
        let mesh = |value| Mesh::new(Array2::from_elem((1, 1), value), size, Beyond::Level);
        Self {
            level_dn: mesh(level_dn),
            rms_dn: mesh(rms_dn),
        }
    }

    /// Sky level at a point, DN.
    pub fn at(&self, x: f64, y: f64) -> f64 {
        self.level_dn.at(x, y)
    }

    /// Noise of one pixel of the plane at a point, DN.
    pub fn rms_at(&self, x: f64, y: f64) -> f64 {
        self.rms_dn.at(x, y)
    }

    /// The sky level along row `y` from column 0, DN.
    pub fn fill_row(&self, y: usize, out: &mut [f32]) {
        self.level_dn.fill_row(y, out);
    }

    /// The noise along row `y` from column 0, DN.
    pub fn fill_rms_row(&self, y: usize, out: &mut [f32]) {
        self.rms_dn.fill_row(y, out);
    }

    /// Median noise over the mesh, DN; NaN when nothing could be measured.
    pub fn typical_rms_dn(&self) -> f32 {
        let mut values: Vec<f32> = self.rms_dn.cells.iter().copied().collect();
        values.retain(|v| v.is_finite());
        median(&mut values).unwrap_or(f32::NAN)
    }
}

/// Fewer samples than these say nothing about a cell.
const MIN_SAMPLES: usize = 16;

/// Clipping at 3 sigma leaves a standard deviation 1.5 % too small; it has converged
/// long before this many passes.
const MAX_PASSES: usize = 10;

/// Larger planes are sampled thinly: neighbors on a smoothed plane say nearly the same.
const FULLY_SAMPLED_PX: usize = 4_000_000;

/// The valid pixels of a cell, or a sixth of them, all phases of a 2 x 2 array in equal shares.
fn gather(
    plane: ArrayView2<f32>,
    (rows, columns): (Range<usize>, Range<usize>),
    thin: bool,
    samples: &mut Vec<f32>,
) {
    samples.clear();
    let (row_step, col_step) = if thin { (3, 2) } else { (1, 1) };
    for (n, row) in rows.step_by(row_step).enumerate() {
        let start = if thin { n / 2 % 2 } else { 0 };
        let values = columns.clone().skip(start).step_by(col_step);
        samples.extend(
            values
                .map(|col| plane[(row, col)])
                .filter(|v| v.is_finite()),
        );
    }
}

/// A clip at a number of sigmas, and what it takes from a standard deviation.
#[derive(Clone, Copy)]
struct Clip {
    sigmas: f32,
    correction: f32,
}

impl Clip {
    fn at(sigmas: f32) -> Self {
        Self {
            sigmas,
            correction: clipping_correction(sigmas),
        }
    }

    /// Level and rms of the clipped samples; `None` when there are too few.
    fn sky(self, samples: &mut Vec<f32>) -> Option<(f32, f32)> {
        if samples.len() < MIN_SAMPLES {
            return None;
        }
        let mut middle = median(samples)?;
        let mut deviations: Vec<f32> = samples.iter().map(|v| (v - middle).abs()).collect();
        let mut sigma = median(&mut deviations)? * SIGMA_PER_MAD as f32;
        let mut mean = middle;
        for _ in 0..MAX_PASSES {
            let before = samples.len();
            samples.retain(|v| (v - middle).abs() <= self.sigmas * sigma);
            middle = median(samples)?;
            let n = samples.len() as f64;
            mean = (samples.iter().map(|&v| f64::from(v)).sum::<f64>() / n) as f32;
            let squares: f64 = samples.iter().map(|v| f64::from(v - mean).powi(2)).sum();
            sigma = (squares / n).sqrt() as f32 * self.correction;
            if samples.len() == before {
                break;
            }
        }
        let crowded = (mean - middle).abs() > 0.3 * sigma;
        let level = if crowded {
            middle
        } else {
            2.5 * middle - 1.5 * mean
        };
        Some((level, sigma))
    }
}

/// Standard deviation over that of a Gaussian cut at ± `k` of its sigmas.
fn clipping_correction(k: f32) -> f32 {
    // The variance of a Gaussian cut at ±k is 1 − 2kφ(k)/(2Φ(k) − 1).
    let k = f64::from(k);
    let density = (-0.5 * k * k).exp() / (2.0 * std::f64::consts::PI).sqrt();
    let inside: f64 = {
        // Simpson's rule over the density; 64 intervals leave 1e-8.
        let n = 64;
        let h = k / n as f64;
        let phi = |i: usize| (-0.5 * (i as f64 * h).powi(2)).exp();
        let inner: f64 = (1..n)
            .map(|i| phi(i) * if i % 2 == 1 { 4.0 } else { 2.0 })
            .sum();
        2.0 * (phi(0) + inner + phi(n)) * h / 3.0 / (2.0 * std::f64::consts::PI).sqrt()
    };
    let variance = 1.0 - 2.0 * k * density / inside;
    if variance > 0.1 {
        variance.sqrt().recip() as f32
    } else {
        1.0
    }
}

/// The median of each cell and its neighbors; where a slope goes on beyond the edge, of as
/// many neighbors before as behind, so that it stays a slope. Cells without a value take
/// that of what is nearest; without any the level is 0 and the noise stays unknown.
fn filtered(mut cells: Array2<f32>, side: usize, beyond: Beyond) -> Array2<f32> {
    if !cells.iter().any(|v| v.is_finite()) {
        if matches!(beyond, Beyond::Slope) {
            cells.fill(0.0);
        }
        return cells;
    }
    let (rows, columns) = cells.dim();
    let measured = cells.clone();
    let median_around = |(row, col): (usize, usize), (reach_y, reach_x): (usize, usize)| {
        let window_y = row.saturating_sub(reach_y)..(row + reach_y + 1).min(rows);
        let window_x = col.saturating_sub(reach_x)..(col + reach_x + 1).min(columns);
        let window = window_y.flat_map(|y| window_x.clone().map(move |x| (y, x)));
        let values = window.map(|at| measured[at]).filter(|v| v.is_finite());
        median(&mut values.collect::<Vec<f32>>())
    };
    for ((row, col), value) in cells.indexed_iter_mut() {
        let reach = |at: usize, count: usize| match beyond {
            Beyond::Slope => at.min(count - 1 - at).min(side / 2),
            Beyond::Level => side / 2,
        };
        let mut reach = (reach(row, rows), reach(col, columns));
        *value = loop {
            if let Some(value) = median_around((row, col), reach) {
                break value;
            }
            reach = (reach.0 + 1, reach.1 + 1);
        };
    }
    cells
}

/// What lies beyond the centers of the outermost cells.
#[derive(Clone, Copy, Debug)]
enum Beyond {
    Slope,
    Level,
}

/// Values at cell centers, linear in between.
#[derive(Clone, Debug)]
struct Mesh {
    cells: Array2<f32>,
    /// Pixels per cell.
    pitch: (f64, f64),
    beyond: Beyond,
}

impl Mesh {
    fn new(cells: Array2<f32>, (width, height): (usize, usize), beyond: Beyond) -> Self {
        let pitch = (
            width as f64 / cells.ncols() as f64,
            height as f64 / cells.nrows() as f64,
        );
        Self {
            cells,
            pitch,
            beyond,
        }
    }

    /// The cell before a coordinate, and how far past its center, in cells.
    fn locate(&self, at: f64, pitch: f64, count: usize) -> (usize, f64) {
        let place = ((at + 0.5) / pitch - 0.5).clamp(-0.5, count as f64 - 0.5);
        let cell = (place.floor().max(0.0) as usize).min(count.saturating_sub(2));
        let past = place - cell as f64;
        match self.beyond {
            Beyond::Slope if count > 1 => (cell, past),
            _ => (cell, past.clamp(0.0, if count > 1 { 1.0 } else { 0.0 })),
        }
    }

    fn at(&self, x: f64, y: f64) -> f64 {
        let (row, down) = self.locate(y, self.pitch.1, self.cells.nrows());
        let (col, right) = self.locate(x, self.pitch.0, self.cells.ncols());
        let next = (col + 1).min(self.cells.ncols() - 1);
        let along = |row: usize| {
            let (a, b) = (self.cells[(row, col)], self.cells[(row, next)]);
            f64::from(a) + right * f64::from(b - a)
        };
        let (above, below) = (along(row), along((row + 1).min(self.cells.nrows() - 1)));
        above + down * (below - above)
    }

    fn fill_row(&self, y: usize, out: &mut [f32]) {
        let columns = self.cells.ncols();
        let mut x = 0;
        while x < out.len() {
            let (cell, _) = self.locate(x as f64, self.pitch.0, columns);
            // The run of pixels that lie before the center of the cell after the next.
            let end = match cell + 2 < columns {
                true => {
                    ((((cell + 1) as f64 + 0.5) * self.pitch.0 - 0.5).ceil() as usize).max(x + 1)
                }
                false => out.len(),
            };
            let end = end.min(out.len());
            self.fill_run(x, y as f64, &mut out[x..end]);
            x = end;
        }
    }

    /// Fills pixels from `x0` on that all lie between the same two columns of cells.
    fn fill_run(&self, x0: usize, y: f64, out: &mut [f32]) {
        let (row, down) = self.locate(y, self.pitch.1, self.cells.nrows());
        let (col, _) = self.locate(x0 as f64, self.pitch.0, self.cells.ncols());
        let below = (row + 1).min(self.cells.nrows() - 1);
        let along = |col: usize| {
            let (a, b) = (self.cells[(row, col)], self.cells[(below, col)]);
            a + down as f32 * (b - a)
        };
        let (left, right) = (along(col), along((col + 1).min(self.cells.ncols() - 1)));
        let (least, most) = match self.beyond {
            Beyond::Slope => (-0.5, 1.5),
            Beyond::Level => (0.0, 1.0),
        };
        let start = ((x0 as f64 + 0.5) / self.pitch.0 - 0.5 - col as f64) as f32;
        let step = (1.0 / self.pitch.0) as f32;
        for (i, value) in out.iter_mut().enumerate() {
            *value = left + (start + step * i as f32).clamp(least, most) * (right - left);
        }
    }
}

#[cfg(test)]
#[path = "background/tests.rs"]
mod tests;
