//! 16-bit PNG preview: a dark neutral sky with everything in it visible.

use crate::color::{camera_to_srgb, srgb_encode, transform};
use crate::orientation::upright;
use crate::planes::shape_of;
use crate::shrink::{factor_for, shrink};
use crate::sky_level::{SkyLevel, sample_step};
use crate::stretch::AsinhStretch;
use crate::{AtomicFile, ExportError, Overwrite};
use ndarray::{Array2, ArrayView2};
use rayon::prelude::*;
use std::path::Path;

/// Black lies this many sigmas of the sky's spread below the sky.
const BLACK_BELOW_SKY_SIGMA: f64 = 3.0;

/// Linear output of the sky: encoded as sRGB about 0.15, dark but clearly not black.
const SKY_LEVEL: f64 = 0.02;

/// Share of the pixels that may reach full brightness: the cores of the brightest stars.
const BRIGHT_FRACTION: f64 = 5e-4;

/// From this share of saturation on, colors fade, since the channels no longer rise in
/// proportion.
const FADE_FROM: f64 = 0.8;

/// From this share of the way down from sky to black, colors fade, and are gone at
/// `GRAY_AT`: below the noise of the sky itself, which keeps its color.
const GRAY_FROM: f64 = 0.5;
const GRAY_AT: f64 = 0.75;

/// Longest side of a PNG picture, px (ISO/IEC 15948:2004, 11.2.2).
const LONGEST_SIDE: usize = i32::MAX as usize;

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
/// white-balanced and brought to sRGB; then an [`AsinhStretch`] of the intensity whose
/// black lies three sigmas of the background's spread (noise and gradient) below the
/// sky, and whose softening puts the sky at a linear output of 0.02. Colors fade where
/// they would be false: towards saturation and towards black. The same picture always
/// gives the same file.
///
/// - `planes`: linear DN, indexed `[row, column]`; a pixel with NaN or an infinity
///   in any plane is black.
///
/// A picture without a finite value is black. Memory beyond the picture: 6 bytes
/// a sample of the preview.
///
/// # Errors
///
/// See [`ExportError`]; the target is then as it was before.
pub fn write_png16(
    path: &Path,
    planes: &[ArrayView2<'_, f32>],
    options: &PreviewOptions,
) -> Result<(), ExportError> {
    let shape = shape_of(path, "the picture", planes, LONGEST_SIDE)?;
    let mut file = AtomicFile::create(path, options.overwrite)?;
    let factor = factor_for(shape.rows, shape.columns, options.max_side_px);
    let small: Vec<Array2<f32>> = planes
        .iter()
        .map(|plane| shrink(upright(plane.view(), options.orientation), factor))
        .collect();
    let rendering = Rendering::new(&small, options);
    encode(&mut file, &small, &rendering)
        .map_err(|error| ExportError::png(path, "write the PNG", error))?;
    file.commit()
}

fn encode(
    file: &mut AtomicFile,
    planes: &[Array2<f32>],
    rendering: &Rendering,
) -> Result<(), png::EncodingError> {
    let (rows, columns) = planes[0].dim();
    // `shape_of` has limited the sides to what PNG can count.
    let mut encoder = png::Encoder::new(file, columns as u32, rows as u32);
    encoder.set_color(if planes.len() == 1 {
        png::ColorType::Grayscale
    } else {
        png::ColorType::Rgb
    });
    encoder.set_depth(png::BitDepth::Sixteen);
    encoder.set_source_srgb(png::SrgbRenderingIntent::Perceptual);
    encoder.set_compression(png::Compression::Fast);
    let mut pixels = vec![0; rows * columns * planes.len() * 2];
    pixels
        .par_chunks_exact_mut(columns * planes.len() * 2)
        .enumerate()
        .for_each(|(row, out)| rendering.render_row(planes, row, out));
    let mut writer = encoder.write_header()?;
    writer.write_image_data(&pixels)?;
    writer.finish()
}

/// How values become light.
struct Rendering {
    /// Sky background of each channel, DN.
    sky_dn: [f64; 3],
    /// White balance and color matrix in one.
    to_srgb: [[f64; 3]; 3],
    saturation_dn: Option<f64>,
    /// Intensity of the sky background, close to 0.
    sky_intensity: f64,
    /// `None` when there is nothing to see.
    stretch: Option<AsinhStretch>,
}

impl Rendering {
    fn new(planes: &[Array2<f32>], options: &PreviewOptions) -> Self {
        let step = sample_step(planes[0].len());
        let sky_of = |plane: &Array2<f32>| {
            let values = plane.iter().step_by(step).copied().collect();
            SkyLevel::of(values, BRIGHT_FRACTION).map_or(0.0, |sky| sky.level)
        };
        let sky_dn = match planes {
            [red, green, blue] => [sky_of(red), sky_of(green), sky_of(blue)],
            _ => [sky_of(&planes[0]); 3],
        };
        let mut rendering = Self {
            sky_dn,
            to_srgb: color_conversion(planes.len(), sky_dn, options),
            saturation_dn: options.saturation_dn.map(f64::from).filter(|dn| *dn > 0.0),
            sky_intensity: 0.0,
            stretch: None,
        };
        if let Some(sky) = rendering.intensities(planes, step) {
            rendering.sky_intensity = sky.level;
            rendering.stretch = Some(stretch_for(&sky));
        }
        rendering
    }

    fn intensities(&self, planes: &[Array2<f32>], step: usize) -> Option<SkyLevel> {
        let columns = planes[0].ncols();
        let intensities = (0..planes[0].len())
            .step_by(step)
            .map(|at| mean(self.light(camera_color(planes, at / columns, at % columns))) as f32)
            .collect();
        SkyLevel::of(intensities, BRIGHT_FRACTION)
    }

    /// Light above the sky background, linear sRGB primaries, DN of green.
    fn light(&self, camera: [f64; 3]) -> [f64; 3] {
        let above = [0, 1, 2].map(|channel| camera[channel] - self.sky_dn[channel]);
        let light = transform(&self.to_srgb, above);
        let Some(saturation_dn) = self.saturation_dn else {
            return light;
        };
        let brightest = camera[0].max(camera[1]).max(camera[2]);
        faded(
            light,
            (brightest / saturation_dn - FADE_FROM) / (1.0 - FADE_FROM),
        )
    }

    /// Takes the color from what is darker than the sky: the ground lacks the sky's
    /// light, and subtracting that leaves it in the complementary color.
    fn without_false_color(&self, light: [f64; 3], stretch: &AsinhStretch) -> [f64; 3] {
        let below_sky = self.sky_intensity - mean(light);
        let depth = below_sky / (self.sky_intensity - stretch.black);
        faded(light, (depth - GRAY_FROM) / (GRAY_AT - GRAY_FROM))
    }

    /// Fills `out` with one row as PNG wants it: 16 bits, most significant byte first.
    fn render_row(&self, planes: &[Array2<f32>], row: usize, out: &mut [u8]) {
        for (column, pixel) in out.chunks_exact_mut(planes.len() * 2).enumerate() {
            let light = self.light(camera_color(planes, row, column));
            let shown = self.stretch.map_or([0.0; 3], |stretch| {
                stretch.apply(self.without_false_color(light, &stretch))
            });
            for (sample, value) in pixel.chunks_exact_mut(2).zip(shown) {
                let level = (srgb_encode(value) * f64::from(u16::MAX)).round() as u16;
                sample.copy_from_slice(&level.to_be_bytes());
            }
        }
    }
}

/// The stretch that shows this sky dark, and everything above and a little below it.
fn stretch_for(sky: &SkyLevel) -> AsinhStretch {
    // An even field has no scale of its own; any scale shows it as sky.
    let depth = if sky.spread > 0.0 {
        BLACK_BELOW_SKY_SIGMA * sky.spread
    } else {
        1.0
    };
    let black = sky.level - depth;
    // Without bright stars a straight line that shows the sky dark is bright enough.
    let white = sky.bright.max(black + depth / SKY_LEVEL);
    AsinhStretch::with_sky_at(black, sky.level, white, SKY_LEVEL)
}

/// The color with the share `fade` of its saturation gone; none below 0, all above 1.
fn faded(light: [f64; 3], fade: f64) -> [f64; 3] {
    let gray = mean(light);
    light.map(|value| value + fade.clamp(0.0, 1.0) * (gray - value))
}

fn mean(color: [f64; 3]) -> f64 {
    (color[0] + color[1] + color[2]) / 3.0
}

/// The pixel in the camera's colors; a monochrome camera sees the same in all.
fn camera_color(planes: &[Array2<f32>], row: usize, column: usize) -> [f64; 3] {
    let at = |plane: &Array2<f32>| f64::from(plane[[row, column]]);
    match planes {
        [red, green, blue] => [at(red), at(green), at(blue)],
        _ => [at(&planes[0]); 3],
    }
}

fn color_conversion(n_planes: usize, sky_dn: [f64; 3], options: &PreviewOptions) -> [[f64; 3]; 3] {
    const SAME: [[f64; 3]; 3] = [[1.0, 0.0, 0.0], [0.0, 1.0, 0.0], [0.0, 0.0, 1.0]];
    if n_planes == 1 {
        return SAME;
    }
    let usable = |factors: &[f64; 3]| factors.iter().all(|f| f.is_finite() && *f > 0.0);
    let stated = options
        .white_balance
        .map(|factors| factors.map(f64::from))
        .filter(usable);
    // The sky as gray card.
    let gray_sky = || Some(sky_dn.map(|dn| sky_dn[1] / dn)).filter(usable);
    let balance = stated.or_else(gray_sky).unwrap_or([1.0; 3]);
    let matrix = options
        .color_matrix
        .as_ref()
        .and_then(camera_to_srgb)
        .unwrap_or(SAME);
    matrix.map(|row| [0, 1, 2].map(|column| row[column] * balance[column] / balance[1]))
}
