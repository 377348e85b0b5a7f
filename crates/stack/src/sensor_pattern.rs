//! A fixed pattern of the sensor, as the lights themselves tell it: what stays on the same
//! sites while the stars move on.

use crate::evidence::{PERIOD, WIDE_REACH, keep_evident, local_means, robust_sigma};
use crate::resample::{PaddedPlane, Resampler};
use crate::{
    CalibratedWindow, Calibrator, Kernel, Light, LightMask, StackError, StackPart, StoredStack,
    TILE_PX,
};
use align::PixelMap;
use ndarray::{Array2, s};
use raw::Rect;
use rayon::prelude::*;
use std::sync::Arc;

/// A site whose light lies further from the median of the lights there, in sigmas of a single
/// light, is left out: what crosses the sky is no pattern.
const OUTLIER_SIGMAS: f32 = 4.0;
/// How far around a place the stack must be calm, px: its kernel's reach.
const CALM_REACH_PX: usize = 3;
/// What the stack may vary by within that reach, beyond its own noise, in sigmas of a single
/// light: where it varies more, a place a tenth of a pixel off would pass for a pattern.
const CALM_SIGMAS: f32 = 1.0;
/// The range of a stack's noise within that reach, in its sigmas.
const NOISE_RANGE_SIGMAS: f32 = 4.0;
/// Side of the blocks at whose scale belief is told, px: those of noise over areas.
const BLOCK_PX: usize = 8;
/// Blocks further out than so many robust sigmas tell nothing of the typical one.
const BLOCK_OUTLIER_SIGMAS: f32 = 5.0;

/// A pattern of the sensor, and how well the lights tell it.
#[derive(Clone, Debug)]
pub struct SensorPattern {
    /// Offset of each site, DN of calibrated light, `[row, column]`; shrunk by its error, and 0
    /// where it is not known.
    pub offset_dn: Array2<f32>,
    /// By channel.
    pub channels: Vec<PatternStrength>,
    /// Factor from what the lights show to what is believed of it, at the scale of blocks of
    /// 8 px, 0 to 1.
    pub believed: f64,
    /// Share of the sites of which anything is known.
    pub known: f64,
}

/// How strong the pattern of one channel is.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct PatternStrength {
    /// Standard deviation over the sites, the noise of finding it taken off, DN.
    pub rms_dn: f64,
    /// Standard error of a site before it is shrunk, DN.
    pub error_dn: f64,
}

/// Half of the lights each: the mean over them at every site, NaN where not known.
struct Halves {
    even: Array2<f32>,
    odd: Array2<f32>,
}

impl SensorPattern {
    /// The fewest lights of which a pattern can be told: two for each of two halves.
    pub const FEWEST_LIGHTS: usize = 4;

    /// What the lights have more than their stack, at every site of the sensor: the mean over
    /// the lights, without what lies beside stars, on a mask or on a defect, and without what
    /// is smooth over 66 px, which is sky as well as sensor.
    ///
    /// Halves of the lights taken in turn tell its error, by which columns, rows, sites and
    /// small areas are shrunk as those of a master are: a pattern that is all noise is not
    /// believed, and taking it off adds none.
    ///
    /// - `masks`: one a light, each in the light's own pixels, or none.
    /// - `stack`: of these lights by this calibrator.
    /// - `noise_dn`: noise of a sample, `[light][channel]`.
    ///
    /// # Errors
    ///
    /// When samples or the stack cannot be read back from a scratch file.
    ///
    /// # Panics
    ///
    /// With less than [`FEWEST_LIGHTS`](Self::FEWEST_LIGHTS) lights, or noise of others.
    pub fn of_lights(
        lights: &[Light],
        masks: &[Arc<LightMask>],
        calibrator: &Calibrator,
        stack: &StoredStack,
        noise_dn: &[Vec<f32>],
    ) -> Result<Self, StackError> {
        crate::engine::check(lights, masks, calibrator)?;
        assert!(lights.len() >= Self::FEWEST_LIGHTS, "two for each half");
        assert_eq!(lights.len(), noise_dn.len(), "noise of each light");
        let layout = calibrator.layout();
        let blank = Array2::from_elem((layout.height, layout.width), f32::NAN);
        let mut halves = Halves {
            even: blank.clone(),
            odd: blank,
        };
        let back: Vec<Option<PixelMap>> = lights.iter().map(|light| light.map.inverse()).collect();
        for channel in 0..layout.cfa.channels().len() {
            let plane = stack.plane(StackPart::Mean, channel)?;
            let noise_dn: Vec<f32> = noise_dn.iter().map(|noise| noise[channel]).collect();
            let residuals = Residuals {
                lights,
                masks,
                calibrator,
                back: &back,
                channel,
                calm: calm(&plane, &noise_dn),
                plane,
                noise_dn,
                resampler: Resampler::new(Kernel::Lanczos3),
            };
            residuals.put_into(&mut halves)?;
        }
        Ok(halves.pattern(calibrator))
    }
}

impl Halves {
    fn pattern(self, calibrator: &Calibrator) -> SensorPattern {
        let cfa = &calibrator.layout().cfa;
        // Mean and half the difference: the noise of both is the same, the pattern is in one.
        let Self { mut even, mut odd } = self;
        ndarray::Zip::from(&mut even)
            .and(&mut odd)
            .par_for_each(|even, odd| {
                (*even, *odd) = (0.5 * (*even + *odd), 0.5 * (*even - *odd));
            });
        let (mut mean, difference) = (even, odd);
        let smooth = local_means(&mean, WIDE_REACH, f32::INFINITY);
        mean.zip_mut_with(&smooth, |mean, smooth| *mean -= smooth);
        drop(smooth);
        let of_channel = |plane: &Array2<f32>, channel| {
            let sites = plane.indexed_iter();
            let own =
                sites.filter(|((row, col), v)| cfa.at(*row, *col) == channel && v.is_finite());
            let own: Vec<f32> = own.map(|(_, &value)| value).collect();
            match own.is_empty() {
                true => 0.0,
                false => f64::from(robust_sigma(own.into_iter())),
            }
        };
        let channels = cfa.channels();
        let strength = |&channel: &_| {
            let error_dn = of_channel(&difference, channel);
            let total_dn = of_channel(&mean, channel);
            PatternStrength {
                rms_dn: (total_dn * total_dn - error_dn * error_dn).max(0.0).sqrt(),
                error_dn,
            }
        };
        let strengths: Vec<PatternStrength> = channels.iter().map(strength).collect();
        drop(difference);
        let known = mean.iter().filter(|value| value.is_finite()).count();
        let known = known as f64 / mean.len().max(1) as f64;
        // In units of its error every channel is shrunk alike.
        let error = |row: usize, col: usize| {
            let own = channels.iter().position(|&c| c == cfa.at(row, col));
            own.map_or(0.0, |own| strengths[own].error_dn as f32)
        };
        let mut pattern = mean;
        pattern
            .indexed_iter_mut()
            .for_each(|((row, col), value)| *value /= error(row, col));
        let found = block_means(&pattern);
        let unknown = stand_in(&mut pattern);
        keep_evident(&mut pattern, Some(1.0));
        pattern.indexed_iter_mut().for_each(|((row, col), value)| {
            *value = match unknown[(row, col)] {
                true => 0.0,
                false => *value * error(row, col),
            };
        });
        let in_errors = Array2::from_shape_fn(pattern.dim(), |at| pattern[at] / error(at.0, at.1));
        let believed = believed(&found, &block_means(&in_errors));
        SensorPattern {
            offset_dn: pattern,
            channels: strengths,
            believed,
            known,
        }
    }
}

/// Where nothing is known, puts in what the same column shows elsewhere, so that the known sites
/// alone tell how widely they scatter; where that was.
fn stand_in(pattern: &mut Array2<f32>) -> Array2<bool> {
    let unknown = pattern.mapv(|value| !value.is_finite());
    for (mut column, unknown) in pattern.columns_mut().into_iter().zip(unknown.columns()) {
        for class in 0..PERIOD {
            let rows = (class..column.len()).step_by(PERIOD);
            let known: Vec<f32> = rows
                .clone()
                .filter(|&row| !unknown[row])
                .map(|row| column[row])
                .collect();
            let mut others = known.iter().cycle();
            for row in rows.filter(|&row| unknown[row]) {
                column[row] = others.next().copied().unwrap_or(0.0);
            }
        }
    }
    unknown
}

/// Means over blocks; NaN where not all of a block is known.
fn block_means(plane: &Array2<f32>) -> Vec<f32> {
    let (height, width) = plane.dim();
    let blocks = Rect::of_size(width / BLOCK_PX * BLOCK_PX, height / BLOCK_PX * BLOCK_PX);
    let mean = |block: &Rect| {
        let part = plane.slice(s![block.y0..block.y1, block.x0..block.x1]);
        part.iter().sum::<f32>() / part.len() as f32
    };
    blocks.tiles(BLOCK_PX).iter().map(mean).collect()
}

/// Regression of what is believed on what was found, 0 to 1.
fn believed(found: &[f32], kept: &[f32]) -> f64 {
    let seen: Vec<f32> = found.iter().copied().filter(|v| v.is_finite()).collect();
    if seen.is_empty() {
        return 0.0;
    }
    let limit = BLOCK_OUTLIER_SIGMAS * robust_sigma(seen.into_iter());
    let pairs = found.iter().zip(kept).filter(|(v, _)| v.abs() < limit);
    let (both, own) = pairs.fold((0.0, 0.0), |(both, own), (&found, &kept)| {
        let (found, kept) = (f64::from(found), f64::from(kept));
        (both + found * kept, own + found * found)
    });
    match own > 0.0 {
        true => (both / own).clamp(0.0, 1.0),
        false => 0.0,
    }
}

/// Where a stack hardly varies within the kernel's reach, and has values.
fn calm(plane: &Array2<f32>, noise_dn: &[f32]) -> Array2<bool> {
    let mut noise = noise_dn.to_vec();
    let single_dn = align::median(&mut noise).unwrap_or(0.0);
    let stack_dn = single_dn / (noise_dn.len() as f32).sqrt();
    let limit_dn = CALM_SIGMAS * single_dn + NOISE_RANGE_SIGMAS * stack_dn;
    let (height, width) = plane.dim();
    let near = |i: usize, n: usize| i.saturating_sub(CALM_REACH_PX)..n.min(i + CALM_REACH_PX + 1);
    // Lowest and highest; a value that is none makes both so.
    type Range = (f32, f32);
    let join = |a: Range, b: Range| match (a.0.is_nan(), b.0.is_nan()) {
        (false, false) => (a.0.min(b.0), a.1.max(b.1)),
        _ => (f32::NAN, f32::NAN),
    };
    let along = |row: usize| -> Vec<Range> {
        let of = |col: usize| near(col, width).map(|c| (plane[(row, c)], plane[(row, c)]));
        let range = |col: usize| of(col).reduce(join).expect("the place itself");
        (0..width).map(range).collect()
    };
    let bands = Rect::of_size(1, height).tiles(TILE_PX);
    let calm: Vec<bool> = bands
        .par_iter()
        .flat_map_iter(|band| {
            let top = band.y0.saturating_sub(CALM_REACH_PX);
            let rows: Vec<Vec<Range>> = (top..height.min(band.y1 + CALM_REACH_PX))
                .map(along)
                .collect();
            let of_row = move |row: usize| -> Vec<bool> {
                let of = |col: usize| near(row, height).map(|r| rows[r - top][col]).reduce(join);
                let calm = |col: usize| {
                    let (low, high) = of(col).expect("the place itself");
                    high - low < limit_dn
                };
                (0..width).map(calm).collect()
            };
            (band.y0..band.y1).flat_map(of_row)
        })
        .collect();
    Array2::from_shape_vec((height, width), calm).expect("every place")
}

/// Lights held against their stack, on one channel.
struct Residuals<'a> {
    lights: &'a [Light],
    masks: &'a [Arc<LightMask>],
    calibrator: &'a Calibrator,
    /// From each light to the reference.
    back: &'a [Option<PixelMap>],
    channel: usize,
    plane: Array2<f32>,
    calm: Array2<bool>,
    noise_dn: Vec<f32>,
    resampler: Resampler,
}

impl Residuals<'_> {
    fn put_into(&self, halves: &mut Halves) -> Result<(), StackError> {
        let tiles = self.calibrator.layout().bounds().tiles(TILE_PX);
        // A batch at a time, so that few finished tiles wait.
        for batch in tiles.chunks(TILE_PX) {
            let done: Result<Vec<_>, StackError> =
                batch.par_iter().map(|tile| self.tile(tile)).collect();
            for (tile, means) in batch.iter().zip(done?) {
                for (i, [even, odd]) in means.into_iter().enumerate() {
                    let at = (tile.y0 + i / tile.width(), tile.x0 + i % tile.width());
                    if even.is_finite() && odd.is_finite() {
                        (halves.even[at], halves.odd[at]) = (even, odd);
                    }
                }
            }
        }
        Ok(())
    }

    /// The means of the even and the odd lights at every site; NaN for other channels' sites,
    /// and where too few lights tell.
    fn tile(&self, tile: &Rect) -> Result<Vec<[f32; 2]>, StackError> {
        let mut residuals = vec![vec![f32::NAN; self.lights.len()]; tile.area()];
        for light in 0..self.lights.len() {
            self.light(light, tile, &mut residuals)?;
        }
        Ok(residuals.iter().map(|site| self.means(site)).collect())
    }

    /// What one light has more than the stack.
    fn light(
        &self,
        number: usize,
        tile: &Rect,
        residuals: &mut [Vec<f32>],
    ) -> Result<(), StackError> {
        let (light, Some(back)) = (&self.lights[number], &self.back[number]) else {
            return Ok(());
        };
        let mut points = vec![(0.0, 0.0); tile.area()];
        for (row, points) in points.chunks_exact_mut(tile.width()).enumerate() {
            back.map_row(tile.x0, tile.y0 + row, points);
        }
        let layout = self.calibrator.layout();
        let channel = layout.cfa.channels()[self.channel];
        let mask = self.masks.get(number);
        let usable = |i: usize| {
            let (row, col) = (tile.y0 + i / tile.width(), tile.x0 + i % tile.width());
            let (x, y) = points[i];
            layout.cfa.at(row, col) == channel
                && x >= 0.0
                && y >= 0.0
                && !self.calibrator.defects().contains(row, col)
                && mask.is_none_or(|mask| !mask.hides(row, col))
                && self
                    .calm
                    .get(((y + 0.5) as usize, (x + 0.5) as usize))
                    .is_some_and(|&calm| calm)
        };
        let reached: Vec<bool> = (0..tile.area()).map(usable).collect();
        let Some(needed) = Resampler::needed(&points, &reached) else {
            return Ok(());
        };
        let area = needed.cut_to(&layout.bounds());
        let part = self.plane.slice(s![area.y0..area.y1, area.x0..area.x1]);
        let part: Vec<f32> = part.iter().copied().collect();
        let mut padded = PaddedPlane::new();
        padded.fill(needed, &area, &part);
        let CalibratedWindow { values, .. } = self.calibrator.window(&light.mosaic, tile)?;
        let (mut places, mut stack) = (Vec::new(), vec![f32::NAN; tile.area()]);
        needed.places(&points, &reached, &mut places);
        self.resampler
            .sample_row(&padded, &places, &reached, None, &mut stack);
        for i in (0..tile.area()).filter(|&i| reached[i]) {
            let (x, y) = points[i];
            let own = (stack[i] - light.sky_offset.at(self.channel, x, y)) / light.scale;
            residuals[i][number] = values[i] - own;
        }
        Ok(())
    }

    fn means(&self, site: &[f32]) -> [f32; 2] {
        const FEWEST: usize = 2;
        let mut known: Vec<f32> = site.iter().copied().filter(|v| v.is_finite()).collect();
        let Some(middle) = align::median(&mut known) else {
            return [f32::NAN; 2];
        };
        [0, 1].map(|first| {
            let own = site.iter().zip(&self.noise_dn).skip(first).step_by(2);
            let near = own.filter(|(v, noise)| (**v - middle).abs() <= OUTLIER_SIGMAS * **noise);
            let (sum, n) = near.fold((0.0_f64, 0), |(sum, n), (v, _)| {
                (sum + f64::from(*v), n + 1)
            });
            let needed = FEWEST.max(site.len().div_ceil(2 * 4));
            match n >= needed {
                true => (sum / n as f64) as f32,
                false => f32::NAN,
            }
        })
    }
}

/// What is smooth over so many px is no pattern.
pub const PATTERN_SMOOTH_PX: usize = (2 * WIDE_REACH + 1) * PERIOD;
