//! Camera raws by the rawloader library, in this process.
//!
//! rawloader panics on damaged files, partly on worker threads. It therefore runs in a
//! thread pool of its own, whose threads are quiet and whose panics end here.

use crate::decode::{Decode, RawFile};
use crate::dng::Linear;
use crate::mosaic::{Cfa, Channel, SitePattern};
use crate::quiet::{contained, quiet_this_thread};
use crate::sensor::{CameraFacts, Sensor};
use crate::{DecodeFault, Decoder, Rect};
use rawloader::{RawImage, RawImageData};
use rayon::{ThreadPool, ThreadPoolBuilder};
use std::sync::OnceLock;

/// Its directories nest; a generous stack costs address space only.
const STACK_BYTES: usize = 16 << 20;

/// Its color matrices are whole numbers in these parts of 1.
const MATRIX_UNIT: f64 = 10_000.0;

/// The rawloader library.
pub(crate) struct Rawloader;

impl Decode for Rawloader {
    fn name(&self) -> Decoder {
        Decoder::Rawloader
    }

    fn decode(&self, file: &RawFile) -> Result<Sensor, DecodeFault> {
        let said = |said| DecodeFault::Undecodable {
            tried: vec![(Decoder::Rawloader, said)],
        };
        let decoded = pool()
            .ok_or_else(|| said("no thread to run on".to_owned()))?
            .install(|| contained(|| rawloader::decode(&mut &file.bytes[..])))
            .map_err(&said)?
            .map_err(|error| said(first_line(&error.to_string())))?;
        file.check_size(decoded.width.saturating_mul(decoded.height))?;
        match &file.dng {
            Some(dng) => Ok(dng.sensor(integers(decoded.data)?, Linear::NotYet)),
            None => sensor(decoded),
        }
    }
}

/// Size and values, side by side, of a raw with `samples` values a pixel.
pub(crate) fn full_color(
    bytes: &[u8],
    samples: usize,
) -> Result<((usize, usize), Vec<f32>), DecodeFault> {
    let said = |said| DecodeFault::Undecodable {
        tried: vec![(Decoder::Rawloader, said)],
    };
    let decoded = pool()
        .ok_or_else(|| said("no thread to run on".to_owned()))?
        .install(|| contained(|| rawloader::decode(&mut &bytes[..])))
        .map_err(&said)?
        .map_err(|error| said(first_line(&error.to_string())))?;
    if decoded.cpp != samples {
        return Err(DecodeFault::Unsupported(format!(
            "a raw of {} values a pixel, {samples} needed",
            decoded.cpp
        )));
    }
    let values = match decoded.data {
        RawImageData::Integer(values) => values.into_iter().map(f32::from).collect(),
        RawImageData::Float(values) => values,
    };
    Ok(((decoded.width, decoded.height), values))
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

fn sensor(image: RawImage) -> Result<Sensor, DecodeFault> {
    if image.cpp != 1 {
        return Err(DecodeFault::Unsupported(format!(
            "a raw that is already demosaiced ({} values a pixel)",
            image.cpp
        )));
    }
    let active_area = active_area(&image)?;
    let site = |i| color_at(&image, active_area, i);
    let (cfa, black_level_dn, white_level_dn) = if image.is_monochrome() {
        (
            Cfa::mono(),
            SitePattern::uniform(f32::from(image.blacklevels[0])),
            SitePattern::uniform(f32::from(image.whitelevels[0])),
        )
    } else {
        // Levels come by color, with the fourth for a fourth color: a Bayer array has
        // none, and its entry there is often 0.
        let colors: Vec<usize> = (0..image.cfa.width * image.cfa.height).map(site).collect();
        let by_site = |levels: [u16; 4]| {
            let levels = colors.iter().map(|&c| f32::from(levels[c])).collect();
            SitePattern::new(image.cfa.width, levels)
        };
        let channels = colors.iter().map(|&c| channel(c)).collect::<Option<_>>();
        let channels = channels
            .ok_or_else(|| DecodeFault::Unsupported(format!("filters {:?}", image.cfa.name)))?;
        let whole = "the array has whole rows";
        (
            SitePattern::new(image.cfa.width, channels).expect(whole),
            by_site(image.blacklevels).expect(whole),
            by_site(image.whitelevels).expect(whole),
        )
    };
    Ok(Sensor {
        width: image.width,
        height: image.height,
        active_area,
        cfa,
        black_level_dn,
        white_level_dn,
        known: facts(&image),
        data: integers(image.data)?,
    })
}

fn active_area(image: &RawImage) -> Result<Rect, DecodeFault> {
    let [top, right, bottom, left] = image.crops;
    match (
        image.width.checked_sub(right),
        image.height.checked_sub(bottom),
    ) {
        (Some(x1), Some(y1)) if left < x1 && top < y1 => Ok(Rect {
            x0: left,
            y0: top,
            x1,
            y1,
        }),
        _ => Err(DecodeFault::Malformed(format!(
            "borders {:?} leave nothing of {} x {} px",
            image.crops, image.width, image.height
        ))),
    }
}

/// Color index of site `i` of the array, counted from the active area's first pixel.
fn color_at(image: &RawImage, active: Rect, i: usize) -> usize {
    let (row, col) = (i / image.cfa.width, i % image.cfa.width);
    image
        .cfa
        .color_at((active.y0 + row) % 48, (active.x0 + col) % 48)
}

fn channel(color: usize) -> Option<Channel> {
    [Channel::R, Channel::G, Channel::B].get(color).copied()
}

fn facts(image: &RawImage) -> CameraFacts {
    let [r, g, b, _] = image.wb_coeffs.map(f64::from);
    let matrix: Vec<f64> = image.xyz_to_cam[..3]
        .iter()
        .flatten()
        .map(|&v| f64::from(v) / MATRIX_UNIT)
        .collect();
    let text = |text: &str| Some(text.trim().to_owned()).filter(|text| !text.is_empty());
    CameraFacts {
        camera: crate::metadata::camera_name(text(&image.clean_make), text(&image.clean_model)),
        orientation: None,
        white_balance: crate::metadata::white_balance([r, g, b]),
        color_matrix: crate::metadata::color_matrix(&matrix),
    }
}

fn integers(data: RawImageData) -> Result<Vec<u16>, DecodeFault> {
    match data {
        RawImageData::Integer(data) => Ok(data),
        RawImageData::Float(_) => Err(DecodeFault::Unsupported(
            "a raw of floating-point values".to_owned(),
        )),
    }
}
