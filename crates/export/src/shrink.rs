//! A smaller picture by means of whole blocks.

use ndarray::{Array2, ArrayView2, Axis, Slice};
use rayon::prelude::*;

/// Smallest whole factor that brings both sides to `max_side_px`; 1 without a limit.
pub(crate) fn factor_for(rows: usize, columns: usize, max_side_px: Option<usize>) -> usize {
    let longest = rows.max(columns);
    max_side_px.map_or(1, |limit| longest.div_ceil(limit.max(1)).max(1))
}

/// Means of `factor` x `factor` blocks; the last ones of a row or column may be smaller.
///
/// NaN takes no part in a mean; a block of nothing but NaN is NaN. Sums are `f64` in a
/// fixed order.
pub(crate) fn shrink(plane: ArrayView2<'_, f32>, factor: usize) -> Array2<f32> {
    let (rows, columns) = plane.dim();
    let mut small = Array2::zeros((rows.div_ceil(factor), columns.div_ceil(factor)));
    small
        .axis_iter_mut(Axis(0))
        .into_par_iter()
        .enumerate()
        .for_each(|(row, mut out)| {
            let rows_of_block = row * factor..((row + 1) * factor).min(rows);
            let band = plane.slice_axis(Axis(0), Slice::from(rows_of_block));
            for (block, mean) in band.axis_chunks_iter(Axis(1), factor).zip(&mut out) {
                let (mut sum, mut n) = (0.0, 0u32);
                for &value in block {
                    let valid = !value.is_nan();
                    sum += if valid { f64::from(value) } else { 0.0 };
                    n += u32::from(valid);
                }
                // 0 / 0 is NaN: a block without a value has none.
                *mean = (sum / f64::from(n)) as f32;
            }
        });
    small
}

#[cfg(test)]
mod tests {
    use super::*;
    use ndarray::array;

    #[test]
    fn factor_brings_the_longest_side_below_the_limit() {
        assert_eq!(factor_for(3888, 5184, None), 1);
        assert_eq!(factor_for(3888, 5184, Some(5184)), 1);
        assert_eq!(factor_for(3888, 5184, Some(5183)), 2);
        assert_eq!(factor_for(5, 1, Some(0)), 5);
        for limit in 1..40 {
            let factor = factor_for(37, 23, Some(limit));
            assert!(37usize.div_ceil(factor) <= limit, "limit {limit}");
        }
    }

    #[test]
    fn blocks_are_means_of_what_has_a_value() {
        let n = f32::NAN;
        let plane = array![
            [1.0, 3.0, n, n, 9.0],
            [5.0, n, n, n, 7.0],
            [2.0, 4.0, -6.0, n, n]
        ];
        let small = shrink(plane.view(), 2);
        assert_eq!(small.dim(), (2, 3));
        assert_eq!([small[[0, 0]], small[[0, 2]]], [3.0, 8.0]);
        assert_eq!([small[[1, 0]], small[[1, 1]]], [3.0, -6.0]);
        assert!(small[[0, 1]].is_nan() && small[[1, 2]].is_nan());
    }

    #[test]
    fn factor_one_changes_nothing() {
        let plane = array![[0.1f32, -7.25], [f32::MIN_POSITIVE, 1e30]];
        assert_eq!(shrink(plane.view(), 1), plane);
    }
}
