//! Camera raws by the rawloader library.
//!
//! It panics on damaged files, partly on worker threads. It therefore runs in a thread pool
//! of its own, whose threads are quiet and whose panics end here.

use super::{Decoded, Description, Shape};
use crate::quiet::{contained, quiet_this_thread};
use rawloader::{RawImage, RawImageData};
use rayon::{ThreadPool, ThreadPoolBuilder};
use std::sync::OnceLock;

/// Its directories nest; a generous stack costs address space only.
const STACK_BYTES: usize = 16 << 20;

/// Its color matrices are whole numbers in these parts of 1.
const MATRIX_UNIT: f64 = 10_000.0;

/// Decodes the bytes of a file.
pub(crate) fn decode(bytes: &[u8]) -> Result<Decoded, String> {
    let pool = pool().ok_or_else(|| "no thread to run on".to_owned())?;
    let image = pool
        .install(|| contained(|| rawloader::decode(&mut &bytes[..])))?
        .map_err(|error| first_line(&error.to_string()))?;
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

/// The message itself, without the request to send samples that follows some.
fn first_line(message: &str) -> String {
    let line = message.lines().next().unwrap_or_default();
    let line = line.strip_prefix("RawLoaderError: ").unwrap_or(line);
    line.trim_matches('"').to_owned()
}

fn pool() -> Option<&'static ThreadPool> {
    static POOL: OnceLock<Option<ThreadPool>> = OnceLock::new();
    POOL.get_or_init(|| {
        ThreadPoolBuilder::new()
            .thread_name(|i| format!("raw-decode-{i}"))
            .stack_size(STACK_BYTES)
            .start_handler(|_| quiet_this_thread())
            .build()
            .ok()
    })
    .as_ref()
}

fn describe(image: &RawImage) -> Result<Description, String> {
    if image.cpp != 1 {
        return Err(format!("already demosaiced ({} values a pixel)", image.cpp));
    }
    let active_area = active_area(image)?;
    let (cfa, cfa_width, black_dn, white_dn) = if image.is_monochrome() {
        let level = |levels: [u16; 4]| vec![f32::from(levels[0])];
        let (black, white) = (level(image.blacklevels), level(image.whitelevels));
        ("L".to_owned(), 1, black, white)
    } else {
        // Levels come by color, with the fourth for a fourth color: a Bayer array has
        // none, and its entry there is often 0.
        let colors: Vec<usize> = (0..image.cfa.width * image.cfa.height)
            .map(|i| color_at(image, active_area, i))
            .collect();
        let by_site = |levels: [u16; 4]| -> Vec<f32> {
            colors.iter().map(|&c| f32::from(levels[c])).collect()
        };
        let letters = colors.iter().map(|&c| ['R', 'G', 'B'].get(c).copied());
        let letters: Option<String> = letters.collect();
        let letters = letters.ok_or_else(|| format!("filters {:?}", image.cfa.name))?;
        let (black, white) = (by_site(image.blacklevels), by_site(image.whitelevels));
        (letters, image.cfa.width, black, white)
    };
    let [r, g, b, _] = image.wb_coeffs.map(f64::from);
    let matrix: Vec<f64> = image.xyz_to_cam[..3]
        .iter()
        .flatten()
        .map(|&v| f64::from(v) / MATRIX_UNIT)
        .collect();
    let text = |text: &str| Some(text.trim().to_owned()).filter(|text| !text.is_empty());
    Ok(Description {
        active_area,
        cfa,
        cfa_width,
        black_dn,
        black_width: cfa_width,
        white_dn,
        white_width: cfa_width,
        camera: crate::metadata::camera_name(text(&image.clean_make), text(&image.clean_model)),
        white_balance: crate::metadata::white_balance([r, g, b]),
        color_matrix: crate::metadata::color_matrix(&matrix),
    })
}

fn active_area(image: &RawImage) -> Result<[usize; 4], String> {
    let [top, right, bottom, left] = image.crops;
    match (
        image.width.checked_sub(right),
        image.height.checked_sub(bottom),
    ) {
        (Some(x1), Some(y1)) if left < x1 && top < y1 => Ok([left, top, x1, y1]),
        _ => Err(format!(
            "borders {:?} leave nothing of {} x {} px",
            image.crops, image.width, image.height
        )),
    }
}

/// Color index of site `i` of the array, counted from the active area's first pixel.
fn color_at(image: &RawImage, [x0, y0, ..]: [usize; 4], i: usize) -> usize {
    let (row, col) = (i / image.cfa.width, i % image.cfa.width);
    image.cfa.color_at((y0 + row) % 48, (x0 + col) % 48)
}
