//! Lights stacked and measured, with what stays on the sensor and without it.

use crate::JobError;
use crate::characterize::{field_scale, sensor, star_shapes, stars_of_stack};
use crate::ground::{Apart, shown_ground};
use crate::half_keeper::Halves;
use crate::light::SolvedLight;
use crate::parts::{Ground, Parts, Stacked};
use crate::progress::Stopwatch;
use crate::second_pass::apart;
use crate::sensor_pattern::{PatternOutcome, without};
use crate::session::Session;
use crate::stack_job::StackJob;
use noise::{
    Calibrated, ChannelSensor, GainReport, PatternPrior, ReportContext, SensorTrack,
    StarShapeObserver, StarShapes, SubtractedPattern,
};
use stack::{PATTERN_SMOOTH_PX, StoredStack};

/// What the lights of a job are, however they are stacked.
pub(crate) struct Scene<'a> {
    pub job: &'a StackJob,
    pub session: &'a Session,
    pub lights: &'a [SolvedLight],
    pub reference: usize,
    pub geometry: &'a report::Geometry,
    pub stars: &'a StarShapeObserver,
    pub saturation_dn: f32,
    /// Whether all of the picture is a ground, stacked where it lies.
    pub all_ground: bool,
    pub positions_px: Vec<Vec<(f64, f64)>>,
    pub track: Option<SensorTrack>,
}

/// A stack, and what was measured on it.
pub(crate) struct Measured {
    pub stack: StoredStack,
    pub stars: StarShapes,
    pub halves: Option<Halves>,
    pub sensor: Vec<ChannelSensor>,
    pub noise: GainReport,
    pub ground: Option<Ground>,
}

impl Scene<'_> {
    /// Stacks the lights and measures the result.
    ///
    /// - `subtracted`: the pattern that was taken off them, as far as their noise goes.
    pub fn measure(
        &self,
        parts: &Parts,
        ground: Option<Apart>,
        subtracted: Option<SubtractedPattern>,
        stopwatch: &mut Stopwatch,
    ) -> Result<Measured, JobError> {
        let layout = parts.calibrator.layout();
        let Stacked {
            stack,
            star_tiles,
            halves,
            seen,
        } = match self.all_ground {
            // Stars that pass are no noise of the ground, where it can be told from the sky.
            true => {
                let shown = shown_ground(&self.lights[self.reference], parts.calibrator)?;
                parts.ground_alone(self.stars, shown)?
            }
            false => parts.stack(ground, self.stars, self.track.clone())?,
        };
        stopwatch.lap("stack");
        let scale = field_scale(self.geometry, self.lights);
        let stars = star_shapes(self.stars, &star_tiles, self.lights, layout, scale.as_ref());
        let faint = stars_of_stack(&stack, layout, self.saturation_dn)?;
        let sensor = sensor(self.session, self.lights, &faint, layout)?;
        let patterns = pattern_priors(self.session, self.lights, &sensor);
        let report = seen.report(&ReportContext {
            positions_px: Some(self.positions_px.clone()),
            transparency: self.lights.iter().map(|light| light.transparency).collect(),
            track: self.track.clone(),
            subtracted,
            ..self.job.report_context(layout, &patterns)
        });
        let (noise, ground) = report.map_err(|error| self.job.because_of_mask(error))?;
        stopwatch.lap("measure");
        Ok(Measured {
            stack,
            stars,
            halves,
            sensor,
            noise,
            ground,
        })
    }

    /// Looks for a pattern of the sensor in lights that were stacked and measured, and keeps
    /// the stack without it where its noise is lower; with it the lights it was made of.
    #[allow(clippy::type_complexity, reason = "named where it is taken apart")]
    pub fn without_pattern(
        &self,
        parts: &Parts,
        before: Measured,
        stopwatch: &mut Stopwatch,
    ) -> Result<(Measured, Option<Vec<stack::Light>>, PatternOutcome), JobError> {
        let block_px = parts.noise.block_px;
        let mut outcome = PatternOutcome::by_track(&before.noise, &self.positions_px, block_px);
        if outcome.declined.is_some() {
            return Ok((before, None, outcome));
        }
        let ground = before.ground.as_ref().map(apart);
        let masks = ground.as_ref().map_or_else(Vec::new, |apart| {
            apart.masks_of_sky(parts.lights.len(), parts.plan.frames_at_a_time)
        });
        let pattern = parts.sensor_pattern(self.lights, &masks, &before.stack)?;
        drop(masks);
        stopwatch.lap("sensor pattern");
        if !outcome.found(&pattern) {
            return Ok((before, None, outcome));
        }
        let subtracted = SubtractedPattern::new(
            &before.noise,
            &self.positions_px,
            block_px,
            pattern.believed,
            PATTERN_SMOOTH_PX,
        );
        // One stack at a time: there is room for no other.
        let noise = before.noise.clone();
        drop(before);
        let lights = without(parts.lights, pattern);
        let again = Parts {
            lights: &lights,
            ..*parts
        };
        let after = self.measure(&again, ground.clone(), Some(subtracted), stopwatch)?;
        if outcome.judge(&noise, &after.noise) {
            return Ok((after, Some(lights), outcome));
        }
        drop((after, lights));
        let before = self.measure(parts, ground, None, stopwatch)?;
        Ok((before, None, outcome))
    }
}

/// What calibration leaves of each channel's fixed pattern, on the stack's scale.
fn pattern_priors(
    session: &Session,
    lights: &[SolvedLight],
    sensor: &[ChannelSensor],
) -> Vec<PatternPrior> {
    let scales = lights.iter().map(|light| f64::from(light.light.scale));
    let scale = scales.sum::<f64>() / lights.len() as f64;
    let calibrated = Calibrated {
        exposure_s: lights[0].frame.frame.info.exposure_s,
        flats: session.flats.len(),
        darks: session.darks.len(),
        bias: session.bias.len(),
    };
    let of = |sensor: &ChannelSensor| {
        let prior = PatternPrior::of(sensor, &calibrated);
        PatternPrior {
            offset_dn: scale * prior.offset_dn,
            ..prior
        }
    };
    sensor.iter().map(of).collect()
}
