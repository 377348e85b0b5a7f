//! Every result on the pixels of the coarsest, light kept.

use crate::compare::moments::{OUTLIER_GROW_PX, OUTLIER_SIGMAS};
use crate::compare::register::{Place, Registered};
use crate::compare::types::{CompareOptions, Contender};
use crate::difference::DifferenceMeter;
use crate::mask::{StarMask, StarMaskOptions};
use crate::region::TILE_PX;
use align::{PixelMap, Star};
use ndarray::{Array2, ArrayView2};
use raw::Rect;

/// A result as the grid sees it.
pub(crate) struct OnGrid<'a> {
    planes: Vec<std::borrow::Cow<'a, Array2<f32>>>,
    map: PixelMap,
    /// Samples along a side of a grid pixel.
    samples: usize,
    /// Own pixels in a grid pixel: turns a mean into a sum of light.
    area: f32,
}

impl<'a> OnGrid<'a> {
    pub(crate) fn new(contender: &'a Contender, place: &Place, n_channels: usize) -> Self {
        use std::borrow::Cow;
        let planes = match contender.planes.len() == n_channels {
            true => contender.planes.iter().map(Cow::Borrowed).collect(),
            false => {
                let n = contender.planes.len() as f32;
                let sum = contender.planes.iter().skip(1);
                let sum = sum.fold(contender.planes[0].clone(), |sum, plane| sum + plane);
                vec![Cow::Owned(sum / n)]
            }
        };
        Self {
            planes,
            map: place.map.clone(),
            // A sample for every own pixel, so that none is left out.
            samples: (place.px_per_grid - 0.05).ceil().max(1.0) as usize,
            area: (place.px_per_grid * place.px_per_grid) as f32,
        }
    }

    /// Variance of single own pixels off stars in a tile of the grid, without a smooth
    /// surface, scaled as white noise to the light of a grid pixel: own DN^2. `None` where
    /// too few pixels are left.
    pub(crate) fn pixel_variance(&self, channel: usize, tile: Rect, patch: &Patch) -> Option<f64> {
        let plane = &self.planes[channel];
        let (rows, columns) = plane.dim();
        let middle = |a: usize, b: usize| 0.5 * (a + b - 1) as f64;
        let (x, y) = self
            .map
            .map(middle(tile.x0, tile.x1), middle(tile.y0, tile.y1));
        let first = |at: f64, side: usize| (at - 0.5 * side as f64).round().max(0.0) as usize;
        let (x0, y0) = (first(x, tile.width()), first(y, tile.height()));
        let area = Rect {
            x0,
            y0,
            x1: x0 + tile.width(),
            y1: y0 + tile.height(),
        }
        .intersect(&Rect::of_size(columns, rows));
        let back = self.map.inverse()?;
        let (mut values, mut valid) = (Vec::new(), Vec::new());
        for row in area.y0..area.y1 {
            for col in area.x0..area.x1 {
                let value = plane[(row, col)];
                let (x, y) = back.map(col as f64, row as f64);
                values.push(value);
                valid.push(value.is_finite() && !patch.is_on_star(x, y));
            }
        }
        let size = (area.width(), area.height());
        let mut meter = DifferenceMeter::flat_top(size, OUTLIER_SIGMAS, OUTLIER_GROW_PX);
        let noise = meter.measure(&mut values, &mut valid)?;
        Some(noise.pixel * f64::from(self.area))
    }

    /// Own pixels along a side of a grid pixel.
    pub(crate) fn px_per_grid(&self) -> f64 {
        f64::from(self.area).sqrt()
    }

    pub(crate) fn n_channels(&self) -> usize {
        self.planes.len()
    }

    /// Light of the pixels of `area`, row by row: own DN per grid pixel.
    pub(crate) fn window(&self, channel: usize, area: Rect) -> Vec<f32> {
        let map = |x, y| self.map.map(x, y);
        let mut values = resample(self.planes[channel].view(), map, area, self.samples);
        for value in &mut values {
            *value *= self.area;
        }
        values
    }
}

/// The mean of a plane over every pixel of `area` of a reference, row by row, where `map`
/// leads from reference to plane, by `samples` x `samples` bilinear samples in each; NaN where one of them is missing.
///
/// With a sample for every pixel of the plane the mean over larger areas is kept.
pub fn resample(
    plane: ArrayView2<f32>,
    map: impl Fn(f64, f64) -> (f64, f64),
    area: Rect,
    samples: usize,
) -> Vec<f32> {
    let offset = |i: usize| (i as f64 + 0.5) / samples as f64 - 0.5;
    let share = 1.0 / (samples * samples) as f32;
    let mut values = Vec::with_capacity(area.width() * area.height());
    for y in area.y0..area.y1 {
        for x in area.x0..area.x1 {
            let mut sum = 0.0;
            for j in 0..samples {
                for i in 0..samples {
                    let (px, py) = map(x as f64 + offset(i), y as f64 + offset(j));
                    sum += bilinear(plane, px, py);
                }
            }
            values.push(share * sum);
        }
    }
    values
}

/// NaN outside, and beside a missing pixel that counts.
fn bilinear(plane: ArrayView2<f32>, x: f64, y: f64) -> f32 {
    let (height, width) = plane.dim();
    /// Rounding of a map that moves nothing.
    const SAME_PX: f64 = 1e-6;
    let inside = x >= -SAME_PX
        && y >= -SAME_PX
        && x <= width as f64 - 1.0 + SAME_PX
        && y <= height as f64 - 1.0 + SAME_PX;
    if !inside {
        return f32::NAN;
    }
    let split = |at: f64, n: usize| {
        let first = (at + SAME_PX).floor().clamp(0.0, (n - 1) as f64);
        let rest = (at - first).clamp(0.0, 1.0);
        let rest = if rest <= SAME_PX { 0.0 } else { rest };
        (first as usize, rest as f32)
    };
    let (col, right) = split(x, width);
    let (row, down) = split(y, height);
    let mut sum = 0.0;
    for (r, weight_y) in [(row, 1.0 - down), (row + 1, down)] {
        for (c, weight_x) in [(col, 1.0 - right), (col + 1, right)] {
            let weight = weight_x * weight_y;
            if weight > 0.0 {
                sum += weight * plane[(r.min(height - 1), c.min(width - 1))];
            }
        }
    }
    sum
}

/// The sky that all results show.
pub(crate) struct Patch {
    /// Around it, px of the grid.
    pub(crate) bounds: Rect,
    /// Tiles to be measured, in reading order.
    pub(crate) tiles: Vec<Rect>,
    /// Pixels of the tiles in common, before sampling.
    pub(crate) pixels: usize,
    mask: StarMask,
}

impl Patch {
    /// The tiles whose corners all results show; `None` when there are none.
    pub(crate) fn common(
        contenders: &[Contender],
        registered: &Registered,
        options: &CompareOptions,
    ) -> Option<Self> {
        let (height, width) = contenders[registered.grid].planes[0].dim();
        let shown = |x: usize, y: usize| {
            contenders
                .iter()
                .zip(&registered.places)
                .all(|(contender, place)| {
                    let (rows, columns) = contender.planes[0].dim();
                    let (px, py) = place.map.map(x as f64, y as f64);
                    px >= 0.0 && py >= 0.0 && px <= columns as f64 - 1.0 && py <= rows as f64 - 1.0
                })
        };
        let all: Vec<Rect> = Rect::of_size(width, height)
            .tiles(TILE_PX)
            .into_iter()
            .filter(|tile| {
                let (x1, y1) = (tile.x1 - 1, tile.y1 - 1);
                shown(tile.x0, tile.y0) && shown(x1, tile.y0) && shown(tile.x0, y1) && shown(x1, y1)
            })
            .collect();
        let bounds = all.iter().copied().reduce(|a, b| Rect {
            x0: a.x0.min(b.x0),
            y0: a.y0.min(b.y0),
            x1: a.x1.max(b.x1),
            y1: a.y1.max(b.y1),
        })?;
        let mut mask = StarMask::empty(width, height);
        for place in &registered.places {
            let on_grid = |star: &Star| {
                let (x, y) = place.map.map_back(star.x, star.y);
                Star {
                    x,
                    y,
                    fwhm_px: star.fwhm_px / place.px_per_grid,
                    ..*star
                }
            };
            let stars: Vec<Star> = place.stars.iter().map(on_grid).collect();
            mask.add_stars(&stars, &StarMaskOptions::default());
        }
        let pixels = all.iter().map(Rect::area).sum();
        // Evenly spread over the patch.
        let n = all.len();
        let kept = n.min(options.most_tiles.max(1));
        let tiles = (0..kept).map(|i| all[i * n / kept]).collect();
        Some(Self {
            bounds,
            tiles,
            pixels,
            mask,
        })
    }

    /// Whether a place is on a star, or outside.
    fn is_on_star(&self, x: f64, y: f64) -> bool {
        let (x, y) = (x.round(), y.round());
        x.is_nan() || x < 0.0 || y < 0.0 || self.mask.is_masked(x as usize, y as usize)
    }

    /// Pixels of a tile off all stars.
    pub(crate) fn off_stars(&self, tile: Rect) -> Vec<bool> {
        (tile.y0..tile.y1)
            .flat_map(|y| (tile.x0..tile.x1).map(move |x| (x, y)))
            .map(|(x, y)| !self.mask.is_masked(x, y))
            .collect()
    }
}
