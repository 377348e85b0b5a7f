//! Pictures for a page: drawn by one curve where they are to be held against each other.

use crate::orientation::upright;
use crate::png_file::png_bytes;
use crate::rendering::{Rendering, render};
use crate::shrink::{factor_for, shrink_all};
use crate::{ExportError, PreviewOptions};
use image::DynamicImage;
use image::codecs::png::CompressionType;
use ndarray::{Array2, Array3, ArrayView2};
use std::path::Path;

/// A picture by means of square blocks of pixels, as it lies on the sensor.
#[derive(Clone, Debug)]
pub struct SmallPicture {
    /// Means, `[row, column]`, one or three planes; NaN where no pixel has a value.
    pub planes: Vec<Array2<f32>>,
    /// Pixels of the picture to a side of a block.
    pub factor: usize,
    /// Width and height of the picture itself, px.
    pub size: (usize, usize),
}

impl SmallPicture {
    /// Shrinks a picture, planes of one shape, by the least whole factor that brings both
    /// sides to `max_side_px`.
    pub fn of(planes: &[ArrayView2<'_, f32>], max_side_px: usize) -> Self {
        let (rows, columns) = planes.first().map_or((0, 0), |plane| plane.dim());
        let factor = factor_for(rows, columns, Some(max_side_px));
        // As it lies, not turned.
        let small = shrink_all(planes, factor, 1);
        Self {
            planes: small.expect("arrays are read without fail"),
            factor,
            size: (columns, rows),
        }
    }

    /// The bytes of a PNG file, 8 bits a channel, drawn as
    /// [`write_png16`](crate::write_png16) does and turned upright.
    ///
    /// - `path`: the file they are for, which errors name.
    ///
    /// # Errors
    ///
    /// [`Encode`](ExportError::Encode).
    pub fn png(&self, path: &Path, options: &PreviewOptions) -> Result<Vec<u8>, ExportError> {
        png8(path, &render(&turned(&self.planes, options), options))
    }
}

/// One curve for several pictures, so that what looks brighter or noisier is.
#[derive(Clone, Debug)]
pub struct SharedRendering {
    rendering: Rendering,
    options: PreviewOptions,
}

impl SharedRendering {
    /// The curve that shows the sky of all `models` together as
    /// [`write_png16`](crate::write_png16) shows that of one picture, but with black three
    /// sigmas below the sky in the noisiest color of the screen, not in the intensity, so that
    /// no color is cut off.
    ///
    /// - `models`: pictures `[channel, row, column]` of one or three channels. Where one of
    ///   them is noisier than what is drawn with it, it alone should be the model: the depth
    ///   of black follows the noise.
    /// - `options`: colors and orientation; the size has no effect.
    pub fn of<'a>(
        models: impl Iterator<Item = &'a Array3<f32>> + Clone,
        options: &PreviewOptions,
    ) -> Self {
        let channels = models.clone().map(|model| model.dim().0).min().unwrap_or(0);
        let pooled = |channel: usize| {
            let values = models.clone().flat_map(|model| {
                let plane = model.index_axis(ndarray::Axis(0), channel);
                plane.iter().copied().collect::<Vec<f32>>()
            });
            let values: Vec<f32> = values.collect();
            Array2::from_shape_vec((1, values.len()), values).expect("one row of all")
        };
        let planes: Vec<Array2<f32>> = match channels {
            3 => (0..3).map(pooled).collect(),
            0 => vec![Array2::zeros((0, 0))],
            _ => vec![pooled(0)],
        };
        Self {
            rendering: Rendering::deep(&planes, options),
            options: options.clone(),
        }
    }

    /// The bytes of a PNG file, 8 bits a channel, turned upright.
    ///
    /// - `path`: the file they are for, which errors name.
    /// - `picture`: `[channel, row, column]`, with at least as many channels as the models.
    ///
    /// # Errors
    ///
    /// [`Encode`](ExportError::Encode).
    pub fn png(&self, path: &Path, picture: &Array3<f32>) -> Result<Vec<u8>, ExportError> {
        let planes: Vec<Array2<f32>> = picture.outer_iter().map(|p| p.to_owned()).collect();
        let drawn = self.rendering.draw(&turned(&planes, &self.options));
        png8(path, &drawn)
    }
}

fn turned(planes: &[Array2<f32>], options: &PreviewOptions) -> Vec<Array2<f32>> {
    let turned = planes
        .iter()
        .map(|plane| upright(plane.view(), options.orientation).to_owned());
    turned.collect()
}

fn png8(path: &Path, drawn: &DynamicImage) -> Result<Vec<u8>, ExportError> {
    let drawn = match drawn.color().has_color() {
        true => DynamicImage::ImageRgb8(drawn.to_rgb8()),
        false => DynamicImage::ImageLuma8(drawn.to_luma8()),
    };
    png_bytes(path, &drawn, CompressionType::Best)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn noisy(sigma: f32) -> Array3<f32> {
        // Three values about 100 whose standard deviation is `sigma`.
        let step = sigma * 1.5f32.sqrt();
        Array3::from_shape_fn((3, 30, 40), |(_, row, col)| {
            100.0 + step * (((row + 2 * col) % 3) as f32 - 1.0)
        })
    }

    fn pixels(png: &[u8]) -> Vec<u8> {
        image::load_from_memory(png).unwrap().into_rgb8().into_raw()
    }

    fn spread(pixels: &[u8]) -> u8 {
        pixels.iter().max().unwrap() - pixels.iter().min().unwrap()
    }

    #[test]
    fn one_curve_shows_less_noise_as_less_noise() {
        let (frame, stack) = (noisy(4.0), noisy(1.0));
        let options = PreviewOptions::default();
        let shared = SharedRendering::of([&frame].into_iter(), &options);
        let path = Path::new("page.html");
        let frame = pixels(&shared.png(path, &frame).unwrap());
        let stack = pixels(&shared.png(path, &stack).unwrap());
        assert!(2 * spread(&stack) < spread(&frame));
        assert!(*frame.iter().min().unwrap() > 0, "nothing is cut to black");
    }

    #[test]
    fn colors_that_are_noisy_one_by_one_are_not_cut_off() {
        // Beyond three sigmas lie 0.13 % of a Gaussian, in each of three colors.
        const CUT_OFF: f64 = 0.01;
        // Knuth's linear congruential generator; twelve of its numbers are nearly a Gaussian.
        let mut state = 8_u64;
        let mut uniform = || {
            state = state
                .wrapping_mul(6_364_136_223_846_793_005)
                .wrapping_add(1_442_695_040_888_963_407);
            (state >> 40) as f32 / (1 << 24) as f32
        };
        let mut gaussian = || (0..12).map(|_| uniform()).sum::<f32>() - 6.0;
        let frame = Array3::from_shape_simple_fn((3, 150, 200), || 100.0 + 4.0 * gaussian());
        let options = PreviewOptions {
            white_balance: Some([2.0, 1.0, 1.6]),
            ..PreviewOptions::default()
        };
        let shared = SharedRendering::of([&frame].into_iter(), &options);
        let drawn = pixels(&shared.png(Path::new("page.html"), &frame).unwrap());
        let cut = drawn.chunks(3).filter(|pixel| pixel.contains(&0)).count();
        let share = cut as f64 / (150.0 * 200.0);
        assert!(share < CUT_OFF, "{share}");
    }

    #[test]
    fn pictures_are_turned_upright() {
        let tall = PreviewOptions {
            orientation: 6,
            ..PreviewOptions::default()
        };
        let picture = noisy(1.0);
        let views: Vec<_> = picture.outer_iter().collect();
        let small = SmallPicture::of(&views, 20);
        assert_eq!((small.factor, small.size), (2, (40, 30)));
        let path = Path::new("page.html");
        let whole = image::load_from_memory(&small.png(path, &tall).unwrap()).unwrap();
        assert_eq!((whole.width(), whole.height()), (15, 20));
        let shared = SharedRendering::of([&picture].into_iter(), &tall);
        let crop = image::load_from_memory(&shared.png(path, &picture).unwrap()).unwrap();
        assert_eq!((crop.width(), crop.height()), (30, 40));
    }

    #[test]
    fn nothing_to_go_by_is_black() {
        let none = Array3::from_elem((1, 4, 4), f32::NAN);
        let shared = SharedRendering::of([].into_iter(), &PreviewOptions::default());
        let png = shared.png(Path::new("page.html"), &none).unwrap();
        assert!(pixels(&png).iter().all(|&value| value == 0));
    }
}
