//! Crops of results side by side, at equal field of view and brightness.

use crate::page::{kind, picture};
use crate::{JobError, OpenedResult};
use export::{Overwrite, PreviewOptions, SharedRendering, SmallPicture, choose_spots, write_png16};
use ndarray::{Array2, Array3, ArrayView2, Axis, s};
use noise::Comparison;
use raw::Rect;
use report::ComparedSpot;
use std::path::Path;

/// Longest side of a crop, px of the coarsest result.
const LONGEST_PX: usize = 320;
/// Nothing is enlarged further.
const MOST_ZOOM: f64 = 2.0;
/// Between two crops, px.
const GAP_PX: usize = 8;
/// Longest side of the small copy that spots are chosen on, px.
const SMALL_PX: usize = 800;
/// Most places that a page shows.
const MOST_SPOTS: usize = 3;
/// Longest side of a place as a page draws it, px.
const MOST_DRAWN_PX: usize = 500;
/// Bytes of all pictures of a page together, not yet compressed: with a third more for their
/// encoding as text a page stays below 8 MB.
const PAGE_BYTES: usize = 5_000_000;

/// The file with all crops beside each other.
pub(crate) const CROPS: &str = "crops.png";

/// Writes the middle of the common sky as every result shows it, drawn at the scale of
/// the finest, in one picture so that all are brightened alike.
pub(crate) fn write_crops(
    folder: &Path,
    results: &[OpenedResult],
    comparison: &Comparison,
    overwrite: Overwrite,
) -> Result<(), JobError> {
    let area = middle(comparison.patch);
    let finest = finest(comparison);
    let crops: Vec<Vec<Array2<f32>>> = (0..results.len())
        .map(|k| crop(&results[k], comparison, k, area, finest))
        .collect();
    let n_planes = crops.iter().map(Vec::len).max().unwrap_or(1);
    let beside: Vec<Array2<f32>> = (0..n_planes).map(|plane| beside(&crops, plane)).collect();
    let views: Vec<ArrayView2<f32>> = beside.iter().map(|plane| plane.view()).collect();
    let options = PreviewOptions {
        max_side_px: None,
        overwrite,
        ..PreviewOptions::default()
    };
    write_png16(&folder.join(CROPS), &views, &options)?;
    Ok(())
}

/// A few places of the common sky as every result shows them, drawn by one curve.
///
/// - `path`: the page they are for.
pub(crate) fn spots(
    path: &Path,
    results: &[OpenedResult],
    comparison: &Comparison,
) -> Result<Vec<ComparedSpot>, JobError> {
    let patch = comparison.patch;
    let finest = finest(comparison);
    // Drawn bytes of a picture are its sides times three channels.
    let most_px = (PAGE_BYTES / (3 * MOST_SPOTS * results.len().max(1))).isqrt();
    let side = ((most_px.min(MOST_DRAWN_PX) as f64 / finest) as usize).max(1);
    let grid = &results[comparison.grid].planes;
    let of_patch = s![patch.y0..patch.y1, patch.x0..patch.x1];
    let views: Vec<ArrayView2<f32>> = grid.iter().map(|plane| plane.slice(of_patch)).collect();
    let small = SmallPicture::of(&views, SMALL_PX);
    let mut chosen = choose_spots(&small, (side, side), &|_, _| false);
    chosen.truncate(MOST_SPOTS);
    let n_planes = results.iter().map(|result| result.planes.len()).max();
    let seen: Vec<Vec<Array3<f32>>> = chosen
        .iter()
        .map(|spot| {
            let area = Rect {
                x0: patch.x0 + spot.x0,
                y0: patch.y0 + spot.y0,
                x1: patch.x0 + spot.x1,
                y1: patch.y0 + spot.y1,
            };
            let crops = (0..results.len())
                .map(|k| crop(&results[k], comparison, k, area, finest))
                .map(|planes| of_as_many(&planes, n_planes.unwrap_or(1)));
            crops.collect()
        })
        .collect();
    let options = PreviewOptions {
        white_balance: gray_sky(&views),
        ..PreviewOptions::default()
    };
    let shared = SharedRendering::of(seen.iter().flatten(), &options);
    let drawn = chosen.iter().zip(&seen).map(|(spot, seen)| {
        let pictures = seen.iter().map(|values| {
            let (_, rows, columns) = values.dim();
            Ok(picture(shared.png(path, values)?, (columns, rows), 1))
        });
        Ok(ComparedSpot {
            kind: kind(spot.kind),
            results: pictures.collect::<Result<_, JobError>>()?,
        })
    });
    drawn.collect()
}

/// Multipliers that make a sky gray; crops are drawn without it.
fn gray_sky(planes: &[ArrayView2<f32>]) -> Option<[f32; 3]> {
    let [red, green, blue] = planes else {
        return None;
    };
    let level = |plane: &ArrayView2<f32>| {
        let (sum, n) = plane
            .iter()
            .filter(|v| v.is_finite())
            .fold((0.0, 0_u64), |(sum, n), &value| {
                (sum + f64::from(value), n + 1)
            });
        sum / n as f64
    };
    let green = level(green);
    Some([
        (green / level(red)) as f32,
        1.0,
        (green / level(blue)) as f32,
    ])
}

/// As many planes as asked for; the last one stands in for more.
fn of_as_many(planes: &[Array2<f32>], n: usize) -> Array3<f32> {
    let views: Vec<ArrayView2<f32>> = (0..n)
        .map(|plane| planes[plane.min(planes.len() - 1)].view())
        .collect();
    ndarray::stack(Axis(0), &views).expect("planes of one shape")
}

/// Pixels of a crop to one of the grid: those of the finest result, as far as that is enlarged.
fn finest(comparison: &Comparison) -> f64 {
    let scales = comparison.results.iter();
    let finest = scales.map(|result| 1.0 / result.display_scale);
    finest.fold(1.0, f64::max).min(MOST_ZOOM)
}

/// A square in the middle, no longer than [`LONGEST_PX`].
fn middle(patch: Rect) -> Rect {
    let side = LONGEST_PX.min(patch.width()).min(patch.height());
    let x0 = patch.x0 + (patch.width() - side) / 2;
    let y0 = patch.y0 + (patch.height() - side) / 2;
    Rect {
        x0,
        y0,
        x1: x0 + side,
        y1: y0 + side,
    }
}

/// One result over `area`, `zoom` pixels per pixel of the grid, in the light of the grid's
/// result above its own sky.
fn crop(
    result: &OpenedResult,
    comparison: &Comparison,
    k: usize,
    area: Rect,
    zoom: f64,
) -> Vec<Array2<f32>> {
    let own_per_grid = 1.0 / comparison.results[k].display_scale;
    let samples = (own_per_grid / zoom).ceil().max(1.0) as usize;
    let side = |px: usize| (px as f64 * zoom).floor() as usize;
    let (width, height) = (side(area.width()), side(area.height()));
    // Pixel centers of the drawn crop on the grid: both begin at the area's first edge.
    let place = |x: f64, y: f64| {
        let on_grid = |at: f64, first: usize| (at + 0.5) / zoom - 0.5 + first as f64;
        comparison.maps[k].map(on_grid(x, area.x0), on_grid(y, area.y0))
    };
    let scales = &comparison.flux_scales[k];
    let planes = result.planes.iter().enumerate().map(|(channel, plane)| {
        let scale = scales
            .get(channel)
            .or(scales.first())
            .copied()
            .unwrap_or(1.0);
        let per_grid_px = (own_per_grid * own_per_grid / scale) as f32;
        let drawn = Rect::of_size(width, height);
        let values = noise::resample(plane.view(), place, drawn, samples);
        let values: Vec<f32> = values.into_iter().map(|v| v * per_grid_px).collect();
        let mut finite: Vec<f32> = values.iter().copied().filter(|v| v.is_finite()).collect();
        let at = finite.len() / 2;
        let sky = match finite.is_empty() {
            true => 0.0,
            false => *finite.select_nth_unstable_by(at, f32::total_cmp).1,
        };
        Array2::from_shape_vec((height, width), values)
            .expect("a value for every pixel of the crop")
            .mapv_into(|value| value - sky)
    });
    planes.collect()
}

/// One plane of all crops, left to right; a result with fewer planes shows its last.
fn beside(crops: &[Vec<Array2<f32>>], plane: usize) -> Array2<f32> {
    let (height, width) = crops[0][0].dim();
    let n = crops.len();
    let mut whole = Array2::from_elem((height, n * width + (n - 1) * GAP_PX), f32::NAN);
    for (k, planes) in crops.iter().enumerate() {
        let left = k * (width + GAP_PX);
        whole
            .slice_mut(s![.., left..left + width])
            .assign(&planes[plane.min(planes.len() - 1)]);
    }
    whole
}
