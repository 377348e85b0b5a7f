//! `radicand demo`: an invented night, and the whole job on it.

use super::{Console, Done, overwrite, simulate, stack};
use crate::args::{DemoArgs, Format};
use crate::{Inputs, JobError, ResultFolder, StackJob};
use std::path::{Path, PathBuf};
use synth::Scene;

pub(super) fn run(args: &DemoArgs, console: &Console) -> Result<Done, JobError> {
    let overwrite = overwrite(args.overwrite);
    let formats = Format::USUAL;
    let folder = ResultFolder::prepare(&args.output.join("result"), &formats, overwrite)?;
    let scene = Scene::named("demo").ok_or_else(|| JobError::UnknownScene("demo".to_owned()))?;
    let night = args.output.join("night");
    console.say(&format!(
        "An invented night: {} lights of {} s with a camera that does not exist.",
        scene.frames, scene.exposure_s
    ));
    if !is_complete(&night) {
        simulate::write(&scene, &night, console)?;
    }
    let inputs = Inputs {
        lights: frame_folders(&night),
        ..Inputs::default()
    };
    let done = stack::finish(&StackJob::new(inputs), &folder, console)?;
    console.say(&format!("Open {}", folder.page().display()));
    Ok(done)
}

/// Whether an earlier demo left its frames; the truth is written last.
fn is_complete(night: &Path) -> bool {
    night.join("truth").join("truth.json").is_file()
}

/// The folders of frames, without the one of the truth.
fn frame_folders(night: &Path) -> Vec<PathBuf> {
    ["lights", "darks", "flats", "bias"]
        .map(|kind| night.join(kind))
        .into_iter()
        .filter(|folder| folder.is_dir())
        .collect()
}
