//! A frame: the mosaic and what is known about how it was taken.

use crate::Mosaic;
use std::path::PathBuf;

/// One exposure as it came out of the camera.
#[derive(Clone, Debug)]
pub struct Frame {
    /// How and when it was taken.
    pub info: FrameInfo,
    /// What the sensor recorded.
    pub mosaic: Mosaic,
}

/// Capture metadata; what the file does not say is `None`.
#[derive(Clone, Debug)]
pub struct FrameInfo {
    /// The file.
    pub path: PathBuf,
    /// Who read it.
    pub decoder: Decoder,
    /// Maker and model.
    pub camera: Option<String>,
    /// Lens model.
    pub lens: Option<String>,
    /// Shutter-open time, s; nominal, as the camera states it.
    pub exposure_s: Option<f64>,
    /// Sensitivity setting; a label, not a gain.
    pub iso: Option<u32>,
    /// f-number.
    pub aperture: Option<f64>,
    /// Focal length, mm.
    pub focal_length_mm: Option<f64>,
    /// Distance between photosites, µm, from the EXIF focal plane resolution or FITS
    /// `XPIXSZ`; nominal.
    pub pixel_pitch_um: Option<f64>,
    /// When it was taken.
    pub captured: Option<CaptureTime>,
    /// Sensor temperature, °C.
    pub temperature_c: Option<f64>,
    /// As-shot multipliers of R, G, B, with G = 1.
    pub white_balance: Option<[f32; 3]>,
    /// XYZ (D65) to camera R, G, B, row by row, as DNG's ColorMatrix.
    pub color_matrix: Option<[[f32; 3]; 3]>,
    /// EXIF orientation, 1 to 8; 1 is upright. Pixel data are never turned.
    pub orientation: u8,
    /// Where the camera looked, as FITS headers state it; cameras state nothing.
    pub pointing: Option<SkyPoint>,
    /// The kind a file states of itself (FITS `IMAGETYP`); cameras state none.
    pub declared_kind: Option<FrameKind>,
}

/// A point of the sky, of whatever equinox the file means.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct SkyPoint {
    /// Right ascension, degrees, from 0 to 360.
    pub ra_deg: f64,
    /// Declination, degrees.
    pub dec_deg: f64,
}

impl SkyPoint {
    /// `None` for what is no point of the sky.
    pub fn new(ra_deg: f64, dec_deg: f64) -> Option<Self> {
        let is_point = ra_deg.is_finite() && (-90.0..=90.0).contains(&dec_deg);
        is_point.then(|| Self {
            ra_deg: ra_deg.rem_euclid(360.0),
            dec_deg,
        })
    }

    /// Angle between two points, degrees: the haversine formula (Sinnott 1984, Sky and
    /// Telescope 68, 159; from memory).
    pub fn separation_deg(&self, other: &Self) -> f64 {
        let half_sine_squared = |a: f64, b: f64| ((a - b).to_radians() / 2.0).sin().powi(2);
        let cosines = self.dec_deg.to_radians().cos() * other.dec_deg.to_radians().cos();
        let haversine = half_sine_squared(self.dec_deg, other.dec_deg)
            + cosines * half_sine_squared(self.ra_deg, other.ra_deg);
        2.0 * haversine.clamp(0.0, 1.0).sqrt().asin().to_degrees()
    }
}

/// A moment on the camera's clock.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct CaptureTime {
    /// Local time on the camera's clock, as stated.
    pub local: jiff::civil::DateTime,
    /// Smallest step the statement can express, s (1 without sub-second digits).
    pub resolution_s: f64,
    /// Offset of the clock from UTC, s, when stated.
    pub utc_offset_s: Option<i32>,
}

impl CaptureTime {
    /// The moment that a text such as `2026-01-19T21:04:00.5` states, in any of the usual
    /// spellings; what stands after the seconds is not looked at. `None` for no date.
    pub fn parse(text: &str) -> Option<Self> {
        crate::metadata::parse_time(text, None, None)
    }

    /// Seconds from `earlier` to `self`, on the camera's clock.
    pub fn seconds_since(&self, earlier: &Self) -> f64 {
        self.local.duration_since(earlier.local).as_secs_f64()
    }
}

/// What a frame is for.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum FrameKind {
    /// The picture itself.
    Light,
    /// Same exposure without light.
    Dark,
    /// An evenly lit field.
    Flat,
    /// Shortest exposure without light.
    Bias,
}

impl FrameKind {
    /// The trade's word for it.
    pub fn name(self) -> &'static str {
        match self {
            Self::Light => "light",
            Self::Dark => "dark",
            Self::Flat => "flat",
            Self::Bias => "bias",
        }
    }
}

/// Who decoded a file.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Decoder {
    /// The rawloader library, in this process.
    Rawloader,
    /// The rawler library, in a child process.
    Rawler,
    /// The FITS reader.
    Fits,
    /// The reader of uncompressed DNG.
    Dng,
    /// The tiff library; pictures only.
    Tiff,
    /// The png library; pictures only.
    Png,
}

impl Decoder {
    /// Name for surveys and reports.
    pub fn name(self) -> &'static str {
        match self {
            Self::Rawloader => "rawloader",
            Self::Rawler => "rawler",
            Self::Fits => "fits",
            Self::Dng => "dng",
            Self::Tiff => "tiff",
            Self::Png => "png",
        }
    }
}
