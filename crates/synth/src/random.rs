//! Random numbers that depend on what they are for, never on who draws first.
//!
//! Every purpose, shot and row has a ChaCha stream of its own, so that rows can be
//! made in any order, on any number of threads, to the same bits.

use rand::SeedableRng;
use rand_chacha::ChaCha8Rng;

/// What random numbers are drawn for; the number is part of the seed.
#[derive(Clone, Copy)]
pub(crate) enum Purpose {
    Stars = 1,
    PixelResponse = 2,
    DarkSignal = 3,
    HotPixels = 4,
    Exposure = 5,
    Dither = 6,
    BandNoise = 7,
    CloudNoise = 8,
    Sway = 9,
    Ground = 10,
    ColumnSignal = 11,
    Fainter = 12,
}

/// The stream of `purpose` for one shot (0 where it has none) and one row.
pub(crate) fn stream(seed: u64, purpose: Purpose, shot: usize, row: usize) -> ChaCha8Rng {
    let mut key = [0u8; 32];
    key[..8].copy_from_slice(&seed.to_le_bytes());
    key[8..16].copy_from_slice(&(purpose as u64).to_le_bytes());
    key[16..24].copy_from_slice(&(shot as u64).to_le_bytes());
    let mut rng = ChaCha8Rng::from_seed(key);
    rng.set_stream(row as u64);
    rng
}

/// A number for purposes that hash coordinates instead of drawing in order.
pub(crate) fn salt(seed: u64, purpose: Purpose) -> u64 {
    mix(seed ^ mix(purpose as u64))
}

/// Spreads every input bit over all output bits.
///
/// Source: Steele, Lea & Flood (2014), OOPSLA, the finalizer of SplitMix64 (from memory).
pub(crate) fn mix(value: u64) -> u64 {
    let mut z = value.wrapping_add(0x9e37_79b9_7f4a_7c15);
    z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
    z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
    z ^ (z >> 31)
}
