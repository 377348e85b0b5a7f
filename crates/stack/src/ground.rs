//! Sky and ground of the same lights, stacked apart and joined.
//!
//! ```text
//! distance from the ground, px      0    2          6
//! ground stack (unaligned)      #########--------___________
//! sky stack (aligned)                     ____----##########   none within SAMPLE_REACH_PX
//!                                                              of the ground, in each light
//! ```
//!
//! What a lens blurs of the ridge belongs to the ground stack, where it stands still.

use crate::engine::SAMPLE_REACH_PX;
use crate::{Light, Stack, StackError, StoredStack};
use align::{PixelMap, boundary};
use ndarray::{Array2, ArrayView2, ArrayViewMut2, Zip, s};

/// Distance from the ground up to which the picture is the ground stack's alone, px: a lens
/// blurs the ridge about so far.
const GROUND_ALONE_PX: f64 = 2.0;
/// Distance from which it is the sky stack's alone, px.
const SKY_ALONE_PX: f64 = 6.0;
/// Share of a full sky's weight from which a sky stack counts fully: with less it has more
/// noise than the ground stack beside it.
const FULL_SKY: f32 = 0.3;

/// The ground in a picture, and what follows from it for stacking.
#[derive(Clone, Debug)]
pub struct GroundMask {
    ground: Array2<bool>,
    /// Distance from the ground, px; at most [`FARTHEST_PX`].
    distance_px: Array2<f32>,
}

/// Distances are measured up to here, px.
const FARTHEST_PX: f64 = 8.0;

impl GroundMask {
    /// A mask from the pixels that show ground, `[row, column]`.
    pub fn new(ground: Array2<bool>) -> Self {
        let distance_px = distances(&ground);
        Self {
            ground,
            distance_px,
        }
    }

    /// Whether each pixel shows ground, `[row, column]`.
    pub fn ground(&self) -> &Array2<bool> {
        &self.ground
    }

    /// Share of the picture that is ground, 0 to 1; 0 for a picture without pixels.
    pub fn fraction(&self) -> f64 {
        let ground = self.ground.iter().filter(|&&ground| ground).count();
        ground as f64 / self.ground.len().max(1) as f64
    }

    /// Pixels whose samples may hold light of the ground: the mask of a light's sky.
    pub fn not_sky(&self) -> Array2<bool> {
        self.distance_px.mapv(|d| f64::from(d) <= SAMPLE_REACH_PX)
    }

    /// Pixels that the joined picture does not take from the ground stack: the mask of a
    /// light's ground. Sky that no light of the sky stack may reach is not among them.
    pub fn not_ground(&self) -> Array2<bool> {
        self.distance_px.mapv(|d| f64::from(d) > SKY_ALONE_PX)
    }

    /// Share of the sky in every pixel of a joined picture where the sky is fully covered, 0
    /// to 1.
    pub fn sky_share(&self) -> Array2<f32> {
        self.distance_px
            .mapv(|distance_px| sky_share(distance_px, 1.0))
    }

    /// Pixels whose light is neither pure sky nor pure ground, or of the ground: where the
    /// noise of the joined picture is not that of the sky stack.
    pub fn not_pure_sky(&self) -> Array2<bool> {
        self.distance_px.mapv(|d| f64::from(d) <= SKY_ALONE_PX)
    }
}

/// Distance of every pixel from the next that is set, px, up to [`FARTHEST_PX`]; 0 on those.
fn distances(set: &Array2<bool>) -> Array2<f32> {
    let (rows, columns) = set.dim();
    let mut distances = set.mapv(|set| if set { 0.0 } else { FARTHEST_PX as f32 });
    let reach = FARTHEST_PX as isize;
    for (row, col) in boundary(set) {
        for dy in -reach..=reach {
            let Some(y) = row.checked_add_signed(dy).filter(|&y| y < rows) else {
                continue;
            };
            for dx in -reach..=reach {
                let Some(x) = col.checked_add_signed(dx).filter(|&x| x < columns) else {
                    continue;
                };
                let distance = ((dx * dx + dy * dy) as f32).sqrt();
                let known = &mut distances[(y, x)];
                *known = known.min(distance);
            }
        }
    }
    distances
}

/// The lights as the ground stack takes them: where they lie, as bright as they are.
///
/// Neither scaled nor leveled: what thin cloud takes from the stars, or adds to the sky, it
/// does not take from the ground or add to it.
pub fn ground_lights(lights: &[Light]) -> Vec<Light> {
    let as_it_is = |light: &Light| Light {
        mosaic: light.mosaic.clone(),
        map: PixelMap::identity(),
        scale: 1.0,
        sky_offset: light.sky_offset.zeroed(),
        weight: 1.0,
    };
    lights.iter().map(as_it_is).collect()
}

/// The picture: ground where the mask of the reference says so, sky elsewhere, a feather
/// between, and ground again where no light has sky.
///
/// Variance and weight are those of the feather's shares of both; `rejected` is that of the
/// larger share.
///
/// # Panics
///
/// When the stacks are not of one shape, or not of the mask's size.
pub fn join(mut sky: Stack, ground: &Stack, mask: &GroundMask) -> Stack {
    let full = |weights: ArrayView2<f32>| {
        let weights = weights.iter().copied();
        weights.fold(f32::MIN_POSITIVE, f32::max)
    };
    let full: Vec<f32> = sky.weight.outer_iter().map(full).collect();
    join_rows(&mut sky, ground, mask.distance_px.view(), &full);
    sky
}

/// As [`join`], of stacks that need not fit in memory; the picture takes the ground's place.
///
/// # Errors
///
/// When a scratch file cannot be read or written.
///
/// # Panics
///
/// As there.
pub fn join_stored(
    sky: &StoredStack,
    ground: &mut StoredStack,
    mask: &GroundMask,
) -> Result<(), StackError> {
    let full = sky.full_weights()?;
    for rows in sky.strips() {
        let mut joined = sky.rows(rows.clone())?;
        let of_ground = ground.rows(rows.clone())?;
        let distance_px = mask.distance_px.slice(s![rows.clone(), ..]);
        join_rows(&mut joined, &of_ground, distance_px, &full);
        ground.put_rows(rows.start, &joined)?;
    }
    Ok(())
}

/// Joins rows of both stacks; the picture takes the sky's place.
///
/// - `full`: weight of a full sky, by channel.
fn join_rows(sky: &mut Stack, ground: &Stack, distance_px: ArrayView2<f32>, full: &[f32]) {
    for (channel, full) in full.iter().enumerate() {
        let part = s![channel, .., ..];
        let mut share = sky.weight.slice(part).mapv(|weight| weight / full);
        Zip::from(&mut share)
            .and(&distance_px)
            .for_each(|share, &distance_px| *share = sky_share(distance_px, *share));
        let linear = |share: f32| (share, 1.0 - share);
        let squared = |share: f32| (share * share, (1.0 - share) * (1.0 - share));
        let mean = sky.mean.slice_mut(part);
        blend(mean, ground.mean.slice(part), &share, linear);
        let variance = sky.variance.slice_mut(part);
        blend(variance, ground.variance.slice(part), &share, squared);
        let weight = sky.weight.slice_mut(part);
        blend(weight, ground.weight.slice(part), &share, linear);
        Zip::from(sky.rejected.slice_mut(part))
            .and(ground.rejected.slice(part))
            .and(&share)
            .for_each(|sky, &ground, &share| *sky = if share < 0.5 { ground } else { *sky });
    }
}

/// Share of the sky stack in a pixel; `coverage` is its weight over that of a full sky.
fn sky_share(distance_px: f32, coverage: f32) -> f32 {
    let feather = (f64::from(distance_px) - GROUND_ALONE_PX) / (SKY_ALONE_PX - GROUND_ALONE_PX);
    match feather {
        feather if feather >= 1.0 => 1.0,
        feather if feather <= 0.0 => 0.0,
        feather => smooth_step(feather as f32) * smooth_step(coverage / FULL_SKY),
    }
}

/// From 0 at 0 to 1 at 1 without a bend.
fn smooth_step(t: f32) -> f32 {
    let t = t.clamp(0.0, 1.0);
    t * t * (3.0 - 2.0 * t)
}

/// Both pictures by the factors of their shares; one alone where the other has no value.
fn blend(
    sky: ArrayViewMut2<f32>,
    ground: ArrayView2<f32>,
    share: &Array2<f32>,
    factors: impl Fn(f32) -> (f32, f32),
) {
    Zip::from(sky)
        .and(ground)
        .and(share)
        .for_each(|sky, &ground, &share| {
            let (of_sky, of_ground) = factors(share);
            *sky = match (
                sky.is_nan() || share == 0.0,
                ground.is_nan() || share == 1.0,
            ) {
                (true, _) => ground,
                (false, true) => *sky,
                (false, false) => of_sky * *sky + of_ground * ground,
            };
        });
}

#[cfg(test)]
#[path = "ground/tests.rs"]
mod tests;
