//! 16-bit PNG preview: a dark neutral sky with everything in it visible.

use crate::planes::shape_of;
use crate::png_file::{LONGEST_SIDE, write_png};
use crate::rendering::render;
use crate::shrink::{factor_for, shrink_all};
use crate::{AtomicFile, ExportError, Overwrite, PictureRows};
use std::path::Path;

/// Options of [`write_png16`].
#[derive(Clone, Debug)]
pub struct PreviewOptions {
    /// EXIF orientation, 1 to 8; the preview is turned upright. Values outside are
    /// taken as 1. Default: 1.
    pub orientation: u8,
    /// Multipliers of R, G, B. Default: none, which makes the sky background gray.
    pub white_balance: Option<[f32; 3]>,
    /// CIE XYZ (D65) to camera R, G, B, row by row, as DNG's ColorMatrix. Default: none,
    /// which shows the camera's colors as they are.
    pub color_matrix: Option<[[f32; 3]; 3]>,
    /// Value at which the sensor saturates, on the picture's scale, DN. Default: none,
    /// which lets saturated stars take a false color.
    pub saturation_dn: Option<f32>,
    /// Longest side of the preview, px; larger pictures shrink by a whole factor.
    /// Default: 2400.
    pub max_side_px: Option<usize>,
    /// Default: an existing file stays.
    pub overwrite: Overwrite,
}

impl Default for PreviewOptions {
    fn default() -> Self {
        Self {
            orientation: 1,
            white_balance: None,
            color_matrix: None,
            saturation_dn: None,
            max_side_px: Some(2400),
            overwrite: Overwrite::default(),
        }
    }
}

/// Writes a preview in sRGB, 16 bits a channel: RGB for three planes, gray for one.
///
/// The sky background of each channel is subtracted, so the sky is neutral; colors are
/// white-balanced and brought to sRGB; then an [`AsinhStretch`](crate::AsinhStretch) of the intensity whose
/// black lies three sigmas of the background's spread (noise and gradient) below the
/// sky, and whose softening puts the sky at a linear output of 0.02. Colors fade where
/// they would be false: towards saturation and towards black. The same picture always
/// gives the same file.
///
/// - `picture`: linear DN; a pixel with NaN or an infinity in any plane is black.
///
/// A picture without a finite value is black. Memory beyond the picture: at most 10 bytes
/// a sample of the preview.
///
/// # Errors
///
/// See [`ExportError`]; the target is then as it was before.
pub fn write_png16<P: PictureRows + ?Sized>(
    path: &Path,
    picture: &P,
    options: &PreviewOptions,
) -> Result<(), ExportError> {
    let shape = shape_of(path, "the picture", picture, LONGEST_SIDE)?;
    let file = AtomicFile::create(path, options.overwrite)?;
    let factor = factor_for(shape.rows, shape.columns, options.max_side_px);
    let small = shrink_all(picture, factor, options.orientation);
    let small = small.map_err(|error| ExportError::io(path, "read the picture", error))?;
    write_png(file, &render(&small, options))
}
