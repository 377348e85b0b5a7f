//! The ground of a burst whose camera does not stand still: a tracker, or a hand.
//!
//! The roles are swapped: every light is laid on the ground of the reference first
//! ([`super::place`]). There the ground stands still and the stars move, as from a tripod, and
//! the same evidence tells them apart. Where the sky hardly moves over the ground, the median
//! of the lights is looked at as a single picture.

use super::boundary::boundary;
use super::contour::{Limit, redrawn, touched};
use super::motion::bilinear;
use super::single::find_ground_alone;
use super::still::Still;
use super::{find_ground, pixels};
use crate::PixelMap;
use ndarray::{Array2, ArrayView1, s};
use std::ops::Range;

/// A ground found in lights whose camera moved, `[row, column]` of the reference at full
/// resolution.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct FoundGround {
    /// Where it shows ground, at the middle of its exposure.
    pub ground: Array2<bool>,
    /// The same, and all that the ground dims or brightens while it moves.
    pub touched: Array2<bool>,
}

/// Finds the ground in lights whose camera moved; `None` as [`find_ground`].
///
/// - `lights`: each in [`cell_means`](crate::cell_means) of `cell_px`, in capture order.
/// - `sky`: reference pixel to pixel of each light, by the stars.
/// - `ground`: the same by the ground.
/// - `size`: width and height of the lights, px.
///
/// # Panics
///
/// When there are not as many maps as lights, or the lights are not of `size` in cells.
pub fn find_moving_ground(
    lights: &[Array2<f32>],
    sky: &[PixelMap],
    ground: &[PixelMap],
    cell_px: usize,
    size: (usize, usize),
) -> Option<FoundGround> {
    if lights.is_empty() {
        return None;
    }
    assert!(
        lights.len() == sky.len() && lights.len() == ground.len(),
        "two maps a light"
    );
    let laid: Vec<Array2<f32>> = lights
        .iter()
        .zip(ground)
        .map(|(light, ground)| laid_on_reference(light, ground, cell_px))
        .collect();
    let over_ground: Option<Vec<PixelMap>> = sky
        .iter()
        .zip(ground)
        .map(|(sky, ground)| sky.then(&ground.inverse()?))
        .collect();
    let by_motion = over_ground.and_then(|maps| find_ground(&laid, &maps, cell_px, size));
    let picture = Still::of(&laid).median;
    let ground = by_motion.or_else(|| find_ground_alone(&picture, cell_px, size))?;
    let labels = Array2::from_shape_fn(picture.dim(), |(row, col)| {
        ground[(row * cell_px + cell_px / 2, col * cell_px + cell_px / 2)]
    });
    let still = Array2::from_elem(labels.dim(), false);
    let labels = redrawn(&picture, &labels, &Limit::SMEARED, &still);
    let ground = pixels(&labels, cell_px, size);
    let mut touched = pixels(&touched(&picture, &labels), cell_px, size);
    touched.zip_mut_with(&ground, |touched, ground| *touched |= ground);
    Some(FoundGround { ground, touched })
}

/// A light as its ground lies on the reference; NaN beyond it.
fn laid_on_reference(light: &Array2<f32>, ground: &PixelMap, cell_px: usize) -> Array2<f32> {
    let middle = 0.5 * (cell_px as f64 - 1.0);
    let px = |cell: usize| (cell * cell_px) as f64 + middle;
    Array2::from_shape_fn(light.dim(), |(row, col)| {
        let (x, y) = ground.map(px(col), px(row));
        let cell = |px: f64| ((px - middle) / cell_px as f64) as f32;
        bilinear(light, cell(x), cell(y))
    })
}

/// The reference's ground as it lies on a light, and what it sweeps while that is exposed.
///
/// Beyond the reference's border to the left and right it is wherever there is some within
/// `beyond_px` of that border: with 1 it goes on as at the border.
///
/// - `map`: reference pixel to pixel of the light, by the ground.
/// - `sweep_px`: motion of the ground during the exposure, px; the light shows its middle.
pub fn ground_on_light(
    ground: &Array2<bool>,
    map: &PixelMap,
    sweep_px: (f64, f64),
    beyond_px: usize,
) -> Array2<bool> {
    let (rows, columns) = ground.dim();
    let Some(back) = map.inverse().filter(|_| rows > 0 && columns > 0) else {
        return ground.clone();
    };
    let near = |side: Range<usize>| -> Vec<bool> {
        let row = |row: ArrayView1<bool>| row.slice(s![side.clone()]).iter().any(|&set| set);
        ground.rows().into_iter().map(row).collect()
    };
    let beyond_px = beyond_px.clamp(1, columns);
    let (left, right) = (near(0..beyond_px), near(columns - beyond_px..columns));
    let mut places = vec![(0.0, 0.0); columns];
    let mut here = Array2::from_elem((rows, columns), false);
    for row in 0..rows {
        back.map_row(0, row, &mut places);
        for (col, &(x, y)) in places.iter().enumerate() {
            let inside = |at: f64, n: usize| at.round().clamp(0.0, (n - 1) as f64) as usize;
            let y = inside(y, rows);
            here[(row, col)] = match x.round() {
                x if x < 0.0 => left[y],
                x if x >= columns as f64 => right[y],
                x => ground[(y, inside(x, columns))],
            };
        }
    }
    swept(here, sweep_px)
}

/// The pixels of a light whose ground another picture of the same size shows, or would show.
///
/// - `map`: pixel of that picture to pixel of the light, by the ground.
pub fn shown_by(map: &PixelMap, (width, height): (usize, usize)) -> Array2<bool> {
    let mut shown = Array2::from_elem((height, width), false);
    let Some(back) = map.inverse() else {
        return shown;
    };
    let inside = |at: f64, n: usize| at >= -0.5 && at < n as f64 - 0.5;
    let mut places = vec![(0.0, 0.0); width];
    for (y, mut row) in shown.rows_mut().into_iter().enumerate() {
        back.map_row(0, y, &mut places);
        for (shown, &(x, y)) in row.iter_mut().zip(&places) {
            *shown = inside(x, width) && inside(y, height);
        }
    }
    shown
}

/// A mask with all that its boundary sweeps over.
fn swept(mask: Array2<bool>, (dx, dy): (f64, f64)) -> Array2<bool> {
    let steps = dx.hypot(dy).ceil() as usize;
    if steps == 0 || !(dx + dy).is_finite() {
        return mask;
    }
    let mut swept = mask.clone();
    for (row, col) in boundary(&mask) {
        for step in 0..=steps {
            let share = step as f64 / steps as f64 - 0.5;
            let at = |start: usize, d: f64| (start as f64 + share * d).round();
            let (x, y) = (at(col, dx), at(row, dy));
            if x >= 0.0
                && y >= 0.0
                && let Some(set) = swept.get_mut((y as usize, x as usize))
            {
                *set = true;
            }
        }
    }
    swept
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::Homography;

    fn shifted(dx: f64, dy: f64) -> PixelMap {
        let mut shift = Homography::IDENTITY;
        (shift.0[0][2], shift.0[1][2]) = (dx, dy);
        PixelMap::from_homography(shift)
    }

    #[test]
    fn another_picture_shows_what_its_frame_covers() {
        let shown = shown_by(&shifted(3.0, -5.0), (30, 40));
        for ((row, col), &shown) in shown.indexed_iter() {
            assert_eq!(shown, row < 35 && col >= 3, "{row} {col}");
        }
        assert!(
            shown_by(&PixelMap::identity(), (30, 40))
                .iter()
                .all(|&shown| shown)
        );
    }

    #[test]
    fn a_ground_goes_along_and_sweeps_half_its_way_to_either_side() {
        let ground = Array2::from_shape_fn((40, 30), |(row, _)| row >= 20);
        let first_row = |mask: &Array2<bool>| mask.column(15).iter().position(|&set| set);
        let there = ground_on_light(&ground, &shifted(3.0, -5.0), (0.0, 0.0), 1);
        assert_eq!(first_row(&there), Some(15));
        assert!(there[(39, 0)], "the ground goes on beyond the border");
        let smeared = ground_on_light(&ground, &shifted(0.0, 0.0), (2.0, 8.0), 1);
        assert_eq!(first_row(&smeared), Some(16));
        let none = ground_on_light(&ground.mapv(|_| false), &shifted(1.0, 1.0), (4.0, 4.0), 1);
        assert!(none.iter().all(|&set| !set));
        let tree = Array2::from_shape_fn((40, 30), |(row, col)| row >= 20 || col == 25);
        let beyond = |px| ground_on_light(&tree, &shifted(-10.0, 0.0), (0.0, 0.0), px)[(3, 29)];
        assert!(!beyond(1) && beyond(6));
        let empty = Array2::from_elem((0, 0), false);
        assert_eq!(
            ground_on_light(&empty, &shifted(1.0, 1.0), (4.0, 4.0), 1),
            empty
        );
    }
}
