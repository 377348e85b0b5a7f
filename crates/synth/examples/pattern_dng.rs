//! Writes the DNG files of `fixtures/synth_checks`: `pattern_dng FOLDER`.

#[path = "../tests/pattern/mod.rs"]
mod pattern;

fn main() -> Result<(), Box<dyn std::error::Error>> {
    let folder = std::env::args().nth(1).ok_or("needs FOLDER")?;
    for file in pattern::FILES {
        std::fs::write(format!("{folder}/{}.dng", file.name), file.bytes())?;
    }
    let bytes = pattern::full_color_bytes();
    std::fs::write(format!("{folder}/full_color_40x30.dng"), bytes)?;
    Ok(())
}
