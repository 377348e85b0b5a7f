//! Sky and sensor as two layers: what two contrasts of different lights have in common.

use stack::{HalfSplit, TileSamples};

use crate::covariance::{PaddedPlane, half_plane};
use crate::difference::DifferenceMeter;
use crate::track::CellTrack;

/// Lags that the contrasts are compared at reach this far either way, px.
pub(crate) const REACH_PX: usize = 3;
/// Lags along one axis.
pub(crate) const SIDE: usize = 2 * REACH_PX + 1;
/// Lags in all.
pub(crate) const LAGS: usize = SIDE * SIDE;

/// What stands out of the stack by so many robust sigmas is no sky: a star too faint for
/// the mask, that every light's own mosaic shows differently.
const STAR_SIGMAS: f32 = 3.5;
/// Neighborhood left out with it, px: a star, demosaiced and resampled.
const STAR_GROW_PX: usize = 4;

/// What the contrasts of one tile have in common, and the noise to hold it against.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct TileLayers {
    /// Cell of the track.
    pub cell: usize,
    /// Pixel pairs at lag 0.
    pub pairs: f64,
    /// Covariance of the even lights' contrast at p with the odd lights' at p + lag, DN^2,
    /// row by row from lag (-3, -3).
    pub cross: Vec<f64>,
    /// Autocovariance of the single lights measured on the tile, mean over them, DN^2, by
    /// the half plane of lags of a block.
    pub noise: Vec<f64>,
}

/// Sum of `contrast[i] * light i` over the lights of one half; NaN spreads.
fn contrast_of(tile: &TileSamples<'_>, contrast: &[f64], second: bool) -> Vec<f32> {
    let n = tile.samples.len();
    let mut sum = vec![0.0f32; tile.mean.len()];
    for (i, samples) in tile.samples.iter().enumerate() {
        if HalfSplit::OddEven.is_second(i, n) != second {
            continue;
        }
        let factor = contrast[i] as f32;
        for ((sum, &sample), &mean) in sum.iter_mut().zip(*samples).zip(tile.mean) {
            // The mean cancels; without it f32 sums are exact enough.
            *sum += factor * (sample - mean);
        }
    }
    sum
}

impl TileLayers {
    /// `None` where the cell does not move or too few pixels are left. `noise` is the
    /// sum of the autocovariances of so many `lights`.
    pub(crate) fn of(
        tile: &TileSamples<'_>,
        (cell, track): (usize, &CellTrack),
        usable: &[bool],
        (noise, lights): (&[f64], usize),
        meter: &mut DifferenceMeter,
        block_px: usize,
    ) -> Option<Self> {
        let moves = track.contrast.iter().any(|&c| c != 0.0);
        if !moves || lights == 0 || block_px <= REACH_PX {
            return None;
        }
        let mut contrasts = [false, true].map(|second| contrast_of(tile, &track.contrast, second));
        let mut valid = usable.to_vec();
        for contrast in &contrasts {
            for (valid, value) in valid.iter_mut().zip(contrast) {
                *valid &= value.is_finite();
            }
        }
        let size = (tile.area.width(), tile.area.height());
        let stars = DifferenceMeter::new(size, block_px, STAR_SIGMAS, STAR_GROW_PX);
        stars.clean(&mut tile.mean.to_vec(), &mut valid)?;
        // Twice: outliers of one are struck off both.
        for contrast in [0, 1, 0] {
            meter.clean(&mut contrasts[contrast], &mut valid)?;
        }
        let (width, height) = size;
        let [even, odd] = contrasts.map(|values| {
            let mut plane = PaddedPlane::new(width, height, REACH_PX + 1);
            plane.fill(&values, &valid);
            plane
        });
        let pairs: Vec<f64> = half_plane(block_px)
            .zip(meter.pairs(&valid).iter().copied())
            .filter(|((x, y), _)| x.unsigned_abs() <= REACH_PX && *y <= REACH_PX)
            .map(|(_, pairs)| pairs)
            .collect();
        if pairs.iter().any(|&pairs| pairs < 1.0) {
            return None;
        }
        let mut cross = vec![0.0; LAGS];
        for ((lag_x, lag_y), count) in half_plane(REACH_PX + 1).zip(&pairs) {
            let x = REACH_PX.saturating_add_signed(lag_x);
            let mirrored = REACH_PX.saturating_add_signed(-lag_x);
            cross[(REACH_PX + lag_y) * SIDE + x] = even.lag_sum(&odd, lag_x, lag_y) / count;
            cross[(REACH_PX - lag_y) * SIDE + mirrored] = odd.lag_sum(&even, lag_x, lag_y) / count;
        }
        Some(Self {
            cell,
            pairs: pairs[0],
            cross,
            noise: noise.iter().map(|sum| sum / lights as f64).collect(),
        })
    }
}
