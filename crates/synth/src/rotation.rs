//! Rotations of three-dimensional space, and what they do to a picture.

use crate::lens::Projection;

/// A 3 x 3 matrix, row by row.
pub type Matrix = [[f64; 3]; 3];

/// The matrix that changes nothing.
pub const IDENTITY: Matrix = [[1.0, 0.0, 0.0], [0.0, 1.0, 0.0], [0.0, 0.0, 1.0]];

/// The rotation by `angle_rad` about `axis`, right-handed; `axis` need not be normalized.
///
/// The exponential of the cross product matrix, by Rodrigues' formula. An axis of
/// length 0 gives no rotation.
pub fn rotation_about(axis: [f64; 3], angle_rad: f64) -> Matrix {
    let length = dot(axis, axis).sqrt();
    if length == 0.0 {
        return IDENTITY;
    }
    let [x, y, z] = axis.map(|component| component / length);
    let (sin, cos) = (libm::sin(angle_rad), libm::cos(angle_rad));
    let rest = 1.0 - cos;
    [
        [
            cos + x * x * rest,
            x * y * rest - z * sin,
            x * z * rest + y * sin,
        ],
        [
            y * x * rest + z * sin,
            cos + y * y * rest,
            y * z * rest - x * sin,
        ],
        [
            z * x * rest - y * sin,
            z * y * rest + x * sin,
            cos + z * z * rest,
        ],
    ]
}

/// `a` times `b`: first `b`, then `a`.
pub fn multiply(a: &Matrix, b: &Matrix) -> Matrix {
    let mut product = [[0.0; 3]; 3];
    for (row, out) in product.iter_mut().enumerate() {
        for (col, cell) in out.iter_mut().enumerate() {
            *cell = (0..3).map(|k| a[row][k] * b[k][col]).sum();
        }
    }
    product
}

/// The matrix mirrored in its diagonal: the inverse of a rotation.
pub fn transpose(matrix: &Matrix) -> Matrix {
    [0, 1, 2].map(|row| [0, 1, 2].map(|col| matrix[col][row]))
}

/// The image of a vector.
pub fn apply(matrix: &Matrix, vector: [f64; 3]) -> [f64; 3] {
    matrix.map(|row| dot(row, vector))
}

/// The scalar product.
pub fn dot(a: [f64; 3], b: [f64; 3]) -> f64 {
    a[0] * b[0] + a[1] * b[1] + a[2] * b[2]
}

/// The vector product, right-handed.
pub fn cross(a: [f64; 3], b: [f64; 3]) -> [f64; 3] {
    [
        a[1] * b[2] - a[2] * b[1],
        a[2] * b[0] - a[0] * b[2],
        a[0] * b[1] - a[1] * b[0],
    ]
}

/// What a rotation of the sky does to the picture of a rectilinear lens: from a picture
/// taken through `from` to one through `to`, `K' R K^-1`, scaled so that its last
/// element is 1; px to px. Distortion is left out.
///
/// Source: Hartley & Zisserman, Multiple View Geometry, 2nd ed. 2004, ch. 8.4 (from memory).
pub fn homography(from: &Projection, to: &Projection, rotation: &Matrix) -> Matrix {
    let [cx, cy] = to.principal_point_px;
    let focal = to.focal_length_px;
    let k = [[focal, 0.0, cx], [0.0, focal, cy], [0.0, 0.0, 1.0]];
    let [cx, cy] = from.principal_point_px;
    let focal = from.focal_length_px;
    let k_inverse = [
        [1.0 / focal, 0.0, -cx / focal],
        [0.0, 1.0 / focal, -cy / focal],
        [0.0, 0.0, 1.0],
    ];
    let product = multiply(&multiply(&k, rotation), &k_inverse);
    let scale = product[2][2];
    product.map(|row| row.map(|element| element / scale))
}

/// The image of a point under a homography, px to px.
pub fn apply_homography(homography: &Matrix, x: f64, y: f64) -> (f64, f64) {
    let [u, v, w] = apply(homography, [x, y, 1.0]);
    (u / w, v / w)
}
