//! Local level and noise on a coarse grid, from a sample of each cell.

use super::{ChannelStats, SIGMA_PER_MEDIAN_DIFFERENCE};
use crate::mosaic::Mosaic;

/// Side of a cell, px: small against vignetting, large against stars.
const CELL_PX: usize = 128;
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
    n_cols: usize,
    /// Period of the sites: rows, columns.
    period: (usize, usize),
    /// For each row of cells and each row of the period, a row as wide as the frame.
    thresholds: Vec<Thresholds>,
    /// Local median, DN with black, cell by cell, sites row by row.
    levels_dn: Vec<u16>,
}

/// Values above which a pixel stands out, for the pixels of one row.
#[derive(Clone)]
pub(super) struct Thresholds {
    /// Raised.
    pub(super) raised: Vec<u16>,
    /// Peak; always above `raised`.
    pub(super) peak: Vec<u16>,
}

impl Grid {
    pub(super) fn of(mosaic: &Mosaic, period: (usize, usize), channels: &[ChannelStats]) -> Self {
        let (width, height) = mosaic.size();
        let n_sites = period.0 * period.1;
        let (n_rows, n_cols) = (height.div_ceil(CELL_PX), width.div_ceil(CELL_PX));
        let empty = Thresholds {
            raised: vec![u16::MAX; width],
            peak: vec![u16::MAX; width],
        };
        let mut grid = Self {
            n_cols,
            period,
            thresholds: vec![empty; n_rows * period.0],
            levels_dn: Vec::with_capacity(n_rows * n_cols * n_sites),
        };
        let (mut values, mut differences) = (Vec::new(), Vec::new());
        for cell in 0..n_rows * n_cols {
            for site in 0..n_sites {
                let site = (site / period.1, site % period.1);
                let (cell_row, cell_col) = (cell / n_cols, cell % n_cols);
                let from = (cell_row * CELL_PX, cell_col * CELL_PX);
                sample(mosaic, from, site, period, &mut values, &mut differences);
                let channel = mosaic.cfa.at(from.0 + site.0, from.1 + site.1);
                let frame_noise = channels.iter().find(|c| c.channel == channel);
                let frame_noise = frame_noise.map_or(0.0, |c| c.noise_dn);
                let level = median_of(&mut values);
                let noise = SIGMA_PER_MEDIAN_DIFFERENCE * f64::from(median_of(&mut differences));
                let noise = noise
                    .max(LEAST_NOISE_SHARE * frame_noise)
                    .max(LEAST_NOISE_DN);
                grid.levels_dn.push(level);
                grid.set_thresholds((cell_row, cell_col), site, level, noise);
            }
        }
        grid
    }

    fn set_thresholds(
        &mut self,
        (cell_row, cell_col): (usize, usize),
        site: (usize, usize),
        level: u16,
        noise: f64,
    ) {
        let at = |sigmas: f64| (f64::from(level) + sigmas * noise).min(65535.0) as u16;
        // Cells begin anywhere in the period; sites are counted from the cell's corner.
        let row_phase = (cell_row * CELL_PX + site.0) % self.period.0;
        let thresholds = &mut self.thresholds[cell_row * self.period.0 + row_phase];
        let first = cell_col * CELL_PX;
        let last = (first + CELL_PX).min(thresholds.raised.len());
        for col in (first + site.1..last).step_by(self.period.1) {
            thresholds.raised[col] = at(RAISED_SIGMAS);
            thresholds.peak[col] = at(PEAK_SIGMAS);
        }
    }

    /// The thresholds of a row of the frame.
    pub(super) fn thresholds(&self, row: usize) -> &Thresholds {
        &self.thresholds[row / CELL_PX * self.period.0 + row % self.period.0]
    }

    /// Difference of the 90th and the 10th percentile of the cells' levels, DN.
    pub(super) fn unevenness_dn(&self, mosaic: &Mosaic) -> f64 {
        let n_sites = self.period.0 * self.period.1;
        let cells = self.levels_dn.chunks_exact(n_sites).enumerate();
        let mut levels: Vec<f64> = cells
            .map(|(cell, levels)| {
                let corner = (cell / self.n_cols * CELL_PX, cell % self.n_cols * CELL_PX);
                let above_black = levels.iter().enumerate().map(|(site, &level)| {
                    let (row, col) = (site / self.period.1, site % self.period.1);
                    let black = mosaic.black_level_dn.at(corner.0 + row, corner.1 + col);
                    f64::from(level) - f64::from(black)
                });
                above_black.sum::<f64>() / n_sites as f64
            })
            .collect();
        levels.sort_by(f64::total_cmp);
        let at = |share: f64| levels[(share * (levels.len() - 1) as f64).round() as usize];
        if levels.is_empty() {
            0.0
        } else {
            at(0.9) - at(0.1)
        }
    }
}

/// Values of one site in one cell, and differences to the next pixel of the same site.
fn sample(
    mosaic: &Mosaic,
    (row0, col0): (usize, usize),
    site: (usize, usize),
    period: (usize, usize),
    values: &mut Vec<u16>,
    differences: &mut Vec<u16>,
) {
    values.clear();
    differences.clear();
    let (width, height) = mosaic.size();
    let step = |period: usize| (CELL_PX / period / N_ALONG).max(1) * period;
    let rows = (row0 + site.0..(row0 + CELL_PX).min(height)).step_by(step(period.0));
    for row in rows {
        let row = mosaic.data.row(row);
        let cols = (col0 + site.1..(col0 + CELL_PX).min(width)).step_by(step(period.1));
        for col in cols {
            let value = row[col];
            values.push(value);
            if let Some(&next) = row.get(col + period.1) {
                differences.push(value.abs_diff(next));
            }
        }
    }
}

fn median_of(values: &mut [u16]) -> u16 {
    match values.len() {
        0 => 0,
        n => *values.select_nth_unstable(n / 2).1,
    }
}
