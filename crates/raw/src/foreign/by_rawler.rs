//! Camera raws by the rawler library, in the decoding child alone.
//!
//! It knows recent cameras, but a hostile file can make it ask for more memory than there
//! is, which ends the process that asks.

use super::{Decoded, Description, Shape};
use crate::quiet::contained;
use rawler::decoders::RawDecodeParams;
use rawler::imgop::xyz::Illuminant;
use rawler::rawimage::{RawImage, RawImageData, RawPhotometricInterpretation};
use rawler::rawsource::RawSource;
use std::path::Path;
use std::sync::Arc;

/// Decodes the bytes of a file; `path` is for its messages alone.
pub(crate) fn decode(bytes: Vec<u8>, path: &Path) -> Result<Decoded, String> {
    let source = RawSource::new_from_shared_vec(Arc::new(bytes)).with_path(path);
    let image = contained(|| rawler::decode(&source, &RawDecodeParams::default()))?;
    let image = image.map_err(|error| error.to_string())?;
    let shape = Shape {
        width: image.width,
        height: image.height,
        samples_per_pixel: image.cpp,
    };
    let description = contained(|| describe(&image)).and_then(|described| described);
    match image.data {
        RawImageData::Integer(samples) => Ok(Decoded {
            shape,
            samples,
            description,
        }),
        RawImageData::Float(_) => Err("floating-point values".to_owned()),
    }
}

fn describe(image: &RawImage) -> Result<Description, String> {
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
            let letters = letters.ok_or_else(|| format!("filters {:?}", cfa.name))?;
            (letters, cfa.width)
        }
        _ => ("L".to_owned(), 1),
    };
    let black = image.blacklevel.shift(x0, y0);
    let white = image.whitelevel.as_vec();
    let [r, g, b, _] = image.wb_coeffs.map(f64::from);
    let text = |text: &str| Some(text.to_owned()).filter(|text| !text.is_empty());
    Ok(Description {
        active_area: area,
        cfa,
        cfa_width,
        black_width: black.width,
        black_dn: black.as_vec(),
        white_width: 1,
        white_dn: white.into_iter().take(1).collect(),
        camera: crate::metadata::camera_name(text(&image.clean_make), text(&image.clean_model)),
        white_balance: crate::metadata::white_balance([r, g, b]),
        color_matrix: color_matrix(image),
    })
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
