//! A stack in miniature: pictures of lights in, tiles through the observer, report out.
//!
//! It knows the noise-free picture, so the noise of its stack and lights is known from
//! plain means of blocks, without any of the estimators under test.

#![allow(dead_code, reason = "every test file uses a part of it")]

use noise::{
    ChannelInfo, ChannelNoise, Estimator, GainReport, NoiseError, NoiseObserver, NoiseOptions,
    PatternBasis, PatternPrior, ReportContext, SensorTrack, StarMask, TILE_PX, TileNoise, regions,
};
use rand::{Rng, SeedableRng};
use rand_chacha::ChaCha8Rng;
use rand_distr::StandardNormal;
use raw::Rect;
use rayon::prelude::*;
use stack::{HalfSplit, Kernel, TileObserver, TileSamples};

/// How the miniature engine combines.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Combine {
    Mean,
    Median,
    /// Mean of what is within so many standard deviations of the mean, to convergence.
    Clip(f64),
}

/// Aligned lights of one channel and the noise-free picture.
#[derive(Clone)]
pub struct Burst {
    pub width: usize,
    pub height: usize,
    pub lights: Vec<Vec<f32>>,
    pub truth: Vec<f32>,
    pub weights: Vec<f32>,
    pub combine: Combine,
    pub mask: StarMask,
    pub positions_px: Option<Vec<Vec<(f64, f64)>>>,
    pub photosite_share: f64,
    /// Of every light, or nothing.
    pub transparency: Vec<f64>,
    /// Whether observer and report know the track.
    pub tracked: bool,
    /// What is known of the pattern before measuring.
    pub pattern: PatternPrior,
}

/// A typical response and nothing beside it.
pub const PRIOR: PatternPrior = PatternPrior {
    response: 0.008,
    offset_dn: 0.0,
    basis: PatternBasis::Assumed,
};

pub fn rng(seed: u64) -> ChaCha8Rng {
    ChaCha8Rng::seed_from_u64(seed)
}

pub fn white(rng: &mut ChaCha8Rng, n: usize, sigma: f32) -> Vec<f32> {
    (0..n)
        .map(|_| sigma * rng.sample::<f32, _>(StandardNormal))
        .collect()
}

/// Samples `source` (of `width + 2 * margin` columns) bilinearly at every pixel of the
/// inner picture moved by (dx, dy).
pub fn shifted(
    source: &[f32],
    width: usize,
    height: usize,
    margin: usize,
    dx: f64,
    dy: f64,
) -> Vec<f32> {
    let stride = width + 2 * margin;
    let (left, top) = (dx.floor(), dy.floor());
    let (fx, fy) = ((dx - left) as f32, (dy - top) as f32);
    let mut out = Vec::with_capacity(width * height);
    for y in 0..height {
        let row = (y as isize + margin as isize + top as isize) as usize;
        for x in 0..width {
            let column = (x as isize + margin as isize + left as isize) as usize;
            let p = row * stride + column;
            let upper = source[p] * (1.0 - fx) + source[p + 1] * fx;
            let lower = source[p + stride] * (1.0 - fx) + source[p + stride + 1] * fx;
            out.push(upper * (1.0 - fy) + lower * fy);
        }
    }
    out
}

/// The red of a 2 x 2 mosaic at every pixel, bilinearly; the border is left at 0.
pub fn red_of(mosaic: &[f32], stride: usize) -> Vec<f32> {
    let mut red = vec![0.0; mosaic.len()];
    for y in 1..mosaic.len() / stride - 1 {
        for x in 1..stride - 1 {
            let at = |dx: usize, dy: usize| mosaic[(y + dy - 1) * stride + x + dx - 1];
            red[y * stride + x] = match (x % 2, y % 2) {
                (0, 0) => at(1, 1),
                (1, 0) => 0.5 * (at(0, 1) + at(2, 1)),
                (0, 1) => 0.5 * (at(1, 0) + at(1, 2)),
                _ => 0.25 * (at(0, 0) + at(2, 0) + at(0, 2) + at(2, 2)),
            };
        }
    }
    red
}

impl Burst {
    /// `n` lights of nothing, in a picture of 12 x 8 tiles.
    pub fn blank(n: usize) -> Self {
        Self::of_size(n, 12 * TILE_PX, 8 * TILE_PX)
    }

    pub fn of_size(n: usize, width: usize, height: usize) -> Self {
        Self {
            width,
            height,
            lights: vec![vec![0.0; width * height]; n],
            truth: vec![0.0; width * height],
            weights: vec![1.0; n],
            combine: Combine::Mean,
            mask: StarMask::empty(width, height),
            positions_px: Some((0..n).map(|i| vec![(2.0 * i as f64, 0.0)]).collect()),
            photosite_share: 1.0,
            transparency: Vec::new(),
            tracked: true,
            pattern: PRIOR,
        }
    }

    /// `n` lights of white noise.
    pub fn white(n: usize, sigma: f32, seed: u64) -> Self {
        let mut burst = Self::blank(n);
        for (i, light) in burst.lights.iter_mut().enumerate() {
            *light = white(&mut rng(seed * 1000 + i as u64), light.len(), sigma);
        }
        burst
    }

    /// White noise, every light resampled bilinearly at a random shift.
    pub fn resampled(n: usize, sigma: f32, seed: u64) -> Self {
        let mut burst = Self::blank(n);
        let (width, height) = (burst.width, burst.height);
        for (i, light) in burst.lights.iter_mut().enumerate() {
            let mut rng = rng(seed * 1000 + i as u64);
            let source = white(&mut rng, (width + 8) * (height + 8), sigma);
            let (dx, dy) = (rng.random_range(-2.0..2.0), rng.random_range(-2.0..2.0));
            *light = shifted(&source, width, height, 4, dx, dy);
        }
        burst
    }

    /// White noise on the red sites of a 2 x 2 mosaic, demosaiced and resampled
    /// bilinearly at random shifts.
    pub fn demosaiced_red(n: usize, sigma: f32, seed: u64) -> Self {
        let mut burst = Self::blank(n);
        burst.photosite_share = 0.25;
        let (width, height) = (burst.width, burst.height);
        let (stride, rows) = (width + 16, height + 16);
        for (i, light) in burst.lights.iter_mut().enumerate() {
            let mut rng = rng(seed * 1000 + i as u64);
            let red = red_of(&white(&mut rng, stride * rows, sigma), stride);
            let (dx, dy) = (rng.random_range(-4.0..4.0), rng.random_range(-4.0..4.0));
            *light = shifted(&red, width, height, 8, dx, dy);
        }
        burst
    }

    pub fn with(mut self, combine: Combine) -> Self {
        self.combine = combine;
        self
    }

    /// Adds a picture to the truth and to every light.
    pub fn add_scene(&mut self, scene: impl Fn(usize, usize) -> f32) {
        for p in 0..self.truth.len() {
            let value = scene(p % self.width, p / self.width);
            self.truth[p] += value;
            self.lights.iter_mut().for_each(|light| light[p] += value);
        }
    }

    fn estimator(&self) -> Estimator {
        match self.combine {
            Combine::Mean => Estimator::Mean,
            Combine::Median => Estimator::Median,
            Combine::Clip(_) => Estimator::SigmaClip,
        }
    }

    pub fn report(&self) -> Result<GainReport, NoiseError> {
        let observer =
            NoiseObserver::new(self.mask.clone(), NoiseOptions::default()).with_track(self.track());
        self.report_of(&self.tiles(&observer).0)
    }

    /// The lights' track, on a lattice of one point.
    pub fn track(&self) -> Option<SensorTrack> {
        let positions = self.positions_px.as_ref().filter(|_| self.tracked)?;
        SensorTrack::new(
            (self.width, self.height),
            (1, 1),
            positions,
            Kernel::Bilinear,
        )
    }

    pub fn report_of(&self, tiles: &[TileNoise]) -> Result<GainReport, NoiseError> {
        let context = ReportContext {
            regions: regions(self.width, self.height, 6, 4),
            channels: vec![ChannelInfo {
                name: "L".into(),
                photosite_share: self.photosite_share,
                pattern: self.pattern,
            }],
            estimator: self.estimator(),
            positions_px: self.positions_px.clone(),
            transparency: self.transparency.clone(),
            track: self.track(),
            subtracted: None,
        };
        GainReport::from_tiles(tiles, &context)
    }

    pub fn areas(&self) -> Vec<Rect> {
        let mut areas = Vec::new();
        for y0 in (0..self.height).step_by(TILE_PX) {
            for x0 in (0..self.width).step_by(TILE_PX) {
                areas.push(Rect {
                    x0,
                    y0,
                    x1: (x0 + TILE_PX).min(self.width),
                    y1: (y0 + TILE_PX).min(self.height),
                });
            }
        }
        areas
    }

    /// What the observer says of every tile, and the stack.
    pub fn tiles<O: TileObserver>(&self, observer: &O) -> (Vec<O::Summary>, Vec<f32>) {
        let areas = self.areas();
        let done: Vec<(O::Summary, Vec<f32>)> = areas
            .par_iter()
            .map(|&area| self.tile(area, observer))
            .collect();
        let mut stack = vec![f32::NAN; self.width * self.height];
        let mut summaries = Vec::new();
        for (area, (summary, mean)) in areas.iter().zip(done) {
            for (row, line) in mean.chunks_exact(area.width()).enumerate() {
                stack[(area.y0 + row) * self.width + area.x0..][..line.len()].copy_from_slice(line);
            }
            summaries.push(summary);
        }
        (summaries, stack)
    }

    pub fn tile<O: TileObserver>(&self, area: Rect, observer: &O) -> (O::Summary, Vec<f32>) {
        let n = self.lights.len();
        let pixels = area.width() * area.height();
        let cut = |light: &Vec<f32>| -> Vec<f32> {
            (area.y0..area.y1)
                .flat_map(|y| light[y * self.width..][area.x0..area.x1].to_vec())
                .collect()
        };
        let samples: Vec<Vec<f32>> = self.lights.iter().map(cut).collect();
        let mut kept = vec![vec![0u8; pixels]; n];
        let (mut mean, mut weight) = (vec![0.0; pixels], vec![0.0; pixels]);
        let mut halves = [0; 2].map(|_| [0; 2].map(|_| vec![0.0f32; pixels]));
        let mut half_weight = halves.clone();
        // Sets of lights: all of them, and the halves of either split.
        let splits = [HalfSplit::OddEven, HalfSplit::FirstLast];
        let sets_of = |i: usize| {
            let [turn, time] = splits.map(|split| usize::from(split.is_second(i, n)));
            [0, 1 + turn, 3 + time]
        };
        let sets: Vec<[usize; 3]> = (0..n).map(sets_of).collect();
        let mut column = vec![0.0; n];
        for p in 0..pixels {
            (0..n).for_each(|i| column[i] = samples[i][p]);
            let flags = self.keep(&column);
            let (mut sums, mut totals) = ([0.0f64; 5], [0.0f64; 5]);
            for i in (0..n).filter(|&i| flags[i]) {
                kept[i][p] = 1;
                let weight = f64::from(self.weights[i]);
                for set in sets[i] {
                    sums[set] += weight * f64::from(column[i]);
                    totals[set] += weight;
                }
            }
            let value = |set: usize| match self.combine {
                Combine::Median => {
                    let chosen = (0..n).filter(|&i| flags[i] && sets[i].contains(&set));
                    median(chosen.map(|i| column[i]).collect())
                }
                _ => (sums[set] / totals[set]) as f32,
            };
            (mean[p], weight[p]) = (value(0), totals[0] as f32);
            for half in 0..4 {
                halves[half / 2][half % 2][p] = value(1 + half);
                half_weight[half / 2][half % 2][p] = totals[1 + half] as f32;
            }
        }
        let sample_rows: Vec<&[f32]> = samples.iter().map(Vec::as_slice).collect();
        let kept_rows: Vec<&[u8]> = kept.iter().map(Vec::as_slice).collect();
        let refer = |planes: &'_ [[Vec<f32>; 2]; 2]| -> [[Vec<f32>; 2]; 2] { planes.clone() };
        let (halves, half_weight) = (refer(&halves), refer(&half_weight));
        let half_rows = [0, 1].map(|s| [0, 1].map(|h| halves[s][h].as_slice()));
        let half_weight_rows = [0, 1].map(|s| [0, 1].map(|h| half_weight[s][h].as_slice()));
        let summary = observer.observe(&TileSamples {
            area,
            channel: 0,
            samples: &sample_rows,
            kept: &kept_rows,
            weights: &self.weights,
            mean: &mean,
            weight: &weight,
            halves: &half_rows,
            half_weight: &half_weight_rows,
        });
        (summary, mean)
    }

    fn keep(&self, column: &[f32]) -> Vec<bool> {
        let mut keep: Vec<bool> = column.iter().map(|value| !value.is_nan()).collect();
        let Combine::Clip(sigmas) = self.combine else {
            return keep;
        };
        for _ in 0..10 {
            let left = || {
                let pairs = column.iter().zip(&keep).filter(|&(_, &keep)| keep);
                pairs.map(|(&value, _)| f64::from(value))
            };
            let n = left().count() as f64;
            let mean = left().sum::<f64>() / n;
            let sigma = (left().map(|v| (v - mean).powi(2)).sum::<f64>() / (n - 1.0)).sqrt();
            let mut changed = false;
            for (value, keep) in column.iter().zip(&mut keep) {
                let far = (f64::from(*value) - mean).abs() > sigmas * sigma;
                changed |= *keep && far;
                *keep &= !far;
            }
            if !changed {
                break;
            }
        }
        keep
    }

    /// The stack by itself.
    pub fn stack(&self) -> Vec<f32> {
        self.tiles(&()).1
    }

    /// White-equivalent variance of a picture's errors, from means of 8 x 8 blocks.
    pub fn block_variance(&self, picture: &[f32]) -> f64 {
        self.block_variance_in(picture, Rect::of_size(self.width, self.height))
    }

    /// The same for a part of the picture.
    pub fn block_variance_in(&self, picture: &[f32], part: Rect) -> f64 {
        const BLOCK: usize = 8;
        let (mut sum, mut blocks) = (0.0, 0.0);
        for y in (part.y0..part.y1 - BLOCK + 1).step_by(BLOCK) {
            for x in (part.x0..part.x1 - BLOCK + 1).step_by(BLOCK) {
                let mut error = 0.0;
                for p in (0..BLOCK * BLOCK).map(|i| (y + i / BLOCK) * self.width + x + i % BLOCK) {
                    error += f64::from(picture[p] - self.truth[p]);
                }
                sum += (error / (BLOCK * BLOCK) as f64).powi(2);
                blocks += 1.0;
            }
        }
        sum / blocks * (BLOCK * BLOCK) as f64
    }

    /// The gain of the whole stack from the truth: typical light (see [`noise::ChannelNoise::single`]) over stack.
    pub fn true_gain(&self) -> f64 {
        let mut lights: Vec<f64> = self.lights.iter().map(|l| self.block_variance(l)).collect();
        lights.sort_by(f64::total_cmp);
        let n = lights.len();
        let median = 0.5 * (lights[(n - 1) / 2] + lights[n / 2]);
        let information: f64 = lights.iter().map(|v| 1.0 / v).sum();
        let typical = median.min(n as f64 / information);
        (typical / self.block_variance(&self.stack())).sqrt()
    }

    /// Relative standard error of `true_gain`: of a variance from so many blocks.
    pub fn true_gain_error(&self) -> f64 {
        let blocks = (self.width * self.height / 64) as f64;
        (1.0 / (2.0 * blocks)).sqrt() * (1.0 + 1.0 / self.lights.len() as f64).sqrt()
    }
}

pub fn median(mut values: Vec<f32>) -> f32 {
    align::median(&mut values).unwrap_or(f32::NAN)
}

/// All cells of a report.
pub fn cells(report: &GainReport) -> Vec<ChannelNoise> {
    report
        .regions
        .iter()
        .flat_map(|region| region.channels.clone())
        .collect()
}

/// Standard errors that a figure may lie off its truth: one chance in 16 000.
pub const SIGMAS: f64 = 4.0;

/// The summary's gain against the blocks of the known truth, which it must know well.
#[track_caller]
pub fn check_gain(burst: &Burst, name: &str) -> noise::Summary {
    let summary = check_close(burst, name);
    let limit = SIGMAS * (summary.error / summary.gain_area).hypot(burst.true_gain_error());
    assert!(limit < 0.08, "{name}: limit {limit}");
    summary
}

/// The same where a pattern that no half shows was added, and doubted.
#[track_caller]
pub fn check_close(burst: &Burst, name: &str) -> noise::Summary {
    let summary = burst.report().expect("the lights hold noise").summary;
    let truth = burst.true_gain();
    let relative = summary.gain_area / truth - 1.0;
    let limit = SIGMAS * (summary.error / summary.gain_area).hypot(burst.true_gain_error());
    println!(
        "{name}: gain {:.3} true {truth:.3} expected {:.3} pixel {:.3} error {:.4}, off {relative:.4} of {limit:.4}",
        summary.gain_area, summary.expected_gain, summary.gain_pixel, summary.error
    );
    assert!(relative.abs() < limit, "{name}: off {relative} of {limit}");
    // Whatever the errors, no gain may be further off than 5 %.
    assert!(relative.abs() < 0.05, "{name}: off {relative}");
    summary
}

/// Holds that the budget accounts for every light: what is left is one in the mean of the
/// cells, within their errors and the doubt common to them.
pub fn unexplained_is_chance(burst: &Burst) {
    let cells = cells(&burst.report().expect("noise"));
    let n = cells.len() as f64;
    let mean = |of: &dyn Fn(&ChannelNoise) -> f64| cells.iter().map(of).sum::<f64>() / n;
    let left = mean(&|cell| cell.budget.unexplained.ln());
    let random =
        mean(&|cell| (cell.error.powi(2) - cell.correction_error.powi(2)) / cell.gain_area.powi(2));
    let doubt = mean(&|cell| cell.correction_error / cell.gain_area);
    let error = (random / n).sqrt().hypot(doubt);
    println!("  unexplained: {left:.4} +- {error:.4}");
    assert!(left.abs() < SIGMAS * error, "{left} +- {error}");
}
