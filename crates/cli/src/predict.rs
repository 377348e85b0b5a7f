//! Whether a clip goes by the scatter of the samples or by the camera's noise.

use crate::JobError;
use noise::ChannelSensor;
use stack::{
    CameraNoise, ChannelNoise, ClipOptions, PREDICTED_CLIP_NEEDS, PredictedClip,
    samples_needed_to_clip,
};

/// When a sigma clip goes by what the camera's gain and read noise predict.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Predict {
    /// Never: always by the scatter of the samples.
    Never,
    /// When the lights are so few that by their scatter none can be rejected, and the
    /// camera's noise is known.
    #[default]
    WhenFew,
    /// Always; a job whose frames do not tell the noise fails.
    Always,
}

/// What is known of the camera beyond the frames.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct GivenNoise {
    /// Gain, e⁻ per DN.
    pub gain_e_per_dn: f64,
    /// Noise of a read, e⁻.
    pub read_noise_e: f64,
}

/// How a clip is made, and why not otherwise.
#[derive(Clone, Debug, PartialEq)]
pub(crate) enum ClipChoice {
    /// By the scatter of the samples.
    Scatter {
        /// Why not by prediction, where the lights are few enough for it.
        not_predicted: Option<String>,
    },
    /// By the camera's noise.
    Predicted(PredictedClip),
}

impl Predict {
    /// Most lights of which a clip goes by predicted noise; 0 where it never does.
    pub(crate) fn most_lights(self, clip: &ClipOptions) -> usize {
        match self {
            Self::Never => 0,
            Self::WhenFew => {
                samples_needed_to_clip(f64::from(clip.high_sigmas), clip.center).saturating_sub(1)
            }
            Self::Always => usize::MAX,
        }
    }

    /// Decides for `n_lights` lights; `sensor` measures the camera and is asked only when
    /// that matters.
    ///
    /// # Errors
    ///
    /// When prediction is asked for and not possible, and those of `sensor`.
    pub(crate) fn choose(
        self,
        clip: &ClipOptions,
        n_lights: usize,
        given: Option<GivenNoise>,
        sensor: impl FnOnce() -> Result<Vec<ChannelSensor>, JobError>,
    ) -> Result<ClipChoice, JobError> {
        if self == Self::Never || n_lights > self.most_lights(clip) {
            return Ok(ClipChoice::Scatter {
                not_predicted: None,
            });
        }
        let camera = match given {
            _ if n_lights < PREDICTED_CLIP_NEEDS => {
                Err("of two lights none can tell which is wrong".to_owned())
            }
            Some(given) => Ok(given.camera()),
            None => camera_of(&sensor()?),
        };
        match (camera, self) {
            (Ok(camera), _) => Ok(ClipChoice::Predicted(PredictedClip {
                low_sigmas: clip.low_sigmas,
                high_sigmas: clip.high_sigmas,
                max_passes: clip.max_passes,
                camera,
            })),
            (Err(reason), Self::Always) => Err(JobError::NotPredicted { reason }),
            (Err(reason), _) => Ok(ClipChoice::Scatter {
                not_predicted: Some(reason),
            }),
        }
    }
}

/// Variance of rounding to whole numbers, in squares of their step.
const ROUNDING: f64 = 1.0 / 12.0;

impl GivenNoise {
    fn camera(self) -> CameraNoise {
        let read_dn = self.read_noise_e / self.gain_e_per_dn;
        CameraNoise(
            [ChannelNoise {
                gain_e_per_dn: self.gain_e_per_dn as f32,
                floor_dn2: (read_dn * read_dn + ROUNDING) as f32,
            }; 3],
        )
    }
}

/// Share by which the variance of a channel's lights may differ from what another channel's
/// gain predicts for it.
const ALIKE: f64 = 0.25;

/// What photon transfer found, as noise by level; or why it does not tell.
///
/// Channels share amplifier and converter: one whose lights do not tell its gain is taken
/// to have that of the best known one, provided that this predicts the noise its lights
/// show.
fn camera_of(sensor: &[ChannelSensor]) -> Result<CameraNoise, String> {
    let error = |sensor: &&ChannelSensor| sensor.gain_e_per_dn.map_or(f64::NAN, |g| g.error);
    let known = sensor
        .iter()
        .filter(|sensor| channel_noise(sensor).is_some());
    let best = known.min_by(|a, b| error(a).total_cmp(&error(b)));
    let Some(best) = best.and_then(channel_noise) else {
        let note = sensor.iter().flat_map(|sensor| &sensor.notes).next();
        return Err(note.map_or_else(
            || "there are no frames to tell it".to_owned(),
            |n| n.to_string(),
        ));
    };
    let all: Result<Vec<ChannelNoise>, String> = sensor
        .iter()
        .map(|sensor| match (channel_noise(sensor), &sensor.light) {
            (Some(own), _) => Ok(own),
            (None, Some(light)) => {
                let shown_dn2 = light.total_dn.value.powi(2);
                let predicted_dn2 = f64::from(best.floor_dn2)
                    + light.level_dn.max(0.0) / f64::from(best.gain_e_per_dn);
                match (shown_dn2 / predicted_dn2 - 1.0).abs() < ALIKE {
                    true => Ok(best),
                    false => Err(format!(
                        "one channel scatters by {:.1} DN where the gain of another predicts {:.1} DN",
                        shown_dn2.sqrt(),
                        predicted_dn2.sqrt()
                    )),
                }
            }
            (None, None) => Err("the lights do not tell the noise of every channel".to_owned()),
        })
        .collect();
    let all = all?;
    // A monochrome picture has one channel, and none is asked for beyond its last.
    let channel = |i: usize| *all.get(i).unwrap_or(&best);
    Ok(CameraNoise([channel(0), channel(1), channel(2)]))
}

/// A channel's noise, where its own frames tell it.
fn channel_noise(sensor: &ChannelSensor) -> Option<ChannelNoise> {
    let gain = sensor.gain_e_per_dn?.value;
    let read_dn = sensor.read_noise_dn?.value;
    let step_dn = sensor.step_dn.unwrap_or(1.0);
    // Of darks and lights the dark current's shot noise is in the read noise already.
    let dark_e = match sensor.read_source {
        Some(noise::TransferSource::Bias) => sensor.dark_e.map_or(0.0, |dark| dark.value.max(0.0)),
        _ => 0.0,
    };
    let floor_dn2 = read_dn * read_dn + ROUNDING * step_dn * step_dn + dark_e / (gain * gain);
    Some(ChannelNoise {
        gain_e_per_dn: gain as f32,
        floor_dn2: floor_dn2 as f32,
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    const GIVEN: GivenNoise = GivenNoise {
        gain_e_per_dn: 2.0,
        read_noise_e: 6.0,
    };

    fn choose(predict: Predict, n_lights: usize, given: Option<GivenNoise>) -> ClipChoice {
        let nothing = || Ok(Vec::new());
        let choice = predict.choose(&ClipOptions::default(), n_lights, given, nothing);
        choice.expect("a choice")
    }

    #[test]
    fn few_lights_are_clipped_by_prediction_where_the_camera_is_known() {
        let scatter = |reason: Option<&str>| ClipChoice::Scatter {
            not_predicted: reason.map(str::to_owned),
        };
        assert_eq!(choose(Predict::WhenFew, 8, Some(GIVEN)), scatter(None));
        assert_eq!(choose(Predict::Never, 5, Some(GIVEN)), scatter(None));
        let unknown = scatter(Some("there are no frames to tell it"));
        assert_eq!(choose(Predict::WhenFew, 5, None), unknown);
        let two = scatter(Some("of two lights none can tell which is wrong"));
        assert_eq!(choose(Predict::WhenFew, 2, Some(GIVEN)), two);
        for (predict, n_lights) in [(Predict::WhenFew, 5), (Predict::Always, 50)] {
            let ClipChoice::Predicted(clip) = choose(predict, n_lights, Some(GIVEN)) else {
                unreachable!("{predict:?} with {n_lights} lights");
            };
            // 6 e⁻ are 3 DN.
            assert_eq!(clip.camera.0[2].floor_dn2, 9.0 + 1.0 / 12.0);
        }
    }

    #[test]
    fn a_prediction_asked_for_in_vain_is_an_error() {
        let nothing = || Ok(Vec::new());
        let refused = Predict::Always.choose(&ClipOptions::default(), 50, None, nothing);
        assert!(matches!(refused, Err(JobError::NotPredicted { .. })));
    }
}
