//! What every writer demands of the planes it is given.

use crate::ExportError;
use ndarray::ArrayView2;
use std::path::Path;

/// Rows and columns shared by all planes.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) struct Shape {
    pub rows: usize,
    pub columns: usize,
}

/// The shape of a picture of 1 or 3 planes whose sides are in `1..=longest_side`.
///
/// `what` names the part of the picture in errors.
pub(crate) fn shape_of<T>(
    path: &Path,
    what: &'static str,
    planes: &[ArrayView2<'_, T>],
    longest_side: usize,
) -> Result<Shape, ExportError> {
    let (Some(first), 1 | 3) = (planes.first(), planes.len()) else {
        return Err(ExportError::PlaneCount {
            path: path.to_owned(),
            what,
            found: planes.len(),
            needed: "1 or 3",
        });
    };
    let needed = [first.nrows(), first.ncols()];
    for (index, plane) in planes.iter().enumerate() {
        let found = [plane.nrows(), plane.ncols()];
        if found != needed {
            return Err(ExportError::PlaneShape {
                path: path.to_owned(),
                what,
                index,
                found,
                needed,
            });
        }
    }
    let [rows, columns] = needed;
    let countable = 1..=longest_side;
    if !countable.contains(&rows) || !countable.contains(&columns) {
        return Err(ExportError::Size {
            path: path.to_owned(),
            columns,
            rows,
            limit: longest_side,
        });
    }
    Ok(Shape { rows, columns })
}

#[cfg(test)]
mod tests {
    use super::*;
    use ndarray::Array2;

    #[track_caller]
    fn check(shapes: &[(usize, usize)], needle: &str) {
        let planes: Vec<_> = shapes
            .iter()
            .map(|&shape| Array2::<f32>::zeros(shape))
            .collect();
        let views: Vec<_> = planes.iter().map(|plane| plane.view()).collect();
        let error = shape_of(Path::new("a.tif"), "the picture", &views, 100).unwrap_err();
        assert!(error.to_string().contains(needle), "{error}");
    }

    #[test]
    fn errors_say_found_and_needed() {
        check(&[], "has 0 planes, needed 1 or 3");
        check(&[(2, 3); 2], "has 2 planes, needed 1 or 3");
        check(
            &[(2, 3), (2, 3), (3, 2)],
            "plane 2 of the picture has 2 x 3 pixels, needed 3 x 2",
        );
        check(
            &[(0, 3)],
            "3 x 0 pixels, each side needed between 1 and 100",
        );
        check(
            &[(1, 101)],
            "101 x 1 pixels, each side needed between 1 and 100",
        );
    }

    #[test]
    fn one_or_three_equal_planes_pass() {
        let plane = Array2::<f32>::zeros((2, 3));
        let want = Shape {
            rows: 2,
            columns: 3,
        };
        for n in [1, 3] {
            let views = vec![plane.view(); n];
            assert_eq!(
                shape_of(Path::new("a"), "the picture", &views, 3).unwrap(),
                want
            );
        }
    }
}
