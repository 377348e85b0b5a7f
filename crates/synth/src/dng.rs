//! A mosaic as a DNG file: uncompressed, one strip, 16 bits.
//!
//! Tags by the DNG specification (numbers from the registry of tifffile) and EXIF 2.32.

use crate::SynthError;
use jiff::civil::DateTime;
use raw::{Channel, Mosaic, SitePattern};
use std::io::Cursor;
use tiff::TiffResult;
use tiff::encoder::{DirectoryEncoder, Rational, SRational, TiffEncoder, TiffKind};
use tiff::tags::{Tag, Type};

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
    let (width, height) = mosaic.size();
    let mut file = Cursor::new(Vec::with_capacity(2 * mosaic.data.len() + 4096));
    match write(&mut file, mosaic, info) {
        Ok(()) => Ok(file.into_inner()),
        Err(source) => Err(SynthError::Encode {
            width,
            height,
            source,
        }),
    }
}

/// EXIF stands before the picture: its offset must be known when the picture's
/// directory is written.
fn write(file: &mut Cursor<Vec<u8>>, mosaic: &Mosaic, info: &DngInfo) -> TiffResult<()> {
    let mut tiff = TiffEncoder::new(file)?;
    let mut exif = tiff.extra_directory()?;
    write_exif(&mut exif, info)?;
    let exif_offset = exif.finish_with_offsets()?.offset;

    let mut picture = tiff.image_directory()?;
    picture.write_tag(Tag::ExifDirectory, exif_offset)?;
    write_picture(&mut picture, mosaic)?;
    write_levels(&mut picture, mosaic)?;
    write_camera(&mut picture, info)?;
    picture.finish()
}

type Directory<'a, 'f, K> = DirectoryEncoder<'a, &'f mut Cursor<Vec<u8>>, K>;

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
    exif.write_tag(DATE_TIME_ORIGINAL, date_time(info.captured).as_str())?;
    exif.write_tag(OFFSET_TIME_ORIGINAL, offset.as_str())?;
    exif.write_tag(FOCAL_LENGTH, thousandths(info.focal_length_mm))?;
    exif.write_tag(SUB_SEC_TIME_ORIGINAL, format!("{milliseconds:03}").as_str())?;
    exif.write_tag(LENS_MODEL, info.lens.as_str())
}

fn write_picture<K: TiffKind>(
    picture: &mut Directory<'_, '_, K>,
    mosaic: &Mosaic,
) -> TiffResult<()> {
    let (width, height) = (
        u32::try_from(mosaic.data.ncols())?,
        u32::try_from(mosaic.data.nrows())?,
    );
    let values: Vec<u16> = mosaic.data.iter().copied().collect();
    let bytes = u32::try_from(2 * values.len())?;
    let offset = u32::try_from(picture.write_data(values.as_slice())?)?;
    picture.write_tag(Tag::NewSubfileType, 0u32)?;
    picture.write_tag(Tag::ImageWidth, width)?;
    picture.write_tag(Tag::ImageLength, height)?;
    picture.write_tag(Tag::BitsPerSample, 16u16)?;
    picture.write_tag(Tag::Compression, 1u16)?;
    picture.write_tag(Tag::StripOffsets, offset)?;
    picture.write_tag(Tag::SamplesPerPixel, 1u16)?;
    picture.write_tag(Tag::RowsPerStrip, height)?;
    picture.write_tag(Tag::StripByteCounts, bytes)?;
    picture.write_tag(Tag::PlanarConfiguration, 1u16)?;
    picture.write_tag(ACTIVE_AREA, [0, 0, height, width])?;
    if mosaic.cfa.channels() == [Channel::Mono] {
        return picture.write_tag(Tag::PhotometricInterpretation, PHOTOMETRIC_LINEAR_RAW);
    }
    picture.write_tag(Tag::PhotometricInterpretation, PHOTOMETRIC_CFA)?;
    picture.write_tag(CFA_REPEAT_PATTERN_DIM, repeat_dim(&mosaic.cfa)?)?;
    picture.write_tag(CFA_PATTERN, mosaic.cfa.map(color_number).values())?;
    picture.write_tag(CFA_PLANE_COLOR, [0u8, 1, 2])?;
    picture.write_tag(CFA_LAYOUT, 1u16)
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
    picture.write_tag(Tag::Make, info.make.as_str())?;
    picture.write_tag(Tag::Model, info.model.as_str())?;
    picture.write_tag(Tag::Orientation, 1u16)?;
    picture.write_tag(
        Tag::Software,
        concat!("radicand-synth ", env!("CARGO_PKG_VERSION")),
    )?;
    picture.write_tag(Tag::DateTime, date_time(info.captured).as_str())?;
    picture.write_tag(DNG_VERSION, [1u8, 4, 0, 0])?;
    picture.write_tag(DNG_BACKWARD_VERSION, [1u8, 1, 0, 0])?;
    picture.write_tag(UNIQUE_CAMERA_MODEL, info.model.as_str())?;
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
