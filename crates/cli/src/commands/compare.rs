//! `radicand compare`: which way of shooting won, on the same patch of sky.

use super::{Console, Done, overwrite};
use crate::compare_args::CompareArgs;
use crate::crops::{CROPS, spots, write_crops};
use crate::{CompareJob, JobError};
use export::{AtomicFile, Overwrite, refuse_existing};
use report::{Channel, Comparison, Figure};
use std::path::Path;

const COMPARE: &str = "compare.json";
const PAGE: &str = "comparison.html";

pub(super) fn run(args: &CompareArgs, console: &Console) -> Result<Done, JobError> {
    let overwrite = overwrite(args.overwrite);
    let job = CompareJob::of(args)?;
    if let Some(folder) = &args.output {
        prepare(folder, args, overwrite)?;
    }
    let outcome = {
        let progress = console.progress();
        job.run(progress.as_ref())?
    };
    if let Some(folder) = &args.output {
        std::fs::create_dir_all(folder).map_err(|source| JobError::OutputFolder {
            path: folder.clone(),
            source,
        })?;
        write_crops(folder, &outcome.opened, &outcome.comparison, overwrite)?;
        AtomicFile::write_whole(&folder.join(COMPARE), &outcome.report.to_json(), overwrite)?;
        let path = folder.join(PAGE);
        let spots = spots(&path, &outcome.opened, &outcome.comparison)?;
        let page = report::comparison_page(&outcome.report, &spots);
        AtomicFile::write_whole(&path, page.as_bytes(), overwrite)?;
    }
    speak(&outcome.report, console);
    if let Some(folder) = &args.output {
        console.say(&format!("{}: {CROPS}, {COMPARE}, {PAGE}", folder.display()));
    }
    console.emit(&outcome.report.to_json());
    Ok(Done::Whole)
}

/// Refuses to overwrite, and to write beside one of the results.
fn prepare(folder: &Path, args: &CompareArgs, overwrite: Overwrite) -> Result<(), JobError> {
    if let Ok(folder) = folder.canonicalize() {
        let beside = |file: &Path| {
            let parent = file.canonicalize().ok();
            parent.as_deref().and_then(Path::parent) == Some(&folder)
        };
        if args.results.iter().any(|file| beside(file)) {
            return Err(JobError::AmongOriginals(folder));
        }
    }
    for name in [CROPS, COMPARE, PAGE] {
        refuse_existing(&folder.join(name), overwrite)?;
    }
    Ok(())
}

fn speak(report: &Comparison, console: &Console) {
    let (length, area) = match report.sky.in_arcsec {
        true => ("arcsec", "arcmin²"),
        false => ("px", "px"),
    };
    console.say(&format!(
        "{} stars in common; noise is of the light in 1 {area}, SNR of a star of {:.0} DN",
        report.sky.stars, report.sky.star_flux
    ));
    for result in &report.results {
        let (name, middle) = match result.channels.get_key_value(&Channel::G) {
            Some(found) => found,
            None => match result.channels.first_key_value() {
                Some(found) => found,
                None => continue,
            },
        };
        let seconds = |s: Option<f64>| s.map_or("?".to_owned(), |s| format!("{s:.0} s"));
        console.say(&format!(
            "{} ({}, {}×{} px, matched at {:.1} % linear scale, shutter {}, clock {})",
            result.file,
            result.kind,
            result.size[0],
            result.size[1],
            100.0 * result.display_scale,
            seconds(result.shutter_s),
            seconds(result.clock_s),
        ));
        console.say(&format!(
            "  {name:?}: noise {}, star SNR {}, 5-sigma flux {}; stars {} {length} wide",
            text(middle.noise),
            text(middle.star_snr),
            text(middle.limit_flux),
            text(result.fwhm),
        ));
        let against = |what: &str, a: &report::AgainstFirst| {
            console.say(&format!(
                "  {what} against the first: noise {}, SNR {}, {} mag deeper",
                text(a.noise),
                text(a.star_snr),
                text(a.deeper_mag),
            ));
        };
        against("as it is,", &result.against_first);
        if let Some(minute) = &result.per_shutter_minute {
            against("per shutter minute,", minute);
        }
        if let Some(minute) = &result.per_clock_minute {
            against("per clock minute,", minute);
        }
        let colors: Vec<String> = result
            .channels
            .iter()
            .filter_map(|(name, channel)| {
                Some(format!("{name:?} {}", text(channel.color_error_mag?)))
            })
            .collect();
        if !colors.is_empty() {
            console.say(&format!(
                "  star colors scatter by {} mag",
                colors.join(", ")
            ));
        }
        for (name, channel) in &result.channels {
            console.detail(&format!(
                "  {name:?}: noise {}, SNR {}, brightness {} of the first's, by {}",
                text(channel.noise),
                text(channel.star_snr),
                text(channel.flux_scale),
                channel.evidence
            ));
        }
    }
    for note in &report.notes {
        console.say(&format!("note: {note}"));
    }
    console.say(&report.verdict);
}

fn text(figure: Figure) -> String {
    if !figure.value.is_finite() {
        return "not measurable".to_owned();
    }
    let digits = match figure.error {
        e if e > 0.0 && e < 10.0 => (1.0 - e.log10().floor()).clamp(0.0, 4.0) as usize,
        _ => 0,
    };
    format!("{:.digits$} ± {:.digits$}", figure.value, figure.error)
}
