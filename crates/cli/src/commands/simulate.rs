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
