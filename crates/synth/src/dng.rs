//! A mosaic, or a picture of full color, as a DNG file of 16 bits.
//!
//! Tags by the DNG specification (numbers from the registry of tifffile) and EXIF 2.32.

use crate::lossless_jpeg;
use crate::{Scene, Shot, SynthError};
use jiff::civil::DateTime;
use ndarray::Array2;
use raw::{Channel, Mosaic, SitePattern};
use rayon::prelude::*;
use std::io::Cursor;
use tiff::TiffResult;
use tiff::encoder::{DirectoryEncoder, Rational, SRational, TiffEncoder, TiffKind};
use tiff::tags::{Tag, Type};

/// How the numbers of a mosaic are packed.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Compression {
    /// Not at all: one strip.
    #[default]
    None,
    /// Lossless JPEG, in tiles. A picture of odd width, or with a side under 16 px, is left
    /// as it is: rawloader reads no such tiles.
    LosslessJpeg,
}

/// What a DNG file says of the exposure and the camera.
#[derive(Clone, Debug, PartialEq)]
pub struct DngInfo {
    /// Maker.
    pub make: String,
    /// Model.
    pub model: String,
    /// Lens.
    pub lens: String,
    /// Shutter-open time, s.
    pub exposure_s: f64,
    /// Sensitivity setting.
    pub iso: u16,
    /// Focal ratio.
    pub f_number: f64,
    /// Focal length, mm.
    pub focal_length_mm: f64,
    /// When the exposure began, on the camera's clock; stated to 1/1000 s.
    pub captured: DateTime,
    /// Offset of the camera's clock from UTC, hours.
    pub utc_offset_h: i8,
    /// XYZ to camera R, G, B under D65, row by row.
    pub color_matrix: [[f32; 3]; 3],
    /// What a neutral gray gives in R, G and B, the largest 1.
    pub neutral: [f64; 3],
    /// How the mosaic is packed.
    pub compression: Compression,
}

impl DngInfo {
    /// What the file of a shot says of it.
    pub fn of(scene: &Scene, shot: &Shot) -> Self {
        let efficiency = scene.sensor.efficiency;
        let largest = efficiency.into_iter().fold(f64::MIN_POSITIVE, f64::max);
        Self {
            make: scene.sensor.make.clone(),
            model: scene.sensor.model.clone(),
            lens: scene.lens.model.clone(),
            exposure_s: shot.exposure_s,
            iso: scene.sensor.iso,
            f_number: scene.lens.f_number,
            focal_length_mm: scene.lens.focal_length_mm,
            captured: shot.start,
            utc_offset_h: scene.utc_offset_h,
            color_matrix: scene.sensor.color_matrix,
            neutral: efficiency.map(|value| value / largest),
            compression: scene.compression,
        }
    }
}

// Tags the encoder has no name for.
const CFA_REPEAT_PATTERN_DIM: Tag = Tag::Unknown(33421);
const CFA_PATTERN: Tag = Tag::Unknown(33422);
const EXPOSURE_TIME: Tag = Tag::Unknown(33434);
const F_NUMBER: Tag = Tag::Unknown(33437);
const SENSITIVITY: Tag = Tag::Unknown(34855);
const DATE_TIME_ORIGINAL: Tag = Tag::Unknown(36867);
const OFFSET_TIME_ORIGINAL: Tag = Tag::Unknown(36881);
const FOCAL_LENGTH: Tag = Tag::Unknown(37386);
const SUB_SEC_TIME_ORIGINAL: Tag = Tag::Unknown(37521);
const LENS_MODEL: Tag = Tag::Unknown(42036);
const DNG_VERSION: Tag = Tag::Unknown(50706);
const DNG_BACKWARD_VERSION: Tag = Tag::Unknown(50707);
const UNIQUE_CAMERA_MODEL: Tag = Tag::Unknown(50708);
const CFA_PLANE_COLOR: Tag = Tag::Unknown(50710);
const CFA_LAYOUT: Tag = Tag::Unknown(50711);
const BLACK_LEVEL_REPEAT_DIM: Tag = Tag::Unknown(50713);
const BLACK_LEVEL: Tag = Tag::Unknown(50714);
const WHITE_LEVEL: Tag = Tag::Unknown(50717);
const COLOR_MATRIX_1: Tag = Tag::Unknown(50721);
const AS_SHOT_NEUTRAL: Tag = Tag::Unknown(50728);
const CALIBRATION_ILLUMINANT_1: Tag = Tag::Unknown(50778);
const ACTIVE_AREA: Tag = Tag::Unknown(50829);

/// `PhotometricInterpretation` of a color filter array.
const PHOTOMETRIC_CFA: u16 = 32803;
/// `PhotometricInterpretation` of a sensor without filters.
const PHOTOMETRIC_LINEAR_RAW: u16 = 34892;
/// EXIF's number for D65 light.
const ILLUMINANT_D65: u16 = 21;

/// The bytes of a DNG file.
///
/// # Errors
///
/// When the picture is too large for the format.
pub fn encode_dng(mosaic: &Mosaic, info: &DngInfo) -> Result<Vec<u8>, SynthError> {
    let size = mosaic.size();
    encode(size, info, |picture| {
        write_mosaic(picture, mosaic, info.compression)?;
        write_levels(picture, mosaic)
    })
}

/// The bytes of a DNG file with R, G and B at every pixel, uncompressed: `planes` are of
/// one shape, linear, with `black_dn` and `white_dn` as a mosaic has them.
///
/// # Errors
///
/// When the picture is too large for the format.
///
/// # Panics
///
/// When the planes differ in shape.
pub fn encode_rgb_dng(
    planes: &[Array2<u16>; 3],
    black_dn: u16,
    white_dn: u16,
    info: &DngInfo,
) -> Result<Vec<u8>, SynthError> {
    let (height, width) = planes[0].dim();
    for plane in planes {
        assert_eq!(plane.dim(), (height, width), "planes differ in shape");
    }
    let mut values = Vec::with_capacity(3 * width * height);
    for (site, &red) in planes[0].indexed_iter() {
        values.extend([red, planes[1][site], planes[2][site]]);
    }
    encode((width, height), info, |picture| {
        write_size(picture, (width, height), 3)?;
        write_strip(picture, &values, height)?;
        picture.write_tag(Tag::BitsPerSample, [16u16; 3])?;
        picture.write_tag(Tag::PhotometricInterpretation, PHOTOMETRIC_LINEAR_RAW)?;
        picture.write_tag(BLACK_LEVEL_REPEAT_DIM, [1u16; 2])?;
        picture.write_tag(BLACK_LEVEL, [black_dn; 3])?;
        picture.write_tag(WHITE_LEVEL, [u32::from(white_dn); 3])
    })
}

/// EXIF stands before the picture: its offset must be known when the picture's
/// directory is written.
fn encode(
    (width, height): (usize, usize),
    info: &DngInfo,
    picture: impl FnOnce(&mut Picture<'_, '_>) -> TiffResult<()>,
) -> Result<Vec<u8>, SynthError> {
    let mut file = Cursor::new(Vec::with_capacity(2 * width * height + 4096));
    let write = || {
        let mut tiff = TiffEncoder::new(&mut file)?;
        let mut exif = tiff.extra_directory()?;
        write_exif(&mut exif, info)?;
        let exif_offset = exif.finish_with_offsets()?.offset;
        let mut directory = tiff.image_directory()?;
        directory.write_tag(Tag::ExifDirectory, exif_offset)?;
        picture(&mut directory)?;
        write_camera(&mut directory, info)?;
        directory.finish()
    };
    match write() {
        Ok(()) => Ok(file.into_inner()),
        Err(source) => Err(SynthError::Encode {
            width,
            height,
            source,
        }),
    }
}

type Picture<'a, 'f> = Directory<'a, 'f, tiff::encoder::TiffKindStandard>;
type Directory<'a, 'f, K> = DirectoryEncoder<'a, &'f mut Cursor<Vec<u8>>, K>;

/// A text, filled up to an even number of bytes: what follows must begin at an even offset.
fn write_text<K: TiffKind>(
    directory: &mut Directory<'_, '_, K>,
    tag: Tag,
    text: &str,
) -> TiffResult<()> {
    directory.write_tag(tag, text)?;
    fill_up(directory, text.len() + 1)
}

/// A byte after an odd number of them; up to four stand in the directory itself.
fn fill_up<K: TiffKind>(directory: &mut Directory<'_, '_, K>, bytes: usize) -> TiffResult<()> {
    if bytes > 4 && bytes % 2 == 1 {
        directory.write_data([0u8].as_slice())?;
    }
    Ok(())
}

fn write_exif<K: TiffKind>(exif: &mut Directory<'_, '_, K>, info: &DngInfo) -> TiffResult<()> {
    let version = exif.write_entry_bytes(Type::UNDEFINED, b"0232")?;
    let mut entries = tiff::Directory::empty();
    entries.extend([(Tag::ExifVersion, version)]);
    exif.extend_from(&entries);

    let milliseconds = info.captured.subsec_nanosecond() / 1_000_000;
    let offset = format!(
        "{}{:02}:00",
        if info.utc_offset_h < 0 { '-' } else { '+' },
        info.utc_offset_h.unsigned_abs()
    );
    exif.write_tag(EXPOSURE_TIME, exposure_time(info.exposure_s))?;
    exif.write_tag(F_NUMBER, thousandths(info.f_number))?;
    exif.write_tag(SENSITIVITY, info.iso)?;
    write_text(exif, DATE_TIME_ORIGINAL, date_time(info.captured).as_str())?;
    write_text(exif, OFFSET_TIME_ORIGINAL, offset.as_str())?;
    exif.write_tag(FOCAL_LENGTH, thousandths(info.focal_length_mm))?;
    write_text(
        exif,
        SUB_SEC_TIME_ORIGINAL,
        format!("{milliseconds:03}").as_str(),
    )?;
    write_text(exif, LENS_MODEL, info.lens.as_str())
}

fn write_mosaic<K: TiffKind>(
    picture: &mut Directory<'_, '_, K>,
    mosaic: &Mosaic,
    compression: Compression,
) -> TiffResult<()> {
    write_size(picture, mosaic.size(), 1)?;
    picture.write_tag(Tag::BitsPerSample, 16u16)?;
    let (width, height) = mosaic.size();
    let packable = width % TILE_COMPONENTS == 0 && width.min(height) >= TILE_STEP;
    match compression {
        Compression::LosslessJpeg if packable => write_tiles(picture, &mosaic.data)?,
        _ => {
            let values: Vec<u16> = mosaic.data.iter().copied().collect();
            write_strip(picture, &values, mosaic.data.nrows())?;
        }
    }
    if mosaic.cfa.channels() == [Channel::Mono] {
        return picture.write_tag(Tag::PhotometricInterpretation, PHOTOMETRIC_LINEAR_RAW);
    }
    picture.write_tag(Tag::PhotometricInterpretation, PHOTOMETRIC_CFA)?;
    picture.write_tag(CFA_REPEAT_PATTERN_DIM, repeat_dim(&mosaic.cfa)?)?;
    picture.write_tag(CFA_PATTERN, mosaic.cfa.map(color_number).values())?;
    picture.write_tag(CFA_PLANE_COLOR, [0u8, 1, 2])?;
    picture.write_tag(CFA_LAYOUT, 1u16)
}

fn write_size<K: TiffKind>(
    picture: &mut Directory<'_, '_, K>,
    (width, height): (usize, usize),
    samples: u16,
) -> TiffResult<()> {
    let (width, height) = (u32::try_from(width)?, u32::try_from(height)?);
    picture.write_tag(Tag::NewSubfileType, 0u32)?;
    picture.write_tag(Tag::ImageWidth, width)?;
    picture.write_tag(Tag::ImageLength, height)?;
    picture.write_tag(Tag::SamplesPerPixel, samples)?;
    picture.write_tag(Tag::PlanarConfiguration, 1u16)?;
    picture.write_tag(ACTIVE_AREA, [0, 0, height, width])
}

/// All samples in one strip.
fn write_strip<K: TiffKind>(
    picture: &mut Directory<'_, '_, K>,
    values: &[u16],
    height: usize,
) -> TiffResult<()> {
    let bytes = u32::try_from(2 * values.len())?;
    let offset = u32::try_from(picture.write_data(values)?)?;
    picture.write_tag(Tag::Compression, 1u16)?;
    picture.write_tag(Tag::StripOffsets, offset)?;
    picture.write_tag(Tag::RowsPerStrip, u32::try_from(height)?)?;
    picture.write_tag(Tag::StripByteCounts, bytes)
}

/// Largest width and height of a tile, px.
const LARGEST_TILE: usize = 256;
/// Sides of tiles are multiples of this (TIFF 6.0, section 15).
const TILE_STEP: usize = 16;
/// Two samples of a row are one column of the JPEG, so that each is compared with the
/// nearest of its own color.
const TILE_COMPONENTS: usize = 2;

/// Width and height of the tiles. None is wider than the picture, as readers lose track
/// of such rows (seen in LibRaw and rawloader).
fn tile_sides(data: &Array2<u16>) -> [usize; 2] {
    [data.ncols(), data.nrows()].map(|side| (side / TILE_STEP * TILE_STEP).min(LARGEST_TILE))
}

fn write_tiles<K: TiffKind>(
    picture: &mut Directory<'_, '_, K>,
    data: &Array2<u16>,
) -> TiffResult<()> {
    let (height, width) = data.dim();
    let [wide, high] = tile_sides(data);
    let (across, down) = (width.div_ceil(wide), height.div_ceil(high));
    // As few bits as hold the values (2 at least, T.81): no difference is then -32768, which
    // rawloader 0.37 reads wrongly, unless the values need all 16.
    let largest = data.iter().copied().max().unwrap_or(0);
    let bits = (16 - largest.leading_zeros()).max(2) as u8;
    let tile = |number: usize| {
        let (top, left) = (number / across * high, number % across * wide);
        // Beyond the picture every sample is as the one it is compared with.
        let sample = |row: usize, col: usize| match (row < height, col < width) {
            (true, true) => data[[row, col]],
            (true, false) => data[[row, width - TILE_COMPONENTS + col % TILE_COMPONENTS]],
            (false, _) => data[[height - 1, left + col % TILE_COMPONENTS]],
        };
        let rows: Vec<Vec<u16>> = (top..top + high)
            .map(|row| (left..left + wide).map(|col| sample(row, col)).collect())
            .collect();
        lossless_jpeg::encode(&rows, TILE_COMPONENTS, bits)
    };
    let tiles: Vec<Vec<u8>> = (0..across * down).into_par_iter().map(tile).collect();
    let (mut offsets, mut bytes) = (Vec::new(), Vec::new());
    for tile in &tiles {
        offsets.push(u32::try_from(picture.write_data(tile.as_slice())?)?);
        bytes.push(u32::try_from(tile.len())?);
        fill_up(picture, tile.len())?;
    }
    picture.write_tag(Tag::Compression, 7u16)?;
    picture.write_tag(Tag::TileWidth, wide as u32)?;
    picture.write_tag(Tag::TileLength, high as u32)?;
    picture.write_tag(Tag::TileOffsets, offsets.as_slice())?;
    picture.write_tag(Tag::TileByteCounts, bytes.as_slice())
}

/// Black at every site of its pattern; white as the least of its pattern, as the format
/// has one per plane.
fn write_levels<K: TiffKind>(
    picture: &mut Directory<'_, '_, K>,
    mosaic: &Mosaic,
) -> TiffResult<()> {
    let black: Vec<Rational> = mosaic
        .black_level_dn
        .values()
        .iter()
        .map(|&level| thousandths(f64::from(level)))
        .collect();
    let whites = mosaic.white_level_dn.values().iter().copied();
    let white = whites.fold(f32::from(u16::MAX), f32::min) as u32;
    picture.write_tag(BLACK_LEVEL_REPEAT_DIM, repeat_dim(&mosaic.black_level_dn)?)?;
    picture.write_tag(BLACK_LEVEL, black.as_slice())?;
    picture.write_tag(WHITE_LEVEL, white)
}

fn write_camera<K: TiffKind>(picture: &mut Directory<'_, '_, K>, info: &DngInfo) -> TiffResult<()> {
    let matrix: Vec<SRational> = info
        .color_matrix
        .iter()
        .flatten()
        .map(|&element| SRational {
            n: (element * 10_000.0).round() as i32,
            d: 10_000,
        })
        .collect();
    let neutral = info.neutral.map(|value| Rational {
        n: (value * 1e6).round() as u32,
        d: 1_000_000,
    });
    write_text(picture, Tag::Make, info.make.as_str())?;
    write_text(picture, Tag::Model, info.model.as_str())?;
    picture.write_tag(Tag::Orientation, 1u16)?;
    write_text(
        picture,
        Tag::Software,
        concat!("radicand-synth ", env!("CARGO_PKG_VERSION")),
    )?;
    write_text(picture, Tag::DateTime, date_time(info.captured).as_str())?;
    picture.write_tag(DNG_VERSION, [1u8, 4, 0, 0])?;
    picture.write_tag(DNG_BACKWARD_VERSION, [1u8, 1, 0, 0])?;
    write_text(picture, UNIQUE_CAMERA_MODEL, info.model.as_str())?;
    picture.write_tag(COLOR_MATRIX_1, matrix.as_slice())?;
    picture.write_tag(AS_SHOT_NEUTRAL, neutral)?;
    picture.write_tag(CALIBRATION_ILLUMINANT_1, ILLUMINANT_D65)
}

/// Rows and columns of a pattern.
fn repeat_dim<T: Copy>(pattern: &SitePattern<T>) -> TiffResult<[u16; 2]> {
    Ok([
        u16::try_from(pattern.height())?,
        u16::try_from(pattern.width())?,
    ])
}

/// The number a DNG file has for a filter.
fn color_number(channel: Channel) -> u8 {
    match channel {
        Channel::R => 0,
        Channel::G | Channel::Mono => 1,
        Channel::B => 2,
    }
}

/// Short times as one over a whole number, as cameras state them, others in ms.
fn exposure_time(exposure_s: f64) -> Rational {
    let inverse = (1.0 / exposure_s).round();
    if exposure_s < 0.25 && inverse <= f64::from(u32::MAX) {
        return Rational {
            n: 1,
            d: inverse as u32,
        };
    }
    thousandths(exposure_s)
}

fn thousandths(value: f64) -> Rational {
    Rational {
        n: (value * 1000.0).round() as u32,
        d: 1000,
    }
}

fn date_time(time: DateTime) -> String {
    format!(
        "{:04}:{:02}:{:02} {:02}:{:02}:{:02}",
        time.year(),
        time.month(),
        time.day(),
        time.hour(),
        time.minute(),
        time.second()
    )
}
