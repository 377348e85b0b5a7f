//! A picture cut into strips: runs of full rows that are encoded independently.
//!
//! The cut depends on the picture's shape alone, so that the file is the same whatever
//! the number of threads.

use crate::PictureRows;
use crate::planes::Shape;
use flate2::Compression;
use flate2::write::ZlibEncoder;
use std::io::{self, Write};
use std::ops::Range;

/// Size aimed at, bytes before compression: small enough for many strips in parallel,
/// large enough for deflate to learn from. A row longer than this is a strip of its own.
const STRIP_BYTES: u64 = 1 << 20;

/// How a picture is cut.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) struct StripLayout {
    /// Rows of every strip but perhaps the last.
    pub rows_per_strip: usize,
    /// Number of strips.
    pub n_strips: usize,
    rows: usize,
}

impl StripLayout {
    pub fn new(shape: Shape, n_planes: usize) -> Self {
        let row_bytes = shape.columns as u64 * n_planes as u64 * size_of::<f32>() as u64;
        let rows_per_strip = (STRIP_BYTES / row_bytes).clamp(1, shape.rows as u64) as usize;
        Self {
            rows_per_strip,
            n_strips: shape.rows.div_ceil(rows_per_strip),
            rows: shape.rows,
        }
    }

    /// The rows of strip `index`.
    pub fn rows_of(&self, index: usize) -> Range<usize> {
        let first = index * self.rows_per_strip;
        first..(first + self.rows_per_strip).min(self.rows)
    }
}

/// The samples of `rows`, pixel by pixel: R G B R G B …
pub(crate) fn interleave<P: PictureRows + ?Sized>(
    picture: &P,
    rows: Range<usize>,
) -> io::Result<Vec<f32>> {
    let n_planes = picture.n_planes();
    let columns = if n_planes == 0 { 0 } else { picture.size(0)[1] };
    let mut samples = vec![0.0; rows.len() * columns * n_planes];
    if samples.is_empty() {
        return Ok(samples);
    }
    let mut of_plane = vec![0.0; rows.len() * columns];
    for plane in 0..n_planes {
        picture.read_rows(plane, rows.clone(), &mut of_plane)?;
        for (pixel, &value) in samples.chunks_exact_mut(n_planes).zip(&of_plane) {
            pixel[plane] = value;
        }
    }
    Ok(samples)
}

/// The samples as they lie in memory, in this machine's byte order.
pub(crate) fn native_bytes(samples: &[f32]) -> Vec<u8> {
    samples
        .iter()
        .flat_map(|sample| sample.to_ne_bytes())
        .collect()
}

/// Predictor 3 of every row: bytes regrouped by significance, then differences.
///
/// ```text
/// samples   S0 E0 M0 m0 | S1 E1 M1 m1 | …       most significant byte first
/// regrouped S0 S1 … | E0 E1 … | M0 M1 … | m0 m1 …
/// stored    each byte minus the one `n_planes` before it, modulo 256
/// ```
///
/// Lossless for any bits. Source: Adobe, "TIFF Technical Note 3: Floating Point
/// Predictor", 2005 (from memory; held against an independent implementation in
/// `tests/against_independent_readers.rs`).
pub(crate) fn predict_rows(samples: &[f32], row_samples: usize, n_planes: usize) -> Vec<u8> {
    let mut bytes = vec![0; size_of_val(samples)];
    let mut regrouped = vec![0; row_samples * size_of::<f32>()];
    for (row, out) in samples
        .chunks_exact(row_samples)
        .zip(bytes.chunks_exact_mut(regrouped.len()))
    {
        for (place, group) in regrouped.chunks_exact_mut(row_samples).enumerate() {
            let shift = 24 - 8 * place as u32;
            for (byte, sample) in group.iter_mut().zip(row) {
                *byte = (sample.to_bits() >> shift) as u8;
            }
        }
        out[..n_planes].copy_from_slice(&regrouped[..n_planes]);
        for ((byte, now), before) in out[n_planes..]
            .iter_mut()
            .zip(&regrouped[n_planes..])
            .zip(&regrouped)
        {
            *byte = now.wrapping_sub(*before);
        }
    }
    bytes
}

/// A zlib stream, level 1: on noise the higher levels gain a percent for many times the time.
pub(crate) fn deflate(bytes: &[u8]) -> Vec<u8> {
    const INTO_MEMORY: &str = "writing to memory does not fail";
    let mut encoder = ZlibEncoder::new(Vec::with_capacity(bytes.len()), Compression::new(1));
    encoder.write_all(bytes).expect(INTO_MEMORY);
    encoder.finish().expect(INTO_MEMORY)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[track_caller]
    fn check_layout(rows: usize, columns: usize, n_planes: usize, want: (usize, usize)) {
        let layout = StripLayout::new(Shape { rows, columns }, n_planes);
        assert_eq!((layout.rows_per_strip, layout.n_strips), want);
        let mut next = 0;
        for index in 0..layout.n_strips {
            let strip = layout.rows_of(index);
            assert_eq!(strip.start, next, "strips follow each other");
            assert!(!strip.is_empty());
            next = strip.end;
        }
        assert_eq!(next, rows, "strips cover the picture");
    }

    #[test]
    fn strips_cover_every_row_once() {
        check_layout(1, 1, 1, (1, 1));
        check_layout(3, 2, 3, (3, 1));
        check_layout(3888, 5184, 3, (16, 243));
        check_layout(3889, 5184, 3, (16, 244));
        check_layout(262_144, 1, 1, (262_144, 1));
        check_layout(262_145, 1, 1, (262_144, 2));
    }

    #[test]
    fn a_row_longer_than_a_strip_is_a_strip() {
        check_layout(5, 262_144, 1, (1, 5));
        check_layout(5, 100_000_000, 3, (1, 5));
    }

    #[test]
    fn prediction_of_two_gray_samples_by_hand() {
        // 1.0 = 3F 80 00 00, -2.5 = C0 20 00 00; regrouped 3F C0 80 20 00 00 00 00.
        let want = [0x3f, 0x81, 0xc0, 0xa0, 0xe0, 0, 0, 0];
        assert_eq!(predict_rows(&[1.0, -2.5], 2, 1), want);
    }
}
