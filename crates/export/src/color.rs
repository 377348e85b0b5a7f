//! From the camera's colors to sRGB.

/// Linear sRGB to CIE XYZ with D65 white at Y = 1. Source: IEC 61966-2-1:1999, eq. 7
/// (coefficients to four digits, as printed there; from memory).
const SRGB_TO_XYZ: [[f64; 3]; 3] = [
    [0.4124, 0.3576, 0.1805],
    [0.2126, 0.7152, 0.0722],
    [0.0193, 0.1192, 0.9505],
];

/// Smallest determinant, relative to rows that sum to 1, of a matrix that can be inverted
/// without blowing noise up beyond use.
const SMALLEST_DETERMINANT: f64 = 1e-3;

/// White-balanced camera colors to linear sRGB, row by row.
///
/// With M the camera's matrix and X that of sRGB, an sRGB color s is recorded as M X s.
/// White balance divides each channel by what it records of D65 white, M X (1, 1, 1):
/// the rows of M X then sum to 1. The result is the inverse of that, so white-balanced
/// gray stays gray exactly.
///
/// - `color_matrix`: CIE XYZ (D65) to camera R, G, B, as DNG's ColorMatrix2.
///
/// `None` when the matrix is not finite, sees no white, or cannot be inverted.
pub fn camera_to_srgb(color_matrix: &[[f32; 3]; 3]) -> Option<[[f64; 3]; 3]> {
    let srgb_to_camera = srgb_to_camera(color_matrix);
    let white = white_of(&srgb_to_camera)?;
    invert(&[0, 1, 2].map(|channel| srgb_to_camera[channel].map(|value| value / white[channel])))
}

/// What a camera's R, G and B photosites record of D65 white, in proportion: what daylight is
/// to its filters, however its own white balance was set.
///
/// - `color_matrix`: as for [`camera_to_srgb`].
///
/// `None` when the matrix is not finite or sees no white, and when it is that of no filters,
/// ones on the diagonal: files have it whose writer knew no better one.
pub fn recorded_white(color_matrix: &[[f32; 3]; 3]) -> Option<[f64; 3]> {
    const OF_NO_FILTERS: [[f32; 3]; 3] = [[1.0, 0.0, 0.0], [0.0, 1.0, 0.0], [0.0, 0.0, 1.0]];
    if *color_matrix == OF_NO_FILTERS {
        return None;
    }
    white_of(&srgb_to_camera(color_matrix))
}

fn srgb_to_camera(color_matrix: &[[f32; 3]; 3]) -> [[f64; 3]; 3] {
    multiply(&color_matrix.map(|row| row.map(f64::from)), &SRGB_TO_XYZ)
}

/// What each channel has of sRGB (1, 1, 1).
fn white_of(srgb_to_camera: &[[f64; 3]; 3]) -> Option<[f64; 3]> {
    let white = srgb_to_camera.map(|row| row.iter().sum::<f64>());
    let sees_white = |white: &f64| white.is_finite() && *white > 0.0;
    white.iter().all(sees_white).then_some(white)
}

/// The sRGB transfer curve: linear light, 0 to 1, to the encoded value, 0 to 1. Values
/// outside are limited; NaN gives 0.
///
/// Source: IEC 61966-2-1:1999, eq. 5 and 6.
pub fn srgb_encode(linear: f64) -> f64 {
    let linear = if linear.is_nan() {
        0.0
    } else {
        linear.clamp(0.0, 1.0)
    };
    if linear <= 0.003_130_8 {
        12.92 * linear
    } else {
        1.055 * linear.powf(1.0 / 2.4) - 0.055
    }
}

/// CIE XYZ with D65 white to linear sRGB.
pub(crate) fn xyz_to_srgb() -> [[f64; 3]; 3] {
    invert(&SRGB_TO_XYZ).expect("primaries that span a space")
}

/// `matrix` times the column `color`.
pub(crate) fn transform(matrix: &[[f64; 3]; 3], color: [f64; 3]) -> [f64; 3] {
    matrix.map(|row| row[0] * color[0] + row[1] * color[1] + row[2] * color[2])
}

fn multiply(a: &[[f64; 3]; 3], b: &[[f64; 3]; 3]) -> [[f64; 3]; 3] {
    a.map(|row| [0, 1, 2].map(|column| (0..3).map(|k| row[k] * b[k][column]).sum()))
}

/// Inverse by cofactors.
fn invert(m: &[[f64; 3]; 3]) -> Option<[[f64; 3]; 3]> {
    let cofactor = |row: usize, column: usize| {
        let (r1, r2) = ((row + 1) % 3, (row + 2) % 3);
        let (c1, c2) = ((column + 1) % 3, (column + 2) % 3);
        m[r1][c1] * m[r2][c2] - m[r1][c2] * m[r2][c1]
    };
    let determinant: f64 = (0..3)
        .map(|column| m[0][column] * cofactor(0, column))
        .sum();
    (determinant.abs() >= SMALLEST_DETERMINANT)
        .then(|| [0, 1, 2].map(|row| [0, 1, 2].map(|column| cofactor(column, row) / determinant)))
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Rounding of f32 coefficients through one inversion.
    const MATRIX_TOLERANCE: f64 = 1e-5;

    #[test]
    fn the_transfer_curve_at_values_of_the_standard() {
        // Reference values: IEC 61966-2-1, computed to six digits from its formula.
        for (linear, encoded) in [
            (0.18, 0.461356),
            (0.0031308, 0.04045),
            (0.5, 0.73536),
            (1.0, 1.0),
        ] {
            const LAST_DIGIT: f64 = 5e-6;
            assert!(
                (srgb_encode(linear) - encoded).abs() < LAST_DIGIT,
                "{linear}"
            );
        }
        assert_eq!(srgb_encode(0.0), 0.0);
        assert_eq!(srgb_encode(-0.5), 0.0);
        assert_eq!(srgb_encode(7.0), srgb_encode(1.0));
        assert_eq!(srgb_encode(f64::NAN), 0.0);
    }

    /// What a camera with filters exactly those of sRGB would state: the inverse of
    /// `SRGB_TO_XYZ`, IEC 61966-2-1 eq. 8 (six digits).
    const XYZ_TO_SRGB: [[f32; 3]; 3] = [
        [3.240625, -1.537208, -0.498629],
        [-0.968931, 1.875756, 0.041518],
        [0.055710, -0.204021, 1.056996],
    ];

    #[test]
    fn a_camera_that_sees_srgb_needs_no_conversion() {
        // Printed coefficients of the two matrices agree to 1e-4.
        const PRINTED_TOLERANCE: f64 = 3e-4;
        let matrix = camera_to_srgb(&XYZ_TO_SRGB).unwrap();
        for (row, values) in matrix.iter().enumerate() {
            for (column, value) in values.iter().enumerate() {
                let want = f64::from(u8::from(row == column));
                assert!((value - want).abs() < PRINTED_TOLERANCE, "{matrix:?}");
            }
        }
    }

    #[test]
    fn gray_stays_gray() {
        let muddy = [[0.9, -0.2, -0.1], [-0.4, 1.2, 0.2], [-0.1, 0.3, 0.6]];
        let matrix = camera_to_srgb(&muddy).unwrap();
        for value in transform(&matrix, [0.4; 3]) {
            assert!((value - 0.4).abs() < MATRIX_TOLERANCE);
        }
    }

    #[test]
    fn a_useless_matrix_is_none() {
        assert_eq!(camera_to_srgb(&[[0.0; 3]; 3]), None);
        assert_eq!(camera_to_srgb(&[[f32::NAN; 3]; 3]), None);
        assert_eq!(camera_to_srgb(&[[1.0, 1.0, 1.0]; 3]), None);
        assert_eq!(recorded_white(&[[0.0; 3]; 3]), None);
        assert_eq!(recorded_white(&[[f32::NAN; 3]; 3]), None);
        let of_no_filters = [0, 1, 2].map(|row| [0, 1, 2].map(|col| f32::from(row == col)));
        assert_eq!(recorded_white(&of_no_filters), None);
    }

    /// LibRaw states four digits of a matrix, and takes white from sRGB primaries of six:
    /// this, relatively.
    const LIBRAW_TOLERANCE: f64 = 1e-3;

    #[test]
    fn daylight_is_to_a_camera_what_libraw_takes_it_for() {
        // Its multipliers, one over what is recorded: fixtures/export_checks/daylight.py.
        let table = include_str!("../../../fixtures/export_checks/daylight.csv");
        let mut compared = 0;
        for line in table.lines().skip(1) {
            let numbers = line
                .split(',')
                .skip(1)
                .map(|n| n.parse().expect("a number"));
            let numbers: Vec<f64> = numbers.collect();
            let matrix = [0, 1, 2].map(|row| [0, 1, 2].map(|col| numbers[3 * row + col] as f32));
            let white = recorded_white(&matrix).expect("a camera's matrix");
            for channel in [0, 2] {
                let found = white[1] / white[channel];
                let wanted = numbers[9 + channel] / numbers[10];
                assert!(
                    (found / wanted - 1.0).abs() < LIBRAW_TOLERANCE,
                    "{line} {found} {wanted}"
                );
                compared += 1;
            }
        }
        assert_eq!(compared, 2);
    }
}
