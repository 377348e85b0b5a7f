//! Writes the DNG files of `fixtures/synth_checks`: `pattern_dng FOLDER`.

#[path = "../tests/pattern/mod.rs"]
mod pattern;

fn main() -> Result<(), Box<dyn std::error::Error>> {
    let folder = std::env::args().nth(1).ok_or("needs FOLDER")?;
    for pattern::File {
        name,
        size,
        letters,
        black_dn,
    } in pattern::FILES
    {
        let mosaic = pattern::mosaic(size, letters, black_dn);
        let bytes = synth::encode_dng(&mosaic, &pattern::info())?;
        std::fs::write(format!("{folder}/{name}.dng"), bytes)?;
    }
    Ok(())
}
