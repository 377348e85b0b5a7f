//! A tracked sky over a separately shot ground.
//!
//! The ground is found in its own picture, laid on the sky's by what both show of it (ridge
//! and texture, never stars: those have moved over the ridge meanwhile), multiplied by one
//! factor, and joined with a feather.

use crate::blend_border::{beneath, border_share, fade};
use crate::blend_brightness::{blocks_beside, common, factor, steps_to};
use crate::blend_report::{Facts, report};
use crate::ground_alone::ground_alone;
use crate::progress::{Progress, Stopwatch};
use crate::{GroundChoice, JobError, OpenedResult, decode_options};
use ::stack::{GroundMask, Kernel, Stack, join, resample_plane};
use align::{
    GroundLens, GroundPlace, GroundView, Lens, PixelMap, Projection, cell_means, cell_px,
    ground_on_light,
};
use ndarray::{Array2, Array3, Axis, stack};
use raw::{Encoding, FrameInfo, open_extension};
use report::{Blend, Figure};
use std::path::{Path, PathBuf};

/// Displacement of the ground that is left as it is, px: resampling would cost more than it
/// corrects.
const LEFT_PX: f64 = 0.5;
/// Sky above the ridge that is looked at when the ground is laid on the sky, cells.
const RIDGE_CELLS: usize = 12;
/// Filter patterns that cells hold whole; both pictures are demosaiced.
const PATTERN_PX: usize = 2;

/// What to join.
#[derive(Clone, Debug)]
pub struct BlendJob {
    /// The sky.
    pub sky: PathBuf,
    /// The ground.
    pub ground: PathBuf,
    /// Where the ground is in its file; `None` counts as `Auto`.
    pub mask: GroundChoice,
}

/// A finished blend.
#[derive(Debug)]
pub struct BlendOutcome {
    /// The picture, on the sky's pixels. Variance is NaN where a source does not tell it, as a
    /// single raw; the weight of a source is 1.
    pub stack: Stack,
    /// Where it shows ground, `[row, column]`.
    pub ground: Array2<bool>,
    /// Share of the sky's file in every pixel, 0 to 1.
    pub sky_share: Array2<f32>,
    /// Orientation and colors.
    pub info: FrameInfo,
    /// Value of a saturated pixel of the sky, DN, where it is known.
    pub saturation_dn: Option<f32>,
    /// What came from where.
    pub report: Blend,
}

/// The ground's brightness against the sky's.
pub(crate) struct Brightness {
    /// By channel, where measured.
    pub measured: Vec<Option<Figure>>,
    pub by_exposure: Option<f64>,
    pub factor: f64,
    pub basis: &'static str,
}

impl BlendJob {
    /// Joins both; nothing is written.
    ///
    /// # Errors
    ///
    /// When a file cannot be read, the pictures are not alike, or have no ground in common.
    pub fn run(&self, progress: &dyn Progress) -> Result<BlendOutcome, JobError> {
        let mut stopwatch = Stopwatch::default();
        progress.stage("reading pictures", 2);
        let given = self.mask.read()?;
        let sky = linear(&self.sky)?;
        progress.advance(1);
        let ground = linear(&self.ground)?;
        progress.advance(2);
        check_alike(&sky, &ground)?;
        stopwatch.lap("read");
        progress.stage("looking for the ground", 0);
        let own_mask = self.mask_of(&ground, given)?;
        let place = lay(&ground, &own_mask, &sky).ok_or_else(|| JobError::NoCommonRidge {
            sky: self.sky.clone(),
            ground: self.ground.clone(),
        })?;
        stopwatch.lap("align");
        progress.stage("joining", 0);
        let resampled = displacement_px(&own_mask, &place.map) > LEFT_PX;
        let map = match resampled {
            true => place.map.clone(),
            false => PixelMap::identity(),
        };
        let mask = ground_on_light(&own_mask, &map, (0.0, 0.0), 1);
        let back = map.inverse().filter(|_| resampled);
        let on_sky = |plane: &Array2<f32>, kernel| match &back {
            Some(back) => resample_plane(plane.view(), back, kernel, sky.size()),
            None => plane.clone(),
        };
        let planes: Vec<Array2<f32>> = ground
            .planes
            .iter()
            .map(|plane| on_sky(plane, Kernel::Lanczos3))
            .collect();

        // Where the sky's file has its own ground, the sky behind it may still be known.
        let alone = beside_fits(&self.sky, "SKY", &sky)?;
        let seen = alone.as_ref().unwrap_or(&sky.planes);
        let unseen = no_value(seen);
        let mut to_measure = seen.clone();
        to_measure.iter_mut().for_each(|plane| hide(plane, &unseen));
        let brightness = brightness(&to_measure, &planes, &mask, (&sky, &ground));

        let sky_planes: Vec<Array2<f32>> = seen
            .iter()
            .zip(&sky.planes)
            .map(|(alone, all)| first_value(alone, all))
            .collect();
        let sky_stack = as_stack(sky_planes, beside_fits(&self.sky, "VARIANCE", &sky)?);
        let factor = brightness.factor as f32;
        let variance = beside_fits(&self.ground, "VARIANCE", &ground)?.map(|planes| {
            let scaled = |plane: &Array2<f32>| on_sky(plane, Kernel::Bilinear) * (factor * factor);
            planes.iter().map(scaled).collect()
        });
        let scaled = planes.iter().map(|plane| plane * factor).collect();
        let ground_stack = as_stack(scaled, variance);
        let mut not_sky = mask.clone();
        not_sky.zip_mut_with(&unseen, |set, unseen| *set |= unseen);
        // Where the ground's file shows nothing, the sky's is all there is.
        let ground_plane = ground_stack.mean.index_axis(Axis(0), 0);
        let has_ground = ground_plane.mapv(f32::is_finite);
        not_sky.zip_mut_with(&has_ground, |set, there| *set &= there);
        let joint = GroundMask::new(not_sky);
        let beneath = beneath(&sky_stack, &sky.planes);
        let mut stack = join(sky_stack, &ground_stack, &joint);
        let border = border_share(&has_ground);
        fade(&mut stack, &beneath, &border);
        stopwatch.lap("join");
        let mut sky_share = joint.sky_share();
        sky_share.zip_mut_with(&border, |share, border| {
            *share = 1.0 - border * (1.0 - *share)
        });
        let report = report(&Facts {
            job: self,
            sky: &sky,
            ground: &ground,
            mask: &mask,
            unseen: &unseen,
            has_ground: &has_ground,
            sky_share: &sky_share,
            stack: &stack,
            place: &place,
            offset_px: offset_px(&own_mask, &place.map),
            resampled,
            brightness: &brightness,
            stopwatch: &stopwatch,
        });
        Ok(BlendOutcome {
            stack,
            ground: mask,
            sky_share,
            info: info_of(&sky, &ground),
            saturation_dn: sky.saturation_dn.or(ground.saturation_dn),
            report,
        })
    }

    fn mask_of(
        &self,
        ground: &OpenedResult,
        given: Option<Array2<bool>>,
    ) -> Result<Array2<bool>, JobError> {
        let (width, height) = ground.size();
        if let (Some(mask), GroundChoice::Mask(path)) = (given, &self.mask) {
            if mask.dim() != (height, width) {
                let problem = format!(
                    "{}×{} px, but {} has {width}×{height} px",
                    mask.ncols(),
                    mask.nrows(),
                    raw::printable(&self.ground)
                );
                let path = path.clone();
                return Err(JobError::Mask { path, problem });
            }
            let any = mask.iter().any(|&ground| ground);
            return any.then_some(mask).ok_or_else(|| JobError::Mask {
                path: path.clone(),
                problem: "nothing in it is white".to_owned(),
            });
        }
        let (cells, side_px) = cells(ground);
        let found = ground_alone(cells, side_px, ground.size(), ground.info.orientation);
        found.ok_or_else(|| JobError::NoGround(self.ground.clone()))
    }
}

/// A file whose values follow the light.
fn linear(path: &Path) -> Result<OpenedResult, JobError> {
    if path.is_dir() {
        return Err(JobError::BlendFolder(path.to_owned()));
    }
    let opened = OpenedResult::open_clean(path)?;
    match opened.encoding {
        Encoding::Srgb | Encoding::Power(_) => Err(JobError::NotLinear(path.to_owned())),
        Encoding::Linear | Encoding::Unknown => Ok(opened),
    }
}

fn check_alike(sky: &OpenedResult, ground: &OpenedResult) -> Result<(), JobError> {
    let size = |picture: &OpenedResult| {
        let (width, height) = picture.size();
        format!("{width}×{height} px")
    };
    let channels = |picture: &OpenedResult| format!("{} channels", picture.channels.len());
    for say in [&size as &dyn Fn(&OpenedResult) -> String, &channels] {
        if say(sky) != say(ground) {
            return Err(JobError::BlendUnlike {
                path: ground.path.clone(),
                other: sky.path.clone(),
                found: say(ground),
                needed: say(sky),
            });
        }
    }
    Ok(())
}

/// All channels together, in cells.
fn cells(picture: &OpenedResult) -> (Array2<f32>, usize) {
    let (width, height) = picture.size();
    let mut gray = Array2::zeros((height, width));
    picture.planes.iter().for_each(|plane| gray += plane);
    let side_px = cell_px(width, height, PATTERN_PX);
    (cell_means(gray.view(), side_px), side_px)
}

/// Where the ground lies on the sky's picture, by the ridge and what is below it.
fn lay(ground: &OpenedResult, mask: &Array2<bool>, sky: &OpenedResult) -> Option<GroundPlace> {
    let (own, side_px) = cells(ground);
    let steps = steps_to(mask);
    let keep = Array2::from_shape_fn(own.dim(), |(row, col)| {
        steps[(row * side_px, col * side_px)] <= RIDGE_CELLS * side_px
    });
    let size = ground.size();
    let (there, _) = cells(sky);
    let own = GroundView::new(&own, side_px, size).limited_to(&keep);
    let there = GroundView::new(&there, side_px, size);
    own.find_on(&there, &lens_of(sky, ground), None)
}

/// The lens that the sky's report measured, or what the files say of it.
fn lens_of(sky: &OpenedResult, ground: &OpenedResult) -> GroundLens {
    let geometry = sky.report.as_ref().map(|report| &report.geometry);
    let measured = geometry.and_then(|geometry| {
        let named = geometry.projection.as_deref()?;
        let all = [
            Projection::Rectilinear,
            Projection::Equidistant,
            Projection::Equisolid,
            Projection::Stereographic,
        ];
        let projection = all.into_iter().find(|one| one.name() == named)?;
        let (focal_px, middle) = (geometry.focal_px?, geometry.principal_point_px?);
        let holds = geometry.model == report::GeometryModel::Lens;
        holds.then(|| {
            Lens::new(
                projection,
                focal_px,
                middle,
                geometry.distortion.unwrap_or_default(),
            )
        })
    });
    let stated = [sky, ground].into_iter().find_map(|picture| {
        let mm = picture.info.focal_length_mm?;
        Some(1000.0 * mm / picture.info.pixel_pitch_um?)
    });
    measured.map_or(GroundLens::Rectilinear(stated), GroundLens::Known)
}

/// Farthest that the ground is moved, px.
fn displacement_px(mask: &Array2<bool>, map: &PixelMap) -> f64 {
    const STRIDE: usize = 23;
    let ground = mask.indexed_iter().filter(|(_, set)| **set).step_by(STRIDE);
    let moved = ground.map(|((row, col), _)| {
        let (x, y) = map.map(col as f64, row as f64);
        (x - col as f64).hypot(y - row as f64)
    });
    moved.fold(0.0, f64::max)
}

/// Displacement of the ground's middle, px.
fn offset_px(mask: &Array2<bool>, map: &PixelMap) -> [f64; 2] {
    let (mut n, mut x, mut y) = (0.0, 0.0, 0.0);
    for ((row, col), _) in mask.indexed_iter().filter(|(_, set)| **set) {
        (n, x, y) = (n + 1.0, x + col as f64, y + row as f64);
    }
    let (x, y) = (x / f64::max(n, 1.0), y / f64::max(n, 1.0));
    let (to_x, to_y) = map.map(x, y);
    [to_x - x, to_y - y]
}

fn brightness(
    sky: &[Array2<f32>],
    ground: &[Array2<f32>],
    mask: &Array2<bool>,
    (of_sky, of_ground): (&OpenedResult, &OpenedResult),
) -> Brightness {
    let blocks = blocks_beside(mask);
    let planes = sky.iter().zip(ground);
    let measured: Vec<Option<Figure>> = planes
        .map(|(sky, ground)| factor(sky, ground, &blocks))
        .collect();
    let all: Option<Vec<Figure>> = measured.iter().copied().collect();
    let by_sky = all.and_then(|all| common(&all));
    let by_exposure = of_sky.light_gathered().zip(of_ground.light_gathered());
    let by_exposure = by_exposure.map(|(sky, ground)| sky / ground);
    let (factor, basis) = match (by_sky, by_exposure) {
        (Some(factor), _) => (factor.value, "sky"),
        (None, Some(factor)) => (factor, "exposure"),
        (None, None) => (1.0, "none"),
    };
    Brightness {
        measured,
        by_exposure,
        factor,
        basis,
    }
}

/// Planes of a FITS extension of a result: its own, or of the FITS that was written with it.
fn beside_fits(
    path: &Path,
    name: &str,
    picture: &OpenedResult,
) -> Result<Option<Vec<Array2<f32>>>, JobError> {
    use crate::result_names::{FITS, names};
    let of_result = names(path);
    let beside = path.with_file_name(FITS);
    let fits = match of_result && picture.report.is_some() && beside.is_file() {
        true => beside,
        false => path.to_owned(),
    };
    let planes = open_extension(&fits, name, &decode_options())?;
    let (width, height) = picture.size();
    let alike = |planes: &Vec<Array2<f32>>| {
        planes.len() == picture.planes.len()
            && planes.iter().all(|plane| plane.dim() == (height, width))
    };
    Ok(planes.filter(alike))
}

/// Where a channel has no value.
fn no_value(planes: &[Array2<f32>]) -> Array2<bool> {
    let mut none = Array2::from_elem(planes[0].dim(), false);
    for plane in planes {
        none.zip_mut_with(plane, |none, value| *none |= !value.is_finite());
    }
    none
}

fn hide(plane: &mut Array2<f32>, hidden: &Array2<bool>) {
    plane.zip_mut_with(hidden, |value, hidden| {
        if *hidden {
            *value = f32::NAN;
        }
    });
}

fn first_value(first: &Array2<f32>, second: &Array2<f32>) -> Array2<f32> {
    let mut both = first.clone();
    both.zip_mut_with(second, |value, second| {
        if !value.is_finite() {
            *value = *second;
        }
    });
    both
}

/// Planes as one source of a join: of weight 1 where there is a value.
fn as_stack(planes: Vec<Array2<f32>>, variance: Option<Vec<Array2<f32>>>) -> Stack {
    let cube = |planes: &[Array2<f32>]| -> Array3<f32> {
        let views: Vec<_> = planes.iter().map(|plane| plane.view()).collect();
        stack(Axis(0), &views).expect("planes of one size")
    };
    let mean = cube(&planes);
    Stack {
        variance: match variance {
            Some(variance) => cube(&variance),
            None => Array3::from_elem(mean.dim(), f32::NAN),
        },
        weight: mean.mapv(|value| if value.is_finite() { 1.0 } else { 0.0 }),
        rejected: Array3::zeros(mean.dim()),
        mean,
    }
}

/// How the picture is to be shown: as the file says that was nearer to the camera.
fn info_of(sky: &OpenedResult, ground: &OpenedResult) -> FrameInfo {
    let mut info = sky.info.clone();
    let other = &ground.info;
    if info.orientation <= 1 {
        info.orientation = other.orientation;
    }
    info.white_balance = info.white_balance.or(other.white_balance);
    info.color_matrix = info.color_matrix.or(other.color_matrix);
    info
}
