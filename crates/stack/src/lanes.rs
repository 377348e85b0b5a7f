//! The samples of several pixels sorted side by side, a pixel in a lane.

/// Pixels that are sorted at once: two registers of an AVX, four of an SSE or NEON, which do
/// not wait for each other.
pub(crate) const LANES: usize = 16;

/// One sample of each of several pixels.
pub(crate) type Lanes = [f32; LANES];

/// A sorting network: which rows are compared, in order, whatever they hold.
///
/// Without a branch that depends on a sample, all lanes sort in the same steps. Merge
/// exchange of any number of rows: Batcher (1968), AFIPS Spring Joint Computer Conference
/// 32, 307, as algorithm M of Knuth, The Art of Computer Programming 3, 5.2.2 (from memory;
/// tried in the tests).
#[derive(Clone, Debug)]
pub(crate) struct SortingNetwork {
    compared: Vec<(u32, u32)>,
    rows: usize,
}

impl SortingNetwork {
    /// The network for a number of rows.
    pub fn new(rows: usize) -> Self {
        let mut compared = Vec::new();
        let top = rows.next_power_of_two() / 2;
        let mut p = top;
        while p > 0 {
            let (mut q, mut rest, mut step) = (top, 0, p);
            loop {
                let lower = (0..rows.saturating_sub(step)).filter(|i| i & p == rest);
                compared.extend(lower.map(|i| (i as u32, (i + step) as u32)));
                if q == p {
                    break;
                }
                (step, q, rest) = (q - p, q / 2, p);
            }
            p /= 2;
        }
        Self { compared, rows }
    }

    /// Sorts every lane, ascending from the first row.
    ///
    /// # Panics
    ///
    /// When there are fewer rows than the network is for.
    #[inline(always)]
    pub fn sort(&self, rows: &mut [Lanes]) {
        let rows = &mut rows[..self.rows];
        for &(upper, lower) in &self.compared {
            let (a, b) = (rows[upper as usize], rows[lower as usize]);
            let (mut least, mut most) = (a, b);
            for lane in 0..LANES {
                let in_order = a[lane] < b[lane];
                least[lane] = if in_order { a[lane] } else { b[lane] };
                most[lane] = if in_order { b[lane] } else { a[lane] };
            }
            rows[upper as usize] = least;
            rows[lower as usize] = most;
        }
    }
}

/// The samples of up to [`LANES`] pixels, sorted; missing ones come last.
#[derive(Clone, Debug)]
pub(crate) struct SortedPixels {
    network: SortingNetwork,
    rows: Vec<Lanes>,
    /// Samples that are there, by lane.
    pub present: [usize; LANES],
}

impl SortedPixels {
    /// For a number of lights.
    pub fn new(lights: usize) -> Self {
        Self {
            network: SortingNetwork::new(lights),
            rows: vec![[f32::INFINITY; LANES]; lights],
            present: [0; LANES],
        }
    }

    /// Takes and sorts the samples of the pixels from `first` on; NaN is missing. Lanes
    /// beyond the last pixel have no samples.
    ///
    /// - `samples[light]`: planes of equal size, as many as lights.
    #[inline(always)]
    pub fn load(&mut self, samples: &[Vec<f32>], first: usize) {
        let mut present = [0_u32; LANES];
        for (row, plane) in self.rows.iter_mut().zip(samples) {
            let values = match plane[first..].first_chunk() {
                Some(whole) => *whole,
                None => padded(&plane[first..]),
            };
            for lane in 0..LANES {
                let there = !values[lane].is_nan();
                present[lane] += u32::from(there);
                row[lane] = if there { values[lane] } else { f32::INFINITY };
            }
        }
        self.present = present.map(|n| n as usize);
        self.network.sort(&mut self.rows);
    }

    /// The sorted rows.
    pub fn rows(&self) -> &[Lanes] {
        &self.rows
    }

    /// Median of one pixel's samples, as [`median_of_sorted`](crate::median_of_sorted).
    pub fn median(&self, lane: usize) -> f64 {
        let n = self.present[lane];
        match n {
            0 => f64::NAN,
            _ => {
                let (below, above) = (self.rows[(n - 1) / 2][lane], self.rows[n / 2][lane]);
                0.5 * (f64::from(below) + f64::from(above))
            }
        }
    }

    /// The samples of one pixel, ascending.
    pub fn pixel(&self, lane: usize, out: &mut Vec<f32>) {
        out.clear();
        out.extend(self.rows[..self.present[lane]].iter().map(|row| row[lane]));
    }
}

/// Fewer samples than lanes, the rest missing.
#[cold]
fn padded(pixels: &[f32]) -> Lanes {
    let mut values = [f32::NAN; LANES];
    values[..pixels.len()].copy_from_slice(pixels);
    values
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn zeros_and_ones_are_sorted_by_every_network() {
        // What sorts every sequence of zeros and ones sorts everything (Knuth 5.3.4,
        // theorem Z, from memory).
        for n in 0..=13 {
            let network = SortingNetwork::new(n);
            for bits in (0..1_u32 << n).step_by(LANES) {
                let one = |row: usize, lane: usize| ((bits + lane as u32) >> row & 1) as f32;
                let mut rows: Vec<Lanes> = (0..n)
                    .map(|row| std::array::from_fn(|lane| one(row, lane)))
                    .collect();
                network.sort(&mut rows);
                for lane in 0..LANES {
                    let column: Vec<f32> = rows.iter().map(|row| row[lane]).collect();
                    assert!(column.is_sorted(), "{n} rows, {bits:b}: {column:?}");
                }
            }
        }
    }

    #[test]
    fn pixels_come_out_sorted_and_whole_without_what_is_missing() {
        let mut state = 1_u64;
        let mut uniform = || {
            state = state.wrapping_mul(6364136223846793005).wrapping_add(1);
            (state >> 40) as f32 - 8e6
        };
        for lights in [1, 2, 7, 20, 61] {
            let planes: Vec<Vec<f32>> = (0..lights)
                .map(|light| {
                    let of = |pixel| match (light + pixel) % 6 {
                        0 => f32::NAN,
                        _ => uniform(),
                    };
                    (0..LANES + 3).map(of).collect()
                })
                .collect();
            let mut sorted = SortedPixels::new(lights);
            for first in [0, LANES] {
                sorted.load(&planes, first);
                for lane in 0..LANES {
                    let column = planes.iter().filter_map(|plane| plane.get(first + lane));
                    let mut want: Vec<f32> = column.copied().filter(|v| !v.is_nan()).collect();
                    want.sort_unstable_by(f32::total_cmp);
                    let mut found = Vec::new();
                    sorted.pixel(lane, &mut found);
                    assert_eq!(found, want, "{lights} lights, pixel {}", first + lane);
                    let median = crate::median_of_sorted(&want);
                    let same = sorted.median(lane).to_bits() == median.to_bits();
                    assert!(same || median.is_nan(), "{lights} lights, lane {lane}");
                }
            }
        }
    }
}
