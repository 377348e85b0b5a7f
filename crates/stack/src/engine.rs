//! The tile engine: every light onto one tile, combined, measured and forgotten.
//!
//! ```text
//! for each output tile (in parallel):
//!   for each light: source window -> calibrate -> demosaic -> resample -> level
//!   for each channel: reject, grow, combine, show to the observer
//! ```
//!
//! A tile is computed with a margin of [`GROW_REACH_PX`] pixels and what the clip looks at
//! beside a pixel, so that what happens at its border does not depend on where the borders
//! are.

use crate::camera_noise::{CameraNoise, NoiseFactors, SampleNoise};
use crate::chance::growth_limits;
use crate::combine::{TileStack, combine_channel};
use crate::demosaic::{Demosaic, DemosaicMethod, RecordedWhite};
use crate::predicted_clip::{GRADIENT_REACH_PX, reject_predicted};
use crate::reject::{GROW_REACH_PX, grow_rejected, present, reject_channel};
use crate::resample::{PaddedPlane, Resampler};
use crate::superpixel::Cells;
use crate::tile_walk::{FinishedTile, in_tiles};
use crate::{
    Calibrator, Combine, Kernel, LightMask, SkyMesh, StackError, StackPlace, StoredMosaic,
    StoredStack, TileObserver, TileSamples, median_price,
};
use align::PixelMap;
use ndarray::Array3;
use raw::{Cfa, Rect};
use std::sync::Arc;

pub(crate) use asked::Asked;
pub use single::light_over;

mod asked;
mod single;

/// Side of a tile, px. Regions of the noise report are cut along the same lattice.
pub const TILE_PX: usize = 64;

/// How far beside a sample pixels are used, px: three by the widest kernel, two by
/// demosaicing.
pub const SAMPLE_REACH_PX: f64 = 5.0;

/// A light, and how it fits the others.
#[derive(Clone, Debug)]
pub struct Light {
    /// What the sensor recorded.
    pub mosaic: StoredMosaic,
    /// Reference pixel to pixel of this light.
    pub map: PixelMap,
    /// Factor that brings its stars to the common brightness.
    pub scale: f32,
    /// What brings its sky to the common level, over the reference.
    pub sky_offset: SkyMesh,
    /// Weight, positive.
    pub weight: f32,
}

/// How to stack.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct StackOptions {
    /// The estimator; default a sigma clip at 3.
    pub combine: Combine,
    /// The interpolation kernel; default Lanczos-3.
    pub kernel: Kernel,
    /// Demosaicing; default bilinear. By superpixel the picture is half the size, on an
    /// [`OutputGrid`](crate::OutputGrid) of scale 1/2, and so must the observer's masks be.
    pub demosaic: DemosaicMethod,
    /// In what balance demosaicing compares colors, the same for all lights; default as they
    /// are recorded. Bilinear interpolation does not compare any.
    pub white: RecordedWhite,
}

impl Default for StackOptions {
    fn default() -> Self {
        Self {
            combine: Combine::SigmaClip(Default::default()),
            kernel: Kernel::Lanczos3,
            demosaic: DemosaicMethod::default(),
            white: RecordedWhite::default(),
        }
    }
}

/// A stack over the reference; every array is `[channel, row, column]`.
#[derive(Clone, Debug)]
pub struct Stack {
    /// Combined value, DN above black; NaN where no light has a sample.
    pub mean: Array3<f32>,
    /// Variance of `mean`, DN², from the scatter of the kept samples; NaN where fewer
    /// than two were kept.
    pub variance: Array3<f32>,
    /// Sum of the weights of the kept samples.
    pub weight: Array3<f32>,
    /// Samples rejected.
    pub rejected: Array3<u16>,
}

/// Stacks the lights onto the reference's pixels.
///
/// The observer's summaries come back tile by tile in reading order, the channels of a
/// tile together. Nothing here depends on the number of threads.
///
/// - `progress(done, tiles)` is called from any thread as tiles are finished.
///
/// # Errors
///
/// When there are no lights, one is not of the calibrator's size, or samples cannot be
/// read back from the scratch file.
pub fn stack<O: TileObserver>(
    lights: &[Light],
    calibrator: &Calibrator,
    options: &StackOptions,
    observer: &O,
    progress: &(dyn Fn(usize, usize) + Sync),
) -> Result<(Stack, Vec<O::Summary>), StackError> {
    stack_masked(lights, &[], calibrator, options, observer, progress)
}

/// Stacks what masks leave of the lights; otherwise as [`stack()`].
///
/// - `masks`: one a light, each in the light's **own** pixels. A sample that falls on a pixel
///   that its mask hides is left out; what a mask hides must be grown by [`SAMPLE_REACH_PX`]
///   to be kept out of samples beside it as well. Empty: no masks.
///
/// # Errors
///
/// As [`stack()`], and when a mask is not of the lights' size.
///
/// # Panics
///
/// When there are masks, but not one a light.
pub fn stack_masked<O: TileObserver>(
    lights: &[Light],
    masks: &[Arc<LightMask>],
    calibrator: &Calibrator,
    options: &StackOptions,
    observer: &O,
    progress: &(dyn Fn(usize, usize) + Sync),
) -> Result<(Stack, Vec<O::Summary>), StackError> {
    stack_in_tiles(
        TILE_PX, lights, masks, calibrator, options, observer, progress,
    )
}

/// As [`stack_masked`], into a stack that need not fit in memory.
///
/// - `into`: all of its rows are written, from top to bottom.
///
/// # Errors
///
/// As there, and when its scratch file cannot be written.
///
/// # Panics
///
/// As there, and when `into` is not of the picture's size and channels: the lights' size, or
/// half of it by superpixel.
pub fn stack_into<O: TileObserver>(
    lights: &[Light],
    masks: &[Arc<LightMask>],
    calibrator: &Calibrator,
    options: &StackOptions,
    observer: &O,
    progress: &(dyn Fn(usize, usize) + Sync),
    into: &mut StoredStack,
) -> Result<Vec<O::Summary>, StackError> {
    let engine = Engine::new(lights, masks, calibrator, options)?;
    engine.run(TILE_PX, observer, progress, into)
}

/// As [`stack_masked`], in tiles of a given side.
fn stack_in_tiles<O: TileObserver>(
    tile_px: usize,
    lights: &[Light],
    masks: &[Arc<LightMask>],
    calibrator: &Calibrator,
    options: &StackOptions,
    observer: &O,
    progress: &(dyn Fn(usize, usize) + Sync),
) -> Result<(Stack, Vec<O::Summary>), StackError> {
    let engine = Engine::new(lights, masks, calibrator, options)?;
    let mut stack = StoredStack::new(engine.shape(), &StackPlace::Memory)?;
    let summaries = engine.run(tile_px, observer, progress, &mut stack)?;
    Ok((stack.into_memory()?, summaries))
}

/// Whether lights and masks are of the calibrator's size, and there are any.
///
/// # Panics
///
/// When there are masks, but not one a light.
pub(crate) fn check(
    lights: &[Light],
    masks: &[Arc<LightMask>],
    calibrator: &Calibrator,
) -> Result<(), StackError> {
    let masked = masks.is_empty() || masks.len() == lights.len();
    assert!(masked, "a mask a light");
    let layout = calibrator.layout();
    let size = (layout.width, layout.height);
    if lights.is_empty() {
        return Err(StackError::NoLights);
    }
    for light in lights {
        StackError::check_size("a light", light.mosaic.size(), size)?;
    }
    for mask in masks {
        StackError::check_size("a mask", mask.size(), size)?;
    }
    Ok(())
}

struct Engine<'a> {
    lights: &'a [Light],
    masks: &'a [Arc<LightMask>],
    calibrator: &'a Calibrator,
    options: &'a StackOptions,
    demosaic: Demosaic,
    /// Where a light is taken cell by cell: the picture is half the size.
    cells: Option<Cells>,
    resampler: Resampler,
    /// From here on stars make the kernel ring, DN of a light.
    bright_dn: f32,
    /// What is left of a photosite's variance, where noise is predicted.
    factors: Option<NoiseFactors>,
    median_prices: Vec<f32>,
    /// Rejected samples around one of a light from which it goes too.
    growth_limits: Vec<u16>,
}

/// Share of the level at which light saturates from which stars are taken for bright: one
/// that reaches it stands so far above any sky that the kernel's ring around it, a tenth of
/// a step, is darker than noise.
const BRIGHT_SHARE: f32 = 0.5;

/// Buffers of one worker, reused from tile to tile.
#[derive(Default)]
struct Scratch {
    asked: Asked,
    planes: Vec<Vec<f32>>,
    padded: Vec<PaddedPlane>,
    /// Planes of samples that are no longer needed.
    spare: Vec<Vec<f32>>,
}

impl<'a> Engine<'a> {
    fn new(
        lights: &'a [Light],
        masks: &'a [Arc<LightMask>],
        calibrator: &'a Calibrator,
        options: &'a StackOptions,
    ) -> Result<Self, StackError> {
        check(lights, masks, calibrator)?;
        let cells = match options.demosaic {
            DemosaicMethod::Superpixel => Some(Cells::new(calibrator)?),
            DemosaicMethod::Bilinear | DemosaicMethod::GradientCorrected => None,
        };
        let one_color = Cfa::mono();
        let cfa = match cells {
            // A kernel lies on the cells of one color as on the pixels of one.
            Some(_) => &one_color,
            None => &calibrator.layout().cfa,
        };
        let demosaic = Demosaic::new(cfa, options.demosaic).balanced(options.white);
        let resampler = Resampler::new(options.kernel);
        let weights: Vec<f32> = lights.iter().map(|light| light.weight).collect();
        let channels = calibrator.layout().cfa.channels().len();
        Ok(Self {
            growth_limits: growth_limits(&options.combine, &weights, channels),
            lights,
            masks,
            calibrator,
            options,
            bright_dn: BRIGHT_SHARE * calibrator.saturation_dn(),
            factors: matches!(options.combine, Combine::PredictedClip(_))
                .then(|| NoiseFactors::new(&demosaic, &resampler)),
            median_prices: match options.combine {
                Combine::Median => (0..=lights.len()).map(|n| median_price(n) as f32).collect(),
                _ => Vec::new(),
            },
            demosaic,
            cells,
            resampler,
        })
    }

    /// The picture.
    fn bounds(&self) -> Rect {
        match &self.cells {
            Some(cells) => cells.grid.bounds(),
            None => self.calibrator.layout().bounds(),
        }
    }

    /// A row or column of the picture as a coordinate of the reference, px.
    fn on_reference(&self, at: usize) -> f64 {
        match &self.cells {
            Some(cells) => cells.grid.to_reference(at as f64),
            None => at as f64,
        }
    }

    /// Channels, rows, columns of the picture.
    fn shape(&self) -> (usize, usize, usize) {
        let bounds = self.bounds();
        let channels = self.calibrator.layout().cfa.channels().len();
        (channels, bounds.height(), bounds.width())
    }

    /// Every tile.
    fn run<O: TileObserver>(
        &self,
        tile_px: usize,
        observer: &O,
        progress: &(dyn Fn(usize, usize) + Sync),
        into: &mut StoredStack,
    ) -> Result<Vec<O::Summary>, StackError> {
        assert_eq!(into.shape(), self.shape(), "a stack of the picture's size");
        let tile = |tile: &Rect, scratch: &mut Scratch| self.tile(tile, observer, scratch);
        in_tiles(tile_px, tile, progress, into)
    }

    /// Every channel of a tile, combined and observed.
    fn tile<O: TileObserver>(
        &self,
        tile: &Rect,
        observer: &O,
        scratch: &mut Scratch,
    ) -> Result<FinishedTile<O::Summary>, StackError> {
        let bounds = self.bounds();
        let area = tile.grown(GROW_REACH_PX + GRADIENT_REACH_PX, &bounds);
        let channels = self.calibrator.layout().cfa.channels().len();
        // samples[channel][light], over the grown tile, and the noise predicted for them.
        let mut samples = vec![Vec::with_capacity(self.lights.len()); channels];
        let mut noise: Vec<Vec<Vec<SampleNoise>>> = vec![Vec::new(); channels];
        for (i, light) in self.lights.iter().enumerate() {
            let mask = self.masks.get(i).map(Arc::as_ref);
            let planes = self.resample(light, mask, &area, scratch)?;
            for (samples, plane) in samples.iter_mut().zip(planes) {
                samples.push(plane);
            }
            if let Combine::PredictedClip(clip) = &self.options.combine {
                let planes = self.predict(light, &clip.camera, &area, scratch);
                for (noise, plane) in noise.iter_mut().zip(planes) {
                    noise.push(plane);
                }
            }
        }
        // A median has no use for weights, so its lights all weigh the same.
        let weighted = self.options.combine.weighs();
        let weight = |light: &Light| if weighted { light.weight } else { 1.0 };
        let weights: Vec<f32> = self.lights.iter().map(weight).collect();
        let mut flat = samples.iter().flatten().flatten();
        if flat.all(|value| value.is_nan()) {
            scratch.spare.extend(samples.into_iter().flatten());
            return Ok(self.tile_without_samples(tile, &weights, observer));
        }
        let mut kept: Vec<Vec<Vec<u8>>> = samples
            .iter()
            .zip(&noise)
            .map(|(samples, noise)| match &self.options.combine {
                Combine::SigmaClip(clip) => reject_channel(samples, clip),
                Combine::PredictedClip(clip) => {
                    reject_predicted(samples, noise, area.width(), clip)
                }
                _ => present(samples),
            })
            .collect();
        drop(noise);
        if self.options.combine.rejects() {
            grow_rejected(&samples, &mut kept, &area, &self.growth_limits);
        }
        let finish = |channel: usize| {
            let samples: Vec<Vec<f32>> = crop_all(&samples[channel], &area, tile);
            let kept: Vec<Vec<u8>> = crop_all(&kept[channel], &area, tile);
            let (combine, prices) = (&self.options.combine, &self.median_prices);
            let mut part = combine_channel(&samples, &kept, &weights, combine, prices);
            let samples: Vec<&[f32]> = samples.iter().map(Vec::as_slice).collect();
            let kept: Vec<&[u8]> = kept.iter().map(Vec::as_slice).collect();
            let summary = observe(observer, channel, tile, &samples, &kept, &weights, &part);
            // Only the observer needs the halves; a batch of tiles would keep them all.
            (part.halves, part.half_weight) = Default::default();
            (part, summary)
        };
        let finished = (0..channels).map(finish).collect();
        scratch.spare.extend(samples.into_iter().flatten());
        Ok(finished)
    }

    /// A tile of which no light has a sample, as half of a picture's are where sky and ground
    /// are stacked apart: all of its pixels are what one of them is.
    fn tile_without_samples<O: TileObserver>(
        &self,
        tile: &Rect,
        weights: &[f32],
        observer: &O,
    ) -> FinishedTile<O::Summary> {
        let n = self.lights.len();
        let (missing, rejected) = (vec![vec![f32::NAN]; n], vec![vec![0]; n]);
        let (combine, prices) = (&self.options.combine, &self.median_prices);
        let pixel = combine_channel(&missing, &rejected, weights, combine, prices);
        let (missing, rejected) = (vec![f32::NAN; tile.area()], vec![0; tile.area()]);
        let (samples, kept) = (vec![missing.as_slice(); n], vec![rejected.as_slice(); n]);
        let finish = |channel: usize| {
            let mut part = pixel.repeated(tile.area());
            let summary = observe(observer, channel, tile, &samples, &kept, weights, &part);
            (part.halves, part.half_weight) = Default::default();
            (part, summary)
        };
        let channels = self.calibrator.layout().cfa.channels().len();
        (0..channels).map(finish).collect()
    }

    /// One light over `area` of the reference, a plane per channel; NaN where the light
    /// does not reach, or is masked.
    fn resample(
        &self,
        light: &Light,
        mask: Option<&LightMask>,
        area: &Rect,
        scratch: &mut Scratch,
    ) -> Result<Vec<Vec<f32>>, StackError> {
        let Scratch {
            asked,
            planes,
            padded,
            spare,
        } = scratch;
        let xs = (area.x0..area.x1).map(|column| self.on_reference(column));
        let ys = (area.y0..area.y1).map(|row| self.on_reference(row));
        asked.set_area(light, xs, ys);
        if let Some(cells) = &self.cells {
            let (calibrator, resampler, bright_dn) =
                (self.calibrator, &self.resampler, self.bright_dn);
            return cells.resample(light, mask, area, calibrator, resampler, bright_dn, asked);
        }
        let layout = self.calibrator.layout();
        let channels = layout.cfa.channels().len();
        let new = |_| {
            let mut plane = spare.pop().unwrap_or_default();
            plane.clear();
            plane.resize(area.area(), f32::NAN);
            plane
        };
        let mut out: Vec<Vec<f32>> = (0..channels).map(new).collect();
        asked.points.resize(area.area(), (0.0, 0.0));
        for (row, points) in asked.points.chunks_exact_mut(area.width()).enumerate() {
            light.map.map_row(area.x0, area.y0 + row, points);
        }
        if !asked.reach((layout.width, layout.height)) {
            return Ok(out);
        }
        let Some(mut needed) = Resampler::needed(&asked.points, &asked.reached) else {
            return Ok(out);
        };
        if let Some(mask) = mask {
            match needed
                .inside(&layout.bounds())
                .map(|area| mask.hides_all(&area))
            {
                Some(Some(true)) => return Ok(out),
                Some(Some(false)) => {}
                _ => {
                    asked.strike_hidden(mask);
                    match Resampler::needed(&asked.points, &asked.reached) {
                        Some(left) => needed = left,
                        None => return Ok(out),
                    }
                }
            }
        }
        let source = needed.cut_to(&layout.bounds());
        let halo = self.demosaic.halo_px();
        let window = self
            .calibrator
            .window(&light.mosaic, &source.grown(halo, &layout.bounds()))?;
        planes.resize_with(channels, Vec::new);
        padded.resize_with(channels, PaddedPlane::new);
        self.demosaic.run(&window, &source, planes);
        needed.places(&asked.points, &asked.reached, &mut asked.places);
        let (resampler, bright_dn) = (&self.resampler, self.bright_dn);
        let planes = planes.iter().zip(padded).zip(&mut out);
        for (channel, ((plane, padded), out)) in planes.enumerate() {
            padded.fill(needed, &source, plane);
            asked.sample(light, channel, padded, resampler, bright_dn, out);
        }
        Ok(out)
    }

    /// The noise predicted for every sample of a light, a plane per channel; where the
    /// light does not reach it is that of a sample at the frame's border.
    ///
    /// - `scratch`: as [`resample`](Self::resample) of the same light left it.
    fn predict(
        &self,
        light: &Light,
        camera: &CameraNoise,
        area: &Rect,
        scratch: &mut Scratch,
    ) -> Vec<Vec<SampleNoise>> {
        let Some(factors) = &self.factors else {
            return Vec::new();
        };
        let layout = self.calibrator.layout();
        let nearest = |position: f64, extent: usize| {
            // A position that is not a number becomes the first pixel.
            ((position + 0.5).max(0.0) as usize).min(extent - 1)
        };
        let channels = layout.cfa.channels().len();
        let mut out = Vec::with_capacity(channels);
        for (channel, photosite) in (0..channels).zip(&camera.0) {
            let mut plane = Vec::with_capacity(area.area());
            scratch.asked.for_rows(light, channel, |points, offsets| {
                let samples = points.iter().zip(offsets);
                plane.extend(samples.map(|(&(x, y), &offset)| {
                    let (row, col) = (nearest(y, layout.height), nearest(x, layout.width));
                    let response = self.calibrator.response(row, col);
                    let factor = match &self.cells {
                        Some(cells) => {
                            let (x, y) = cells.place(channel, (x, y));
                            factors.at(0, x, y).times(cells.variance_share(channel))
                        }
                        None => factors.at(channel, x, y),
                    };
                    SampleNoise::new(photosite, factor, response, light.scale, offset)
                }));
            });
            out.push(plane);
        }
        out
    }
}

fn observe<O: TileObserver>(
    observer: &O,
    channel: usize,
    tile: &Rect,
    samples: &[&[f32]],
    kept: &[&[u8]],
    weights: &[f32],
    part: &TileStack,
) -> O::Summary {
    let [[a, b], [c, d]] = &part.halves;
    let [[wa, wb], [wc, wd]] = &part.half_weight;
    observer.observe(&TileSamples {
        area: *tile,
        channel,
        samples,
        kept,
        weights,
        mean: &part.mean,
        weight: &part.weight,
        halves: &[[a, b], [c, d]],
        half_weight: &[[wa, wb], [wc, wd]],
    })
}

fn crop_all<T: Copy>(planes: &[Vec<T>], area: &Rect, tile: &Rect) -> Vec<Vec<T>> {
    planes.iter().map(|plane| crop(plane, area, tile)).collect()
}

fn crop<T: Copy>(plane: &[T], area: &Rect, tile: &Rect) -> Vec<T> {
    let mut cropped = Vec::with_capacity(tile.area());
    for row in tile.y0..tile.y1 {
        let start = (row - area.y0) * area.width() + tile.x0 - area.x0;
        cropped.extend_from_slice(&plane[start..start + tile.width()]);
    }
    cropped
}

/// Memory that a tile of so many lights takes while it is in work, bytes: samples and flags
/// over its grown area and over the tile, and over the former what noise is predicted for
/// `predicted` of them.
pub fn tile_memory_bytes(channels: usize, lights: usize, predicted: usize) -> u64 {
    let grown_px = TILE_PX + 2 * (GROW_REACH_PX + GRADIENT_REACH_PX);
    let (grown, tile) = (grown_px * grown_px, TILE_PX * TILE_PX);
    let sample = size_of::<f32>() + size_of::<u8>();
    let of_light = (grown + tile) * sample;
    let of_predicted = grown * size_of::<SampleNoise>();
    (channels * (lights * of_light + predicted.min(lights) * of_predicted)) as u64
}

#[cfg(test)]
pub(crate) mod tests;
