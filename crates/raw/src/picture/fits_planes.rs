//! FITS pictures: three planes, or floating-point values.

use super::{Encoding, Picture, PictureContainer, Source, channels};
use crate::fits::FitsFile;
use crate::sensor::CameraFacts;
use crate::{DecodeFault, Decoder as ReadBy};
use fitsio_pure::image::{ImageData, extract_bscale_bzero};
use ndarray::{Array2, Array3, Axis};

/// The picture; `None` for what is a mosaic or a monochrome frame of integers.
pub(super) fn picture(source: &Source) -> Result<Option<Picture>, DecodeFault> {
    let file = FitsFile::read(source.bytes)?;
    let Some(hdu) = file.first_picture() else {
        return Ok(None);
    };
    let axes = crate::fits::axes(hdu).unwrap_or_default().to_vec();
    let header = file.header(hdu);
    let floats = header.number("BITPIX").is_some_and(|bits| bits < 0.0);
    // `[columns, rows, planes]`, or the values of a pixel side by side.
    let (width, height, n_planes, side_by_side) = match axes[..] {
        [width, height] | [width, height, 1] if floats && !header.has_filters() => {
            (width, height, 1, false)
        }
        [width, height, 3] => (width, height, 3, false),
        [3, width, height] => (width, height, 3, true),
        _ => return Ok(None),
    };
    source.check_size(width, height)?;
    let stored = file.data(hdu)?;
    let (scale, zero) = extract_bscale_bzero(&hdu.cards);
    let highest = match &stored {
        ImageData::U8(_) => Some(f64::from(u8::MAX)),
        ImageData::I16(_) => Some(zero + scale * f64::from(i16::MAX)),
        ImageData::I32(_) => Some(zero + scale * f64::from(i32::MAX)),
        _ => None,
    };
    let stated = header.first_number(&["SATURATE", "WHITELVL"]);
    let values = physical(stored, scale, zero);
    if values.len() != width * height * n_planes {
        return Err(DecodeFault::Malformed(format!(
            "{width} x {height} px of {n_planes} planes, {} values found",
            values.len()
        )));
    }
    let planes: Vec<Array2<f32>> = match side_by_side {
        true => super::planes_of(|at| values[at], (width, height), 3, 3),
        false => Array3::from_shape_vec((n_planes, height, width), values)
            .expect("the number of values has been checked")
            .axis_iter(Axis(0))
            .map(|plane| plane.to_owned())
            .collect(),
    };
    let metadata = crate::fits::metadata(&header);
    Ok(Some(Picture {
        info: metadata.into_info(source.path, ReadBy::Fits, CameraFacts::default()),
        container: PictureContainer::Fits,
        channels: channels(n_planes)?,
        planes,
        saturation_dn: stated.or(highest).map(|dn| dn as f32),
        encoding: match floats {
            true => Encoding::Linear,
            false => Encoding::Unknown,
        },
    }))
}

/// The planes of the extension of a name, of one or three planes; `None` where there is none.
pub(super) fn extension(bytes: &[u8], name: &str) -> Result<Option<Vec<Array2<f32>>>, DecodeFault> {
    let file = FitsFile::read(bytes)?;
    let Some(hdu) = file.extension(name) else {
        return Ok(None);
    };
    let (width, height, n_planes) = match crate::fits::axes(hdu).unwrap_or_default() {
        [width, height] => (*width, *height, 1),
        [width, height, planes] => (*width, *height, *planes),
        _ => return Ok(None),
    };
    let (scale, zero) = extract_bscale_bzero(&hdu.cards);
    let values = physical(file.data(hdu)?, scale, zero);
    let found = values.len();
    let planes = Array3::from_shape_vec((n_planes, height, width), values).map_err(|_| {
        DecodeFault::Malformed(format!(
            "{width} x {height} px of {n_planes} planes, {found} values found"
        ))
    })?;
    Ok(Some(
        planes.outer_iter().map(|plane| plane.to_owned()).collect(),
    ))
}

/// Values as the header scales them.
pub(crate) fn physical(stored: ImageData, scale: f64, zero: f64) -> Vec<f32> {
    let to = |value: f64| (zero + scale * value) as f32;
    match stored {
        ImageData::U8(v) => v.into_iter().map(|v| to(f64::from(v))).collect(),
        ImageData::I16(v) => v.into_iter().map(|v| to(f64::from(v))).collect(),
        ImageData::I32(v) => v.into_iter().map(|v| to(f64::from(v))).collect(),
        ImageData::I64(v) => v.into_iter().map(|v| to(v as f64)).collect(),
        ImageData::F32(v) if scale == 1.0 && zero == 0.0 => v,
        ImageData::F32(v) => v.into_iter().map(|v| to(f64::from(v))).collect(),
        ImageData::F64(v) => v.into_iter().map(to).collect(),
    }
}
