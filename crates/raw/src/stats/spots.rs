//! Star-like spots and hot pixels, counted rather than measured.
//!
//! ```text
//!     . e .     a spot is star-like when three of the four edge neighbors e of its
//!     e P e     peak P are raised: optics spread a star over them, a hot pixel stays
//!     . e .     alone
//! ```

use super::grid::{Grid, Thresholds};
use ndarray::ArrayView2;

/// Edge neighbors that have to be raised around the peak of a star.
const N_RAISED_OF_STAR: usize = 3;
/// Neighbors, of all eight, that may be raised around a hot pixel.
const N_RAISED_OF_HOT_PIXEL: usize = 1;
/// Pixels compared at a time.
const BLOCK_PX: usize = 32;

#[derive(Debug, Default)]
pub(super) struct Spots {
    pub(super) n_stars: usize,
    pub(super) n_stars_by_chance: f64,
    pub(super) n_hot_pixels: usize,
}

/// Counts the spots of a frame; the outermost pixels have too few neighbors to count.
pub(super) fn count(data: ArrayView2<u16>, grid: &Grid) -> Spots {
    let mut spots = Spots::default();
    let (mut n_raised, mut n_peaks, mut n_pixels) = (0_usize, 0_usize, 0_usize);
    let rows: Option<Vec<&[u16]>> = data.outer_iter().map(|row| row.to_slice()).collect();
    let rows = rows.unwrap_or_default();
    let mut thresholds: [Thresholds; 3] = Default::default();
    for (row, above_here_below) in rows.windows(3).enumerate() {
        // The rows move up by one; only the lowest is new.
        thresholds.rotate_left(1);
        let first_new = if row == 0 { 0 } else { 2 };
        for (i, thresholds) in thresholds.iter_mut().enumerate().skip(first_new) {
            grid.thresholds(row + i, thresholds);
        }
        let lines: [Line; 3] = std::array::from_fn(|i| Line {
            values: above_here_below[i],
            thresholds: &thresholds[i],
        });
        let here = &lines[1];
        n_raised += here.n_raised();
        n_pixels += here.values.len();
        here.for_each_peak(|col| {
            if let Some(surroundings) = Surroundings::of(col, &lines) {
                n_peaks += 1;
                spots.n_stars += usize::from(surroundings.edges >= N_RAISED_OF_STAR);
                spots.n_hot_pixels += usize::from(surroundings.all <= N_RAISED_OF_HOT_PIXEL);
            }
        });
    }
    let raised = n_raised as f64 / n_pixels.max(1) as f64;
    // Three of four neighbors, or all four, raised independently of each other.
    let by_chance = 4.0 * raised.powi(3) * (1.0 - raised) + raised.powi(4);
    spots.n_stars_by_chance = n_peaks as f64 * by_chance;
    spots
}

struct Line<'a> {
    values: &'a [u16],
    thresholds: &'a Thresholds,
}

impl Line<'_> {
    fn n_raised(&self) -> usize {
        let pairs = self.values.iter().zip(&self.thresholds.raised);
        let raised: u32 = pairs.map(|(&v, &t)| u32::from(f32::from(v) > t)).sum();
        raised as usize
    }

    /// Calls `visit` with the column of every pixel above the peak threshold.
    fn for_each_peak(&self, mut visit: impl FnMut(usize)) {
        let blocks = self
            .values
            .chunks(BLOCK_PX)
            .zip(self.thresholds.peak.chunks(BLOCK_PX));
        for (block, (values, thresholds)) in blocks.enumerate() {
            // Nearly every block holds nothing; this form of the question vectorizes.
            let any = values
                .iter()
                .zip(thresholds)
                .fold(false, |any, (&v, &t)| any | (f32::from(v) > t));
            if !any {
                continue;
            }
            for (i, (&v, &t)) in values.iter().zip(thresholds).enumerate() {
                if f32::from(v) > t {
                    visit(block * BLOCK_PX + i);
                }
            }
        }
    }

    fn is_raised(&self, col: usize) -> bool {
        f32::from(self.values[col]) > self.thresholds.raised[col]
    }

    /// How far a pixel stands out, in units that do not depend on its filter.
    fn prominence(&self, col: usize) -> f32 {
        let (raised, peak) = (self.thresholds.raised[col], self.thresholds.peak[col]);
        (f32::from(self.values[col]) - raised) / (peak - raised)
    }
}

/// Raised pixels around a peak.
struct Surroundings {
    edges: usize,
    all: usize,
}

impl Surroundings {
    /// `None` when a neighbor stands out more: then that one is the peak.
    fn of(col: usize, lines: &[Line; 3]) -> Option<Self> {
        let [_, here, _] = lines;
        if col == 0 || col + 1 >= here.values.len() {
            return None;
        }
        let own = here.prominence(col);
        let (mut edges, mut all) = (0, 0);
        for (i, line) in lines.iter().enumerate() {
            for (j, neighbor) in (col - 1..=col + 1).enumerate() {
                if (i, j) == (1, 1) {
                    continue;
                }
                let prominence = line.prominence(neighbor);
                // Of equal peaks, as on a saturated star, the first one counts.
                let comes_first = (i, j) < (1, 1);
                if prominence > own || comes_first && prominence == own {
                    return None;
                }
                let raised = usize::from(line.is_raised(neighbor));
                all += raised;
                edges += if i == 1 || j == 1 { raised } else { 0 };
            }
        }
        Some(Self { edges, all })
    }
}
