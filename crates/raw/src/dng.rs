//! DNG: levels and filters as its standard states them, and uncompressed sensor data.
//!
//! The decoders read fewer of these tags than cameras and converters write (levels that
//! differ by site, an odd active area, either byte order), so what the container says is
//! read here; they are left the compressed data. Source: Adobe DNG Specification 1.7.1
//! (from memory), chapter 4.

use crate::mosaic::{Cfa, Channel, SitePattern};
use crate::packing::{check_lossless_jpeg, check_plain, sample_bytes};
use crate::sensor::{CameraFacts, Sensor};
use crate::tiff_tags::{Directory, Tiff, tag};
use crate::{DecodeFault, Rect};

const PHOTOMETRIC_BLACK_IS_ZERO: usize = 1;
const PHOTOMETRIC_CFA: usize = 32803;
pub(crate) const PHOTOMETRIC_LINEAR_RAW: usize = 34892;
const UNCOMPRESSED: usize = 1;
const LOSSLESS_JPEG: usize = 7;
/// The fewest bits of a sample that is not compressed: DNG 1.7.1, chapter 4, "BitsPerSample".
const FEWEST_BITS: usize = 8;
const SAMPLE_FORMAT_FLOAT: usize = 3;

/// What a DNG states about its raw picture.
pub(crate) struct Dng<'a> {
    bytes: &'a [u8],
    big_endian: bool,
    raw: Directory<'a>,
    width: usize,
    height: usize,
    bits: usize,
    active_area: Rect,
    cfa: Cfa,
    facts: CameraFacts,
}

impl<'a> Dng<'a> {
    /// `None` when the file is no DNG.
    pub(crate) fn read(bytes: &'a [u8]) -> Option<Result<Self, DecodeFault>> {
        let tiff = Tiff::new(bytes)?;
        let directories = tiff.directories();
        // A mosaic that no maker signed is no camera's own format; it states its levels as
        // DNG does, or not at all.
        let unsigned_mosaic = || {
            let mosaic = |d: &Directory| d.integer(tag::PHOTOMETRIC) == Some(PHOTOMETRIC_CFA);
            !directories.iter().any(|d| d.has(tag::MAKE)) && directories.iter().any(mosaic)
        };
        if !directories.first()?.has(tag::DNG_VERSION) && !unsigned_mosaic() {
            return None;
        }
        Some(Self::from_directories(bytes, tiff, directories))
    }

    fn from_directories(
        bytes: &'a [u8],
        tiff: Tiff<'a>,
        directories: Vec<Directory<'a>>,
    ) -> Result<Self, DecodeFault> {
        let facts = camera_facts(&directories);
        let raw = directories
            .into_iter()
            .filter(|d| d.is_full_picture() && is_raw_picture(d))
            .max_by_key(Directory::n_pixels)
            .ok_or_else(|| DecodeFault::Unsupported("a DNG without a raw picture".to_owned()))?;
        let samples = raw.integer(tag::SAMPLES_PER_PIXEL).unwrap_or(1);
        if samples != 1 {
            return Err(DecodeFault::Unsupported(format!(
                "a DNG that is already demosaiced ({samples} values a pixel)"
            )));
        }
        if raw.integer(tag::SAMPLE_FORMAT) == Some(SAMPLE_FORMAT_FLOAT) {
            return Err(DecodeFault::Unsupported(
                "a DNG of floating-point values".to_owned(),
            ));
        }
        let width = need(&raw, tag::IMAGE_WIDTH, "ImageWidth")?;
        let height = need(&raw, tag::IMAGE_LENGTH, "ImageLength")?;
        Ok(Self {
            bytes,
            big_endian: tiff.is_big_endian(),
            active_area: active_area(&raw, width, height)?,
            cfa: filters(&raw)?,
            bits: raw.integer(tag::BITS_PER_SAMPLE).unwrap_or(1),
            width,
            height,
            raw,
            facts,
        })
    }

    /// Width and height of the whole sensor, px.
    pub(crate) fn size(&self) -> (usize, usize) {
        (self.width, self.height)
    }

    /// Pixels of the whole sensor.
    pub(crate) fn n_pixels(&self) -> usize {
        self.width.saturating_mul(self.height)
    }

    /// Refuses a sensor that is larger than the file can hold, whoever decodes it.
    pub(crate) fn check_room(&self) -> Result<(), DecodeFault> {
        let size = [self.width, self.height, 1];
        match self.raw.integer(tag::COMPRESSION) {
            Some(UNCOMPRESSED) => {
                check_plain(sample_bytes(size, self.bits.max(FEWEST_BITS)), self.bytes)
            }
            Some(LOSSLESS_JPEG) => check_lossless_jpeg(self.n_pixels() as u64, self.bytes),
            _ => Ok(()),
        }
    }

    /// Whether [`samples`](Self::samples) can read the data.
    pub(crate) fn is_uncompressed(&self) -> bool {
        self.raw.integer(tag::COMPRESSION) == Some(UNCOMPRESSED)
            && matches!(self.bits, 8 | 10 | 12 | 14 | 16)
            && self.raw.integer(tag::FILL_ORDER).unwrap_or(1) == 1
    }

    /// The values of an uncompressed DNG as stored, row by row.
    pub(crate) fn samples(&self) -> Result<Vec<u16>, DecodeFault> {
        let chunk = Chunks::of(self);
        let ranges = self.raw.data_ranges();
        let needed = chunk.n_across(self.width) * self.height.div_ceil(chunk.rows);
        if ranges.len() < needed {
            return Err(DecodeFault::Malformed(format!(
                "{needed} strips or tiles needed, {} found",
                ranges.len()
            )));
        }
        self.check_room()?;
        let mut data = vec![0; self.n_pixels()];
        for (i, (offset, length)) in ranges.into_iter().take(needed).enumerate() {
            self.read_chunk(&chunk, i, offset, length, &mut data)?;
        }
        Ok(data)
    }

    fn read_chunk(
        &self,
        chunk: &Chunks,
        i: usize,
        offset: usize,
        length: usize,
        data: &mut [u16],
    ) -> Result<(), DecodeFault> {
        let (row0, col0) = (
            i / chunk.n_across(self.width) * chunk.rows,
            i % chunk.n_across(self.width) * chunk.width,
        );
        let n_rows = chunk.rows.min(self.height - row0);
        let n_cols = chunk.width.min(self.width - col0);
        // Every row begins on a byte of its own: TIFF 6.0, section 3, "Compression".
        let row_bytes = (chunk.width * self.bits).div_ceil(8);
        let source = self.bytes.get(offset..offset.saturating_add(length));
        let source = source.filter(|source| source.len() >= n_rows * row_bytes);
        let source = source.ok_or_else(|| DecodeFault::Truncated {
            what: format!("strip or tile {i}"),
            needed: (offset + n_rows * row_bytes) as u64,
            found: self.bytes.len().min(offset.saturating_add(length)) as u64,
        })?;
        for (row, bytes) in source.chunks_exact(row_bytes).take(n_rows).enumerate() {
            let start = (row0 + row) * self.width + col0;
            unpack(
                bytes,
                self.bits,
                self.big_endian,
                &mut data[start..start + n_cols],
            );
        }
        Ok(())
    }

    /// The sensor, with `samples` from whoever read them.
    ///
    /// `linear` tells whether the linearization table is already applied.
    pub(crate) fn sensor(&self, mut samples: Vec<u16>, linear: Linear) -> Sensor {
        let table = self.raw.integers(tag::LINEARIZATION_TABLE);
        if let (Linear::NotYet, Some(table)) = (linear, table.filter(|table| !table.is_empty())) {
            for value in &mut samples {
                // DNG: values beyond the table take its last entry.
                let entry = table[usize::from(*value).min(table.len() - 1)];
                *value = entry.min(usize::from(u16::MAX)) as u16;
            }
        }
        Sensor {
            width: self.width,
            height: self.height,
            data: samples,
            active_area: self.active_area,
            cfa: self.cfa.clone(),
            black_level_dn: self.black_level_dn(),
            white_level_dn: SitePattern::uniform(self.white_level_dn()),
            known: self.facts.clone(),
        }
    }

    /// BlackLevel by site, plus the averages of its row and column corrections.
    fn black_level_dn(&self) -> SitePattern<f32> {
        let average = |tag| {
            let values = self.raw.numbers(tag).filter(|values| !values.is_empty());
            values.map_or(0.0, |values| {
                values.iter().sum::<f64>() / values.len() as f64
            })
        };
        let delta = average(tag::BLACK_LEVEL_DELTA_H) + average(tag::BLACK_LEVEL_DELTA_V);
        let levels = self.raw.numbers(tag::BLACK_LEVEL).unwrap_or_default();
        let dims = self.raw.integers(tag::BLACK_LEVEL_REPEAT_DIM);
        let dims = dims.as_deref().unwrap_or(&[1, 1]);
        let values = || levels.iter().map(|level| (level + delta) as f32).collect();
        match *dims {
            [rows, cols] if rows.checked_mul(cols) == Some(levels.len()) => {
                SitePattern::new(cols, values())
            }
            // Some bodies write the four levels of a Bayer array without their shape.
            _ if levels.len() == 4 => SitePattern::new(2, values()),
            _ => None,
        }
        .unwrap_or_else(|| {
            SitePattern::uniform((levels.first().copied().unwrap_or(0.0) + delta) as f32)
        })
    }

    fn white_level_dn(&self) -> f32 {
        let linearized = self.raw.integers(tag::LINEARIZATION_TABLE);
        let default = match linearized.and_then(|table| table.into_iter().max()) {
            Some(highest) => highest as f64,
            None => ((1_u64 << self.bits.min(16)) - 1) as f64,
        };
        let stated = self.raw.numbers(tag::WHITE_LEVEL);
        stated
            .and_then(|levels| levels.first().copied())
            .unwrap_or(default) as f32
    }
}

/// Whether a linearization table has been applied to samples.
#[derive(Clone, Copy, PartialEq, Eq)]
pub(crate) enum Linear {
    /// The samples are as stored.
    NotYet,
    /// The decoder has applied the table.
    Already,
}

/// Shape of the strips or tiles.
struct Chunks {
    width: usize,
    rows: usize,
}

impl Chunks {
    fn of(dng: &Dng) -> Self {
        let tile = (
            dng.raw.integer(tag::TILE_WIDTH),
            dng.raw.integer(tag::TILE_LENGTH),
        );
        let (width, rows) = match tile {
            (Some(width), Some(rows)) if dng.raw.has(tag::TILE_OFFSETS) => (width, rows),
            _ => (
                dng.width,
                dng.raw.integer(tag::ROWS_PER_STRIP).unwrap_or(dng.height),
            ),
        };
        // A tile may reach beyond the picture, but not by more than itself.
        Self {
            width: width.clamp(1, 1 << 16),
            rows: rows.clamp(1, dng.height.max(1)),
        }
    }

    fn n_across(&self, width: usize) -> usize {
        width.div_ceil(self.width)
    }
}

/// Unpacks values of `bits` bits each, the highest bit first; 16-bit ones in file order.
fn unpack(bytes: &[u8], bits: usize, big_endian: bool, row: &mut [u16]) {
    match bits {
        8 => row
            .iter_mut()
            .zip(bytes)
            .for_each(|(v, &b)| *v = u16::from(b)),
        16 => {
            let order = if big_endian {
                u16::from_be_bytes
            } else {
                u16::from_le_bytes
            };
            let (pairs, _) = bytes.as_chunks::<2>();
            row.iter_mut().zip(pairs).for_each(|(v, &b)| *v = order(b));
        }
        _ => {
            let (mut held, mut n_held) = (0_u32, 0);
            let mut bytes = bytes.iter();
            for value in row {
                while n_held < bits {
                    held = held << 8 | u32::from(*bytes.next().unwrap_or(&0));
                    n_held += 8;
                }
                n_held -= bits;
                *value = (held >> n_held & ((1 << bits) - 1)) as u16;
            }
        }
    }
}

fn is_raw_picture(directory: &Directory) -> bool {
    match directory.integer(tag::PHOTOMETRIC) {
        Some(PHOTOMETRIC_CFA | PHOTOMETRIC_LINEAR_RAW) => true,
        // Monochrome bodies; a preview would be marked as reduced.
        Some(PHOTOMETRIC_BLACK_IS_ZERO) => directory.integer(tag::BITS_PER_SAMPLE) > Some(8),
        _ => false,
    }
}

fn need(directory: &Directory, tag: u16, name: &str) -> Result<usize, DecodeFault> {
    directory
        .integer(tag)
        .ok_or_else(|| DecodeFault::Malformed(format!("{name} is missing")))
}

fn active_area(raw: &Directory, width: usize, height: usize) -> Result<Rect, DecodeFault> {
    match raw.integers(tag::ACTIVE_AREA).as_deref() {
        None => Ok(Rect::of_size(width, height)),
        Some(&[y0, x0, y1, x1]) if x0 < x1 && y0 < y1 => Ok(Rect { x0, y0, x1, y1 }),
        Some(other) => Err(DecodeFault::Malformed(format!(
            "ActiveArea is {other:?}, needed are top < bottom and left < right"
        ))),
    }
}

fn filters(raw: &Directory) -> Result<Cfa, DecodeFault> {
    if raw.integer(tag::PHOTOMETRIC) != Some(PHOTOMETRIC_CFA) {
        return Ok(Cfa::mono());
    }
    let unsupported = |what: String| Err(DecodeFault::Unsupported(what));
    if let Some(layout) = raw.integer(tag::CFA_LAYOUT).filter(|&layout| layout != 1) {
        return unsupported(format!(
            "filters that are not in rows and columns (layout {layout})"
        ));
    }
    let pattern = raw.integers(tag::CFA_PATTERN).unwrap_or_default();
    let dims = raw.integers(tag::CFA_REPEAT_PATTERN_DIM);
    let (rows, cols) = match dims.as_deref() {
        Some(&[rows, cols]) => (rows, cols),
        _ => (2, 2),
    };
    let planes = raw.integers(tag::CFA_PLANE_COLOR);
    if planes.is_some_and(|planes| planes != [0, 1, 2]) {
        return unsupported("filters other than red, green and blue".to_owned());
    }
    let colors: Option<Vec<_>> = pattern
        .iter()
        .map(|color| match color {
            0 => Some(Channel::R),
            1 => Some(Channel::G),
            2 => Some(Channel::B),
            _ => None,
        })
        .collect();
    let Some(colors) = colors else {
        return unsupported("filters other than red, green and blue".to_owned());
    };
    match rows.checked_mul(cols) {
        Some(n_sites) if n_sites == colors.len() => SitePattern::new(cols, colors),
        _ => None,
    }
    .ok_or_else(|| {
        DecodeFault::Malformed(format!(
            "CFAPattern has {} entries, {rows} x {cols} needed",
            pattern.len()
        ))
    })
}

/// What the directories say of the camera.
pub(crate) fn camera_facts(directories: &[Directory]) -> CameraFacts {
    let text = |tag| directories.iter().find_map(|d| d.text(tag));
    let numbers = |tag| directories.iter().find_map(|d| d.numbers(tag));
    let matrix = numbers(tag::COLOR_MATRIX_2).or_else(|| numbers(tag::COLOR_MATRIX_1));
    CameraFacts {
        camera: crate::metadata::camera_name(text(tag::MAKE), text(tag::MODEL))
            .or_else(|| text(tag::UNIQUE_CAMERA_MODEL)),
        orientation: directories
            .first()
            .and_then(|d| d.integer(tag::ORIENTATION))
            .and_then(|o| u8::try_from(o).ok()),
        white_balance: numbers(tag::AS_SHOT_NEUTRAL).and_then(|neutral| match neutral[..] {
            [r, g, b] => crate::metadata::white_balance([1.0 / r, 1.0 / g, 1.0 / b]),
            _ => None,
        }),
        color_matrix: matrix.and_then(|m| crate::metadata::color_matrix(&m)),
    }
}
