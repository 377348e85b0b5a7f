//! A pattern of the sensor, estimated from the lights and taken off them where that lowers
//! the noise that is measured.

use crate::JobError;
use crate::light::SolvedLight;
use crate::parts::Parts;
use noise::{GainReport, Part, SubtractedPattern};
use report::Warning;
use stack::{LightMask, PATTERN_SMOOTH_PX, PatternStrength, SensorPattern, StoredStack};
use std::sync::Arc;

/// Part of a pattern's variance that the drift must tell from the sky: less is not worth
/// looking for. A judgment, no source.
const LEAST_TELLABLE: f64 = 0.2;
/// Standard errors by which the noise must fall.
const SIGNIFICANT: f64 = 2.0;

/// Whether a pattern of the sensor is looked for in the lights.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum PatternChoice {
    /// It is left in.
    #[default]
    None,
    /// It is taken off where that lowers the noise.
    Auto,
}

/// What came of looking for it.
#[derive(Clone, Debug)]
pub struct PatternOutcome {
    /// Largest distance between two lights over the sensor, px.
    pub drift_px: Option<f64>,
    /// Part of a white pattern's variance in the stack that the drift tells from the sky.
    pub tellable: f64,
    /// What was found; `None` where nothing was looked for.
    pub found: Option<FoundPattern>,
    /// Why it was not taken off; `None` where it was.
    pub declined: Option<String>,
}

/// A pattern that was found.
#[derive(Clone, Debug)]
pub struct FoundPattern {
    /// By channel.
    pub channels: Vec<PatternStrength>,
    /// Part of it that is believed, at the scale of blocks.
    pub believed: f64,
    /// Share of the sites that the lights tell anything of.
    pub known: f64,
    /// The noise of the stack with it and without it; `None` where that was not tried.
    pub noise: Option<NoiseChange>,
}

/// The stack's area noise before and after, over regions of sky and channels.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct NoiseChange {
    /// Geometric means, DN.
    pub before_dn: f64,
    /// Likewise.
    pub after_dn: f64,
    /// Their ratio.
    pub ratio: f64,
    /// One standard error of it, from region to region.
    pub error: f64,
}

impl PatternOutcome {
    /// What the lights' track alone tells, and why nothing is to be looked for.
    ///
    /// - `measured`: the lights with the pattern in them.
    pub(crate) fn by_track(
        measured: &GainReport,
        positions_px: &[Vec<(f64, f64)>],
        block_px: usize,
    ) -> Self {
        let pattern = &measured.summary.pattern;
        let untold = SubtractedPattern::untold(positions_px, block_px, PATTERN_SMOOTH_PX);
        let tellable = (1.0 - untold).clamp(0.0, 1.0);
        let drift = pattern
            .drift_px
            .map_or("by an unknown amount".to_owned(), |px| {
                format!("by {px:.1} px in all")
            });
        let lights = positions_px.len();
        let declined = if lights < SensorPattern::FEWEST_LIGHTS {
            let needed = SensorPattern::FEWEST_LIGHTS;
            Some(format!(
                "there are {lights} lights, and it takes {needed} or more"
            ))
        } else if tellable < LEAST_TELLABLE {
            Some(format!(
                "the lights drift {drift}, which tells {:.0} % of a pattern from the sky, and {:.0} % are needed",
                100.0 * tellable,
                100.0 * LEAST_TELLABLE
            ))
        } else if !pattern.visible {
            Some(format!(
                "the lights drift {drift}, and the noise that a pattern makes cannot be measured by that, \
                 so nobody could say that it fell"
            ))
        } else {
            None
        };
        Self {
            drift_px: pattern.drift_px,
            tellable,
            found: None,
            declined,
        }
    }

    /// Adds what was found; whether it is worth a stack without it.
    pub(crate) fn found(&mut self, pattern: &SensorPattern) -> bool {
        self.found = Some(FoundPattern {
            channels: pattern.channels.clone(),
            believed: pattern.believed,
            known: pattern.known,
            noise: None,
        });
        let shows = pattern.offset_dn.iter().any(|&offset| offset != 0.0);
        if !shows {
            self.declined = Some("the lights show none beyond the noise of finding it".to_owned());
        }
        shows
    }

    /// Adds the noise without it; whether that fell by more than chance.
    pub(crate) fn judge(&mut self, before: &GainReport, after: &GainReport) -> bool {
        let change = NoiseChange::of(before, after);
        if let Some(found) = &mut self.found {
            found.noise = change;
        }
        self.declined = match change {
            None => Some("no region of the sky could be compared".to_owned()),
            Some(change) if change.ratio + SIGNIFICANT * change.error < 1.0 => None,
            Some(change) => Some(format!(
                "without it the noise of the stack is {:.1} ± {:.1} % {}, and has to be lower by two standard errors",
                100.0 * (change.ratio - 1.0).abs(),
                100.0 * change.error,
                if change.ratio < 1.0 {
                    "lower"
                } else {
                    "higher"
                }
            )),
        };
        self.declined.is_none()
    }
}

impl NoiseChange {
    fn of(before: &GainReport, after: &GainReport) -> Option<Self> {
        let mut logs = Vec::new();
        let of_sky = before
            .regions
            .iter()
            .filter(|region| region.region.part == Part::Sky);
        for region in of_sky {
            let twin = after
                .regions
                .iter()
                .find(|other| other.region == region.region);
            let Some(twin) = twin else { continue };
            for cell in &region.channels {
                let own = twin
                    .channels
                    .iter()
                    .find(|other| other.channel == cell.channel);
                if let Some(own) = own {
                    logs.push((cell.stack.area.ln(), own.stack.area.ln()));
                }
            }
        }
        let n = logs.len() as f64;
        if logs.len() < 2 {
            return None;
        }
        let mean = |of: &dyn Fn(&(f64, f64)) -> f64| logs.iter().map(of).sum::<f64>() / n;
        let (before, after) = (mean(&|log| log.0), mean(&|log| log.1));
        let ratio = (after - before).exp();
        let squares = mean(&|log| (log.1 - log.0 - (after - before)).powi(2));
        Some(Self {
            before_dn: before.exp(),
            after_dn: after.exp(),
            ratio,
            error: ratio * (squares / (n - 1.0)).sqrt(),
        })
    }
}

impl Parts<'_> {
    /// The pattern that the lights show beyond their stack.
    pub(crate) fn sensor_pattern(
        &self,
        solved: &[SolvedLight],
        masks: &[Arc<LightMask>],
        stack: &StoredStack,
    ) -> Result<SensorPattern, JobError> {
        self.progress
            .stage("looking for a pattern of the sensor", 0);
        let noise_dn: Vec<Vec<f32>> = solved
            .iter()
            .map(|light| light.seen.noise_dn.clone())
            .collect();
        let (lights, calibrator) = (self.lights, self.calibrator);
        let found = self.tiles_at_a_time(|| {
            SensorPattern::of_lights(lights, masks, calibrator, stack, &noise_dn)
        })?;
        Ok(found?)
    }
}

/// The lights with a pattern to be taken off them.
pub(crate) fn without(lights: &[stack::Light], pattern: SensorPattern) -> Vec<stack::Light> {
    let pattern = Arc::new(pattern.offset_dn);
    let without = |light: &stack::Light| stack::Light {
        mosaic: light
            .mosaic
            .clone()
            .with_sensor_pattern(Arc::clone(&pattern)),
        ..light.clone()
    };
    lights.iter().map(without).collect()
}

/// What the reader should know of it.
pub(crate) fn warning(outcome: &PatternOutcome) -> Warning {
    let noise = outcome.found.as_ref().and_then(|found| found.noise);
    match (&outcome.declined, noise) {
        (None, Some(noise)) => Warning::SensorPatternTakenOff {
            noise_ratio: noise.ratio,
            error: noise.error,
        },
        (reason, _) => Warning::SensorPatternLeft {
            reason: reason.clone().unwrap_or_default(),
        },
    }
}

/// In the words of the report.
pub(crate) fn entry(outcome: &PatternOutcome, names: &[report::Channel]) -> report::SensorPattern {
    let found = outcome.found.as_ref();
    let noise = found.and_then(|found| found.noise);
    let channel = |(&name, strength): (&report::Channel, &PatternStrength)| {
        let PatternStrength { rms_dn, error_dn } = *strength;
        (name, report::PatternChannel { rms_dn, error_dn })
    };
    let channels = found.map_or(&[][..], |found| &found.channels);
    report::SensorPattern {
        subtracted: outcome.declined.is_none(),
        reason: outcome.declined.clone(),
        drift_px: outcome.drift_px,
        tellable: Some(outcome.tellable),
        believed: found.map(|found| found.believed),
        known: found.map(|found| found.known),
        stack_before_dn: noise.map(|noise| noise.before_dn),
        stack_after_dn: noise.map(|noise| noise.after_dn),
        noise_ratio: noise.map(|noise| noise.ratio),
        noise_ratio_error: noise.map(|noise| noise.error),
        channels: names.iter().zip(channels).map(channel).collect(),
    }
}
