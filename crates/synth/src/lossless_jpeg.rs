//! Lossless JPEG, as DNG files hold it.
//!
//! Source: ITU-T T.81 (1992), annex H, process 14 with predictor 1, the sample to the
//! left; code lengths by annex K.2 (both from memory, read back by two decoders).

/// A picture of interleaved samples, all below `2^bits`, as one JPEG stream.
///
/// `rows` are of equal length, a multiple of `components` (1 to 4): sample `i` of a row
/// belongs to component `i mod components` of column `i / components`.
pub(crate) fn encode(rows: &[Vec<u16>], components: usize, bits: u8) -> Vec<u8> {
    let differences = differences(rows, components, 1 << (bits - 1));
    let mut counts = [0u32; CATEGORIES];
    for &difference in &differences {
        counts[category(difference) as usize] += 1;
    }
    let table = Table::of(&counts);
    let mut out = vec![0xFF, 0xD8];
    write_frame_header(&mut out, rows, components, bits);
    table.write(&mut out);
    write_scan_header(&mut out, components);
    let mut stream = Bits::new(out);
    for &difference in &differences {
        let size = category(difference);
        let (code, length) = table.codes[size as usize];
        stream.put(u32::from(code), u32::from(length));
        // The largest category, -32768, has no further bits.
        if size < 16 {
            let low = if difference < 0 {
                difference - 1
            } else {
                difference
            };
            stream.put(low as u32 & ((1 << size) - 1), size);
        }
    }
    let mut out = stream.finish();
    out.extend([0xFF, 0xD9]);
    out
}

/// Sizes that a difference can have, 0 to 16 bits.
const CATEGORIES: usize = 17;
const LONGEST_CODE: usize = 16;

/// Differences to the sample to the left, modulo 2^16, as -32768 .. 32767. The first of
/// a row is compared with that above, the very first with half the range, `start`.
fn differences(rows: &[Vec<u16>], components: usize, start: u16) -> Vec<i32> {
    let mut all = Vec::with_capacity(rows.len() * rows.first().map_or(0, Vec::len));
    let mut above = vec![start; components];
    for row in rows {
        for (i, &sample) in row.iter().enumerate() {
            let before = if i < components {
                above[i]
            } else {
                row[i - components]
            };
            all.push(i32::from(sample.wrapping_sub(before).cast_signed()));
        }
        above.copy_from_slice(&row[..components]);
    }
    all
}

/// Bits of a difference's size.
fn category(difference: i32) -> u32 {
    32 - difference.unsigned_abs().leading_zeros()
}

/// A Huffman table.
struct Table {
    /// Code and its length, by category.
    codes: [(u16, u8); CATEGORIES],
    /// How many codes have each length from 1 on.
    lengths: [u8; LONGEST_CODE],
    /// Categories, shortest code first.
    values: Vec<u8>,
}

impl Table {
    /// The best table for what is to be coded, no code longer than 16 bits and none of ones
    /// alone: annex K.2.
    fn of(counts: &[u32; CATEGORIES]) -> Self {
        let mut per_length = code_lengths(counts);
        limit(&mut per_length);
        // The code of ones alone, the last of the longest, is the reserved one.
        if let Some(longest) = per_length.iter_mut().rfind(|n| **n > 0) {
            *longest -= 1;
        }
        let mut by_count: Vec<usize> = (0..CATEGORIES).filter(|&i| counts[i] > 0).collect();
        by_count.sort_by_key(|&i| (std::cmp::Reverse(counts[i]), i));
        let mut codes = [(0u16, 0u8); CATEGORIES];
        let mut next = 0u32;
        let mut values = by_count.iter();
        for (i, &n) in per_length.iter().enumerate() {
            for _ in 0..n {
                if let Some(&value) = values.next() {
                    codes[value] = (next as u16, i as u8 + 1);
                }
                next += 1;
            }
            next <<= 1;
        }
        Self {
            codes,
            lengths: std::array::from_fn(|i| per_length[i] as u8),
            values: by_count.into_iter().map(|value| value as u8).collect(),
        }
    }

    fn write(&self, out: &mut Vec<u8>) {
        out.extend([0xFF, 0xC4]);
        let length = 2 + 1 + LONGEST_CODE + self.values.len();
        out.extend((length as u16).to_be_bytes());
        out.push(0);
        out.extend(self.lengths);
        out.extend(&self.values);
    }
}

/// How many codes of each length a Huffman tree has, with a symbol that counts least for
/// the reserved code.
fn code_lengths(counts: &[u32; CATEGORIES]) -> [usize; 2 * LONGEST_CODE] {
    // Groups of symbols with a common root: their total, the symbols with their depth.
    let mut groups: Vec<(u64, Vec<usize>)> = counts
        .iter()
        .filter(|&&count| count > 0)
        .map(|&count| (u64::from(count) * 2, vec![0]))
        .collect();
    groups.push((1, vec![0]));
    while groups.len() > 1 {
        groups.sort_by_key(|group| std::cmp::Reverse(group.0));
        let (Some(a), Some(b)) = (groups.pop(), groups.pop()) else {
            break;
        };
        let depths = a.1.into_iter().chain(b.1).map(|depth| depth + 1).collect();
        groups.push((a.0 + b.0, depths));
    }
    let mut per_length = [0; 2 * LONGEST_CODE];
    for &depth in groups.iter().flat_map(|group| &group.1) {
        per_length[depth - 1] += 1;
    }
    per_length
}

/// Shortens codes of more than 16 bits, figure K.3.
fn limit(per_length: &mut [usize; 2 * LONGEST_CODE]) {
    for i in (LONGEST_CODE..2 * LONGEST_CODE).rev() {
        while per_length[i] > 1 {
            let shorter = (0..i - 1).rev().find(|&j| per_length[j] > 0);
            let Some(j) = shorter else { break };
            per_length[i] -= 2;
            per_length[i - 1] += 1;
            per_length[j + 1] += 2;
            per_length[j] -= 1;
        }
    }
}

fn write_frame_header(out: &mut Vec<u8>, rows: &[Vec<u16>], components: usize, bits: u8) {
    let columns = rows.first().map_or(0, Vec::len) / components;
    out.extend([0xFF, 0xC3]);
    out.extend((8 + 3 * components as u16).to_be_bytes());
    out.push(bits);
    out.extend((rows.len() as u16).to_be_bytes());
    out.extend((columns as u16).to_be_bytes());
    out.push(components as u8);
    for component in 0..components as u8 {
        out.extend([component, 0x11, 0]);
    }
}

fn write_scan_header(out: &mut Vec<u8>, components: usize) {
    out.extend([0xFF, 0xDA]);
    out.extend((6 + 2 * components as u16).to_be_bytes());
    out.push(components as u8);
    for component in 0..components as u8 {
        out.extend([component, 0]);
    }
    out.extend([1, 0, 0]);
}

/// Bits, most significant first; a byte of ones is followed by one of zeros.
struct Bits {
    out: Vec<u8>,
    held: u64,
    n_held: u32,
}

impl Bits {
    fn new(out: Vec<u8>) -> Self {
        Self {
            out,
            held: 0,
            n_held: 0,
        }
    }

    fn put(&mut self, bits: u32, n: u32) {
        self.held = (self.held << n) | u64::from(bits);
        self.n_held += n;
        while self.n_held >= 8 {
            self.n_held -= 8;
            let byte = (self.held >> self.n_held) as u8;
            self.out.push(byte);
            if byte == 0xFF {
                self.out.push(0);
            }
        }
    }

    /// Fills the last byte with ones.
    fn finish(mut self) -> Vec<u8> {
        if self.n_held > 0 {
            self.put(0x7F, 7);
        }
        self.out
    }
}
