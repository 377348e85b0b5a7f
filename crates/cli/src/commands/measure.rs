//! `radicand measure`: what a result made elsewhere is worth, by its own frames.

use super::{Console, Done, overwrite};
use crate::args::MeasureArgs;
use crate::result_names::REPORT;
use crate::{Inputs, JobError, MeasureJob, MeasureOutcome};
use export::{AtomicFile, Overwrite, refuse_existing};
use std::path::Path;

pub(super) fn run(args: &MeasureArgs, console: &Console) -> Result<Done, JobError> {
    let overwrite = overwrite(args.overwrite);
    if let Some(folder) = &args.output {
        prepare(folder, &args.result, overwrite)?;
    }
    let inputs = Inputs {
        lights: args.frames.clone(),
        results: args.output.clone(),
        ..Inputs::default()
    };
    let job = MeasureJob::new(args.result.clone(), inputs);
    let outcome = {
        let progress = console.progress();
        job.run(progress.as_ref())?
    };
    if let Some(folder) = &args.output {
        std::fs::create_dir_all(folder).map_err(|source| JobError::OutputFolder {
            path: folder.clone(),
            source,
        })?;
        AtomicFile::write_whole(&folder.join(REPORT), &outcome.report.to_json(), overwrite)?;
    }
    speak(&outcome, console);
    console.emit(&outcome.report.to_json());
    Ok(Done::given(outcome.left_out.len()))
}

/// Refuses to overwrite, and to write beside the result.
fn prepare(folder: &Path, result: &Path, overwrite: Overwrite) -> Result<(), JobError> {
    let beside = |folder: &Path| {
        let result = result.canonicalize().ok();
        result.as_deref().and_then(Path::parent) == Some(folder)
    };
    if let Ok(folder) = folder.canonicalize()
        && beside(&folder)
    {
        return Err(JobError::AmongOriginals(folder));
    }
    refuse_existing(&folder.join(REPORT), overwrite)?;
    Ok(())
}

fn speak(outcome: &MeasureOutcome, console: &Console) {
    for left_out in &outcome.left_out {
        console.complain(&left_out.to_string());
    }
    let result = &outcome.report.result;
    console.say(&format!(
        "{} stars matched, {:.2} px rms; {:.3} of its pixels per pixel of the frames{}",
        result.matched,
        result.residual_px,
        result.px_per_frame_px,
        if result.mirrored { ", mirrored" } else { "" }
    ));
    for (name, channel) in &result.channels {
        let ratio = channel.noise_ratio;
        console.say(&match ratio.value.is_finite() && ratio.error.is_finite() {
            true => format!(
                "  {name:?}: noise {:.3} ± {:.3} times that of the frames' own stack (per pixel \
                 {:.3})",
                ratio.value, ratio.error, channel.pixel_ratio
            ),
            false => format!("  {name:?}: noise not measurable"),
        });
        console.detail(&format!(
            "  {name:?}: {:.4} ± {:.4} DN per DN; by difference {:.3} ± {:.3}, by variance \
             {:.3} ± {:.3}; the sky {:.3} ± {:.3} times as steep as the stars",
            channel.scale.value,
            channel.scale.error,
            channel.by_difference.value,
            channel.by_difference.error,
            channel.by_variance.value,
            channel.by_variance.error,
            channel.sky_slope.value,
            channel.sky_slope.error
        ));
    }
    for note in &result.notes {
        console.say(&format!("note: {note}"));
    }
    console.say(&format!("the frames' own stack: {}", outcome.own_headline));
    console.say(&outcome.report.headline());
}
