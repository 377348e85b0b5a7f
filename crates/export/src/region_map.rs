//! The preview with the regions of the noise report drawn over it.

use crate::planes::shape_of;
use crate::png_file::{LONGEST_SIDE, write_png};
use crate::rendering::render;
use crate::shrink::{factor_for, shrink_all};
use crate::{AtomicFile, ExportError, PictureRows, PreviewOptions};
use image::metadata::Orientation;
use image::{DynamicImage, Rgba};
use imageproc::drawing::{
    Blend, draw_filled_rect_mut, draw_hollow_rect_mut, draw_line_segment_mut,
};
use imageproc::rect::Rect;
use std::path::Path;

/// A region of the stack, and how much of the expected gain it has.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct MapRegion {
    /// First column, px of the stack.
    pub x0: usize,
    /// First row, px.
    pub y0: usize,
    /// One past the last column, px.
    pub x1: usize,
    /// One past the last row, px.
    pub y1: usize,
    /// Gain found over gain expected, no unit; `None` where none could be measured.
    pub gain_share: Option<f64>,
}

/// Shares of the ends of the color scale: from here down a region has the color of
/// [`LOST`], from here up that of [`WHOLE`].
const SCALE: (f64, f64) = (0.8, 1.0);

/// Vermilion and sky blue of the palette by Okabe & Ito (2008), "Color Universal Design",
/// which are told apart with every kind of color vision (from memory).
const LOST: [f64; 3] = [213.0, 94.0, 0.0];
const WHOLE: [f64; 3] = [86.0, 180.0, 233.0];

/// Opacity of the tint, of 255: faint enough to leave the stars visible.
const TINT: u8 = 72;

/// The lines of the grid, and of the cross through a region without a figure.
const LINE: Rgba<u8> = Rgba([255, 255, 255, 110]);

/// Writes a rendering as [`write_png16`](crate::write_png16) does, 8 bits a channel, with
/// every region framed and tinted: sky blue where the gain is what was expected or more,
/// through gray to vermilion where a fifth of it or more is missing. A region without a
/// figure is crossed out instead.
///
/// - `picture`: linear DN.
/// - `regions`: in pixels of the picture; what lies outside of them is not drawn.
///
/// # Errors
///
/// See [`ExportError`]; the target is then as it was before.
pub fn write_regions_png<P: PictureRows + ?Sized>(
    path: &Path,
    picture: &P,
    regions: &[MapRegion],
    options: &PreviewOptions,
) -> Result<(), ExportError> {
    let shape = shape_of(path, "the picture", picture, LONGEST_SIDE)?;
    let file = AtomicFile::create(path, options.overwrite)?;
    let factor = factor_for(shape.rows, shape.columns, options.max_side_px);
    // Drawn as the sensor lies and turned upright afterwards, like the regions' pixels.
    let small = shrink_all(picture, factor, 1);
    let small = small.map_err(|error| ExportError::io(path, "read the picture", error))?;
    let mut canvas = Blend(render(&small, options).into_rgba8());
    for region in regions {
        draw(&mut canvas, region, factor);
    }
    let mut map = DynamicImage::ImageRgb8(DynamicImage::ImageRgba8(canvas.0).into_rgb8());
    let upright = Orientation::from_exif(options.orientation);
    map.apply_orientation(upright.unwrap_or(Orientation::NoTransforms));
    write_png(file, &map)
}

fn draw(canvas: &mut Blend<image::RgbaImage>, region: &MapRegion, factor: usize) {
    let (columns, rows) = (canvas.0.width() as usize, canvas.0.height() as usize);
    let (x0, y0) = (region.x0 / factor, region.y0 / factor);
    // The next region begins where this one ends, whatever the factor.
    let (x1, y1) = (
        (region.x1 / factor).min(columns),
        (region.y1 / factor).min(rows),
    );
    if x0 >= x1 || y0 >= y1 {
        return;
    }
    let area = Rect::at(x0 as i32, y0 as i32).of_size((x1 - x0) as u32, (y1 - y0) as u32);
    match region.gain_share.filter(|share| share.is_finite()) {
        Some(share) => draw_filled_rect_mut(canvas, area, tint(share)),
        None => {
            let (left, top) = (area.left() as f32, area.top() as f32);
            let (right, bottom) = (area.right() as f32, area.bottom() as f32);
            draw_line_segment_mut(canvas, (left, top), (right, bottom), LINE);
            draw_line_segment_mut(canvas, (left, bottom), (right, top), LINE);
        }
    }
    draw_hollow_rect_mut(canvas, area, LINE);
}

/// The color of a share of the expected gain.
fn tint(share: f64) -> Rgba<u8> {
    let place = ((share - SCALE.0) / (SCALE.1 - SCALE.0)).clamp(0.0, 1.0);
    let mix = |i: usize| (LOST[i] + place * (WHOLE[i] - LOST[i])).round() as u8;
    Rgba([mix(0), mix(1), mix(2), TINT])
}

#[cfg(test)]
mod tests;
