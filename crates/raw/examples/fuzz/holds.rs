//! How many samples a spoiled file can hold at most, by the packing that it states itself.
//!
//! What a file says is looked for in its bytes without a reader of ours, so that a reader
//! that is wrong about it is found: a wrong guess here allows more, never less.

use crate::seeds::Seed;

/// Samples of 8 bits, as they are.
const PLAIN: usize = 1;
/// A code of one bit at least for a sample: ITU-T T.81, 1992, annexes C and H.
const LOSSLESS_JPEG: usize = 8;
/// Two codes of one bit at least for 64 samples: ITU-T T.81, 1992, annex F.1.2.
const LOSSY_JPEG: usize = 256;
/// 258 bytes in 2 bits: RFC 1951, section 3.2.5.
const DEFLATE: usize = 1032;
/// 3836 bytes in as many codes as make 3 bytes: TIFF 6.0, 1992, section 13. Tables of FITS
/// hold lists of runs that are denser still, and are read up to this.
const DENSEST: usize = 1300;

/// Samples that each byte of a file stands for at most.
pub fn samples_per_byte(seed: &Seed, bytes: &[u8]) -> usize {
    let holds = |what: &[u8]| bytes.windows(what.len()).any(|window| window == what);
    match bytes {
        _ if seed.is_camera_raw => LOSSY_JPEG,
        [0x89, b'P', b'N', b'G', ..] => DEFLATE,
        [b'I', b'I', ..] => in_tiff(bytes, u16::from_le_bytes, u32::from_le_bytes),
        [b'M', b'M', ..] => in_tiff(bytes, u16::from_be_bytes, u32::from_be_bytes),
        _ if bytes.starts_with(b"SIMPLE") && holds(b"ZIMAGE") => DENSEST,
        _ => PLAIN,
    }
}

/// The densest of what any twelve bytes state that may be an entry of a directory.
fn in_tiff(bytes: &[u8], short: fn([u8; 2]) -> u16, long: fn([u8; 4]) -> u32) -> usize {
    const COMPRESSION: u16 = 259;
    const DNG_VERSION: u16 = 50706;
    const LAST_TYPE: u16 = 18;
    let entry = |entry: &[u8]| {
        let pair = |at: usize| short([entry[at], entry[at + 1]]);
        let quad = long([entry[8], entry[9], entry[10], entry[11]]);
        (pair(0), pair(2), [u32::from(pair(8)), quad])
    };
    let entries = || bytes.windows(12).map(entry);
    let is_dng = entries().any(|(tag, ..)| tag == DNG_VERSION);
    let stated = entries().filter(|(tag, kind, _)| *tag == COMPRESSION && *kind <= LAST_TYPE);
    let packed = |code: u32| match code {
        1 => PLAIN,
        7 if is_dng => LOSSLESS_JPEG,
        5 | 8 | 32_773 | 32_946 | 50_000 => DENSEST,
        _ => LOSSY_JPEG,
    };
    // A value of two bytes leaves the other two open.
    let densest = stated.map(
        |(.., [short, long])| match long == short || long >> 16 == short {
            true => packed(short),
            false => packed(short).max(packed(long)),
        },
    );
    densest.max().unwrap_or(PLAIN)
}
