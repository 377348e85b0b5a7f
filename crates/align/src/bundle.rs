//! One lens, the attitudes of all frames and the directions of all stars, fitted at once.
//!
//! Bundle adjustment (Triggs et al. 2000, "Bundle adjustment: a modern synthesis"; from
//! memory): the directions of the stars, two numbers each, are eliminated from the normal
//! equations by the Schur complement, star by star. Steps are damped after Levenberg and
//! Marquardt; residuals count by Tukey's biweight.

use crate::fit::{MEDIAN_LENGTH, TUKEY_SIGMAS};
use crate::lens::{PARAMETERS, Slopes};
use crate::motion::{Column, Motion, across};
use crate::refraction::AIR_PARAMETERS;
use crate::stats::median;
use crate::{Attitude, Lens, Refraction};
use nalgebra::{Cholesky, DMatrix, DVector, Dyn, Matrix2, Vector2};
use rayon::prelude::*;

/// A star where a frame shows it.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Observation {
    pub(crate) frame: usize,
    /// Index of the star in the frame's list.
    pub(crate) star: usize,
    pub(crate) at: [f64; 2],
    /// Standard error along one axis, px.
    pub(crate) error_px: f64,
}

/// All places of one star, at most one a frame.
pub(crate) type Track = Vec<Observation>;

/// Tracks that are not worth being shared among threads: fewer are done before another
/// thread is awake.
const FEW_TRACKS: usize = 128;

/// What is known of the lens before the stars speak: a mean and its standard error for each
/// parameter of [`Lens::moved`]; infinite errors say nothing.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Prior {
    pub(crate) mean: [f64; PARAMETERS],
    pub(crate) error: [f64; PARAMETERS],
}

/// A rate of turning known beforehand: a linear form of the angles, in 1/s, that is the rate.
#[derive(Clone, Debug)]
pub(crate) struct RateHeld {
    /// Frames and the factors of their angles.
    pub(crate) form: Vec<(usize, f64)>,
    pub(crate) rad_per_s: f64,
    /// Its standard error.
    pub(crate) error_rad_per_s: f64,
}

/// What is fitted.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Bundle<'a> {
    pub(crate) tracks: &'a [Track],
    /// The frame whose axes are the sky's.
    pub(crate) reference: usize,
    pub(crate) prior: &'a Prior,
    /// Terms of the radial polynomial that are fitted; the others stay as they are.
    pub(crate) terms: usize,
    /// What is known of the rate of a turning motion.
    pub(crate) rate: Option<&'a RateHeld>,
    /// What is known of the air that the lens is behind; without it the air stays as it is.
    pub(crate) air: Option<&'a AirPrior>,
}

/// What is known of the air before the stars speak: its strength, see [`Refraction`].
#[derive(Clone, Copy, Debug)]
pub(crate) struct AirPrior {
    pub(crate) strength: f64,
    pub(crate) error: f64,
}

/// A sky, a lens and a motion.
#[derive(Clone, Debug)]
pub(crate) struct State {
    pub(crate) lens: Lens,
    pub(crate) motion: Motion,
    /// Direction of each track's star in the reference's axes.
    pub(crate) stars: Vec<[f64; 3]>,
}

/// The fitted state, and how well it fits.
#[derive(Clone, Debug)]
pub(crate) struct Solved {
    pub(crate) state: State,
    /// Residuals over their stated errors.
    pub(crate) scale: f64,
    /// Covariance of the fitted numbers: the lens's first, then the motion's.
    pub(crate) covariance: DMatrix<f64>,
}

/// Normal equations without the stars, and what brings them back.
struct Normals {
    matrix: DMatrix<f64>,
    right: DVector<f64>,
    /// Of each star: inverse of its own block, its right side, its couplings.
    stars: Vec<StarBlock>,
}

struct StarBlock {
    inverse: Matrix2<f64>,
    right: Vector2<f64>,
    coupling: Vec<(usize, Vector2<f64>)>,
    across: [[f64; 3]; 2],
}

impl Bundle<'_> {
    /// Fits from a lens and a motion, in at most so many rounds; `None` when the stars do not determine a step.
    pub(crate) fn solve(&self, lens: Lens, motion: Motion, rounds: usize) -> Option<Solved> {
        // A step that betters half the sum of squares by less than this moves nothing by more
        // than a twentieth of its error.
        const CONVERGED: f64 = 1e-3;
        let attitudes = attitudes(&motion);
        let mut state = State {
            stars: self
                .tracks
                .iter()
                .map(|track| direction(&lens, &attitudes, track))
                .collect(),
            lens,
            motion,
        };
        let mut scale = self.scale(&state)?;
        let mut damping = 1e-6;
        let mut steady = false;
        for _ in 0..rounds {
            let before = self.cost(&state, scale);
            let (better, cost) = self.step(&state, scale, before, &mut damping)?;
            state = better;
            let next = self.scale(&state)?;
            let settled = before - cost < CONVERGED && (next / scale - 1.0).abs() < 1e-3;
            scale = next;
            // Twice in a row: a step that was damped too much looks settled, too.
            if settled && steady {
                break;
            }
            steady = settled;
        }
        let scale = scale * self.spread(&state);
        let normals = self.normals(&state, scale, 0.0)?;
        Some(Solved {
            covariance: normals.matrix.cholesky()?.inverse(),
            scale,
            state,
        })
    }

    /// The step that betters the cost, with the damping that it took.
    fn step(
        &self,
        state: &State,
        scale: f64,
        cost: f64,
        damping: &mut f64,
    ) -> Option<(State, f64)> {
        const TRIES: usize = 14;
        for _ in 0..TRIES {
            let normals = self.normals(state, scale, *damping)?;
            if let Some(cholesky) = normals.matrix.clone().cholesky() {
                let candidate = self.moved(state, &normals, &cholesky);
                let next = self.cost(&candidate, scale);
                if next <= cost {
                    // Principal point and attitudes nearly stand for each other: the least
                    // damping would make the difference between them creep.
                    *damping = if *damping < 1e-12 {
                        0.0
                    } else {
                        1e-3 * *damping
                    };
                    return Some((candidate, next));
                }
            }
            *damping = (10.0 * *damping).max(1e-9);
        }
        Some((state.clone(), cost))
    }

    fn moved(&self, state: &State, normals: &Normals, cholesky: &Cholesky<f64, Dyn>) -> State {
        let step = cholesky.solve(&normals.right);
        let mut lens_step = [0.0; PARAMETERS];
        lens_step[..self.lens_parameters()]
            .copy_from_slice(&step.as_slice()[..self.lens_parameters()]);
        let star = |(direction, block): (&[f64; 3], &StarBlock)| {
            let mut right = block.right;
            for (column, coupling) in &block.coupling {
                right -= coupling * step[*column];
            }
            let [a, b]: [f64; 2] = (block.inverse * right).into();
            let moved: [f64; 3] = std::array::from_fn(|k| {
                direction[k] + a * block.across[0][k] + b * block.across[1][k]
            });
            let norm = moved.iter().map(|part| part * part).sum::<f64>().sqrt();
            moved.map(|part| part / norm)
        };
        let [motion, air] = [
            self.lens_parameters(),
            self.lens_parameters() + state.motion.parameters(),
        ];
        let lens = state.lens.moved(&lens_step);
        let behind = |air: Refraction, step: &[f64]| {
            let step = step.try_into().ok();
            step.map_or(air, |step| air.moved(step))
        };
        State {
            lens: lens.behind(lens.air().map(|own| behind(own, &step.as_slice()[air..]))),
            motion: state
                .motion
                .moved(&step.as_slice()[motion..air], self.reference),
            stars: state.stars.iter().zip(&normals.stars).map(star).collect(),
        }
    }

    pub(crate) fn lens_parameters(&self) -> usize {
        3 + self.terms
    }

    /// Numbers fitted beside the stars.
    pub(crate) fn parameters(&self, motion: &Motion) -> usize {
        self.lens_parameters() + motion.parameters() + self.air_parameters()
    }

    /// Those of the air, which come last.
    fn air_parameters(&self) -> usize {
        self.air.map_or(0, |_| AIR_PARAMETERS)
    }

    /// Residual vectors of all observations, px, and their errors; `None` where the lens does
    /// not see the star.
    pub(crate) fn residuals(&self, state: &State) -> Vec<(Observation, Option<[f64; 2]>)> {
        let attitudes = attitudes(&state.motion);
        let mut residuals = Vec::with_capacity(self.tracks.iter().map(Vec::len).sum());
        for (track, star) in self.tracks.iter().zip(&state.stars) {
            for observation in track {
                let place = state
                    .lens
                    .project(attitudes[observation.frame].rotate(*star));
                let off = place.map(|at| [0, 1].map(|k| observation.at[k] - at[k]));
                residuals.push((*observation, off));
            }
        }
        residuals
    }

    /// Robust scale of the residuals over their errors.
    fn scale(&self, state: &State) -> Option<f64> {
        const LEAST_SCALE: f64 = 1e-7;
        let residuals = self.residuals(state);
        let ratio = |(observation, off): &(Observation, Option<[f64; 2]>)| {
            off.map_or(f64::INFINITY, |[x, y]| x.hypot(y) / observation.error_px)
        };
        let mut ratios: Vec<f64> = residuals.iter().map(ratio).collect();
        let scale = median(&mut ratios)? / MEDIAN_LENGTH;
        scale.is_finite().then_some(scale.max(LEAST_SCALE))
    }

    /// By what fitted numbers have made the residuals smaller than the errors.
    fn spread(&self, state: &State) -> f64 {
        let equations = 2.0 * self.tracks.iter().map(Vec::len).sum::<usize>() as f64;
        let fitted = 2 * self.tracks.len() + self.parameters(&state.motion);
        (equations / (equations - fitted as f64).max(1.0)).sqrt()
    }

    /// Tukey's loss, a half of the squares for small residuals, and the prior's.
    pub(crate) fn cost(&self, state: &State, scale: f64) -> f64 {
        let loss = |(observation, off): &(Observation, Option<[f64; 2]>)| {
            let inside = off.map_or(0.0, |[x, y]| {
                let ratio = x.hypot(y) / (observation.error_px * scale * TUKEY_SIGMAS);
                (1.0 - ratio * ratio).max(0.0)
            });
            TUKEY_SIGMAS * TUKEY_SIGMAS / 6.0 * (1.0 - inside.powi(3))
        };
        let stars: f64 = self.residuals(state).iter().map(loss).sum();
        let prior = self.prior.off(&state.lens);
        let rate = self.rate.map_or(0.0, |rate| rate.off(&state.motion));
        let air = self.air.map_or(0.0, |air| air.off(&state.lens));
        let lens = prior.iter().map(|off| off * off).sum::<f64>();
        stars + 0.5 * (rate * rate + air * air + lens)
    }

    /// Where every observation is seen, by track, and how that changes; `None` where the lens
    /// does not see the star. That is most of the work, and each stands for itself.
    fn slopes(&self, state: &State, attitudes: &[Attitude]) -> Vec<Vec<Option<Seen>>> {
        let air = self.air.and(state.lens.air()).map(AirSteps::new);
        let of_track = |(track, star): (&Track, &[f64; 3])| {
            let seen = |observation: &Observation| {
                let here = attitudes[observation.frame].rotate(*star);
                let slopes = state.lens.slopes(here)?;
                let by_air = air
                    .as_ref()
                    .map_or_else(Default::default, |air| air.slopes(here));
                Some(Seen {
                    here,
                    slopes,
                    by_air,
                })
            };
            track.iter().map(seen).collect()
        };
        let tracks = self.tracks.par_iter().zip(&state.stars);
        tracks.with_min_len(FEW_TRACKS).map(of_track).collect()
    }

    fn normals(&self, state: &State, scale: f64, damping: f64) -> Option<Normals> {
        let (lens_parameters, all) = (self.lens_parameters(), self.parameters(&state.motion));
        let attitudes = attitudes(&state.motion);
        let columns: Vec<_> = (0..attitudes.len())
            .map(|frame| state.motion.columns(frame, self.reference))
            .collect();
        // Row-major sums of their own; the matrix is filled at the end.
        let mut matrix = vec![0.0; all * all];
        let mut right = DVector::zeros(all);
        let mut eliminated = vec![0.0; all * all];
        let mut stars = Vec::with_capacity(self.tracks.len());
        let mut coupling = vec![Vector2::zeros(); all];
        let mut touched = Vec::new();
        let mut row: Vec<(usize, [f64; 2])> = Vec::new();
        let slopes = self.slopes(state, &attitudes);
        for ((track, star), slopes) in self.tracks.iter().zip(&state.stars).zip(slopes) {
            let sides = across(*star);
            // A star that no frame holds stays where it is.
            let mut own = Matrix2::identity() * 1e-12;
            let mut own_right = Vector2::zeros();
            touched.clear();
            for (observation, slopes) in track.iter().zip(slopes) {
                let attitude = &attitudes[observation.frame];
                let Some(Seen {
                    here,
                    slopes,
                    by_air,
                }) = slopes
                else {
                    continue;
                };
                let off = [0, 1].map(|k| observation.at[k] - slopes.at[k]);
                let sigma = observation.error_px * scale;
                let ratio = off[0].hypot(off[1]) / (sigma * TUKEY_SIGMAS);
                let weight = (1.0 - ratio * ratio).max(0.0).powi(2) / (sigma * sigma);
                if weight == 0.0 {
                    continue;
                }
                let by_turn = |turn: [f64; 3]| {
                    let moved = cross(turn, here);
                    [0, 1].map(|axis| dot(slopes.by_direction[axis], moved))
                };
                row.clear();
                row.extend(
                    (0..lens_parameters).map(|i| (i, [slopes.by_lens[0][i], slopes.by_lens[1][i]])),
                );
                row.extend(
                    columns[observation.frame]
                        .iter()
                        .map(|&(i, turn)| (lens_parameters + i, by_turn(turn))),
                );
                if self.air.is_some() {
                    row.extend((0..AIR_PARAMETERS).map(|i| {
                        let by_air = [0, 1].map(|axis| dot(slopes.by_seen[axis], by_air[i]));
                        (all - AIR_PARAMETERS + i, by_air)
                    }));
                }
                let by_star = sides.map(|side| {
                    let moved = attitude.rotate(side);
                    [0, 1].map(|axis| dot(slopes.by_direction[axis], moved))
                });
                for (a, side) in by_star.iter().enumerate() {
                    own_right[a] += weight * (side[0] * off[0] + side[1] * off[1]);
                    for (b, other) in by_star.iter().enumerate() {
                        own[(a, b)] += weight * (side[0] * other[0] + side[1] * other[1]);
                    }
                }
                for (n, &(i, slope)) in row.iter().enumerate() {
                    right[i] += weight * (slope[0] * off[0] + slope[1] * off[1]);
                    for &(j, other) in &row[..=n] {
                        matrix[i * all + j] += weight * (slope[0] * other[0] + slope[1] * other[1]);
                    }
                    if coupling[i] == Vector2::zeros() {
                        touched.push(i);
                    }
                    for (a, side) in by_star.iter().enumerate() {
                        coupling[i][a] += weight * (slope[0] * side[0] + slope[1] * side[1]);
                    }
                }
            }
            own[(0, 0)] *= 1.0 + damping;
            own[(1, 1)] *= 1.0 + damping;
            let inverse = own.try_inverse()?;
            touched.sort_unstable();
            touched.dedup();
            let coupled: Vec<(usize, Vector2<f64>)> = touched
                .iter()
                .map(|&i| (i, std::mem::replace(&mut coupling[i], Vector2::zeros())))
                .collect();
            for (n, &(i, mine)) in coupled.iter().enumerate() {
                let pulled = inverse * mine;
                right[i] -= pulled.dot(&own_right);
                for &(j, other) in &coupled[..=n] {
                    eliminated[i * all + j] += pulled.x * other.x + pulled.y * other.y;
                }
            }
            stars.push(StarBlock {
                inverse,
                right: own_right,
                coupling: coupled,
                across: sides,
            });
        }
        let off = self.prior.off(&state.lens);
        for i in 0..lens_parameters {
            let error = self.prior.error[i];
            if error.is_finite() {
                matrix[i * all + i] += error.powi(-2);
                right[i] -= off[i] / error;
            }
        }
        if let Some(rate) = self.rate {
            let off = rate.off(&state.motion);
            for (i, slope) in rate.slopes(&columns) {
                right[lens_parameters + i] -= off * slope;
                for (j, other) in rate.slopes(&columns) {
                    if j <= i {
                        matrix[(lens_parameters + i) * all + lens_parameters + j] += slope * other;
                    }
                }
            }
        }
        if let Some(air) = self.air {
            let last = all - 1;
            matrix[last * all + last] += air.error.powi(-2);
            right[last] -= air.off(&state.lens) / air.error;
        }
        for i in 0..all {
            matrix[i * all + i] *= 1.0 + damping;
        }
        let lower = |i: usize, j: usize| {
            let at = i.max(j) * all + i.min(j);
            matrix[at] - eliminated[at]
        };
        Some(Normals {
            matrix: DMatrix::from_fn(all, all, lower),
            right,
            stars,
        })
    }
}

impl RateHeld {
    /// How far a motion's rate is from it, in errors; 0 for motions without angles.
    fn off(&self, motion: &Motion) -> f64 {
        let Motion::Turning { angles, .. } = motion else {
            return 0.0;
        };
        let rate: f64 = self.form.iter().map(|&(i, g)| g * angles[i]).sum();
        (rate - self.rad_per_s) / self.error_rad_per_s
    }

    /// Its derivative by the motion's numbers: the last of a frame's columns is its angle.
    fn slopes(&self, columns: &[Vec<Column>]) -> impl Iterator<Item = (usize, f64)> {
        self.form.iter().filter_map(|&(frame, g)| {
            let (angle, _) = columns[frame].last()?;
            Some((*angle, g / self.error_rad_per_s))
        })
    }
}

impl AirPrior {
    /// How far a strength is from it, in errors.
    fn off(&self, lens: &Lens) -> f64 {
        let strength = lens.air().map(|air| air.strength());
        strength.map_or(0.0, |strength| (strength - self.strength) / self.error)
    }
}

/// Where a direction is seen, and how that changes.
struct Seen {
    /// The direction in the frame's axes.
    here: [f64; 3],
    slopes: Slopes,
    /// By the air's numbers, of the direction that the air lets it be seen in.
    by_air: [[f64; 3]; AIR_PARAMETERS],
}

/// Air, and the same after a small step of each of its numbers.
struct AirSteps {
    air: Refraction,
    after: [Refraction; AIR_PARAMETERS],
}

impl AirSteps {
    const STEP: f64 = 1e-4;

    fn new(air: Refraction) -> Self {
        let after = std::array::from_fn(|i| {
            let mut step = [0.0; AIR_PARAMETERS];
            step[i] = Self::STEP;
            air.moved(&step)
        });
        Self { air, after }
    }

    /// What the steps do to where a direction is seen.
    fn slopes(&self, direction: [f64; 3]) -> [[f64; 3]; AIR_PARAMETERS] {
        let before = self.air.apparent(direction);
        self.after.map(|air| {
            let after = air.apparent(direction);
            [0, 1, 2].map(|k| (after[k] - before[k]) / Self::STEP)
        })
    }
}

impl Prior {
    /// How far a lens is from the prior, in errors.
    fn off(&self, lens: &Lens) -> [f64; PARAMETERS] {
        let [cx, cy] = lens.principal_point_px();
        let [k1, k2, k3] = lens.radial();
        let values = [lens.focal_px().ln(), cx, cy, k1, k2, k3];
        std::array::from_fn(|i| match self.error[i].is_finite() {
            true => (values[i] - self.mean[i]) / self.error[i],
            false => 0.0,
        })
    }
}

pub(crate) fn attitudes(motion: &Motion) -> Vec<Attitude> {
    (0..motion.frames())
        .map(|frame| motion.attitude(frame))
        .collect()
}

/// The mean direction of a track's places; along the axis when the lens sees none of them.
pub(crate) fn direction(lens: &Lens, attitudes: &[Attitude], track: &Track) -> [f64; 3] {
    let mut sum = [0.0; 3];
    for observation in track {
        if let Some(seen) = lens.unproject(observation.at[0], observation.at[1]) {
            let seen = attitudes[observation.frame].inverse().rotate(seen);
            let weight = observation.error_px.powi(-2);
            sum = std::array::from_fn(|k| sum[k] + weight * seen[k]);
        }
    }
    let norm = dot(sum, sum).sqrt();
    match norm > 0.0 {
        true => sum.map(|part| part / norm),
        false => [0.0, 0.0, 1.0],
    }
}

pub(crate) fn dot(a: [f64; 3], b: [f64; 3]) -> f64 {
    a[0] * b[0] + a[1] * b[1] + a[2] * b[2]
}

fn cross(a: [f64; 3], b: [f64; 3]) -> [f64; 3] {
    [
        a[1] * b[2] - a[2] * b[1],
        a[2] * b[0] - a[0] * b[2],
        a[0] * b[1] - a[1] * b[0],
    ]
}
