//! Reads a TIFF back and compares it with the picture, bit by bit.

use crate::planes::{Shape, shape_of};
use crate::strips::{StripLayout, interleave};
use crate::{ExportError, PictureRows};
use std::fs::File;
use std::io::BufReader;
use std::path::Path;
use tiff::decoder::{Decoder, DecodingResult, Limits};

/// Whether a file is read back before it gets its name.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum SelfCheck {
    /// Trust the disk.
    #[default]
    Skip,
    /// Read it back; a difference is an error and leaves no file. Doubles the time.
    Reread,
}

/// Checks that the TIFF at `path` holds exactly `picture`: same size, same bits, NaN
/// included.
///
/// # Errors
///
/// [`Reread`](ExportError::Reread) with the first difference; [`Io`](ExportError::Io)
/// and [`Encode`](ExportError::Encode) when it cannot be read at all.
pub fn check_tiff_f32<P: PictureRows + ?Sized>(
    path: &Path,
    picture: &P,
) -> Result<(), ExportError> {
    reread(path, path, picture)
}

/// As [`check_tiff_f32`], for a file that will be called `target` in the end.
pub(crate) fn reread<P: PictureRows + ?Sized>(
    path: &Path,
    target: &Path,
    picture: &P,
) -> Result<(), ExportError> {
    let shape = shape_of(target, "the picture", picture, u32::MAX as usize)?;
    let n_planes = picture.n_planes();
    let differs = |what: String| ExportError::Reread {
        path: target.to_owned(),
        what,
    };
    let unreadable = |error| ExportError::tiff(target, "read it back", error);
    let file = File::open(path).map_err(|error| ExportError::io(target, "read it back", error))?;
    let mut decoder = Decoder::new(BufReader::new(file))
        .map_err(unreadable)?
        // The limits protect from foreign files; the size of this one is known.
        .with_limits(Limits::unlimited());
    let (width, height) = decoder.dimensions().map_err(unreadable)?;
    if (width as usize, height as usize) != (shape.columns, shape.rows) {
        let Shape { columns, rows } = shape;
        return Err(differs(format!(
            "{width} x {height} pixels, needed {columns} x {rows}"
        )));
    }
    let layout = StripLayout::new(shape, n_planes);
    for index in 0..layout.n_strips {
        let rows = layout.rows_of(index);
        let needed = interleave(picture, rows.clone())
            .map_err(|error| ExportError::io(target, "read the picture", error))?;
        let strip = u32::try_from(index).map_err(|error| unreadable(error.into()))?;
        let DecodingResult::F32(found) = decoder.read_chunk(strip).map_err(unreadable)? else {
            return Err(differs("samples are not 32-bit float".to_owned()));
        };
        if found.len() != needed.len() {
            let (found, needed) = (found.len(), needed.len());
            return Err(differs(format!(
                "strip {index} has {found} samples, needed {needed}"
            )));
        }
        let difference = needed
            .iter()
            .zip(&found)
            .position(|(a, b)| a.to_bits() != b.to_bits());
        if let Some(at) = difference {
            let row = rows.start + at / (shape.columns * n_planes);
            let column = at / n_planes % shape.columns;
            let (found, needed) = (found[at], needed[at]);
            return Err(differs(format!(
                "{found} at ({column}, {row}), needed {needed}"
            )));
        }
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::{TiffOptions, write_tiff_f32};
    use ndarray::Array2;

    #[test]
    fn one_wrong_bit_is_found_and_placed() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("a.tif");
        let mut plane = Array2::from_shape_fn((70, 5), |(row, column)| (row * 5 + column) as f32);
        write_tiff_f32(&path, &[plane.view()], &TiffOptions::default()).unwrap();
        check_tiff_f32(&path, &[plane.view()]).unwrap();
        plane[[61, 3]] = f32::from_bits(308f32.to_bits() + 1);
        let error = check_tiff_f32(&path, &[plane.view()]).unwrap_err();
        assert!(
            error
                .to_string()
                .contains("308 at (3, 61), needed 308.00003"),
            "{error}"
        );
    }

    #[test]
    fn another_size_is_found() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("a.tif");
        let plane = Array2::zeros((3, 5));
        write_tiff_f32(&path, &[plane.view()], &TiffOptions::default()).unwrap();
        let error = check_tiff_f32(&path, &[plane.t()]).unwrap_err();
        assert!(
            error.to_string().contains("5 x 3 pixels, needed 3 x 5"),
            "{error}"
        );
    }
}
