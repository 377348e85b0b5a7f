//! The measured noise: by region and channel, and in all.

use crate::channel::ByChannel;
use crate::number::{nan_for_null, unknown};
use crate::sensor::Sensor;
use serde::{Deserialize, Serialize};

/// Everything measured on the stack and its frames.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Noise {
    /// The picture as a whole.
    pub summary: Summary,
    /// The picture in pieces, row by row.
    pub regions: Vec<Region>,
    /// The sensor behind it, by channel; empty when nothing was looked at.
    #[serde(default)]
    pub sensor: Sensor,
}

/// The picture as a whole. Gains are ratios without unit.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Summary {
    /// Lights in the stack, N.
    pub frames_used: u32,
    /// Gain of equal, independent frames: √N, or the root of Kish's number with weights.
    #[serde(deserialize_with = "nan_for_null")]
    pub expected_gain: f64,
    /// Noise of a single frame over noise of the stack, at the scale of blocks: the true
    /// gain.
    #[serde(deserialize_with = "nan_for_null")]
    pub gain_area: f64,
    /// The same pixel by pixel: what the eye sees at 100 %, partly borrowed from
    /// neighboring pixels.
    #[serde(deserialize_with = "nan_for_null")]
    pub gain_pixel: f64,
    /// One standard error of `gain_pixel`, as `error` is of `gain_area`; a pattern that no
    /// half shows is not in it.
    #[serde(default = "unknown", deserialize_with = "nan_for_null")]
    pub gain_pixel_error: f64,
    /// `gain_area` squared.
    #[serde(deserialize_with = "nan_for_null")]
    pub effective_frames: f64,
    /// `effective_frames` over `frames_used`.
    #[serde(deserialize_with = "nan_for_null")]
    pub efficiency: f64,
    /// One standard error of `gain_area` held against the known truth of this very stack:
    /// its own scatter and the doubt about a corrected pattern are in it.
    #[serde(deserialize_with = "nan_for_null")]
    pub error: f64,
    /// What the gain rests on.
    pub evidence: Evidence,
    /// `effective_frames` if the pattern were as strong as its upper bound.
    #[serde(deserialize_with = "nan_for_null")]
    pub effective_frames_at_upper_bound: f64,
    /// What is known of the fixed pattern.
    pub pattern: Pattern,
    /// How the gain grows with the number of frames, and what more of them would bring.
    pub growth: Growth,
}

/// Gain against the number of frames; without points when there are fewer than 4.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Growth {
    /// By rising `n`, measured on means of real subsets; the last is the stack.
    pub points: Vec<GrowthPoint>,
    /// Part of the noise that does not average, over the noise of a single frame; `None`
    /// with fewer than 8 frames, of which too few numbers can be compared.
    pub floor: Option<f64>,
    /// What `floor` grows by when its square grows by one standard error of that.
    pub floor_error: Option<f64>,
    /// Frames in all that would halve the noise of the stack; `None` when no number would,
    /// or without `floor`.
    pub frames_to_halve: Option<f64>,
    /// One standard error of `frames_to_halve`.
    pub frames_to_halve_error: Option<f64>,
    /// Number of frames from which twice as many lower the noise by less than a tenth;
    /// `None` when no floor shows.
    pub stops_paying_at: Option<f64>,
    /// One standard error of `stops_paying_at`.
    pub stops_paying_at_error: Option<f64>,
    /// Whether a fixed pattern is in it; else it is about random noise only.
    pub includes_pattern: bool,
}

/// Gain of the mean of some of the frames.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct GrowthPoint {
    /// Frames averaged.
    pub n: u32,
    /// Noise of a single frame over that of the mean, at the scale of blocks.
    #[serde(deserialize_with = "nan_for_null")]
    pub gain: f64,
    /// One standard error of `gain`.
    #[serde(deserialize_with = "nan_for_null")]
    pub error: f64,
}

/// What is known of the sensor's fixed pattern in the stack.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Pattern {
    /// Whether drift and number of frames suffice to tell pattern from sky.
    pub visible: bool,
    /// Largest distance that the stars lie apart on the sensor in two lights, px.
    pub drift_px: Option<f64>,
    /// Share of the stack's variance that is pattern, 0 to 1; `None` when not visible.
    pub fraction_of_variance: Option<f64>,
    /// Part of `fraction_of_variance` that lies in columns of the sensor; `None` where only
    /// halves of the stack tell the pattern.
    pub columns: Option<f64>,
    /// The same in rows.
    pub rows: Option<f64>,
    /// Direction in which the stars drift over the sensor, degrees from right toward down.
    pub direction_deg: Option<f64>,
    /// Whether slow, steady drift smears a pattern that was found into streaks.
    pub walking: bool,
    /// Largest share that the evidence allows, 0 to 1.
    #[serde(deserialize_with = "nan_for_null")]
    pub upper_bound: f64,
    /// What the bound rests on.
    pub basis: PatternBasis,
}

/// What a statement about the fixed pattern rests on.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum PatternBasis {
    /// Measured: the drift moved the pattern across the sky.
    Drift,
    /// Bounded by what flats and darks leave of it.
    Calibration,
    /// Bounded by what flats leave of the pixels' response, and by typical offsets.
    Flats,
    /// Bounded by what darks leave of the pixels' offsets, and by a typical response.
    Darks,
    /// Bounded by a typical pixel response and typical offsets.
    #[default]
    Assumed,
}

impl PatternBasis {
    /// Whether a bound on this basis was measured, in words.
    pub fn words(self) -> &'static str {
        match self {
            Self::Drift => "measured, by the drift",
            Self::Calibration => "measured, by what flats and darks leave",
            Self::Flats => "partly assumed: flats, and typical offsets",
            Self::Darks => "partly assumed: darks, and a typical response",
            Self::Assumed => "assumed: a typical sensor",
        }
    }
}

/// What a gain rests on.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Evidence {
    /// Halves of the stack against single frames.
    #[default]
    Measured,
    /// Too few frames to measure it; frames taken to be independent.
    Assumed,
    /// All frames hold the same numbers.
    Copies,
}

/// What a region shows.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Part {
    /// Aligned by the stars.
    Sky,
    /// Aligned by the ground.
    Ground,
}

/// A rectangle of the reference with its own figures.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Region {
    /// First column, px.
    pub x0: u32,
    /// First row, px.
    pub y0: u32,
    /// One past the last column, px.
    pub x1: u32,
    /// One past the last row, px.
    pub y1: u32,
    /// What it shows.
    pub part: Part,
    /// Figures by channel; without those that have too few pixels free of stars.
    pub channels: ByChannel<ChannelNoise>,
}

/// Noise of one channel in one region. Noise is in DN, gains are ratios without unit.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct ChannelNoise {
    /// Noise of the typical frame used, resampled as in the stack, at the scale of
    /// blocks, DN.
    #[serde(deserialize_with = "nan_for_null")]
    pub single: f64,
    /// One standard error of `single`, DN; of two or three frames it takes them to be
    /// independent.
    #[serde(default = "unknown", deserialize_with = "nan_for_null")]
    pub single_error: f64,
    /// Noise of the stack at the scale of blocks, DN.
    #[serde(deserialize_with = "nan_for_null")]
    pub stack: f64,
    /// One standard error of `stack` held against the known truth of this very stack, DN.
    #[serde(default = "unknown", deserialize_with = "nan_for_null")]
    pub stack_error: f64,
    /// `single` over `stack`: the true gain.
    #[serde(deserialize_with = "nan_for_null")]
    pub gain_area: f64,
    /// `single_pixel` over `stack_pixel`: what the eye sees at 100 %.
    #[serde(deserialize_with = "nan_for_null")]
    pub gain_pixel: f64,
    /// One standard error of `gain_pixel`, as `error` is of `gain_area`; a pattern that no
    /// half shows is not in it.
    #[serde(default = "unknown", deserialize_with = "nan_for_null")]
    pub gain_pixel_error: f64,
    /// Gain of equal, independent frames, for the frames that reach this region.
    #[serde(deserialize_with = "nan_for_null")]
    pub expected: f64,
    /// `gain_area` squared.
    #[serde(deserialize_with = "nan_for_null")]
    pub effective_frames: f64,
    /// One standard error of `gain_area` held against the known truth of this very stack:
    /// its own scatter and the doubt about a corrected pattern are in it.
    #[serde(deserialize_with = "nan_for_null")]
    pub error: f64,
    /// What the gain rests on.
    pub evidence: Evidence,
    /// Noise of the typical frame used, resampled as in the stack, per pixel, DN.
    #[serde(deserialize_with = "nan_for_null")]
    pub single_pixel: f64,
    /// One standard error of `single_pixel`, DN.
    #[serde(default = "unknown", deserialize_with = "nan_for_null")]
    pub single_pixel_error: f64,
    /// Noise of the stack per pixel, DN.
    #[serde(deserialize_with = "nan_for_null")]
    pub stack_pixel: f64,
    /// One standard error of `stack_pixel`, DN.
    #[serde(default = "unknown", deserialize_with = "nan_for_null")]
    pub stack_pixel_error: f64,
    /// Part of `stack` that differs from frame to frame, DN.
    #[serde(deserialize_with = "nan_for_null")]
    pub stack_random: f64,
    /// Part of `stack` that is fixed pattern, as far as halves show it, DN.
    #[serde(deserialize_with = "nan_for_null")]
    pub stack_pattern: f64,
    /// Level of the stack, DN above black.
    #[serde(deserialize_with = "nan_for_null")]
    pub sky: f64,
    /// Pixels measured.
    pub pixels: u64,
    /// Where the frames went.
    pub budget: Budget,
}

/// Factors from √N to the measured gain: `√N` times all but `borrowed` is `gain_area`.
/// 1 costs nothing.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Budget {
    /// Frames that do not reach all of the region.
    #[serde(deserialize_with = "nan_for_null")]
    pub coverage: f64,
    /// Unequal weights, but for those that follow transparency.
    #[serde(deserialize_with = "nan_for_null")]
    pub unequal_weights: f64,
    /// Frames better or worse than the typical one, but for their transparency.
    #[serde(deserialize_with = "nan_for_null")]
    pub unequal_lights: f64,
    /// Cloud: frames dimmer than the typical one.
    #[serde(deserialize_with = "nan_for_null")]
    pub transparency: f64,
    /// Rejected samples.
    #[serde(deserialize_with = "nan_for_null")]
    pub rejected_samples: f64,
    /// The estimator's own price: the median's, or a clip's beyond the samples lost.
    #[serde(deserialize_with = "nan_for_null")]
    pub estimator: f64,
    /// The fixed pattern that halves show.
    #[serde(deserialize_with = "nan_for_null")]
    pub pattern: f64,
    /// What none of the others explains.
    #[serde(deserialize_with = "nan_for_null")]
    pub unexplained: f64,
    /// `stack_pixel` over `stack`: below 1 by what looks like less noise at 100 % but was
    /// borrowed from neighboring pixels by demosaicing and resampling.
    #[serde(deserialize_with = "nan_for_null")]
    pub borrowed: f64,
}
