//! `radicand simulate`: invented frames with known truth.

use super::{Console, Done};
use crate::JobError;
use crate::args::SimulateArgs;
use serde_json::json;
use std::path::Path;
use synth::{Scene, Written, write_scene};

pub(super) fn run(args: &SimulateArgs, console: &Console) -> Result<Done, JobError> {
    let unknown = || JobError::UnknownScene(args.scene.clone());
    let mut scene = Scene::named(&args.scene).ok_or_else(unknown)?;
    if let Some(frames) = args.frames {
        scene.frames = frames;
    }
    if let Some((width, height)) = args.dimensions {
        scene.width = width;
        scene.height = height;
    }
    if let Some(seed) = args.seed {
        scene.seed = seed;
    }
    check_size(&scene)?;
    let written = write(&scene, &args.output, console)?;
    console.say(&format!(
        "{} files in {}; the truth is in {}",
        written.files.len(),
        args.output.display(),
        written.truth.display()
    ));
    let files: Vec<String> = written
        .files
        .iter()
        .map(|file| report::file_name(file))
        .collect();
    let truth = report::file_name(&written.truth);
    let mut text = serde_json::to_vec_pretty(&json!({ "files": files, "truth": truth }))?;
    text.push(b'\n');
    console.emit(&text);
    Ok(Done::Whole)
}

/// Refuses what no machine could hold.
fn check_size(scene: &Scene) -> Result<(), JobError> {
    const MOST_PIXELS: usize = 100_000_000;
    let pixels = scene.width.saturating_mul(scene.height);
    if pixels > MOST_PIXELS {
        return Err(JobError::SceneSize {
            what: "pixels of the sensor",
            found: format!("{} x {}", scene.width, scene.height),
            allowed: "100 million in all",
        });
    }
    let calibration = &scene.calibration;
    if scene.frames + calibration.darks + calibration.flats + calibration.bias == 0 {
        return Err(JobError::SceneSize {
            what: "frames",
            found: "0".to_owned(),
            allowed: "1 or more",
        });
    }
    Ok(())
}

/// Writes a scene and shows how far it has come.
pub(super) fn write(scene: &Scene, folder: &Path, console: &Console) -> Result<Written, JobError> {
    let progress = console.progress();
    progress.stage("inventing frames", 0);
    let mut total = 0;
    let written = write_scene(scene, folder, |step| {
        if total != step.total {
            total = step.total;
            progress.stage("inventing frames", total);
        }
        progress.advance(step.done);
    });
    Ok(written?)
}
