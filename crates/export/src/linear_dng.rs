//! Linear DNG: the picture for raw developers, in the camera's color, not yet developed.

use crate::color::xyz_to_srgb;
use crate::planes::{Shape, shape_of};
use crate::strips::interleave;
use crate::tiff16::{Directory, Kind, write_placement, write_samples, write_text};
use crate::{AtomicFile, ExportError, Overwrite, PictureRows};
use std::io;
use std::path::Path;
use tiff::TiffResult;
use tiff::encoder::{Rational, SRational, TiffEncoder};
use tiff::tags::{Tag, Type};

/// What [`write_linear_dng`] says of a picture. `None` is left out of the file.
#[derive(Clone, Debug)]
pub struct DngOptions {
    /// Maker and model.
    pub camera: Option<String>,
    /// Lens.
    pub lens: Option<String>,
    /// Shutter-open time of a single light, s.
    pub exposure_s: Option<f64>,
    /// Sensitivity setting.
    pub iso: Option<u32>,
    /// f-number.
    pub f_number: Option<f64>,
    /// Focal length, mm.
    pub focal_length_mm: Option<f64>,
    /// When the reference was taken, as `YYYY:MM:DD HH:MM:SS`.
    pub captured: Option<String>,
    /// As-shot multipliers of R, G, B.
    pub white_balance: Option<[f32; 3]>,
    /// CIE XYZ (D65) to camera R, G, B, row by row, as DNG's ColorMatrix; where it is not
    /// known the picture is taken for one in sRGB's primaries.
    pub color_matrix: Option<[[f32; 3]; 3]>,
    /// Value at which the sensor saturates, on the picture's scale, DN. Default: none, which
    /// takes the largest value there is.
    pub saturation_dn: Option<f32>,
    /// EXIF orientation, 1 to 8; the pixels are not turned. Default: 1.
    pub orientation: u8,
    /// What the picture is made of.
    pub description: Option<String>,
    /// The program.
    pub software: Option<String>,
    /// Default: an existing file stays.
    pub overwrite: Overwrite,
}

impl Default for DngOptions {
    fn default() -> Self {
        Self {
            camera: None,
            lens: None,
            exposure_s: None,
            iso: None,
            f_number: None,
            focal_length_mm: None,
            captured: None,
            white_balance: None,
            color_matrix: None,
            saturation_dn: None,
            orientation: 1,
            description: None,
            software: None,
            overwrite: Overwrite::default(),
        }
    }
}

// Tags the encoder has no name for (DNG 1.4.0.0 and EXIF 2.32; numbers from the registry of
// tifffile).
const EXPOSURE_TIME: Tag = Tag::Unknown(33434);
const F_NUMBER: Tag = Tag::Unknown(33437);
const SENSITIVITY: Tag = Tag::Unknown(34855);
const DATE_TIME_ORIGINAL: Tag = Tag::Unknown(36867);
const FOCAL_LENGTH: Tag = Tag::Unknown(37386);
const LENS_MODEL: Tag = Tag::Unknown(42036);
const DNG_VERSION: Tag = Tag::Unknown(50706);
const DNG_BACKWARD_VERSION: Tag = Tag::Unknown(50707);
const UNIQUE_CAMERA_MODEL: Tag = Tag::Unknown(50708);
const BLACK_LEVEL_REPEAT_DIM: Tag = Tag::Unknown(50713);
const BLACK_LEVEL: Tag = Tag::Unknown(50714);
const WHITE_LEVEL: Tag = Tag::Unknown(50717);
const COLOR_MATRIX_1: Tag = Tag::Unknown(50721);
const AS_SHOT_NEUTRAL: Tag = Tag::Unknown(50728);
const CALIBRATION_ILLUMINANT_1: Tag = Tag::Unknown(50778);

/// `PhotometricInterpretation` of linear values in the camera's color.
const LINEAR_RAW: u16 = 34892;
/// EXIF's number for D65 light.
const ILLUMINANT_D65: u16 = 21;
/// Resolution that viewers assume where nothing is printed yet.
const PIXELS_PER_INCH: u32 = 300;

/// The number that stands for no light: room for noise below it.
pub(crate) const BLACK: u16 = 2048;
/// The number that stands for saturation.
const WHITE: u16 = u16::MAX;

/// Writes one plane as gray or three as camera R, G, B, in 16 bits, for raw developers.
///
/// A value of v DN becomes `2048 + v (65535 - 2048) / saturation`, rounded and cut to 16 bits;
/// the file's black and white level say so. What has no value becomes black. Color matrix
/// (D65), as-shot neutral and orientation are stated, and nothing is applied to the pixels.
///
/// Source: Adobe, Digital Negative Specification 1.4.0.0 (2012), chapter 4: LinearRaw,
/// BlackLevel, WhiteLevel, ColorMatrix1, AsShotNeutral (from memory; read back by LibRaw and
/// tifffile in `fixtures/export_checks`). Memory beyond the picture: 16 strips of 1 MiB.
///
/// # Errors
///
/// See [`ExportError`]; the target is then as it was before. A file of more than 4 GiB is
/// refused.
pub fn write_linear_dng<P: PictureRows + ?Sized>(
    path: &Path,
    picture: &P,
    options: &DngOptions,
) -> Result<(), ExportError> {
    let shape = shape_of(path, "the picture", picture, u32::MAX as usize)?;
    let unreadable = |error| ExportError::io(path, "read the picture", error);
    let given = options
        .saturation_dn
        .filter(|dn| *dn > 0.0 && dn.is_finite());
    let full_dn = match given {
        Some(full_dn) => full_dn,
        None => largest(picture, shape).map_err(unreadable)?,
    };
    let mut file = AtomicFile::create(path, options.overwrite)?;
    write(&mut file, picture, shape, full_dn, options)
        .map_err(|error| ExportError::tiff(path, "write the DNG", error))?;
    file.commit()
}

/// The largest finite value above 0; 1 where there is none.
fn largest<P: PictureRows + ?Sized>(picture: &P, shape: Shape) -> io::Result<f32> {
    let mut row_of_plane = vec![0.0; shape.columns];
    let mut largest = 0.0_f32;
    for plane in 0..picture.n_planes() {
        for row in 0..shape.rows {
            picture.read_rows(plane, row..row + 1, &mut row_of_plane)?;
            let finite = row_of_plane
                .iter()
                .copied()
                .filter(|value| value.is_finite());
            largest = finite.fold(largest, f32::max);
        }
    }
    Ok(if largest > 0.0 { largest } else { 1.0 })
}

fn write<P: PictureRows + ?Sized>(
    file: &mut AtomicFile,
    picture: &P,
    shape: Shape,
    full_dn: f32,
    options: &DngOptions,
) -> TiffResult<()> {
    let mut encoder = TiffEncoder::<_, Kind>::new_generic(file)?;
    let mut exif = encoder.extra_directory()?;
    write_exif(&mut exif, options)?;
    let exif_offset = exif.finish_with_offsets()?.offset;
    let mut to = encoder.image_directory()?;
    let n_planes = picture.n_planes();
    let numbers_per_dn = f64::from(WHITE - BLACK) / f64::from(full_dn);
    write_samples(&mut to, shape, n_planes, |rows| {
        let values = interleave(picture, rows)?;
        Ok(values
            .into_iter()
            .map(|value| number_of(value, numbers_per_dn))
            .collect())
    })?;
    write_placement(&mut to, PIXELS_PER_INCH, options.orientation)?;
    to.write_tag(Tag::ExifDirectory, exif_offset)?;
    to.write_tag(Tag::PhotometricInterpretation, LINEAR_RAW)?;
    to.write_tag(DNG_VERSION, &[1u8, 4, 0, 0][..])?;
    to.write_tag(DNG_BACKWARD_VERSION, &[1u8, 1, 0, 0][..])?;
    to.write_tag(BLACK_LEVEL_REPEAT_DIM, &[1u16; 2][..])?;
    to.write_tag(BLACK_LEVEL, &vec![BLACK; n_planes][..])?;
    to.write_tag(WHITE_LEVEL, &vec![u32::from(WHITE); n_planes][..])?;
    write_color(&mut to, n_planes, options)?;
    let camera = options.camera.as_deref().unwrap_or("unknown camera");
    write_text(&mut to, UNIQUE_CAMERA_MODEL, camera)?;
    if let Some(camera) = &options.camera {
        let maker = camera.split_whitespace().next().unwrap_or_default();
        write_text(&mut to, Tag::Make, maker)?;
        write_text(&mut to, Tag::Model, camera)?;
    }
    let texts = [
        (Tag::ImageDescription, &options.description),
        (Tag::Software, &options.software),
        (Tag::DateTime, &options.captured),
    ];
    for (tag, text) in texts {
        if let Some(text) = text {
            write_text(&mut to, tag, text)?;
        }
    }
    to.finish()
}

/// The number that a value is stored as.
fn number_of(value: f32, numbers_per_dn: f64) -> u16 {
    match value.is_nan() {
        true => BLACK,
        // Casting cuts at both ends.
        false => (f64::from(BLACK) + f64::from(value) * numbers_per_dn).round() as u16,
    }
}

fn write_color(
    to: &mut Directory<'_, '_>,
    n_planes: usize,
    options: &DngOptions,
) -> TiffResult<()> {
    if n_planes == 1 {
        return Ok(());
    }
    let finite = |matrix: &[[f32; 3]; 3]| matrix.iter().flatten().all(|value| value.is_finite());
    let matrix = options.color_matrix.filter(finite);
    let matrix = matrix.unwrap_or_else(|| xyz_to_srgb().map(|row| row.map(|value| value as f32)));
    let matrix: Vec<SRational> = matrix.into_iter().flatten().map(ten_thousandths).collect();
    to.write_tag(COLOR_MATRIX_1, &matrix[..])?;
    to.write_tag(CALIBRATION_ILLUMINANT_1, ILLUMINANT_D65)?;
    let usable = |factors: &[f32; 3]| factors.iter().all(|f| f.is_finite() && *f > 0.0);
    let Some(factors) = options.white_balance.filter(usable) else {
        return Ok(());
    };
    let least = factors.into_iter().fold(f32::INFINITY, f32::min);
    let neutral = factors.map(|factor| fraction(f64::from(least / factor), 1_000_000));
    to.write_tag(AS_SHOT_NEUTRAL, &neutral[..])
}

fn write_exif(to: &mut Directory<'_, '_>, options: &DngOptions) -> TiffResult<()> {
    let version = to.write_entry_bytes(Type::UNDEFINED, b"0232")?;
    let mut entries = tiff::Directory::empty();
    entries.extend([(Tag::ExifVersion, version)]);
    to.extend_from(&entries);
    let positive = |value: Option<f64>| value.filter(|v| v.is_finite() && *v > 0.0);
    if let Some(exposure_s) = positive(options.exposure_s) {
        to.write_tag(EXPOSURE_TIME, exposure_time(exposure_s))?;
    }
    if let Some(f_number) = positive(options.f_number) {
        to.write_tag(F_NUMBER, fraction(f_number, 1000))?;
    }
    if let Some(iso) = options.iso.and_then(|iso| u16::try_from(iso).ok()) {
        to.write_tag(SENSITIVITY, iso)?;
    }
    if let Some(focal_length_mm) = positive(options.focal_length_mm) {
        to.write_tag(FOCAL_LENGTH, fraction(focal_length_mm, 1000))?;
    }
    let texts = [
        (DATE_TIME_ORIGINAL, &options.captured),
        (LENS_MODEL, &options.lens),
    ];
    for (tag, text) in texts {
        if let Some(text) = text {
            write_text(to, tag, text)?;
        }
    }
    Ok(())
}

/// Short times as one over a whole number, as cameras state them.
fn exposure_time(exposure_s: f64) -> Rational {
    let per_second = (1.0 / exposure_s).round();
    match exposure_s < 1.0 && (per_second * exposure_s - 1.0).abs() < 1e-3 {
        true => Rational {
            n: 1,
            d: per_second as u32,
        },
        false => fraction(exposure_s, 1_000_000.min((4e9 / exposure_s) as u32).max(1)),
    }
}

fn fraction(value: f64, d: u32) -> Rational {
    Rational {
        n: (value * f64::from(d)).round() as u32,
        d,
    }
}

fn ten_thousandths(value: f32) -> SRational {
    const D: i32 = 10_000;
    SRational {
        n: (f64::from(value) * f64::from(D)).round() as i32,
        d: D,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn noise_below_black_stays_and_what_has_no_value_is_black() {
        let per_dn = 4.0;
        assert_eq!(number_of(0.0, per_dn), BLACK);
        assert_eq!(number_of(-10.5, per_dn), BLACK - 42);
        assert_eq!(number_of(f32::NAN, per_dn), BLACK);
        assert_eq!(number_of(-1e9, per_dn), 0);
        assert_eq!(number_of(f32::INFINITY, per_dn), WHITE);
    }

    #[test]
    fn exposure_times_are_stated_as_cameras_do() {
        let stated = |s| {
            let time = exposure_time(s);
            (time.n, time.d)
        };
        assert_eq!(stated(1.0 / 250.0), (1, 250));
        assert_eq!(stated(13.0), (13_000_000, 1_000_000));
        assert_eq!(stated(7200.0).0 / stated(7200.0).1, 7200);
    }
}
