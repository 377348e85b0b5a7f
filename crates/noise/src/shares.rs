//! What of a channel was not measured, and what of its samples was not kept.

use crate::TileNoise;
use crate::robust::median;

/// Share of a channel's pixels off stars that saturate; 0 where there are none.
pub(crate) fn saturated_share(tiles: &[TileNoise], channel: usize) -> f64 {
    let tiles = tiles.iter().filter(|tile| tile.channel == channel);
    let (saturated, all) = tiles.fold((0, 0), |(saturated, all), tile| {
        (saturated + tile.saturated_pixels, all + tile.sky_pixels)
    });
    saturated as f64 / all.max(1) as f64
}

/// Share of a channel's good samples that were rejected in the typical tile; 0 where none was
/// measured.
pub(crate) fn clipped_share(tiles: &[TileNoise], channel: usize) -> f64 {
    let tiles = tiles.iter().filter(|tile| tile.channel == channel);
    let measured = tiles.filter_map(|tile| tile.measured.as_ref());
    let share = median(measured.map(|tile| tile.clipped).collect());
    if share.is_nan() { 0.0 } else { share }
}
