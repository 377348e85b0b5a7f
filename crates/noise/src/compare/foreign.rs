//! A result made elsewhere, measured by the frames that it was made of.
//!
//! It has no halves, but its frames have a stack M of this program, with halves A and B.
//! On one scale `R = S + n_R` and `M = S + m`. M is the mean of least variance, so what R
//! has beyond M is uncorrelated with m, and
//!
//! ```text
//! v_R = v_M + var(R - M)                                  (1)
//! v_R = v_M + var(R) - var(M)                             (2)
//! ```
//!
//! where `v_M` is from A - B. (1) holds for every unbiased use of the same frames: another
//! kernel or estimator, some of the frames, rounding. (2) also holds where R's noise and
//! m differ in common: more frames than these, or smoothing that took noise out over whole
//! areas; it pays with the scene's scatter and with the error of the scale. They differ by
//! `2 cov(R - M, M)`; where that is significantly negative (2) is used, and said.
//!
//! What neither can tell: detail of the sky that went with the noise, but by the stars'
//! widths. A tone curve `R = t(light)` is seen in star fluxes, and where the slope at the
//! sky's level, the regression of R on M, `cov(R, M) / var(M)`, exceeds the stars' scale:
//! see [`Linearity`]. Where R is not known to be linear its noise converts by that slope.

use crate::GainReport;
use crate::Measured;
use crate::compare::grid::{OnGrid, Patch};
use crate::compare::linearity::Linearity;
use crate::compare::moments::{TileMoments, tile_moments};
use crate::compare::photometry::{Photometry, measure_stars};
use crate::compare::pooled::{Pooled, without_outliers};
use crate::compare::register::register_on_first;
use crate::compare::separate::{SCALE_FLOOR, jackknife};
use crate::compare::types::{CompareError, CompareOptions, Contender};
use ndarray::Array2;
use raw::Rect;
use rayon::prelude::*;

mod foreign_report;

/// The stack of the frames, to hold a result against.
pub struct OwnStack<'a> {
    /// Its planes, and what saturates it.
    pub stack: &'a Contender,
    /// Half-stacks by channel, lights taken in turn.
    pub halves: [&'a [Array2<f32>]; 2],
    /// Lights in it.
    pub n_lights: usize,
    /// Its report.
    pub report: &'a GainReport,
}

/// What was found about a result.
#[derive(Clone, Debug)]
pub struct Foreign {
    /// The report of the result, as the stack's own. What is known of the stack alone is
    /// not in it: no growth, no pattern's share (NaN or `None`).
    pub report: GainReport,
    /// By channel.
    pub channels: Vec<ForeignChannel>,
    /// Slope of log star flux against the stack, less 1.
    pub tone: Measured,
    /// Whether it is in proportion to light.
    pub linear: Linearity,
    /// Whether it has less noise than all the frames can give: it holds more than these, or
    /// noise that they have in common was smoothed away. Its gains are then NaN.
    pub holds_more: bool,
    /// Width of its stars over that in the stack.
    pub fwhm_ratio: Measured,
    /// Pixels of the result per pixel of the stack, along a side.
    pub px_per_stack_px: f64,
    /// Stars matched, and how far they are off, px rms.
    pub matched: usize,
    /// See `matched`.
    pub residual_px: f64,
    /// Whether it shows the field mirrored.
    pub mirrored: bool,
    /// Stars that fluxes were compared by.
    pub stars: usize,
}

/// One channel of a result.
#[derive(Clone, Copy, Debug)]
pub struct ForeignChannel {
    /// DN of the result per DN of the stack: by star fluxes, or the slope at the sky's
    /// level where the result is not known to be linear.
    pub scale: Measured,
    /// That slope over the scale by star fluxes: 1 where both agree.
    pub sky_slope: Measured,
    /// Noise of the result over that of the stack, over areas.
    pub noise_ratio: Measured,
    /// The same by equation (1).
    pub by_difference: Measured,
    /// The same by equation (2).
    pub by_variance: Measured,
    /// The same pixel by pixel, each on its own pixels and of as much light.
    pub pixel_ratio: f64,
    /// Equation (2) over (1) in standard errors: significantly negative where the result
    /// lacks noise in common with the stack, positive where it adds scatter in common.
    pub common_sigmas: f64,
    /// Whether equation (2) was needed.
    pub common_part: bool,
}

/// Equations (1) and (2) differ from so many standard errors on.
const COMMON_SIGMAS: f64 = 3.0;
/// Planes of a tile's moments.
const STACK: usize = 0;
const RESULT: usize = 1;
const FIRST: usize = 2;
const SECOND: usize = 3;

/// Measures a result by the stack of its frames.
///
/// # Errors
///
/// [`CompareError`]: other channels, no common stars or sky, nothing to measure.
pub fn measure_foreign(
    result: &Contender,
    own: &OwnStack,
    options: &CompareOptions,
) -> Result<Foreign, CompareError> {
    if result.planes.len() != own.stack.planes.len() {
        return Err(CompareError::Planes {
            name: result.name.clone(),
            found: format!(
                "{} planes, but the frames have {}",
                result.planes.len(),
                own.stack.planes.len()
            ),
        });
    }
    let contenders = [own.stack.clone(), result.clone()];
    super::types::check(&contenders)?;
    let n_channels = result.planes.len();
    let registered = register_on_first(&contenders)?;
    let patch =
        Patch::common(&contenders, &registered, options).ok_or(CompareError::NoCommonSky)?;
    let grids: Vec<OnGrid> = contenders
        .iter()
        .zip(&registered.places)
        .map(|(contender, place)| OnGrid::new(contender, place, n_channels))
        .collect();
    let stars = measure_stars(&contenders, &registered, &grids, &patch)?;
    let tone = stars.tone[1];
    let scaled: Vec<Scaled> = (0..n_channels)
        .map(|channel| Scaled::by_stars(own, &grids, &patch, &stars, channel))
        .collect::<Option<_>>()
        .ok_or(CompareError::NothingMeasured)?;
    let slopes: Vec<Measured> = scaled.iter().map(|scaled| scaled.sky_slope).collect();
    let linear = Linearity::of_stars(tone).with_sky(tone, &slopes);
    let measured: Vec<ChannelTiles> = scaled
        .into_iter()
        .map(|scaled| ChannelTiles::of(own, &grids, &patch, scaled, linear))
        .collect::<Option<_>>()
        .ok_or(CompareError::NothingMeasured)?;
    let place = &registered.places[1];
    let mut report = foreign_report::in_place(own.report, &measured);
    let worth = report.summary.effective_frames;
    let holds_more = measured.iter().any(|m| m.channel.common_part)
        && (worth.is_nan() || worth > own.n_lights as f64);
    if holds_more {
        foreign_report::withhold_gains(&mut report);
    }
    Ok(Foreign {
        report,
        holds_more,
        channels: measured.iter().map(|m| m.channel).collect(),
        tone,
        linear,
        fwhm_ratio: ratio(stars.fwhm_px[1], stars.fwhm_px[0]),
        px_per_stack_px: place.px_per_grid,
        matched: place.matched,
        residual_px: place.residual_px,
        mirrored: place.mirrored,
        stars: stars.n_stars,
    })
}

fn ratio(a: Measured, b: Measured) -> Measured {
    let value = a.value / b.value;
    Measured {
        value,
        error: value * (a.error / a.value).hypot(b.error / b.value),
    }
}

/// One channel with its tiles.
struct ChannelTiles {
    channel: ForeignChannel,
    tiles: Vec<Tile>,
    formula: Formula,
}

/// How variances follow from moments.
#[derive(Clone, Copy)]
struct Formula {
    /// Variance of the stack over that of the difference of its halves.
    half_share: f64,
    common_part: bool,
}

impl Formula {
    fn stack(&self, pooled: &Pooled) -> f64 {
        self.half_share * pooled.difference(FIRST, SECOND)
    }

    /// `var(R - M)`.
    fn difference(&self, pooled: &Pooled) -> f64 {
        pooled.difference(STACK, RESULT)
    }

    fn by_difference(&self, pooled: &Pooled) -> f64 {
        // An estimate of no difference at all scatters about 0.
        1.0 + (self.difference(pooled) / self.stack(pooled)).max(0.0)
    }

    fn by_variance(&self, pooled: &Pooled) -> f64 {
        let more = pooled.own(RESULT) - pooled.own(STACK);
        1.0 + more / self.stack(pooled)
    }

    /// Variance of the result over that of the stack.
    fn ratio(&self, pooled: &Pooled) -> f64 {
        match self.common_part {
            true => self.by_variance(pooled),
            false => self.by_difference(pooled),
        }
    }

    /// The same pixel by pixel, with the result's variance on its own pixels: there
    /// equation (2) is as sure, and sees smoothing.
    fn pixel_ratio(&self, pooled: &Pooled, own_pixels: f64) -> f64 {
        let stack = self.half_share * pooled.pixel_difference(FIRST, SECOND);
        1.0 + (own_pixels - pooled.pixel_own(STACK)) / stack
    }
}

/// One channel of the result, scaled by its stars.
struct Scaled {
    channel: usize,
    scale: Measured,
    tiles: Vec<Tile>,
    sky_slope: Measured,
}

/// Slope of the result against the stack at the sky's level.
fn slope(pooled: &Pooled) -> f64 {
    pooled.slope(RESULT, STACK)
}

impl Scaled {
    fn by_stars(
        own: &OwnStack,
        grids: &[OnGrid],
        patch: &Patch,
        stars: &Photometry,
        channel: usize,
    ) -> Option<Self> {
        let scale = stars.flux_scale[1][channel];
        let tiles = moments(own, grids, patch, channel, scale.value);
        let (whole, parts) = pool(&tiles)?;
        let value = slope(&whole);
        let of_scale = value * (scale.error / scale.value).hypot(SCALE_FLOOR);
        let sky_slope = Measured {
            value,
            error: jackknife(parts.iter().map(slope)).hypot(of_scale),
        };
        Some(Self {
            channel,
            scale,
            tiles,
            sky_slope,
        })
    }

    /// Scaled by the slope at the sky's level instead; `None` where there is none.
    fn by_sky(mut self, own: &OwnStack, grids: &[OnGrid], patch: &Patch) -> Option<Self> {
        // Twice, so that the first slope rids the second of outliers that were none.
        for _ in 0..2 {
            let (whole, parts) = pool(&self.tiles)?;
            let found = slope(&whole);
            if !(found.is_finite() && found > 0.0) {
                return None;
            }
            self.scale = Measured {
                value: self.scale.value * found,
                error: self.scale.value * jackknife(parts.iter().map(slope)),
            };
            self.tiles = moments(own, grids, patch, self.channel, self.scale.value);
        }
        Some(self)
    }
}

impl ChannelTiles {
    fn of(
        own: &OwnStack,
        grids: &[OnGrid],
        patch: &Patch,
        by_stars: Scaled,
        linear: Linearity,
    ) -> Option<Self> {
        let (first, second) = (own.n_lights.div_ceil(2) as f64, (own.n_lights / 2) as f64);
        let mut formula = Formula {
            half_share: first * second / (first + second).powi(2),
            common_part: false,
        };
        let linear = linear == Linearity::Linear;
        let scaled = match linear {
            true => by_stars,
            false => by_stars.by_sky(own, grids, patch)?,
        };
        let Scaled {
            scale,
            tiles,
            sky_slope,
            ..
        } = scaled;
        let (whole, parts) = pool(&tiles)?;
        let mut scale_error = scale.error / scale.value;
        if linear {
            scale_error = scale_error.hypot(SCALE_FLOOR);
        }
        let error = |of: &dyn Fn(&Pooled) -> f64| jackknife(parts.iter().map(of));
        // An error of the scale changes var(R) by twice as much.
        let by_scale = 2.0 * scale_error * whole.own(RESULT) / formula.stack(&whole);
        let mut by_difference = (
            formula.by_difference(&whole),
            error(&|p| formula.by_difference(p)).hypot(scale_error * by_scale),
        );
        let by_variance = (
            formula.by_variance(&whole),
            error(&|p| formula.by_variance(p)).hypot(by_scale),
        );
        let apart = error(&|p| formula.by_variance(p) - formula.by_difference(p)).hypot(by_scale);
        // A slope taken from the noise itself makes both equations one.
        let common_sigmas = match linear {
            true => (by_variance.0 - by_difference.0) / apart,
            false => 0.0,
        };
        formula.common_part = common_sigmas < -COMMON_SIGMAS;
        // Scatter in common with the sky is neither noise nor none: the error reaches it.
        if common_sigmas > COMMON_SIGMAS {
            by_difference.1 = by_difference.1.hypot(by_variance.0 - by_difference.0);
        }
        let root = |(variance, error): (f64, f64)| match variance > 0.0 {
            true => Measured {
                value: variance.sqrt(),
                error: 0.5 * error / variance.sqrt(),
            },
            false => Measured::NONE,
        };
        let (by_difference, by_variance) = (root(by_difference), root(by_variance));
        Some(Self {
            channel: ForeignChannel {
                scale,
                sky_slope,
                noise_ratio: match formula.common_part {
                    true => by_variance,
                    false => by_difference,
                },
                by_difference,
                by_variance,
                pixel_ratio: formula
                    .pixel_ratio(&whole, own_pixels(&tiles))
                    .max(0.0)
                    .sqrt(),
                common_sigmas,
                common_part: formula.common_part,
            },
            tiles,
            formula,
        })
    }
}

/// A tile of the stack and what it says.
#[derive(Clone)]
struct Tile {
    area: Rect,
    moments: TileMoments,
    /// Variance of the result on its own pixels, of as much light as a pixel of the stack.
    own_pixels: f64,
}

/// Mean over the tiles.
fn own_pixels(tiles: &[Tile]) -> f64 {
    let weight: f64 = tiles.iter().map(|tile| tile.moments.pixels as f64).sum();
    let of = |tile: &Tile| tile.moments.pixels as f64 * tile.own_pixels;
    tiles.iter().map(of).sum::<f64>() / weight
}

fn pool(tiles: &[Tile]) -> Option<(Pooled, Vec<Pooled>)> {
    let moments: Vec<TileMoments> = tiles.iter().map(|tile| tile.moments.clone()).collect();
    (!moments.is_empty()).then(|| super::separate::pool(&moments, 4))
}

/// Moments of stack, result (divided by `scale`) and both halves, by tile.
fn moments(
    own: &OwnStack,
    grids: &[OnGrid],
    patch: &Patch,
    channel: usize,
    scale: f64,
) -> Vec<Tile> {
    let tiles: Vec<Tile> = patch
        .tiles
        .par_iter()
        .filter_map(|&tile| {
            let half = |half: usize| cut(&own.halves[half][channel], tile);
            let result = grids[RESULT].window(channel, tile);
            let result = result.into_iter().map(|value| value / scale as f32);
            let planes = [
                grids[STACK].window(channel, tile),
                result.collect(),
                half(0),
                half(1),
            ];
            let moments = tile_moments(&planes, patch.off_stars(tile), tile.width())?;
            let own_pixels = grids[RESULT].pixel_variance(channel, tile, patch)?;
            Some(Tile {
                area: tile,
                moments,
                own_pixels: own_pixels / (scale * scale),
            })
        })
        .collect();
    let moments = tiles.iter().map(|tile| tile.moments.clone()).collect();
    let kept = without_outliers(moments, 4);
    tiles
        .into_iter()
        .filter(|tile| kept.contains(&tile.moments))
        .collect()
}

fn cut(plane: &Array2<f32>, area: Rect) -> Vec<f32> {
    (area.y0..area.y1)
        .flat_map(|y| (area.x0..area.x1).map(move |x| plane[(y, x)]))
        .collect()
}
