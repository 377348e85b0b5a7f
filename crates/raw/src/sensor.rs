//! What a decoder hands over, and how it becomes the mosaic of the active area.

use crate::mosaic::{Cfa, Mosaic, SitePattern};
use crate::{DecodeFault, Rect};
use ndarray::Array2;

/// Shortest side of a frame, px; less holds no background to measure.
const MIN_SIDE_PX: usize = 16;

/// The whole sensor as decoded, masked borders included.
///
/// The patterns count from the first pixel of the **active area**, as DNG states them.
pub(crate) struct Sensor {
    pub(crate) width: usize,
    pub(crate) height: usize,
    /// Row by row, `width * height` values.
    pub(crate) data: Vec<u16>,
    pub(crate) active_area: Rect,
    pub(crate) cfa: Cfa,
    pub(crate) black_level_dn: SitePattern<f32>,
    pub(crate) white_level_dn: SitePattern<f32>,
    /// What decoder or container know of the camera; EXIF adds to it.
    pub(crate) known: CameraFacts,
}

/// Facts that come with the sensor data rather than with the EXIF.
#[derive(Clone, Debug, Default, PartialEq)]
pub(crate) struct CameraFacts {
    pub(crate) camera: Option<String>,
    pub(crate) orientation: Option<u8>,
    pub(crate) white_balance: Option<[f32; 3]>,
    pub(crate) color_matrix: Option<[[f32; 3]; 3]>,
}

impl Sensor {
    /// The active area alone, when all numbers agree with each other.
    pub(crate) fn into_mosaic(self) -> Result<(Mosaic, CameraFacts), DecodeFault> {
        let Self {
            width,
            height,
            data,
            active_area: area,
            ..
        } = self;
        if width.checked_mul(height) != Some(data.len()) {
            return Err(DecodeFault::Malformed(format!(
                "{width} x {height} px need as many values, {} found",
                data.len()
            )));
        }
        if area.x1 > width || area.y1 > height {
            return Err(DecodeFault::Malformed(format!(
                "the active area ends at ({}, {}), the sensor at ({width}, {height})",
                area.x1, area.y1
            )));
        }
        if area.width() < MIN_SIDE_PX || area.height() < MIN_SIDE_PX {
            return Err(DecodeFault::Unsupported(format!(
                "a frame of {} x {} px, at least {MIN_SIDE_PX} needed on each side",
                area.width(),
                area.height()
            )));
        }
        check_levels(&self.black_level_dn, &self.white_level_dn)?;
        let mosaic = Mosaic {
            data: crop(data, width, area),
            cfa: self.cfa,
            black_level_dn: self.black_level_dn,
            white_level_dn: self.white_level_dn,
            active_area: area,
        };
        Ok((mosaic, self.known))
    }
}

fn check_levels(black: &SitePattern<f32>, white: &SitePattern<f32>) -> Result<(), DecodeFault> {
    let highest_black = black.values().iter().copied().fold(f32::MIN, f32::max);
    let lowest_white = white.values().iter().copied().fold(f32::MAX, f32::min);
    let finite = black
        .values()
        .iter()
        .chain(white.values())
        .all(|v| v.is_finite());
    if finite && highest_black < lowest_white {
        return Ok(());
    }
    Err(DecodeFault::Malformed(format!(
        "white level {lowest_white} DN is not above black level {highest_black} DN"
    )))
}

fn crop(data: Vec<u16>, width: usize, area: Rect) -> Array2<u16> {
    let shape = (area.height(), area.width());
    let cropped = if area == Rect::of_size(width, data.len() / width) {
        data
    } else {
        let rows = data.chunks_exact(width).skip(area.y0).take(area.height());
        rows.flat_map(|row| &row[area.x0..area.x1])
            .copied()
            .collect()
    };
    Array2::from_shape_vec(shape, cropped).expect("as many values as the area has pixels")
}
