//! A blend where the ground's file ends: it fades into the sky's.

use crate::blend_brightness::steps_to;
use ndarray::{Array2, Array3, Axis, Zip, s};
use raw::Rect;
use stack::Stack;
use std::ops::Range;

/// How far within the border of the ground's file it gives way to the sky's, px.
/// More would draw the smeared ridge over more of the sharp one.
const BORDER_PX: usize = 12;

/// Share of the join in every pixel, the rest being the sky's file: from 0 where the ground's
/// file ends to 1.
pub(crate) fn border_share(has_ground: &Array2<bool>) -> Array2<f32> {
    steps_to(&has_ground.mapv(|here| !here)).mapv(|steps| {
        let t = steps.min(BORDER_PX) as f32 / BORDER_PX as f32;
        t * t * (3.0 - 2.0 * t)
    })
}

/// Fades the join into the sky's file; where either has no value the other is taken.
pub(crate) fn fade(stack: &mut Stack, sky: &Stack, border: &Array2<f32>) {
    for channel in 0..stack.mean.dim().0 {
        let of = |cube: &Array3<f32>| cube.index_axis(Axis(0), channel).to_owned();
        let (sky_mean, sky_variance) = (of(&sky.mean), of(&sky.variance));
        Zip::from(stack.mean.index_axis_mut(Axis(0), channel))
            .and(stack.variance.index_axis_mut(Axis(0), channel))
            .and(stack.weight.index_axis_mut(Axis(0), channel))
            .and(&sky_mean)
            .and(&sky_variance)
            .and(border)
            .for_each(|mean, variance, weight, &sky, &of_sky, &share| {
                if mean.is_nan() && sky.is_finite() {
                    (*mean, *variance, *weight) = (sky, of_sky, 1.0);
                } else if share < 1.0 && sky.is_finite() && *mean != sky {
                    *mean = share * *mean + (1.0 - share) * sky;
                    *variance = share * share * *variance + (1.0 - share).powi(2) * of_sky;
                }
            });
    }
}

/// What the join fades into: the sky's file as it is, with its own ground, smeared but
/// joined, and not the sky behind that.
///
/// - `all`: the planes of the sky's file.
pub(crate) fn beneath(sky: &Stack, all: &[Array2<f32>]) -> Stack {
    let mut beneath = sky.clone();
    for (mut beneath, all) in beneath.mean.outer_iter_mut().zip(all) {
        beneath.zip_mut_with(all, |beneath, &all| {
            if all.is_finite() {
                *beneath = all;
            }
        });
    }
    beneath
}

/// The part of the picture that the ground's file covers without a gap: what a crop would
/// keep. Its missing parts lie along the border.
pub(crate) fn common_area(has_ground: &Array2<bool>) -> Rect {
    let mut area = Rect::of_size(has_ground.ncols(), has_ground.nrows());
    while !area.is_empty() {
        let Rect { x0, y0, x1, y1 } = area;
        let missing = |rows: Range<usize>, columns: Range<usize>| {
            let edge = has_ground.slice(s![rows, columns]);
            edge.iter().filter(|&&here| !here).count() as f64 / edge.len() as f64
        };
        let edges = [
            (missing(y0..y1, x0..x0 + 1), Rect { x0: x0 + 1, ..area }),
            (missing(y0..y1, x1 - 1..x1), Rect { x1: x1 - 1, ..area }),
            (missing(y0..y0 + 1, x0..x1), Rect { y0: y0 + 1, ..area }),
            (missing(y1 - 1..y1, x0..x1), Rect { y1: y1 - 1, ..area }),
        ];
        let worst = edges.into_iter().max_by(|a, b| a.0.total_cmp(&b.0));
        match worst {
            Some((missing, smaller)) if missing > 0.0 => area = smaller,
            _ => break,
        }
    }
    area
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_crop_keeps_what_both_files_show() {
        let all = Array2::from_elem((8, 90), true);
        assert_eq!(common_area(&all), Rect::of_size(90, 8));
        let has_ground =
            Array2::from_shape_fn((40, 90), |(row, col)| col >= 10 + row / 20 && row < 33);
        let kept = Rect {
            x0: 11,
            y0: 0,
            x1: 90,
            y1: 33,
        };
        assert_eq!(common_area(&has_ground), kept);
        assert!(common_area(&all.mapv(|_| false)).is_empty());
    }

    #[test]
    fn the_join_fades_where_the_ground_ends_and_nowhere_else() {
        let all = border_share(&Array2::from_elem((8, 90), true));
        assert!(all.iter().all(|&share| share == 1.0));
        let has_ground = Array2::from_shape_fn((8, 90), |(_, col)| col >= 10);
        let share = border_share(&has_ground);
        let cube = |value: f32| Array3::from_elem((1, 8, 90), value);
        let stack = |mean: Array3<f32>| Stack {
            variance: cube(4.0),
            weight: cube(1.0),
            rejected: Array3::zeros((1, 8, 90)),
            mean,
        };
        let mut ground = cube(100.0);
        ground.slice_mut(ndarray::s![.., .., ..10]).fill(f32::NAN);
        let mut picture = stack(ground);
        fade(&mut picture, &stack(cube(50.0)), &share);
        let line: Vec<f32> = picture.mean.slice(ndarray::s![0, 3, ..]).to_vec();
        assert!(line[..10].iter().all(|&value| value == 50.0));
        assert!(line[10 + BORDER_PX..].iter().all(|&value| value == 100.0));
        // No step larger than a twentieth of the difference.
        assert!(
            line.windows(2)
                .all(|pair| (0.0..2.5).contains(&(pair[1] - pair[0])))
        );
        let middle = 10 + BORDER_PX / 2 - 1;
        assert_eq!(
            (line[middle], picture.variance[(0, 3, middle)]),
            (75.0, 2.0)
        );
    }
}
