//! Noise against the number of frames, from real subsets of a series that needs no aligning.

use ndarray::{ArrayView3, Axis};
use stack::HalfSplit;

use crate::error::NoiseError;

/// Noise of the mean of `n` frames.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct SeriesPoint {
    /// Frames averaged.
    pub n: usize,
    /// Standard deviation of a pixel of the mean, rms over the pixels, in the frames' unit.
    pub sigma: f64,
    /// Standard error of `sigma`.
    pub error: f64,
    /// `sigma` of one frame over the square root of `n`.
    pub expected: f64,
    /// How far `sigma` lies above `expected`, in standard errors of the difference.
    pub excess_sigmas: f64,
}

/// Noise against N, `n` = 1, 2, 4, ... up to half of the frames.
#[derive(Clone, Debug, PartialEq)]
pub struct SeriesCurve {
    /// By rising `n`; the first is a single frame.
    pub points: Vec<SeriesPoint>,
    /// Number from which the noise lies significantly above the square-root law: it has
    /// a part that does not average. `None` when it falls as it should.
    pub stops_at: Option<usize>,
    /// Sigma of that part, from all points that it shows in; 0 when there is none.
    pub floor: f64,
}

/// Standard errors above the square-root law that count as a floor: one chance in 740.
const SIGNIFICANT: f64 = 3.0;

/// Measures how the noise of means falls with the number of frames.
///
/// For every n the frames are cut into runs of 2 n; in each run, n frames are held
/// against the other n, taken as `split` says: in turn, which cancels what changes slowly,
/// or in time, which does not. A difference loses its mean over the pixels (the sky's
/// brightness), and `sigma^2` is half of what is left. Pixels that are not finite in all
/// frames are left out.
///
/// Everything is at the scale of pixels: frames that nothing has resampled have no
/// correlated noise, and small stamps no whole blocks.
///
/// The errors count every pixel and run once, `1 / sqrt(2 runs (pixels - 1))`, with the
/// number of pixels lowered to `(sum v)^2 / sum v^2` for pixels of unequal variance v
/// (Satterthwaite 1946, Biometrics Bulletin 2, 110, from memory).
///
/// # Errors
///
/// [`NoiseError::ShortSeries`] for fewer than 2 frames or usable pixels.
pub fn noise_against_n(
    frames: ArrayView3<'_, f32>,
    split: HalfSplit,
) -> Result<SeriesCurve, NoiseError> {
    let columns = usable_pixels(frames);
    let n_frames = frames.len_of(Axis(0));
    if n_frames < 2 || columns.len() < 2 {
        return Err(NoiseError::ShortSeries {
            frames: n_frames,
            pixels: columns.len(),
        });
    }
    let single = pixel_variances(&columns, n_frames, 1, split);
    let runs = (n_frames / 2) as f64;
    let sum: f64 = single.iter().sum();
    let squares: f64 = single.iter().map(|v| v * v).sum();
    // The scatter of the pixels' variances themselves, 2 / runs, makes them look unequal.
    let all = columns.len() as f64;
    let pixels = match squares > 0.0 {
        true => (sum * sum * (1.0 + 2.0 / runs) / squares).clamp(2.0, all),
        false => all,
    };
    let relative_error = |runs: f64| (2.0 * runs * (pixels - 1.0)).sqrt().recip();
    let sigma_of = |variances: &[f64]| mean(variances.iter().copied()).sqrt();
    let single_sigma = sigma_of(&single);

    let mut points = Vec::new();
    let mut n = 1;
    while 2 * n <= n_frames {
        let sigma = sigma_of(&pixel_variances(&columns, n_frames, n, split));
        let expected = single_sigma / (n as f64).sqrt();
        let error = sigma * relative_error((n_frames / (2 * n)) as f64);
        let expected_error = expected * relative_error(runs);
        let scatter =
            (expected * relative_error((n_frames / (2 * n)) as f64)).hypot(expected_error);
        let excess_sigmas = match n > 1 && scatter > 0.0 {
            true => (sigma - expected) / scatter,
            false => 0.0,
        };
        points.push(SeriesPoint {
            n,
            sigma,
            error,
            expected,
            excess_sigmas,
        });
        n *= 2;
    }
    let stops_at = points
        .iter()
        .find(|point| point.excess_sigmas > SIGNIFICANT)
        .map(|p| p.n);
    let floor = stops_at.map_or(0.0, |from| floor_from(&points, from, n_frames));
    Ok(SeriesCurve {
        points,
        stops_at,
        floor,
    })
}

/// Sigma of what the means of `from` and more frames hold beyond the square-root law:
/// their excess variances, averaged by the number of runs that each rests on.
fn floor_from(points: &[SeriesPoint], from: usize, n_frames: usize) -> f64 {
    let (mut excess, mut runs) = (0.0, 0.0);
    for point in points.iter().filter(|point| point.n >= from) {
        let weight = (n_frames / (2 * point.n)) as f64;
        excess += weight * (point.sigma.powi(2) - point.expected.powi(2));
        runs += weight;
    }
    (excess / runs).max(0.0).sqrt()
}

/// The usable pixels, each over all frames.
fn usable_pixels(frames: ArrayView3<'_, f32>) -> Vec<Vec<f64>> {
    frames
        .lanes(Axis(0))
        .into_iter()
        .filter(|pixel| !pixel.is_empty() && pixel.iter().all(|value| value.is_finite()))
        .map(|pixel| pixel.iter().map(|&value| f64::from(value)).collect())
        .collect()
}

/// Variance of the mean of `n` frames, by pixel.
fn pixel_variances(columns: &[Vec<f64>], n_frames: usize, n: usize, split: HalfSplit) -> Vec<f64> {
    let runs = n_frames / (2 * n);
    let mut variances = vec![0.0; columns.len()];
    for run in 0..runs {
        let differences: Vec<f64> = columns
            .iter()
            .map(|column| {
                let frames = column[run * 2 * n..(run + 1) * 2 * n].iter().enumerate();
                let signed = frames.map(|(i, value)| {
                    if split.is_second(i, 2 * n) {
                        -value
                    } else {
                        *value
                    }
                });
                signed.sum::<f64>() / n as f64
            })
            .collect();
        let level = mean(differences.iter().copied());
        let pixels = columns.len() as f64;
        // Half: the difference of two means has twice the variance of one.
        let scale = 0.5 / runs as f64 * pixels / (pixels - 1.0);
        for (variance, difference) in variances.iter_mut().zip(&differences) {
            *variance += scale * (difference - level).powi(2);
        }
    }
    variances
}

fn mean(values: impl ExactSizeIterator<Item = f64>) -> f64 {
    let n = values.len() as f64;
    values.sum::<f64>() / n
}
