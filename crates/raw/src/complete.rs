//! Whether a file is all there, before any decoder sees it.
//!
//! Decoders fill what a broken copy lacks with zeros, which would enter the stack as
//! measured darkness. So what the container says about the place of its sensor data is
//! held against the length of the file.

use crate::DecodeFault;
use crate::content::Content;
use crate::tiff_tags::{Directory, Tiff};

/// The fault, when the sensor data would end beyond the end of the file.
pub(crate) fn check(content: Content, bytes: &[u8]) -> Result<(), DecodeFault> {
    match content {
        Content::Tiff => check_tiff(bytes),
        Content::Boxes => check_boxes(bytes),
        Content::Raf => check_raf(bytes),
        // FITS data are measured where they are read; the rest states no lengths.
        Content::Fits | Content::OtherRaw | Content::Other(_) => Ok(()),
    }
}

fn check_tiff(bytes: &[u8]) -> Result<(), DecodeFault> {
    let directories = Tiff::new(bytes).map(|tiff| tiff.directories());
    let directories = directories.unwrap_or_default();
    if directories.is_empty() {
        return Err(DecodeFault::Truncated {
            what: "the first directory".to_owned(),
            needed: 10.max(bytes.len() as u64 + 1),
            found: bytes.len() as u64,
        });
    }
    let largest = directories.iter().map(Directory::n_pixels).max();
    let largest = largest.unwrap_or(0);
    // A preview that is cut off harms nobody.
    let full_size =
        |directory: &&Directory| directory.is_full_picture() && directory.n_pixels() >= largest / 4;
    for directory in directories.iter().filter(full_size) {
        for (offset, length) in directory.data_ranges() {
            // Some makers leave the standard offset open and state it elsewhere.
            if offset != 0 && offset != u32::MAX as usize {
                require(bytes, "the sensor data", offset as u64, length as u64)?;
            }
        }
    }
    Ok(())
}

/// Boxes of ISO 14496-12, section 4.2: length, name, content; length 1 means that 64
/// bits follow, 0 that the box reaches to the end.
fn check_boxes(bytes: &[u8]) -> Result<(), DecodeFault> {
    let mut at = 0_u64;
    while let Some(head) = bytes.get(at as usize..).filter(|rest| rest.len() >= 8) {
        let short = u32::from_be_bytes([head[0], head[1], head[2], head[3]]);
        let length = match short {
            0 => return Ok(()),
            1 => match head.get(8..16).and_then(|b| b.try_into().ok()) {
                Some(long) => u64::from_be_bytes(long),
                None => break,
            },
            _ => u64::from(short),
        };
        if length < 8 {
            return Err(DecodeFault::Malformed(format!(
                "a box at byte {at} states a length of {length} bytes, at least 8 needed"
            )));
        }
        let name = String::from_utf8_lossy(&head[4..8]).into_owned();
        require(bytes, &format!("box {name:?}"), at, length)?;
        at += length;
    }
    if at == bytes.len() as u64 {
        return Ok(());
    }
    require(bytes, "the next box", at, 16)
}

/// RAF states offset and length of the sensor data at bytes 100 and 104.
fn check_raf(bytes: &[u8]) -> Result<(), DecodeFault> {
    let word = |at: usize| -> Option<u64> {
        let word = bytes.get(at..at + 4)?.try_into().ok()?;
        Some(u64::from(u32::from_be_bytes(word)))
    };
    match (word(100), word(104)) {
        (Some(offset), Some(length)) => require(bytes, "the sensor data", offset, length),
        _ => require(bytes, "the header", 0, 108),
    }
}

fn require(bytes: &[u8], what: &str, offset: u64, length: u64) -> Result<(), DecodeFault> {
    let needed = offset.saturating_add(length);
    let found = bytes.len() as u64;
    if needed <= found {
        return Ok(());
    }
    Err(DecodeFault::Truncated {
        what: what.to_owned(),
        needed,
        found,
    })
}
