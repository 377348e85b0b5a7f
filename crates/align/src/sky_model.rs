//! One lens and one turning sky for a whole burst.

use crate::bundle::{Bundle, Solved, Track, attitudes, direction};
use crate::lens_choice::{FocalPrior, LensTrial, Trials, prior};
use crate::motion::Motion;
use crate::resection::{Sight, refine, resect};
use crate::standing::standing;
use crate::transparency::transparency;
use crate::tripod::{Tripod, tripod};
use crate::verdict::{Verdict, Zone, verdict};
use crate::{Alignment, Attitude, Lens, Model, PixelMap, Star, tracks, turned};

/// What is known beforehand, and how much is looked at.
#[derive(Clone, Debug, PartialEq)]
pub struct SkyOptions {
    /// Focal length, where something is known. Default: nothing.
    pub focal: Option<FocalPrior>,
    /// Time of the middle of each frame's exposure on the camera's clock, s from any moment;
    /// `None` where unknown. Empty (the default) is unknown for all.
    pub times_s: Vec<Option<f64>>,
    /// Smallest step of those times, s. Default 1.
    pub time_resolution_s: f64,
    /// What is up in the picture, x and y of length 1: where a zenith is looked for, and
    /// within 60° of which it must be. Default `[0, -1]`, an upright frame.
    pub up: [f64; 2],
    /// Most frames that the lens is fitted to; the others get their attitude from its result.
    /// Default 24.
    pub joint_frames: usize,
    /// Most stars that the lens is fitted to. Default 1000.
    pub joint_stars: usize,
}

impl Default for SkyOptions {
    fn default() -> Self {
        Self {
            focal: None,
            times_s: Vec::new(),
            time_resolution_s: 1.0,
            up: [0.0, -1.0],
            joint_frames: 24,
            joint_stars: 1000,
        }
    }
}

/// One lens, an attitude a frame, and what both are worth.
#[derive(Clone, Debug)]
pub struct SkyModel {
    /// The lens.
    pub lens: Lens,
    /// Standard errors of the lens's numbers, with what was known beforehand.
    pub lens_error: LensError,
    /// Terms of the radial polynomial in use.
    pub terms: usize,
    /// The frame whose axes are the sky's.
    pub reference: usize,
    /// Where each frame points; `None` for frames that were not matched, or are mirrored.
    pub attitudes: Vec<Option<Attitude>>,
    /// Stars of each frame that fit the model.
    pub matched: Vec<usize>,
    /// Their root mean square distance from where the model puts them, px.
    pub residual_px: Vec<f64>,
    /// Pairs of star indices, on the reference and on the frame.
    pub pairs: Vec<Vec<(usize, usize)>>,
    /// Residuals over the stars' stated errors; 1 when the errors are as stated.
    pub scale: f64,
    /// The lenses tried, the one in use first.
    pub trials: Vec<LensTrial>,
    /// The turn about one axis, where the camera stood on a tripod.
    pub tripod: Option<Tripod>,
    /// Whether the model explains the frames better than a homography each, and by how much.
    pub verdict: Verdict,
    /// Residuals by distance from the middle of the picture.
    pub zones: Vec<Zone>,
}

/// Standard errors of a lens.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct LensError {
    /// Of the focal length, px.
    pub focal_px: f64,
    /// Of the principal point, px.
    pub principal_point_px: [f64; 2],
    /// Of `k1`, `k2`, `k3`; 0 for terms that are not in use.
    pub radial: [f64; 3],
    /// The part of the focal length's information that the stars gave, the rest being what
    /// was known beforehand; 0 to 1.
    pub focal_by_stars: f64,
}

/// Why there is no model; the frames' own maps hold.
#[derive(Clone, Copy, Debug, PartialEq, thiserror::Error)]
#[non_exhaustive]
pub enum SkyModelError {
    /// Nothing to fit a lens to.
    #[error("too few stars on two frames or more: {found} found, {needed} needed")]
    TooFewStars {
        /// Stars matched on at least two frames.
        found: usize,
        /// Fewest that determine a lens.
        needed: usize,
    },
    /// The sky stood still, or nearly so: any lens fits.
    #[error("the stars moved {found_px:.1} px at most, {needed_px:.0} px tell a lens")]
    TooLittleMotion {
        /// Largest median movement of a frame's stars, px.
        found_px: f64,
        /// Movement below which no lens is sought, px.
        needed_px: f64,
    },
    /// No lens fits all frames.
    #[error("no lens fits the stars of all frames")]
    NoFit,
}

/// Stars on two frames or more below which no lens is sought: some five for each of its
/// numbers.
const FEWEST_STARS: usize = 30;
/// Movement below which all lenses fit alike: second differences of the field, some
/// hundredth of this, have to exceed a star's error.
const LEAST_MOTION_PX: f64 = 2.0;

/// Solves a burst as one: a lens that all frames share, and a rotation each.
///
/// - `frames`: the stars of every frame.
/// - `places`: how each frame was aligned to the reference on its own (see
///   [`align_stars`](crate::align_stars())); `None` for the reference and for those that
///   were not.
/// - `size`: width and height of the frames, px.
///
/// Works in four steps: the stars matched so far, a hundred of them on a few frames, choose
/// projection, focal length and radial terms; the lens then matches all stars of all frames
/// anew, also where a plane-to-plane map missed them, and leaves out what stands still while
/// the sky turns; all are fitted together; and the rotations are held against one axis and
/// the clock, and the lens then to both where nothing speaks against them. Where the camera
/// stood still and starlight bent by the air fits beyond doubt better, the lens is behind that
/// [air](Lens::air): directions are then those without air.
///
/// # Errors
///
/// [`SkyModelError`] when the stars do not tell.
///
/// # Panics
///
/// When `frames` and `places` differ in length, or `reference` is none of them.
pub fn solve_sky(
    frames: &[&[Star]],
    places: &[Option<&Alignment>],
    reference: usize,
    size: (usize, usize),
    options: &SkyOptions,
) -> Result<SkyModel, SkyModelError> {
    assert_eq!(frames.len(), places.len(), "one place for each frame");
    assert!(reference < frames.len(), "the reference is a frame");
    let matched = tracks::from_alignments(frames, places, reference);
    if matched.len() < FEWEST_STARS {
        return Err(SkyModelError::TooFewStars {
            found: matched.len(),
            needed: FEWEST_STARS,
        });
    }
    enough_motion(&matched, frames.len())?;
    let burst = Burst {
        frames,
        reference,
        size,
        options,
        focal: options.focal.unwrap_or(FocalPrior::unknown(size)),
    };
    let (trials, lens) = burst.choose(&matched).ok_or(SkyModelError::NoFit)?;
    burst
        .solve(&matched, trials, lens)
        .ok_or(SkyModelError::NoFit)
}

/// Whether any frame's stars have moved.
fn enough_motion(matched: &[Track], frames: usize) -> Result<(), SkyModelError> {
    let mut moved: Vec<Vec<f64>> = vec![Vec::new(); frames];
    for track in matched {
        let [x, y] = track[0].at;
        for seen in &track[1..] {
            moved[seen.frame].push((seen.at[0] - x).hypot(seen.at[1] - y));
        }
    }
    let medians = moved.iter_mut().filter_map(|px| crate::stats::median(px));
    let found_px = medians.fold(0.0, f64::max);
    match found_px < LEAST_MOTION_PX {
        true => Err(SkyModelError::TooLittleMotion {
            found_px,
            needed_px: LEAST_MOTION_PX,
        }),
        false => Ok(()),
    }
}

/// What was fitted together.
struct Joint {
    /// The frames.
    kept: Vec<usize>,
    /// Places of the stars on them, with the frames counted anew.
    input: Vec<Track>,
    solved: Solved,
}

struct Burst<'a> {
    frames: &'a [&'a [Star]],
    reference: usize,
    size: (usize, usize),
    options: &'a SkyOptions,
    focal: FocalPrior,
}

impl Burst<'_> {
    /// The lens by a few hundred stars on a few frames.
    fn choose(&self, matched: &[Track]) -> Option<(Vec<LensTrial>, Lens)> {
        const FRAMES: usize = 8;
        const STARS: usize = 400;
        let kept = self.evenly(matched, FRAMES);
        let reference = kept.iter().position(|&frame| frame == self.reference)?;
        let few = tracks::thinned(&tracks::on_frames(matched, &kept), self.size, STARS);
        let trials = Trials {
            tracks: &few,
            frames: kept.len(),
            reference,
            size: self.size,
            focal: self.focal,
        };
        let found = trials.run();
        let lens = found.first()?.1;
        Some((found.into_iter().map(|(trial, ..)| trial).collect(), lens))
    }

    /// At most `most` of the frames that stars were matched on, evenly spread, with the
    /// first, the last and the reference.
    fn evenly(&self, matched: &[Track], most: usize) -> Vec<usize> {
        /// A frame with fewer would rather disturb.
        const FEWEST: usize = 12;
        let mut seen = vec![0; self.frames.len()];
        for observation in matched.iter().flatten() {
            seen[observation.frame] += 1;
        }
        let usable: Vec<usize> = (0..seen.len())
            .filter(|&frame| seen[frame] >= FEWEST || frame == self.reference)
            .collect();
        if usable.len() <= most {
            return usable;
        }
        let mut kept: Vec<usize> = (0..most)
            .map(|i| usable[i * (usable.len() - 1) / (most - 1)])
            .collect();
        kept.push(self.reference);
        kept.sort_unstable();
        kept.dedup();
        kept
    }

    fn solve(&self, matched: &[Track], trials: Vec<LensTrial>, lens: Lens) -> Option<SkyModel> {
        /// The first match by the model goes by a lens from few stars.
        const REACHES_PX: [f64; 2] = [3.0, 1.5];
        let mut terms = trials.first()?.terms;
        let mut lens = lens;
        let mut attitudes = self.resect_all(&lens, matched);
        let mut last = None;
        for reach_px in REACHES_PX {
            let standing = standing(self.frames, &lens, &attitudes);
            let all = tracks::by_model(
                self.frames,
                &standing,
                &lens,
                &attitudes,
                self.reference,
                reach_px,
            );
            let joint = self.joint(&all, lens, &attitudes, terms)?;
            lens = joint.solved.state.lens;
            attitudes = self.attitudes_of(&joint, &all, &attitudes);
            last = Some((joint, all));
        }
        let (mut joint, all) = last?;
        let turn = tripod(
            &joint.input,
            &joint.solved,
            &joint.kept,
            &prior(&lens, self.focal, self.size),
            terms,
            self.options,
        );
        let (tripod, held) = turn.map_or((None, None), |turn| (Some(turn.tripod), turn.fit));
        if let Some((held_terms, fit)) = held {
            terms = held_terms;
            lens = fit.state.lens;
            joint.solved = fit;
            attitudes = self.attitudes_of(&joint, &all, &attitudes);
        }
        let solved = joint.solved;
        let verdict = verdict(
            self.frames,
            &all,
            &lens,
            &attitudes,
            self.reference,
            self.size,
            terms,
            solved.scale,
        );
        Some(SkyModel {
            lens,
            lens_error: self.lens_error(&solved, terms),
            terms,
            reference: self.reference,
            matched: verdict.matched,
            residual_px: verdict.residual_px,
            pairs: verdict.pairs,
            scale: solved.scale,
            trials,
            tripod,
            verdict: verdict.verdict,
            zones: verdict.zones,
            attitudes,
        })
    }

    /// Each frame's attitude by the stars matched with the reference.
    fn resect_all(&self, lens: &Lens, matched: &[Track]) -> Vec<Option<Attitude>> {
        let mut sights: Vec<Vec<Sight>> = vec![Vec::new(); self.frames.len()];
        for track in matched {
            // The first place of a track is the reference's.
            let Some(direction) = lens.unproject(track[0].at[0], track[0].at[1]) else {
                continue;
            };
            for seen in &track[1..] {
                sights[seen.frame].push(Sight {
                    direction,
                    at: seen.at,
                    error_px: seen.error_px.hypot(track[0].error_px),
                });
            }
        }
        let mut attitudes: Vec<Option<Attitude>> =
            sights.iter().map(|sights| resect(lens, sights)).collect();
        attitudes[self.reference] = Some(Attitude::identity());
        for (frame, attitude) in attitudes.iter_mut().enumerate() {
            if attitude.is_none() {
                let (own, theirs) = (self.frames[self.reference], self.frames[frame]);
                *attitude = turned::attitude(lens, own, theirs, self.size);
            }
        }
        attitudes
    }

    /// The fit of everything at once, on frames evenly spread.
    fn joint(
        &self,
        all: &[Track],
        lens: Lens,
        attitudes: &[Option<Attitude>],
        terms: usize,
    ) -> Option<Joint> {
        const ROUNDS: usize = 30;
        let several: Vec<Track> = all
            .iter()
            .filter(|track| track.len() > 1)
            .cloned()
            .collect();
        let kept = self.evenly(&several, self.options.joint_frames.max(3));
        let input = tracks::thinned(
            &tracks::on_frames(all, &kept),
            self.size,
            self.options.joint_stars,
        );
        let start: Option<Vec<Attitude>> = kept.iter().map(|&frame| attitudes[frame]).collect();
        let prior = prior(&lens, self.focal, self.size);
        let bundle = Bundle {
            tracks: &input,
            reference: kept.iter().position(|&frame| frame == self.reference)?,
            prior: &prior,
            terms,
            rate: None,
            air: None,
        };
        let solved = bundle.solve(lens, Motion::Free(start?), ROUNDS)?;
        Some(Joint {
            kept,
            input,
            solved,
        })
    }

    /// The attitudes of the joint fit, and under its lens those of the other frames.
    fn attitudes_of(
        &self,
        Joint { kept, solved, .. }: &Joint,
        all: &[Track],
        before: &[Option<Attitude>],
    ) -> Vec<Option<Attitude>> {
        let lens = &solved.state.lens;
        let mut found: Vec<Option<Attitude>> = vec![None; before.len()];
        for (&frame, attitude) in kept.iter().zip(attitudes(&solved.state.motion)) {
            found[frame] = Some(attitude);
        }
        if kept.len() == before.iter().flatten().count() {
            return found;
        }
        let known: Vec<Attitude> = (found.iter().zip(before))
            .map(|(new, old)| new.or(*old).unwrap_or_else(Attitude::identity))
            .collect();
        let mut sights: Vec<Vec<Sight>> = vec![Vec::new(); before.len()];
        for track in all.iter().filter(|track| track.len() > 1) {
            let joint: Track = track
                .iter()
                .filter(|seen| found[seen.frame].is_some())
                .copied()
                .collect();
            if joint.is_empty() {
                continue;
            }
            let direction = direction(lens, &known, &joint);
            for seen in track.iter().filter(|seen| found[seen.frame].is_none()) {
                sights[seen.frame].push(Sight {
                    direction,
                    at: seen.at,
                    error_px: seen.error_px,
                });
            }
        }
        for (frame, sights) in sights.iter().enumerate() {
            if let (None, Some(start)) = (found[frame], before[frame]) {
                found[frame] = refine(lens, sights, start);
            }
        }
        found
    }

    fn lens_error(&self, solved: &Solved, terms: usize) -> LensError {
        let error = |i: usize| solved.covariance[(i, i)].max(0.0).sqrt();
        let radial = std::array::from_fn(|i| if i < terms { error(3 + i) } else { 0.0 });
        let by_prior = (error(0) / self.focal.relative_error).powi(2);
        LensError {
            focal_px: error(0) * solved.state.lens.focal_px(),
            principal_point_px: [error(1), error(2)],
            radial,
            focal_by_stars: (1.0 - by_prior).clamp(0.0, 1.0),
        }
    }
}

impl SkyModel {
    /// The map from the reference to a frame of this size; `None` for a frame that has no
    /// attitude.
    pub fn pixel_map(&self, frame: usize, size: (usize, usize)) -> Option<PixelMap> {
        let attitude = (*self.attitudes.get(frame)?)?;
        Some(match frame == self.reference {
            true => PixelMap::identity(),
            false => PixelMap::from_lens(self.lens, attitude, size),
        })
    }

    /// A frame's place as the model has it, also of one that could not be aligned by itself;
    /// `None` without attitude or stars that fit.
    ///
    /// - `frames`, `size`: as the model was solved with.
    /// - `own`: the frame's alignment by itself, from which is kept what the model does not
    ///   know: the detections that stand still.
    pub fn alignment(
        &self,
        frame: usize,
        frames: &[&[Star]],
        size: (usize, usize),
        own: Option<&Alignment>,
    ) -> Option<Alignment> {
        let pairs = self.pairs.get(frame).filter(|pairs| !pairs.is_empty())?;
        Some(Alignment {
            map: self.pixel_map(frame, size)?,
            matched: pairs.len(),
            residual_px: self.residual_px[frame],
            transparency: transparency(frames[self.reference], frames[frame], pairs),
            model: own.map_or(Model::Similarity, |own| own.model),
            mirrored: false,
            pairs: pairs.clone(),
            stationary: own.map_or(0, |own| own.stationary),
        })
    }

    /// Standard error of the focal length as a share of it.
    pub fn relative_focal_error(&self) -> f64 {
        self.lens_error.focal_px / self.lens.focal_px()
    }
}
