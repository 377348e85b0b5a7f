//! PNG pictures, read by the png library.

use super::{Encoding, Picture, PictureContainer, Source, channels, planes_of};
use crate::metadata::Metadata;
use crate::packing::{check_packed, sample_bytes};
use crate::quiet::contained;
use crate::sensor::CameraFacts;
use crate::{DecodeFault, Decoder as ReadBy};
use png::{ColorType, Decoder, Limits, Transformations};
use std::io::Cursor;

/// The picture of a PNG, 8 or 16 bits.
pub(super) fn picture(source: &Source) -> Result<Picture, DecodeFault> {
    contained(|| read(source)).map_err(DecodeFault::Malformed)?
}

fn read(source: &Source) -> Result<Picture, DecodeFault> {
    let wrong = |error: png::DecodingError| DecodeFault::Malformed(error.to_string());
    let mut decoder = Decoder::new(Cursor::new(source.bytes));
    // What is beside the picture may be no larger than the file.
    decoder.set_limits(Limits {
        bytes: source.bytes.len().max(1 << 20),
    });
    decoder.set_transformations(Transformations::EXPAND);
    let header = decoder.read_header_info().map_err(wrong)?;
    let (width, height) = (header.width as usize, header.height as usize);
    source.check_size(width, height)?;
    let samples = header.color_type.samples();
    let packed = sample_bytes([width, height, samples], header.bit_depth as usize);
    check_packed(packed, source.bytes)?;
    let mut reader = decoder.read_info().map_err(wrong)?;
    let encoding = match (reader.info().srgb, reader.info().gama_chunk) {
        (Some(_), _) => Encoding::Srgb,
        (None, Some(gamma)) => match f64::from(gamma.into_value()) {
            exponent if (0.99..1.01).contains(&exponent) => Encoding::Linear,
            exponent if exponent > 0.0 => Encoding::Power(exponent),
            _ => Encoding::Unknown,
        },
        (None, None) => Encoding::Unknown,
    };
    let n_bytes = reader
        .output_buffer_size()
        .ok_or_else(|| DecodeFault::Unsupported("a PNG too large for this machine".to_owned()))?;
    let mut bytes = vec![0; n_bytes];
    let frame = reader.next_frame(&mut bytes).map_err(wrong)?;
    let (samples, n_planes) = match frame.color_type {
        ColorType::Grayscale => (1, 1),
        ColorType::GrayscaleAlpha => (2, 1),
        ColorType::Rgb => (3, 3),
        ColorType::Rgba => (4, 3),
        ColorType::Indexed => {
            return Err(DecodeFault::Unsupported("a PNG with a palette".to_owned()));
        }
    };
    let size = (width, height);
    let (planes, highest) = match frame.bit_depth {
        png::BitDepth::Sixteen => {
            let (pairs, _) = bytes.as_chunks::<2>();
            let value = |i: usize| f32::from(u16::from_be_bytes(pairs[i]));
            (planes_of(value, size, samples, n_planes), u16::MAX)
        }
        _ => {
            let value = |i: usize| f32::from(bytes[i]);
            (
                planes_of(value, size, samples, n_planes),
                u16::from(u8::MAX),
            )
        }
    };
    Ok(Picture {
        info: Metadata::default().into_info(source.path, ReadBy::Png, CameraFacts::default()),
        container: PictureContainer::Png,
        channels: channels(n_planes)?,
        planes,
        saturation_dn: Some(f32::from(highest)),
        encoding,
    })
}
