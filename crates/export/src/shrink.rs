//! A smaller picture by means of whole blocks.

use crate::PictureRows;
use crate::orientation::upright;
use ndarray::{Array2, ArrayView2, s};
use rayon::prelude::*;
use std::io;
use std::ops::Range;

/// Smallest whole factor that brings both sides to `max_side_px`; 1 without a limit.
pub(crate) fn factor_for(rows: usize, columns: usize, max_side_px: Option<usize>) -> usize {
    let longest = rows.max(columns);
    max_side_px.map_or(1, |limit| longest.div_ceil(limit.max(1)).max(1))
}

/// Every plane of a picture, [shrunken](shrink).
pub(crate) fn shrink_all<P: PictureRows + ?Sized>(
    picture: &P,
    factor: usize,
    orientation: u8,
) -> io::Result<Vec<Array2<f32>>> {
    (0..picture.n_planes())
        .map(|plane| shrink(picture, plane, factor, orientation))
        .collect()
}

/// Means of `factor` x `factor` blocks of a plane, turned upright by its EXIF orientation;
/// the last ones of a row or column of the upright picture may be smaller.
///
/// NaN takes no part in a mean; a block of nothing but NaN is NaN. Sums are `f64` in the
/// order of the upright picture. Only the rows of a block are read at a time.
pub(crate) fn shrink<P: PictureRows + ?Sized>(
    picture: &P,
    plane: usize,
    factor: usize,
    orientation: u8,
) -> io::Result<Array2<f32>> {
    let [rows, columns] = picture.size(plane);
    let order = Array2::from_shape_fn((2, 2), |(row, col)| 2 * row + col);
    let upright_order = upright(order.view(), orientation);
    // Which border of the stored picture is seen first.
    let from_bottom = upright_order[(0, 0)] >= 2;
    let from_right = upright_order[(0, 0)] % 2 == 1;
    let on_its_side = upright_order[(0, 0)].abs_diff(upright_order[(0, 1)]) == 2;
    let bands = blocks(rows, factor, from_bottom);
    let columns_of_blocks = blocks(columns, factor, from_right);
    let means_of_band = |band: &Range<usize>| -> io::Result<Vec<f32>> {
        let mut values = vec![0.0; band.len() * columns];
        picture.read_rows(plane, band.clone(), &mut values)?;
        let values = Array2::from_shape_vec((band.len(), columns), values);
        let values = values.expect("whole rows");
        let block = |columns: &Range<usize>| values.slice(s![.., columns.clone()]);
        let means = columns_of_blocks.iter().map(block);
        Ok(means
            .map(|block| mean(upright(block, orientation)))
            .collect())
    };
    let means: io::Result<Vec<Vec<f32>>> = bands.par_iter().map(means_of_band).collect();
    let (n_rows, n_columns) = (bands.len(), columns_of_blocks.len());
    let small = Array2::from_shape_vec((n_rows, n_columns), means?.concat());
    let small = small.expect("a mean for every block");
    Ok(match on_its_side {
        true => small.t().as_standard_layout().into_owned(),
        false => small,
    })
}

/// Blocks of `factor` along a side, in the order in which they are seen; the last one may be
/// smaller.
fn blocks(side: usize, factor: usize, from_end: bool) -> Vec<Range<usize>> {
    let seen = (0..side).step_by(factor);
    let seen = seen.map(|start| start..(start + factor).min(side));
    let stored = |seen: Range<usize>| match from_end {
        true => side - seen.end..side - seen.start,
        false => seen,
    };
    seen.map(stored).collect()
}

fn mean(block: ArrayView2<'_, f32>) -> f32 {
    let (mut sum, mut n) = (0.0, 0u32);
    for &value in block {
        let valid = !value.is_nan();
        sum += if valid { f64::from(value) } else { 0.0 };
        n += u32::from(valid);
    }
    // 0 / 0 is NaN: a block without a value has none.
    (sum / f64::from(n)) as f32
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
        let small = shrink(&[plane.view()], 0, 2, 1).unwrap();
        assert_eq!(small.dim(), (2, 3));
        assert_eq!([small[[0, 0]], small[[0, 2]]], [3.0, 8.0]);
        assert_eq!([small[[1, 0]], small[[1, 1]]], [3.0, -6.0]);
        assert!(small[[0, 1]].is_nan() && small[[1, 2]].is_nan());
    }

    #[test]
    fn factor_one_changes_nothing() {
        let plane = array![[0.1f32, -7.25], [f32::MIN_POSITIVE, 1e30]];
        assert_eq!(shrink(&[plane.view()], 0, 1, 1).unwrap(), plane);
    }

    #[test]
    fn blocks_begin_where_the_upright_picture_does() {
        let plane = Array2::from_shape_fn((5, 7), |(row, col)| ((row * 11 + col * 3) % 17) as f32);
        for orientation in 0..=9 {
            let turned = upright(plane.view(), orientation).to_owned();
            for factor in 1..=8 {
                let want = shrink(&[turned.view()], 0, factor, 1).unwrap();
                let found = shrink(&[plane.view()], 0, factor, orientation).unwrap();
                assert_eq!(found, want, "orientation {orientation}, factor {factor}");
            }
        }
    }
}
