//! A careful reading of TIFF directories: enough to check and understand a raw.
//!
//! Nothing here trusts the file: every offset is checked, every count is capped, and
//! directories that point at each other are visited once.

use crate::DecodeFault;
use std::collections::HashSet;

/// Directories looked at in one file; the most seen in real raws is below 20.
const MAX_DIRECTORIES: usize = 64;
/// Values read of one tag; a linearization table has up to 65536.
const MAX_VALUES: usize = 1 << 20;

/// Tag numbers, named as in TIFF 6.0, TIFF/EP and DNG 1.7.
pub(crate) mod tag {
    pub(crate) const NEW_SUBFILE_TYPE: u16 = 254;
    pub(crate) const IMAGE_WIDTH: u16 = 256;
    pub(crate) const IMAGE_LENGTH: u16 = 257;
    pub(crate) const BITS_PER_SAMPLE: u16 = 258;
    pub(crate) const COMPRESSION: u16 = 259;
    pub(crate) const PHOTOMETRIC: u16 = 262;
    pub(crate) const FILL_ORDER: u16 = 266;
    pub(crate) const MAKE: u16 = 271;
    pub(crate) const MODEL: u16 = 272;
    pub(crate) const STRIP_OFFSETS: u16 = 273;
    pub(crate) const ORIENTATION: u16 = 274;
    pub(crate) const SAMPLES_PER_PIXEL: u16 = 277;
    pub(crate) const ROWS_PER_STRIP: u16 = 278;
    pub(crate) const STRIP_BYTE_COUNTS: u16 = 279;
    pub(crate) const PLANAR_CONFIGURATION: u16 = 284;
    pub(crate) const TILE_WIDTH: u16 = 322;
    pub(crate) const TILE_LENGTH: u16 = 323;
    pub(crate) const TILE_OFFSETS: u16 = 324;
    pub(crate) const TILE_BYTE_COUNTS: u16 = 325;
    pub(crate) const SUB_IFDS: u16 = 330;
    pub(crate) const SAMPLE_FORMAT: u16 = 339;
    pub(crate) const CFA_REPEAT_PATTERN_DIM: u16 = 33421;
    pub(crate) const CFA_PATTERN: u16 = 33422;
    pub(crate) const EXIF_IFD: u16 = 34665;
    pub(crate) const GPS_IFD: u16 = 34853;
    pub(crate) const INTEROP_IFD: u16 = 40965;
    pub(crate) const FOCAL_PLANE_X_RESOLUTION: u16 = 41486;
    pub(crate) const FOCAL_PLANE_RESOLUTION_UNIT: u16 = 41488;
    pub(crate) const SOURCE_IMAGES_OF_COMPOSITE: u16 = 42081;
    pub(crate) const DNG_VERSION: u16 = 50706;
    pub(crate) const UNIQUE_CAMERA_MODEL: u16 = 50708;
    pub(crate) const CFA_PLANE_COLOR: u16 = 50710;
    pub(crate) const CFA_LAYOUT: u16 = 50711;
    pub(crate) const LINEARIZATION_TABLE: u16 = 50712;
    pub(crate) const BLACK_LEVEL_REPEAT_DIM: u16 = 50713;
    pub(crate) const BLACK_LEVEL: u16 = 50714;
    pub(crate) const BLACK_LEVEL_DELTA_H: u16 = 50715;
    pub(crate) const BLACK_LEVEL_DELTA_V: u16 = 50716;
    pub(crate) const WHITE_LEVEL: u16 = 50717;
    pub(crate) const COLOR_MATRIX_1: u16 = 50721;
    pub(crate) const COLOR_MATRIX_2: u16 = 50722;
    pub(crate) const AS_SHOT_NEUTRAL: u16 = 50728;
    pub(crate) const ACTIVE_AREA: u16 = 50829;
}

/// The bytes of a TIFF-like file and its byte order.
#[derive(Clone, Copy)]
pub(crate) struct Tiff<'a> {
    bytes: &'a [u8],
    big_endian: bool,
}

/// One image file directory.
pub(crate) struct Directory<'a> {
    tiff: Tiff<'a>,
    entries: Vec<Entry>,
}

struct Entry {
    tag: u16,
    field_type: u16,
    count: usize,
    value_offset: usize,
}

impl Entry {
    fn n_bytes(&self) -> usize {
        size_of_type(self.field_type).saturating_mul(self.count)
    }

    fn end(&self) -> usize {
        self.value_offset.saturating_add(self.n_bytes())
    }
}

impl<'a> Tiff<'a> {
    /// `None` when `bytes` do not begin with a byte-order mark.
    pub(crate) fn new(bytes: &'a [u8]) -> Option<Self> {
        let big_endian = match bytes.get(..2)? {
            b"II" => false,
            b"MM" => true,
            _ => return None,
        };
        Some(Self { bytes, big_endian })
    }

    /// Whether 16-bit values have their high byte first.
    pub(crate) fn is_big_endian(&self) -> bool {
        self.big_endian
    }

    /// All directories of pictures, the first one first, sub-directories after their parent.
    pub(crate) fn directories(&self) -> Vec<Directory<'a>> {
        self.linked_by(&[tag::SUB_IFDS])
    }

    /// The directories that follow each other, or stand in one of these tags of another.
    fn linked_by(&self, links: &[u16]) -> Vec<Directory<'a>> {
        let mut directories = Vec::new();
        let mut seen = HashSet::new();
        let mut pending: Vec<usize> = self.u32_at(4).into_iter().collect();
        while let Some(offset) = pending.pop() {
            if offset == 0 || directories.len() >= MAX_DIRECTORIES || !seen.insert(offset) {
                continue;
            }
            let Some((directory, next)) = self.directory(offset) else {
                continue;
            };
            pending.extend(next);
            for &link in links {
                let children = directory.integers(link).unwrap_or_default();
                pending.extend(children.iter().rev().take(MAX_DIRECTORIES));
            }
            directories.push(directory);
        }
        directories
    }

    /// Whether each byte stands for about one value of one entry, as in every sound file.
    ///
    /// Entries may point at the same bytes, and readers copy the values of each: a hostile
    /// megabyte stands for gigabytes.
    pub(crate) fn is_plain(&self) -> bool {
        const ROOM_BYTES: usize = 1 << 16;
        let links = [tag::SUB_IFDS, tag::EXIF_IFD, tag::GPS_IFD, tag::INTEROP_IFD];
        let directories = self.linked_by(&links);
        let of = |directory: &Directory| -> usize {
            let entries = directory.entries.iter();
            let inside = entries.filter(|entry| entry.end() <= self.bytes.len());
            inside.map(|entry| 12 + entry.n_bytes()).sum()
        };
        let stated: usize = directories.iter().map(of).sum();
        directories.len() < MAX_DIRECTORIES && stated <= 2 * self.bytes.len() + ROOM_BYTES
    }

    /// The directory at an offset that a tag points to.
    pub(crate) fn directory_at(&self, offset: usize) -> Option<Directory<'a>> {
        self.directory(offset).map(|(directory, _)| directory)
    }

    fn directory(&self, offset: usize) -> Option<(Directory<'a>, Option<usize>)> {
        let n_entries = usize::from(self.u16_at(offset)?);
        let entries = (0..n_entries)
            .map_while(|i| self.entry(offset.checked_add(2 + 12 * i)?))
            .collect();
        let next = offset
            .checked_add(2 + 12 * n_entries)
            .and_then(|at| self.u32_at(at));
        let directory = Directory {
            tiff: *self,
            entries,
        };
        Some((directory, next))
    }

    fn entry(&self, at: usize) -> Option<Entry> {
        let field_type = self.u16_at(at + 2)?;
        let count = self.u32_at(at + 4)?;
        let in_place = size_of_type(field_type).saturating_mul(count) <= 4;
        Some(Entry {
            tag: self.u16_at(at)?,
            field_type,
            count,
            value_offset: if in_place {
                at + 8
            } else {
                self.u32_at(at + 8)?
            },
        })
    }

    fn u16_at(&self, at: usize) -> Option<u16> {
        let bytes: [u8; 2] = self.bytes.get(at..at.checked_add(2)?)?.try_into().ok()?;
        Some(if self.big_endian {
            u16::from_be_bytes(bytes)
        } else {
            u16::from_le_bytes(bytes)
        })
    }

    fn u32_at(&self, at: usize) -> Option<usize> {
        let bytes: [u8; 4] = self.bytes.get(at..at.checked_add(4)?)?.try_into().ok()?;
        let value = if self.big_endian {
            u32::from_be_bytes(bytes)
        } else {
            u32::from_le_bytes(bytes)
        };
        usize::try_from(value).ok()
    }

    fn u64_at(&self, at: usize) -> Option<u64> {
        let bytes: [u8; 8] = self.bytes.get(at..at.checked_add(8)?)?.try_into().ok()?;
        Some(if self.big_endian {
            u64::from_be_bytes(bytes)
        } else {
            u64::from_le_bytes(bytes)
        })
    }

    fn number_at(&self, field_type: u16, at: usize) -> Option<f64> {
        let signed = |at| Some(self.u32_at(at)? as u32 as i32);
        Some(match field_type {
            1 | 7 => f64::from(*self.bytes.get(at)?),
            3 => f64::from(self.u16_at(at)?),
            4 | 13 => self.u32_at(at)? as f64,
            5 => self.u32_at(at)? as f64 / self.u32_at(at + 4)? as f64,
            6 => f64::from(*self.bytes.get(at)? as i8),
            8 => f64::from(self.u16_at(at)? as i16),
            9 => f64::from(signed(at)?),
            10 => f64::from(signed(at)?) / f64::from(signed(at + 4)?),
            11 => f64::from(f32::from_bits(self.u32_at(at)? as u32)),
            12 => f64::from_bits(self.u64_at(at)?),
            _ => return None,
        })
    }
}

impl Directory<'_> {
    /// Whether the tag is there at all.
    pub(crate) fn has(&self, tag: u16) -> bool {
        self.find(tag).is_some()
    }

    /// All values of a numeric tag; `None` when absent, cut off, or not numbers.
    pub(crate) fn numbers(&self, tag: u16) -> Option<Vec<f64>> {
        let entry = self.find(tag)?;
        if entry.count > MAX_VALUES {
            return None;
        }
        let size = size_of_type(entry.field_type);
        (0..entry.count)
            .map(|i| {
                let at = entry.value_offset.checked_add(i.checked_mul(size)?)?;
                self.tiff.number_at(entry.field_type, at)
            })
            .collect()
    }

    /// All values of a tag of whole, non-negative numbers.
    pub(crate) fn integers(&self, tag: u16) -> Option<Vec<usize>> {
        self.numbers(tag)?
            .into_iter()
            .map(|n| {
                (n >= 0.0 && n.fract() == 0.0 && n <= f64::from(u32::MAX)).then_some(n as usize)
            })
            .collect()
    }

    /// The first value of a tag of whole, non-negative numbers.
    pub(crate) fn integer(&self, tag: u16) -> Option<usize> {
        self.integers(tag)?.first().copied()
    }

    /// A text without its padding; `None` when absent or blank.
    pub(crate) fn text(&self, tag: u16) -> Option<String> {
        let entry = self.find(tag).filter(|entry| entry.field_type == 2)?;
        let end = entry.value_offset.checked_add(entry.count.min(256))?;
        let bytes = self.tiff.bytes.get(entry.value_offset..end)?;
        let text = String::from_utf8_lossy(bytes);
        let text = text.split('\0').next()?.trim();
        (!text.is_empty()).then(|| text.to_owned())
    }

    /// Whether every entry states no more values than the file has room for.
    pub(crate) fn counts_fit(&self) -> bool {
        let most = self.tiff.bytes.len();
        self.entries.iter().all(|entry| entry.n_bytes() <= most)
    }

    /// Pixels of the picture described, 0 when the directory describes none.
    pub(crate) fn n_pixels(&self) -> usize {
        let side = |tag| self.integer(tag).unwrap_or(0);
        side(tag::IMAGE_WIDTH).saturating_mul(side(tag::IMAGE_LENGTH))
    }

    /// Whether the picture is the full one and not a preview.
    pub(crate) fn is_full_picture(&self) -> bool {
        self.integer(tag::NEW_SUBFILE_TYPE).unwrap_or(0) & 1 == 0 && self.n_pixels() > 0
    }

    /// Offsets and lengths of the strips or tiles, bytes; empty when not stated.
    pub(crate) fn data_ranges(&self) -> Vec<(usize, usize)> {
        let pairs = [
            (tag::STRIP_OFFSETS, tag::STRIP_BYTE_COUNTS),
            (tag::TILE_OFFSETS, tag::TILE_BYTE_COUNTS),
        ];
        let ranges = pairs
            .into_iter()
            .find_map(|(offsets, counts)| Some((self.integers(offsets)?, self.integers(counts)?)));
        let (offsets, counts) = ranges.unwrap_or_default();
        offsets.into_iter().zip(counts).collect()
    }

    fn find(&self, tag: u16) -> Option<&Entry> {
        self.entries.iter().find(|entry| entry.tag == tag)
    }
}

/// Bytes of one value; TIFF 6.0, section 2. Unknown types count as bytes.
fn size_of_type(field_type: u16) -> usize {
    match field_type {
        3 | 8 => 2,
        4 | 9 | 11 | 13 => 4,
        5 | 10 | 12 => 8,
        _ => 1,
    }
}

/// Refuses a TIFF that is a picture: full color at full size, and no sensor data.
pub(crate) fn refuse_picture(bytes: &[u8]) -> Result<(), DecodeFault> {
    const RAW_PHOTOMETRICS: [usize; 2] = [32803, 34892];
    let directories = Tiff::new(bytes).map(|tiff| tiff.directories());
    let directories = directories.unwrap_or_default();
    let Some(first) = directories.first() else {
        return Ok(());
    };
    let is_raw = |d: &Directory| {
        let photometric = d.integer(tag::PHOTOMETRIC);
        d.has(tag::DNG_VERSION)
            || d.has(tag::CFA_PATTERN)
            || photometric.is_some_and(|p| RAW_PHOTOMETRICS.contains(&p))
    };
    let in_color = first.integer(tag::SAMPLES_PER_PIXEL).unwrap_or(1) >= 3;
    let unsigned_by_maker = !first.has(tag::MAKE) && !first.has(tag::SUB_IFDS);
    let alone = directories.len() == 1 && first.is_full_picture() && in_color;
    if !directories.iter().any(is_raw) && (alone || unsigned_by_maker) {
        return Err(DecodeFault::NotARaw {
            found: "a TIFF picture",
        });
    }
    Ok(())
}
