//! A sky that turns about one axis: the pole, the rate, and what the clock says of it.

use crate::bundle::{AirPrior, Bundle, Prior, RateHeld, Solved, Track};
use crate::clock::{Clock, clock};
use crate::motion::{Motion, across};
use crate::stats::median;
use crate::{Refraction, SkyOptions};
use rayon::prelude::*;

/// How a camera that stands still sees the sky turn.
#[derive(Clone, Debug, PartialEq)]
pub struct Tripod {
    /// The axis in the reference's camera axes, about which the sky turns right-handed in the
    /// order of the frames; where time runs forward that is the south celestial pole.
    pub axis: [f64; 3],
    /// Its standard error, rad, in the worse direction.
    pub axis_error_rad: f64,
    /// Angle of each frame from the reference, rad; `None` for those that took no part.
    pub angles_rad: Vec<Option<f64>>,
    /// Rms of the residuals over those with free attitudes: 1 when the camera stood still.
    pub excess: f64,
    /// What the clock says; `None` where fewer than three times are known.
    pub clock: Option<Clock>,
    /// Frames before which the camera was moved.
    pub moved: Vec<usize>,
    /// What the lens was fitted under, since the frames do not speak against it.
    pub held: Held,
}

/// What the turns of the frames were held to while the lens was fitted.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Held {
    /// Nothing: each frame turned as it liked.
    Free,
    /// One axis.
    Axis,
    /// One axis and the sidereal rate.
    SiderealRate,
}

/// A turn, and the fit that is held to it.
pub(crate) struct Turn {
    pub(crate) tripod: Tripod,
    /// With the terms of its radial polynomial; `None` where the frames speak against it.
    pub(crate) fit: Option<(usize, Solved)>,
}

/// The turn about one axis, where the free attitudes of a joint fit are one; `None` where
/// there is no turn to speak of, or it is none.
pub(crate) fn tripod(
    input: &[Track],
    solved: &Solved,
    kept: &[usize],
    prior: &Prior,
    terms: usize,
    options: &SkyOptions,
) -> Option<Turn> {
    /// Frames with an angle of their own that an axis takes.
    const FEWEST_FRAMES: usize = 3;
    /// What the wind, and refraction that is not told, may add to the residuals of a camera that stood still.
    const STOOD_STILL: f64 = 1.5;
    if kept.len() < FEWEST_FRAMES {
        return None;
    }
    let reference =
        (0..kept.len()).find(|&i| solved.state.motion.attitude(i).angle_rad() == 0.0)?;
    let bundle = Bundle {
        tracks: input,
        reference,
        prior,
        terms,
        rate: None,
        air: None,
    };
    let moved = moved_frames(&solved.state.motion, kept, options);
    let free = criterion(&bundle, solved, solved.scale);
    let turning = turn_about_one_axis(&bundle, solved, None)?;
    let behind_air = match moved.is_empty() {
        true => turn_behind_air(&bundle, &turning, options.up),
        false => None,
    };
    let bundle = match &behind_air {
        Some((terms, _)) => Bundle {
            terms: *terms,
            air: Some(&AIR),
            ..bundle
        },
        None => bundle,
    };
    let turning = behind_air.unwrap_or(turning);
    let Motion::Turning { angles, .. } = &turning.1.state.motion else {
        return None;
    };
    let excess = turning.1.scale / solved.scale;
    if excess > STOOD_STILL && moved.is_empty() {
        return None;
    }
    let told = clock(&turning, reference, angles, kept, options);
    let (clock, rate) = told.map_or((None, None), |(clock, rate)| (Some(clock), rate));
    let terms = turning.0;
    let under_one_axis = criterion(&Bundle { terms, ..bundle }, &turning.1, solved.scale);
    let stood_still = moved.is_empty() && under_one_axis < free + BEYOND_DOUBT;
    let timed = rate.filter(|_| stood_still);
    let timed = timed.and_then(|rate| turn_about_one_axis(&bundle, &turning.1, Some(&rate)));
    let held = match (stood_still, &timed) {
        (false, _) => Held::Free,
        (true, None) => Held::Axis,
        (true, Some(_)) => Held::SiderealRate,
    };
    let (terms, turning) = timed.unwrap_or(turning);
    let Motion::Turning { axis, angles } = &turning.state.motion else {
        return None;
    };
    let lens = 3 + terms;
    let axis_error_rad = (0..2)
        .map(|i| turning.covariance[(lens + i, lens + i)].max(0.0).sqrt())
        .fold(0.0, f64::max);
    let frames = kept.iter().max()? + 1;
    let mut angles_rad = vec![None; frames.max(options.times_s.len())];
    for (&frame, &angle) in kept.iter().zip(angles) {
        angles_rad[frame] = Some(angle);
    }
    let tripod = Tripod {
        axis: *axis,
        axis_error_rad,
        clock,
        angles_rad,
        excess,
        moved,
        held,
    };
    let fit = stood_still.then_some((terms, turning));
    Some(Turn { tripod, fit })
}

/// Air as it is over most of the land: from 750 hPa and 20 °C to 1030 hPa and -20 °C
/// (common practice, no source).
const AIR: AirPrior = AirPrior {
    strength: 0.92,
    error: 0.1,
};

/// The turn with starlight bent by the air; `None` where that is not better beyond doubt.
///
/// On a tripod the zenith stands still in the picture, and where the air bends most tells it.
fn turn_behind_air(
    bundle: &Bundle<'_>,
    turning: &(usize, Solved),
    up: [f64; 2],
) -> Option<(usize, Solved)> {
    /// Rounds that tell a start's promise.
    const FEW_ROUNDS: usize = 3;
    /// Of the stars, which come cell by cell of a grid, so many tell it as well.
    const EVERY: usize = 5;
    const ROLLS_DEG: [f64; 3] = [-30.0, 0.0, 30.0];
    const ALTITUDES_DEG: [f64; 3] = [15.0, 40.0, 65.0];
    /// A field that reaches no farther from its axis the air does little but scale, by less
    /// than its stars tell, and many starts are dear.
    const WIDE_DEG: f64 = 20.0;
    let (terms, without) = turning;
    let seen = bundle.tracks.iter().filter_map(|track| track.first());
    let angles = seen.filter_map(|seen| without.state.lens.angle_rad(seen.at[0], seen.at[1]));
    if angles.fold(0.0, f64::max) < WIDE_DEG.to_radians() {
        return None;
    }
    let bundle = Bundle {
        terms: *terms,
        air: Some(&AIR),
        ..*bundle
    };
    let starts = ROLLS_DEG.into_iter().flat_map(|roll_deg| {
        let (aside, along) = roll_deg.to_radians().sin_cos();
        let side = [up[0] * along - up[1] * aside, up[1] * along + up[0] * aside];
        ALTITUDES_DEG.map(|altitude_deg| {
            let (high, level) = altitude_deg.to_radians().sin_cos();
            Refraction::new([level * side[0], level * side[1], high], AIR.strength)
        })
    });
    let few: Vec<Track> = bundle.tracks.iter().step_by(EVERY).cloned().collect();
    let coarse = Bundle {
        tracks: &few,
        ..bundle
    };
    let starts: Vec<Refraction> = starts.collect();
    let tried = starts.into_par_iter().map(|air| {
        let lens = without.state.lens.behind(Some(air));
        let solved = coarse.solve(lens, without.state.motion.clone(), FEW_ROUNDS)?;
        Some((criterion(&coarse, &solved, without.scale), solved))
    });
    let tried: Vec<Option<(f64, Solved)>> = tried.collect();
    let (_, start) = tried
        .into_iter()
        .flatten()
        .min_by(|a, b| a.0.total_cmp(&b.0))?;
    let own = |(terms, solved): &(usize, Solved), air| {
        let bundle = Bundle {
            terms: *terms,
            air,
            ..bundle
        };
        criterion(&bundle, solved, without.scale)
    };
    let without_air = own(turning, None);
    let (lens, motion) = (start.state.lens, start.state.motion);
    let first = (*terms, bundle.solve(lens, motion, ROUNDS)?);
    if own(&first, Some(&AIR)) > without_air {
        return None;
    }
    // Terms that only stood for the air are no longer needed.
    let simplest = Bundle { terms: 0, ..bundle };
    let found = turn_about_one_axis(&simplest, &first.1, None)?;
    let better = own(&found, Some(&AIR)) + BEYOND_DOUBT < without_air;
    let air = found.1.state.lens.air()?;
    (better && is_upright(air.zenith(), up)).then_some(found)
}

/// Whether a zenith is where one can be over a camera: what a lens draws otherwise than
/// assumed may look like air with a zenith anywhere.
fn is_upright([x, y, z]: [f64; 3], up: [f64; 2]) -> bool {
    /// Cosine of the greatest roll.
    const ROLL: f64 = 0.5;
    /// A camera that looks so nearly up has no roll.
    const LEVEL: f64 = 0.25;
    let level = x.hypot(y);
    let upwards = x * up[0] + y * up[1];
    z > 0.0 && level < LEVEL || upwards > ROLL * level
}

/// Rounds of a fit.
const ROUNDS: usize = 30;

/// What is not the rule must be better by this (Burnham & Anderson 2002, section 2.6; from
/// memory): free attitudes, which fit chance as well, and air.
const BEYOND_DOUBT: f64 = 10.0;

/// Akaike's criterion of a fit, at a scale that fits to compare have in common.
fn criterion(bundle: &Bundle<'_>, solved: &Solved, scale: f64) -> f64 {
    let parameters = bundle.parameters(&solved.state.motion) as f64;
    2.0 * bundle.cost(&solved.state, scale) + 2.0 * parameters
}

/// Lens, axis and angles, from another fit's; the rate too, where it is known.
///
/// One axis leaves so much less free that the lens may have terms which the stars could not
/// tell from turns before: as many as Akaike's criterion has. A simpler lens would not be
/// more careful, but wrong in its focal length.
fn turn_about_one_axis(
    bundle: &Bundle<'_>,
    start: &Solved,
    rate: Option<&RateHeld>,
) -> Option<(usize, Solved)> {
    const MOST_TERMS: usize = 3;
    let all: Vec<usize> = (bundle.terms..=MOST_TERMS).collect();
    let tried = all.into_par_iter().map(|terms| {
        let bundle = Bundle {
            terms,
            rate,
            ..*bundle
        };
        let motion = start.state.motion.about_one_axis();
        // A term that is not fitted must not stay as another fit left it.
        let lens = start.state.lens.with_terms(terms);
        let solved = bundle.solve(lens, motion, ROUNDS)?;
        Some((criterion(&bundle, &solved, start.scale), terms, solved))
    });
    let tried: Vec<Option<(f64, usize, Solved)>> = tried.collect();
    let (_, terms, solved) = tried
        .into_iter()
        .flatten()
        .min_by(|a, b| a.0.total_cmp(&b.0))?;
    Some((terms, solved))
}

/// Frames before which the camera was knocked: turns from frame to frame are alike on a
/// tripod (times as far apart), and one that is not stands out in all three of its parts.
fn moved_frames(motion: &Motion, kept: &[usize], options: &SkyOptions) -> Vec<usize> {
    /// Steps are compared with the typical deviation, and must exceed it by this.
    const OUTLIER: f64 = 10.0;
    /// A step below this is no movement but centroids, rad: a few hundredths of a pixel of a
    /// lens of 1000 px.
    const LEAST_RAD: f64 = 5e-5;
    if kept.len() < 5 {
        return Vec::new();
    }
    let time = |i: usize| options.times_s.get(kept[i]).copied().flatten();
    let steps: Vec<([f64; 3], f64)> = (1..kept.len())
        .map(|i| {
            let turn = motion.attitude(i - 1).inverse().then(&motion.attitude(i));
            let took = match (time(i - 1), time(i)) {
                (Some(a), Some(b)) if b > a => b - a,
                _ => (kept[i] - kept[i - 1]) as f64,
            };
            (turn.rotation_vector(), took)
        })
        .collect();
    let typical: [f64; 3] = std::array::from_fn(|k| {
        let mut rates: Vec<f64> = steps.iter().map(|(turn, took)| turn[k] / took).collect();
        median(&mut rates).unwrap_or(0.0)
    });
    // Only what is across the common axis counts: along it, a wrong clock looks alike.
    let norm = typical.iter().map(|part| part * part).sum::<f64>().sqrt();
    if norm == 0.0 {
        return Vec::new();
    }
    let sides = across(typical.map(|part| part / norm));
    let off: Vec<f64> = steps
        .iter()
        .map(|(turn, _)| sides.map(|side| crate::bundle::dot(side, *turn)))
        .map(|[a, b]| a.hypot(b))
        .collect();
    let usual = median(&mut off.clone()).unwrap_or(0.0);
    (0..off.len())
        .filter(|&i| off[i] > (OUTLIER * usual).max(LEAST_RAD))
        .map(|i| kept[i + 1])
        .collect()
}
