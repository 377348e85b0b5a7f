//! A mosaic in cells of whole filter patterns: gray, small, and without a checker.

use ndarray::{Array2, ArrayView2};

/// Most cells along the shorter side.
const MOST_CELLS: usize = 1000;

/// Side of a cell, px: the least multiple of the filter pattern that keeps a picture within
/// 1000 cells along its shorter side.
pub fn cell_px(width: usize, height: usize, pattern_px: usize) -> usize {
    let pattern_px = pattern_px.max(1);
    pattern_px * width.min(height).div_ceil(MOST_CELLS * pattern_px).max(1)
}

/// Mean of every whole cell of a mosaic, DN, `[row, column]`; NaN photosites are left out,
/// and a cell without others is NaN. Pixels beyond the last whole cell are not looked at.
pub fn cell_means(mosaic: ArrayView2<f32>, cell_px: usize) -> Array2<f32> {
    let cell_px = cell_px.max(1);
    let (height, width) = mosaic.dim();
    let (rows, columns) = (height / cell_px, width / cell_px);
    let mut means = Array2::zeros((rows, columns));
    let mut counts = vec![0.0_f32; columns];
    for (row, mut sums) in means.rows_mut().into_iter().enumerate() {
        counts.fill(0.0);
        for site_row in row * cell_px..(row + 1) * cell_px {
            let sites = mosaic.row(site_row);
            for (col, (sum, count)) in sums.iter_mut().zip(&mut counts).enumerate() {
                for x in col * cell_px..(col + 1) * cell_px {
                    let value = sites[x];
                    let seen = !value.is_nan();
                    *sum += if seen { value } else { 0.0 };
                    *count += if seen { 1.0 } else { 0.0 };
                }
            }
        }
        sums.iter_mut()
            .zip(&counts)
            .for_each(|(sum, count)| *sum /= count);
    }
    means
}

/// The plane at half the resolution.
pub(super) fn halved(plane: &Array2<f32>) -> Array2<f32> {
    cell_means(plane.view(), 2)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn cells_are_whole_patterns() {
        assert_eq!(cell_px(1200, 900, 2), 2);
        assert_eq!(cell_px(5184, 3888, 2), 4);
        assert_eq!(cell_px(6000, 4000, 6), 6);
        assert_eq!(cell_px(0, 0, 2), 2);
    }

    #[test]
    fn means_leave_masked_sites_out() {
        let mut mosaic = Array2::from_shape_fn((5, 7), |(row, col)| (row * 10 + col) as f32);
        mosaic[(0, 0)] = f32::NAN;
        let means = cell_means(mosaic.view(), 2);
        assert_eq!(means.dim(), (2, 3));
        assert_eq!(means[(0, 0)], (1.0 + 10.0 + 11.0) / 3.0);
        assert_eq!(means[(1, 2)], 29.5);
        mosaic.fill(f32::NAN);
        assert!(cell_means(mosaic.view(), 2)[(0, 0)].is_nan());
    }
}
