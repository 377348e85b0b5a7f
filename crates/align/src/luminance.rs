//! The plane stars are found on: every color of a mosaic at every pixel, no checker.

use crate::hot_pixels::mask_isolated;
use crate::stats::{SIGMA_PER_MAD, median};
use ndarray::{Array2, ArrayView2};
use raw::{Cfa, Channel, SitePattern};

/// One axis of the smoothing kernel, times 4.
const TENT: [f32; 3] = [1.0, 2.0, 1.0];

/// Samples that suffice for a sky level: its error is 1/250 of the noise.
const SKY_SAMPLES: usize = 100_000;

/// The detection plane of a mosaic: sky-subtracted luminance at full resolution, DN.
///
/// - `mosaic`: DN above black, NaN where a photosite is masked. Leave saturated
///   photosites in: a hole in a star is worse than a flat top.
/// - `cfa`: its filters, phased to the first pixel.
///
/// Each channel's sky, its median, is removed; isolated hot pixels and particle hits that
/// no defect map knows are masked; then the tent `[1 2 1] × [1 2 1] / 16` smooths the rest
/// as a normalized convolution in which every color keeps its weight at every phase:
///
/// ```text
/// luminance = R/4 + G/2 + B/4        (a monochrome sensor: the one channel)
/// ```
///
/// Channels are **not** scaled to equal noise or sky. Where the sky's photons make the
/// noise, equal weights per DN are the optimal ones for a star of the sky's color, and a
/// scale measured frame by frame would make star fluxes of different frames incomparable.
///
/// A masked photosite is replaced by its channel's other sites under the kernel; a channel
/// without any leaves its weight to the others. NaN remains where all nine are masked. The
/// tent adds 1/2 px² to the variance of a star's profile along each axis, and leaves
/// [`NOISE_GAIN`](crate::Smoothing::noise_gain) of white noise.
pub fn luminance(mosaic: ArrayView2<f32>, cfa: &Cfa) -> Array2<f32> {
    let mut sites = mosaic.as_standard_layout().into_owned();
    let classes = cfa.map(class);
    let levels = CLASSES.map(|k| Level::measure(&sites, &classes, k));
    subtract_sky(&mut sites, &classes, &levels);
    mask_isolated(&mut sites, &classes, levels.map(|level| level.noise_dn));
    smooth(&sites, &classes)
}

/// Colors as indices: R, G (or monochrome), B.
const CLASSES: [usize; 3] = [0, 1, 2];

/// Weight of each color in the luminance, for those the sensor has.
const CLASS_WEIGHT: [f32; 3] = [0.25, 0.5, 0.25];

fn class(channel: Channel) -> usize {
    match channel {
        Channel::R => 0,
        Channel::G | Channel::Mono => 1,
        Channel::B => 2,
    }
}

/// Sky and noise of one color, DN; zero for a color that is not there.
#[derive(Clone, Copy)]
struct Level {
    sky_dn: f32,
    noise_dn: f32,
}

impl Level {
    /// The median, and the noise from differences of next neighbors of the same color
    /// in a row, which neither gradients nor stars widen much.
    fn measure(sites: &Array2<f32>, classes: &SitePattern<usize>, class: usize) -> Self {
        let (height, width) = sites.dim();
        let share = classes.values().iter().filter(|&&k| k == class).count() as f64
            / classes.values().len() as f64;
        // An odd step meets all phases of an even pattern.
        let step = ((sites.len() as f64 * share / SKY_SAMPLES as f64).sqrt() as usize) | 1;
        let (mut values, mut differences) = (Vec::new(), Vec::new());
        for row in (0..height).step_by(step) {
            let start = row / step % step.min(width.max(1));
            for col in (start..width).step_by(step) {
                let value = sites[(row, col)];
                if classes.at(row, col) != class || value.is_nan() {
                    continue;
                }
                values.push(value);
                let next = next_of_class(classes, row, col);
                let difference = sites.get((row, next)).map(|next| (next - value).abs());
                differences.extend(difference.filter(|d| !d.is_nan()));
            }
        }
        Self {
            sky_dn: median(&mut values).unwrap_or(0.0),
            noise_dn: median(&mut differences).unwrap_or(0.0)
                * (SIGMA_PER_MAD / std::f64::consts::SQRT_2) as f32,
        }
    }
}

/// The next column of the same color to the right of `col`.
fn next_of_class(classes: &SitePattern<usize>, row: usize, col: usize) -> usize {
    let class = classes.at(row, col);
    let found = (col + 1..=col + classes.width()).find(|&next| classes.at(row, next) == class);
    found.expect("a pattern repeats after its width")
}

fn subtract_sky(sites: &mut Array2<f32>, classes: &SitePattern<usize>, levels: &[Level; 3]) {
    for (row, mut values) in sites.rows_mut().into_iter().enumerate() {
        let mut sky: Vec<f32> = (0..classes.width())
            .map(|col| levels[classes.at(row, col)].sky_dn)
            .collect();
        let values = values.as_slice_mut().expect("rows of an owned array");
        // Whole periods, so that the pattern goes on.
        while sky.len() < values.len() {
            sky.extend_from_within(..);
        }
        for (value, sky) in values.iter_mut().zip(&sky) {
            *value -= sky;
        }
    }
}

/// Weights of the nine sites around one phase, row by row, that sum to 1.
type Kernel = [f32; 9];

fn smooth(sites: &Array2<f32>, classes: &SitePattern<usize>) -> Array2<f32> {
    let (height, width) = sites.dim();
    let mut plane = Array2::from_elem((height, width), f32::NAN);
    let kernels: Vec<RowKernel> = (0..classes.height())
        .map(|row| RowKernel::new(classes, row, width))
        .collect();
    for row in 0..height {
        let mut out = plane.row_mut(row);
        let out = out.as_slice_mut().expect("rows of an owned array");
        if row > 0 && row + 1 < height && width > 2 {
            let rows = [row - 1, row, row + 1].map(|r| {
                let start = r * width;
                &sites.as_slice().expect("an owned array")[start..start + width]
            });
            smooth_row(rows, &kernels[row % classes.height()], out);
        }
        for (col, value) in out.iter_mut().enumerate() {
            if value.is_nan() {
                *value = smooth_around_masked(sites, classes, row, col);
            }
        }
    }
    plane
}

/// Smooths all but the first and last pixel of a row; NaN where a site is masked.
fn smooth_row(rows: [&[f32]; 3], kernels: &RowKernel, out: &mut [f32]) {
    let [above, here, below] = rows;
    let width = out.len();
    let (above, here, below) = (&above[..width], &here[..width], &below[..width]);
    match kernels {
        RowKernel::Same(kernel) => {
            for i in 0..width - 2 {
                out[i + 1] = kernel[0] * above[i]
                    + kernel[1] * above[i + 1]
                    + kernel[2] * above[i + 2]
                    + kernel[3] * here[i]
                    + kernel[4] * here[i + 1]
                    + kernel[5] * here[i + 2]
                    + kernel[6] * below[i]
                    + kernel[7] * below[i + 1]
                    + kernel[8] * below[i + 2];
            }
        }
        RowKernel::ByColumn(taps) => {
            let taps = taps.each_ref().map(|taps| &taps[..width - 2]);
            for i in 0..width - 2 {
                let columns = [0, 1, 2].map(|dx| {
                    taps[dx][i] * above[i + dx]
                        + taps[3 + dx][i] * here[i + dx]
                        + taps[6 + dx][i] * below[i + dx]
                });
                out[i + 1] = columns[0] + columns[1] + columns[2];
            }
        }
    }
}

/// The kernels along a row.
enum RowKernel {
    /// One for all pixels.
    Same(Kernel),
    /// Of each site of the kernel its weights at the pixels from the second on.
    ByColumn([Vec<f32>; 9]),
}

impl RowKernel {
    fn new(classes: &SitePattern<usize>, row: usize, width: usize) -> Self {
        let kernels: Vec<Kernel> = (0..classes.width())
            .map(|col| kernel(classes, row, col))
            .collect();
        if kernels.iter().all(|kernel| kernel == &kernels[0]) {
            return Self::Same(kernels[0]);
        }
        Self::ByColumn(std::array::from_fn(|site| {
            let along = kernels.iter().map(|kernel| kernel[site]).cycle();
            along.skip(1).take(width.saturating_sub(2)).collect()
        }))
    }
}

/// The kernel of a phase: the tent, with every color brought to its weight.
fn kernel(classes: &SitePattern<usize>, row: usize, col: usize) -> Kernel {
    let class_of = |i: usize| {
        let (row, col) = (row + classes.height(), col + classes.width());
        classes.at(row + i / 3 - 1, col + i % 3 - 1)
    };
    let tent = |i: usize| TENT[i / 3] * TENT[i % 3];
    let mut sums = [0.0; 3];
    (0..9).for_each(|i| sums[class_of(i)] += tent(i));
    let total: f32 = CLASSES
        .into_iter()
        .filter(|&k| sums[k] > 0.0)
        .map(|k| CLASS_WEIGHT[k])
        .sum();
    std::array::from_fn(|i| tent(i) / sums[class_of(i)] * CLASS_WEIGHT[class_of(i)] / total)
}

/// The luminance from what is not masked and not beyond the edge; NaN when nothing is left.
fn smooth_around_masked(
    sites: &Array2<f32>,
    classes: &SitePattern<usize>,
    row: usize,
    col: usize,
) -> f32 {
    let (mut sums, mut weights) = ([0.0_f32; 3], [0.0_f32; 3]);
    for (dy, weight_y) in TENT.into_iter().enumerate() {
        for (dx, weight_x) in TENT.into_iter().enumerate() {
            let (Some(y), Some(x)) = ((row + dy).checked_sub(1), (col + dx).checked_sub(1)) else {
                continue;
            };
            let value = sites.get((y, x)).copied().unwrap_or(f32::NAN);
            if !value.is_nan() {
                sums[classes.at(y, x)] += weight_y * weight_x * value;
                weights[classes.at(y, x)] += weight_y * weight_x;
            }
        }
    }
    let (mut sum, mut total) = (0.0, 0.0);
    for k in CLASSES.into_iter().filter(|&k| weights[k] > 0.0) {
        sum += CLASS_WEIGHT[k] * sums[k] / weights[k];
        total += CLASS_WEIGHT[k];
    }
    sum / total
}

#[cfg(test)]
#[path = "luminance/tests.rs"]
pub(crate) mod tests;
