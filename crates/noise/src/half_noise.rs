//! Noise of a picture by its half-stacks alone, where there are no samples of single lights.

use crate::difference::DifferenceMeter;
use crate::mask::StarMask;
use crate::observer::NoiseOptions;
use crate::region::Region;
use crate::robust::{Average, Scattered, average};
use raw::Rect;
use stack::{TileObserver, TileSamples};

/// Measures the halves of lights taken in turn, tile by tile.
///
/// (A − B) √(W_A W_B / (W_A + W_B)) has one variance whatever the weights, where those of a
/// half say its variance; times the mean of 1 / W it is that of the picture. What both halves
/// have in common, such as a fixed pattern that does not move, is not seen.
pub struct HalfNoiseObserver {
    mask: StarMask,
    options: NoiseOptions,
}

/// What was seen of one channel of a tile.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct HalfNoiseTile {
    /// Where, px of the picture.
    area: Rect,
    /// Index into the picture's channels.
    channel: usize,
    measured: Option<Measured>,
}

#[derive(Clone, Copy, Debug, PartialEq)]
struct Measured {
    pixel: f64,
    area: f64,
    area_scatter: f64,
    pixels: usize,
}

/// Noise of a channel of a picture, by its halves.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct HalfNoise {
    /// Per pixel, DN.
    pub pixel_dn: f64,
    /// White-noise equivalent at the scale of blocks, DN per pixel.
    pub area_dn: f64,
    /// One standard error of `area_dn`.
    pub area_error_dn: f64,
    /// `area_dn / pixel_dn`: 1 for noise that no pixel shares with its neighbors.
    pub correlation: f64,
    /// Pixels measured.
    pub pixels: usize,
}

impl HalfNoiseObserver {
    /// An observer of a picture of the mask's size.
    pub fn new(mask: StarMask, options: NoiseOptions) -> Self {
        Self { mask, options }
    }

    fn measure(&self, tile: &TileSamples<'_>) -> Option<Measured> {
        let width = tile.area.width();
        let [first, second] = tile.halves[0];
        let [first_weight, second_weight] = tile.half_weight[0];
        let mut values = vec![0.0; tile.mean.len()];
        let mut valid = vec![false; tile.mean.len()];
        let (mut inverse, mut n) = (0.0, 0_usize);
        for p in 0..values.len() {
            let (x, y) = (tile.area.x0 + p % width, tile.area.y0 + p / width);
            let (a, b) = (first_weight[p], second_weight[p]);
            let difference = first[p] - second[p];
            let full = self
                .options
                .saturation_dn
                .is_some_and(|dn| tile.mean[p] >= SATURATED * dn);
            valid[p] = difference.is_finite() && !full && !self.mask.is_masked(x, y);
            if valid[p] {
                values[p] = difference * (a * b / (a + b)).sqrt();
                inverse += 1.0 / f64::from(tile.weight[p]);
                n += 1;
            }
        }
        let inverse = inverse / n.max(1) as f64;
        let size = (width, tile.area.height());
        let options = &self.options;
        let mut meter = DifferenceMeter::new(
            size,
            options.block_px.max(1),
            options.outlier_sigmas,
            options.outlier_grow_px,
        );
        let unit = meter.measure(&mut values, &mut valid)?;
        Some(Measured {
            pixel: inverse * unit.pixel,
            area: inverse * unit.area,
            area_scatter: unit.area_scatter,
            pixels: unit.pixels,
        })
    }
}

/// Share of full scale from which a pixel is not measured.
const SATURATED: f32 = 0.95;

impl TileObserver for HalfNoiseObserver {
    type Summary = HalfNoiseTile;

    fn observe(&self, tile: &TileSamples<'_>) -> HalfNoiseTile {
        HalfNoiseTile {
            area: tile.area,
            channel: tile.channel,
            measured: self.measure(tile),
        }
    }
}

impl HalfNoise {
    /// By channel, of all tiles together; `None` where too few pixels could be measured.
    pub fn of(tiles: &[HalfNoiseTile], channels: usize) -> Vec<Option<Self>> {
        Self::where_tiles(tiles, channels, |_| true)
    }

    /// By channel, of the tiles of a region; `None` where too few pixels could be measured.
    ///
    /// - `region`: px of the picture that the tiles are of.
    pub fn in_region(
        tiles: &[HalfNoiseTile],
        channels: usize,
        region: &Region,
    ) -> Vec<Option<Self>> {
        Self::where_tiles(tiles, channels, |area| region.holds(area))
    }

    fn where_tiles(
        tiles: &[HalfNoiseTile],
        channels: usize,
        counts: impl Fn(Rect) -> bool,
    ) -> Vec<Option<Self>> {
        let of_channel = |channel: usize| {
            let here = tiles
                .iter()
                .filter(|tile| tile.channel == channel && counts(tile.area));
            Self::of_measured(&here.filter_map(|tile| tile.measured).collect::<Vec<_>>())
        };
        (0..channels).map(of_channel).collect()
    }

    fn of_measured(measured: &[Measured]) -> Option<Self> {
        let mean =
            |value: fn(&Measured) -> f64, scatter: fn(&Measured) -> f64| -> Option<Average> {
                let scattered = measured.iter().map(|tile| Scattered {
                    value: value(tile),
                    relative_variance: scatter(tile),
                });
                average(&scattered.collect::<Vec<_>>())
            };
        let area = mean(|tile| tile.area, |tile| tile.area_scatter)?;
        let pixel = mean(|tile| tile.pixel, |tile| 2.0 / tile.pixels as f64)?;
        let (area_dn, pixel_dn) = (area.mean.max(0.0).sqrt(), pixel.mean.max(0.0).sqrt());
        (area_dn > 0.0 && pixel_dn > 0.0).then(|| Self {
            pixel_dn,
            area_dn,
            area_error_dn: 0.5 * area.error / area_dn,
            correlation: area_dn / pixel_dn,
            pixels: measured.iter().map(|tile| tile.pixels).sum(),
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use rand::{Rng, SeedableRng};
    use rand_chacha::ChaCha8Rng;
    use rand_distr::StandardNormal;

    #[test]
    fn white_noise_of_halves_of_unequal_weight_is_found() {
        const SIDE: usize = 64;
        let mut rng = ChaCha8Rng::seed_from_u64(3);
        let observer = HalfNoiseObserver::new(StarMask::empty(SIDE, SIDE), NoiseOptions::default());
        let n = SIDE * SIDE;
        let mut tiles = Vec::new();
        for _ in 0..30 {
            // Lights of variance 9 / w: weights 3 and 1 or 1 and 2 in the halves, by pixel.
            let weights: [Vec<f32>; 2] = [
                (0..n).map(|p| if p % 3 == 0 { 1.0 } else { 3.0 }).collect(),
                (0..n).map(|p| if p % 3 == 0 { 2.0 } else { 1.0 }).collect(),
            ];
            let halves = [0, 1].map(|half: usize| -> Vec<f32> {
                let draw = |w: &f32| 100.0 + 3.0 / w.sqrt() * rng.sample::<f32, _>(StandardNormal);
                weights[half].iter().map(draw).collect()
            });
            let weight: Vec<f32> = weights[0]
                .iter()
                .zip(&weights[1])
                .map(|(a, b)| a + b)
                .collect();
            let mean = vec![100.0; n];
            let [a, b] = [&halves[0], &halves[1]];
            let [wa, wb] = [&weights[0], &weights[1]];
            tiles.push(observer.observe(&TileSamples {
                area: Rect::of_size(SIDE, SIDE),
                channel: 0,
                samples: &[],
                kept: &[],
                weights: &[],
                mean: &mean,
                weight: &weight,
                halves: &[[a, b], [a, b]],
                half_weight: &[[wa, wb], [wa, wb]],
            }));
        }
        let found = HalfNoise::of(&tiles, 2);
        assert_eq!(found[1], None);
        let found = found[0].expect("thirty tiles");
        // 9 (1/3 of 1/3 + 2/3 of 1/4) = 9 x 5/18.
        let want = (9.0_f64 * 5.0 / 18.0).sqrt();
        let pixels = (30 * n) as f64;
        assert!(
            (found.pixel_dn / want - 1.0).abs() < 4.0 / (2.0 * pixels).sqrt(),
            "{found:?}"
        );
        assert!(
            (found.area_dn - want).abs() < 4.0 * found.area_error_dn,
            "{found:?}"
        );
        assert!(found.area_error_dn < 0.03 * want, "{found:?}");
    }
}
