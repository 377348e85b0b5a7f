//! A result made elsewhere, measured by the frames it was made of.

use crate::reporting::{channel_name, report};
use crate::sensor_report::figure;
use crate::{Inputs, JobError, OpenedResult, Predict, Progress, ResultKind, StackJob};
use noise::{CompareOptions, Contender, Foreign, ForeignChannel, Linearity, OwnStack};
use raw::Encoding;
use report::{MeasuredChannel, MeasuredReport, MeasuredResult};
use stack::{ClipOptions, Combine, StackError, StackPart};
use std::path::PathBuf;

/// What to measure, by what.
#[derive(Clone, Debug)]
pub struct MeasureJob {
    /// The result.
    pub result: PathBuf,
    /// The job that stacks its frames; its sigma clip is wide, so that the stack is as
    /// good as a mean can be.
    pub frames: StackJob,
}

/// What was found.
#[derive(Debug)]
pub struct MeasureOutcome {
    /// The result's report.
    pub report: MeasuredReport,
    /// The headline of the frames' own stack, for comparison.
    pub own_headline: String,
    /// What was measured.
    pub foreign: Foreign,
    /// Inputs left out.
    pub left_out: Vec<crate::LeftOut>,
}

/// Wide enough to cost nothing, narrow enough for satellites, sigmas.
const WIDE_SIGMAS: f32 = 4.0;
/// Widths of stars that differ by less are chance or another kernel.
const WIDER: f64 = 1.05;
/// Equations that differ by more standard errors contradict each other.
const COMMON_SIGMAS: f64 = 3.0;
/// Pixel noise this much lower than area noise is smoothing.
const SMOOTHED: f64 = 0.93;

impl MeasureJob {
    /// A job with everything but its inputs at its default.
    pub fn new(result: PathBuf, inputs: Inputs) -> Self {
        let mut frames = StackJob::new(inputs);
        frames.options.combine = Combine::SigmaClip(ClipOptions {
            low_sigmas: WIDE_SIGMAS,
            high_sigmas: WIDE_SIGMAS,
            ..ClipOptions::default()
        });
        frames.predict = Predict::Never;
        Self { result, frames }
    }

    /// Stacks the frames and holds the result against them; nothing is written but
    /// scratch data.
    ///
    /// # Errors
    ///
    /// See [`JobError`].
    pub fn run(&self, progress: &dyn Progress) -> Result<MeasureOutcome, JobError> {
        progress.stage("reading the result", 0);
        let mut opened = OpenedResult::open(&self.result)?;
        if opened.kind == ResultKind::Raw {
            return Err(JobError::RawResult(self.result.clone()));
        }
        let mut outcome = self.frames.run_with_halves(progress)?;
        progress.stage("measuring the result", 0);
        let channels = 0..outcome.stack.shape().0;
        let planes: Result<Vec<_>, StackError> = channels
            .map(|channel| outcome.stack.plane(StackPart::Mean, channel))
            .collect();
        let own = Contender {
            name: "the stack of the frames".to_owned(),
            planes: planes?,
            saturation_dn: Some(outcome.layout.full_scale_dn(0, 0)),
            scale_arcsec: None,
            shutter_s: None,
            clock_s: None,
            own_noise_dn: None,
            frames: Vec::new(),
        };
        let result = Contender {
            name: report::file_name(&opened.path),
            planes: std::mem::take(&mut opened.planes),
            saturation_dn: opened.saturation_dn,
            ..own.clone()
        };
        let halves = outcome.halves.take().expect("they were asked for");
        let [first, second] = &halves;
        let measured = OwnStack {
            stack: &own,
            halves: [first, second],
            n_lights: outcome.lights.len(),
            report: &outcome.noise,
        };
        let foreign = noise::measure_foreign(&result, &measured, &CompareOptions::default())?;
        let own_headline = report::headline(&report(&self.frames, &outcome));
        outcome.noise = foreign.report.clone();
        let words = report(&self.frames, &outcome);
        let size = (result.planes[0].ncols(), result.planes[0].nrows());
        Ok(MeasureOutcome {
            report: MeasuredReport {
                report: words,
                result: in_words(&opened, size, &foreign),
            },
            own_headline,
            foreign,
            left_out: outcome.left_out,
        })
    }
}

fn in_words(opened: &OpenedResult, size: (usize, usize), foreign: &Foreign) -> MeasuredResult {
    let channel = |c: &ForeignChannel| MeasuredChannel {
        scale: figure(c.scale),
        sky_slope: figure(c.sky_slope),
        noise_ratio: figure(c.noise_ratio),
        pixel_ratio: c.pixel_ratio,
        by_difference: figure(c.by_difference),
        by_variance: figure(c.by_variance),
        common_part: c.common_part,
    };
    let names = opened.channels.iter().map(|&c| channel_name(c));
    MeasuredResult {
        file: report::file_name(&opened.path),
        size: [size.0 as u32, size.1 as u32],
        px_per_frame_px: foreign.px_per_stack_px,
        matched: foreign.matched as u32,
        residual_px: foreign.residual_px,
        mirrored: foreign.mirrored,
        linear: foreign.linear.is_linear(),
        holds_more: foreign.holds_more,
        tone: figure(foreign.tone),
        fwhm_ratio: figure(foreign.fwhm_ratio),
        channels: names.zip(foreign.channels.iter().map(channel)).collect(),
        notes: notes(opened, foreign),
    }
}

fn notes(opened: &OpenedResult, foreign: &Foreign) -> Vec<String> {
    let mut notes = Vec::new();
    if matches!(opened.encoding, Encoding::Srgb | Encoding::Power(_)) {
        notes.push("the curve that the file states was undone".to_owned());
    }
    let (power, error) = (1.0 + foreign.tone.value, foreign.tone.error);
    let converted = "noise of the sky is converted by the slope at the sky's level, taken from \
                     the noise itself, which is blind to noise shared with the stack that the \
                     result lacks or adds";
    match foreign.linear {
        Linearity::Linear => {}
        Linearity::ToneCurve => notes.push(format!(
            "brightness follows a tone curve (star fluxes rise as the power {power:.3} ± \
             {error:.3} of those in the frames; the sky is {} times as steep as the stars): \
             fluxes and noise of stars cannot be compared; {converted}",
            steepness(foreign)
        )),
        Linearity::NotKnown => notes.push(format!(
            "whether it is linear is not known (star fluxes rise as the power {power:.3} ± \
             {error:.3} of those in the frames): {converted}"
        )),
    }
    let n = foreign.channels.len() as f64;
    let mean =
        |of: &dyn Fn(&ForeignChannel) -> f64| foreign.channels.iter().map(of).sum::<f64>() / n;
    let share = mean(&|c| c.pixel_ratio / c.noise_ratio.value);
    if share < SMOOTHED {
        notes.push(format!(
            "pixel by pixel the result has {:.0} % less noise than over areas, against the stack: \
             it is smoothed or denoised, and the gain at pixel scale is borrowed from neighbors",
            100.0 * (1.0 - share)
        ));
    }
    let mut common = foreign.channels.iter().map(|c| c.common_sigmas);
    if let Some(sigmas) = common.find(|sigmas| sigmas.abs() > COMMON_SIGMAS) {
        notes.push(
            match sigmas < 0.0 {
                true => {
                    "it lacks noise that these frames have in common over whole areas: it was made \
                     of more frames, or smoothing took noise away over areas, or a curve is flatter \
                     at the sky than at the stars; faint detail of that size may have gone with \
                     it, which noise cannot tell"
                }
                false => {
                    "it has scatter in common with the sky that the frames do not have: contrast \
                     or local brightness was changed, or stars lost light; its noise is given by \
                     the difference to the stack alone, with an error that reaches what its \
                     variance says"
                }
            }
            .to_owned(),
        );
    }
    let wider = foreign.fwhm_ratio;
    if foreign.linear != Linearity::ToneCurve && wider.value > WIDER && wider.distance(1.0) > 3.0 {
        notes.push(format!(
            "its stars are {:.3} ± {:.3} times as wide as in the stack: detail was lost",
            wider.value, wider.error
        ));
    }
    notes
}

/// The slope at the sky over the stars', by channel.
fn steepness(foreign: &Foreign) -> String {
    let slopes = foreign.channels.iter().map(|channel| {
        let slope = channel.sky_slope;
        format!("{:.2} ± {:.2}", slope.value, slope.error)
    });
    slopes.collect::<Vec<_>>().join(", ")
}
