//! The field of elongations as a trail and a pattern about the center.

use super::{SEEN_SIGMAS, StarField, StarPair};
use crate::robust::median;

/// Elongation, px², half of major minus minor, as a vector of twice the angle.
pub(super) struct FieldFit {
    /// What all stars share, at the center.
    pub center: [f64; 2],
    /// Standard error of its length.
    pub center_error: f64,
    /// What points away from the center, at the corner; negative when across.
    pub radial: f64,
    pub radial_error: f64,
}

/// A drift less than this share of the largest at the center says nothing of it.
const LEAST_AT_CENTER: f64 = 0.2;
/// Expected trails shorter than this do not show, px: the field is taken as even.
const LEAST_TRAIL_PX: f64 = 0.3;
const ROUNDS: usize = 10;
/// Stars further from the fit than this many times the median distance are doubles, or no
/// stars: one in 10⁶ of a Gaussian scatter in two dimensions, whose median is 1.18 sigma.
const LIMIT_MEDIANS: f64 = 4.5;

pub(super) fn center(known: &StarField) -> (f64, f64) {
    (
        0.5 * (known.width as f64 - 1.0),
        0.5 * (known.height as f64 - 1.0),
    )
}

/// Fits elongation = c · t(x, y) + k ρ² (cos 2φ, sin 2φ) by least squares without outliers:
/// ρ from 0 at the center to 1 at the corner, φ the direction from the center, and t how
/// the trail of the turning sky changes over the field (1 where that is not known).
pub(super) fn fit(stars: &[StarPair], known: &StarField) -> Option<FieldFit> {
    let (cx, cy) = center(known);
    let corner = cx.hypot(cy).max(1.0);
    let rows: Vec<[[f64; 4]; 2]> = stars
        .iter()
        .map(|star| {
            let [tq, tu] = turn(star, known);
            let (x, y) = ((star.x - cx) / corner, (star.y - cy) / corner);
            let [q, u] = star.single.elongation_px2();
            // (c_q + i c_u)(t_q + i t_u) + k (x + i y)².
            [[tq, -tu, x * x - y * y, q], [tu, tq, 2.0 * x * y, u]]
        })
        .collect();
    let all = robust(&rows)?;
    let radial_error = all.error[2];
    // A pattern that is not there would only make the trail uncertain.
    let trail = match all.solution[2].abs() > SEEN_SIGMAS * radial_error {
        true => all,
        false => {
            let even = |row: &[[f64; 4]; 2]| row.map(|[a, b, _, value]| [a, b, 0.0, value]);
            robust(&rows.iter().map(even).collect::<Vec<_>>())?
        }
    };
    let [a, b, _] = trail.solution;
    Some(FieldFit {
        center: [a, b],
        center_error: (0.5 * (trail.error[0].powi(2) + trail.error[1].powi(2))).sqrt(),
        radial: all.solution[2],
        radial_error,
    })
}

#[derive(Clone, Copy)]
struct Solution {
    solution: [f64; 3],
    error: [f64; 3],
}

/// Least squares without outliers, which are far by both components of their vector.
///
/// The errors are those of residuals that scatter unequally (White 1980, Econometrica 48,
/// 817): demosaicing makes diagonal elongations the less certain ones.
fn robust(rows: &[[[f64; 4]; 2]]) -> Option<Solution> {
    let mut kept: Vec<bool> = vec![true; rows.len()];
    let (mut solution, mut inverse) = solve(rows, &kept)?;
    let off = |row: &[[f64; 4]; 2], [a, b, c]: [f64; 3]| {
        row.map(|[ta, tb, tc, value]| value - ta * a - tb * b - tc * c)
    };
    for _ in 0..ROUNDS {
        let far: Vec<f64> = rows
            .iter()
            .map(|row| off(row, solution))
            .map(|[q, u]| q.hypot(u))
            .collect();
        let limit = LIMIT_MEDIANS * median(far.clone());
        let within: Vec<bool> = far.iter().map(|&far| far <= limit).collect();
        if within == kept || within.iter().filter(|&&k| k).count() < 4 {
            break;
        }
        kept = within;
        (solution, inverse) = solve(rows, &kept)?;
    }
    let mut scatter = [[0.0; 3]; 3];
    let mut n = 0.0;
    for (row, _) in rows.iter().zip(&kept).filter(|(_, kept)| **kept) {
        for (row, residual) in row.iter().zip(off(row, solution)) {
            n += 1.0;
            for i in 0..3 {
                for j in 0..3 {
                    scatter[i][j] += row[i] * row[j] * residual * residual;
                }
            }
        }
    }
    let error = std::array::from_fn(|k| {
        let mut sum = 0.0;
        for i in 0..3 {
            for j in 0..3 {
                sum += inverse[k][i] * scatter[i][j] * inverse[k][j];
            }
        }
        (sum * n / (n - 3.0)).max(0.0).sqrt()
    });
    Some(Solution { solution, error })
}

/// The trail's elongation at a star over that at the center, as a complex number.
fn turn(star: &StarPair, known: &StarField) -> [f64; 2] {
    const EVEN: [f64; 2] = [1.0, 0.0];
    let Some(at) = known.trail_px else {
        return EVEN;
    };
    let squared = |(dx, dy): (f64, f64)| [dx * dx - dy * dy, 2.0 * dx * dy];
    let (cx, cy) = center(known);
    let length = |[q, u]: [f64; 2]| q.hypot(u);
    let middle = squared(at(cx, cy));
    let corners = [
        (0.0, 0.0),
        (2.0 * cx, 0.0),
        (0.0, 2.0 * cy),
        (2.0 * cx, 2.0 * cy),
    ];
    let largest = corners
        .map(|(x, y)| length(squared(at(x, y))))
        .into_iter()
        .fold(length(middle), f64::max);
    let shows = largest.is_finite()
        && largest >= LEAST_TRAIL_PX * LEAST_TRAIL_PX
        && length(middle) >= LEAST_AT_CENTER * largest;
    if !shows {
        return EVEN;
    }
    let here = squared(at(star.x, star.y));
    let norm = middle[0] * middle[0] + middle[1] * middle[1];
    let quotient = [
        (here[0] * middle[0] + here[1] * middle[1]) / norm,
        (here[1] * middle[0] - here[0] * middle[1]) / norm,
    ];
    if quotient[0].is_finite() && quotient[1].is_finite() {
        quotient
    } else {
        EVEN
    }
}

/// Three unknowns by normal equations, and their inverse; an unknown that no row has is 0.
fn solve(rows: &[[[f64; 4]; 2]], kept: &[bool]) -> Option<([f64; 3], [[f64; 3]; 3])> {
    let mut normal = [[0.0; 3]; 3];
    let mut right = [0.0; 3];
    let used = rows.iter().zip(kept).filter(|(_, kept)| **kept);
    for row in used.flat_map(|(row, _)| row) {
        for i in 0..3 {
            right[i] += row[i] * row[3];
            for j in 0..3 {
                normal[i][j] += row[i] * row[j];
            }
        }
    }
    if normal[2][2] == 0.0 {
        normal[2][2] = 1.0;
    }
    let inverse = invert(&normal)?;
    let solution = inverse.map(|row| (0..3).map(|j| row[j] * right[j]).sum());
    Some((solution, inverse))
}

fn invert(m: &[[f64; 3]; 3]) -> Option<[[f64; 3]; 3]> {
    let minor = |i: usize, j: usize| {
        let (a, b) = ((i + 1) % 3, (i + 2) % 3);
        let (c, d) = ((j + 1) % 3, (j + 2) % 3);
        m[a][c] * m[b][d] - m[a][d] * m[b][c]
    };
    let determinant: f64 = (0..3).map(|j| m[0][j] * minor(0, j)).sum();
    let scale = m[0][0] * m[1][1] * m[2][2];
    if determinant.is_nan() || determinant.abs() <= 1e-9 * scale.abs() {
        return None;
    }
    Some(std::array::from_fn(|i| {
        std::array::from_fn(|j| minor(j, i) / determinant)
    }))
}

/// Whether two directions agree, degrees, modulo 180, within their error.
pub(super) fn same_direction(a_deg: f64, b_deg: f64, error_deg: f64) -> bool {
    /// What a homography between lights and a rounded exposure may be off by.
    const ALLOWANCE_DEG: f64 = 10.0;
    let apart = (a_deg - b_deg).rem_euclid(180.0);
    apart.min(180.0 - apart) <= ALLOWANCE_DEG.max(SEEN_SIGMAS * error_deg)
}
