//! Crops of results side by side, at equal field of view and brightness.

use crate::{JobError, OpenedResult};
use export::{Overwrite, PreviewOptions, write_png16};
use ndarray::{Array2, ArrayView2, s};
use noise::Comparison;
use raw::Rect;
use std::path::Path;

/// Longest side of a crop, px of the coarsest result.
const LONGEST_PX: usize = 320;
/// Nothing is enlarged further.
const MOST_ZOOM: f64 = 2.0;
/// Between two crops, px.
const GAP_PX: usize = 8;

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
    let finest = comparison
        .results
        .iter()
        .map(|result| 1.0 / result.display_scale)
        .fold(1.0, f64::max)
        .min(MOST_ZOOM);
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
