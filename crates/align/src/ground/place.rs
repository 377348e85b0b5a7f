//! Where the ground of one picture lies on another: the turn of the camera that brings the
//! structures of both together.

use super::motion::bilinear;
use super::structure::{Level, Structure};
use super::turn::turn_of;
use crate::stats::{SIGMA_PER_MAD, median};
use crate::{Attitude, Homography, Lens, PixelMap, Projection};
use nalgebra::{Matrix4, Vector4};
use ndarray::Array2;

/// Fewest cells that can be fitted.
const FEWEST_CELLS: usize = 40;
/// Residuals beyond so many sigmas count less (Huber 1964, Ann. Math. Statist. 35, 73).
const HUBER_SIGMAS: f64 = 1.5;
/// Most steps of a fit, and the step at which it ends, cells.
const MOST_STEPS: usize = 15;
const LAST_STEP_CELLS: f64 = 0.005;
/// Focal length that is begun with where none is known, in widths of the picture, and how
/// unsure it is, as a logarithm.
const UNKNOWN_FOCAL_WIDTHS: f64 = 1.5;
const UNKNOWN_FOCAL_SIGMA: f64 = 0.7;
/// Least correlation of two pictures of one ground.
const LEAST_LIKENESS: f64 = 0.5;
/// Share of the picture up to which a ground is looked for without a guess.
const SEARCHED_SHARE: f64 = 0.2;

/// What the camera's lens is known to be.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum GroundLens {
    /// Measured by stars.
    Known(Lens),
    /// Rectilinear, with the focal length that the ground's turn tells: see
    /// [`GroundTurn::sidereal_lens`](crate::GroundTurn::sidereal_lens).
    ByTurn(Lens),
    /// Rectilinear, of about this focal length, px; `None` where nothing is known.
    Rectilinear(Option<f64>),
}

/// A picture prepared for finding its ground on others.
pub struct GroundView {
    structure: Structure,
    /// Width and height, px.
    size: (usize, usize),
}

/// Where a ground lies on another picture.
#[derive(Clone, Debug)]
pub struct GroundPlace {
    /// Pixel of the first picture to pixel of the other.
    pub map: PixelMap,
    /// The turn of the camera.
    pub turn: Attitude,
    /// The lens, its focal length as the fit has it.
    pub lens: Lens,
    /// Correlation of both pictures' structure, 0 to 1.
    pub likeness: f64,
    /// One standard error of the place, px, from the fit's residuals: a lower bound.
    pub error_px: f64,
    /// How far what was matched lies from its place on the first picture, root mean square, px.
    pub moved_px: f64,
}

impl GroundPlace {
    /// The same ground where a map has it: a guess for another picture. `None` where the map
    /// is no turn of a camera.
    ///
    /// - `size`: width and height of the pictures, px.
    pub fn moved_to(&self, map: PixelMap, size: (usize, usize)) -> Option<Self> {
        let turn = turn_of(&map, &self.lens, size)?;
        Some(Self {
            turn,
            map,
            ..self.clone()
        })
    }
}

impl GroundView {
    /// Prepares a picture in [`cell_means`](crate::cell_means) of `cell_px`.
    ///
    /// - `size`: width and height of the picture, px.
    pub fn new(cells: &Array2<f32>, cell_px: usize, size: (usize, usize)) -> Self {
        Self {
            structure: Structure::of(cells, cell_px),
            size,
        }
    }

    /// Looks only at what lies where `keep` is set, in the cells of the picture.
    pub fn limited_to(self, keep: &Array2<bool>) -> Self {
        Self {
            structure: self.structure.limited_to(keep),
            ..self
        }
    }

    /// Finds this picture's ground on another of the same camera.
    ///
    /// - `guess`: a place it lies near to, such as that of the light before; without one, or
    ///   where that does not help, it is looked for within a fifth of the picture.
    ///
    /// `None` where the pictures have no ground in common, or too little of it.
    pub fn find_on(
        &self,
        other: &Self,
        lens: &GroundLens,
        guess: Option<&GroundPlace>,
    ) -> Option<GroundPlace> {
        let top = self
            .structure
            .levels
            .len()
            .min(other.structure.levels.len())
            - 1;
        let near = guess.and_then(|guess| {
            let start = (guess.lens, guess.turn);
            self.fit(other, start, top, lens)
        });
        near.or_else(|| {
            let start = self.begin(lens);
            let turn = self.search(other, top, &start)?;
            self.fit(other, (start, turn), top, lens)
        })
    }

    /// The lens to begin with.
    fn begin(&self, lens: &GroundLens) -> Lens {
        match *lens {
            GroundLens::Known(lens) | GroundLens::ByTurn(lens) => lens,
            GroundLens::Rectilinear(focal_px) => {
                let (width, height) = self.size;
                let middle = [width, height].map(|extent| 0.5 * (extent as f64 - 1.0));
                let focal_px = focal_px.unwrap_or(UNKNOWN_FOCAL_WIDTHS * width as f64);
                Lens::new(Projection::Rectilinear, focal_px, middle, [0.0; 3])
            }
        }
    }

    /// From the coarsest pictures to the finest.
    fn fit(
        &self,
        other: &Self,
        (lens, turn): (Lens, Attitude),
        top: usize,
        known: &GroundLens,
    ) -> Option<GroundPlace> {
        let mut fit = Fit {
            lens,
            focal_px: self.begin(known).focal_px(),
            turn,
            likeness: 0.0,
            error_px: f64::NAN,
        };
        let sure = matches!(known, GroundLens::Known(_));
        let told = !matches!(known, GroundLens::Rectilinear(_));
        for level in (0..=top).rev() {
            let (own, seen) = (
                &self.structure.levels[level],
                &other.structure.levels[level],
            );
            fit.refine(own, &seen.light, !told && level <= 1)?;
        }
        (fit.likeness >= LEAST_LIKENESS)
            .then(|| fit.place(sure, self.size, &self.structure.levels[0]))
    }

    /// The turn that a shift of the coarsest pictures tells.
    fn search(&self, other: &Self, level: usize, lens: &Lens) -> Option<Attitude> {
        let Level {
            light: own,
            cell_px,
            steep: cells,
        } = &self.structure.levels[level];
        let seen = &other.structure.levels[level].light;
        let (rows, columns) = own.dim();
        let reach = |n: usize| ((n as f64 * SEARCHED_SHARE) as isize).max(1);
        let (reach_y, reach_x) = (reach(rows), reach(columns));
        let mut best: Option<(f64, isize, isize)> = None;
        for dy in -reach_y..=reach_y {
            for dx in -reach_x..=reach_x {
                let pairs = cells.iter().filter_map(|&(row, col)| {
                    let at = (row.checked_add_signed(dy)?, col.checked_add_signed(dx)?);
                    let there = seen.get(at).filter(|value| value.is_finite())?;
                    Some((f64::from(own[(row, col)]), f64::from(*there)))
                });
                let (likeness, n) = correlation(pairs);
                // A shift that leaves little in common proves little.
                let share = n as f64 / cells.len().max(1) as f64;
                if share > 0.5 && best.is_none_or(|(most, ..)| likeness > most) {
                    best = Some((likeness, dx, dy));
                }
            }
        }
        let (_, dx, dy) = best?;
        let angle = |cells: isize| (cells * *cell_px as isize) as f64 / lens.focal_px();
        Some(Attitude::from_rotation_vector([-angle(dy), angle(dx), 0.0]))
    }
}

/// Correlation of pairs, and their number; 0 without spread.
fn correlation(pairs: impl Iterator<Item = (f64, f64)>) -> (f64, usize) {
    let (mut n, mut a, mut b, mut aa, mut bb, mut ab) = (0_usize, 0.0, 0.0, 0.0, 0.0, 0.0);
    for (x, y) in pairs {
        n += 1;
        (a, b) = (a + x, b + y);
        (aa, bb, ab) = (aa + x * x, bb + y * y, ab + x * y);
    }
    let count = n.max(1) as f64;
    let spread = (aa - a * a / count) * (bb - b * b / count);
    match spread > 0.0 {
        true => ((ab - a * b / count) / spread.sqrt(), n),
        false => (0.0, n),
    }
}

struct Fit {
    lens: Lens,
    /// Focal length that it began with, px.
    focal_px: f64,
    turn: Attitude,
    likeness: f64,
    error_px: f64,
}

/// A cell of the reference on the other picture.
struct Sample {
    own: f64,
    seen: f64,
    /// Change of `seen` by turn and logarithm of the focal length.
    slope: Vector4<f64>,
}

impl Fit {
    /// Steps by Gauss and Newton until the structures lie on each other; `None` where they
    /// have too little in common.
    fn refine(&mut self, own: &Level, other: &Array2<f32>, free_focal: bool) -> Option<()> {
        let cell_px = own.cell_px;
        for _ in 0..MOST_STEPS {
            let samples: Vec<Sample> = own
                .steep
                .iter()
                .filter_map(|&cell| self.sample(&own.light, other, cell, cell_px))
                .collect();
            if samples.len() < FEWEST_CELLS {
                return None;
            }
            self.likeness = correlation(samples.iter().map(|s| (s.own, s.seen))).0;
            let step = self.step(&samples, free_focal)?;
            let turn = Attitude::from_rotation_vector([step[0], step[1], step[2]]);
            self.turn = self.turn.then(&turn);
            (self.lens, self.turn) = self.zoomed(step[3].exp());
            let moved = step.fixed_rows::<3>(0).norm() * self.lens.focal_px() / cell_px as f64;
            if moved < LAST_STEP_CELLS {
                break;
            }
        }
        Some(())
    }

    fn sample(
        &self,
        reference: &Array2<f32>,
        other: &Array2<f32>,
        (row, col): (usize, usize),
        cell_px: usize,
    ) -> Option<Sample> {
        let middle = 0.5 * (cell_px as f64 - 1.0);
        let px = |cell: usize| (cell * cell_px) as f64 + middle;
        let (x, y) = (px(col), px(row));
        let direction = self.turn.rotate(self.lens.unproject(x, y)?);
        let slopes = self.lens.slopes(direction)?;
        let [to_x, to_y] = slopes.at.map(|px| ((px - middle) / cell_px as f64) as f32);
        let at = |dx: f32, dy: f32| f64::from(bilinear(other, to_x + dx, to_y + dy));
        let seen = at(0.0, 0.0);
        let by_x = 0.5 * (at(1.0, 0.0) - at(-1.0, 0.0)) / cell_px as f64;
        let by_y = 0.5 * (at(0.0, 1.0) - at(0.0, -1.0)) / cell_px as f64;
        // A small turn w moves the direction d by w × d.
        let [dx, dy, dz] = direction;
        let turned = [[0.0, -dz, dy], [dz, 0.0, -dx], [-dy, dx, 0.0]];
        let along = |k: usize| {
            let by = |axis: usize| -> f64 {
                (0..3)
                    .map(|i| slopes.by_direction[axis][i] * turned[k][i])
                    .sum()
            };
            by_x * by(0) + by_y * by(1)
        };
        let focal = self.by_log_focal(x, y, slopes.at)?;
        let slope = Vector4::new(
            along(0),
            along(1),
            along(2),
            by_x * focal[0] + by_y * focal[1],
        );
        let sample = Sample {
            own: f64::from(reference[(row, col)]),
            seen,
            slope,
        };
        (seen.is_finite() && slope.iter().all(|v| v.is_finite())).then_some(sample)
    }

    /// Lens and turn with another focal length and the same shift of the picture's middle, so
    /// that the focal length is told by perspective alone.
    fn zoomed(&self, factor: f64) -> (Lens, Attitude) {
        let lens = self.lens.scaled(factor);
        let [x, y, z] = self.turn.rotation_vector();
        let turn = Attitude::from_rotation_vector([x / factor, y / factor, z]);
        (lens, turn)
    }

    /// Change of a place by the logarithm of the focal length, px.
    fn by_log_focal(&self, x: f64, y: f64, at: [f64; 2]) -> Option<[f64; 2]> {
        const STEP: f64 = 1e-4;
        let (longer, turn) = self.zoomed(1.0 + STEP);
        let there = longer.project(turn.rotate(longer.unproject(x, y)?))?;
        Some([0, 1].map(|k| (there[k] - at[k]) / STEP))
    }

    /// One step: turn about the three axes, rad, and logarithm of the focal length.
    fn step(&mut self, samples: &[Sample], free_focal: bool) -> Option<Vector4<f64>> {
        // The other picture may be brighter, smeared or noisier: a factor between them.
        let gain = |weight: &dyn Fn(&Sample) -> f64| {
            let sum = |of: &dyn Fn(&Sample) -> f64| -> f64 {
                samples.iter().map(|s| weight(s) * of(s)).sum()
            };
            sum(&|s| s.own * s.seen) / sum(&|s| s.own * s.own)
        };
        let factor = gain(&|_| 1.0);
        let spread = |factor: f64| {
            let mut off: Vec<f64> = samples
                .iter()
                .map(|s| (factor * s.own - s.seen).abs())
                .collect();
            (SIGMA_PER_MAD * median(&mut off).unwrap_or(0.0)).max(f64::MIN_POSITIVE)
        };
        let huber = |factor: f64, sigma: f64| {
            move |s: &Sample| (HUBER_SIGMAS * sigma / (factor * s.own - s.seen).abs()).min(1.0)
        };
        let factor = gain(&huber(factor, spread(factor)));
        let sigma = spread(factor);
        let weight = huber(factor, sigma);
        let (mut m, mut v) = (Matrix4::zeros(), Vector4::zeros());
        for sample in samples {
            let w = weight(sample);
            m += w * sample.slope * sample.slope.transpose();
            v += w * sample.slope * (factor * sample.own - sample.seen);
        }
        if free_focal {
            // What is known beforehand, as one more sample.
            let weight = (sigma / UNKNOWN_FOCAL_SIGMA).powi(2);
            m[(3, 3)] += weight;
            v[3] += weight * (self.focal_px / self.lens.focal_px()).ln();
        } else {
            for k in 0..4 {
                (m[(3, k)], m[(k, 3)]) = (0.0, 0.0);
            }
            (m[(3, 3)], v[3]) = (1.0, 0.0);
        }
        let inverse = m.cholesky()?;
        let step = inverse.solve(&v);
        let variance = inverse.inverse();
        self.error_px = sigma * (variance[(0, 0)] + variance[(1, 1)]).sqrt() * self.lens.focal_px();
        let least = |value: f64| value.clamp(-0.3, 0.3);
        step.iter().all(|s| s.is_finite()).then(|| step.map(least))
    }

    /// - `own`: the finest level of the first picture.
    fn place(self, sure: bool, size: (usize, usize), own: &Level) -> GroundPlace {
        let map = match sure {
            true => PixelMap::from_lens(self.lens, self.turn, size),
            false => plane_of_turn(&self.lens, &self.turn),
        };
        GroundPlace {
            moved_px: moved_px(&map, own),
            map,
            turn: self.turn,
            lens: self.lens,
            likeness: self.likeness,
            error_px: self.error_px,
        }
    }
}

/// Root mean square displacement of a level's structure, px; of what has a place.
fn moved_px(map: &PixelMap, own: &Level) -> f64 {
    let middle = 0.5 * (own.cell_px as f64 - 1.0);
    let px = |cell: usize| (cell * own.cell_px) as f64 + middle;
    let (mut n, mut sum) = (0_usize, 0.0);
    for &(row, col) in &own.steep {
        let (x, y) = (px(col), px(row));
        let (to_x, to_y) = map.map(x, y);
        let square = (to_x - x).powi(2) + (to_y - y).powi(2);
        if square.is_finite() {
            (n, sum) = (n + 1, sum + square);
        }
    }
    (sum / n.max(1) as f64).sqrt()
}

/// A turn through a rectilinear lens without distortion: K R K⁻¹ (Hartley & Zisserman 2004,
/// eq. 8.8, from memory).
pub(super) fn plane_of_turn(lens: &Lens, turn: &Attitude) -> PixelMap {
    let (f, [cx, cy]) = (lens.focal_px(), lens.principal_point_px());
    let k = nalgebra::Matrix3::new(f, 0.0, cx, 0.0, f, cy, 0.0, 0.0, 1.0);
    let r = turn.matrix();
    let r = nalgebra::Matrix3::from_fn(|row, col| r[row][col]);
    let back = nalgebra::Matrix3::new(1.0 / f, 0.0, -cx / f, 0.0, 1.0 / f, -cy / f, 0.0, 0.0, 1.0);
    let m = k * r * back;
    let m = m / m[(2, 2)];
    PixelMap::from_homography(Homography(std::array::from_fn(|row| {
        std::array::from_fn(|col| m[(row, col)])
    })))
}
