//! What a homography leaves of two pictures through a lens that distorts.

use nalgebra::{SMatrix, SVector};
use synth::{Mapping, Projection, apply_homography, rotation_about};

/// Columns and rows of the grid over the frame.
const GRID: (usize, usize) = (25, 17);
/// The frame, px.
const EXTENT_PX: (f64, f64) = (6000.0, 4000.0);

/// Places of a grid before and after the sky's turn, px from the center over 3000.
type Pairs = Vec<[[f64; 2]; 2]>;

/// 24 mm, 5.98 µm, the pole 30° above the axis; the grid is even without distortion.
fn pairs(mapping: Mapping, k1: f64, turned_s: f64) -> Pairs {
    let center = [EXTENT_PX.0 / 2.0, EXTENT_PX.1 / 2.0];
    let lens = |mapping, k1| Projection::new(mapping, 24_000.0 / 5.98, center, [k1, 0.0, 0.0]);
    let (ideal, lens) = (lens(Mapping::Rectilinear, 0.0), lens(mapping, k1));
    let thirty = 30.0f64.to_radians();
    let angle = (turned_s * synth::SIDEREAL_RATE_ARCSEC_PER_S / 3600.0).to_radians();
    let turn = rotation_about([0.0, -thirty.sin(), thirty.cos()], angle);
    let place = |direction: [f64; 3]| {
        let (x, y) = lens.project(direction).expect("in sight");
        [(x - center[0]) / 3000.0, (y - center[1]) / 3000.0]
    };
    let site = |i: usize| {
        let (col, row) = (i % GRID.0, i / GRID.0);
        let direction = ideal.direction(
            EXTENT_PX.0 * col as f64 / (GRID.0 - 1) as f64,
            EXTENT_PX.1 * row as f64 / (GRID.1 - 1) as f64,
        );
        let turned = turn.map(|row| row.iter().zip(direction).map(|(a, b)| a * b).sum());
        [place(direction), place(turned)]
    };
    (0..GRID.0 * GRID.1).map(site).collect()
}

/// Root mean square and largest distance, px, from the best homography, which Gauss-Newton
/// finds from the identity.
fn residuals_px(pairs: &Pairs) -> (f64, f64) {
    const ROUNDS: usize = 8;
    let mut h = [[1.0, 0.0, 0.0], [0.0, 1.0, 0.0], [0.0, 0.0, 1.0f64]];
    for _ in 0..ROUNDS {
        let mut normal = SMatrix::<f64, 8, 8>::zeros();
        let mut right = SVector::<f64, 8>::zeros();
        for &[[x, y], to] in pairs {
            let (u, v) = apply_homography(&h, x, y);
            let w = h[2][0] * x + h[2][1] * y + 1.0;
            for (found, want, first) in [(u, to[0], 0), (v, to[1], 3)] {
                let mut slope = SVector::<f64, 8>::zeros();
                for (i, value) in [x, y, 1.0].into_iter().enumerate() {
                    slope[first + i] = value / w;
                }
                (slope[6], slope[7]) = (-found * x / w, -found * y / w);
                normal += slope * slope.transpose();
                right += slope * (want - found);
            }
        }
        let step = normal
            .cholesky()
            .expect("a grid determines it")
            .solve(&right);
        for i in 0..8 {
            h[i / 3][i % 3] += step[i];
        }
    }
    let distances = pairs.iter().map(|&[[x, y], to]| {
        let (u, v) = apply_homography(&h, x, y);
        3000.0 * (u - to[0]).hypot(v - to[1])
    });
    let (sum, largest) = distances.fold((0.0, 0.0f64), |(sum, largest), distance| {
        (sum + distance * distance, largest.max(distance))
    });
    ((sum / pairs.len() as f64).sqrt(), largest)
}

#[test]
fn distortion_leaves_a_homography_what_a_second_program_finds() {
    // Source: the same frame by numpy 2.4.6 and scipy 1.17.1's least_squares, the model of
    // Brown (1966); k1, seconds, rms and largest residual, px.
    const RELATIVE_TOLERANCE: f64 = 0.005;
    const LAST_DIGIT_PX: f64 = 0.0006; // the reference has three decimals
    for (k1, turned_s, want_rms, want_largest) in [
        (-0.01, 30.0, 0.007, 0.021),
        (-0.01, 120.0, 0.028, 0.084),
        (-0.01, 600.0, 0.142, 0.436),
        (-0.01, 1800.0, 0.436, 1.446),
        (-0.03, 30.0, 0.022, 0.065),
        (-0.03, 120.0, 0.087, 0.262),
        (-0.03, 600.0, 0.437, 1.368),
        (-0.03, 1800.0, 1.345, 4.593),
        (-0.05, 30.0, 0.037, 0.113),
        (-0.05, 120.0, 0.149, 0.457),
        (-0.05, 600.0, 0.748, 2.385),
        (-0.05, 1800.0, 2.308, 8.123),
    ] {
        let (rms, largest) = residuals_px(&pairs(Mapping::Rectilinear, k1, turned_s));
        for (found, want) in [(rms, want_rms), (largest, want_largest)] {
            let allowed = RELATIVE_TOLERANCE * want + LAST_DIGIT_PX;
            assert!(
                (found - want).abs() < allowed,
                "k1 {k1}, {turned_s} s: {found} px for {want} px"
            );
        }
    }
}

#[test]
fn a_homography_is_all_of_a_plain_lens_and_far_from_a_fisheye() {
    const EXACT_PX: f64 = 1e-8;
    let (_, largest) = residuals_px(&pairs(Mapping::Rectilinear, 0.0, 1800.0));
    assert!(largest < EXACT_PX, "{largest} px");
    // To third order equidistant is tan(θ)'s picture with k1 = -1/3, equisolid with
    // 1/24 more bending: -3/8. Residuals grow with k1.
    let leaves = |mapping| residuals_px(&pairs(mapping, 0.0, 600.0)).0;
    let (equidistant, equisolid) = (leaves(Mapping::Equidistant), leaves(Mapping::Equisolid));
    let barrel = residuals_px(&pairs(Mapping::Rectilinear, -0.05, 600.0)).0;
    assert!(barrel < equidistant, "{barrel} and {equidistant} px");
    assert!(equidistant < equisolid, "{equidistant} and {equisolid} px");
}
