//! Bursts of a shifted mosaic, and the pictures that can be made of them.

use crate::{cfa_calibrator, cfa_light};
use align::{Homography, PixelMap};
use ndarray::{Array2, Array3, ArrayView2, s};
use rand::{Rng, SeedableRng};
use rand_chacha::ChaCha8Rng;
use raw::{Cfa, Channel};
use stack::{
    Calibrator, Combine, DefectMap, DemosaicMethod, DropShape, FirstPass, FromMosaic, Light,
    MosaicStack, RecordedWhite, Stack, StackOptions, StackPlace, StoredStack, TileObserver, stack,
    stack_from_mosaic,
};

/// Left out at every side, where the lights do not all reach, px.
pub const BORDER_PX: usize = 12;

/// Filters of the lights.
fn cfa() -> Cfa {
    Cfa::bayer("RGGB").expect("a Bayer array")
}

fn calibrator(lights: &[Light]) -> Calibrator {
    let (width, height) = lights[0].mosaic.size();
    cfa_calibrator(cfa(), DefectMap::none(width, height))
}

/// Index of the channel of a photosite.
fn channel(row: usize, col: usize) -> usize {
    match cfa().at(row, col) {
        Channel::R => 0,
        Channel::G => 1,
        _ => 2,
    }
}

/// Moves of the framing by chance, each way up to `most_px`; the first light is the reference.
pub fn dithers(n: usize, most_px: f64, seed: u64) -> Vec<(f64, f64)> {
    let mut rng = ChaCha8Rng::seed_from_u64(seed);
    let mut draw = |i: usize| match i {
        0 => 0.0,
        _ => rng.random_range(-most_px..most_px),
    };
    (0..n).map(|i| (draw(i), draw(i))).collect()
}

/// One photosite each way around a square.
pub const FOUR_SHIFTS: [(f64, f64); 4] = [(0.0, 0.0), (1.0, 0.0), (1.0, 1.0), (0.0, 1.0)];

/// Lights of a scene `level(channel, x, y)`, its values those of whole photosites.
pub fn lights(
    shifts: &[(f64, f64)],
    side: usize,
    mut level: impl FnMut(usize, f64, f64) -> f64,
) -> Vec<Light> {
    let light = |&(dx, dy): &(f64, f64)| {
        let samples = Array2::from_shape_fn((side, side), |(row, col)| {
            let value = level(channel(row, col), col as f64 - dx, row as f64 - dy);
            value.round() as u16
        });
        let map = Homography([[1.0, 0.0, dx], [0.0, 1.0, dy], [0.0, 0.0, 1.0]]);
        cfa_light(&cfa(), samples, PixelMap::from_homography(map))
    };
    shifts.iter().map(light).collect()
}

/// Lights and their first pass.
pub struct Burst {
    lights: Vec<Light>,
    bilinear: StoredStack,
    first: FirstPass,
}

/// How lights become a picture.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Way {
    /// Demosaicked bilinearly.
    Bilinear,
    /// Demosaicked with gradients of the other colors, in the balance of a white.
    Gradient(RecordedWhite),
    /// From the mosaic at a scale.
    Drops(f64, DropShape),
}

impl Way {
    /// Pixels to one of the lights, each way.
    pub fn scale(self) -> f64 {
        match self {
            Self::Drops(scale, _) => scale,
            _ => 1.0,
        }
    }
}

impl Burst {
    /// Makes the first pass.
    ///
    /// # Panics
    ///
    /// When they cannot be stacked: this is a check.
    pub fn new(lights: Vec<Light>) -> Self {
        let bilinear =
            demosaicked(&lights, DemosaicMethod::Bilinear, RecordedWhite::default()).into();
        let stacking = StackOptions {
            combine: Combine::Mean,
            ..StackOptions::default()
        };
        let first = FirstPass::new(&bilinear, lights.len(), &cfa(), &stacking);
        Self {
            first: first.expect("in memory"),
            bilinear,
            lights,
        }
    }

    /// A picture of them, `[channel, row, column]`, DN.
    ///
    /// # Panics
    ///
    /// When they cannot be stacked.
    pub fn made(&self, way: Way) -> Array3<f32> {
        match way {
            Way::Bilinear => self
                .bilinear
                .in_memory()
                .expect("made there")
                .mean
                .to_owned(),
            Way::Gradient(white) => {
                demosaicked(&self.lights, DemosaicMethod::GradientCorrected, white).mean
            }
            Way::Drops(scale, drop) => {
                let (mut made, _) = self.from_mosaic(&FromMosaic { scale, drop }, &());
                made.fill(&self.first).expect("in memory");
                made.stack.into_memory().expect("in memory").mean
            }
        }
    }

    /// Their photosites as a picture, and what an observer saw.
    ///
    /// # Panics
    ///
    /// When they cannot be stacked.
    pub fn from_mosaic<O: TileObserver>(
        &self,
        options: &FromMosaic,
        observer: &O,
    ) -> (MosaicStack, Vec<O::Summary>) {
        let (calibrator, place) = (calibrator(&self.lights), StackPlace::Memory);
        stack_from_mosaic(
            &self.lights,
            &[],
            &calibrator,
            &self.first,
            options,
            &place,
            observer,
            &|_, _| (),
        )
        .expect("a stack")
    }
}

/// The ordinary stack.
fn demosaicked(lights: &[Light], demosaic: DemosaicMethod, white: RecordedWhite) -> Stack {
    let options = StackOptions {
        combine: Combine::Mean,
        demosaic,
        white,
        ..StackOptions::default()
    };
    stack(lights, &calibrator(lights), &options, &(), &|_, _| ())
        .expect("a stack")
        .0
}

/// The inner part of a channel.
pub fn inner(picture: &Array3<f32>, channel: usize, scale: f64) -> ArrayView2<'_, f32> {
    let (_, rows, columns) = picture.dim();
    let border = (BORDER_PX as f64 * scale) as usize;
    picture.slice(s![channel, border..rows - border, border..columns - border])
}

/// Scatter of a plane about its mean.
pub fn scatter(plane: ArrayView2<f32>) -> f64 {
    let values = || plane.iter().map(|&v| f64::from(v));
    let mean = values().sum::<f64>() / plane.len() as f64;
    (values().map(|v| (v - mean).powi(2)).sum::<f64>() / plane.len() as f64).sqrt()
}
