//! What detection does on a simulated field: how many stars it finds, how well it places
//! them, and what it takes for stars.

use super::super::align::{DetectOptions, Star};
use super::{Placed, Starfield};

/// A star is found when one is this near, px.
const FOUND_PX: f64 = 2.0;

/// Stars drawn, with what was found of them, and what was found besides.
#[derive(Default)]
pub struct Found {
    pub stars: Vec<(Placed, f64, Option<Star>)>,
    pub false_alarms: Vec<Star>,
}

impl Found {
    /// Looks at some frames of a field.
    pub fn on(field: &Starfield, frames: std::ops::Range<usize>, options: &DetectOptions) -> Self {
        let mut found = Self::default();
        for frame in frames {
            let mut left = field.found(frame, options);
            for placed in &field.placed {
                let near = left
                    .iter()
                    .position(|star| (star.x - placed.x).hypot(star.y - placed.y) < FOUND_PX);
                let star = near.map(|i| left.swap_remove(i));
                found
                    .stars
                    .push((*placed, field.corner_share(placed), star));
            }
            found.false_alarms.append(&mut left);
        }
        found
    }

    /// Share of the stars of an SNR that were found.
    pub fn completeness(&self, snr: f64) -> f64 {
        let own = self
            .stars
            .iter()
            .filter(|(placed, ..)| same(placed.snr, snr));
        let (all, seen) = own.fold((0, 0), |(all, seen), (.., star)| {
            (all + 1, seen + i32::from(star.is_some()))
        });
        f64::from(seen) / f64::from(all)
    }

    /// Scatter of the centroids of an SNR in a ring of the field, over the Cramér-Rao bound,
    /// and their mean offset, px.
    ///
    /// Coma moves centroids outwards as distance grows: an affine map of the ring is taken
    /// off, as any alignment would.
    pub fn scatter(&self, snr: f64, ring: std::ops::Range<f64>) -> Scatter {
        let rows: Vec<([f64; 3], [f64; 2], [f64; 2])> = self
            .stars
            .iter()
            .filter(|(placed, share, _)| same(placed.snr, snr) && ring.contains(share))
            .filter_map(|(placed, _, star)| {
                let star = star.as_ref()?;
                let off = [star.x - placed.x, star.y - placed.y];
                Some(([1.0, placed.x / 1e3, placed.y / 1e3], off, placed.bound_px))
            })
            .collect();
        let n = rows.len() as f64;
        let mut squares = 0.0;
        let mut offset_px = [0.0; 2];
        for axis in 0..2 {
            let fit = least_squares(rows.iter().map(|(by, off, _)| (*by, off[axis])));
            offset_px[axis] = rows.iter().map(|(_, off, _)| off[axis]).sum::<f64>() / n;
            for (by, off, bound) in &rows {
                let model: f64 = by.iter().zip(fit).map(|(a, b)| a * b).sum();
                squares += ((off[axis] - model) / bound[axis]).powi(2);
            }
        }
        let bound: f64 = rows.iter().map(|(.., b)| 0.5 * (b[0] + b[1])).sum::<f64>() / n;
        Scatter {
            over_bound: (squares / (2.0 * (n - 3.0))).sqrt(),
            bound_px: bound,
            offset_px,
            stars: rows.len(),
        }
    }
}

/// How well stars were placed.
#[derive(Clone, Copy, Debug)]
pub struct Scatter {
    pub over_bound: f64,
    pub bound_px: f64,
    pub offset_px: [f64; 2],
    pub stars: usize,
}

fn same(a: f64, b: f64) -> bool {
    (a / b - 1.0).abs() < 1e-3
}

/// Three coefficients by the normal equations, Gauss without pivoting: the matrix is
/// positive definite.
fn least_squares(rows: impl Iterator<Item = ([f64; 3], f64)>) -> [f64; 3] {
    let mut m = [[0.0; 4]; 3];
    for (by, value) in rows {
        for i in 0..3 {
            for j in 0..3 {
                m[i][j] += by[i] * by[j];
            }
            m[i][3] += by[i] * value;
        }
    }
    for i in 0..3 {
        for k in 0..3 {
            if k != i {
                let share = m[k][i] / m[i][i];
                let row = m[i];
                m[k].iter_mut().zip(row).for_each(|(a, b)| *a -= share * b);
            }
        }
    }
    [0, 1, 2].map(|i| m[i][3] / m[i][i])
}
