//! Stars measured while the stack is made: in every light and in the stack alike.

use super::moments::{Second, windowed_px2};
use align::{Patch, PixelMap, Star};
use ndarray::ArrayView2;
use stack::{Kernel, TileObserver, TileSamples};
use std::collections::BTreeMap;

/// What the observer needs to know.
#[derive(Clone, Debug)]
pub struct StarShapeOptions {
    /// Index of the channel that stars are measured on: green, the best sampled. One
    /// channel, so that lateral color does not pass for a shape. Default 0.
    pub channel: usize,
    /// Variance that demosaicing adds to a star on that channel along each axis, px²; it
    /// is taken off. Default 0; 1/4 for the green of a Bayer array (see
    /// [`bayer_green_variance_px2`]).
    pub smoothing_px2: f64,
    /// Full scale above black, DN; stars that come near it are left out. Default none.
    pub saturation_dn: Option<f32>,
    /// Least SNR of a star on the reference. Default 30: its second moments are known to
    /// some percent in every light.
    pub min_snr: f64,
}

impl Default for StarShapeOptions {
    fn default() -> Self {
        Self {
            channel: 0,
            smoothing_px2: 0.0,
            saturation_dn: None,
            min_snr: 30.0,
        }
    }
}

/// Variance that bilinear demosaicing adds to a star's green light along each axis: a
/// site gives half of its light to itself and an eighth to each of four neighbors, a pixel
/// away along one axis.
pub fn bayer_green_variance_px2() -> f64 {
    2.0 / 8.0
}

/// A star in the lights and in the stack.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct StarPair {
    /// Place on the reference, px.
    pub x: f64,
    /// Place on the reference, px.
    pub y: f64,
    /// Shape in a light: the mean over the lights, each about its own centroid.
    pub single: Second,
    /// Shape in the stack.
    pub stack: Second,
}

/// Share of full scale from which a star is left out: clipped tops widen it.
const NEAR_FULL: f32 = 0.8;
/// Window variance over that of the typical star, as for centroids in star detection.
const WINDOW_PER_STAR: f64 = 1.5;
/// Width of the ring that tells a star's background, px.
const RING_PX: f64 = 4.0;
/// Flux of a neighbor, over that of the star, that spoils its shape.
const NEIGHBOR_SHARE: f64 = 0.02;
/// Stars measured on a tile, at most.
const MOST_PER_TILE: usize = 16;

/// Measures stars on the tiles of a stack.
///
/// Lights and stack pass through the same demosaicing and resampling and are measured in
/// the same window on the same channel; a star's background is the median of a ring.
/// Stars whose window crosses the border of a tile are left out: a third of them.
#[derive(Debug)]
pub struct StarShapeObserver {
    options: StarShapeOptions,
    star_px2: f64,
    window_px2: f64,
    stars: BTreeMap<(usize, usize), Vec<(f64, f64)>>,
    moved: Option<Moved>,
}

/// How the lights are moved onto the reference.
#[derive(Debug)]
struct Moved {
    kernel: Kernel,
    /// From the reference to each light.
    maps: Vec<PixelMap>,
}

impl StarShapeObserver {
    /// An observer of the stars of the reference: bright, not saturated, and alone.
    ///
    /// - `stars`: as detected on the reference, its pixels.
    pub fn new(stars: &[Star], options: StarShapeOptions) -> Self {
        let mut widths: Vec<f64> = stars
            .iter()
            .filter(usable_with(&options))
            .map(|star| star.fwhm_px)
            .collect();
        widths.sort_by(f64::total_cmp);
        let fwhm_px = widths.get(widths.len() / 2).copied().unwrap_or(2.0);
        let star_px2 = (fwhm_px / super::FWHM_PER_SIGMA).powi(2) + options.smoothing_px2;
        let mut observer = Self {
            star_px2,
            window_px2: WINDOW_PER_STAR * star_px2,
            options,
            stars: BTreeMap::new(),
            moved: None,
        };
        let reach = observer.reach_px() + 0.5 * fwhm_px;
        // By column, so that neighbors are found without looking at all.
        let mut by_x: Vec<&Star> = stars.iter().collect();
        by_x.sort_by(|a, b| a.x.total_cmp(&b.x));
        let mut bright: Vec<&Star> = stars
            .iter()
            .filter(usable_with(&observer.options))
            .collect();
        bright.sort_by(|a, b| b.flux_dn.total_cmp(&a.flux_dn));
        for star in bright {
            let first = by_x.partition_point(|other| other.x < star.x - reach);
            let alone = by_x[first..]
                .iter()
                .take_while(|other| other.x <= star.x + reach)
                .filter(|other| (other.x - star.x).hypot(other.y - star.y) <= reach)
                .filter(|other| other.flux_dn > NEIGHBOR_SHARE * star.flux_dn)
                .count()
                <= 1;
            if alone {
                let side = stack::TILE_PX as f64;
                let tile = ((star.x / side) as usize, (star.y / side) as usize);
                let of_tile = observer.stars.entry(tile).or_default();
                if of_tile.len() < MOST_PER_TILE {
                    of_tile.push((star.x, star.y));
                }
            }
        }
        observer
    }

    /// The same, knowing how the lights are moved onto the reference, in the order of their
    /// samples: interpolation makes a star longer along the axis on which it falls further
    /// from the middle of a pixel, and of few lights that does not average. It is taken
    /// off, from lights and stack alike.
    pub fn with_maps(self, kernel: Kernel, maps: Vec<PixelMap>) -> Self {
        Self {
            moved: Some(Moved { kernel, maps }),
            ..self
        }
    }

    pub(super) fn options(&self) -> &StarShapeOptions {
        &self.options
    }

    /// Variance of the window, px².
    pub(super) fn window_px2(&self) -> f64 {
        self.window_px2
    }

    fn reach_px(&self) -> f64 {
        // Where the window of `align::Patch` is cut.
        4.0 * self.window_px2.sqrt()
    }

    /// Windowed moments of the star near a place of a plane; `None` when there is none.
    fn measure(&self, plane: ArrayView2<f32>, place: (f64, f64)) -> Option<Second> {
        const MAX_MOVE_PX: f64 = 3.0;
        let patch = Patch {
            plane,
            level_dn: self.level_dn(plane, place)?,
        };
        let (x, y) = patch.centroid(place, self.window_px2, self.star_px2, MAX_MOVE_PX)?;
        let moments = patch.moments(x, y, self.window_px2)?;
        let windowed = Second {
            xx: moments.xx,
            xy: moments.xy,
            yy: moments.yy,
        };
        windowed.is_finite().then_some(windowed)
    }

    /// Median of the ring around the window.
    fn level_dn(&self, plane: ArrayView2<f32>, (x, y): (f64, f64)) -> Option<f64> {
        const FEWEST: usize = 24;
        let (inner, outer) = (self.reach_px(), self.reach_px() + RING_PX);
        let (height, width) = plane.dim();
        let span = |center: f64, n: usize| {
            let first = (center - outer).ceil().max(0.0) as usize;
            first..((center + outer).floor().max(0.0) as usize + 1).min(n)
        };
        let mut ring: Vec<f32> = span(y, height)
            .flat_map(|row| span(x, width).map(move |col| (row, col)))
            .filter(|&(row, col)| {
                let distance = (col as f64 - x).hypot(row as f64 - y);
                distance > inner && distance <= outer
            })
            .map(|at| plane[at])
            .filter(|value| value.is_finite())
            .collect();
        ring.sort_by(f32::total_cmp);
        (ring.len() >= FEWEST).then(|| f64::from(ring[ring.len() / 2]))
    }

    fn near_full(&self, plane: ArrayView2<f32>, (x, y): (f64, f64)) -> bool {
        let Some(full_dn) = self.options.saturation_dn else {
            return false;
        };
        let near = |center: f64, n: usize| {
            let center = center.round().max(0.0) as usize;
            center.saturating_sub(2)..(center + 3).min(n)
        };
        let (height, width) = plane.dim();
        near(y, height)
            .any(|row| near(x, width).any(|col| plane[(row, col)] >= NEAR_FULL * full_dn))
    }

    fn star(&self, tile: &TileSamples<'_>, (x, y): (f64, f64)) -> Option<StarPair> {
        let shape = (tile.area.height(), tile.area.width());
        let view = |plane| ArrayView2::from_shape(shape, plane).expect("planes cover the tile");
        let place = (x - tile.area.x0 as f64, y - tile.area.y0 as f64);
        let (mut sum, mut weights, mut n) = (Second::default(), 0.0, 0);
        let mut stretched = Second::default();
        for (light, (samples, &weight)) in tile.samples.iter().zip(tile.weights).enumerate() {
            let plane = view(*samples);
            if self.near_full(plane, place) {
                return None;
            }
            if let Some(windowed) = self.measure(plane, place) {
                sum = sum.plus(windowed.times(f64::from(weight)));
                let variances = (self.star_px2, self.window_px2);
                let moved = self.moved.as_ref();
                let stretch = moved.map(|moved| moved.stretch(light, (x, y), variances));
                stretched = stretched.plus(stretch.unwrap_or_default().times(f64::from(weight)));
                weights += f64::from(weight);
                n += 1;
            }
        }
        if n == 0 || 2 * n < tile.samples.len() {
            return None;
        }
        let windowed = self.measure(view(tile.mean), place)?;
        let smoothing = self.options.smoothing_px2;
        let stretched = stretched.times(1.0 / weights);
        let behind = |windowed: Second| {
            let behind = windowed.behind(self.window_px2)?;
            Some(behind.narrowed(smoothing).plus(stretched.times(-1.0)))
        };
        Some(StarPair {
            x,
            y,
            single: behind(sum.times(1.0 / weights))?,
            stack: behind(windowed)?,
        })
    }
}

impl Moved {
    /// By how much interpolation makes a light's star longer along x or y: what it adds to
    /// both alike is left out. Nothing where the light's place is not known.
    ///
    /// - `variances`: of star and window, px².
    fn stretch(&self, light: usize, (x, y): (f64, f64), variances: (f64, f64)) -> Second {
        // Of the pixels of the reference: all around the star are moved alike.
        let pixel = (x.round(), y.round());
        let place = self.maps.get(light).map(|map| map.map(pixel.0, pixel.1));
        let Some((x, y)) = place.filter(|(x, y)| x.is_finite() && y.is_finite()) else {
            return Second::default();
        };
        let half = 0.5 * (self.added_px2(x, variances) - self.added_px2(y, variances));
        Second {
            xx: half,
            xy: 0.0,
            yy: -half,
        }
    }

    /// What interpolation seems to add along one axis to a star of `star_px2` by its moments
    /// in the window, px²: little copies of the star lie where the kernel has its weights.
    /// More than the weights' own moment (`f (1 − f)` of a linear kernel at the phase f),
    /// since two copies are flatter than a Gaussian; 0 at the middle of a pixel.
    fn added_px2(&self, place: f64, (star_px2, window_px2): (f64, f64)) -> f64 {
        const REACH_PX: i32 = 3;
        let phase = place - place.floor();
        let copies = (-REACH_PX..=REACH_PX).map(|pixel| {
            let distance = f64::from(pixel) - phase;
            (distance, self.kernel.weight(distance))
        });
        let windowed = windowed_px2(copies, star_px2, window_px2);
        1.0 / (1.0 / windowed - 1.0 / window_px2) - star_px2
    }
}

fn usable_with(options: &StarShapeOptions) -> impl Fn(&&Star) -> bool + '_ {
    move |star| !star.saturated && star.snr >= options.min_snr && star.fwhm_px.is_finite()
}

impl TileObserver for StarShapeObserver {
    type Summary = Vec<StarPair>;

    fn observe(&self, tile: &TileSamples<'_>) -> Vec<StarPair> {
        let side = stack::TILE_PX;
        let place = (tile.area.x0 / side, tile.area.y0 / side);
        let stars = self
            .stars
            .get(&place)
            .filter(|_| tile.channel == self.options.channel);
        let stars = stars.into_iter().flatten();
        stars.filter_map(|&star| self.star(tile, star)).collect()
    }
}
