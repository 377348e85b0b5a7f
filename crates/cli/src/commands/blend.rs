//! `radicand blend`: a tracked sky over a separately shot ground.

use super::{Console, Done, overwrite};
use crate::args::BlendArgs;
use crate::results::Finished;
use crate::{BlendJob, BlendOutcome, JobError, ResultFolder};
use export::{Counts, FitsPicture};
use ndarray::{Array3, ArrayView2};
use std::path::Path;

pub(super) fn run(args: &BlendArgs, console: &Console) -> Result<Done, JobError> {
    let overwrite = overwrite(args.overwrite);
    refuse_beside(&args.output, &[&args.sky, &args.ground])?;
    let folder = ResultFolder::prepare_picture(&args.output, &args.format, overwrite)?;
    let job = BlendJob {
        sky: args.sky.clone(),
        ground: args.ground.clone(),
        mask: args.mask.clone(),
    };
    let outcome = {
        let progress = console.progress();
        job.run(progress.as_ref())
    };
    let outcome = outcome.inspect_err(|_| folder.abandon())?;
    let stack = &outcome.stack;
    let finished = Finished {
        picture: FitsPicture {
            mean: &views(&stack.mean),
            variance: &views(&stack.variance),
            weight: &views(&stack.weight),
            rejected: Some(&Counts(&views(&stack.rejected))),
            sky: None,
        },
        made_of: "a sky over a ground shot apart from it".to_owned(),
        cards: Vec::new(),
        info: &outcome.info,
        saturation_dn: outcome.saturation_dn,
    };
    folder.write_pictures(&finished, &[])?;
    folder.write_report(&outcome.report.to_json())?;
    speak(&outcome, console);
    console.say(&format!(
        "{}: {}",
        folder.dir().display(),
        folder.names().join(", ")
    ));
    console.emit(&outcome.report.to_json());
    Ok(Done::Whole)
}

/// Nothing is written beside the pictures that are joined.
fn refuse_beside(output: &Path, inputs: &[&Path]) -> Result<(), JobError> {
    let Ok(output) = output.canonicalize() else {
        return Ok(());
    };
    let beside = |input: &&&Path| {
        let input = input.canonicalize().ok();
        input.as_deref().and_then(Path::parent) == Some(&output)
    };
    match inputs.iter().any(|input| beside(&input)) {
        true => Err(JobError::AmongOriginals(output)),
        false => Ok(()),
    }
}

fn speak(outcome: &BlendOutcome, console: &Console) {
    let report = &outcome.report;
    let (shares, offset) = (&report.shares, &report.offset);
    for warning in &report.warnings {
        console.say(&format!("note: {}; {}", warning.text, warning.advice));
    }
    console.say(&format!(
        "the ground is moved by {:.1} px to the right and {:.1} px down, turned by {:.2}°{}",
        offset.px[0],
        offset.px[1],
        offset.turn_deg,
        match offset.resampled {
            true => "",
            false => " (too little to be seen, left as it is)",
        }
    ));
    let brightness = &report.brightness;
    let exposure = brightness.by_exposure;
    let exposure = exposure.map_or(String::new(), |factor| format!(", {factor:.3} by exposure"));
    console.say(&format!(
        "its values are multiplied by {:.3} (by {}{exposure})",
        brightness.factor, brightness.basis
    ));
    console.say(&format!(
        "{:.1} % sky, {:.1} % ground, {:.1} % sky of the ground's file",
        100.0 * shares.sky,
        100.0 * shares.ground,
        100.0 * shares.sky_of_ground
    ));
}

fn views<T>(planes: &Array3<T>) -> Vec<ArrayView2<'_, T>> {
    planes.outer_iter().collect()
}
