//! Which lens it was: projection, focal length and number of radial terms, by the data.

use crate::bundle::{Bundle, Observation, Prior, Solved, Track};
use crate::lens::PARAMETERS;
use crate::motion::Motion;
use crate::resection::{Sight, resect};
use crate::stats::median;
use crate::{Attitude, Lens, Projection};
use rayon::prelude::*;

/// A kind of lens that was tried.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct LensTrial {
    /// Its projection.
    pub projection: Projection,
    /// Terms of its radial polynomial, 0 to 3.
    pub terms: usize,
    /// Akaike's criterion on the stars that the choice was made with, `Σ r²/s² + 2p` with
    /// robust squares: differences count, less is better, 10 is beyond doubt.
    pub criterion: f64,
    /// Its focal length, px.
    pub focal_px: f64,
}

/// What is known of a focal length beforehand.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct FocalPrior {
    /// Focal length, px.
    pub focal_px: f64,
    /// Its standard error as a share of it, below about 1.
    pub relative_error: f64,
}

impl FocalPrior {
    /// Of a lens of `focal_mm` on a sensor of `pitch_um`: focal lengths are marked rounded, and
    /// shorten with focus, both by some percent; zooms state theirs by steps (common practice,
    /// no source).
    pub fn of_pitch(focal_mm: f64, pitch_um: f64) -> Self {
        Self {
            focal_px: 1000.0 * focal_mm / pitch_um,
            relative_error: 0.1,
        }
    }

    /// Of a lens of `focal_mm` on a sensor of unknown pixel pitch: those of cameras lie
    /// between 2 and 9 µm (common practice, no source).
    pub fn of_unknown_pitch(focal_mm: f64) -> Self {
        const PITCH_UM: f64 = 4.2;
        Self {
            focal_px: 1000.0 * focal_mm / PITCH_UM,
            relative_error: 0.4,
        }
    }

    /// Nothing known: about the diagonal of the frame, a factor of three up or down.
    pub(crate) fn unknown(size: (usize, usize)) -> Self {
        Self {
            focal_px: diagonal_px(size),
            relative_error: 1.1,
        }
    }
}

/// What the choice is made from.
pub(crate) struct Trials<'a> {
    /// Tracks on few frames, thinned.
    pub(crate) tracks: &'a [Track],
    pub(crate) frames: usize,
    pub(crate) reference: usize,
    pub(crate) size: (usize, usize),
    pub(crate) focal: FocalPrior,
}

/// A lens that is chosen must be better than a simpler one by this, or the simpler one is
/// taken: the odds of `exp(−4/2)`, one in seven, are not enough for a claim.
const CLEAR_MARGIN: f64 = 4.0;

/// A projection whose residuals with two radial terms are worse than the best's by this is
/// not tried with other numbers of terms.
const HOPELESS: f64 = 1.5;

/// A lens, and the attitudes under it.
type Start = (Lens, Vec<Attitude>);

/// Where a fit began, its number of terms, and what it came to.
type Fit = (Start, usize, Solved);

impl Trials<'_> {
    /// Tries all lenses; the one chosen comes first, the others by their criterion.
    pub(crate) fn run(&self) -> Vec<(LensTrial, Lens, Vec<Attitude>)> {
        let supple = |projection: Projection| {
            let start = self.start(projection)?;
            let solved = self.fit(&start, 2)?;
            Some((start, 2, solved))
        };
        let supple: Vec<Option<Fit>> = Projection::ALL.into_par_iter().map(supple).collect();
        let supple: Vec<Fit> = supple.into_iter().flatten().collect();
        let least = |fits: &[Fit]| {
            fits.iter()
                .map(|fit| fit.2.scale)
                .fold(f64::INFINITY, f64::min)
        };
        let best = least(&supple);
        let with_others = |(start, terms, solved): Fit| -> Vec<Fit> {
            let hopeful = solved.scale < HOPELESS * best;
            let others: &[usize] = if hopeful { &[0, 1, 3] } else { &[] };
            let other = |&t: &usize| Some((start.clone(), t, self.fit(&start, t)?));
            let others: Vec<Option<Fit>> = others.par_iter().map(other).collect();
            let own = (start, terms, solved);
            others.into_iter().flatten().chain([own]).collect()
        };
        let fits: Vec<Vec<Fit>> = supple.into_par_iter().map(with_others).collect();
        let fits: Vec<Fit> = fits.into_iter().flatten().collect();
        let scale = least(&fits);
        let mut trials: Vec<(LensTrial, Lens, Vec<Attitude>)> = fits
            .into_iter()
            .map(|(_, terms, solved)| {
                let lens = solved.state.lens;
                let prior = prior(&lens, self.focal, self.size);
                let bundle = self.bundle(&prior, terms);
                let parameters = bundle.parameters(&solved.state.motion) as f64;
                let trial = LensTrial {
                    projection: lens.projection(),
                    terms,
                    criterion: 2.0 * bundle.cost(&solved.state, scale) + 2.0 * parameters,
                    focal_px: lens.focal_px(),
                };
                let attitudes = crate::bundle::attitudes(&solved.state.motion);
                (trial, lens, attitudes)
            })
            .collect();
        trials.sort_by(|a, b| a.0.criterion.total_cmp(&b.0.criterion));
        let least = trials.first().map_or(f64::NAN, |trial| trial.0.criterion);
        let simplest = (0..trials.len())
            .filter(|&i| trials[i].0.criterion <= least + CLEAR_MARGIN)
            .min_by_key(|&i| (trials[i].0.terms, trials[i].0.projection));
        if let Some(chosen) = simplest {
            let chosen = trials.remove(chosen);
            trials.insert(0, chosen);
        }
        trials
    }

    fn fit(&self, (lens, attitudes): &Start, terms: usize) -> Option<Solved> {
        const ROUNDS: usize = 15;
        let prior = prior(lens, self.focal, self.size);
        let bundle = self.bundle(&prior, terms);
        bundle.solve(*lens, Motion::Free(attitudes.clone()), ROUNDS)
    }

    fn bundle<'b>(&'b self, prior: &'b Prior, terms: usize) -> Bundle<'b> {
        Bundle {
            tracks: self.tracks,
            reference: self.reference,
            prior,
            terms,
            rate: None,
            air: None,
        }
    }

    /// The focal length that a projection without polynomial does best with, by trying, and
    /// the attitudes under it.
    fn start(&self, projection: Projection) -> Option<Start> {
        /// A step of 12 % is less than a twentieth of the lens's curvature.
        const STEP: f64 = 1.12;
        const STEPS: i32 = 36;
        let center = center(self.size);
        let shortest = 0.2 * diagonal_px(self.size);
        let mut focal_px: Vec<f64> = (0..STEPS).map(|i| shortest * STEP.powi(i)).collect();
        focal_px.push(self.focal.focal_px);
        let frame = self.most_moved()?;
        let tried = focal_px.into_iter().filter_map(|f| {
            let lens = Lens::new(projection, f, center, [0.0; 3]);
            let pairs: Vec<(&Observation, &Observation)> = self.pairs(frame);
            let sights: Vec<Sight> = pairs
                .iter()
                .filter_map(|(a, b)| sight(&lens, a, b))
                .collect();
            // A lens that does not see the stars is none.
            if 10 * sights.len() < 9 * pairs.len() {
                return None;
            }
            let attitude = resect(&lens, &sights)?;
            let mut ratios: Vec<f64> = sights
                .iter()
                .map(|sight| sight.residual_px(&lens, &attitude) / sight.error_px)
                .collect();
            let ratio = median(&mut ratios)?;
            let off = (f / self.focal.focal_px).ln() / self.focal.relative_error;
            // Where residuals say nothing, what is known beforehand decides.
            Some((ratio * ratio + 0.02 * off * off, lens))
        });
        let (_, lens) = tried.min_by(|a, b| a.0.total_cmp(&b.0))?;
        let attitudes = (0..self.frames).map(|frame| {
            if frame == self.reference {
                return Some(Attitude::identity());
            }
            let pairs = self.pairs(frame);
            let sights: Vec<Sight> = pairs
                .iter()
                .filter_map(|(a, b)| sight(&lens, a, b))
                .collect();
            resect(&lens, &sights)
        });
        Some((lens, attitudes.collect::<Option<_>>()?))
    }

    /// The frame whose stars have moved most from the reference.
    fn most_moved(&self) -> Option<usize> {
        let moved = |frame: usize| {
            let pairs = self.pairs(frame);
            let mut px: Vec<f64> = pairs
                .iter()
                .map(|(a, b)| (a.at[0] - b.at[0]).hypot(a.at[1] - b.at[1]))
                .collect();
            median(&mut px)
        };
        (0..self.frames)
            .filter(|&frame| frame != self.reference)
            .filter_map(|frame| Some((moved(frame)?, frame)))
            .max_by(|a, b| a.0.total_cmp(&b.0))
            .map(|(_, frame)| frame)
    }

    fn pairs(&self, frame: usize) -> Vec<(&Observation, &Observation)> {
        let on = |track: &'_ Track, frame: usize| track.iter().position(|seen| seen.frame == frame);
        self.tracks
            .iter()
            .filter_map(|track| {
                Some((
                    &track[on(track, self.reference)?],
                    &track[on(track, frame)?],
                ))
            })
            .collect()
    }
}

fn sight(lens: &Lens, from: &Observation, to: &Observation) -> Option<Sight> {
    Some(Sight {
        direction: lens.unproject(from.at[0], from.at[1])?,
        at: to.at,
        error_px: from.error_px.hypot(to.error_px),
    })
}

/// What is known of any lens: its axis meets the sensor within a fiftieth of the diagonal
/// from the middle, and each radial term bends the corner by some 15 % at most (common
/// practice, no source).
pub(crate) fn prior(lens: &Lens, focal: FocalPrior, size: (usize, usize)) -> Prior {
    const CENTERED: f64 = 0.02;
    const BENT: f64 = 0.15;
    let [cx, cy] = center(size);
    let corner = 0.5 * diagonal_px(size) / lens.focal_px();
    let radial = [2, 4, 6].map(|power| BENT / corner.powi(power));
    let off_px = CENTERED * diagonal_px(size);
    let mean: [f64; PARAMETERS] = [focal.focal_px.ln(), cx, cy, 0.0, 0.0, 0.0];
    Prior {
        mean,
        error: [
            focal.relative_error,
            off_px,
            off_px,
            radial[0],
            radial[1],
            radial[2],
        ],
    }
}

pub(crate) fn center(size: (usize, usize)) -> [f64; 2] {
    [size.0, size.1].map(|extent| (extent as f64 - 1.0) / 2.0)
}

pub(crate) fn diagonal_px(size: (usize, usize)) -> f64 {
    (size.0 as f64).hypot(size.1 as f64)
}
