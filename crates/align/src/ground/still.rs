//! What stands still: the lights' median, and how far a light may be from it.

use crate::stats::{SIGMA_PER_MAD, median};
use ndarray::Array2;
use rayon::prelude::*;

/// Levels of brightness that noise is told apart by.
const LEVELS: usize = 24;

/// The lights' median over each cell, and their noise.
pub(super) struct Still {
    /// Median over the lights, DN; NaN where no light has a value.
    pub median: Array2<f32>,
    /// Noise of a light, DN; positive.
    pub noise: Array2<f32>,
}

impl Still {
    /// Median and noise of lights of equal size.
    ///
    /// Noise is told by the lower half of the values alone, since stars pass through the
    /// upper, and by brightness rather than by cell, since a few lights say little about
    /// one cell.
    pub fn of(lights: &[Array2<f32>]) -> Self {
        let size = lights[0].dim();
        let (mut medians, mut spreads) = (
            Array2::from_elem(size, f32::NAN),
            Array2::from_elem(size, f32::NAN),
        );
        let rows: Vec<&[f32]> = lights
            .iter()
            .map(|light| light.as_slice().expect("made row by row"))
            .collect();
        let of_cell = |cell: usize, values: &mut Vec<f32>| {
            values.clear();
            values.extend(rows.iter().map(|light| light[cell]));
            values.retain(|value| value.is_finite());
            values.sort_unstable_by(f32::total_cmp);
            let last = values.len().checked_sub(1)?;
            let at = 0.5 * (values[last / 2] + values[last.div_ceil(2)]);
            // The middle of the lower half lies a median absolute deviation below.
            Some((at, SIGMA_PER_MAD as f32 * (at - values[last / 4])))
        };
        let own = "just made";
        let medians_of_cells = medians.as_slice_mut().expect(own).par_iter_mut();
        let spreads_of_cells = spreads.as_slice_mut().expect(own).par_iter_mut();
        let cells = medians_of_cells.zip(spreads_of_cells).enumerate();
        let cells = cells.with_min_len(size.1.max(1));
        cells.for_each_init(Vec::new, |values, (cell, (at, spread))| {
            if let Some(found) = of_cell(cell, values) {
                (*at, *spread) = found;
            }
        });
        let noise = noise_by_level(&medians, &spreads);
        Self {
            median: medians,
            noise,
        }
    }
}

/// The typical spread of cells as bright as each.
fn noise_by_level(medians: &Array2<f32>, spreads: &Array2<f32>) -> Array2<f32> {
    let mut order: Vec<f32> = medians.iter().copied().filter(|m| m.is_finite()).collect();
    order.sort_unstable_by(f32::total_cmp);
    if order.is_empty() {
        return Array2::ones(medians.dim());
    }
    let borders: Vec<f32> = (1..LEVELS)
        .map(|level| order[level * order.len() / LEVELS])
        .collect();
    let level_of = |value: f32| borders.partition_point(|&border| border <= value);
    let mut by_level = vec![Vec::new(); LEVELS];
    for (&value, &spread) in medians.iter().zip(spreads) {
        if value.is_finite() {
            by_level[level_of(value)].push(spread);
        }
    }
    let typical = |spreads: &mut Vec<f32>| median(spreads).unwrap_or(0.0);
    let mut noise: Vec<f32> = by_level.iter_mut().map(typical).collect();
    let least = noise.iter().copied().filter(|&n| n > 0.0);
    let least = least.reduce(f32::min).unwrap_or(1.0);
    noise.iter_mut().for_each(|n| *n = n.max(least));
    medians.mapv(|value| noise[level_of(value)])
}
