//! Sums over pixel pairs at every lag: how noise is seen where no block is free of stars.
//!
//! The mean of a b x b block has the variance
//! `b^-4 * sum over lags of (b - |lx|) (b - |ly|) C(lx, ly)`, C being the autocovariance.
//! Times b it is the white-noise equivalent ("area" noise), and C can be had from any
//! two unmasked pixels, however few blocks are whole.

use stack::with_widest_vectors;

/// A plane of one tile between zeros, so that every lag stays inside the buffer.
///
/// ```text
///  0 0 0 | row 0 | 0 0 0      `reach - 1` zeros on either side of a row
///  0 0 0 | row 1 | 0 0 0
/// ```
pub(crate) struct PaddedPlane {
    width: usize,
    pad: usize,
    data: Vec<f32>,
}

/// Pixels summed side by side: four-wide vectors need eight running sums to hide the
/// latency of an addition.
const LANES: usize = 32;

impl PaddedPlane {
    /// Room for `width` x `height` pixels and lags below `reach`.
    pub(crate) fn new(width: usize, height: usize, reach: usize) -> Self {
        let pad = reach.saturating_sub(1);
        Self {
            width,
            pad,
            data: vec![0.0; height * (width + 2 * pad)],
        }
    }

    /// Lags are below this.
    pub(crate) fn reach(&self) -> usize {
        self.pad + 1
    }

    /// Copies a row-major plane in; where `valid` is not set, zero.
    pub(crate) fn fill(&mut self, values: &[f32], valid: &[bool]) {
        let (width, pad) = (self.width, self.pad);
        for (row, target) in self.data.chunks_exact_mut(width + 2 * pad).enumerate() {
            let source = row * width..(row + 1) * width;
            let pairs = values[source.clone()].iter().zip(&valid[source]);
            for (slot, (&value, &valid)) in target[pad..pad + width].iter_mut().zip(pairs) {
                *slot = if valid { value } else { 0.0 };
            }
        }
    }

    /// `sum over p of v(p) v(p + lag)` for the half plane of lags, in the order of
    /// [`half_plane`].
    pub(crate) fn lag_sums(&self) -> Vec<f64> {
        half_plane(self.pad + 1)
            .map(|(lag_x, lag_y)| self.lag_sum(self, lag_x, lag_y))
            .collect()
    }

    /// `sum over p of v(p) other(p + lag)` for one lag; `other` has this plane's size.
    pub(crate) fn lag_sum(&self, other: &Self, lag_x: isize, lag_y: usize) -> f64 {
        with_widest_vectors(
            #[inline(always)]
            || self.lag_sum_in_lanes(other, lag_x, lag_y),
        )
    }

    #[inline(always)]
    fn lag_sum_in_lanes(&self, other: &Self, lag_x: isize, lag_y: usize) -> f64 {
        let stride = self.width + 2 * self.pad;
        let (own, moved) = (self.pad, self.pad.saturating_add_signed(lag_x));
        let mut lanes = [0.0f32; LANES];
        let mut rest = 0.0f32;
        let lower = other.data.chunks_exact(stride).skip(lag_y);
        for (here, there) in self.data.chunks_exact(stride).zip(lower) {
            let here = &here[own..own + self.width];
            let there = &there[moved..moved + self.width];
            let (here, here_rest) = here.as_chunks::<LANES>();
            let (there, there_rest) = there.as_chunks::<LANES>();
            for (a, b) in here.iter().zip(there) {
                for lane in 0..LANES {
                    lanes[lane] += a[lane] * b[lane];
                }
            }
            for (a, b) in here_rest.iter().zip(there_rest) {
                rest += a * b;
            }
        }
        lanes.iter().map(|&lane| f64::from(lane)).sum::<f64>() + f64::from(rest)
    }
}

/// Pairs of set pixels by lag, in the order of [`half_plane`]: what
/// [`lag_sums`](PaddedPlane::lag_sums) gives of a plane of ones, counted instead of added.
pub(crate) fn pairs_by_lag(set: &[bool], width: usize, reach: usize) -> Vec<f64> {
    let words = width.div_ceil(WORD_PX);
    let mut rows = Vec::with_capacity(set.len() / width.max(1) * words);
    for row in set.chunks_exact(width) {
        let word = |bits: &[bool]| {
            let set = bits.iter().rev();
            set.fold(0_u64, |word, &set| word << 1 | u64::from(set))
        };
        rows.extend(row.chunks(WORD_PX).map(word));
    }
    let rows: Vec<&[u64]> = rows.chunks_exact(words).collect();
    let pairs = |(lag_x, lag_y): (isize, usize)| {
        let lower = rows.get(lag_y..).unwrap_or(&[]);
        let in_row = |(here, there): (&&[u64], &&[u64])| match lag_x < 0 {
            true => pairs_in_row(there, here, lag_x.unsigned_abs()),
            false => pairs_in_row(here, there, lag_x.unsigned_abs()),
        };
        f64::from(rows.iter().zip(lower).map(in_row).sum::<u32>())
    };
    half_plane(reach).map(pairs).collect()
}

/// Pixels in a word of flags.
const WORD_PX: usize = u64::BITS as usize;

/// Pairs of a pixel of one row and one so many columns on in another.
fn pairs_in_row(here: &[u64], there: &[u64], lag: usize) -> u32 {
    let (words, bits) = (lag / WORD_PX, lag % WORD_PX);
    let word = |i: usize| there.get(i).copied().unwrap_or(0);
    let shifted = |i: usize| match bits {
        0 => word(i + words),
        _ => word(i + words) >> bits | word(i + words + 1) << (WORD_PX - bits),
    };
    let both = |(i, here): (usize, &u64)| (here & shifted(i)).count_ones();
    here.iter().enumerate().map(both).sum()
}

/// The lags of one half plane, `(0, 0)` first; the other half mirrors it.
pub(crate) fn half_plane(reach: usize) -> impl Iterator<Item = (isize, usize)> {
    let reach = reach as isize;
    (0..reach).flat_map(move |lag_y| {
        let first = if lag_y == 0 { 0 } else { 1 - reach };
        (first..reach).map(move |lag_x| (lag_x, lag_y as usize))
    })
}

/// The triangular window of block means over the half plane: `(1 - |lx|/b)(1 - |ly|/b)`,
/// doubled for every lag but the first, which has no mirror image.
pub(crate) fn block_window(block_px: usize) -> Vec<f64> {
    let fall = |lag: usize| 1.0 - lag as f64 / block_px as f64;
    half_plane(block_px)
        .enumerate()
        .map(|(index, (lag_x, lag_y))| {
            let copies = if index == 0 { 1.0 } else { 2.0 };
            copies * fall(lag_x.unsigned_abs()) * fall(lag_y)
        })
        .collect()
}

/// Lags up to here count in full under [`flat_top_window`], px.
const FLAT_PX: usize = 3;
/// Lags from here on do not count.
pub(crate) const FLAT_TOP_REACH_PX: usize = 6;
/// Side of the block whose triangular window has the same sum.
pub(crate) const FLAT_TOP_BLOCK_PX: usize = 9;

/// A window over the half plane that is 1 up to a lag of 3 px along each axis and falls to 0
/// at 6 px, doubled as [`block_window`] is.
///
/// Interpolation moves noise to the neighboring lags and leaves their sum alone; a
/// triangular window loses a part of it that depends on the fraction of the shift (up to
/// 12 % of the variance for blocks of 8 px), a flat top does not (Politis & Romano 1995,
/// J. Time Ser. Anal. 16, 67; from memory).
pub(crate) fn flat_top_window() -> Vec<f64> {
    let weight = |lag: usize| {
        let beyond = lag.saturating_sub(FLAT_PX) as f64;
        1.0 - beyond / (FLAT_TOP_REACH_PX - FLAT_PX) as f64
    };
    half_plane(FLAT_TOP_REACH_PX)
        .enumerate()
        .map(|(index, (lag_x, lag_y))| {
            let copies = if index == 0 { 1.0 } else { 2.0 };
            copies * weight(lag_x.unsigned_abs()) * weight(lag_y)
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Rounding of 4096 products summed in f32, relative to the sum of squares.
    const ROUNDING: f64 = 1e-5;

    fn plane(width: usize, height: usize) -> Vec<f32> {
        let mut state = 1u64;
        (0..width * height)
            .map(|_| {
                state = state
                    .wrapping_mul(6364136223846793005)
                    .wrapping_add(1442695040888963407);
                (state >> 40) as f32 / 1e7 - 0.8
            })
            .collect()
    }

    #[test]
    fn lag_sums_equal_the_plain_double_loop() {
        for (width, height) in [(64, 64), (19, 7), (8, 64), (5, 3), (1, 1)] {
            let values = plane(width, height);
            let valid: Vec<bool> = (0..width * height).map(|i| i % 7 != 3).collect();
            let mut padded = PaddedPlane::new(width, height, 8);
            padded.fill(&values, &valid);
            let sums = padded.lag_sums();
            for ((lag_x, lag_y), sum) in half_plane(8).zip(sums) {
                let unvectorized = padded.lag_sum_in_lanes(&padded, lag_x, lag_y);
                assert_eq!(
                    sum.to_bits(),
                    unvectorized.to_bits(),
                    "of the widest vectors"
                );
                let mut plain = 0.0;
                for y in 0..height.saturating_sub(lag_y) {
                    for x in 0..width as isize {
                        let there = x + lag_x;
                        if there < 0 || there >= width as isize {
                            continue;
                        }
                        let (p, q) = (y * width + x as usize, (y + lag_y) * width + there as usize);
                        if valid[p] && valid[q] {
                            plain += f64::from(values[p]) * f64::from(values[q]);
                        }
                    }
                }
                let limit = ROUNDING * (width * height) as f64;
                assert!(
                    (sum - plain).abs() <= limit,
                    "{width}x{height} lag {lag_x},{lag_y}"
                );
            }
        }
    }

    #[test]
    fn pairs_are_the_lag_sums_of_ones() {
        for (width, height, reach) in [(64, 64, 8), (19, 7, 8), (130, 9, 6), (5, 3, 8), (1, 1, 2)] {
            let set: Vec<bool> = (0..width * height).map(|i| i * i % 7 != 2).collect();
            let mut padded = PaddedPlane::new(width, height, reach);
            padded.fill(&vec![1.0; set.len()], &set);
            assert_eq!(pairs_by_lag(&set, width, reach), padded.lag_sums());
        }
    }

    #[test]
    fn a_flat_top_costs_a_surface_what_its_block_does_and_keeps_what_shifts_move() {
        let sum: f64 = flat_top_window().iter().sum();
        let block = (FLAT_TOP_BLOCK_PX * FLAT_TOP_BLOCK_PX) as f64;
        assert!((sum - block).abs() < 1e-9, "{sum}");
        // Bilinear interpolation by a fraction f along x: 1 - 2 f (1 - f) stays at lag 0,
        // f (1 - f) goes to either side.
        for fraction in [0.1, 0.5, 0.77] {
            let moved = fraction * (1.0 - fraction);
            let kept: f64 = half_plane(FLAT_TOP_REACH_PX)
                .zip(flat_top_window())
                .map(|(lag, weight)| match lag {
                    (0, 0) => weight * (1.0 - 2.0 * moved),
                    (1, 0) => weight * moved,
                    _ => 0.0,
                })
                .sum();
            assert!((kept - 1.0).abs() < 1e-12, "{fraction}: {kept}");
        }
    }

    #[test]
    fn the_window_of_a_block_sums_to_its_pixels() {
        // A constant has C = 1 at every lag, and b times the mean of b^2 ones is b.
        for block_px in [1, 2, 8, 16] {
            let sum: f64 = block_window(block_px).iter().sum();
            let pixels = (block_px * block_px) as f64;
            assert!((sum - pixels).abs() < 1e-9 * pixels);
        }
    }
}
