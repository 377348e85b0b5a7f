//! Where each result lies on the coarsest one.

use crate::compare::types::{CompareError, Contender};
use align::{
    Background, BackgroundOptions, DetectOptions, MatchOptions, PixelMap, Saturation, Star,
    align_stars, detect, luminance,
};
use ndarray::Array2;

/// All results on one grid.
pub(crate) struct Registered {
    /// Index of the coarsest.
    pub(crate) grid: usize,
    pub(crate) places: Vec<Place>,
}

/// One result's place.
pub(crate) struct Place {
    /// From the grid to it.
    pub(crate) map: PixelMap,
    /// Its pixels per pixel of the grid, along a side.
    pub(crate) px_per_grid: f64,
    pub(crate) matched: usize,
    pub(crate) residual_px: f64,
    pub(crate) mirrored: bool,
    pub(crate) stars: Vec<Star>,
    /// `(star of the grid, own star)`.
    pub(crate) pairs: Vec<(usize, usize)>,
}

/// Greatest change of scale between two results, as a logarithm: 2.2 times.
const MAX_SCALE_CHANGE: f64 = 0.8;
/// A float file states no white; from this share of its highest value on a star may be
/// clipped.
const NEAR_HIGHEST: f32 = 0.9;
/// Integer files saturate at their white level; resampling leaves it a little below.
const NEAR_WHITE: f32 = 0.95;

/// The plane that stars are found on: the mean of the channels as a sensor without
/// filters would see it.
fn gray(planes: &[Array2<f32>]) -> Array2<f32> {
    let mut sum = planes[0].clone();
    for plane in &planes[1..] {
        sum += plane;
    }
    sum / planes.len() as f32
}

/// The stars of a picture of one or three planes, brightest first.
pub fn detect_on(planes: &[Array2<f32>], saturation_dn: Option<f32>) -> Vec<Star> {
    let highest = |plane: &Array2<f32>| {
        plane
            .iter()
            .copied()
            .filter(|value| value.is_finite())
            .fold(f32::NEG_INFINITY, f32::max)
    };
    let limits: Vec<f32> = planes
        .iter()
        .map(|plane| {
            let by_plane = NEAR_HIGHEST * highest(plane);
            saturation_dn.map_or(by_plane, |white| NEAR_WHITE * white)
        })
        .collect();
    let mut saturated = Array2::from_elem(planes[0].dim(), false);
    for (plane, &limit) in planes.iter().zip(&limits) {
        saturated.zip_mut_with(plane, |flag, &value| *flag |= value >= limit);
    }
    let plane = luminance(gray(planes).view(), &raw::Cfa::mono());
    let background = Background::estimate(plane.view(), &BackgroundOptions::default());
    let options = DetectOptions {
        saturation: Some(Saturation::Mask(saturated.view())),
        ..DetectOptions::default()
    };
    detect(plane.view(), &background, &options)
}

/// Registers all on the coarsest.
pub(crate) fn register(contenders: &[Contender]) -> Result<Registered, CompareError> {
    let stars: Vec<Vec<Star>> = contenders
        .iter()
        .map(|contender| detect_on(&contender.planes, contender.saturation_dn))
        .collect();
    let on_first = place_all(contenders, &stars, 0)?;
    let grid = (0..on_first.len())
        .min_by(|&a, &b| on_first[a].px_per_grid.total_cmp(&on_first[b].px_per_grid))
        .unwrap_or(0);
    // Nearly equal scales: the first, so that nothing is resampled without need.
    let places = match on_first[grid].px_per_grid > 0.995 {
        true => {
            return Ok(Registered {
                grid: 0,
                places: on_first,
            });
        }
        false => place_all(contenders, &stars, grid)?,
    };
    Ok(Registered { grid, places })
}

/// Registers all on the first, whatever their scales.
pub(crate) fn register_on_first(contenders: &[Contender]) -> Result<Registered, CompareError> {
    let stars: Vec<Vec<Star>> = contenders
        .iter()
        .map(|contender| detect_on(&contender.planes, contender.saturation_dn))
        .collect();
    Ok(Registered {
        grid: 0,
        places: place_all(contenders, &stars, 0)?,
    })
}

fn place_all(
    contenders: &[Contender],
    stars: &[Vec<Star>],
    grid: usize,
) -> Result<Vec<Place>, CompareError> {
    let options = MatchOptions {
        max_scale_change: MAX_SCALE_CHANGE,
        ..MatchOptions::default()
    };
    let size = |k: usize| {
        let (rows, columns) = contenders[k].planes[0].dim();
        (columns, rows)
    };
    (0..contenders.len())
        .map(|k| {
            if k == grid {
                return Ok(Place {
                    map: PixelMap::identity(),
                    px_per_grid: 1.0,
                    matched: stars[k].len(),
                    residual_px: 0.0,
                    mirrored: false,
                    pairs: (0..stars[k].len()).map(|i| (i, i)).collect(),
                    stars: stars[k].clone(),
                });
            }
            let found =
                align_stars(&stars[grid], &stars[k], size(k), &options).map_err(|source| {
                    CompareError::Register {
                        name: contenders[k].name.clone(),
                        with: contenders[grid].name.clone(),
                        source,
                    }
                })?;
            Ok(Place {
                px_per_grid: scale(&found.map, size(grid)),
                map: found.map,
                matched: found.matched,
                residual_px: found.residual_px,
                mirrored: found.mirrored,
                stars: stars[k].clone(),
                pairs: found.pairs,
            })
        })
        .collect()
}

/// Root of how much the map enlarges an area in the middle of the picture.
fn scale(map: &PixelMap, (width, height): (usize, usize)) -> f64 {
    let (x, y) = (0.5 * width as f64, 0.5 * height as f64);
    let step = 0.1 * width.min(height) as f64;
    let (left, right) = (map.map(x - step, y), map.map(x + step, y));
    let (top, bottom) = (map.map(x, y - step), map.map(x, y + step));
    let across = (right.0 - left.0, right.1 - left.1);
    let down = (bottom.0 - top.0, bottom.1 - top.1);
    (across.0 * down.1 - across.1 * down.0).abs().sqrt() / (2.0 * step)
}
