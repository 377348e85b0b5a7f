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
//! widths. A tone curve `R = t(light)` is seen in star fluxes; noise at the sky's level then
//! converts by the slope there, which is the regression of R on M: `cov(R, M) / var(M)`.

use crate::Measured;
use crate::compare::grid::{OnGrid, Patch};
use crate::compare::moments::{TileMoments, tile_moments};
use crate::compare::photometry::{Photometry, measure_stars};
use crate::compare::pooled::{Pooled, without_outliers};
use crate::compare::register::register_on_first;
use crate::compare::separate::jackknife;
use crate::compare::types::{CompareError, CompareOptions, Contender};
use crate::{GainReport, RegionNoise};
use ndarray::Array2;
use raw::Rect;
use rayon::prelude::*;

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
    /// The report of the result, as the stack's own.
    pub report: GainReport,
    /// By channel.
    pub channels: Vec<ForeignChannel>,
    /// Slope of log star flux against the stack, less 1.
    pub tone: Measured,
    /// Whether it is in proportion to light.
    pub linear: bool,
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
    /// level where a tone curve makes fluxes useless.
    pub scale: Measured,
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

/// A slope of log flux beyond this, and significant, is a tone curve.
const TONE: f64 = 0.03;
const TONE_SIGMAS: f64 = 5.0;
/// Equations (1) and (2) differ from so many standard errors on.
const COMMON_SIGMAS: f64 = 3.0;
/// What a scale by star fluxes is uncertain by for faint light: aperture, kernel, a median's
/// loss at sharp stars (2.6 % seen). A judgment, no source.
const SCALE_FLOOR: f64 = 0.01;

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
    let linear = !(tone.value.abs() > TONE && tone.distance(0.0) > TONE_SIGMAS);
    let measured: Vec<ChannelTiles> = (0..n_channels)
        .map(|channel| ChannelTiles::of(own, &grids, &patch, &stars, channel, linear))
        .collect::<Option<_>>()
        .ok_or(CompareError::NothingMeasured)?;
    let place = &registered.places[1];
    Ok(Foreign {
        report: report_of(own.report, &measured),
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

impl ChannelTiles {
    fn of(
        own: &OwnStack,
        grids: &[OnGrid],
        patch: &Patch,
        stars: &Photometry,
        channel: usize,
        linear: bool,
    ) -> Option<Self> {
        let (first, second) = (own.n_lights.div_ceil(2) as f64, (own.n_lights / 2) as f64);
        let mut formula = Formula {
            half_share: first * second / (first + second).powi(2),
            common_part: false,
        };
        let by_stars = stars.flux_scale[1][channel];
        let mut scale = by_stars;
        let measure = |scale: f64| moments(own, grids, patch, channel, scale);
        let mut tiles = measure(scale.value);
        if !linear {
            // Twice, so that the first slope rids the second of outliers that were none.
            for _ in 0..2 {
                let (whole, parts) = pool(&tiles)?;
                let slope = |p: &Pooled| p.covariance(STACK, RESULT) / p.own(STACK);
                let found = slope(&whole);
                if !(found.is_finite() && found > 0.0) {
                    return None;
                }
                scale = Measured {
                    value: scale.value * found,
                    error: scale.value * jackknife(parts.iter().map(slope)),
                };
                tiles = measure(scale.value);
            }
        }
        let (whole, parts) = pool(&tiles)?;
        let mut scale_error = scale.error / scale.value;
        if linear {
            scale_error = scale_error.hypot(SCALE_FLOOR);
        }
        let error = |of: &dyn Fn(&Pooled) -> f64| jackknife(parts.iter().map(of));
        // An error of the scale changes var(R) by twice as much.
        let by_scale = 2.0 * scale_error * whole.own(RESULT) / formula.stack(&whole);
        let by_difference = (
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

/// Fewest tiles of a region that give it a ratio of its own.
const FEWEST_TILES: usize = 4;

/// The stack's report with the result in its place.
fn report_of(own: &GainReport, measured: &[ChannelTiles]) -> GainReport {
    let mut report = own.clone();
    for region in &mut report.regions {
        put_in_place(region, measured);
    }
    // The picture as a whole follows the mean of the channels' ratios.
    let n = measured.len() as f64;
    let mean = |of: &dyn Fn(&ForeignChannel) -> f64| {
        measured.iter().map(|m| of(&m.channel)).sum::<f64>() / n
    };
    let area = mean(&|channel| channel.noise_ratio.value.ln()).exp();
    let pixel = mean(&|channel| channel.pixel_ratio.ln()).exp();
    let squares =
        |channel: &ForeignChannel| (channel.noise_ratio.error / channel.noise_ratio.value).powi(2);
    let relative = (mean(&squares) / n).sqrt();
    let summary = &mut report.summary;
    summary.gain_area /= area;
    summary.gain_pixel_error = summary
        .gain_pixel_error
        .hypot(summary.gain_pixel * relative)
        / pixel;
    summary.gain_pixel /= pixel;
    summary.effective_frames = summary.gain_area.powi(2);
    summary.efficiency = summary.effective_frames / summary.frames_used as f64;
    let with_ratio = |error: f64| (error / area).hypot(summary.gain_area * relative);
    summary.error = with_ratio(summary.error);
    summary.realized_error = with_ratio(summary.realized_error);
    // What is noise beyond the stack's does not come with its pattern.
    summary.effective_frames_at_upper_bound /= area * area;
    report
}

fn put_in_place(region: &mut RegionNoise, measured: &[ChannelTiles]) {
    let holds = region.region;
    for cell in &mut region.channels {
        let Some(measured) = measured.get(cell.channel) else {
            continue;
        };
        let inside: Vec<Tile> = measured
            .tiles
            .iter()
            .filter(|tile| holds.holds(tile.area))
            .cloned()
            .collect();
        let whole = measured.channel;
        let (area, error, pixel) = match pool(&inside).filter(|_| inside.len() >= FEWEST_TILES) {
            Some((pooled, parts)) => {
                let formula = &measured.formula;
                let area = formula.ratio(&pooled);
                let error = jackknife(parts.iter().map(|p| formula.ratio(p)));
                let pixel = formula.pixel_ratio(&pooled, own_pixels(&inside));
                (area, error, pixel)
            }
            None => {
                let Measured { value, error } = whole.noise_ratio;
                (
                    value * value,
                    2.0 * value * error,
                    whole.pixel_ratio.powi(2),
                )
            }
        };
        let (area, pixel) = (area.max(0.0).sqrt(), pixel.max(0.0).sqrt());
        let relative = 0.5 * error / (area * area);
        // The ratio by pixels has no error of its own: that of areas, of fewer independent
        // values, stands for it.
        let wider = |error: f64, value: f64| error.hypot(value * relative);
        let stack = &mut cell.stack;
        stack.area_error = area * wider(stack.area_error, stack.area);
        stack.pixel_error = pixel * wider(stack.pixel_error, stack.pixel);
        cell.gain_pixel_error = wider(cell.gain_pixel_error, cell.gain_pixel) / pixel;
        cell.stack.area *= area;
        cell.stack.random = (cell.stack.area.powi(2) - cell.stack.pattern.powi(2))
            .max(0.0)
            .sqrt();
        cell.stack.pixel *= pixel;
        cell.gain_area /= area;
        cell.gain_pixel /= pixel;
        cell.effective_frames = cell.gain_area.powi(2);
        cell.efficiency /= area * area;
        let with_ratio = |error: f64| (error / area).hypot(cell.gain_area * relative);
        (cell.error, cell.realized_error) =
            (with_ratio(cell.error), with_ratio(cell.realized_error));
        // How it was combined is not known: all of that is unexplained.
        let budget = &mut cell.budget;
        let known = budget.rejected_samples * budget.estimator;
        budget.rejected_samples = 1.0;
        budget.estimator = 1.0;
        budget.unexplained *= known / area;
        budget.borrowed = cell.stack.pixel / cell.stack.area;
    }
}
