//! Star shape over the field, in a light and in the stack: trailing, coma and misalignment
//! told apart.
//!
//! A star's second moments add up: lens, pixel, trail and whatever the alignment leaves.
//! As vectors of twice the angle ([`Second::elongation_px2`]) they can be averaged and
//! fitted. In a single light what has one direction is a trail, what points away from the
//! center and grows with the square of the distance is coma or astigmatism, and what the
//! stack has beyond its lights is misalignment.

use crate::robust::median;
use moments::{direction_deg, trail_length_px};

pub use findings::StarFinding;
pub use moments::Second;
pub use observer::{StarPair, StarShapeObserver, StarShapeOptions, bayer_green_variance_px2};

mod field;
mod findings;
mod moments;
mod observer;

/// 2 √(2 ln 2): full width at half maximum over standard deviation of a Gaussian.
const FWHM_PER_SIGMA: f64 = 2.354_820_045_030_949;
/// Standard error of a median over σ/√n of a Gaussian sample, √(π/2).
const MEDIAN_PRICE: f64 = 1.253_314;
/// A median absolute deviation times this is a standard deviation (Rousseeuw & Croux 1993).
const SIGMA_PER_MAD: f64 = 1.482_602;
/// Standard errors from which an effect counts as seen.
const SEEN_SIGMAS: f64 = 3.0;
/// Columns and rows of zones.
const ZONES: usize = 3;
/// Stars that a zone needs.
const FEWEST_IN_ZONE: usize = 3;
/// Stars that the field as a whole needs.
const FEWEST_IN_FIELD: usize = 12;

/// What is known of the field beside its stars.
#[derive(Clone, Copy, Default)]
pub struct StarField<'a> {
    /// Width, px.
    pub width: usize,
    /// Height, px.
    pub height: usize,
    /// Scale at the center, arcsec/px, where focal length and pixel pitch are known.
    pub arcsec_per_px: Option<f64>,
    /// How far a star moves over the sensor during one exposure, px, as the drift from light
    /// to light tells; by place on the reference.
    pub trail_px: Option<&'a dyn Fn(f64, f64) -> (f64, f64)>,
}

/// Shape of the typical star of a zone.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct ZoneShape {
    /// Full width at half maximum of the Gaussian of the same moments, geometric mean of
    /// both axes, px; demosaicing taken off, pixel integration in it.
    pub fwhm_px: f64,
    /// Its standard error, px.
    pub fwhm_error_px: f64,
    /// Standard deviation from star to star, px.
    pub fwhm_scatter_px: f64,
    /// The same in arcsec, where the scale is known.
    pub fwhm_arcsec: Option<f64>,
    /// 1 − minor/major axis of the mean star: what single stars have at random cancels.
    pub ellipticity: f64,
    /// Its standard error.
    pub ellipticity_error: f64,
    /// Direction of the major axis, degrees from +x towards +y, in (−90, 90].
    pub direction_deg: f64,
}

/// Where a zone lies.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum ZonePlace {
    /// The middle ninth.
    Center,
    /// Between two corners.
    Edge,
    /// A corner.
    Corner,
}

/// A ninth of the field.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct StarZone {
    /// First column, px.
    pub x0: usize,
    /// First row, px.
    pub y0: usize,
    /// One past the last column, px.
    pub x1: usize,
    /// One past the last row, px.
    pub y1: usize,
    /// Where it lies.
    pub place: ZonePlace,
    /// Stars measured.
    pub stars: usize,
    /// The typical star of a light; `None` with fewer than three stars.
    pub single: Option<ZoneShape>,
    /// That of the stack.
    pub stack: Option<ZoneShape>,
    /// What the stack adds.
    pub misalignment: Option<Effect>,
}

/// Something that makes stars wider in one direction.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Effect {
    /// Its size, px; what it is, the field says.
    pub size_px: f64,
    /// Standard error, px.
    pub error_px: f64,
    /// Direction, degrees from +x towards +y, in (−90, 90].
    pub direction_deg: f64,
    /// Standard error of the direction, degrees; at most 52, that of any direction.
    pub direction_error_deg: f64,
    /// Whether it stands out from its error.
    pub seen: bool,
    /// What it is smaller than, two standard errors allowed, px.
    pub limit_px: f64,
}

/// A pattern about the center of the field.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct RadialPattern {
    /// Root of the difference of the variances along and across the radius at the corner,
    /// px: negative when across is more. Third-order coma whose rim draws a circle of
    /// radius c makes it c/√3.
    pub corner_px: f64,
    /// Standard error, px.
    pub error_px: f64,
    /// Whether it stands out from its error.
    pub seen: bool,
}

/// Star shape over the field.
#[derive(Clone, Debug, PartialEq)]
pub struct StarShapes {
    /// Stars measured.
    pub stars: usize,
    /// Ninths of the field in reading order.
    pub zones: Vec<StarZone>,
    /// Length of the trail at the center in a single light; `None` with too few stars.
    pub trail: Option<Effect>,
    /// Trail at the center that the drift from light to light makes one expect: length, px,
    /// and direction, degrees.
    pub expected_trail: Option<(f64, f64)>,
    /// Coma or astigmatism.
    pub radial: Option<RadialPattern>,
    /// What the stack adds to its lights: rms displacement along the worst direction.
    pub misalignment: Option<Effect>,
}

impl StarShapes {
    /// Star shapes from what the observer saw on all tiles.
    pub fn from_stars<'s>(
        observer: &StarShapeObserver,
        tiles: impl IntoIterator<Item = &'s Vec<StarPair>>,
        known: &StarField,
    ) -> Self {
        let stars: Vec<StarPair> = tiles.into_iter().flatten().copied().collect();
        let zones = zones(&stars, known);
        let enough = stars.len() >= FEWEST_IN_FIELD;
        let fitted = enough.then(|| field::fit(&stars, known)).flatten();
        let trail = fitted.as_ref().map(|fit| {
            let across = typical_across_px2(&stars, fit.center) + observer.smoothing_px2();
            let window = observer.window_px2();
            let error = fit.center_error.hypot(observer.sampling_error_px2());
            trail(fit.center, error, |elongation| {
                trail_length_px(elongation, across, window)
            })
        });
        Self {
            stars: stars.len(),
            zones,
            trail,
            expected_trail: known.trail_px.map(|at| {
                let (cx, cy) = field::center(known);
                let (dx, dy) = at(cx, cy);
                (
                    dx.hypot(dy),
                    direction_deg([dx * dx - dy * dy, 2.0 * dx * dy]),
                )
            }),
            radial: fitted.map(|fit| radial(fit.radial, fit.radial_error)),
            misalignment: enough.then(|| misalignment(&stars.iter().collect::<Vec<_>>())),
        }
    }
}

impl StarShapeObserver {
    fn smoothing_px2(&self) -> f64 {
        self.options().smoothing_px2
    }

    /// What all stars have in common from being demosaiced.
    fn sampling_error_px2(&self) -> f64 {
        match self.smoothing_px2() > 0.0 {
            true => DEMOSAICED_PX2,
            false => 0.0,
        }
    }
}

/// What demosaicing does to the elongation of sharp stars beyond widening them alike along
/// both axes, px²: of stars drawn with a FWHM of 2 px and trails of 0 to 3 px in several
/// directions 0.002 to 0.009 px² (along the axes longer, along diagonals shorter).
const DEMOSAICED_PX2: f64 = 0.008;

/// Variance across the elongation of the typical star, px².
fn typical_across_px2(stars: &[StarPair], [q, u]: [f64; 2]) -> f64 {
    let round = median(stars.iter().map(|star| star.single.round_px2()).collect());
    round - q.hypot(u)
}

/// A median with its standard error and the scatter about it.
#[derive(Clone, Copy)]
struct Middle {
    value: f64,
    error: f64,
    scatter: f64,
}

impl Middle {
    fn of(values: Vec<f64>) -> Self {
        let n = values.len() as f64;
        let value = median(values.clone());
        let far = values.into_iter().map(|v| (v - value).abs()).collect();
        let scatter = SIGMA_PER_MAD * median(far);
        Self {
            value,
            error: MEDIAN_PRICE * scatter / n.sqrt(),
            scatter,
        }
    }
}

/// Length of an elongation vector without what its error adds to it on average.
fn length_without_noise([q, u]: [f64; 2], error: f64) -> f64 {
    (q * q + u * u - 2.0 * error * error).max(0.0).sqrt()
}

fn direction_error_deg(length: f64, error: f64) -> f64 {
    // Of a direction that may be any: 180°/√12.
    const ANY_DEG: f64 = 51.96;
    (0.5 * error / length).to_degrees().min(ANY_DEG)
}

fn trail(elongation: [f64; 2], error: f64, length_px: impl Fn(f64) -> f64) -> Effect {
    let length = length_without_noise(elongation, error);
    let size_px = length_px(length);
    let (above, below) = (
        length_px(length + error),
        length_px((length - error).max(0.0)),
    );
    Effect {
        size_px,
        error_px: 0.5 * (above - below),
        direction_deg: direction_deg(elongation),
        direction_error_deg: direction_error_deg(length, error),
        seen: length > SEEN_SIGMAS * error,
        limit_px: length_px(length + 2.0 * error),
    }
}

fn radial(variance_px2: f64, error_px2: f64) -> RadialPattern {
    let size = (2.0 * variance_px2.abs()).sqrt();
    let far = (2.0 * (variance_px2.abs() + error_px2)).sqrt();
    let near = (2.0 * (variance_px2.abs() - error_px2).max(0.0)).sqrt();
    RadialPattern {
        corner_px: size.copysign(variance_px2),
        error_px: 0.5 * (far - near),
        seen: variance_px2.abs() > SEEN_SIGMAS * error_px2,
    }
}

/// What the stack adds: the same stars in both, so that most of their noise cancels.
fn misalignment(stars: &[&StarPair]) -> Effect {
    let added = |of: &dyn Fn(&Second) -> f64| {
        Middle::of(stars.iter().map(|s| of(&s.stack) - of(&s.single)).collect())
    };
    let round = added(&|second| second.round_px2());
    let q = added(&|second| second.elongation_px2()[0]);
    let u = added(&|second| second.elongation_px2()[1]);
    let elongation = [q.value, u.value];
    let error = (0.5 * (q.error * q.error + u.error * u.error)).sqrt();
    let length = length_without_noise(elongation, error);
    let along = round.value + length;
    let along_error = round.error.hypot(error);
    let root = |px2: f64| px2.max(0.0).sqrt();
    Effect {
        size_px: root(along),
        error_px: 0.5 * (root(along + along_error) - root(along - along_error)),
        direction_deg: direction_deg(elongation),
        direction_error_deg: direction_error_deg(length, error),
        seen: along > SEEN_SIGMAS * along_error,
        limit_px: root(along.max(0.0) + 2.0 * along_error),
    }
}

fn zones(stars: &[StarPair], known: &StarField) -> Vec<StarZone> {
    let cut = |n: usize, i: usize| n * i / ZONES;
    let mut zones = Vec::with_capacity(ZONES * ZONES);
    for row in 0..ZONES {
        for col in 0..ZONES {
            let (x0, x1) = (cut(known.width, col), cut(known.width, col + 1));
            let (y0, y1) = (cut(known.height, row), cut(known.height, row + 1));
            let inside = |star: &&StarPair| {
                let (x, y) = (star.x + 0.5, star.y + 0.5);
                x >= x0 as f64 && x < x1 as f64 && y >= y0 as f64 && y < y1 as f64
            };
            let own: Vec<&StarPair> = stars.iter().filter(inside).collect();
            let told = own.len() >= FEWEST_IN_ZONE;
            let shape = |of: fn(&StarPair) -> Second| {
                told.then(|| {
                    zone_shape(
                        own.iter().map(|star| of(star)).collect(),
                        known.arcsec_per_px,
                    )
                })
            };
            zones.push(StarZone {
                x0,
                y0,
                x1,
                y1,
                place: match (row % 2, col % 2) {
                    (1, 1) => ZonePlace::Center,
                    (0, 0) => ZonePlace::Corner,
                    _ => ZonePlace::Edge,
                },
                stars: own.len(),
                single: shape(|star| star.single),
                stack: shape(|star| star.stack),
                misalignment: told.then(|| misalignment(&own)),
            });
        }
    }
    zones
}

fn zone_shape(stars: Vec<Second>, arcsec_per_px: Option<f64>) -> ZoneShape {
    let middle = |of: &dyn Fn(&Second) -> f64| Middle::of(stars.iter().map(of).collect());
    let fwhm = |second: &Second| {
        let [q, u] = second.elongation_px2();
        let product = second.round_px2().powi(2) - q * q - u * u;
        FWHM_PER_SIGMA * product.max(0.0).powf(0.25)
    };
    let width = middle(&fwhm);
    let round = middle(&|second| second.round_px2()).value;
    let q = middle(&|second| second.elongation_px2()[0]);
    let u = middle(&|second| second.elongation_px2()[1]);
    let error = (0.5 * (q.error * q.error + u.error * u.error)).sqrt();
    let length = length_without_noise([q.value, u.value], error).min(round);
    ZoneShape {
        fwhm_px: width.value,
        fwhm_error_px: width.error,
        fwhm_scatter_px: width.scatter,
        fwhm_arcsec: arcsec_per_px.map(|scale| scale * width.value),
        ellipticity: 1.0 - ((round - length) / (round + length)).sqrt(),
        // To first order 1 − minor/major is length/round.
        ellipticity_error: error / round,
        direction_deg: direction_deg([q.value, u.value]),
    }
}

#[cfg(test)]
mod tests;
