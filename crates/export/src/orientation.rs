//! EXIF orientation, applied without copying a pixel.

use ndarray::{ArrayView2, Axis};

const ROWS: Axis = Axis(0);
const COLUMNS: Axis = Axis(1);

/// The plane as it is to be looked at.
///
/// - `orientation`: EXIF 1 to 8; anything else is reserved and taken as 1, upright.
///
/// Source: TIFF 6.0 (1992), tag 274: where row 0 and column 0 of the stored picture are
/// seen; held against an independent implementation in
/// `tests/against_independent_readers.rs`.
pub(crate) fn upright<T>(mut plane: ArrayView2<'_, T>, orientation: u8) -> ArrayView2<'_, T> {
    if matches!(orientation, 5..=8) {
        plane = plane.reversed_axes();
    }
    if matches!(orientation, 2 | 3 | 6 | 7) {
        plane.invert_axis(COLUMNS);
    }
    if matches!(orientation, 3 | 4 | 7 | 8) {
        plane.invert_axis(ROWS);
    }
    plane
}

#[cfg(test)]
mod tests {
    use super::*;
    use ndarray::array;

    #[test]
    fn eight_ways_to_hold_a_camera() {
        let stored = array![[1, 2, 3], [4, 5, 6]];
        let wide = [
            (0, [[1, 2, 3], [4, 5, 6]]),
            (1, [[1, 2, 3], [4, 5, 6]]),
            (2, [[3, 2, 1], [6, 5, 4]]),
            (3, [[6, 5, 4], [3, 2, 1]]),
            (4, [[4, 5, 6], [1, 2, 3]]),
            (9, [[1, 2, 3], [4, 5, 6]]),
        ];
        for (orientation, want) in wide {
            assert_eq!(
                upright(stored.view(), orientation),
                ndarray::arr2(&want),
                "{orientation}"
            );
        }
        let tall = [
            (5, [[1, 4], [2, 5], [3, 6]]),
            (6, [[4, 1], [5, 2], [6, 3]]),
            (7, [[6, 3], [5, 2], [4, 1]]),
            (8, [[3, 6], [2, 5], [1, 4]]),
        ];
        for (orientation, want) in tall {
            assert_eq!(
                upright(stored.view(), orientation),
                ndarray::arr2(&want),
                "{orientation}"
            );
        }
    }
}
