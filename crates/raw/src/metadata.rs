//! How and when a frame was taken, from its EXIF.
//!
//! nom-exif reads TIFF-like raws and ISO 14496-12 boxes, kamadak-exif what the first
//! finds nothing in. Both become one table of tags, which is interpreted once. Metadata
//! that are missing or make no sense are `None`; they never cost a frame.
//!
//! Tag numbers: EXIF 2.32 (CIPA DC-008, 2019), section 4.6.

use crate::decode::RawFile;
use crate::quiet::contained;
use crate::sensor::CameraFacts;
use crate::tiff_tags::Tiff;
use crate::{CaptureTime, Decoder, FrameInfo, FrameKind, SkyPoint};
use std::collections::HashMap;
use std::path::Path;

mod time;
pub(crate) use time::parse_time;
#[cfg(test)]
use time::parse_utc_offset;

const MAKE: u16 = 271;
const MODEL: u16 = 272;
const ORIENTATION: u16 = 274;
const EXPOSURE_TIME: u16 = 33434;
const F_NUMBER: u16 = 33437;
const SENSITIVITY: u16 = 34855;
const STANDARD_OUTPUT_SENSITIVITY: u16 = 34865;
const RECOMMENDED_EXPOSURE_INDEX: u16 = 34866;
const ISO_SPEED: u16 = 34867;
const DATE_TIME_ORIGINAL: u16 = 36867;
const OFFSET_TIME_ORIGINAL: u16 = 36881;
const SHUTTER_SPEED_VALUE: u16 = 37377;
const FOCAL_LENGTH: u16 = 37386;
const FOCAL_PLANE_X_RESOLUTION: u16 = 41486;
const FOCAL_PLANE_RESOLUTION_UNIT: u16 = 41488;
const SUB_SEC_TIME_ORIGINAL: u16 = 37521;
const LENS_MODEL: u16 = 42036;

/// What is known about the taking of a frame.
#[derive(Clone, Debug, Default, PartialEq)]
pub(crate) struct Metadata {
    pub(crate) camera: Option<String>,
    pub(crate) lens: Option<String>,
    pub(crate) exposure_s: Option<f64>,
    pub(crate) iso: Option<u32>,
    pub(crate) aperture: Option<f64>,
    pub(crate) focal_length_mm: Option<f64>,
    pub(crate) pixel_pitch_um: Option<f64>,
    pub(crate) captured: Option<CaptureTime>,
    pub(crate) temperature_c: Option<f64>,
    pub(crate) orientation: Option<u8>,
    pub(crate) pointing: Option<SkyPoint>,
    pub(crate) declared_kind: Option<FrameKind>,
}

impl Metadata {
    /// Reads the EXIF of a camera raw or DNG.
    pub(crate) fn read(file: &RawFile) -> Self {
        if !is_plain(file.bytes) {
            return Self::default();
        }
        let by_nom = contained(|| nom_tags(file.path)).unwrap_or_default();
        let by_nom = Self::from_tags(&by_nom);
        if by_nom.exposure_s.is_some() && by_nom.captured.is_some() {
            return by_nom;
        }
        let by_kamadak = contained(|| kamadak_tags(file.bytes)).unwrap_or_default();
        by_nom.or(Self::from_tags(&by_kamadak))
    }

    /// The frame's description: EXIF first, then what came with the sensor data.
    pub(crate) fn into_info(self, path: &Path, decoder: Decoder, facts: CameraFacts) -> FrameInfo {
        let orientation = self.orientation.or(facts.orientation).unwrap_or(1);
        FrameInfo {
            path: path.to_owned(),
            decoder,
            camera: self.camera.or(facts.camera),
            lens: self.lens,
            exposure_s: self.exposure_s,
            iso: self.iso,
            aperture: self.aperture,
            focal_length_mm: self.focal_length_mm,
            pixel_pitch_um: self.pixel_pitch_um,
            captured: self.captured,
            temperature_c: self.temperature_c,
            white_balance: facts.white_balance,
            color_matrix: facts.color_matrix,
            orientation: if (1..=8).contains(&orientation) {
                orientation
            } else {
                1
            },
            pointing: self.pointing,
            declared_kind: self.declared_kind,
        }
    }

    fn from_tags(tags: &Tags) -> Self {
        let number = |tag| tags.get(&tag).and_then(Value::number);
        let positive = |tag| number(tag).filter(|n| *n > 0.0 && n.is_finite());
        let text = |tag| tags.get(&tag).and_then(Value::text);
        let shutter = number(SHUTTER_SPEED_VALUE).map(|apex| (-apex).exp2());
        Self {
            camera: camera_name(text(MAKE), text(MODEL)),
            lens: text(LENS_MODEL),
            exposure_s: positive(EXPOSURE_TIME).or(shutter.filter(|s| *s > 0.0 && s.is_finite())),
            iso: iso(tags),
            aperture: positive(F_NUMBER),
            focal_length_mm: positive(FOCAL_LENGTH),
            pixel_pitch_um: positive(FOCAL_PLANE_X_RESOLUTION)
                .and_then(|per_unit| pitch_um(per_unit, number(FOCAL_PLANE_RESOLUTION_UNIT))),
            captured: text(DATE_TIME_ORIGINAL).and_then(|stated| {
                let sub_seconds = text(SUB_SEC_TIME_ORIGINAL);
                let offset = text(OFFSET_TIME_ORIGINAL);
                parse_time(&stated, sub_seconds.as_deref(), offset.as_deref())
            }),
            temperature_c: None,
            orientation: number(ORIENTATION).map(|o| o as u8),
            pointing: None,
            declared_kind: None,
        }
    }

    fn or(self, other: Self) -> Self {
        Self {
            camera: self.camera.or(other.camera),
            lens: self.lens.or(other.lens),
            exposure_s: self.exposure_s.or(other.exposure_s),
            iso: self.iso.or(other.iso),
            aperture: self.aperture.or(other.aperture),
            focal_length_mm: self.focal_length_mm.or(other.focal_length_mm),
            pixel_pitch_um: self.pixel_pitch_um.or(other.pixel_pitch_um),
            captured: self.captured.or(other.captured),
            temperature_c: self.temperature_c.or(other.temperature_c),
            orientation: self.orientation.or(other.orientation),
            pointing: self.pointing.or(other.pointing),
            declared_kind: self.declared_kind.or(other.declared_kind),
        }
    }
}

/// Distance between photosites, µm, from their number in a unit: EXIF 2.32 states inches
/// (2, the default) and centimeters (3); millimeters (4) and micrometers (5) occur.
///
/// `None` for what no camera has: cameras that state the resolution of a preview.
fn pitch_um(per_unit: f64, unit: Option<f64>) -> Option<f64> {
    const PLAUSIBLE_UM: std::ops::RangeInclusive<f64> = 0.5..=30.0;
    let unit_um = match unit.unwrap_or(2.0) {
        2.0 => 25_400.0,
        3.0 => 10_000.0,
        4.0 => 1000.0,
        5.0 => 1.0,
        _ => return None,
    };
    Some(unit_um / per_unit).filter(|pitch_um| PLAUSIBLE_UM.contains(pitch_um))
}

/// Sensitivity; a SHORT holds 65535 at most, where it means "see the longer tags".
fn iso(tags: &Tags) -> Option<u32> {
    let number = |tag| tags.get(&tag).and_then(Value::number);
    let longer = [
        RECOMMENDED_EXPOSURE_INDEX,
        ISO_SPEED,
        STANDARD_OUTPUT_SENSITIVITY,
    ];
    let positive = |n: &f64| *n >= 1.0 && *n < f64::from(u32::MAX);
    match number(SENSITIVITY) {
        Some(short) if short != 65535.0 => Some(short),
        short => longer.into_iter().find_map(number).or(short),
    }
    .filter(positive)
    .map(|n| n as u32)
}

/// Maker and model in one, the maker not said twice.
pub(crate) fn camera_name(make: Option<String>, model: Option<String>) -> Option<String> {
    match (make, model) {
        (Some(make), Some(model)) => {
            let brand = model.split_whitespace().next().unwrap_or_default();
            let said = make
                .split_whitespace()
                .any(|word| word.eq_ignore_ascii_case(brand));
            Some(if said {
                model
            } else {
                format!("{make} {model}")
            })
        }
        (make, model) => model.or(make),
    }
}

/// Multipliers scaled to G = 1; `None` unless all are positive.
pub(crate) fn white_balance([r, g, b]: [f64; 3]) -> Option<[f32; 3]> {
    let valid = [r, g, b].iter().all(|v| v.is_finite() && *v > 0.0);
    valid.then(|| [(r / g) as f32, 1.0, (b / g) as f32])
}

/// Nine numbers row by row; `None` when they are not nine or all zero.
pub(crate) fn color_matrix(values: &[f64]) -> Option<[[f32; 3]; 3]> {
    let values: [f64; 9] = values.try_into().ok()?;
    let valid = values.iter().all(|v| v.is_finite()) && values.iter().any(|v| *v != 0.0);
    valid.then(|| [0, 1, 2].map(|row| [0, 1, 2].map(|col| values[3 * row + col] as f32)))
}

/// Whether the TIFF structures in a file, wherever it holds them, are what readers can bear.
fn is_plain(bytes: &[u8]) -> bool {
    /// Structures in one file; those of boxes have four.
    const MOST: usize = 64;
    let is_start = |start: &[u8]| start == b"II\x2a\0" || start == b"MM\0\x2a";
    let places = bytes.windows(4).enumerate();
    let mut starts = places
        .filter(|(_, start)| is_start(start))
        .map(|(at, _)| at);
    let first = Tiff::new(bytes).is_none_or(|tiff| tiff.is_plain());
    let inner = |at: usize| Tiff::new(&bytes[at..]).is_none_or(|tiff| tiff.is_plain());
    first && starts.by_ref().take(MOST).all(inner) && starts.next().is_none()
}

type Tags = HashMap<u16, Value>;

/// The value of a tag: the first of several numbers, or a text.
#[derive(Clone, Debug, PartialEq)]
enum Value {
    Number(f64),
    Text(String),
}

impl Value {
    fn number(&self) -> Option<f64> {
        match self {
            Self::Number(number) => Some(*number),
            Self::Text(_) => None,
        }
    }

    fn text(&self) -> Option<String> {
        match self {
            Self::Text(text) => {
                let text = text.trim_matches(|c: char| c == '\0' || c.is_whitespace());
                (!text.is_empty()).then(|| text.to_owned())
            }
            Self::Number(_) => None,
        }
    }
}

fn nom_tags(path: &Path) -> Tags {
    use nom_exif::{EntryValue as V, IfdIndex, IfdKind};
    let Ok(exif) = nom_exif::read_exif(path) else {
        return Tags::new();
    };
    exif.entries()
        .filter(|entry| entry.ifd() == IfdIndex::MAIN)
        .filter(|entry| matches!(entry.ifd_kind(), IfdKind::Tiff | IfdKind::Exif))
        .filter_map(|entry| {
            let value = match entry.value() {
                V::Text(text) => Value::Text(text.clone()),
                V::DateTime(time) => Value::Text(time.to_string()),
                V::NaiveDateTime(time) => Value::Text(time.to_string()),
                V::URational(ratio) => Value::Number(ratio.to_f64()?),
                V::URationalArray(ratios) => Value::Number(ratios.first()?.to_f64()?),
                V::IRational(ratio) => Value::Number(ratio.to_f64()?),
                V::IRationalArray(ratios) => Value::Number(ratios.first()?.to_f64()?),
                V::U8(n) => Value::Number(f64::from(*n)),
                V::U16(n) => Value::Number(f64::from(*n)),
                V::U32(n) => Value::Number(f64::from(*n)),
                V::U16Array(n) => Value::Number(f64::from(*n.first()?)),
                V::U32Array(n) => Value::Number(f64::from(*n.first()?)),
                V::F32(n) => Value::Number(f64::from(*n)),
                V::F64(n) => Value::Number(*n),
                _ => return None,
            };
            Some((entry.tag().code(), value))
        })
        .collect()
}

fn kamadak_tags(bytes: &[u8]) -> Tags {
    use exif::{Context, In, Value as V};
    let mut bytes = bytes.to_vec();
    // ORF is TIFF under another magic number.
    match bytes.get(..4) {
        Some(b"IIRO" | b"IIRS" | b"IIU\0") => bytes[2..4].copy_from_slice(&[0x2a, 0]),
        Some(b"MMOR") => bytes[2..4].copy_from_slice(&[0, 0x2a]),
        _ => {}
    }
    let read = exif::Reader::new().continue_on_error(true).read_raw(bytes);
    let Ok(exif) = read.or_else(|error| error.distill_partial_result(|_| ())) else {
        return Tags::new();
    };
    exif.fields()
        .filter(|field| field.ifd_num == In::PRIMARY)
        .filter(|field| matches!(field.tag.context(), Context::Tiff | Context::Exif))
        .filter_map(|field| {
            let value = match &field.value {
                V::Ascii(lines) => Value::Text(String::from_utf8_lossy(lines.first()?).into()),
                V::Rational(ratios) => Value::Number(ratios.first()?.to_f64()),
                V::SRational(ratios) => Value::Number(ratios.first()?.to_f64()),
                other => Value::Number(f64::from(other.get_uint(0)?)),
            };
            Some((field.tag.number(), value))
        })
        .collect()
}

#[cfg(test)]
mod tests;
