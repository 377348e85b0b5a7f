//! `radicand stack`: the main job.

use super::{Console, Done, overwrite};
use crate::args::StackArgs;
use crate::{Inputs, JobError, LightsBy, ResultFolder, StackJob, StackOutcome};
use raw::printable;
use report::Report;

pub(super) fn run(args: &StackArgs, console: &Console) -> Result<Done, JobError> {
    let overwrite = overwrite(args.overwrite);
    let folder = ResultFolder::prepare(&args.output, &args.picture.format, overwrite)?;
    let job = job(args);
    let Some(threads) = args.picture.threads.map(usize::from) else {
        return finish(&job, &folder, console);
    };
    let pool = rayon::ThreadPoolBuilder::new().num_threads(threads).build();
    pool.map_err(|_| JobError::Threads(threads))?
        .install(|| finish(&job, &folder, console))
}

fn job(args: &StackArgs) -> StackJob {
    let inputs = Inputs {
        lights: args.inputs.clone(),
        darks: args.dark.clone(),
        flats: args.flat.clone(),
        bias: args.bias.clone(),
        lights_by: LightsBy::Looks,
        results: Some(args.output.clone()),
        ..Inputs::default()
    };
    let mut job = StackJob::new(inputs);
    args.picture.put_into(&mut job);
    job.reference = args.reference.clone();
    job.ground = args.ground.clone();
    job
}

/// Runs a job, writes its result and says what came of it.
pub(super) fn finish(
    job: &StackJob,
    folder: &ResultFolder,
    console: &Console,
) -> Result<Done, JobError> {
    let outcome = {
        let progress = console.progress();
        job.run(progress.as_ref())
    };
    let mut outcome = outcome.inspect_err(|_| folder.abandon())?;
    let report = folder.write(job, &mut outcome)?;
    speak(&outcome, &report, console);
    console.say(&report::headline(&report));
    console.say(&format!(
        "{}: {}",
        folder.dir().display(),
        folder.names().join(", ")
    ));
    console.emit(&report.to_json());
    Ok(Done::given(outcome.left_out.len()))
}

fn speak(outcome: &StackOutcome, report: &Report, console: &Console) {
    for light in &outcome.lights {
        let place = match &light.alignment {
            None => "reference".to_owned(),
            Some(alignment) => {
                format!(
                    "{} stars matched, {:.2} px rms",
                    alignment.matched, alignment.residual_px
                )
            }
        };
        let grade = &light.seen.grade;
        let file = printable(light.frame.path());
        console.detail(&format!(
            "{file}: {} stars, {:.1} px wide; {place}; weight {:.2}",
            grade.stars, grade.fwhm_px, light.light.weight
        ));
        if let Some(fault) = &light.fault {
            console.say(&format!("kept: {file}: {fault}"));
        }
    }
    for left_out in &outcome.left_out {
        console.complain(&left_out.to_string());
    }
    for finding in &report.stars.findings {
        console.detail(finding);
    }
    if let Some(line) = report::sensor_line(report) {
        console.detail(&line);
    }
    for warning in &report.warnings {
        console.say(&format!("note: {}; {}", warning.text, warning.advice));
    }
}
