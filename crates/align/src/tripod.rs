//! A sky that turns about one axis: the pole, the rate, and what the clock says of it.

use crate::SkyOptions;
use crate::bundle::{Bundle, Prior, Solved, Track};
use crate::motion::{Motion, across};
use crate::stats::{SIGMA_PER_MAD, median};

/// Rate of the sky's turn, degrees a day of 86 400 s: one turn in a sidereal day.
///
/// Source: Explanatory Supplement to the Astronomical Almanac (1992), ch. 2: 360.985 647 366°
/// a day of UT1 (from memory).
pub const SIDEREAL_RATE_DEG_PER_DAY: f64 = 360.985_647_366_29;

/// The sidereal rate, rad/s.
const SIDEREAL_RAD_PER_S: f64 = SIDEREAL_RATE_DEG_PER_DAY / 86_400.0 * std::f64::consts::PI / 180.0;

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
}

/// The turn held against the camera's clock.
#[derive(Clone, Debug, PartialEq)]
pub struct Clock {
    /// Rate of the turn over the sidereal rate: 1 when clock and lens are right. Negative
    /// when the sky turned backwards, as in mirrored pictures of a clock that runs on.
    pub rate_ratio: f64,
    /// Its standard error, by stars and by the resolution of the times.
    pub rate_ratio_error: f64,
    /// Largest distance of a frame's time from the sky's, s, the worst frames left out.
    pub scatter_s: f64,
    /// Frames whose time is off the sky's by more than five times their errors, and by more
    /// than half a second.
    pub off: Vec<usize>,
    /// Frames that claim to be earlier than the one before while the sky turned on.
    pub backwards: Vec<usize>,
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
) -> Option<Tripod> {
    /// Frames with an angle of their own that an axis takes.
    const FEWEST_FRAMES: usize = 3;
    const ROUNDS: usize = 30;
    /// What refraction and the wind may add to the residuals of a camera that stood still.
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
    };
    let moved = moved_frames(&solved.state.motion, kept, options);
    let turning = bundle.solve(
        solved.state.lens,
        solved.state.motion.about_one_axis(),
        ROUNDS,
    )?;
    let Motion::Turning { axis, angles } = &turning.state.motion else {
        return None;
    };
    let excess = turning.scale / solved.scale;
    if excess > STOOD_STILL && moved.is_empty() {
        return None;
    }
    let lens = bundle.lens_parameters();
    let axis_error_rad = (0..2)
        .map(|i| turning.covariance[(lens + i, lens + i)].max(0.0).sqrt())
        .fold(0.0, f64::max);
    let frames = kept.iter().max()? + 1;
    let mut angles_rad = vec![None; frames.max(options.times_s.len())];
    for (&frame, &angle) in kept.iter().zip(angles) {
        angles_rad[frame] = Some(angle);
    }
    Some(Tripod {
        axis: *axis,
        axis_error_rad,
        clock: clock(&turning, lens, reference, angles, kept, options),
        angles_rad,
        excess,
        moved,
    })
}

/// The rate by weighted least squares of the angles over the times, errors of both counted.
fn clock(
    turning: &Solved,
    lens: usize,
    reference: usize,
    angles: &[f64],
    kept: &[usize],
    options: &SkyOptions,
) -> Option<Clock> {
    const FEWEST: usize = 3;
    const OFF: f64 = 5.0;
    /// Shutters and the writing of files delay a time by parts of a second; that is no fault.
    const LEAST_OFF_S: f64 = 0.5;
    // A time rounded to a step errs by its twelfth's root.
    let time_error_s = options.time_resolution_s / 12.0_f64.sqrt();
    let known: Vec<(usize, f64)> = (0..kept.len())
        .filter_map(|i| Some((i, (*options.times_s.get(kept[i])?)?)))
        .collect();
    if known.len() < FEWEST {
        return None;
    }
    // Slopes between all pairs: their median does not mind a wrong clock (Theil 1950, Sen 1968).
    let mut slopes: Vec<f64> = Vec::new();
    for (n, &(i, t)) in known.iter().enumerate() {
        for &(j, u) in &known[..n] {
            if (t - u).abs() > options.time_resolution_s {
                slopes.push((angles[i] - angles[j]) / (t - u));
            }
        }
    }
    let slope = median(&mut slopes)?;
    if slope == 0.0 {
        return None;
    }
    let mut offsets: Vec<f64> = known.iter().map(|&(i, t)| t - angles[i] / slope).collect();
    let offset = median(&mut offsets)?;
    let late_s = |&(i, t): &(usize, f64)| t - angles[i] / slope - offset;
    let mut distances: Vec<f64> = known.iter().map(|frame| late_s(frame).abs()).collect();
    let scatter_s = SIGMA_PER_MAD * median(&mut distances)?;
    let limit_s = (OFF * scatter_s.hypot(time_error_s)).max(LEAST_OFF_S);
    let (good, off): (Vec<_>, Vec<_>) = known
        .iter()
        .copied()
        .partition(|f| late_s(f).abs() <= limit_s);
    // The least-squares slope is a linear form of the angles: its error follows from their
    // covariance, common errors of the lens included.
    let n = good.len() as f64;
    let mean_t = good.iter().map(|(_, t)| t).sum::<f64>() / n;
    let square = good.iter().map(|(_, t)| (t - mean_t).powi(2)).sum::<f64>();
    if good.len() < FEWEST || square == 0.0 {
        return None;
    }
    let form: Vec<(usize, f64)> = good
        .iter()
        .map(|&(i, t)| (i, (t - mean_t) / square))
        .collect();
    let rate: f64 = form.iter().map(|&(i, g)| g * angles[i]).sum();
    let mut variance = (rate * time_error_s).powi(2) * form.iter().map(|(_, g)| g * g).sum::<f64>();
    for &(i, g) in &form {
        for &(j, h) in &form {
            if let (Some(a), Some(b)) = (place(lens, reference, i), place(lens, reference, j)) {
                variance += g * h * turning.covariance[(a, b)];
            }
        }
    }
    let backwards = known.windows(2).filter(|pair| {
        let [(i, t), (j, u)] = [pair[0], pair[1]];
        u < t && (angles[j] - angles[i]) * slope > 0.0
    });
    let worst = good
        .iter()
        .map(|frame| late_s(frame).abs())
        .fold(0.0, f64::max);
    Some(Clock {
        rate_ratio: rate / SIDEREAL_RAD_PER_S,
        rate_ratio_error: variance.max(0.0).sqrt() / SIDEREAL_RAD_PER_S,
        scatter_s: worst,
        off: off.iter().map(|&(i, _)| kept[i]).collect(),
        backwards: backwards.map(|pair| kept[pair[1].0]).collect(),
    })
}

fn place(lens: usize, reference: usize, frame: usize) -> Option<usize> {
    (frame != reference).then(|| lens + 2 + frame - usize::from(frame > reference))
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
