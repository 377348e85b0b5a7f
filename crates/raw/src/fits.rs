//! FITS mosaics and monochrome frames.
//!
//! Values are `BZERO + BSCALE * stored` (FITS Standard 4.0, 2018, section 4.4.2.5) and
//! have to fit the 16 bits of a sensor: whole numbers from 0 to 65535 from any BITPIX.
//! Rows stay in file order. Filters come from `BAYERPAT` (or `COLORTYP`, or a `FILTER`
//! that spells a Bayer array), moved by `XBAYROFF` and `YBAYROFF`; with `ROWORDER =
//! 'BOTTOM-UP'` the pattern is that of the picture as displayed, so it is turned over.

use crate::decode::RawFile;
use crate::metadata::{Metadata, parse_time, white_balance};
use crate::mosaic::{Cfa, SitePattern};
use crate::packing::{check_packed, sample_bytes};
use crate::quiet::contained;
use crate::sensor::{CameraFacts, Sensor};
use crate::{DecodeFault, Decoder, Frame, FrameKind, Rect, SkyPoint};
use fitsio_pure::hdu::{FitsData, Hdu, HduInfo};
use fitsio_pure::image::{ImageData, extract_bscale_bzero};
use fitsio_pure::value::Value;

/// Whole numbers computed in floating point may miss by this much, DN: rescaling in
/// single precision rounds at 2^-8 of a unit near 65535.
const WHOLE_NUMBER_TOLERANCE_DN: f64 = 0.01;

/// The FITS reader.
pub(crate) struct Fits;

impl Fits {
    /// The frame: the first two-dimensional picture of the file.
    pub(crate) fn frame(&self, file: &RawFile) -> Result<Frame, DecodeFault> {
        let parsed = FitsFile::read(file.bytes)?;
        let hdu = parsed.first_picture();
        let hdu = hdu.ok_or_else(|| DecodeFault::Unsupported("a FITS without a picture".into()))?;
        let header = parsed.header(hdu);
        let sensor = sensor(file, &parsed, hdu, &header)?;
        let (mosaic, facts) = sensor.into_mosaic()?;
        let info = metadata(&header).into_info(file.path, Decoder::Fits, facts);
        Ok(Frame { info, mosaic })
    }
}

/// A FITS file whose headers have been read and checked.
pub(crate) struct FitsFile<'a> {
    bytes: &'a [u8],
    parsed: FitsData,
}

impl<'a> FitsFile<'a> {
    /// Reads the headers; every data unit is known to be whole afterwards.
    pub(crate) fn read(bytes: &'a [u8]) -> Result<Self, DecodeFault> {
        check_data_units(bytes)?;
        let parsed = contained(|| fitsio_pure::hdu::parse_fits(bytes)).map_err(damaged)?;
        let parsed = parsed.map_err(|error| damaged(error.to_string()))?;
        Ok(Self { bytes, parsed })
    }

    /// The first unit with pixels.
    pub(crate) fn first_picture(&self) -> Option<&Hdu> {
        self.parsed
            .iter()
            .find(|hdu| axes(hdu).is_some_and(|axes| !axes.is_empty()))
    }

    /// The picture of an extension by its name.
    pub(crate) fn extension(&self, name: &str) -> Option<&Hdu> {
        let named = |hdu: &&Hdu| {
            let stated = Header { hdus: [*hdu, *hdu] }.text("EXTNAME");
            stated.as_deref() == Some(name) && axes(hdu).is_some()
        };
        self.parsed.iter().find(named)
    }

    /// The cards of a unit, and those of the primary.
    pub(crate) fn header<'h>(&'h self, hdu: &'h Hdu) -> Header<'h> {
        Header {
            hdus: [hdu, self.parsed.primary()],
        }
    }

    /// The values as stored.
    pub(crate) fn data(&self, hdu: &Hdu) -> Result<ImageData, DecodeFault> {
        if let HduInfo::CompressedImage {
            zbitpix, znaxes, ..
        } = &hdu.info
        {
            let n_values = znaxes
                .iter()
                .fold(1, |n: usize, &side| n.saturating_mul(side));
            let bits = zbitpix.unsigned_abs() as usize;
            check_packed(sample_bytes([n_values, 1, 1], bits), self.bytes)?;
        }
        contained(|| fitsio_pure::image::read_image_data(self.bytes, hdu))
            .map_err(damaged)?
            .map_err(|error| damaged(error.to_string()))
    }
}

fn damaged(what: String) -> DecodeFault {
    DecodeFault::Malformed(what)
}

/// Header cards: those of the picture, then those of the primary.
pub(crate) struct Header<'a> {
    hdus: [&'a Hdu; 2],
}

impl Header<'_> {
    fn value(&self, keyword: &str) -> Option<&Value> {
        let cards = self.hdus.iter().flat_map(|hdu| &hdu.cards);
        cards
            .filter(|card| card.keyword_str() == keyword)
            .find_map(|card| card.value.as_ref())
    }

    /// A number, quoted or not.
    pub(crate) fn number(&self, keyword: &str) -> Option<f64> {
        match self.value(keyword)? {
            Value::Integer(n) => Some(*n as f64),
            Value::Float(n) => Some(*n).filter(|n| n.is_finite()),
            // Some writers quote their numbers, with or without a unit.
            Value::String(text) => text.split_whitespace().next()?.parse().ok(),
            _ => None,
        }
    }

    /// The first of several keywords that holds a number.
    pub(crate) fn first_number(&self, keywords: &[&str]) -> Option<f64> {
        keywords.iter().find_map(|keyword| self.number(keyword))
    }

    /// Whether a color filter array is stated.
    pub(crate) fn has_filters(&self) -> bool {
        ["BAYERPAT", "COLORTYP"]
            .iter()
            .any(|keyword| self.text(keyword).is_some())
    }

    fn text(&self, keyword: &str) -> Option<String> {
        match self.value(keyword)? {
            Value::String(text) => Some(text.trim().to_owned()).filter(|text| !text.is_empty()),
            _ => None,
        }
    }
}

/// The sides of the picture in a unit, px; `None` for tables.
pub(crate) fn axes(hdu: &Hdu) -> Option<&[usize]> {
    match &hdu.info {
        HduInfo::Primary { naxes, .. } | HduInfo::Image { naxes, .. } => Some(naxes),
        HduInfo::CompressedImage { znaxes, .. } => Some(znaxes),
        _ => None,
    }
}

fn sensor(
    file: &RawFile,
    parsed: &FitsFile,
    hdu: &Hdu,
    header: &Header,
) -> Result<Sensor, DecodeFault> {
    let (width, height) = match axes(hdu).unwrap_or_default() {
        [width, height] | [width, height, 1] => (*width, *height),
        [_, _, 3] | [3, _, _] => {
            return Err(DecodeFault::Unsupported(
                "a FITS that is already demosaiced (three planes)".to_owned(),
            ));
        }
        other => {
            return Err(DecodeFault::Unsupported(format!(
                "a FITS picture of {} axes {other:?}, two needed",
                other.len()
            )));
        }
    };
    file.check_size(width.saturating_mul(height))?;
    let stored = parsed.data(hdu)?;
    let (scale, zero) = extract_bscale_bzero(&hdu.cards);
    let highest = match &stored {
        ImageData::U8(_) => f64::from(u8::MAX),
        _ => f64::from(u16::MAX),
    };
    let white_dn = header
        .first_number(&["SATURATE", "WHITELVL"])
        .unwrap_or(highest);
    // PEDESTAL is written with either sign; black levels are not negative.
    let black_dn = header.first_number(&["BLKLEVEL", "BLACKLVL", "PEDESTAL"]);
    Ok(Sensor {
        width,
        height,
        data: values(stored, scale, zero)?,
        active_area: Rect::of_size(width, height),
        cfa: filters(header, height)?,
        black_level_dn: SitePattern::uniform(black_dn.unwrap_or(0.0).abs() as f32),
        white_level_dn: SitePattern::uniform(white_dn as f32),
        known: CameraFacts {
            white_balance: balance(header),
            ..CameraFacts::default()
        },
    })
}

/// Physical values as 16-bit numbers.
fn values(stored: ImageData, scale: f64, zero: f64) -> Result<Vec<u16>, DecodeFault> {
    match stored {
        // The usual ways to write a sensor, without a detour through floats.
        ImageData::I16(stored) if scale == 1.0 && zero == 32768.0 => {
            Ok(stored.into_iter().map(|v| (v as u16) ^ 0x8000).collect())
        }
        ImageData::U8(v) => convert(v.into_iter().map(f64::from), scale, zero),
        ImageData::I16(v) => convert(v.into_iter().map(f64::from), scale, zero),
        ImageData::I32(v) => convert(v.into_iter().map(f64::from), scale, zero),
        ImageData::I64(v) => convert(v.into_iter().map(|v| v as f64), scale, zero),
        ImageData::F32(v) => convert(v.into_iter().map(f64::from), scale, zero),
        ImageData::F64(v) => convert(v.into_iter(), scale, zero),
    }
}

fn convert(
    stored: impl Iterator<Item = f64>,
    scale: f64,
    zero: f64,
) -> Result<Vec<u16>, DecodeFault> {
    let to_dn = |(i, stored): (usize, f64)| {
        let value = zero + scale * stored;
        let whole = value.round();
        let fits = (0.0..=f64::from(u16::MAX)).contains(&whole)
            && (value - whole).abs() <= WHOLE_NUMBER_TOLERANCE_DN;
        if fits {
            return Ok(whole as u16);
        }
        Err(DecodeFault::Unsupported(format!(
            "a FITS with the value {value} at pixel {i}; whole numbers from 0 to 65535 needed"
        )))
    };
    stored.enumerate().map(to_dn).collect()
}

fn filters(header: &Header, height: usize) -> Result<Cfa, DecodeFault> {
    let stated = ["BAYERPAT", "COLORTYP"]
        .iter()
        .find_map(|keyword| header.text(keyword))
        .filter(|text| !text.eq_ignore_ascii_case("mono"));
    let cfa = match (&stated, header.text("FILTER")) {
        (Some(letters), _) => Cfa::bayer(letters).ok_or_else(|| {
            DecodeFault::Unsupported(format!("the color filter array {letters:?}"))
        })?,
        (None, Some(filter)) => match Cfa::bayer(&filter) {
            Some(cfa) => cfa,
            None => return Ok(Cfa::mono()),
        },
        (None, None) => return Ok(Cfa::mono()),
    };
    let offset = |keyword| {
        header
            .number(keyword)
            .map_or(0, |n| (n as i64).rem_euclid(2) as usize)
    };
    let bottom_up = header
        .text("ROWORDER")
        .is_some_and(|order| order.eq_ignore_ascii_case("BOTTOM-UP"));
    let cfa = cfa.shifted(offset("YBAYROFF"), offset("XBAYROFF"));
    // Stored row r is displayed row height - 1 - r.
    Ok(if bottom_up && height.is_multiple_of(2) {
        cfa.shifted(1, 0)
    } else {
        cfa
    })
}

fn balance(header: &Header) -> Option<[f32; 3]> {
    let gains = [header.number("REDBAL")?, 1.0, header.number("BLUEBAL")?];
    white_balance(gains)
}

/// What the cards say of the taking.
pub(crate) fn metadata(header: &Header) -> Metadata {
    let positive = |keywords: &[&str]| header.first_number(keywords).filter(|n| *n > 0.0);
    let time_system = header.text("TIMESYS").unwrap_or_else(|| "UTC".to_owned());
    let utc = time_system.eq_ignore_ascii_case("UTC").then_some("Z");
    Metadata {
        camera: header.text("INSTRUME"),
        lens: header.text("LENS").or_else(|| header.text("TELESCOP")),
        exposure_s: header
            .first_number(&["EXPTIME", "EXPOSURE"])
            .filter(|s| *s >= 0.0),
        // GAIN is the setting's number, as ISO is on a camera.
        iso: header
            .first_number(&["ISO", "ISOSPEED", "GAIN"])
            .filter(|n| *n >= 0.0 && n.fract() == 0.0 && *n < f64::from(u32::MAX))
            .map(|n| n as u32),
        aperture: positive(&["FOCRATIO", "APERTURE"]),
        focal_length_mm: positive(&["FOCALLEN"]),
        pixel_pitch_um: positive(&["XPIXSZ", "PIXSIZE1"]),
        captured: header
            .text("DATE-OBS")
            .and_then(|stated| parse_time(&stated, None, utc)),
        temperature_c: header.first_number(&["CCD-TEMP", "CAMTEMP"]),
        orientation: None,
        pointing: pointing(header),
        declared_kind: ["IMAGETYP", "FRAME"]
            .iter()
            .find_map(|keyword| header.text(keyword))
            .and_then(|text| declared_kind(&text)),
    }
}

/// Where the telescope looked: the reference point of celestial axes (FITS 4.0, 2018, section
/// 8.3), else what programs that take pictures write (common practice, no source).
fn pointing(header: &Header) -> Option<SkyPoint> {
    let along = |axis: &str, name: &str| {
        let kind = header.text(&format!("CTYPE{axis}"))?;
        let value = || header.number(&format!("CRVAL{axis}"));
        kind.starts_with(name).then(value).flatten()
    };
    let by_axes = || SkyPoint::new(along("1", "RA--")?, along("2", "DEC-")?);
    let written = |ra: &str, dec: &str| {
        let ra_deg = angle(header, ra, DEG_PER_HOUR)?;
        SkyPoint::new(ra_deg, angle(header, dec, 1.0)?)
    };
    by_axes()
        .or_else(|| written("RA", "DEC"))
        .or_else(|| written("OBJCTRA", "OBJCTDEC"))
}

const DEG_PER_HOUR: f64 = 15.0;

/// An angle, degrees: a number of degrees, or a text of hours (or degrees), minutes, seconds.
fn angle(header: &Header, keyword: &str, unit_deg: f64) -> Option<f64> {
    let Some(text) = header.text(keyword) else {
        return header.number(keyword);
    };
    let parts = text.split([' ', ':']).filter(|part| !part.is_empty());
    let parts: Option<Vec<f64>> = parts.map(|part| part.parse().ok()).collect();
    let sign = if text.starts_with('-') { -1.0 } else { 1.0 };
    match parts?.as_slice() {
        [degrees] => Some(*degrees),
        [whole, minutes] => Some(sign * unit_deg * (whole.abs() + minutes / 60.0)),
        [whole, minutes, seconds] => {
            Some(sign * unit_deg * (whole.abs() + minutes / 60.0 + seconds / 3600.0))
        }
        _ => None,
    }
}

/// The kind that an `IMAGETYP` names, in any of its usual spellings.
fn declared_kind(text: &str) -> Option<FrameKind> {
    let text = text.to_lowercase();
    let says = |words: &[&str]| words.iter().any(|word| text.contains(word));
    // "Dark flat" is a dark: it has the exposure of a flat, and no light.
    if says(&["dark"]) {
        Some(FrameKind::Dark)
    } else if says(&["bias", "zero", "offset"]) {
        Some(FrameKind::Bias)
    } else if says(&["flat"]) {
        Some(FrameKind::Flat)
    } else if says(&["light", "object", "science"]) {
        Some(FrameKind::Light)
    } else {
        None
    }
}

/// Holds every data unit against the length of the file, from the headers alone.
///
/// The reader stops quietly at a broken later unit; a frame must not be lost like that.
fn check_data_units(bytes: &[u8]) -> Result<(), DecodeFault> {
    use fitsio_pure::header::{header_byte_len, parse_header_blocks};
    let truncated = |what: &str, needed: usize| DecodeFault::Truncated {
        what: what.to_owned(),
        needed: needed as u64,
        found: bytes.len() as u64,
    };
    let mut at = 0;
    // What follows the last unit is filling: blank, or shorter than a block.
    while let Some(rest) = bytes.get(at..).filter(|rest| is_header(rest)) {
        let length = contained(|| header_byte_len(rest))
            .map_err(damaged)?
            .map_err(|_| truncated("the header", bytes.len() + 1))?;
        let cards = rest
            .get(..length)
            .ok_or_else(|| truncated("the header", at + length))?;
        let cards = contained(|| parse_header_blocks(cards))
            .map_err(damaged)?
            .map_err(|error| damaged(error.to_string()))?;
        let number = |keyword: &str| {
            let card = cards.iter().find(|card| card.keyword_str() == keyword)?;
            match card.value.as_ref()? {
                Value::Integer(n) => usize::try_from(n.unsigned_abs()).ok(),
                _ => None,
            }
        };
        let n_data = data_bytes(number).ok_or_else(|| damaged("absurd axes".to_owned()))?;
        let end = (at + length).saturating_add(n_data);
        if end > bytes.len() {
            return Err(truncated("the data unit", end));
        }
        at = end.next_multiple_of(fitsio_pure::BLOCK_SIZE);
    }
    Ok(())
}

fn is_header(rest: &[u8]) -> bool {
    rest.starts_with(b"SIMPLE  ") || rest.starts_with(b"XTENSION")
}

/// `|BITPIX| / 8 * GCOUNT * (PCOUNT + NAXIS1 * ... * NAXISm)`: FITS Standard 4.0,
/// equation 2.
fn data_bytes(number: impl Fn(&str) -> Option<usize>) -> Option<usize> {
    let n_axes = number("NAXIS").unwrap_or(0);
    if n_axes == 0 {
        return Some(0);
    }
    let n_values = (1..=n_axes.min(999)).try_fold(1_usize, |product, axis| {
        product.checked_mul(number(&format!("NAXIS{axis}"))?)
    })?;
    let groups = number("GCOUNT").unwrap_or(1);
    n_values
        .checked_add(number("PCOUNT").unwrap_or(0))?
        .checked_mul(groups)?
        .checked_mul(number("BITPIX").unwrap_or(8) / 8)
}
