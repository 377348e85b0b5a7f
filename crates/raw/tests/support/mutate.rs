//! Ways to spoil a file, as broken disks, bad cables and bad people do.

use rand::Rng;
use rand::seq::IndexedRandom;
use rand_chacha::ChaCha8Rng;

/// Ways applied to one file, at most; half of the files suffer one alone.
const MAX_WAYS: usize = 4;
/// Bytes changed one by one, at most.
const MAX_BYTES: usize = 24;
/// Where most of the structure of a file is, bytes from either end.
const NEAR: usize = 1024;

/// Spoils `bytes` in one to [`MAX_WAYS`] ways; `other` is a file to take parts from.
pub fn mutate(bytes: &mut Vec<u8>, other: &[u8], rng: &mut ChaCha8Rng) {
    const IN_PLACE: &[fn(&mut [u8], &mut ChaCha8Rng)] = &[
        change_bytes,
        change_bytes,
        change_number,
        change_number,
        change_tiff_entry,
        change_tiff_entry,
        change_fits_number,
        copy_block,
        wipe_block,
    ];
    let n_ways = match rng.random() {
        true => 1,
        false => rng.random_range(2..=MAX_WAYS),
    };
    for _ in 0..n_ways {
        match rng.random_range(0..12) {
            0 => cut(bytes, rng),
            1 => append(bytes, rng),
            2 => splice(bytes, other, rng),
            n => IN_PLACE[n - 3](bytes, rng),
        }
    }
}

/// A place of `size` bytes: mostly near the front or the end.
fn place(bytes: &[u8], size: usize, rng: &mut ChaCha8Rng) -> Option<usize> {
    let last = bytes.len().checked_sub(size)?;
    let reach = match rng.random_range(0..4) {
        0 => last,
        1 => last.min(64),
        _ => last.min(NEAR),
    };
    let at = rng.random_range(0..=reach);
    Some(if rng.random_range(0..4) == 0 {
        last - at
    } else {
        at
    })
}

fn change_bytes(bytes: &mut [u8], rng: &mut ChaCha8Rng) {
    for _ in 0..rng.random_range(1..=MAX_BYTES) {
        let Some(at) = place(bytes, 1, rng) else {
            return;
        };
        bytes[at] = match rng.random_range(0..4) {
            0 => 0,
            1 => 0xff,
            2 => bytes[at] ^ (1 << rng.random_range(0..8)),
            _ => rng.random(),
        };
    }
}

/// Numbers at the edges of what readers expect, among them lengths of this file.
fn extreme(length: usize, rng: &mut ChaCha8Rng) -> u32 {
    let length = length as u32;
    let numbers = [
        0,
        1,
        2,
        length - length.min(1),
        length,
        length.wrapping_add(1),
        length / 2,
        0x7f,
        0xff,
        0x7fff,
        0x8000,
        0xffff,
        0x1_0000,
        50_000,
        0xff_ffff,
        0x3fff_ffff,
        0x7fff_ffff,
        0x8000_0000,
        u32::MAX - 1,
        u32::MAX,
        rng.random(),
        rng.random_range(0..0x1_0000),
    ];
    *numbers.choose(rng).expect("there are some")
}

/// An extreme number of two, four or eight bytes, in either byte order.
fn change_number(bytes: &mut [u8], rng: &mut ChaCha8Rng) {
    let size = *[2, 4, 8].choose(rng).expect("there are some");
    let Some(at) = place(bytes, size, rng) else {
        return;
    };
    // Numbers mostly stand at even places.
    let at = if rng.random() { at & !1 } else { at };
    let value = u64::from(extreme(bytes.len(), rng));
    let value = match rng.random_range(0..3) {
        0 => value << 32 | value,
        _ => value,
    };
    let little = value.to_le_bytes();
    if rng.random() {
        bytes[at..at + size].copy_from_slice(&little[..size]);
    } else {
        let big: Vec<u8> = little[..size].iter().rev().copied().collect();
        bytes[at..at + size].copy_from_slice(&big);
    }
}

/// Type, count or value of an entry of the first directory, or what its value points at.
fn change_tiff_entry(bytes: &mut [u8], rng: &mut ChaCha8Rng) {
    let big = bytes.starts_with(b"MM");
    let short = |at: usize| -> Option<usize> {
        let pair: [u8; 2] = bytes.get(at..at + 2)?.try_into().ok()?;
        Some(usize::from(match big {
            true => u16::from_be_bytes(pair),
            false => u16::from_le_bytes(pair),
        }))
    };
    let long = |at: usize| {
        let (low, high) = if big { (at + 2, at) } else { (at, at + 2) };
        Some(short(low)? | short(high)? << 16)
    };
    let Some(first) = long(4).filter(|first| *first < bytes.len()) else {
        return;
    };
    let Some(entries) = short(first).filter(|n| *n > 0) else {
        return;
    };
    let entry = first + 2 + 12 * rng.random_range(0..entries.min(64));
    let value = extreme(bytes.len(), rng);
    let pointed_at = long(entry + 8).filter(|at| *at + 4 <= bytes.len());
    let (at, size) = match rng.random_range(0..8) {
        0 => (entry, 2),
        1 => (entry + 2, 2),
        2 | 3 => (entry + 4, 4),
        4 => (pointed_at.unwrap_or(entry + 8), 4),
        _ => (entry + 8, 4),
    };
    let ordered = if big {
        value.to_be_bytes()
    } else {
        value.to_le_bytes()
    };
    let from = if big { 4 - size } else { 0 };
    if let Some(place) = bytes.get_mut(at..at + size) {
        place.copy_from_slice(&ordered[from..from + size]);
    }
}

/// The number of a card of a FITS header.
fn change_fits_number(bytes: &mut [u8], rng: &mut ChaCha8Rng) {
    const CARD: usize = 80;
    if !bytes.starts_with(b"SIMPLE") {
        return change_number(bytes, rng);
    }
    let cards = (bytes.len() / CARD).min(144);
    let at = CARD * rng.random_range(0..cards);
    let number = match rng.random_range(0..8) {
        0 => "-1".to_owned(),
        1 => "1e308".to_owned(),
        2 => "NaN".to_owned(),
        3 => i64::MAX.to_string(),
        4 => "'".to_owned(),
        _ => extreme(bytes.len(), rng).to_string(),
    };
    bytes[at + 8..at + 30].copy_from_slice(format!("= {number:>20}").as_bytes());
}

fn cut(bytes: &mut Vec<u8>, rng: &mut ChaCha8Rng) {
    let length = rng.random_range(0..=bytes.len());
    bytes.truncate(length);
}

fn block(bytes: &[u8], rng: &mut ChaCha8Rng) -> std::ops::Range<usize> {
    let start = rng.random_range(0..=bytes.len());
    let most = (bytes.len() - start).min(4096);
    start..start + rng.random_range(0..=most)
}

fn copy_block(bytes: &mut [u8], rng: &mut ChaCha8Rng) {
    let block = block(bytes, rng);
    let to = rng.random_range(0..=bytes.len() - block.len());
    bytes.copy_within(block, to);
}

fn wipe_block(bytes: &mut [u8], rng: &mut ChaCha8Rng) {
    let value = if rng.random() { 0 } else { 0xff };
    let block = block(bytes, rng);
    bytes[block].fill(value);
}

fn append(bytes: &mut Vec<u8>, rng: &mut ChaCha8Rng) {
    let length = bytes.len() + rng.random_range(0..4096);
    bytes.resize(length, rng.random());
}

/// The front of this file, and the rest of another from the same place or any.
fn splice(bytes: &mut Vec<u8>, other: &[u8], rng: &mut ChaCha8Rng) {
    cut(bytes, rng);
    let from = match rng.random() {
        true => bytes.len().min(other.len()),
        false => rng.random_range(0..=other.len()),
    };
    bytes.extend(&other[from..]);
}
