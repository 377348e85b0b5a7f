//! The ground of a single picture, whichever way the camera was held.

use align::find_ground_alone;
use ndarray::{Array2, Axis};

/// Where a picture shows ground, `[row, column]`; `None` where none is found.
///
/// - `cells`: the picture in cells of `cell_px`.
/// - `size`: its width and height, px.
/// - `orientation`: where the visible top is (EXIF 2.32, Orientation).
pub(crate) fn ground_alone(
    cells: Array2<f32>,
    cell_px: usize,
    (width, height): (usize, usize),
    orientation: u8,
) -> Option<Array2<bool>> {
    let on_its_side = (5..=8).contains(&orientation);
    let upside_down = matches!(orientation, 3 | 4 | 7 | 8);
    let mut upright = cells;
    turn(&mut upright, on_its_side, upside_down);
    let size = match on_its_side {
        true => (height, width),
        false => (width, height),
    };
    let mut mask = find_ground_alone(&upright, cell_px, size)?;
    if upside_down {
        mask.invert_axis(Axis(0));
    }
    if on_its_side {
        mask.swap_axes(0, 1);
    }
    Some(mask.as_standard_layout().into_owned())
}

/// Brings the visible top to the first row; left and right may be swapped.
fn turn(plane: &mut Array2<f32>, on_its_side: bool, upside_down: bool) {
    if on_its_side {
        plane.swap_axes(0, 1);
    }
    if upside_down {
        plane.invert_axis(Axis(0));
    }
    *plane = plane.as_standard_layout().into_owned();
}
