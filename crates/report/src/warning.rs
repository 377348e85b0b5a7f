//! What the reader should know before trusting the figures, each with a way out.

use crate::channel::Channel;
use crate::noise::PatternBasis;
use serde::{Deserialize, Serialize};

/// Something that lowers the worth of the result or of its figures.
///
/// Every warning says what is the case, with numbers, and what to do about it.
#[derive(Clone, Debug, PartialEq)]
#[non_exhaustive]
pub enum Warning {
    /// So few lights that no sample can lie outside the clip.
    TooFewFramesToClip {
        /// Lights in the stack.
        frames: u32,
        /// Rejection threshold, sigmas.
        clip_sigmas: f64,
        /// Largest deviation that one of so many samples can have, sigmas.
        largest_sigmas: f64,
        /// Fewest lights among which a sample can lie outside the clip.
        frames_needed: u32,
        /// Why the clip does not go by the noise of the camera instead; `None` where that
        /// was not wanted.
        not_predicted: Option<String>,
    },
    /// A clip that took many good samples.
    HeavyClip {
        /// Share of the good samples that it took, 0 to 1.
        share: f64,
        /// Whether the noise was measured all the same.
        measured: bool,
    },
    /// The largest of all samples, which is no measure of brightness.
    TrailsNotMeasured,
    /// Drift or number of lights too small to tell a fixed pattern from the sky.
    PatternNotVisible {
        /// Drift in all, px; `None` when not known.
        drift_px: Option<f64>,
        /// Largest share of the variance that the pattern may have, 0 to 1.
        upper_bound: f64,
        /// What the bound rests on.
        basis: PatternBasis,
    },
    /// Drift enough to see a pattern, but not to average it.
    SmallDrift {
        /// Drift in all, px.
        drift_px: f64,
    },
    /// Much of the picture saturates, off the stars.
    Saturated {
        /// The channel.
        channel: Channel,
        /// Share of the picture where a light saturates, 0 to 1.
        share: f64,
    },
    /// A pattern of the sensor was told from the lights and taken off them.
    SensorPatternTakenOff {
        /// Noise of the stack without it over that with it.
        noise_ratio: f64,
        /// One standard error of that.
        error: f64,
    },
    /// One was looked for, and nothing was taken off.
    SensorPatternLeft {
        /// Why.
        reason: String,
    },
    /// No dark frames and no master dark.
    NoDarks,
    /// No flats and no master flat.
    NoFlats,
    /// Inputs that were not used.
    FramesLeftOut {
        /// How many.
        left_out: u32,
        /// Of how many.
        of: u32,
    },
    /// Lights with clearly dimmer stars than the rest.
    CloudyFrames {
        /// How many.
        cloudy: u32,
        /// Of how many.
        of: u32,
        /// Transparency of the worst relative to the reference, 0 to 1.
        worst_transparency: f64,
    },
    /// Stars that grow wider or narrower from the first light to the last.
    FocusDrift {
        /// Width at the first light, px.
        from_px: f64,
        /// Width at the last light, px.
        to_px: f64,
    },
    /// Lights whose time does not fit the turn of the sky.
    ClockOff {
        /// The first of them.
        file: String,
        /// How many.
        frames: u32,
    },
    /// The camera was moved between lights.
    CameraMoved {
        /// The first light after it.
        file: String,
        /// How many times.
        times: u32,
    },
    /// Lights that the lens of the others does not place, and that keep a map of their own.
    PlaneMaps {
        /// The first of them.
        file: String,
        /// How many.
        frames: u32,
        /// Lights in the stack.
        of: u32,
    },
    /// A light that was kept although it is beyond a limit.
    KeptAnyway {
        /// The light.
        file: String,
        /// What is wrong with it.
        fault: String,
    },
    /// A ground that smears while the camera follows the sky.
    GroundSmears {
        /// How far it moves during a light, px.
        smear_px: f64,
        /// How far it moves over the burst, px.
        drift_px: f64,
        /// Share of the samples that is kept out of the sky, 0 to 1.
        masked: f64,
    },
    /// Lights that should show the ground, and do not.
    GroundGuessed {
        /// The first of them.
        file: String,
        /// How many.
        frames: u32,
    },
    /// A given ground that could not be followed from light to light.
    GroundNotFollowed,
    /// Skies of a blend whose brightness differs from what the exposures say.
    SkiesDiffer {
        /// Factor by the sky near the ridge.
        measured: f64,
        /// Factor by exposures.
        by_exposure: f64,
    },
    /// Skies of a blend that a factor does not make alike.
    RidgeStep {
        /// The channel where it is largest.
        channel: Channel,
        /// Step at the ridge, of the sky's level.
        step: f64,
    },
    /// A blend whose brightness could be neither measured nor told by exposures.
    BrightnessUnknown,
    /// The ground of a blend is noisier than its sky.
    NoisyGround {
        /// Noise of the ground over noise of the sky.
        ratio: f64,
        /// What the ground was multiplied by.
        factor: f64,
    },
    /// Ground that the ground's file does not show.
    GroundMissing {
        /// Share of the picture.
        share: f64,
        /// First column and one past the last of what it covers without a gap.
        columns: (usize, usize),
        /// The same of the rows.
        rows: (usize, usize),
    },
    /// Sky that the sky's file does not show.
    SkyMissing {
        /// Share of the picture.
        share: f64,
    },
    /// Barely enough stars to align a light.
    FewStars {
        /// The light.
        file: String,
        /// Stars matched.
        found: u32,
        /// Stars for a safe fit.
        needed: u32,
    },
    /// Photosites do not cover a picture at the scale asked for.
    SparsePhotosites {
        /// The channel that is covered worst.
        channel: Channel,
        /// Pixels of the picture to one of the lights, each way.
        scale: f64,
        /// Share of the pixels without a photosite.
        empty: f64,
        /// Share of them with less than a quarter of the mean weight.
        thin: f64,
        /// Lights there were.
        frames: u32,
        /// Lights that cover it on average, when the framing moves by chance.
        needed: u32,
    },
    /// Masters that do not fit the lights.
    MastersMismatch {
        /// Which masters.
        kind: MasterKind,
        /// What differs, such as `exposure`.
        what: String,
        /// Its value for the lights, with unit.
        lights: String,
        /// Its value for the masters, with unit.
        masters: String,
    },
}

/// Frames that are combined into masters.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum MasterKind {
    /// Same exposure without light.
    Dark,
    /// An evenly lit field.
    Flat,
    /// Shortest exposure without light.
    Bias,
}

/// A warning as the report states it.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct WarningEntry {
    /// Name for programs; stays the same from version to version.
    pub code: String,
    /// What is the case.
    pub text: String,
    /// What to do about it.
    pub advice: String,
}

impl Warning {
    /// Name for programs; stays the same from version to version.
    pub fn code(&self) -> &'static str {
        match self {
            Self::TooFewFramesToClip { .. } => "too_few_frames_to_clip",
            Self::HeavyClip { .. } => "heavy_clip",
            Self::TrailsNotMeasured => "trails_not_measured",
            Self::PatternNotVisible { .. } => "pattern_not_visible",
            Self::SmallDrift { .. } => "small_drift",
            Self::Saturated { .. } => "saturated",
            Self::SensorPatternTakenOff { .. } => "sensor_pattern_taken_off",
            Self::SensorPatternLeft { .. } => "sensor_pattern_left",
            Self::NoDarks => "no_darks",
            Self::NoFlats => "no_flats",
            Self::FramesLeftOut { .. } => "frames_left_out",
            Self::CloudyFrames { .. } => "cloudy_frames",
            Self::FocusDrift { .. } => "focus_drift",
            Self::ClockOff { .. } => "clock_off",
            Self::CameraMoved { .. } => "camera_moved",
            Self::PlaneMaps { .. } => "plane_maps",
            Self::KeptAnyway { .. } => "kept_anyway",
            Self::GroundSmears { .. } => "ground_smears",
            Self::GroundGuessed { .. } => "ground_guessed",
            Self::GroundNotFollowed => "ground_not_followed",
            Self::SkiesDiffer { .. } => "skies_differ",
            Self::RidgeStep { .. } => "ridge_step",
            Self::BrightnessUnknown => "brightness_unknown",
            Self::NoisyGround { .. } => "noisy_ground",
            Self::GroundMissing { .. } => "ground_missing",
            Self::SkyMissing { .. } => "sky_missing",
            Self::FewStars { .. } => "few_stars",
            Self::SparsePhotosites { .. } => "sparse_photosites",
            Self::MastersMismatch { .. } => "masters_mismatch",
        }
    }

    /// What is the case.
    pub fn text(&self) -> String {
        match self {
            Self::TooFewFramesToClip {
                frames,
                clip_sigmas,
                largest_sigmas,
                not_predicted,
                ..
            } => {
                let unknown = match not_predicted {
                    Some(reason) => {
                        format!(", and the camera's noise is no guide: {reason}")
                    }
                    None => String::new(),
                };
                format!(
                    "among {frames} frames no sample can deviate by more than \
                     {largest_sigmas:.2} sigma, so clipping at {clip_sigmas} rejects nothing by \
                     their scatter alone{unknown}"
                )
            }
            Self::HeavyClip { share, measured } => format!(
                "the clip took {:.0} % of the good samples: {}",
                100.0 * share,
                match measured {
                    true => "the gain may be off by nearly as much, and more could be had",
                    false => "what noise is left after so much cannot be told",
                }
            ),
            Self::TrailsNotMeasured => "the picture is the largest of all samples, which is no \
                 measure of brightness: the figures are those of an aligned mean of the same \
                 lights"
                .to_owned(),
            Self::PatternNotVisible {
                drift_px,
                upper_bound,
                basis,
            } => {
                let drift = match drift_px {
                    Some(drift_px) => format!("the stars drift {drift_px:.1} px in all, which"),
                    None => "the drift of the stars is not known, which".to_owned(),
                };
                format!(
                    "{drift} does not tell the sensor's fixed pattern from the sky; \
                     it may be {} of the stack's variance ({})",
                    at_most(*upper_bound),
                    basis.words()
                )
            }
            Self::SmallDrift { drift_px } => format!(
                "the stars drift only {drift_px:.1} px in all, so the sensor's fixed pattern \
                 hardly averages out and may show as streaks"
            ),
            Self::Saturated { channel, share } => format!(
                "{:.0} % of channel {channel:?} reaches full scale off the stars: its light is cut off \
                 there, and its noise was not measured",
                100.0 * share
            ),
            Self::SensorPatternTakenOff { noise_ratio, error } => format!(
                "a pattern of the sensor was told from the lights themselves and taken off them, \
                 which made the noise of the stack {noise_ratio:.3} ± {error:.3} times what it was; \
                 what is common to sky and sensor along the stars' track is still in it"
            ),
            Self::SensorPatternLeft { reason } => {
                format!("no pattern of the sensor was taken off the lights: {reason}")
            }
            Self::NoDarks => "there are no dark frames: hot pixels and dark signal are only \
                 removed as far as clipping catches them"
                .to_owned(),
            Self::NoFlats => "there are no flats: vignetting, dust and unequal pixel response \
                 stay in the picture"
                .to_owned(),
            Self::FramesLeftOut { left_out, of } => {
                format!("{left_out} of {of} files were left out")
            }
            Self::CloudyFrames {
                cloudy,
                of,
                worst_transparency,
            } => format!(
                "{cloudy} of {of} lights were taken through haze or cloud; the worst shows {:.0} % \
                 of the reference's starlight",
                100.0 * worst_transparency
            ),
            Self::FocusDrift { from_px, to_px } => {
                format!("the stars go from {from_px:.1} to {to_px:.1} px wide over the burst")
            }
            Self::ClockOff { file, frames } => format!(
                "the time of {frames} frames does not fit the turn of the sky, {file} the first"
            ),
            Self::CameraMoved { file, times } => {
                format!("the camera was moved {times} times during the burst, first before {file}")
            }
            Self::PlaneMaps { file, frames, of } => format!(
                "the lens does not place {frames} of {of} lights, {file} the first; each is laid \
                 by a plane-to-plane map of its own stars"
            ),
            Self::KeptAnyway { file, fault } => format!("{file} was kept: {fault}"),
            Self::GroundSmears {
                smear_px,
                drift_px,
                masked,
            } => format!(
                "the ground moves {drift_px:.0} px over the burst and {smear_px:.1} px during each \
                 light; it is kept out of the sky ({:.1} % of all samples) and is itself smeared",
                100.0 * masked
            ),
            Self::GroundGuessed { file, frames } => format!(
                "the ground was not found in {frames} frames, {file} the first: it is kept out of \
                 the sky where it should be by the stars"
            ),
            Self::GroundNotFollowed => "the ground of the given mask could not be followed from \
                 light to light: it is taken to stand still"
                .to_owned(),
            Self::SkiesDiffer {
                measured,
                by_exposure,
            } => format!(
                "the sky near the ridge asks for {measured:.3} times the ground's values, exposure \
                 and sensitivity for {by_exposure:.3}: the sky was of another brightness when the \
                 ground was taken"
            ),
            Self::RidgeStep { channel, step } => format!(
                "both skies differ in color: along the ridge a step of {:.0} % is left in channel \
                 {channel:?}",
                100.0 * step
            ),
            Self::BrightnessUnknown => {
                "neither the sky near the ridge nor stated exposures tell how \
                 bright the ground is against the sky: its values were left as they are"
                    .to_owned()
            }
            Self::NoisyGround { ratio, factor } => format!(
                "the ground has {ratio:.1} times the noise of the sky; its values, noise included, \
                 were multiplied by {factor:.3}"
            ),
            Self::GroundMissing {
                share,
                columns: (x0, x1),
                rows: (y0, y1),
            } => format!(
                "{:.1} % of the picture is ground that the ground's file does not show there: the \
                 sky's file shows through; columns {x0} to {x1} of rows {y0} to {y1} are free of it",
                100.0 * share
            ),
            Self::SkyMissing { share } => format!(
                "{:.1} % of the picture is sky that no light of the sky's file saw free of ground: it \
                 is from the ground's file, with its stars",
                100.0 * share
            ),
            Self::FewStars {
                file,
                found,
                needed,
            } => format!("{file}: aligned by {found} stars, where {needed} would make it safe"),
            Self::SparsePhotosites {
                channel,
                scale,
                empty,
                thin,
                frames,
                needed,
            } => format!(
                "at scale {scale} no photosite of channel {channel:?} fell on {:.1} % of the pixels, \
                 where the first pass stands in, and less than a quarter of the mean on {:.1} %; \
                 there are {frames} frames, and it takes {needed} on average when the framing moves \
                 by chance",
                100.0 * empty,
                100.0 * thin
            ),
            Self::MastersMismatch {
                kind,
                what,
                lights,
                masters,
            } => {
                let kind = kind.plural();
                format!("the {kind} do not fit the lights: {what} {masters}, needed {lights}")
            }
        }
    }
}

/// `up to 62 %`; shares too small for whole per cent are not rounded to none.
fn at_most(share: f64) -> String {
    let percent = 100.0 * share;
    if percent < 1.0 {
        "< 1 %".to_owned()
    } else {
        format!("up to {percent:.0} %")
    }
}

impl MasterKind {
    fn plural(self) -> &'static str {
        match self {
            Self::Dark => "darks",
            Self::Flat => "flats",
            Self::Bias => "bias frames",
        }
    }
}

impl From<&Warning> for WarningEntry {
    fn from(warning: &Warning) -> Self {
        Self {
            code: warning.code().to_owned(),
            text: warning.text(),
            advice: warning.advice(),
        }
    }
}

mod advice;
#[cfg(test)]
mod tests;
