//! Pictures that anybody can make again from their formula.

use ndarray::Array2;

/// Every pixel a bit pattern of its own: NaN with payloads, infinities, subnormal and
/// negative values.
pub fn all_bits(rows: usize, columns: usize, n_planes: u32) -> Vec<Array2<f32>> {
    planes(rows, columns, n_planes, |plane, row, column| {
        f32::from_bits(hash(plane, row, column))
    })
}

/// A sky of 40 DN with noise of 9 DN, nearly Gaussian (a sum of four), and a star every
/// 97 pixels.
pub fn sky(rows: usize, columns: usize, n_planes: u32) -> Vec<Array2<f32>> {
    planes(rows, columns, n_planes, |plane, row, column| {
        let four = hash(plane, row, column).to_be_bytes().map(u16::from);
        let noise = (f32::from(four.iter().sum::<u16>()) - 510.0) / 16.0;
        let star = (row * 31 + column).is_multiple_of(97);
        40.0 + noise + if star { 3000.0 } else { 0.0 }
    })
}

/// Multiplicative hashing, modulo 2^32.
fn hash(plane: u32, row: u32, column: u32) -> u32 {
    (plane * 1_000_003 + row * 8191 + column)
        .wrapping_mul(2_654_435_761)
        .wrapping_add(12_345)
}

fn planes(
    rows: usize,
    columns: usize,
    n_planes: u32,
    value: impl Fn(u32, u32, u32) -> f32,
) -> Vec<Array2<f32>> {
    (0..n_planes)
        .map(|plane| {
            Array2::from_shape_fn((rows, columns), |(row, column)| {
                value(plane, row as u32, column as u32)
            })
        })
        .collect()
}
