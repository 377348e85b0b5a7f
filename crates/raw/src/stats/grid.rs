//! Local level and noise on a coarse grid, interpolated between the cells.

use super::ChannelStats;
use crate::mosaic::Mosaic;
use std::ops::Range;

/// Turns the median absolute difference of two equal Gaussian samples into their
/// standard deviation: `1 / (√2 Φ⁻¹(3/4))`.
///
/// Source: Rousseeuw & Croux (1993), JASA 88, 1273, section 1, for the MAD; the √2 is
/// that of a difference.
const SIGMA_PER_MEDIAN_DIFFERENCE: f64 = 1.482_602_218_505_602 * std::f64::consts::FRAC_1_SQRT_2;

/// Side of a cell, px, about: small against vignetting, large against stars.
const CELL_PX: usize = 96;
/// Samples along one side of a cell, for each site.
const N_ALONG: usize = 12;
/// Noise of a cell is not believed to be below this share of the frame's.
const LEAST_NOISE_SHARE: f64 = 0.7;
/// Nor below this, DN: values come in steps of 1.
const LEAST_NOISE_DN: f64 = 0.5;
/// Where a pixel counts as raised, sigmas above the local level.
const RAISED_SIGMAS: f64 = 3.0;
/// Where it counts as a peak, sigmas above the local level.
const PEAK_SIGMAS: f64 = 5.0;

/// Local levels, and the values above which a pixel stands out.
pub(super) struct Grid {
    rows: Axis,
    cols: Axis,
    /// Period of the sites: rows, columns.
    period: (usize, usize),
    /// By row of cells and row of the period: thresholds over the whole width.
    lines: Vec<Thresholds>,
    /// Level above black of each cell, DN, averaged over the sites.
    levels_dn: Vec<f64>,
}

/// Values above which a pixel stands out, DN, for the pixels of one row.
#[derive(Clone, Default)]
pub(super) struct Thresholds {
    /// Raised.
    pub(super) raised: Vec<f32>,
    /// Peak; always above `raised`.
    pub(super) peak: Vec<f32>,
}

impl Grid {
    pub(super) fn of(mosaic: &Mosaic, period: (usize, usize), channels: &[ChannelStats]) -> Self {
        let (width, height) = mosaic.size();
        let (rows, cols) = (Axis::new(height), Axis::new(width));
        let empty = Thresholds {
            raised: vec![0.0; width],
            peak: vec![0.0; width],
        };
        let mut lines = vec![empty; rows.n * period.0];
        let mut levels_dn = vec![0.0; rows.n * cols.n];
        let n_sites = (period.0 * period.1) as f64;
        for (i, line) in lines.iter_mut().enumerate() {
            let (cell_row, row_phase) = (i / period.0, i % period.0);
            for col_phase in 0..period.1 {
                let site = (row_phase, col_phase);
                let channel = mosaic.cfa.at(row_phase, col_phase);
                let frame_noise = channels.iter().find(|c| c.channel == channel);
                let frame_noise = frame_noise.map_or(0.0, |c| c.noise_dn);
                let cells: Vec<_> = (0..cols.n)
                    .map(|cell_col| {
                        let place = (rows.cell(cell_row), cols.cell(cell_col));
                        let (level, noise) = level_and_noise(mosaic, place, site, period);
                        let black = f64::from(mosaic.black_level_dn.at(site.0, site.1));
                        levels_dn[cell_row * cols.n + cell_col] += (level - black) / n_sites;
                        let floor = LEAST_NOISE_DN.max(LEAST_NOISE_SHARE * frame_noise);
                        (level, noise.max(floor))
                    })
                    .collect();
                for col in (col_phase..width).step_by(period.1) {
                    let (level, noise) = cols.interpolate(col, &cells);
                    line.raised[col] = (level + RAISED_SIGMAS * noise) as f32;
                    line.peak[col] = (level + PEAK_SIGMAS * noise) as f32;
                }
            }
        }
        Self {
            rows,
            cols,
            period,
            lines,
            levels_dn,
        }
    }

    /// Fills the thresholds of a row of the frame.
    pub(super) fn thresholds(&self, row: usize, into: &mut Thresholds) {
        let (cell, share) = self.rows.between(row);
        let line = |cell: usize| {
            let cell = cell.min(self.rows.n - 1);
            &self.lines[cell * self.period.0 + row % self.period.0]
        };
        let (upper, lower) = (line(cell), line(cell + 1));
        blend(&upper.raised, &lower.raised, share as f32, &mut into.raised);
        blend(&upper.peak, &lower.peak, share as f32, &mut into.peak);
        // Beyond the outer centers the two may cross where the noise falls steeply.
        for (peak, raised) in into.peak.iter_mut().zip(&into.raised) {
            *peak = peak.max(raised + 1.0);
        }
    }

    /// Difference of the 90th and the 10th percentile of the cells' levels, DN.
    pub(super) fn unevenness_dn(&self) -> f64 {
        let mut levels = self.levels_dn.clone();
        levels.sort_by(f64::total_cmp);
        let at = |share: f64| {
            let i = share * levels.len().saturating_sub(1) as f64;
            levels.get(i.round() as usize).copied().unwrap_or(0.0)
        };
        debug_assert_eq!(levels.len(), self.rows.n * self.cols.n);
        at(0.9) - at(0.1)
    }
}

/// One direction of the grid: nearly equal cells that fill the side exactly.
struct Axis {
    side: usize,
    n: usize,
}

impl Axis {
    fn new(side: usize) -> Self {
        let n = ((side + CELL_PX / 2) / CELL_PX).max(1);
        Self { side, n }
    }

    fn cell(&self, i: usize) -> Range<usize> {
        i * self.side / self.n..(i + 1) * self.side / self.n
    }

    /// The cell whose center lies before `at`, and the share of the next one. Beyond the
    /// outer centers the share is below 0 or above 1: the slope goes on.
    fn between(&self, at: usize) -> (usize, f64) {
        if self.n < 2 {
            return (0, 0.0);
        }
        let cell_px = self.side as f64 / self.n as f64;
        let position = (at as f64 + 0.5) / cell_px - 0.5;
        let cell = position.floor().clamp(0.0, (self.n - 2) as f64);
        (cell as usize, position - cell)
    }

    fn interpolate(&self, at: usize, cells: &[(f64, f64)]) -> (f64, f64) {
        let (cell, share) = self.between(at);
        let (a, b) = (cells[cell], cells[(cell + 1).min(self.n - 1)]);
        (a.0 + share * (b.0 - a.0), a.1 + share * (b.1 - a.1))
    }
}

fn blend(a: &[f32], b: &[f32], share: f32, into: &mut Vec<f32>) {
    into.clear();
    into.extend(a.iter().zip(b).map(|(a, b)| a + share * (b - a)));
}

/// Median and noise of one site in one cell, DN, from a sample of its pixels.
fn level_and_noise(
    mosaic: &Mosaic,
    (rows, cols): (Range<usize>, Range<usize>),
    site: (usize, usize),
    period: (usize, usize),
) -> (f64, f64) {
    // The first pixel of the site in the cell: sites count from the frame's corner.
    let first =
        |from: usize, site: usize, period: usize| from + (site + period - from % period) % period;
    let step = |len: usize, period: usize| (len / period / N_ALONG).max(1) * period;
    let (mut values, mut differences) = (Vec::new(), Vec::new());
    let row_step = step(rows.len(), period.0);
    let col_step = step(cols.len(), period.1);
    for row in (first(rows.start, site.0, period.0)..rows.end).step_by(row_step) {
        let row = mosaic.data.row(row);
        for col in (first(cols.start, site.1, period.1)..cols.end).step_by(col_step) {
            values.push(row[col]);
            if let Some(next) = row.get(col + period.1) {
                differences.push(row[col].abs_diff(*next));
            }
        }
    }
    (
        median(&mut values),
        SIGMA_PER_MEDIAN_DIFFERENCE * median(&mut differences),
    )
}

fn median(values: &mut [u16]) -> f64 {
    match values.len() {
        0 => 0.0,
        n => f64::from(*values.select_nth_unstable(n / 2).1),
    }
}
