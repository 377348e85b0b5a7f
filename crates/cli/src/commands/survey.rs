//! `radicand survey`: what is in folders.

use super::{Console, Done};
use crate::args::SurveyArgs;
use crate::{JobError, decode_options};
use raw::{Survey, SurveyGroup, SurveyOptions, printable};
use serde_json::{Value, json};

pub(super) fn run(args: &SurveyArgs, console: &Console) -> Result<Done, JobError> {
    let list = raw::collect_files(&args.inputs);
    for unreadable in &list.unreadable {
        if args.inputs.contains(&unreadable.path) {
            let problem = unreadable.source.to_string();
            return Err(JobError::Input {
                path: unreadable.path.clone(),
                problem,
            });
        }
    }
    let options = SurveyOptions {
        decode: decode_options(),
        ..SurveyOptions::default()
    };
    let survey = raw::survey(&list.files, &options);
    for group in &survey.groups {
        console.say(&describe(group));
        for &i in &group.files {
            let file = &survey.files[i];
            if let Ok((frame, verdict)) = &file.outcome {
                let decoder = frame.info.decoder.name();
                let path = printable(&file.path);
                console.say(&format!(
                    "  {path}: {} (read by {decoder})",
                    verdict.because
                ));
                for remark in frame.remarks() {
                    console.say(&format!("    {remark}"));
                }
            }
        }
    }
    let mut faults = 0;
    for file in &survey.files {
        if let Err(error) = &file.outcome {
            faults += 1;
            console.complain(&format!("fault: {error}"));
        }
    }
    for unreadable in &list.unreadable {
        faults += 1;
        console.complain(&format!(
            "fault: {}: cannot be read: {}",
            printable(&unreadable.path),
            unreadable.source
        ));
    }
    console.say(&format!(
        "{} frames in {} groups, {faults} faults, {} other files ignored",
        survey.files.len()
            - survey
                .files
                .iter()
                .filter(|file| file.outcome.is_err())
                .count(),
        survey.groups.len(),
        list.ignored.len()
    ));
    let mut text = serde_json::to_vec_pretty(&as_json(&survey, &list))?;
    text.push(b'\n');
    console.emit(&text);
    Ok(Done::given(faults))
}

fn describe(group: &SurveyGroup) -> String {
    let n = group.files.len();
    let kind = group.kind.name();
    let plural = match (n, kind) {
        (1, _) => kind.to_owned(),
        (_, "bias") => "bias frames".to_owned(),
        _ => format!("{kind}s"),
    };
    let camera = group.camera.as_deref().unwrap_or("camera not stated");
    let exposure = group
        .exposure_s
        .map_or("exposure not stated".to_owned(), exposure_text);
    let iso = group
        .iso
        .map_or("ISO not stated".to_owned(), |iso| format!("ISO {iso}"));
    let (width, height) = group.size;
    format!("{n} {plural}: {camera}, {width}×{height} px, {exposure}, {iso}")
}

fn exposure_text(exposure_s: f64) -> String {
    if exposure_s > 0.0 && exposure_s < 0.3 {
        format!("1/{:.0} s", 1.0 / exposure_s)
    } else {
        format!("{exposure_s} s")
    }
}

fn as_json(survey: &Survey, list: &raw::FileList) -> Value {
    let file = |file: &raw::SurveyedFile| match &file.outcome {
        Ok((frame, verdict)) => json!({
            "file": report::file_name(&file.path),
            "kind": verdict.kind.name(),
            "because": verdict.because,
            "certain": verdict.certain,
            "decoder": frame.info.decoder.name(),
            "camera": frame.info.camera,
            "lens": frame.info.lens,
            "width": frame.size.0,
            "height": frame.size.1,
            "exposure_s": frame.info.exposure_s,
            "iso": frame.info.iso,
            "aperture": frame.info.aperture,
            "focal_length_mm": frame.info.focal_length_mm,
            "captured": frame.info.captured.map(|captured| captured.local.to_string()),
            "level_dn": frame.stats.level_dn,
            "noise_dn": frame.stats.noise_dn,
            "saturated": frame.stats.saturated,
            "stars_per_mpx": frame.stats.stars_per_mpx,
            "remarks": frame.remarks(),
        }),
        Err(error) => json!({
            "file": report::file_name(&file.path),
            "fault": error.fault.to_string(),
        }),
    };
    let unreadable = list.unreadable.iter().map(|unreadable| {
        json!({
            "file": report::file_name(&unreadable.path),
            "fault": format!("cannot be read: {}", unreadable.source),
        })
    });
    let group = |group: &SurveyGroup| {
        json!({
            "kind": group.kind.name(),
            "camera": group.camera,
            "width": group.size.0,
            "height": group.size.1,
            "exposure_s": group.exposure_s,
            "iso": group.iso,
            "files": group.files,
        })
    };
    json!({
        "files": survey.files.iter().map(file).chain(unreadable).collect::<Vec<_>>(),
        "groups": survey.groups.iter().map(group).collect::<Vec<_>>(),
        "ignored": list.ignored.iter().map(|ignored| json!({
            "file": report::file_name(&ignored.path),
            "reason": ignored.reason,
        })).collect::<Vec<_>>(),
    })
}
