//! Results to pixels: pictures that are already demosaiced, in any of their containers.
//!
//! A single raw stays a [`Frame`]; a camera-made composite, a stack and a finished picture
//! become a [`Picture`]. [`open`] tells them apart by their content.

use crate::content::Content;
use crate::decode::{decode_bytes, read};
use crate::{Channel, DecodeError, DecodeFault, DecodeOptions, Frame, FrameInfo};
use ndarray::Array2;
use std::path::Path;

mod capture;
mod fits_planes;
mod linear_dng;
mod png_file;
mod tiff_file;

pub(crate) use fits_planes::physical;

/// Shortest side of a picture, px; less holds no sky to measure.
const MIN_SIDE_PX: usize = 16;

/// What a file holds.
#[derive(Clone, Debug)]
pub struct Opened {
    /// The pixels.
    pub content: OpenedContent,
    /// Exposures that the camera itself put together, where the file says so (EXIF 2.32,
    /// SourceImageNumberOfCompositeImage).
    pub shots: Option<u32>,
    /// Distance of two pixels on the sensor, µm, from EXIF's focal plane resolution.
    pub pixel_pitch_um: Option<f64>,
}

/// The two sorts of pixels.
#[derive(Clone, Debug)]
pub enum OpenedContent {
    /// A color filter array as the sensor recorded it, or a monochrome sensor.
    Frame(Box<Frame>),
    /// One or three full planes.
    Picture(Box<Picture>),
}

/// A picture with every channel at every pixel.
#[derive(Clone, Debug)]
pub struct Picture {
    /// How and when it was taken, as far as the file says.
    pub info: FrameInfo,
    /// What it came in.
    pub container: PictureContainer,
    /// `R, G, B`, or `Mono` alone.
    pub channels: &'static [Channel],
    /// One plane per channel, `[row, column]`, all of one shape. Values as stored, for
    /// camera-made composites with the black level removed; NaN where the file has NaN.
    pub planes: Vec<Array2<f32>>,
    /// Value from which a pixel is saturated; `None` where the file sets no limit.
    pub saturation_dn: Option<f32>,
    /// What the values mean.
    pub encoding: Encoding,
}

/// The containers of pictures.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum PictureContainer {
    /// DNG of linear values with several samples a pixel: demosaiced, or put together, by
    /// a camera or converter.
    LinearDng,
    /// TIFF or BigTIFF.
    Tiff,
    /// FITS.
    Fits,
    /// PNG.
    Png,
}

impl PictureContainer {
    /// Name for reports.
    pub fn name(self) -> &'static str {
        match self {
            Self::LinearDng => "linear DNG",
            Self::Tiff => "TIFF",
            Self::Fits => "FITS",
            Self::Png => "PNG",
        }
    }
}

/// What the values of a picture mean.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Encoding {
    /// In proportion to light, but for an offset: by the format's standard (linear DNG) or
    /// by the custom of floating-point files, which a measurement has to confirm.
    Linear,
    /// The file states the sRGB curve (IEC 61966-2-1).
    Srgb,
    /// The file states another power: light = value ^ (1 / exponent).
    Power(f64),
    /// Integers without a statement.
    Unknown,
}

impl Picture {
    /// Width and height, px.
    pub fn size(&self) -> (usize, usize) {
        self.planes
            .first()
            .map_or((0, 0), |plane| (plane.ncols(), plane.nrows()))
    }
}

/// Reads one file: a raw as [`decode`](crate::decode()) does, or a picture.
///
/// The content decides, never the name: TIFF and BigTIFF (8 to 32 bits integer, 16 to 64
/// bits float, any usual packing), FITS of one or three planes, PNG, DNG of linear values.
/// Alpha is left away. A two-dimensional FITS of integers is a monochrome [`Frame`].
/// Nothing is ever written.
///
/// # Errors
///
/// [`DecodeError`] with the path and what is wrong with the file; sizes are checked
/// before memory is asked for.
pub fn open(path: &Path, options: &DecodeOptions) -> Result<Opened, DecodeError> {
    open_file(path, options).map_err(|fault| DecodeError::new(path, fault))
}

/// The planes of a FITS extension by its name, such as `VARIANCE`, values as stored; `None`
/// for a file that is no FITS or has no such extension.
///
/// # Errors
///
/// [`DecodeError`] when the file cannot be read, or is a damaged FITS.
pub fn open_extension(
    path: &Path,
    name: &str,
    options: &DecodeOptions,
) -> Result<Option<Vec<Array2<f32>>>, DecodeError> {
    let planes = || {
        let bytes = read(path, options.max_file_bytes)?;
        match Content::of(&bytes) {
            Content::Fits => fits_planes::extension(&bytes, name),
            _ => Ok(None),
        }
    };
    planes().map_err(|fault| DecodeError::new(path, fault))
}

fn open_file(path: &Path, options: &DecodeOptions) -> Result<Opened, DecodeFault> {
    let bytes = read(path, options.max_file_bytes)?;
    let source = Source {
        path,
        bytes: &bytes,
        options,
    };
    let picture = match Content::of(&bytes) {
        Content::Other("a PNG picture") => Some(png_file::picture(&source)?),
        Content::Other("a BigTIFF picture") => Some(tiff_file::picture(&source)?),
        Content::Tiff => linear_dng::picture(&source)
            .transpose()?
            .map_or_else(|| tiff_file::if_picture(&source), |found| Ok(Some(found)))?,
        Content::Fits => fits_planes::picture(&source)?,
        _ => None,
    };
    let stated = capture::stated(&bytes);
    let content = match picture {
        Some(picture) => OpenedContent::Picture(Box::new(picture)),
        None => OpenedContent::Frame(Box::new(decode_bytes(path, &bytes, options)?)),
    };
    Ok(Opened {
        content,
        shots: stated.shots,
        pixel_pitch_um: stated.pixel_pitch_um,
    })
}

/// A file in memory.
pub(crate) struct Source<'a> {
    pub(crate) path: &'a Path,
    pub(crate) bytes: &'a [u8],
    pub(crate) options: &'a DecodeOptions,
}

impl Source<'_> {
    /// Refuses pictures beyond [`DecodeOptions::max_pixels`] or too small to measure.
    pub(crate) fn check_size(&self, width: usize, height: usize) -> Result<(), DecodeFault> {
        let asked = (width as u64).saturating_mul(height as u64);
        if asked > self.options.max_pixels {
            return Err(DecodeFault::LimitExceeded {
                what: "pixels of the picture",
                asked,
                allowed: self.options.max_pixels,
            });
        }
        if width.min(height) < MIN_SIDE_PX {
            return Err(DecodeFault::Unsupported(format!(
                "a picture of {width} x {height} px, at least {MIN_SIDE_PX} needed on each side"
            )));
        }
        Ok(())
    }
}

/// The channels of one or three planes.
fn channels(n_planes: usize) -> Result<&'static [Channel], DecodeFault> {
    match n_planes {
        1 => Ok(&[Channel::Mono]),
        3 => Ok(&[Channel::R, Channel::G, Channel::B]),
        n => Err(DecodeFault::Unsupported(format!(
            "a picture of {n} values a pixel, 1 or 3 needed"
        ))),
    }
}

/// Planes from interleaved values, `stride` of them a pixel, the first `n_planes` used.
fn planes_of(
    values: impl Fn(usize) -> f32,
    (width, height): (usize, usize),
    stride: usize,
    n_planes: usize,
) -> Vec<Array2<f32>> {
    (0..n_planes)
        .map(|plane| {
            Array2::from_shape_fn((height, width), |(row, col)| {
                values((row * width + col) * stride + plane)
            })
        })
        .collect()
}
