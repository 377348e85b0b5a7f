//! The sky's turn held against the camera's clock, and the other way round.

use crate::SkyOptions;
use crate::bundle::{RateHeld, Solved};
use crate::stats::{SIGMA_PER_MAD, median};

/// Rate of the sky's turn, degrees a day of 86 400 s: one turn in a sidereal day.
///
/// Source: Explanatory Supplement to the Astronomical Almanac (1992), ch. 2: 360.985 647 366°
/// a day of UT1 (from memory).
pub const SIDEREAL_RATE_DEG_PER_DAY: f64 = 360.985_647_366_29;

/// The sidereal rate, rad/s.
pub(crate) const SIDEREAL_RAD_PER_S: f64 =
    SIDEREAL_RATE_DEG_PER_DAY / 86_400.0 * std::f64::consts::PI / 180.0;

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

/// The rate by weighted least squares of the angles over the times, errors of both counted;
/// and the sidereal rate as something known, where the clock does not speak against it.
pub(crate) fn clock(
    (terms, turning): &(usize, Solved),
    reference: usize,
    angles: &[f64],
    kept: &[usize],
    options: &SkyOptions,
) -> Option<(Clock, Option<RateHeld>)> {
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
            if let (Some(a), Some(b)) = (place(*terms, reference, i), place(*terms, reference, j)) {
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
    let clock = Clock {
        rate_ratio: rate / SIDEREAL_RAD_PER_S,
        rate_ratio_error: variance.max(0.0).sqrt() / SIDEREAL_RAD_PER_S,
        scatter_s: worst,
        off: off.iter().map(|&(i, _)| kept[i]).collect(),
        backwards: backwards.map(|pair| kept[pair[1].0]).collect(),
    };
    let held = held(&clock, &good, form, options.time_resolution_s);
    Some((clock, held))
}

/// The sidereal rate as far as the clock can vouch for it; `None` where the turn that was
/// found is another one.
fn held(
    clock: &Clock,
    good: &[(usize, f64)],
    form: Vec<(usize, f64)>,
    resolution_s: f64,
) -> Option<RateHeld> {
    /// Standard errors within which a rate is the sidereal one.
    const AGREES: f64 = 3.0;
    /// What shutters and the writing of files delay a time by (common practice, no source).
    const DELAY_S: f64 = 0.05;
    let ends = good.iter().map(|(_, t)| *t);
    let span_s = ends.clone().fold(f64::MIN, f64::max) - ends.fold(f64::MAX, f64::min);
    // Frames at nearly whole steps are rounded alike, and drift by a step in all: only the
    // two ends of the burst are rounded by chance.
    let rounding = resolution_s / 6.0_f64.sqrt() / span_s;
    let delays = DELAY_S * form.iter().map(|(_, g)| g * g).sum::<f64>().sqrt();
    let error = rounding.hypot(delays);
    let off = (clock.rate_ratio - 1.0) / clock.rate_ratio_error.hypot(error);
    (off.abs() < AGREES && clock.backwards.is_empty()).then_some(RateHeld {
        form,
        rad_per_s: SIDEREAL_RAD_PER_S,
        error_rad_per_s: SIDEREAL_RAD_PER_S * error,
    })
}

/// Where a frame's angle stands among the fitted numbers.
fn place(terms: usize, reference: usize, frame: usize) -> Option<usize> {
    (frame != reference).then(|| 3 + terms + 2 + frame - usize::from(frame > reference))
}
