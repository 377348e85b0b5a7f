//! Masters: what many darks, flats or bias frames agree on.

use crate::evidence::keep_evident;
use crate::sigma_clip::sort_samples;
use crate::{ClipOptions, SensorLayout, StackError, StoredMosaic, clip_sorted, median_of_sorted};
use ndarray::Array2;
use raw::{Channel, Rect};
use rayon::prelude::*;

/// What the sensor records without light, black level included.
#[derive(Clone, Debug)]
pub struct MasterDark {
    /// Level of each site, DN, `[row, column]`.
    pub level_dn: Array2<f32>,
    /// Noise of a single frame, DN: typical of the sites; 0 from one frame.
    pub noise_dn: f32,
    /// Frames combined.
    pub n_frames: usize,
}

/// How strongly each site answers to light.
#[derive(Clone, Debug)]
pub struct MasterFlat {
    /// Response relative to the mean of the site's own channel, no unit, `[row, column]`.
    pub response: Array2<f32>,
    /// Frames combined.
    pub n_frames: usize,
}

/// Smallest response a flat may state; dimmer sites would only amplify noise.
const SMALLEST_RESPONSE: f32 = 0.05;

impl MasterDark {
    /// Combines darks, or bias frames, by a sigma-clipped mean at each site; what a site
    /// shows beyond its surroundings is believed as far as the scatter of the frames
    /// allows, so that few darks add little noise.
    ///
    /// # Errors
    ///
    /// When there are none, when they differ in size, or when they cannot be read.
    pub fn combine(frames: &[&StoredMosaic]) -> Result<Self, StackError> {
        let (mut level_dn, noise_dn) = combine(frames, |_, _, _, recorded| recorded)?;
        keep_evident(&mut level_dn, standard_error(noise_dn, frames.len()));
        Ok(Self {
            level_dn,
            noise_dn,
            n_frames: frames.len(),
        })
    }

    /// A master that was made elsewhere, taken as it is: levels with black level, DN.
    pub fn given(level_dn: Array2<f32>) -> Self {
        Self {
            level_dn,
            noise_dn: 0.0,
            n_frames: 1,
        }
    }

    /// What the sensor would have recorded in `factor` times the exposure: dark signal
    /// grows in proportion to time, what a bias frame shows does not.
    ///
    /// # Errors
    ///
    /// When the bias is not of the dark's size.
    pub fn scaled(&self, bias: &Self, factor: f32) -> Result<Self, StackError> {
        let size = |master: &Self| (master.level_dn.ncols(), master.level_dn.nrows());
        StackError::check_size("the master bias", size(bias), size(self))?;
        let mut level_dn = self.level_dn.clone();
        level_dn.zip_mut_with(&bias.level_dn, |level, &bias| {
            *level = bias + factor * (*level - bias);
        });
        Ok(Self { level_dn, ..*self })
    }
}

impl MasterFlat {
    /// A master that was made elsewhere: values in proportion to light, black removed, on
    /// any scale; they are divided by the mean of each channel.
    ///
    /// # Errors
    ///
    /// When it is not of the layout's size.
    pub fn given(mut response: Array2<f32>, layout: &SensorLayout) -> Result<Self, StackError> {
        let size = (response.ncols(), response.nrows());
        StackError::check_size("the master flat", size, (layout.width, layout.height))?;
        normalize_channels(&mut response, layout);
        Ok(Self {
            response,
            n_frames: 1,
        })
    }

    /// Combines flats: black removed, each brought to a mean level of one, combined
    /// by a sigma-clipped mean, and divided by the mean of each channel.
    ///
    /// - `dark`: what the sensor recorded without light; the layout's black level
    ///   stands in when there is none.
    ///
    /// # Errors
    ///
    /// When there are none, when they differ in size, or when they cannot be read.
    pub fn combine(
        frames: &[&StoredMosaic],
        layout: &SensorLayout,
        dark: Option<&MasterDark>,
    ) -> Result<Self, StackError> {
        let black = |row: usize, col: usize| match dark {
            Some(dark) => dark.level_dn[(row, col)],
            None => layout.black_level_dn.at(row, col),
        };
        let levels: Result<Vec<f32>, StackError> = frames
            .iter()
            .map(|frame| mean_above_black(frame, &black))
            .collect();
        let levels = levels?;
        let (mut response, noise) = combine(frames, |light, row, col, recorded| {
            (recorded - black(row, col)) / levels[light]
        })?;
        normalize_channels(&mut response, layout);
        keep_evident(&mut response, standard_error(noise, frames.len()));
        Ok(Self {
            response,
            n_frames: frames.len(),
        })
    }
}

/// Standard error of a site of a master; `None` when the frames are too few to tell.
fn standard_error(noise: f32, n_frames: usize) -> Option<f32> {
    (n_frames >= 3).then(|| noise / (n_frames as f32).sqrt())
}

/// Sigma-clipped mean over the frames at each site, of `value(frame, row, col, recorded)`
/// with the frame's own black level brought to the layout's,
/// and the typical standard deviation over the frames: the median over the sites, brought
/// to what it stands for by the median of chi-square (Wilson & Hilferty 1931).
fn combine(
    frames: &[&StoredMosaic],
    value: impl Fn(usize, usize, usize, f32) -> f32 + Sync,
) -> Result<(Array2<f32>, f32), StackError> {
    let (width, height) = frames.first().ok_or(StackError::NoLights)?.size();
    for frame in frames {
        StackError::check_size("a calibration frame", frame.size(), (width, height))?;
    }
    let clip = ClipOptions::default();
    let mut combined = Array2::zeros((height, width));
    let deviations: Result<Vec<f32>, StackError> = combined
        .outer_iter_mut()
        .into_par_iter()
        .enumerate()
        .map(|(row, mut means)| {
            let window = Rect {
                x0: 0,
                y0: row,
                x1: width,
                y1: row + 1,
            };
            let mut recorded = vec![Vec::new(); frames.len()];
            for (frame, recorded) in frames.iter().zip(&mut recorded) {
                frame.read_window(&window, recorded)?;
            }
            let mut samples = Vec::with_capacity(frames.len());
            let mut deviations = Vec::with_capacity(width);
            for (col, combined) in means.iter_mut().enumerate() {
                samples.clear();
                samples.extend(recorded.iter().enumerate().map(|(i, f)| {
                    let offset_dn = frames[i].black_offset_dn(row, col);
                    value(i, row, col, f32::from(f[col]) - offset_dn)
                }));
                sort_samples(&mut samples);
                let kept = clip_sorted(&samples, &clip).expect("there are frames");
                let kept = samples.iter().filter(|&&v| v >= kept.low && v <= kept.high);
                let (mean, deviation) = mean_and_deviation(kept);
                *combined = mean as f32;
                deviations.push(deviation as f32);
            }
            sort_samples(&mut deviations);
            Ok(median_of_sorted(&deviations) as f32)
        })
        .collect();
    let mut deviations = deviations?;
    sort_samples(&mut deviations);
    let freedom = (frames.len().max(2) - 1) as f64;
    let median_to_sigma = (1.0 - 2.0 / (9.0 * freedom)).powf(-1.5);
    let noise = (median_of_sorted(&deviations) * median_to_sigma) as f32;
    Ok((combined, noise))
}

/// Mean and standard deviation (divisor n − 1; 0 for one value).
fn mean_and_deviation<'a>(values: impl Iterator<Item = &'a f32> + Clone) -> (f64, f64) {
    let (mut n, mut sum) = (0.0, 0.0);
    for &value in values.clone() {
        n += 1.0;
        sum += f64::from(value);
    }
    let mean = sum / n;
    let sum_sq: f64 = values.map(|&value| (f64::from(value) - mean).powi(2)).sum();
    (
        mean,
        if n > 1.0 {
            (sum_sq / (n - 1.0)).sqrt()
        } else {
            0.0
        },
    )
}

fn mean_above_black(
    frame: &StoredMosaic,
    black: &impl Fn(usize, usize) -> f32,
) -> Result<f32, StackError> {
    let (width, height) = frame.size();
    let mut recorded = Vec::new();
    let mut sum = 0.0;
    for row in 0..height {
        frame.read_window(
            &Rect {
                x0: 0,
                y0: row,
                x1: width,
                y1: row + 1,
            },
            &mut recorded,
        )?;
        let above = |(col, &sample): (usize, &u16)| {
            let black_dn = black(row, col) + frame.black_offset_dn(row, col);
            f64::from(f32::from(sample) - black_dn)
        };
        sum += recorded.iter().enumerate().map(above).sum::<f64>();
    }
    Ok((sum / (width * height) as f64).max(1.0) as f32)
}

/// Divides every site by the mean of its channel, so that a flat changes no colors.
fn normalize_channels(response: &mut Array2<f32>, layout: &SensorLayout) {
    let mut sums = [(0.0_f64, 0.0_f64); 4];
    let slot = |channel: Channel| match channel {
        Channel::R => 0,
        Channel::G => 1,
        Channel::B => 2,
        Channel::Mono => 3,
    };
    for ((row, col), &value) in response.indexed_iter() {
        let (sum, n) = &mut sums[slot(layout.cfa.at(row, col))];
        *sum += f64::from(value);
        *n += 1.0;
    }
    for ((row, col), value) in response.indexed_iter_mut() {
        let (sum, n) = sums[slot(layout.cfa.at(row, col))];
        *value = ((f64::from(*value) * n / sum) as f32).max(SMALLEST_RESPONSE);
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use raw::{Cfa, SitePattern};

    fn layout(width: usize, height: usize) -> SensorLayout {
        SensorLayout {
            cfa: Cfa::bayer("RGGB").expect("a Bayer array"),
            black_level_dn: SitePattern::uniform(64.0),
            white_level_dn: SitePattern::uniform(4095.0),
            width,
            height,
        }
    }

    fn stored(width: usize, height: usize, f: impl Fn(usize, usize) -> u16) -> StoredMosaic {
        StoredMosaic::in_memory(Array2::from_shape_fn((height, width), |(row, col)| {
            f(row, col)
        }))
    }

    #[test]
    fn a_cosmic_hit_in_one_dark_does_not_reach_the_master() {
        let frames: Vec<_> = (0..12)
            .map(|i| {
                stored(6, 4, move |row, col| {
                    if (i, row, col) == (3, 1, 2) {
                        4000
                    } else {
                        60 + (i % 3) as u16
                    }
                })
            })
            .collect();
        let master = MasterDark::combine(&frames.iter().collect::<Vec<_>>()).expect("darks");
        assert!(
            (master.level_dn[(1, 2)] - 61.0).abs() < 0.2,
            "{}",
            master.level_dn[(1, 2)]
        );
        assert!((master.level_dn[(0, 0)] - 61.0).abs() < 1e-5);
        // Four each of 60, 61, 62: standard deviation √(8/11), taken for a median.
        let want = (8.0_f32 / 11.0).sqrt() * (1.0 - 2.0 / 99.0_f32).powf(-1.5);
        assert!(
            (master.noise_dn - want).abs() < 1e-5,
            "{} {want}",
            master.noise_dn
        );
    }

    #[test]
    fn a_flat_keeps_vignetting_and_drops_lamp_and_color() {
        let falloff = |col: usize| 1.0 - 0.05 * col as f32;
        let color = |row: usize, col: usize| [1.0, 2.0, 2.0, 0.5][(row % 2) * 2 + col % 2];
        let frames: Vec<_> = [1000.0, 1300.0, 700.0]
            .map(|lamp| {
                stored(8, 6, move |row, col| {
                    (64.0 + lamp * falloff(col) * color(row, col)).round() as u16
                })
            })
            .into();
        let frames: Vec<&StoredMosaic> = frames.iter().collect();
        let flat = MasterFlat::combine(&frames, &layout(8, 6), None).expect("flats");
        for channel_start in 0..2 {
            let ratio = flat.response[(0, channel_start + 6)] / flat.response[(0, channel_start)];
            let want = falloff(channel_start + 6) / falloff(channel_start);
            // Rounding to whole DN at 300 DN leaves 0.2 %.
            assert!((ratio - want).abs() < 0.002, "{ratio} {want}");
        }
        let mean = flat.response.mean().expect("not empty");
        assert!((mean - 1.0).abs() < 1e-4, "{mean}");
    }

    #[test]
    fn only_dark_signal_grows_with_exposure() {
        let bias = MasterDark::given(Array2::from_elem((2, 3), 100.0));
        let mut level_dn = Array2::from_elem((2, 3), 104.0);
        level_dn[(1, 1)] = 900.0;
        let dark = MasterDark::given(level_dn);
        let scaled = dark.scaled(&bias, 0.25).expect("equal sizes");
        assert_eq!(
            (scaled.level_dn[(0, 0)], scaled.level_dn[(1, 1)]),
            (101.0, 300.0)
        );
        let other = MasterDark::given(Array2::zeros((3, 3)));
        assert!(matches!(
            dark.scaled(&other, 0.25),
            Err(StackError::SizeMismatch {
                found_height: 3,
                ..
            })
        ));
    }

    #[test]
    fn a_given_flat_may_have_any_scale() {
        let falloff = |col: usize| 1.0 - 0.05 * col as f32;
        let layout = layout(8, 6);
        let plane = Array2::from_shape_fn((6, 8), |(row, col)| {
            0.3 * falloff(col) * if (row + col) % 2 == 1 { 2.0 } else { 1.0 }
        });
        let flat = MasterFlat::given(plane, &layout).expect("the right size");
        let ratio = flat.response[(0, 6)] / flat.response[(0, 0)];
        assert!((ratio - falloff(6)).abs() < 1e-6);
        assert!((flat.response.mean().expect("not empty") - 1.0).abs() < 1e-6);
        assert!(MasterFlat::given(Array2::zeros((6, 7)), &layout).is_err());
    }

    #[test]
    fn frames_with_other_black_levels_make_one_master() {
        let offset = raw::SitePattern::uniform(2.0);
        let frames = [
            stored(6, 4, |_, col| 60 + col as u16),
            stored(6, 4, |_, col| 62 + col as u16).with_black_offset(offset),
        ];
        let dark = MasterDark::combine(&[&frames[0], &frames[1]]).expect("darks");
        assert_eq!(dark.noise_dn, 0.0);
        assert!(
            (dark.level_dn[(2, 3)] - 63.0).abs() < 1e-4,
            "{}",
            dark.level_dn
        );
    }

    #[test]
    fn masters_need_frames_of_one_size() {
        assert!(matches!(
            MasterDark::combine(&[]),
            Err(StackError::NoLights)
        ));
        let (a, b) = (stored(4, 4, |_, _| 1), stored(4, 5, |_, _| 1));
        let refused = MasterDark::combine(&[&a, &b]);
        assert!(matches!(
            refused,
            Err(StackError::SizeMismatch {
                found_height: 5,
                ..
            })
        ));
    }
}
