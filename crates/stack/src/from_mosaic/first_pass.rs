//! The ordinary stack, as what single photosites are held against.

use crate::camera_noise::NoiseFactors;
use crate::chance::{growth_limit, share_outside};
use crate::demosaic::Demosaic;
use crate::output_grid::OutputGrid;
use crate::resample::Resampler;
use crate::{
    Combine, Kernel, StackError, StackOptions, StackPart, StoredStack, median_price, resample_plane,
};
use ndarray::{Array2, Array3, ArrayView2, Axis};
use raw::Cfa;

/// Steps to neighbors within this many of their own sigmas are taken for noise.
const STEP_SIGMAS: f32 = 3.0;
/// How far the variance of a sample is averaged, px: five by five pixels of N lights tell it
/// to a third even of three lights.
const VARIANCE_REACH_PX: usize = 2;

/// What the stack of interpolated lights says of a place: its value, how far a photosite may
/// lie off it by noise, and how far for being somewhere else.
///
/// Source: Fruchter & Hook (2002), PASP 114, 144, sect. 4 (from memory): each original pixel
/// is held against the first picture, by its noise and a multiple of the local derivative.
/// Here the noise is measured: the scatter of the kept samples of the first pass over 5 x 5
/// pixels, over the share that interpolation left of a photosite's variance.
#[derive(Clone, Debug)]
pub struct FirstPass {
    /// `[channel, row, column]` of the reference, DN.
    mean: Array3<f32>,
    /// Variance of a photosite in a light of weight 1, DN²; NaN where it is not known.
    site_variance: Array3<f32>,
    /// What the scene may differ by within a pixel, DN.
    step: Array3<f32>,
    /// Variance of the sum of a pixel's channels, DN².
    variance_of_sum: Array2<f32>,
    /// Sigmas below and above; `None` where nothing is rejected.
    clip: Option<(f32, f32)>,
    /// Rejected photosites around one of a light from which it goes too.
    growth_limit: u16,
    /// Whether lights counted by their weights.
    weighed: bool,
}

impl FirstPass {
    /// From a stack of the same lights, and how it was made.
    ///
    /// # Errors
    ///
    /// When the stack cannot be read back from its scratch file.
    pub fn new(
        stack: &StoredStack,
        n_lights: usize,
        cfa: &Cfa,
        options: &StackOptions,
    ) -> Result<Self, StackError> {
        let demosaic = Demosaic::new(cfa, options.demosaic).balanced(options.white);
        let left = NoiseFactors::new(&demosaic, &Resampler::new(options.kernel));
        let price = match options.combine {
            Combine::Median => median_price(n_lights) as f32,
            _ => 1.0,
        };
        let shape = stack.shape();
        let (mut mean, mut site_variance) = (Array3::zeros(shape), Array3::zeros(shape));
        let mut step = Array3::zeros(shape);
        let mut variance_of_sum = Array2::zeros((shape.1, shape.2));
        // One channel at a time, since the stack need not fit in memory.
        for channel in 0..shape.0 {
            let variance = stack.plane(StackPart::Variance, channel)?;
            let mut of_site = stack.plane(StackPart::Weight, channel)?;
            of_site.zip_mut_with(&variance, |weight, variance| {
                *weight = variance * (*weight / price);
            });
            let mut averaged = box_mean(of_site.view());
            drop(of_site);
            averaged /= left.mean_of_light(channel);
            site_variance
                .index_axis_mut(Axis(0), channel)
                .assign(&averaged);
            drop(averaged);
            let of_mean = box_mean(variance.view());
            drop(variance);
            variance_of_sum += &of_mean;
            let plane = stack.plane(StackPart::Mean, channel)?;
            let steps = steps(plane.view(), of_mean.view());
            step.index_axis_mut(Axis(0), channel).assign(&steps);
            mean.index_axis_mut(Axis(0), channel).assign(&plane);
        }
        let clip = match options.combine {
            Combine::SigmaClip(clip) => Some((clip.low_sigmas, clip.high_sigmas)),
            Combine::PredictedClip(clip) => Some((clip.low_sigmas, clip.high_sigmas)),
            Combine::Winsorized(limits) => Some((limits.low_sigmas, limits.high_sigmas)),
            Combine::Median => Some((3.0, 3.0)),
            Combine::Mean | Combine::Max => None,
        };
        let chance = clip.map_or(0.0, |(low, high)| share_outside(low, high));
        Ok(Self {
            mean,
            site_variance,
            step,
            variance_of_sum,
            clip,
            growth_limit: growth_limit(chance, 1),
            weighed: options.combine.weighs(),
        })
    }

    /// Combined values, `[channel, row, column]`, DN.
    pub fn mean(&self) -> &Array3<f32> {
        &self.mean
    }

    /// Variance of the sum of the channels at a pixel, DN²; NaN where it is not known.
    pub(super) fn noise_of_sum(&self, row: usize, col: usize) -> f32 {
        self.variance_of_sum[(row, col)]
    }

    /// Rejected photosites around one of a light from which it goes too.
    pub(super) fn growth_limit(&self) -> u16 {
        self.growth_limit
    }

    /// Whether a photosite's value at a place of the reference, px, is none that belongs
    /// there. Where too few lights tell, none is.
    pub(super) fn rejects(
        &self,
        channel: usize,
        (x, y): (f64, f64),
        value: f32,
        weight: f32,
    ) -> bool {
        let Some((low, high)) = self.clip else {
            return false;
        };
        let (_, rows, columns) = self.mean.dim();
        let within = |at: f64, n: usize| at.clamp(0.0, (n - 1) as f64);
        let (x, y) = (within(x, columns), within(y, rows));
        let nearest = (channel, (y + 0.5) as usize, (x + 0.5) as usize);
        let off = value - self.at(channel, x, y);
        let sigmas = if off < 0.0 { low } else { high };
        let weight = if self.weighed { weight } else { 1.0 };
        let sigma = (self.site_variance[nearest] / weight).sqrt();
        // Where any of them is not known, this is false.
        off.abs() > sigmas * sigma + self.step[nearest]
    }

    /// Bilinear between the four pixels around; NaN beside those without a value.
    fn at(&self, channel: usize, x: f64, y: f64) -> f32 {
        let (_, rows, columns) = self.mean.dim();
        let (left, top) = (x as usize, y as usize);
        let (right, below) = ((left + 1).min(columns - 1), (top + 1).min(rows - 1));
        let (fx, fy) = ((x - left as f64) as f32, (y - top as f64) as f32);
        let row = |row: usize| {
            let at = |column: usize| self.mean[(channel, row, column)];
            // A neighbor that has no share has no say, NaN or not.
            if fx == 0.0 {
                at(left)
            } else {
                at(left) * (1.0 - fx) + at(right) * fx
            }
        };
        if fy == 0.0 {
            row(top)
        } else {
            row(top) * (1.0 - fy) + row(below) * fy
        }
    }

    /// A channel on another grid, by cubic convolution: what stands in for samples where
    /// there are none. NaN beside pixels without a value.
    pub(super) fn on_grid(&self, channel: usize, grid: &OutputGrid) -> Array2<f32> {
        let plane = self.mean.index_axis(Axis(0), channel);
        if grid.scale() == 1.0 {
            return plane.to_owned();
        }
        resample_plane(plane, &grid.map_to_reference(), Kernel::Cubic, grid.size())
    }
}

/// Means over the square of [`VARIANCE_REACH_PX`] around each pixel, of those that have a
/// value.
fn box_mean(plane: ArrayView2<f32>) -> Array2<f32> {
    let (rows, columns) = plane.dim();
    let span = |at: usize, n: usize| {
        at.saturating_sub(VARIANCE_REACH_PX)..(at + VARIANCE_REACH_PX + 1).min(n)
    };
    let mut across = Array2::from_elem((rows, columns), (0.0_f32, 0.0_f32));
    for ((row, col), sum) in across.indexed_iter_mut() {
        for near in span(col, columns) {
            let value = plane[(row, near)];
            if !value.is_nan() {
                *sum = (sum.0 + value, sum.1 + 1.0);
            }
        }
    }
    Array2::from_shape_fn((rows, columns), |(row, col)| {
        let near = span(row, rows).map(|near| across[(near, col)]);
        let (sum, n) = near.fold((0.0, 0.0), |all, one| (all.0 + one.0, all.1 + one.1));
        sum / n
    })
}

/// Largest difference of each pixel to its eight neighbors beyond what noise makes of it.
fn steps(mean: ArrayView2<f32>, variance: ArrayView2<f32>) -> Array2<f32> {
    let (rows, columns) = mean.dim();
    let span = |at: usize, n: usize| at.saturating_sub(1)..(at + 2).min(n);
    Array2::from_shape_fn((rows, columns), |(row, col)| {
        let own = mean[(row, col)];
        let near = span(row, rows).flat_map(|r| span(col, columns).map(move |c| (r, c)));
        // NaN, where a neighbor has no samples, is no step.
        let step = near.map(|at| (mean[at] - own).abs()).fold(0.0, f32::max);
        let noise = STEP_SIGMAS * (2.0 * variance[(row, col)]).sqrt();
        if noise.is_nan() {
            step
        } else {
            (step - noise).max(0.0)
        }
    })
}
