//! A close look at a finished picture: a small copy of it, and a few places of it beside the
//! same places of one light.

use crate::JobError;
use crate::parts::{Ground, Parts};
use crate::second_pass::SecondPass;
use export::{SmallPicture, Spot, choose_spots};
use ndarray::{Array3, Axis, s};
use raw::Rect;
use stack::{
    DemosaicMethod, Kernel, Light, OutputGrid, StackOptions, StackPart, StoredStack, light_over,
};

/// Longest side of the small copy, px.
const SMALL_PX: usize = 800;
/// Width and height of a place, px of the picture.
const SPOT_PX: (usize, usize) = (400, 300);
/// Most of a picture that a place takes, each way, so that there is room for more than one.
const MOST_OF_PICTURE: f64 = 0.4;
/// Pixels of a light beyond a place that interpolation may ask for.
const BORDER_PX: usize = 4;

/// What is looked at.
#[derive(Clone, Debug)]
pub struct CloseLook {
    /// The whole picture, small.
    pub small: SmallPicture,
    /// Places of it.
    pub spots: Vec<SpotSeen>,
}

/// A place in a single light and in the stack; both `[channel, row, column]`, DN, on the pixels
/// of the picture.
#[derive(Clone, Debug)]
pub struct SpotSeen {
    /// Where it is, and why it was chosen.
    pub spot: Spot,
    /// The reference as it went into the stack.
    pub light: Array3<f32>,
    /// The stack.
    pub stack: Array3<f32>,
}

/// The stack, small; one plane of it is in memory at a time.
fn small_copy(stack: &StoredStack) -> Result<SmallPicture, JobError> {
    let mut small = SmallPicture::of(&[stack.plane(StackPart::Mean, 0)?.view()], SMALL_PX);
    for channel in 1..stack.shape().0 {
        let plane = stack.plane(StackPart::Mean, channel)?;
        let of_channel = SmallPicture::of(&[plane.view()], SMALL_PX);
        small.planes.extend(of_channel.planes);
    }
    Ok(small)
}

/// The mean over an area, `[channel, row, column]`.
fn over(stack: &StoredStack, area: &Rect) -> Result<Array3<f32>, JobError> {
    let rows = stack.rows(area.y0..area.y1)?;
    Ok(rows.mean.slice(s![.., .., area.x0..area.x1]).to_owned())
}

impl Parts<'_> {
    /// Looks at a stack of these lights.
    ///
    /// - `made`: how it was made anew, where it was: then it has a grid of its own.
    /// - `reference`: the light it is held against.
    pub fn close_look(
        &self,
        stack: &StoredStack,
        made: Option<&SecondPass>,
        ground: Option<&Ground>,
        reference: &Light,
    ) -> Result<CloseLook, JobError> {
        let layout = self.calibrator.layout();
        let size = (layout.width, layout.height);
        let grid = made.map_or_else(|| OutputGrid::new(1.0, size), |made| made.grid);
        let small = small_copy(stack)?;
        let is_ground = |row: usize, col: usize| {
            ground.is_some_and(|ground| ground.mask.ground()[grid.reference_pixel(row, col)])
        };
        let by_cells = made.is_some_and(|made| made.photosites.is_none());
        let spot_px = |most: usize, extent: usize| {
            most.min((MOST_OF_PICTURE * extent as f64).ceil() as usize)
        };
        let (width, height) = small.size;
        let spot_px = (spot_px(SPOT_PX.0, width), spot_px(SPOT_PX.1, height));
        let spots = choose_spots(&small, spot_px, &is_ground);
        let spots = spots.into_iter().map(|spot| {
            let area = Rect {
                x0: spot.x0,
                y0: spot.y0,
                x1: spot.x1,
                y1: spot.y1,
            };
            Ok(SpotSeen {
                spot,
                light: self.light(reference, by_cells, &grid, &area)?,
                stack: over(stack, &area)?,
            })
        });
        Ok(CloseLook {
            spots: spots.collect::<Result<_, JobError>>()?,
            small,
        })
    }

    /// One light over an area of the picture.
    fn light(
        &self,
        light: &Light,
        by_cells: bool,
        grid: &OutputGrid,
        area: &Rect,
    ) -> Result<Array3<f32>, JobError> {
        let options = StackOptions {
            demosaic: match by_cells {
                true => DemosaicMethod::Superpixel,
                false => self.options.demosaic,
            },
            ..*self.options
        };
        if by_cells || grid.scale() == 1.0 {
            return Ok(light_over(light, self.calibrator, &options, area)?);
        }
        // Enlarged to the pixels of the picture.
        let bounds = self.calibrator.layout().bounds();
        let touched = grid.on_reference(area).grown(BORDER_PX, &bounds);
        let seen = light_over(light, self.calibrator, &options, &touched)?;
        let map = grid.map_from(area, &touched);
        let planes = seen.outer_iter().map(|plane| {
            let size = (area.width(), area.height());
            stack::resample_plane(plane, &map, Kernel::Cubic, size)
        });
        let planes: Vec<_> = planes.collect();
        let views: Vec<_> = planes.iter().map(|plane| plane.view()).collect();
        Ok(ndarray::stack(Axis(0), &views).expect("planes of one shape"))
    }
}
