//! How linear DN become light on a screen.

use crate::PreviewOptions;
use crate::color::{camera_to_srgb, srgb_encode, transform};
use crate::sky_level::{SkyLevel, sample_step};
use crate::stretch::AsinhStretch;
use image::{DynamicImage, ImageBuffer, Luma, Rgb};
use ndarray::Array2;
use rayon::prelude::*;

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

/// Renders one or three planes of one shape, as [`write_png16`](crate::write_png16) says:
/// gray or RGB, 16 bits.
pub(crate) fn render(planes: &[Array2<f32>], options: &PreviewOptions) -> DynamicImage {
    Rendering::new(planes, options).draw(planes)
}

/// How values become light.
#[derive(Clone, Debug)]
pub(crate) struct Rendering {
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
    /// What shows the sky of these planes, one or three of one shape, as it should look.
    pub fn new(planes: &[Array2<f32>], options: &PreviewOptions) -> Self {
        let mut rendering = Self::without_curve(planes, options);
        if let Some(sky) = rendering.levels(planes, mean) {
            rendering.show(&sky);
        }
        rendering
    }

    /// The same with black so deep that it lies below the noise of every color on the screen,
    /// which is larger than that of the intensity: they are noisy one by one.
    pub fn deep(planes: &[Array2<f32>], options: &PreviewOptions) -> Self {
        let mut rendering = Self::without_curve(planes, options);
        if let Some(sky) = rendering.levels(planes, mean) {
            let colors = (0..3).filter_map(|i| rendering.levels(planes, |light| light[i]));
            let depths =
                colors.map(|of| of.spread + (sky.level - of.level) / BLACK_BELOW_SKY_SIGMA);
            let spread = depths.fold(sky.spread, f64::max);
            rendering.show(&SkyLevel { spread, ..sky });
        }
        rendering
    }

    fn without_curve(planes: &[Array2<f32>], options: &PreviewOptions) -> Self {
        let step = sample_step(planes[0].len());
        let sky_of = |plane: &Array2<f32>| {
            let values = plane.iter().step_by(step).copied().collect();
            SkyLevel::of(values, BRIGHT_FRACTION).map_or(0.0, |sky| sky.level)
        };
        let sky_dn = match planes {
            [red, green, blue] => [sky_of(red), sky_of(green), sky_of(blue)],
            _ => [sky_of(&planes[0]); 3],
        };
        Self {
            sky_dn,
            to_srgb: color_conversion(planes.len(), sky_dn, options),
            saturation_dn: options.saturation_dn.map(f64::from).filter(|dn| *dn > 0.0),
            sky_intensity: 0.0,
            stretch: None,
        }
    }

    fn show(&mut self, sky: &SkyLevel) {
        self.sky_intensity = sky.level;
        self.stretch = Some(stretch_for(sky));
    }

    /// Draws planes, as many as those it was made for: gray or RGB, 16 bits.
    pub fn draw(&self, planes: &[Array2<f32>]) -> DynamicImage {
        const WHOLE: &str = "a sample for every pixel";
        let (rows, columns) = planes[0].dim();
        let mut samples = vec![0; rows * columns * planes.len()];
        samples
            .par_chunks_exact_mut(columns * planes.len())
            .enumerate()
            .for_each(|(row, out)| self.render_row(planes, row, out));
        // `shape_of` has limited the sides to what PNG can count.
        let (width, height) = (columns as u32, rows as u32);
        if planes.len() == 1 {
            let gray = ImageBuffer::<Luma<u16>, _>::from_raw(width, height, samples);
            DynamicImage::ImageLuma16(gray.expect(WHOLE))
        } else {
            let color = ImageBuffer::<Rgb<u16>, _>::from_raw(width, height, samples);
            DynamicImage::ImageRgb16(color.expect(WHOLE))
        }
    }

    /// Where the sky lies in what `of` makes of the light.
    fn levels(&self, planes: &[Array2<f32>], of: impl Fn([f64; 3]) -> f64) -> Option<SkyLevel> {
        let columns = planes[0].ncols();
        let values = (0..planes[0].len())
            .step_by(sample_step(planes[0].len()))
            .map(|at| of(self.light(camera_color(planes, at / columns, at % columns))) as f32)
            .collect();
        SkyLevel::of(values, BRIGHT_FRACTION)
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

    /// Fills `out` with one row, pixel by pixel.
    pub(crate) fn render_row(&self, planes: &[Array2<f32>], row: usize, out: &mut [u16]) {
        for (column, pixel) in out.chunks_exact_mut(planes.len()).enumerate() {
            let light = self.light(camera_color(planes, row, column));
            let shown = self.stretch.map_or([0.0; 3], |stretch| {
                stretch.apply(self.without_false_color(light, &stretch))
            });
            for (sample, value) in pixel.iter_mut().zip(shown) {
                *sample = (srgb_encode(value) * f64::from(u16::MAX)).round() as u16;
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
