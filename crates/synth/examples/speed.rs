//! How long a light of 20 MP takes: `speed NAME LIGHTS`.

use std::time::Instant;
use synth::{DngInfo, Scene, Simulator, encode_dng};

fn main() -> Result<(), synth::SynthError> {
    let name = std::env::args().nth(1).unwrap_or("tripod-burst".into());
    let mut scene = Scene::named(&name).expect("a known scene");
    (scene.width, scene.height) = (5472, 3648);
    let mut clock = Instant::now();
    let mut lap = |what: &str| {
        say(&format!("{what}: {:.3} s", clock.elapsed().as_secs_f64()));
        clock = Instant::now();
    };
    let simulator = Simulator::new(&scene)?;
    lap("making ready");
    say(&format!("{} stars", simulator.stars().len()));
    let lights = std::env::args().nth(2).and_then(|n| n.parse().ok());
    for shot in scene.shots().iter().take(lights.unwrap_or(2)) {
        let light = simulator.render(shot)?;
        lap("light");
        let bytes = encode_dng(&light.mosaic, &DngInfo::of(&scene, shot))?;
        lap("file");
        drop(bytes);
    }
    Ok(())
}

#[allow(clippy::print_stdout, reason = "a program's own voice")]
fn say(line: &str) {
    println!("{line}");
}
