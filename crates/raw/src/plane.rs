//! One plane of numbers that no sensor records: a calibration master made elsewhere.

use crate::content::Content;
use crate::decode::read;
use crate::fits::{FitsFile, axes, metadata};
use crate::picture::{Source, physical};
use crate::sensor::CameraFacts;
use crate::{DecodeError, DecodeFault, DecodeOptions, Decoder, FrameInfo, OpenedContent, open};
use fitsio_pure::image::extract_bscale_bzero;
use ndarray::Array2;
use std::path::Path;

/// A plane of values, and what its file says of the taking.
#[derive(Clone, Debug)]
pub struct Plane {
    /// How it was taken, as far as the file says.
    pub info: FrameInfo,
    /// Values as stored, `[row, column]`; all finite.
    pub values: Array2<f32>,
}

/// Reads a file of one plane: a two-dimensional FITS of any numbers, filters stated or
/// not, or a picture of one channel as [`open`] reads it.
///
/// # Errors
///
/// [`DecodeError`] with the path; also when a value is not a number, and when the file
/// holds several planes or what a sensor recorded.
pub fn read_plane(path: &Path, options: &DecodeOptions) -> Result<Plane, DecodeError> {
    let plane = plane(path, options)?;
    let odd = plane.values.iter().filter(|v| !v.is_finite()).count();
    if odd > 0 {
        let fault = format!("a plane with {odd} values that are no numbers");
        return Err(DecodeError::new(path, DecodeFault::Unsupported(fault)));
    }
    Ok(plane)
}

fn plane(path: &Path, options: &DecodeOptions) -> Result<Plane, DecodeError> {
    let fault = |fault| DecodeError::new(path, fault);
    let bytes = read(path, options.max_file_bytes).map_err(fault)?;
    if Content::of(&bytes) == Content::Fits {
        let source = Source {
            path,
            bytes: &bytes,
            options,
        };
        return fits_plane(&source).map_err(fault);
    }
    drop(bytes);
    let needed = |found: &str| {
        let fault = format!("{found}, where one plane of values is needed");
        DecodeError::new(path, DecodeFault::Unsupported(fault))
    };
    match open(path, options)?.content {
        OpenedContent::Frame(_) => Err(needed("a frame as a sensor records it")),
        OpenedContent::Picture(mut picture) => match picture.planes.len() {
            1 => Ok(Plane {
                info: picture.info,
                values: picture.planes.remove(0),
            }),
            n => Err(needed(&format!("a picture of {n} channels"))),
        },
    }
}

fn fits_plane(source: &Source) -> Result<Plane, DecodeFault> {
    let file = FitsFile::read(source.bytes)?;
    let hdu = file.first_picture();
    let hdu = hdu.ok_or_else(|| DecodeFault::Unsupported("a FITS without a picture".into()))?;
    let (width, height) = match axes(hdu).unwrap_or_default() {
        [width, height] | [width, height, 1] => (*width, *height),
        other => {
            return Err(DecodeFault::Unsupported(format!(
                "a FITS picture of axes {other:?}, one plane needed"
            )));
        }
    };
    source.check_size(width, height)?;
    let (scale, zero) = extract_bscale_bzero(&hdu.cards);
    let values = physical(file.data(hdu)?, scale, zero);
    let found = values.len();
    let values = Array2::from_shape_vec((height, width), values).map_err(|_| {
        DecodeFault::Malformed(format!("{width} x {height} px, {found} values found"))
    })?;
    let header = metadata(&file.header(hdu));
    Ok(Plane {
        info: header.into_info(source.path, Decoder::Fits, CameraFacts::default()),
        values,
    })
}
