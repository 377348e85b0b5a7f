//! A light's mask, a bit a pixel: one is kept for every light of a burst whose ground moves.

use ndarray::{Array2, ArrayView2};

/// Pixels of a light that are set or not; an eighth of the memory of booleans.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct PackedMask {
    width: usize,
    height: usize,
    /// Row by row, a row's bits from the lowest.
    words: Vec<u64>,
}

/// Bits of a word.
const BITS: usize = u64::BITS as usize;

impl PackedMask {
    /// Packs a mask, `[row, column]`.
    pub fn new(mask: ArrayView2<bool>) -> Self {
        let (height, width) = mask.dim();
        let mut words = vec![0; height * width.div_ceil(BITS)];
        let mut rows = words.chunks_mut(width.div_ceil(BITS).max(1));
        for mask in mask.rows() {
            let Some(words) = rows.next() else { break };
            for (col, _) in mask.iter().enumerate().filter(|(_, set)| **set) {
                words[col / BITS] |= 1 << (col % BITS);
            }
        }
        Self {
            width,
            height,
            words,
        }
    }

    /// Width and height, px.
    pub fn size(&self) -> (usize, usize) {
        (self.width, self.height)
    }

    /// Whether a pixel is set; those outside are.
    #[inline]
    pub fn is_set(&self, row: usize, col: usize) -> bool {
        if row >= self.height || col >= self.width {
            return true;
        }
        let words = self.width.div_ceil(BITS);
        self.words[row * words + col / BITS] >> (col % BITS) & 1 == 1
    }

    /// Share of the pixels that are set, 0 to 1; 0 without pixels.
    pub fn fraction(&self) -> f64 {
        let set: u64 = self
            .words
            .iter()
            .map(|word| u64::from(word.count_ones()))
            .sum();
        set as f64 / (self.width * self.height).max(1) as f64
    }
}

impl From<&Array2<bool>> for PackedMask {
    fn from(mask: &Array2<bool>) -> Self {
        Self::new(mask.view())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_was_packed_is_there() {
        for (height, width) in [(0, 0), (3, 0), (1, 1), (5, 63), (4, 64), (7, 130)] {
            let mask =
                Array2::from_shape_fn((height, width), |(row, col)| (row * 31 + col * 17) % 5 < 2);
            let packed = PackedMask::from(&mask);
            assert_eq!(packed.size(), (width, height));
            for ((row, col), &set) in mask.indexed_iter() {
                assert_eq!(packed.is_set(row, col), set, "{row} {col}");
            }
            let set = mask.iter().filter(|&&set| set).count();
            let share = set as f64 / mask.len().max(1) as f64;
            assert_eq!(packed.fraction(), share);
            assert!(packed.is_set(height, 0) && packed.is_set(0, width));
        }
    }
}
