//! Vectors of three numbers.

pub(crate) type Vector = [f64; 3];

pub(crate) fn dot(a: Vector, b: Vector) -> f64 {
    a[0] * b[0] + a[1] * b[1] + a[2] * b[2]
}

pub(crate) fn cross(a: Vector, b: Vector) -> Vector {
    [
        a[1] * b[2] - a[2] * b[1],
        a[2] * b[0] - a[0] * b[2],
        a[0] * b[1] - a[1] * b[0],
    ]
}

/// `v` turned about `axis`, of length 1, by the right-hand rule (Rodrigues' formula).
pub(crate) fn turned(v: Vector, axis: Vector, angle_rad: f64) -> Vector {
    let (sin, cos) = angle_rad.sin_cos();
    let across = cross(axis, v);
    let along = dot(axis, v) * (1.0 - cos);
    std::array::from_fn(|i| v[i] * cos + across[i] * sin + axis[i] * along)
}
