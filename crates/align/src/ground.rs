//! The ground in a burst from a tripod: what stands still while the stars turn.
//!
//! Two things tell them apart. What moves moves with the stars ([`motion`]): the lights'
//! differences from what stands still, followed from light to light. And ground ends at an
//! edge that stands still ([`edges`]). A cut finds the labels that agree best with both
//! ([`label`]), and the boundary is then redrawn where the picture leaves the sky's level
//! ([`contour`]). Neither brightness nor color are known beforehand, so that lamps are
//! ground, and domes of light, clouds and the Milky Way are sky.

pub use boundary::boundary;
pub use cells::{cell_means, cell_px};
pub use moving::{FoundGround, find_moving_ground, ground_on_light, shown_by};
pub use place::{GroundLens, GroundPlace, GroundView};
pub use single::find_ground_alone;
pub use turn::{GroundTurn, SeenGround};

mod boundary;
mod cells;
mod contour;
mod cut;
mod edges;
mod label;
mod motion;
mod moving;
mod place;
mod single;
mod still;
mod structure;
mod turn;

use crate::PixelMap;
use ndarray::Array2;
use still::Still;

/// Fewest lights whose median stands still while stars pass.
const FEWEST_LIGHTS: usize = 4;

/// Finds the ground in lights from a camera that stands still: `[row, column]` at full
/// resolution, `true` where the picture shows ground. `None` where there is none, or none
/// can be told from the sky: fewer than four lights, a sky that hardly moves (a tracker), a
/// camera that does not stand still.
///
/// - `lights`: each in [`cell_means`] of `cell_px`, in capture order.
/// - `maps`: reference pixel to pixel of each light.
/// - `size`: width and height of the lights, px.
///
/// # Panics
///
/// When the lights are not of `size` in cells, or have not one map each.
pub fn find_ground(
    lights: &[Array2<f32>],
    maps: &[PixelMap],
    cell_px: usize,
    (width, height): (usize, usize),
) -> Option<Array2<bool>> {
    assert_eq!(lights.len(), maps.len(), "a map a light");
    let cells = (height / cell_px, width / cell_px);
    assert!(
        lights.iter().all(|light| light.dim() == cells),
        "lights of one size"
    );
    if lights.len() < FEWEST_LIGHTS || cells.0 < 8 || cells.1 < 8 {
        return None;
    }
    let coarse: Vec<Array2<f32>> = lights.iter().map(cells::halved).collect();
    let still = Still::of(&coarse);
    let score = motion::motion(&coarse, maps, &still, 2 * cell_px);
    let labels = label::label(&score, &edges::Edges::of(&still.median))?;
    let picture = Still::of(lights).median;
    let labels = contour::contour(&picture, &labels, &score.mapv(label::is_moving));
    Some(pixels(&labels, cell_px, (width, height)))
}

/// Labels of cells as labels of pixels, along a smooth line between the cells.
fn pixels(labels: &Array2<bool>, cell_px: usize, (width, height): (usize, usize)) -> Array2<bool> {
    let (rows, columns) = labels.dim();
    let share = labels.mapv(|ground| f32::from(u8::from(ground)));
    // Positions of pixels among the cells, px to cells.
    let place = |px: usize, n: usize| {
        let at = (px as f32 + 0.5) / cell_px as f32 - 0.5;
        let at = at.clamp(0.0, (n - 1) as f32);
        let low = (at as usize).min(n - 2);
        (low, at - low as f32)
    };
    Array2::from_shape_fn((height, width), |(y, x)| {
        let ((row, down), (col, across)) = (place(y, rows), place(x, columns));
        let line = |row| share[(row, col)] * (1.0 - across) + share[(row, col + 1)] * across;
        line(row) * (1.0 - down) + line(row + 1) * down > 0.5
    })
}

#[cfg(test)]
#[path = "ground/tests.rs"]
mod tests;
