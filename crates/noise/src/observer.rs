//! Noise of every tile while the stack is made: lights against the rest, half against half.

use std::fmt;

use raw::Rect;
use stack::{HalfSplit, TileObserver, TileSamples, with_widest_vectors};

use crate::difference::{DifferenceMeter, DifferenceNoise};
use crate::growth::{GrowthSample, grow};
use crate::layers::TileLayers;
use crate::mask::StarMask;
use crate::region::TILE_PX;
use crate::robust::median;
use crate::track::SensorTrack;

/// How many of the lights are measured singly on a tile.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Default)]
pub enum LightsPerTile {
    /// Every light on small pictures; on large ones a few, another few on the next tile,
    /// so that about 20 000 tiles of single lights are measured per channel.
    #[default]
    Budget,
    /// Every light on every tile.
    All,
}

/// How noise is measured.
#[derive(Clone, Debug, PartialEq)]
pub struct NoiseOptions {
    /// Side of the blocks whose means "area" noise is about, px. Default 8; at least 1.
    pub block_px: usize,
    /// Samples of a difference further out than this many robust sigmas are no noise
    /// but satellites, hot pixels, star residuals. Default 6: at 3 what is left of good
    /// noise would be 1.5 % short.
    pub outlier_sigmas: f32,
    /// Neighbourhood of an outlier left out with it, px. Default 3.
    pub outlier_grow_px: usize,
    /// Lights measured singly per tile.
    pub lights_per_tile: LightsPerTile,
    /// Full scale above black of the light that saturates first, DN on the stack's scale:
    /// a pixel where a light, or the stack, comes within 5 % of it is not measured, since
    /// the noise of a clipped sample is cut off. Default `None`: nothing saturates.
    pub saturation_dn: Option<f32>,
}

impl Default for NoiseOptions {
    fn default() -> Self {
        Self {
            block_px: 8,
            outlier_sigmas: 6.0,
            outlier_grow_px: 3,
            lights_per_tile: LightsPerTile::Budget,
            saturation_dn: None,
        }
    }
}

/// Measures the noise of every tile that the stack hands it.
///
/// - A single light: light minus the weighted mean of the other kept samples. The mean's
///   own noise is taken off by weight, `sigma_i^2 = var(d) (W - w_i) / W`, where W counts
///   light i. All its samples serve but gross outliers; whether the stack kept them does
///   not matter, or the clip would flatter the light.
/// - The stack: `(A - B) sqrt(W_A W_B) / (W_A + W_B)` of its halves, whose variance is
///   the stack's for inverse-variance weights. Where lights do not reach all pixels the
///   stack's noise changes from pixel to pixel: it is measured times the root of the
///   reaching weight, and the mean of one over that weight makes it the stack's again.
pub struct NoiseObserver {
    mask: StarMask,
    options: NoiseOptions,
    track: Option<SensorTrack>,
}

impl NoiseObserver {
    /// An observer of a picture of the mask's size.
    pub fn new(mask: StarMask, options: NoiseOptions) -> Self {
        let block_px = options.block_px.max(1);
        let options = NoiseOptions {
            block_px,
            ..options
        };
        Self {
            mask,
            options,
            track: None,
        }
    }

    /// The same, telling sensor from sky by the lights' track, so that a fixed pattern
    /// shows that hardly moves. The report needs the same track.
    pub fn with_track(self, track: Option<SensorTrack>) -> Self {
        Self { track, ..self }
    }

    /// The lights measured singly on a tile, in rising order.
    fn lights_of(&self, tile: Rect, n: usize) -> Vec<usize> {
        let across = self.mask.width().div_ceil(TILE_PX);
        let tiles = across * self.mask.height().div_ceil(TILE_PX);
        let few = match self.options.lights_per_tile {
            LightsPerTile::All => n,
            LightsPerTile::Budget => (LIGHT_TILES / tiles.max(1)).max(FEWEST_LIGHTS).min(n),
        };
        if few == n {
            return (0..n).collect();
        }
        // The step from row to row keeps a column from seeing the same lights all over.
        let start = few * (tile.x0 / TILE_PX) + (few + 1) * (tile.y0 / TILE_PX);
        let mut lights: Vec<usize> = (0..few).map(|i| (start + i) % n).collect();
        lights.sort_unstable();
        lights
    }

    /// Number of a tile in reading order, and how many there are.
    fn number_of(&self, tile: Rect) -> (usize, usize) {
        let across = self.mask.width().div_ceil(TILE_PX);
        let number = tile.y0 / TILE_PX * across + tile.x0 / TILE_PX;
        (number, across * self.mask.height().div_ceil(TILE_PX))
    }

    /// Pixels off stars where the stack has a value, saturated or not.
    fn on_sky(&self, tile: &TileSamples<'_>) -> Vec<bool> {
        let area = tile.area;
        let rows = (area.y0..area.y1).zip(tile.mean.chunks_exact(area.width()));
        rows.flat_map(|(y, means)| {
            let columns = (area.x0..area.x1).zip(means);
            columns.map(move |(x, mean)| mean.is_finite() && !self.mask.is_masked(x, y))
        })
        .collect()
    }
}

/// Share of full scale from which a sample counts as saturated: dark signal taken off and
/// resampling leave it below full scale.
const SATURATED: f32 = 0.95;

/// Strikes the pixels off that a light or the stack saturates; how many those were.
fn strike_saturated(tile: &TileSamples<'_>, limit: f32, usable: &mut [bool]) -> usize {
    let before = number_of(usable);
    for plane in tile.samples.iter().chain([&tile.mean]) {
        let pixels = usable.iter_mut().zip(*plane);
        with_widest_vectors(
            #[inline(always)]
            || {
                for (usable, &value) in pixels {
                    let saturated = value >= limit;
                    *usable &= !saturated;
                }
            },
        );
    }
    before - number_of(usable)
}

fn number_of(usable: &[bool]) -> usize {
    usable.iter().filter(|&&usable| usable).count()
}

/// Tiles of single lights measured per channel of a large picture.
const LIGHT_TILES: usize = 20_000;
/// One in so many pixels tells the sky level.
const SKY_STRIDE: usize = 8;
/// Lights measured on each tile of the largest picture.
const FEWEST_LIGHTS: usize = 4;

impl TileObserver for NoiseObserver {
    type Summary = TileNoise;

    fn observe(&self, tile: &TileSamples<'_>) -> TileNoise {
        let mut usable = self.on_sky(tile);
        let sky_pixels = number_of(&usable);
        let limit = self.options.saturation_dn.filter(|_| sky_pixels > 0);
        let saturated_pixels = limit.map_or(0, |full_dn| {
            strike_saturated(tile, SATURATED * full_dn, &mut usable)
        });
        TileNoise {
            area: tile.area,
            channel: tile.channel,
            lights_in_stack: tile.samples.len(),
            block_px: self.options.block_px,
            sky_pixels,
            saturated_pixels,
            measured: match usable.contains(&true) {
                true => self.measure(tile, &usable),
                false => None,
            },
        }
    }
}

impl NoiseObserver {
    fn measure(&self, tile: &TileSamples<'_>, usable: &[bool]) -> Option<MeasuredTile> {
        let (coverage, reach) = Coverage::of(tile, usable)?;
        let options = &self.options;
        let mut meter = DifferenceMeter::new(
            (tile.area.width(), tile.area.height()),
            options.block_px,
            options.outlier_sigmas,
            options.outlier_grow_px,
        );
        let halves = [0, 1].map(|split| half_difference(tile, split, &reach, usable, &mut meter));
        let sum = weighted_residual(tile);
        let mut lights = Vec::new();
        let mut clip = ClipTally::default();
        let mut noise_of_lights: Vec<f64> = Vec::new();
        for index in self.lights_of(tile.area, tile.samples.len()) {
            let (mut values, mut valid) = light_difference(tile, index, &sum, usable);
            let Some(noise) = meter.measure(&mut values, &mut valid) else {
                continue;
            };
            noise_of_lights.resize(meter.covariance().len(), 0.0);
            for (sum, value) in noise_of_lights.iter_mut().zip(meter.covariance()) {
                *sum += value;
            }
            let weight = f64::from(tile.weights[index]);
            lights.push(LightNoise {
                index,
                weight,
                noise,
            });
            clip.add(&values, &valid, tile.kept[index], tile.area.width());
        }
        let track = self
            .track
            .as_ref()
            .filter(|track| track.lights() == tile.samples.len());
        let layers = track.and_then(|track| {
            let (x, y) = (tile.area.x0 + tile.area.x1, tile.area.y0 + tile.area.y1);
            let cell = track.cell_of(x / 2, y / 2);
            let known = (cell, &track.cells()[cell]);
            let noise = (noise_of_lights.as_slice(), lights.len());
            TileLayers::of(tile, known, usable, noise, &mut meter, options.block_px)
        });
        let sky = tile.mean.iter().zip(usable).filter(|&(_, &usable)| usable);
        let sky = sky.step_by(SKY_STRIDE);
        Some(MeasuredTile {
            halves,
            lights,
            coverage,
            clipped: share(clip.clipped, clip.samples),
            clipped_variance: share(clip.clipped_squares, clip.squares),
            clipped_own_variance: share(clip.clipped_own, clip.samples),
            sky_dn: median(sky.map(|(&mean, _)| f64::from(mean)).collect()),
            split_correlation: split_correlation(tile.weights),
            layers,
            growth: grow(tile, self.number_of(tile.area), usable, &mut meter),
        })
    }
}

/// The noise of one channel of one tile; what [`GainReport`](crate::GainReport) is made of.
#[derive(Clone, PartialEq)]
pub struct TileNoise {
    /// The tile, px of the reference.
    pub area: Rect,
    /// Index into the picture's channels.
    pub channel: usize,
    pub(crate) lights_in_stack: usize,
    pub(crate) block_px: usize,
    /// Pixels off stars where the stack has a value, and those of them that saturate.
    pub(crate) sky_pixels: usize,
    pub(crate) saturated_pixels: usize,
    pub(crate) measured: Option<MeasuredTile>,
}

impl TileNoise {
    /// Whether the tile had enough unmasked pixels to say anything.
    pub fn is_measured(&self) -> bool {
        self.measured.is_some()
    }
}

impl fmt::Debug for TileNoise {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("TileNoise")
            .field("area", &self.area)
            .field("channel", &self.channel)
            .field("measured", &self.measured)
            .finish()
    }
}

#[derive(Clone, Debug, PartialEq)]
pub(crate) struct MeasuredTile {
    /// By split, odd/even first, for a reaching weight of one.
    pub halves: [Option<DifferenceNoise>; 2],
    pub lights: Vec<LightNoise>,
    pub coverage: Coverage,
    /// Share of the good samples (no gross outliers) that the stack rejected.
    pub clipped: f64,
    /// Share of the good samples' variance that went with them.
    pub clipped_variance: f64,
    /// Mean over the good samples of the share of a sample's own variance that went: less
    /// than `clipped_variance`, since it is the noisier ones that a clip takes.
    pub clipped_own_variance: f64,
    /// Median of the stack, DN.
    pub sky_dn: f64,
    /// Correlation of the two splits' differences, from the weights alone.
    pub split_correlation: f64,
    /// What tells sensor from sky, where the lights' track is known.
    pub layers: Option<TileLayers>,
    /// Means of few lights against means of as many others; none on most tiles of a
    /// large picture.
    pub growth: Vec<GrowthSample>,
}

#[derive(Clone, Debug, PartialEq)]
pub(crate) struct LightNoise {
    pub index: usize,
    pub weight: f64,
    pub noise: DifferenceNoise,
}

/// How many lights reach the usable pixels of a tile.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Coverage {
    pub pixels: usize,
    /// Mean of 1 / lights with a sample.
    pub inverse_lights: f64,
    /// Mean of 1 / Kish number of lights, `(sum w)^2 / sum w^2`.
    pub inverse_kish: f64,
    /// Mean of 1 / sum of the weights that reach a pixel: variance of the stack over that
    /// for a reaching weight of one.
    pub inverse_weight: f64,
    /// Share of the samples that the stack rejected.
    pub rejected: f64,
}

impl Coverage {
    /// With it the sum of the weights of the lights that have a sample at each pixel,
    /// rejected or not.
    fn of(tile: &TileSamples<'_>, usable: &[bool]) -> Option<(Self, Vec<f32>)> {
        let n = usable.len();
        let (mut count, mut kept) = (vec![0.0f32; n], vec![0.0f32; n]);
        let (mut sum, mut squares) = (vec![0.0f32; n], vec![0.0f32; n]);
        for ((samples, flags), &weight) in tile.samples.iter().zip(tile.kept).zip(tile.weights) {
            let samples = samples.iter().zip(*flags);
            let counts = count.iter_mut().zip(&mut kept);
            let pixels = samples.zip(counts.zip(sum.iter_mut().zip(&mut squares)));
            with_widest_vectors(
                #[inline(always)]
                || {
                    for ((&sample, &flag), ((count, kept), (sum, squares))) in pixels {
                        let present = if sample.is_nan() { 0.0 } else { 1.0 };
                        *count += present;
                        *kept += present * f32::from(flag);
                        *sum += present * weight;
                        *squares += present * weight * weight;
                    }
                },
            );
        }
        let (mut pixels, mut inverse_lights, mut inverse_kish) = (0usize, 0.0, 0.0);
        let (mut all, mut all_kept, mut inverse_weight) = (0.0, 0.0, 0.0);
        for p in (0..n).filter(|&p| usable[p] && count[p] > 0.0 && sum[p] > 0.0) {
            pixels += 1;
            inverse_weight += 1.0 / f64::from(sum[p]);
            inverse_lights += 1.0 / f64::from(count[p]);
            inverse_kish += f64::from(squares[p]) / f64::from(sum[p]).powi(2);
            all += f64::from(count[p]);
            all_kept += f64::from(kept[p]);
        }
        let coverage = || Self {
            pixels,
            inverse_lights: inverse_lights / pixels as f64,
            inverse_kish: inverse_kish / pixels as f64,
            inverse_weight: inverse_weight / pixels as f64,
            rejected: 1.0 - all_kept / all,
        };
        (pixels > 0).then(|| (coverage(), sum))
    }
}

/// What the stack's rejection took of the good samples of single lights.
#[derive(Default)]
struct ClipTally {
    samples: f64,
    clipped: f64,
    squares: f64,
    clipped_squares: f64,
    /// Sum over the samples of the share of their own variance that was taken.
    clipped_own: f64,
}

/// A light's displacement hardly changes over a tile, so that its samples are as noisy as
/// their place in the mosaic says: measured by the filter, or interpolated from two or from
/// four. This is the mosaic's period, px.
const MOSAIC_PX: usize = 2;

impl ClipTally {
    /// Adds a sample; nothing where it is not valid, without a branch.
    #[inline(always)]
    fn add_one(&mut self, value: f32, valid: bool, kept: u8) {
        let one = if valid { 1.0 } else { 0.0 };
        let square = if valid { f64::from(value * value) } else { 0.0 };
        let rejected = kept == 0;
        self.samples += one;
        self.squares += square;
        self.clipped += if rejected { one } else { 0.0 };
        self.clipped_squares += if rejected { square } else { 0.0 };
    }

    /// Adds a light's samples, row by row.
    fn add(&mut self, values: &[f32], valid: &[bool], kept: &[u8], width: usize) {
        let mut alike: [Self; MOSAIC_PX * MOSAIC_PX] = Default::default();
        let rows = values.chunks_exact(width).zip(valid.chunks_exact(width));
        for (row, ((values, valid), kept)) in rows.zip(kept.chunks_exact(width)).enumerate() {
            let first = row % MOSAIC_PX * MOSAIC_PX;
            let own: &mut [Self] = &mut alike[first..first + MOSAIC_PX];
            let values = values.chunks(MOSAIC_PX).zip(valid.chunks(MOSAIC_PX));
            for ((values, valid), kept) in values.zip(kept.chunks(MOSAIC_PX)) {
                let pixels = values.iter().zip(valid).zip(kept);
                for (own, ((&value, &valid), &kept)) in own.iter_mut().zip(pixels) {
                    own.add_one(value, valid, kept);
                }
            }
        }
        for own in alike {
            self.samples += own.samples;
            self.squares += own.squares;
            self.clipped += own.clipped;
            self.clipped_squares += own.clipped_squares;
            self.clipped_own += own.samples * share(own.clipped_squares, own.squares);
        }
    }
}

fn share(part: f64, whole: f64) -> f64 {
    if whole > 0.0 { part / whole } else { 0.0 }
}

/// `sum of w (x - mean)` over the kept samples. Residuals keep f32 sums exact enough.
fn weighted_residual(tile: &TileSamples<'_>) -> Vec<f32> {
    let mut sum = vec![0.0f32; tile.mean.len()];
    for ((samples, kept), &weight) in tile.samples.iter().zip(tile.kept).zip(tile.weights) {
        let pixels = samples.iter().zip(*kept).zip(tile.mean);
        let sums = sum.iter_mut().zip(pixels);
        with_widest_vectors(
            #[inline(always)]
            || {
                for (sum, ((&sample, &kept), &mean)) in sums {
                    let own = weight * (sample - mean);
                    *sum += if kept == 0 { 0.0 } else { own };
                }
            },
        );
    }
    sum
}

/// Light minus the rest, scaled to the light's own noise.
fn light_difference(
    tile: &TileSamples<'_>,
    index: usize,
    sum: &[f32],
    usable: &[bool],
) -> (Vec<f32>, Vec<bool>) {
    let weight = tile.weights[index];
    let (samples, kept) = (tile.samples[index], tile.kept[index]);
    let (mut values, mut valid) = (vec![0.0; sum.len()], vec![false; sum.len()]);
    let lights = samples.iter().zip(kept);
    let stack = tile
        .mean
        .iter()
        .zip(tile.weight)
        .zip(sum.iter().zip(usable));
    let pixels = values.iter_mut().zip(&mut valid).zip(lights.zip(stack));
    with_widest_vectors(
        #[inline(always)]
        || {
            for ((value, valid), ((&sample, &kept), ((&mean, &all), (&sum, &usable)))) in pixels {
                let rest = all - weight * f32::from(kept);
                let residual = sample - mean;
                // The rest is the difference of two sums of weights: zero up to rounding
                // where the light is alone.
                *valid = usable & residual.is_finite() & (rest > 1e-4 * weight);
                let own_residual = if kept == 0 { 0.0 } else { weight * residual };
                let others = (sum - own_residual) / rest;
                let scaled = (residual - others) * (rest / (rest + weight)).sqrt();
                *value = if *valid { scaled } else { 0.0 };
            }
        },
    );
    (values, valid)
}

/// Half minus half, scaled to the stack's noise times the root of the weights that reach
/// the pixel, which unlike the stack's does not change where lights are missing.
fn half_difference(
    tile: &TileSamples<'_>,
    split: usize,
    reach: &[f32],
    usable: &[bool],
    meter: &mut DifferenceMeter,
) -> Option<DifferenceNoise> {
    let [first, second] = tile.halves[split];
    let [first_weight, second_weight] = tile.half_weight[split];
    let (mut values, mut valid) = (vec![0.0; usable.len()], vec![false; usable.len()]);
    let halves = first.iter().zip(second);
    let weights = first_weight.iter().zip(second_weight);
    let known = halves.zip(weights).zip(reach.iter().zip(usable));
    let pixels = values.iter_mut().zip(&mut valid).zip(known);
    with_widest_vectors(
        #[inline(always)]
        || {
            for ((value, valid), (((&first, &second), (&a, &b)), (&reach, &usable))) in pixels {
                let difference = first - second;
                *valid = usable & difference.is_finite() & (a > 0.0) & (b > 0.0);
                let scaled = difference * (a * b * reach).sqrt() / (a + b);
                *value = if *valid { scaled } else { 0.0 };
            }
        },
    );
    meter.measure(&mut values, &mut valid)
}

/// Correlation of (odd - even) with (first - last) where only the lights' noise counts:
/// 1 for two lights, -1/2 for three, 0 for 4, 8, 12, ... of equal weight.
fn split_correlation(weights: &[f32]) -> f64 {
    let n = weights.len();
    let contrast = |split: HalfSplit| -> Vec<f64> {
        let mut sums = [0.0; 2];
        for (i, &w) in weights.iter().enumerate() {
            sums[usize::from(split.is_second(i, n))] += f64::from(w);
        }
        (0..n)
            .map(|i| {
                if split.is_second(i, n) {
                    -1.0 / sums[1]
                } else {
                    1.0 / sums[0]
                }
            })
            .collect()
    };
    let (a, b) = (contrast(HalfSplit::OddEven), contrast(HalfSplit::FirstLast));
    // Noise of w (x - m) is w^2 / w for inverse-variance weights.
    let dot = |u: &[f64], v: &[f64]| -> f64 {
        let products = u.iter().zip(v).zip(weights);
        products.map(|((u, v), &w)| u * v * f64::from(w)).sum()
    };
    let correlation = dot(&a, &b) / (dot(&a, &a) * dot(&b, &b)).sqrt();
    if correlation.is_finite() {
        correlation.clamp(-1.0, 1.0)
    } else {
        1.0
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn splits_of_two_lights_are_the_same_and_of_four_have_nothing_in_common() {
        let correlation = |n: usize| split_correlation(&vec![1.0; n]);
        assert!((correlation(2) - 1.0).abs() < 1e-12);
        assert!((correlation(3) + 0.5).abs() < 1e-12);
        assert!(correlation(4).abs() < 1e-12);
        assert!(correlation(20).abs() < 1e-12);
        assert_eq!(correlation(0), 1.0);
        assert_eq!(correlation(1), 1.0);
    }

    #[test]
    fn every_light_gets_its_turn_on_a_large_picture() {
        let observer = NoiseObserver::new(StarMask::empty(5184, 3888), NoiseOptions::default());
        for n in [2, 4, 5, 20, 60, 100] {
            // One region of a 6 x 4 grid.
            let mut seen = vec![0usize; n];
            for tile in (0..13 * 15).map(|t| (t % 13, t / 13)) {
                let (x0, y0) = (tile.0 * TILE_PX, tile.1 * TILE_PX);
                let area = Rect {
                    x0,
                    y0,
                    x1: x0 + TILE_PX,
                    y1: y0 + TILE_PX,
                };
                let lights = observer.lights_of(area, n);
                assert_eq!(lights.len(), n.min(4));
                lights.into_iter().for_each(|light| seen[light] += 1);
            }
            assert!(seen.iter().all(|&times| times > 0), "{n}: {seen:?}");
        }
    }
}
