//! What every writer demands of the planes it is given.

use crate::ExportError;
use ndarray::ArrayView2;
use std::io;
use std::ops::Range;
use std::path::Path;

/// A picture that is read by rows while it is written, so that it need not be in memory.
///
/// One plane, or three (red, green, blue), of linear DN; NaN marks a pixel without a value.
/// Slices, arrays and vectors of `ArrayView2<f32>`, indexed `[row, column]`, are pictures.
pub trait PictureRows: Sync {
    /// Number of planes.
    fn n_planes(&self) -> usize;

    /// Rows and columns of a plane.
    fn size(&self, plane: usize) -> [usize; 2];

    /// Reads rows of a plane, one after the other, into `out`, which has just their length.
    ///
    /// # Errors
    ///
    /// When they cannot be read from where the picture is kept.
    fn read_rows(&self, plane: usize, rows: Range<usize>, out: &mut [f32]) -> io::Result<()>;
}

impl<'a, T: AsRef<[ArrayView2<'a, f32>]> + Sync + ?Sized> PictureRows for T {
    fn n_planes(&self) -> usize {
        self.as_ref().len()
    }

    fn size(&self, plane: usize) -> [usize; 2] {
        let plane = &self.as_ref()[plane];
        [plane.nrows(), plane.ncols()]
    }

    fn read_rows(&self, plane: usize, rows: Range<usize>, out: &mut [f32]) -> io::Result<()> {
        copy_rows(&self.as_ref()[plane], rows, out);
        Ok(())
    }
}

/// Counts as a picture.
#[derive(Clone, Copy, Debug)]
pub struct Counts<'a>(pub &'a [ArrayView2<'a, u16>]);

impl PictureRows for Counts<'_> {
    fn n_planes(&self) -> usize {
        self.0.len()
    }

    fn size(&self, plane: usize) -> [usize; 2] {
        [self.0[plane].nrows(), self.0[plane].ncols()]
    }

    fn read_rows(&self, plane: usize, rows: Range<usize>, out: &mut [f32]) -> io::Result<()> {
        copy_rows(&self.0[plane], rows, out);
        Ok(())
    }
}

fn copy_rows<T: Copy + Into<f32>>(plane: &ArrayView2<'_, T>, rows: Range<usize>, out: &mut [f32]) {
    let values = rows.flat_map(|row| plane.row(row).into_iter());
    for (out, &value) in out.iter_mut().zip(values) {
        *out = value.into();
    }
}

/// Rows and columns shared by all planes.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) struct Shape {
    pub rows: usize,
    pub columns: usize,
}

/// The shape of a picture of 1 or 3 planes whose sides are in `1..=longest_side`.
///
/// `what` names the part of the picture in errors.
pub(crate) fn shape_of<P: PictureRows + ?Sized>(
    path: &Path,
    what: &'static str,
    picture: &P,
    longest_side: usize,
) -> Result<Shape, ExportError> {
    if !matches!(picture.n_planes(), 1 | 3) {
        return Err(ExportError::PlaneCount {
            path: path.to_owned(),
            what,
            found: picture.n_planes(),
            needed: "1 or 3",
        });
    }
    let needed = picture.size(0);
    for index in 0..picture.n_planes() {
        let found = picture.size(index);
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
