//! Writes a named scene into a folder: `write_scene NAME FOLDER`.

use std::path::Path;
use std::process::ExitCode;

fn main() -> ExitCode {
    let arguments: Vec<String> = std::env::args().skip(1).collect();
    let [name, folder] = &arguments[..] else {
        return fail("needs NAME FOLDER");
    };
    let Some(scene) = synth::Scene::named(name) else {
        let names: Vec<_> = synth::SCENE_NAMES.iter().map(|scene| scene.0).collect();
        return fail(&format!("no scene {name}; there are {}", names.join(", ")));
    };
    match synth::write_scene(&scene, Path::new(folder), |_| ()) {
        Ok(_) => ExitCode::SUCCESS,
        Err(error) => fail(&error.to_string()),
    }
}

#[allow(clippy::print_stderr, reason = "a program's own voice")]
fn fail(message: &str) -> ExitCode {
    eprintln!("write_scene: {message}");
    ExitCode::FAILURE
}
