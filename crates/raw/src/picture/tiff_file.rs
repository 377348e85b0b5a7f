//! TIFF and BigTIFF pictures, read by the tiff library.

use super::{Encoding, Picture, PictureContainer, Source, channels, planes_of};
use crate::decode::RawFile;
use crate::metadata::Metadata;
use crate::packing::{check_packed, check_plain, sample_bytes};
use crate::quiet::contained;
use crate::tiff_tags::{Directory, Tiff};
use crate::{DecodeFault, Decoder as ReadBy};
use std::io::Cursor;
use tiff::ColorType;
use tiff::decoder::{Decoder, DecodingResult, Limits};
use tiff::tags::Tag;

/// The picture, when a TIFF holds one rather than sensor data.
pub(super) fn if_picture(source: &Source) -> Result<Option<Picture>, DecodeFault> {
    crate::complete::check(crate::content::Content::Tiff, source.bytes)?;
    match crate::tiff_tags::refuse_picture(source.bytes) {
        Err(_) => picture(source).map(Some),
        Ok(()) => Ok(None),
    }
}

/// The first picture of a TIFF.
pub(super) fn picture(source: &Source) -> Result<Picture, DecodeFault> {
    let file = RawFile {
        path: source.path,
        bytes: source.bytes,
        dng: None,
        options: source.options,
    };
    let facts = Tiff::new(source.bytes)
        .map(|tiff| crate::dng::camera_facts(&tiff.directories()))
        .unwrap_or_default();
    let info = Metadata::read(&file).into_info(source.path, ReadBy::Tiff, facts);
    let read = contained(|| pixels(source)).map_err(DecodeFault::Malformed)??;
    Ok(Picture {
        info,
        container: PictureContainer::Tiff,
        channels: channels(read.planes.len())?,
        planes: read.planes,
        saturation_dn: read.highest,
        encoding: match read.highest {
            None => Encoding::Linear,
            Some(_) => Encoding::Unknown,
        },
    })
}

/// TIFF 6.0, section 3, "Compression".
const UNCOMPRESSED: u16 = 1;

struct Pixels {
    planes: Vec<ndarray::Array2<f32>>,
    /// The highest number of an integer format.
    highest: Option<f32>,
}

fn pixels(source: &Source) -> Result<Pixels, DecodeFault> {
    let wrong = |error: tiff::TiffError| match error {
        tiff::TiffError::UnsupportedError(what) => DecodeFault::Unsupported(what.to_string()),
        other => DecodeFault::Malformed(other.to_string()),
    };
    // The library makes room for as many values as an entry states before it reads them.
    if !counts_fit(source.bytes) {
        return Err(DecodeFault::Malformed(
            "an entry of its directory states more values than the file can hold".to_owned(),
        ));
    }
    let mut decoder = Decoder::new(Cursor::new(source.bytes)).map_err(wrong)?;
    let (width, height) = decoder.dimensions().map_err(wrong)?;
    let (width, height) = (width as usize, height as usize);
    source.check_size(width, height)?;
    let color = decoder.colortype().map_err(wrong)?;
    let (samples, n_planes) = match color {
        ColorType::Gray(_) => (1, 1),
        ColorType::GrayA(_) => (2, 1),
        ColorType::RGB(_) => (3, 3),
        ColorType::RGBA(_) => (4, 3),
        ColorType::Multiband { num_samples: 3, .. } => (3, 3),
        other => {
            return Err(DecodeFault::Unsupported(format!(
                "a TIFF of colors {other:?}, gray or RGB needed"
            )));
        }
    };
    let packed = sample_bytes([width, height, samples], color.bit_depth().into());
    let compression = decoder.find_tag_unsigned::<u16>(Tag::Compression);
    match compression.map_err(wrong)? {
        None | Some(UNCOMPRESSED) => check_plain(packed, source.bytes)?,
        Some(_) => check_packed(packed, source.bytes)?,
    }
    let planar = decoder
        .find_tag_unsigned::<u16>(Tag::PlanarConfiguration)
        .map_err(wrong)?
        == Some(2);
    let mut limits = Limits::default();
    // The widest sample has 8 bytes; the size of the picture itself has been checked.
    limits.decoding_buffer_size = width * height * samples * 8;
    limits.intermediate_buffer_size = limits.decoding_buffer_size;
    limits.ifd_value_size = source.bytes.len();
    let mut decoder = decoder.with_limits(limits);
    let mut values = DecodingResult::U8(Vec::new());
    decoder.read_image_to_buffer(&mut values).map_err(wrong)?;
    let n_pixels = width * height;
    let found = length(&values);
    if found < n_pixels * samples {
        return Err(DecodeFault::Malformed(format!(
            "{} values needed, {found} found",
            n_pixels * samples
        )));
    }
    // Planes one after the other, or the values of a pixel side by side.
    let place = move |at: usize| match planar {
        true => (at % samples) * n_pixels + at / samples,
        false => at,
    };
    let size = (width, height);
    let planes =
        |value: &dyn Fn(usize) -> f32| planes_of(|at| value(place(at)), size, samples, n_planes);
    let (planes, highest) = match &values {
        DecodingResult::U8(v) => (planes(&|i| f32::from(v[i])), Some(f32::from(u8::MAX))),
        DecodingResult::U16(v) => (planes(&|i| f32::from(v[i])), Some(f32::from(u16::MAX))),
        DecodingResult::U32(v) => (planes(&|i| v[i] as f32), Some(u32::MAX as f32)),
        DecodingResult::I16(v) => (planes(&|i| f32::from(v[i])), Some(f32::from(i16::MAX))),
        DecodingResult::I32(v) => (planes(&|i| v[i] as f32), Some(i32::MAX as f32)),
        DecodingResult::F16(v) => (planes(&|i| v[i].to_f32()), None),
        DecodingResult::F32(v) => (planes(&|i| v[i]), None),
        DecodingResult::F64(v) => (planes(&|i| v[i] as f32), None),
        _ => {
            return Err(DecodeFault::Unsupported(
                "a TIFF of 8-bit signed or 64-bit integers".to_owned(),
            ));
        }
    };
    Ok(Pixels { planes, highest })
}

/// Whether the first directory states no more values than the file has room for.
fn counts_fit(bytes: &[u8]) -> bool {
    match (bytes.get(..4), Tiff::new(bytes)) {
        (Some(b"II\x2b\0" | b"MM\0\x2b"), _) => big_counts_fit(bytes).unwrap_or(false),
        (_, Some(tiff)) => tiff.directories().first().is_none_or(Directory::counts_fit),
        _ => false,
    }
}

/// The same of a BigTIFF, whose entries have 20 bytes with a count of 8.
fn big_counts_fit(bytes: &[u8]) -> Option<bool> {
    let big_endian = bytes.starts_with(b"MM");
    let long = |at: u64| -> Option<u64> {
        let at = usize::try_from(at).ok()?;
        let bytes: [u8; 8] = bytes.get(at..at.checked_add(8)?)?.try_into().ok()?;
        Some(match big_endian {
            true => u64::from_be_bytes(bytes),
            false => u64::from_le_bytes(bytes),
        })
    };
    let first = long(8)?;
    let n_entries = long(first)?.min(bytes.len() as u64);
    let counts = (0..n_entries).map_while(|i| long(first.checked_add(8 + 20 * i + 4)?));
    // The widest value has 8 bytes; at least one byte stands for each of several.
    Some(counts.into_iter().all(|count| count <= bytes.len() as u64))
}

fn length(values: &DecodingResult) -> usize {
    match values {
        DecodingResult::U8(v) => v.len(),
        DecodingResult::U16(v) => v.len(),
        DecodingResult::U32(v) => v.len(),
        DecodingResult::U64(v) => v.len(),
        DecodingResult::F16(v) => v.len(),
        DecodingResult::F32(v) => v.len(),
        DecodingResult::F64(v) => v.len(),
        DecodingResult::I8(v) => v.len(),
        DecodingResult::I16(v) => v.len(),
        DecodingResult::I32(v) => v.len(),
        DecodingResult::I64(v) => v.len(),
    }
}
