//! DNG of linear values with three samples a pixel: what a camera made of several shots, or
//! a converter of one.
//!
//! PhotometricInterpretation 34892 (LinearRaw). Levels as the standard states them, black
//! removed, negative values kept, nothing clipped. Source: DNG 1.7.1 (from memory), ch. 4.

use super::{Encoding, Picture, PictureContainer, Source, channels, planes_of};
use crate::decode::RawFile;
use crate::dng::{PHOTOMETRIC_LINEAR_RAW, camera_facts};
use crate::foreign::full_color;
use crate::metadata::Metadata;
use crate::packing::{check_plain, sample_bytes};
use crate::tiff_tags::{Directory, Tiff, tag};
use crate::{DecodeFault, Decoder, Rect};
use ndarray::{Array2, s};

const UNCOMPRESSED: usize = 1;
const PLANAR: usize = 2;
const FLOAT: usize = 3;
const N_CHANNELS: usize = 3;

/// The picture; `None` when the file holds no demosaiced linear values.
pub(super) fn picture(source: &Source) -> Option<Result<Picture, DecodeFault>> {
    let tiff = Tiff::new(source.bytes)?;
    let directories = tiff.directories();
    let linear = directories
        .iter()
        .filter(|d| d.is_full_picture())
        .max_by_key(|d| d.n_pixels())
        .filter(|d| d.integer(tag::PHOTOMETRIC) == Some(PHOTOMETRIC_LINEAR_RAW))
        .filter(|d| d.integer(tag::SAMPLES_PER_PIXEL).unwrap_or(1) > 1)?;
    Some(read(source, tiff, &directories, linear))
}

fn read(
    source: &Source,
    tiff: Tiff,
    directories: &[Directory],
    linear: &Directory,
) -> Result<Picture, DecodeFault> {
    crate::complete::check(crate::content::Content::Tiff, source.bytes)?;
    let side = |tag| linear.integer(tag).unwrap_or(0);
    let size = (side(tag::IMAGE_WIDTH), side(tag::IMAGE_LENGTH));
    source.check_size(size.0, size.1)?;
    let samples = linear.integer(tag::SAMPLES_PER_PIXEL).unwrap_or(1);
    let channels = channels(samples)?;
    let stored = match linear.integer(tag::COMPRESSION) {
        Some(UNCOMPRESSED) => uncompressed(source, tiff, linear, size)?,
        _ => compressed(source, size)?,
    };
    let area = active_area(linear, size)?;
    let crop = |plane: Array2<f32>| -> Array2<f32> {
        plane
            .slice(s![area.y0..area.y1, area.x0..area.x1])
            .to_owned()
    };
    let black = by_channel(linear, tag::BLACK_LEVEL, 0.0);
    let bits = linear.integer(tag::BITS_PER_SAMPLE).unwrap_or(16).min(32);
    let highest = match linear.integer(tag::SAMPLE_FORMAT) {
        Some(FLOAT) => 1.0,
        _ => ((1_u64 << bits) - 1) as f32,
    };
    let white = by_channel(linear, tag::WHITE_LEVEL, highest);
    let planes = stored
        .into_iter()
        .zip(black)
        .map(|(plane, black)| crop(plane) - black)
        .collect();
    let range = white.iter().zip(black).map(|(white, black)| white - black);
    let saturation = range.fold(f32::INFINITY, f32::min);
    if !(saturation.is_finite() && saturation > 0.0) {
        return Err(DecodeFault::Malformed(format!(
            "white levels {white:?} are not above black levels {black:?}"
        )));
    }
    Ok(Picture {
        info: Metadata::read(&raw_file(source)).into_info(
            source.path,
            Decoder::Dng,
            camera_facts(directories),
        ),
        container: PictureContainer::LinearDng,
        channels,
        planes,
        saturation_dn: Some(saturation),
        encoding: Encoding::Linear,
    })
}

fn raw_file<'a>(source: &Source<'a>) -> RawFile<'a> {
    RawFile {
        path: source.path,
        bytes: source.bytes,
        dng: None,
        options: source.options,
    }
}

/// A level by channel; one number, or one of each repeat, stands for all.
fn by_channel(linear: &Directory, tag: u16, default: f32) -> [f32; N_CHANNELS] {
    let levels = linear.numbers(tag).unwrap_or_default();
    let at = |i: usize| levels.get(i).map(|&level| level as f32);
    match levels.len() {
        0 => [default; N_CHANNELS],
        N_CHANNELS => [0, 1, 2].map(|i| at(i).unwrap_or(default)),
        // Patterns by site (rows, columns, then channels) are of equal levels in practice.
        n if n % N_CHANNELS == 0 => [0, 1, 2].map(|i| at(i).unwrap_or(default)),
        _ => [at(0).unwrap_or(default); N_CHANNELS],
    }
}

fn active_area(linear: &Directory, (width, height): (usize, usize)) -> Result<Rect, DecodeFault> {
    match linear.integers(tag::ACTIVE_AREA).as_deref() {
        None => Ok(Rect::of_size(width, height)),
        Some(&[y0, x0, y1, x1]) if x0 < x1 && y0 < y1 && x1 <= width && y1 <= height => {
            Ok(Rect { x0, y0, x1, y1 })
        }
        Some(other) => Err(DecodeFault::Malformed(format!(
            "ActiveArea is {other:?} of a picture of {width} x {height} px"
        ))),
    }
}

/// Lossless JPEG and the like, by the raw library.
fn compressed(source: &Source, size: (usize, usize)) -> Result<Vec<Array2<f32>>, DecodeFault> {
    let (found, values) = full_color(&raw_file(source), N_CHANNELS)?;
    if found != size || values.len() != size.0 * size.1 * N_CHANNELS {
        return Err(DecodeFault::Malformed(format!(
            "{} x {} px stated, {} x {} px decoded",
            size.0, size.1, found.0, found.1
        )));
    }
    Ok(planes_of(
        |at| f32::from(values[at]),
        size,
        N_CHANNELS,
        N_CHANNELS,
    ))
}

fn uncompressed(
    source: &Source,
    tiff: Tiff,
    linear: &Directory,
    (width, height): (usize, usize),
) -> Result<Vec<Array2<f32>>, DecodeFault> {
    let float = linear.integer(tag::SAMPLE_FORMAT) == Some(FLOAT);
    let bits = linear.integer(tag::BITS_PER_SAMPLE).unwrap_or(1);
    let value = Value::new(bits, float, tiff.is_big_endian())?;
    let planar = linear.integer(tag::PLANAR_CONFIGURATION) == Some(PLANAR);
    let tiled = linear.has(tag::TILE_OFFSETS);
    let sides = match tiled {
        true => (
            linear.integer(tag::TILE_WIDTH),
            linear.integer(tag::TILE_LENGTH),
        ),
        false => (
            Some(width),
            Some(
                linear
                    .integer(tag::ROWS_PER_STRIP)
                    .unwrap_or(height)
                    .min(height),
            ),
        ),
    };
    let (Some(wide), Some(high)) = sides else {
        return Err(DecodeFault::Malformed("tiles of no stated size".to_owned()));
    };
    // A tile may reach beyond the picture, but not by more than the widest in use.
    if wide == 0 || high == 0 || wide > width + (1 << 16) || high > height + (1 << 16) {
        return Err(DecodeFault::Malformed(format!(
            "strips or tiles of {wide} x {high} px"
        )));
    }
    let (across, down) = (width.div_ceil(wide), height.div_ceil(high));
    let in_chunk = if planar { 1 } else { N_CHANNELS };
    let needed = across * down * (N_CHANNELS / in_chunk);
    let ranges = linear.data_ranges();
    if ranges.len() < needed {
        return Err(DecodeFault::Malformed(format!(
            "{needed} strips or tiles needed, {} found",
            ranges.len()
        )));
    }
    let plain = sample_bytes([width, height, N_CHANNELS], bits);
    check_plain(plain, source.bytes)?;
    let mut planes = vec![Array2::zeros((height, width)); N_CHANNELS];
    let row_bytes = wide * in_chunk * value.bytes;
    for (i, &(offset, length)) in ranges.iter().take(needed).enumerate() {
        let place = i % (across * down);
        let (top, left) = (place / across * high, place % across * wide);
        let (n_rows, n_cols) = (high.min(height - top), wide.min(width - left));
        let end = offset.saturating_add(length);
        let chunk = source.bytes.get(offset..end);
        let chunk = chunk.filter(|chunk| chunk.len() >= n_rows * row_bytes);
        let chunk = chunk.ok_or_else(|| DecodeFault::Truncated {
            what: format!("strip or tile {i}"),
            needed: offset.saturating_add(n_rows * row_bytes) as u64,
            found: source.bytes.len().min(end) as u64,
        })?;
        for (row, bytes) in chunk.chunks_exact(row_bytes).take(n_rows).enumerate() {
            let values = bytes.chunks_exact(value.bytes).take(n_cols * in_chunk);
            for (at, bytes) in values.enumerate() {
                let plane = if planar {
                    i / (across * down)
                } else {
                    at % N_CHANNELS
                };
                planes[plane][(top + row, left + at / in_chunk)] = value.of(bytes);
            }
        }
    }
    Ok(planes)
}

/// How a value is stored.
struct Value {
    bytes: usize,
    float: bool,
    big_endian: bool,
}

impl Value {
    fn new(bits: usize, float: bool, big_endian: bool) -> Result<Self, DecodeFault> {
        match (bits, float) {
            (8 | 16, false) | (32, true) => Ok(Self {
                bytes: bits / 8,
                float,
                big_endian,
            }),
            _ => Err(DecodeFault::Unsupported(format!(
                "a linear DNG of {bits}-bit {} values",
                if float { "floating-point" } else { "integer" }
            ))),
        }
    }

    fn of(&self, bytes: &[u8]) -> f32 {
        let number = |bytes: &[u8]| {
            bytes
                .iter()
                .fold(0_u32, |n, &byte| n << 8 | u32::from(byte))
        };
        let number = match self.big_endian {
            true => number(bytes),
            false => bytes
                .iter()
                .rev()
                .fold(0, |n, &byte| n << 8 | u32::from(byte)),
        };
        match self.float {
            true => f32::from_bits(number),
            false => number as f32,
        }
    }
}
