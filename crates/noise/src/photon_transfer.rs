//! Photon transfer: gain, read noise and their kin, from whatever frames a session has.
//!
//! The variance of a recorded value grows with the light that made it: σ² = σ_d² + K µ,
//! K the gain in DN per electron (EMVA 1288 Release 3.1, linear camera model). Variances
//! come from differences of two frames of the same thing, block by block of the mosaic,
//! so that a picture with bright and dark parts is a photon transfer curve of its own.

use crate::robust::{Scattered, average, median};
use crate::{Measured, StarMask, StarMaskOptions};
use align::Star;
use blocks::{Point, Sites, Spatial, pair_points, spatial_points};
use levels::{ChannelLevels, levels_of};
use stack::{SensorLayout, StackError, StoredMosaic};
use std::collections::BTreeMap;

pub use result::{ChannelSensor, LightNoise, SensorNote, TransferSource};

mod blocks;
mod levels;
mod line;
mod plane;
mod result;

/// A frame as it was recorded.
#[derive(Clone, Debug)]
pub struct Exposure {
    /// Recorded values.
    pub mosaic: StoredMosaic,
    /// Shutter-open time, s, where it is known.
    pub exposure_s: Option<f64>,
    /// Stars to leave out, in this frame's own coordinates; those too faint for a single
    /// frame too, where they are known. Only [`frames_looked_at`] need them.
    pub stars: Vec<Star>,
}

/// Frames of one camera at one sensitivity setting.
#[derive(Clone, Copy, Debug)]
pub struct SensorFrames<'a> {
    /// What the mosaics have in common.
    pub layout: &'a SensorLayout,
    /// Bias frames.
    pub bias: &'a [Exposure],
    /// Darks of the lights' exposure.
    pub darks: &'a [Exposure],
    /// Flats, of the lights' sensitivity setting.
    pub flats: &'a [Exposure],
    /// Lights in capture order; neighbors are compared.
    pub lights: &'a [Exposure],
}

/// Pairs of one kind that are looked at, spread over the series.
const MOST_PAIRS: usize = 6;
/// Frames from which a spatial variance is told from what is left of the temporal one.
const FEWEST_FOR_SPATIAL: usize = 4;
const MOST_FOR_SPATIAL: usize = 16;
/// A gain less certain than this share of itself is not stated.
const LARGEST_GAIN_ERROR: f64 = 0.1;
/// A read noise less certain than this share of itself is not stated.
const LARGEST_READ_ERROR: f64 = 0.2;
/// Spread of the levels over their own error, as variances, below which the error of the
/// levels would tilt the line: 2 % at 50.
const LEAST_LEVERAGE: f64 = 50.0;
/// Variance in steps² below which rounding hides the read noise (EMVA 1288 Release 3.1).
const LEAST_VARIANCE_STEPS2: f64 = 0.24;
/// Correlation of sites two columns apart over the share of the variance that is light of
/// faint stars: exp(−d²/4s²) at d = 2 px for s = 0.9 px.
const STAR_CORRELATION: f64 = 0.3;
/// Departure of the curve from a line from which it is noted.
const CROOKED: f64 = 0.03;

/// What the frames tell about the sensor, by channel of the picture.
///
/// Nothing is guessed: what the frames do not tell is `None`, and
/// [`notes`](ChannelSensor::notes) say why.
///
/// # Errors
///
/// When samples cannot be read back from the scratch file.
///
/// # Panics
///
/// When a frame is not of the layout's size.
pub fn measure_sensor(frames: &SensorFrames) -> Result<Vec<ChannelSensor>, StackError> {
    let of = |exposures| Series::measure(exposures, frames.layout);
    let measured = All {
        bias: of(frames.bias)?,
        darks: of(frames.darks)?,
        flats: of(frames.flats)?,
        lights: of(frames.lights)?,
        exposure_s: frames.darks.first().and_then(|dark| dark.exposure_s),
    };
    let flat_spatial = measured.flats.spatial(frames.flats, frames.layout)?;
    let dark_spatial = match frames.bias.len() >= FEWEST_FOR_SPATIAL {
        true => measured.bias.spatial(frames.bias, frames.layout)?,
        false => measured.darks.spatial(frames.darks, frames.layout)?,
    };
    let channels = frames.layout.cfa.channels().len();
    Ok((0..channels)
        .map(|channel| {
            let mut sensor = measured.channel(channel);
            let spatial = |all: &[Vec<Spatial>]| all.get(channel).cloned().unwrap_or_default();
            let zero = measured.flat_zero().map(|zero| zero.merged(channel));
            sensor.add_spatial(
                &spatial(&flat_spatial),
                &spatial(&dark_spatial),
                &zero.unwrap_or_default(),
            );
            sensor
        })
        .collect())
}

/// Indices of the frames that are compared in pairs, of a series of `n`: neighbors, the pairs
/// spread over the series, ascending.
pub fn frames_looked_at(n: usize) -> Vec<usize> {
    let all = n / 2;
    let pairs = all.min(MOST_PAIRS);
    let firsts = (0..pairs).map(|i| 2 * (i * all / pairs));
    firsts.flat_map(|first| [first, first + 1]).collect()
}

/// The pairs of one kind of frames.
#[derive(Default)]
struct Series {
    /// `[pair][channel]`, blocks in reading order.
    pairs: Vec<Vec<Vec<Point>>>,
    levels: Vec<ChannelLevels>,
}

impl Series {
    fn measure(exposures: &[Exposure], layout: &SensorLayout) -> Result<Self, StackError> {
        let Some(first) = exposures.first() else {
            return Ok(Self::default());
        };
        let levels = levels_of(&first.mosaic, layout)?;
        let looked_at = frames_looked_at(exposures.len());
        let mut pairs = Vec::with_capacity(looked_at.len() / 2);
        for pair in looked_at.chunks_exact(2) {
            let pair = &exposures[pair[0]..=pair[1]];
            let mask = mask_of(pair, layout);
            let sites = Sites {
                layout,
                levels: &levels,
                mask: mask.as_ref(),
            };
            pairs.push(pair_points([&pair[0].mosaic, &pair[1].mosaic], &sites)?);
        }
        Ok(Self { pairs, levels })
    }

    fn n_pairs(&self, channel: usize) -> usize {
        let told = |pair: &&Vec<Vec<Point>>| !pair[channel].is_empty();
        self.pairs.iter().filter(told).count()
    }

    fn points(&self, channel: usize) -> Vec<Point> {
        let of_pair = |pair: &Vec<Vec<Point>>| pair[channel].clone();
        self.pairs.iter().flat_map(of_pair).collect()
    }

    /// Mean level and variance of each block over the pairs.
    fn merged(&self, channel: usize) -> BTreeMap<usize, Point> {
        let mut sums: BTreeMap<usize, (Point, f64)> = BTreeMap::new();
        for point in self.points(channel) {
            let entry = sums.entry(point.block);
            let (sum, n) = entry.or_insert((
                Point {
                    level_dn: 0.0,
                    variance_dn2: 0.0,
                    freedom: 0.0,
                    ..point
                },
                0.0,
            ));
            sum.level_dn += point.level_dn;
            sum.variance_dn2 += point.variance_dn2;
            sum.freedom += point.freedom;
            *n += 1.0;
        }
        let mean = |(block, (sum, n)): (usize, (Point, f64))| {
            let point = Point {
                level_dn: sum.level_dn / n,
                variance_dn2: sum.variance_dn2 / n,
                ..sum
            };
            (block, point)
        };
        sums.into_iter().map(mean).collect()
    }

    /// Variance of a single frame, DN²; for frames without light.
    fn variance(&self, channel: usize) -> Option<Measured> {
        mean_variance(&self.points(channel))
    }

    /// Typical level, DN above the stated black, with the scatter from pair to pair.
    fn level(&self, channel: usize) -> Option<Measured> {
        let of_pair: Vec<f64> = self
            .pairs
            .iter()
            .filter(|pair| !pair[channel].is_empty())
            .map(|pair| median(pair[channel].iter().map(|p| p.level_dn).collect()))
            .collect();
        let n = of_pair.len() as f64;
        let value = of_pair.iter().sum::<f64>() / n;
        let own = self.variance(channel)?.value
            / self.points(channel).iter().map(|p| p.freedom).sum::<f64>();
        let scatter = of_pair
            .iter()
            .map(|level| (level - value).powi(2))
            .sum::<f64>();
        let error = (own + scatter / (n - 1.0).max(1.0) / n).sqrt();
        (n > 0.0).then_some(Measured { value, error })
    }

    fn spatial(
        &self,
        exposures: &[Exposure],
        layout: &SensorLayout,
    ) -> Result<Vec<Vec<Spatial>>, StackError> {
        if exposures.len() < FEWEST_FOR_SPATIAL || self.pairs.is_empty() {
            return Ok(Vec::new());
        }
        let frames: Vec<&StoredMosaic> = exposures
            .iter()
            .take(MOST_FOR_SPATIAL)
            .map(|exposure| &exposure.mosaic)
            .collect();
        let temporal: Vec<Vec<Point>> = (0..layout.cfa.channels().len())
            .map(|channel| self.merged(channel).into_values().collect())
            .collect();
        let sites = Sites {
            layout,
            levels: &self.levels,
            mask: None,
        };
        spatial_points(&frames, &temporal, &sites)
    }
}

/// The stars of both frames; `None` where there are none.
fn mask_of(pair: &[Exposure], layout: &SensorLayout) -> Option<StarMask> {
    let stars: Vec<Star> = pair.iter().flat_map(|e| e.stars.iter().copied()).collect();
    (!stars.is_empty()).then(|| {
        let options = StarMaskOptions::default();
        StarMask::from_stars(layout.width, layout.height, &stars, &options)
    })
}

fn mean_variance(points: &[Point]) -> Option<Measured> {
    let values: Vec<Scattered> = points
        .iter()
        .map(|point| Scattered {
            value: point.variance_dn2,
            relative_variance: 2.0 / point.freedom,
        })
        .collect();
    average(&values).map(|average| Measured {
        value: average.mean,
        error: average.error,
    })
}

/// Of a variance, where it is one.
fn root(variance: Measured) -> Option<Measured> {
    let value = variance.value.sqrt();
    (value > 0.0).then(|| Measured {
        value,
        error: variance.error / (2.0 * value),
    })
}

/// Every series of a session.
struct All {
    bias: Series,
    darks: Series,
    flats: Series,
    lights: Series,
    exposure_s: Option<f64>,
}

impl All {
    /// What flats are counted from: they are short.
    fn flat_zero(&self) -> Option<&Series> {
        [&self.bias, &self.darks]
            .into_iter()
            .find(|series| !series.pairs.is_empty())
    }

    /// What lights are counted from: as long as they are.
    fn light_zero(&self) -> Option<&Series> {
        [&self.darks, &self.bias]
            .into_iter()
            .find(|series| !series.pairs.is_empty())
    }

    fn channel(&self, channel: usize) -> ChannelSensor {
        let mut sensor = ChannelSensor::nothing(channel);
        let series = [&self.bias, &self.darks, &self.flats, &self.lights];
        let levels = series.iter().find_map(|series| series.levels.get(channel));
        sensor.step_dn = levels.map(|levels| f64::from(levels.step_dn));
        for series in [&self.bias, &self.darks] {
            let clipped = series.levels.get(channel).and_then(|l| l.clipped_at);
            if let Some(at_dn) = clipped.filter(|_| series.n_pairs(channel) == 0) {
                sensor.notes.push(SensorNote::BlackClipped { at_dn });
            }
        }
        self.add_gain(&mut sensor);
        self.add_read_noise(&mut sensor);
        self.add_dark_current(&mut sensor);
        self.add_noise_of_masters(&mut sensor);
        self.add_light(&mut sensor);
        sensor
    }

    fn add_gain(&self, sensor: &mut ChannelSensor) {
        let channel = sensor.channel;
        let sources = [
            (TransferSource::Flats, &self.flats, self.flat_zero()),
            (TransferSource::Lights, &self.lights, self.light_zero()),
        ];
        for (source, series, zero) in sources {
            if series.pairs.is_empty() {
                continue;
            }
            let Some(line) = transfer_line(series, zero, channel) else {
                sensor.notes.push(SensorNote::NarrowRange { source });
                continue;
            };
            let slope = line.slope_dn;
            let shared = match source {
                TransferSource::Lights => shared_light(&series.points(channel)),
                _ => 0.0,
            };
            let relative = (line.slope_error_dn / slope)
                .hypot(line.departure)
                .hypot(shared / STAR_CORRELATION);
            if line.departure > CROOKED {
                let departure = line.departure;
                sensor.notes.push(SensorNote::Crooked { source, departure });
            }
            if shared > 0.0 {
                sensor.notes.push(SensorNote::SharedLight {
                    correlation: shared,
                });
            }
            let certain =
                slope > 0.0 && relative < LARGEST_GAIN_ERROR && line.leverage > LEAST_LEVERAGE;
            if !certain {
                sensor.notes.push(SensorNote::NarrowRange { source });
                continue;
            }
            sensor.gain_e_per_dn = Some(Measured {
                value: 1.0 / slope,
                error: relative / slope,
            });
            sensor.gain_source = Some(source);
            sensor.gain_pairs = series.n_pairs(channel);
            return;
        }
    }

    fn add_read_noise(&self, sensor: &mut ChannelSensor) {
        let channel = sensor.channel;
        let dark = [
            (TransferSource::Bias, &self.bias),
            (TransferSource::Darks, &self.darks),
        ]
        .into_iter()
        .find_map(|(source, series)| {
            let variance = series.variance(channel)?;
            Some((source, variance, series.n_pairs(channel)))
        });
        let found = dark.or_else(|| {
            let line = transfer_line(&self.lights, None, channel)?;
            let variance = Measured {
                value: line.offset_dn2,
                error: line
                    .offset_error_dn2
                    .hypot(line.departure * line.offset_dn2),
            };
            let pairs = self.lights.n_pairs(channel);
            Some((TransferSource::Lights, variance, pairs))
        });
        let Some((source, variance, pairs)) = found else {
            return;
        };
        let step2 = sensor.step_dn.unwrap_or(1.0).powi(2);
        if variance.value < LEAST_VARIANCE_STEPS2 * step2 {
            if source != TransferSource::Lights {
                sensor.notes.push(SensorNote::Rounded {
                    variance_dn2: variance.value,
                });
            }
            return;
        }
        let read_dn = (variance.value - step2 / 12.0).sqrt();
        let read = Measured {
            value: read_dn,
            error: variance.error / (2.0 * read_dn),
        };
        if read.relative() > LARGEST_READ_ERROR {
            sensor.notes.push(SensorNote::ReadNoiseUncertain { source });
            return;
        }
        sensor.read_noise_dn = Some(read);
        sensor.read_source = Some(source);
        sensor.read_pairs = pairs;
    }

    fn add_dark_current(&self, sensor: &mut ChannelSensor) {
        let channel = sensor.channel;
        let levels = self.darks.level(channel).zip(self.bias.level(channel));
        let (Some((dark, bias)), Some(gain)) = (levels, sensor.gain_e_per_dn) else {
            return;
        };
        let above = Measured {
            value: dark.value - bias.value,
            error: dark.error.hypot(bias.error),
        };
        let electrons = above.product(gain);
        sensor.dark_e = Some(electrons);
        sensor.dark_current_e_per_s = self.exposure_s.filter(|&s| s > 0.0).map(|s| Measured {
            value: electrons.value / s,
            error: electrons.error / s,
        });
    }

    /// Noise of the frames that masters are made of.
    fn add_noise_of_masters(&self, sensor: &mut ChannelSensor) {
        let channel = sensor.channel;
        let flats = above_zero(&self.flats, self.flat_zero(), channel);
        let relative: Vec<Point> = flats
            .into_iter()
            .filter(|point| point.level_dn > 0.0)
            .map(|point| Point {
                variance_dn2: point.variance_dn2 / point.level_dn.powi(2),
                ..point
            })
            .collect();
        sensor.flat_noise = mean_variance(&relative).and_then(root);
        let zero = self.light_zero().and_then(|zero| zero.variance(channel));
        sensor.zero_noise_dn = zero.and_then(root);
    }

    /// Noise of the typical light at its typical level.
    fn add_light(&self, sensor: &mut ChannelSensor) {
        const SHARE: f64 = 0.1;
        let mut points = above_zero(&self.lights, self.light_zero(), sensor.channel);
        points.sort_by(|a, b| a.level_dn.total_cmp(&b.level_dn));
        let n = points.len();
        let reach = ((SHARE * n as f64) as usize).max(1);
        let middle = &points[(n / 2).saturating_sub(reach)..(n / 2 + reach).min(n)];
        let Some(variance) = mean_variance(middle) else {
            return;
        };
        let level_dn = median(middle.iter().map(|p| p.level_dn).collect());
        let pairs = self.lights.n_pairs(sensor.channel);
        // Light of faint stars that has moved on passes for noise.
        let shared = shared_light(&points);
        let variance = Measured {
            error: variance
                .error
                .hypot(variance.value * shared / STAR_CORRELATION),
            ..variance
        };
        let noted = |note: &SensorNote| matches!(note, SensorNote::SharedLight { .. });
        if shared > 0.0 && !sensor.notes.iter().any(noted) {
            sensor.notes.push(SensorNote::SharedLight {
                correlation: shared,
            });
        }
        sensor.light = Some(LightNoise::of(sensor, level_dn, variance, pairs));
    }
}

/// Points with their level counted from that of `zero`, where there is one.
fn above_zero(series: &Series, zero: Option<&Series>, channel: usize) -> Vec<Point> {
    let mut points = series.points(channel);
    let zeros = zero.map(|zero| zero.merged(channel)).unwrap_or_default();
    if zeros.is_empty() {
        return points;
    }
    let typical = median(zeros.values().map(|zero| zero.level_dn).collect());
    for point in &mut points {
        point.level_dn -= zeros
            .get(&point.block)
            .map_or(typical, |zero| zero.level_dn);
    }
    points
}

/// The line through the points of a series and those of its zero.
fn transfer_line(series: &Series, zero: Option<&Series>, channel: usize) -> Option<line::Line> {
    let mut points = above_zero(series, zero, channel);
    if points.is_empty() {
        return None;
    }
    if let Some(zero) = zero {
        points.extend(above_zero(zero, Some(zero), channel));
    }
    line::fit(&points)
}

/// Correlation of near sites that differences of lights still have; 0 within its error.
fn shared_light(points: &[Point]) -> f64 {
    let n = points.len() as f64;
    let typical = median(points.iter().map(|point| point.correlation).collect());
    let sites = points.iter().map(|point| point.freedom).sum::<f64>();
    // A median is 1.25 times as uncertain as a mean.
    let error = 1.2533 / sites.sqrt();
    if n > 0.0 && typical > 3.0 * error {
        typical
    } else {
        0.0
    }
}

impl ChannelSensor {
    /// Pixel response and dark signal from site to site.
    fn add_spatial(&mut self, flats: &[Spatial], darks: &[Spatial], zero: &BTreeMap<usize, Point>) {
        let mean = |points: &[Spatial], scale: &dyn Fn(&Spatial) -> f64| {
            let value = |point: &Spatial| scale(point) * point.variance_dn2;
            let middle = |of: &dyn Fn(&Spatial) -> f64| {
                median(
                    points
                        .iter()
                        .map(|point| scale(point) * of(point))
                        .collect(),
                )
            };
            let typical = middle(&|point| point.variance_dn2);
            // Not the block's own: what came out low by chance would count for more.
            let measured = middle(&|point| point.measured_dn2);
            let temporal = middle(&|point| point.measured_dn2 - point.variance_dn2);
            let scattered = |point: &Spatial| Scattered {
                value: value(point),
                relative_variance: 2.0 / point.freedom * (measured / typical).powi(2)
                    + 2.0 / point.temporal_freedom * (temporal / typical).powi(2),
            };
            let known = typical > 0.0;
            known.then(|| average(&points.iter().map(scattered).collect::<Vec<_>>()))?
        };
        let root = |mean: f64, error: f64| {
            let certain = mean > 2.0 * error;
            certain.then(|| Measured {
                value: mean.sqrt(),
                error: error / (2.0 * mean.sqrt()),
            })
        };
        let dark = mean(darks, &|_| 1.0);
        self.dsnu_dn = dark.and_then(|dark| root(dark.mean, dark.error));
        let dark_dn2 = dark.map_or(0.0, |dark| dark.mean);
        let light = |point: &Spatial| {
            let zero = zero.get(&point.block).map_or(0.0, |zero| zero.level_dn);
            (point.level_dn - zero).max(1.0)
        };
        let flats: Vec<Spatial> = flats
            .iter()
            .map(|point| Spatial {
                variance_dn2: point.variance_dn2 - dark_dn2,
                ..*point
            })
            .collect();
        let response = mean(&flats, &|point| light(point).powi(-2));
        self.prnu = response.and_then(|response| root(response.mean, response.error));
    }
}

#[cfg(test)]
mod tests;
