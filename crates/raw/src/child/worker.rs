//! The child's work: limit itself, decode one file, answer.

use super::message::{Answer, Header};
use crate::quiet::{contained, quiet_this_thread};
use rawler::decoders::RawDecodeParams;
use rawler::imgop::xyz::Illuminant;
use rawler::rawimage::{RawImage, RawImageData, RawPhotometricInterpretation};
use rawler::rawsource::RawSource;
use std::path::Path;
use std::sync::Arc;

/// Decodes `path` and answers on standard output; returns the exit status.
pub(super) fn work(memory_limit_bytes: Option<u64>, path: &Path) -> i32 {
    quiet_this_thread();
    let limited = memory_limit_bytes
        .ok_or_else(|| "no memory limit was given".to_owned())
        .and_then(limit_memory);
    let answer = limited.and_then(|()| contained(|| decode(path)).and_then(|answer| answer));
    let refused = answer.is_err();
    let answer = answer.unwrap_or_else(Answer::refusal);
    let written = answer.write(&mut std::io::stdout().lock());
    i32::from(refused || written.is_err())
}

#[cfg(unix)]
fn limit_memory(bytes: u64) -> Result<(), String> {
    use rlimit::{Resource, setrlimit};
    let failed = |error: std::io::Error| format!("cannot limit its memory: {error}");
    // An abort on purpose needs no picture of its memory on disk.
    setrlimit(Resource::CORE, 0, 0).map_err(failed)?;
    setrlimit(Resource::AS, bytes, bytes).map_err(failed)
}

#[cfg(not(unix))]
fn limit_memory(_bytes: u64) -> Result<(), String> {
    Ok(())
}

fn decode(path: &Path) -> Result<Answer, String> {
    let bytes = std::fs::read(path).map_err(|error| error.to_string())?;
    let source = RawSource::new_from_shared_vec(Arc::new(bytes)).with_path(path);
    let image = rawler::decode(&source, &RawDecodeParams::default());
    answer(image.map_err(|error| error.to_string())?)
}

fn answer(image: RawImage) -> Result<Answer, String> {
    if image.cpp != 1 {
        return Err(format!("already demosaiced ({} values a pixel)", image.cpp));
    }
    let area = image
        .active_area
        .map_or([0, 0, image.width, image.height], |area| {
            [area.p.x, area.p.y, area.p.x + area.d.w, area.p.y + area.d.h]
        });
    let [x0, y0, ..] = area;
    let (cfa, cfa_width) = match &image.photometric {
        RawPhotometricInterpretation::Cfa(config) => {
            let cfa = &config.cfa;
            let letters = (0..cfa.width * cfa.height)
                .map(|i| cfa.color_at((y0 + i / cfa.width) % 48, (x0 + i % cfa.width) % 48))
                .map(|color| ['R', 'G', 'B'].get(color).copied())
                .collect::<Option<String>>();
            (
                letters.ok_or_else(|| format!("filters {:?}", cfa.name))?,
                cfa.width,
            )
        }
        _ => ("L".to_owned(), 1),
    };
    let black = image.blacklevel.shift(x0, y0);
    let white = image.whitelevel.as_vec();
    let [r, g, b, _] = image.wb_coeffs.map(f64::from);
    let header = Header {
        error: None,
        width: image.width,
        height: image.height,
        active_area: area,
        cfa,
        cfa_width,
        black_width: black.width,
        black_dn: black.as_vec(),
        white_width: 1,
        white_dn: white.into_iter().take(1).collect(),
        camera: crate::metadata::camera_name(
            Some(image.clean_make.clone()).filter(|make| !make.is_empty()),
            Some(image.clean_model.clone()).filter(|model| !model.is_empty()),
        ),
        white_balance: crate::metadata::white_balance([r, g, b]),
        color_matrix: color_matrix(&image),
    };
    match image.data {
        RawImageData::Integer(samples) => Ok(Answer { header, samples }),
        RawImageData::Float(_) => Err("floating-point values".to_owned()),
    }
}

/// The matrix for the light nearest to daylight.
fn color_matrix(image: &RawImage) -> Option<[[f32; 3]; 3]> {
    use Illuminant::{A, D50, D55, D65, D75, Daylight};
    let matrix = [D65, D55, D50, D75, Daylight, A]
        .iter()
        .find_map(|illuminant| image.color_matrix.get(illuminant))?;
    let matrix: Vec<f64> = matrix.iter().map(|&v| f64::from(v)).collect();
    crate::metadata::color_matrix(&matrix)
}
