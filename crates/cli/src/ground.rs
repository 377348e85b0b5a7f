//! The ground in the lights: found or given, and the skies leveled beside it.

use crate::JobError;
use crate::ground_alone::ground_alone;
use crate::ground_maps::ground_maps;
use crate::light::SolvedLight;
use crate::light_cells::{LightCells, cells_of};
use crate::moving_ground::{MovingGround, ShownGround};
use crate::progress::Progress;
use crate::shown_ground::{as_lights_show_it, look_for_ground};
use align::{FrameGrade, PixelMap, Star};
use image::{ImageError, ImageReader};
use ndarray::Array2;
use rayon::prelude::*;
use stack::{Calibrator, GroundMask, LightMask, SensorLayout, StackError, sky_offsets_over_ground};
use std::path::{Path, PathBuf};
use std::str::FromStr;
use std::sync::Arc;

/// Least share of the picture whose noise speaks for a ground.
const LEAST_MEASURED: f64 = 0.02;

/// Where the ground is known from.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub enum GroundChoice {
    /// It is looked for.
    #[default]
    Auto,
    /// There is none: everything is aligned by the stars.
    None,
    /// Nothing else counts: the lights of a camera that stands still are stacked where they
    /// lie, and no star is needed. A mask that is white throughout says the same.
    All,
    /// A picture of the lights' size, white where there is ground.
    Mask(PathBuf),
}

impl FromStr for GroundChoice {
    type Err = String;

    fn from_str(text: &str) -> Result<Self, String> {
        match text {
            "" => Err("not auto, none, all or the path of a mask".to_owned()),
            "auto" => Ok(Self::Auto),
            "none" => Ok(Self::None),
            "all" => Ok(Self::All),
            path => Ok(Self::Mask(path.into())),
        }
    }
}

impl GroundChoice {
    /// Its name in the report.
    pub fn name(&self) -> &'static str {
        match self {
            Self::Auto => "auto",
            Self::None => "none",
            Self::All => "all",
            Self::Mask(_) => "mask",
        }
    }

    /// A mask that was given, read before any work is done.
    ///
    /// # Errors
    ///
    /// When it cannot be read.
    pub(crate) fn read(&self) -> Result<Option<Array2<bool>>, JobError> {
        match self {
            Self::Mask(path) => read_mask(path).map(Some),
            _ => Ok(None),
        }
    }

    /// Whether nothing but ground counts.
    pub(crate) fn is_all(&self, given: Option<&Array2<bool>>) -> bool {
        *self == Self::All || given.is_some_and(|mask| mask.iter().all(|&ground| ground))
    }

    /// # Errors
    ///
    /// When a given mask is not of the lights' size.
    pub(crate) fn check_size(
        &self,
        given: Option<&Array2<bool>>,
        layout: &SensorLayout,
    ) -> Result<(), JobError> {
        let (Self::Mask(path), Some(mask)) = (self, given) else {
            return Ok(());
        };
        let found = (mask.ncols(), mask.nrows());
        if found == (layout.width, layout.height) {
            return Ok(());
        }
        Err(JobError::Mask {
            path: path.clone(),
            problem: format!(
                "{}×{} px, but the lights have {}×{} px",
                found.0, found.1, layout.width, layout.height
            ),
        })
    }
}

/// White, or the lighter half of gray, is ground; what is transparent is not.
fn read_mask(path: &Path) -> Result<Array2<bool>, JobError> {
    let failed = |problem: String| JobError::Mask {
        path: path.to_owned(),
        problem,
    };
    let reader = ImageReader::open(path).and_then(ImageReader::with_guessed_format);
    let decoded = match reader.map_err(|e| failed(e.to_string()))?.decode() {
        Ok(decoded) => decoded.into_luma_alpha16(),
        Err(ImageError::Unsupported(_)) => return Err(failed("not a PNG picture".to_owned())),
        Err(error) => return Err(failed(error.to_string())),
    };
    let (width, height) = decoded.dimensions();
    let half = u32::from(u16::MAX) / 2;
    let is_ground = |(row, col): (usize, usize)| {
        let [light, opaque] = decoded.get_pixel(col as u32, row as u32).0;
        u32::from(light) > half && u32::from(opaque) > half
    };
    Ok(Array2::from_shape_fn(
        (height as usize, width as usize),
        is_ground,
    ))
}

/// The ground that was set apart from the sky.
#[derive(Clone, Debug)]
pub(crate) struct Apart {
    /// Where the reference shows it, at any time of its exposure.
    pub mask: GroundMask,
    /// Where it lies in the lights, when it moves.
    pub moving: Option<MovingGround>,
    /// Whether a ground that was given is only taken to stand still: the lights do not tell.
    pub taken_for_still: bool,
}

impl Apart {
    /// A mask of every light's sky; one for all where the camera stands still.
    ///
    /// - `at_a_time`: masks made together, which bounds the memory.
    pub(crate) fn masks_of_sky(&self, lights: usize, at_a_time: usize) -> Vec<Arc<LightMask>> {
        match &self.moving {
            None => for_each(&self.mask.not_sky(), lights),
            Some(moving) => each(lights, at_a_time, |light| moving.swept(light).not_sky()),
        }
    }

    /// The lights as the stack of the ground takes them.
    pub(crate) fn lights_of_ground(&self, lights: &[stack::Light]) -> Vec<stack::Light> {
        let mut lights = stack::ground_lights(lights);
        if let Some(moving) = &self.moving {
            for (light, map) in lights.iter_mut().zip(&moving.maps) {
                light.map = map.clone();
            }
        }
        lights
    }

    /// A mask of every light's ground.
    ///
    /// - `at_a_time`: masks made together, which bounds the memory.
    pub(crate) fn masks_of_ground(&self, lights: usize, at_a_time: usize) -> Vec<Arc<LightMask>> {
        match &self.moving {
            None => for_each(&self.mask.not_ground(), lights),
            Some(moving) => each(lights, at_a_time, |light| moving.swept(light).not_ground()),
        }
    }
}

/// Finds the ground, or takes the one given, and levels the skies beside it.
///
/// The lights are measured anew where the ground is: no star lies on it, and no sky. `None`
/// without ground; then the lights are left as they are. A given mask is the reference's, and
/// of its size.
///
/// - `at_a_time`: lights of which masks are made together, which bounds the memory.
///
/// # Errors
///
/// When samples cannot be read back from the scratch file.
#[allow(clippy::too_many_arguments, reason = "named where it is called")]
pub(crate) fn set_apart(
    choice: &GroundChoice,
    given: Option<Array2<bool>>,
    lights: &mut [SolvedLight],
    reference: usize,
    calibrator: &Calibrator,
    at_a_time: usize,
    progress: &dyn Progress,
) -> Result<Option<Apart>, JobError> {
    if *choice == GroundChoice::None {
        return Ok(None);
    }
    progress.stage("looking for ground", lights.len());
    let cells = LightCells::new(lights, calibrator)?;
    let places = ground_maps(&cells, reference, given.as_ref(), progress)?;
    let not_followed = given.is_some() && places.is_none();
    let moving = match places.as_ref().filter(|places| places.moves) {
        None => None,
        Some(places) => {
            let shown = match &given {
                Some(mask) => vec![ShownGround::given(mask, places)],
                None => as_lights_show_it(&cells, reference, places),
            };
            let maps = places.maps_from(reference);
            maps.filter(|_| !shown.is_empty()).map(|maps| {
                MovingGround::new(maps, reference, shown, lights).guessed_on(&places.unseen)
            })
        }
    };
    let mut apart = match moving {
        Some(moving) => Apart {
            mask: moving.swept(reference),
            moving: Some(moving),
            taken_for_still: false,
        },
        None => {
            let still = match given {
                Some(mask) => Some(mask).filter(|mask| mask.iter().any(|&ground| ground)),
                None => match (look_for_ground(&cells), places) {
                    // Something stands still in all lights: that may be too small to tell
                    // by the stars around it.
                    (None, Some(still)) if !still.moves => {
                        let shown = as_lights_show_it(&cells, reference, &still);
                        shown.into_iter().next().map(|shown| shown.found.ground)
                    }
                    (found, _) => found,
                },
            };
            let Some(mask) = still.map(GroundMask::new) else {
                return Ok(None);
            };
            Apart {
                mask,
                moving: None,
                taken_for_still: not_followed,
            }
        }
    };
    let masked = level_beside(&apart, lights, calibrator, at_a_time)?;
    if let Some(moving) = &mut apart.moving {
        moving.masked = masked;
    }
    Ok(Some(apart))
}

/// The ground that a single light shows; `None` where it cannot be told from the sky, or is
/// too small to measure noise on.
pub(crate) fn shown_ground(
    light: &SolvedLight,
    calibrator: &Calibrator,
) -> Result<Option<Array2<bool>>, StackError> {
    let (cells, cell_px) = cells_of(light, calibrator)?;
    let orientation = light.frame.frame.info.orientation;
    let layout = calibrator.layout();
    let size = (layout.width, layout.height);
    let found = ground_alone(cells, cell_px, size, orientation);
    let share =
        |mask: &Array2<bool>| mask.iter().filter(|&&set| set).count() as f64 / mask.len() as f64;
    Ok(found.filter(|mask| share(mask) >= LEAST_MEASURED))
}

/// Takes the ground out of what is known of the lights' stars and skies; gives the share of
/// their samples that is not sky.
fn level_beside(
    apart: &Apart,
    lights: &mut [SolvedLight],
    calibrator: &Calibrator,
    at_a_time: usize,
) -> Result<f64, StackError> {
    let masks = apart.masks_of_sky(lights.len(), at_a_time);
    let skies: Result<Vec<_>, StackError> = lights
        .par_iter()
        .zip(&masks)
        .map(|(light, not_sky)| {
            let sky = &light.seen.sky;
            sky.beside_ground(&light.light.mosaic, calibrator, not_sky)
        })
        .collect();
    for (i, (light, sky)) in lights.iter_mut().zip(skies?).enumerate() {
        light.seen.sky = sky;
        let moved = apart.moving.as_ref().map(|moving| moving.on_light(i));
        let ground = moved.as_ref().unwrap_or(apart.mask.ground());
        let in_sky = |star: &Star| !is_set(ground, star.x, star.y);
        light.seen.stars.retain(in_sky);
        light.seen.grade = FrameGrade::of(&light.seen.stars);
    }
    let maps: Vec<PixelMap> = lights.iter().map(|light| light.light.map.clone()).collect();
    let scales: Vec<f32> = lights.iter().map(|light| light.light.scale).collect();
    let skies: Vec<_> = lights.iter().map(|light| &light.seen.sky).collect();
    let offsets = sky_offsets_over_ground(&skies, &maps, &scales);
    for (light, offset) in lights.iter_mut().zip(offsets) {
        light.light.sky_offset = offset;
    }
    let pixels = (masks.len() * calibrator.layout().bounds().area()).max(1);
    let masked: usize = masks.iter().map(|mask| mask.count()).sum();
    Ok(masked as f64 / pixels as f64)
}

fn is_set(mask: &Array2<bool>, x: f64, y: f64) -> bool {
    let at = (y.round() as usize, x.round() as usize);
    mask.get(at).is_some_and(|&set| set)
}

/// One mask for every light: the camera stands still.
fn for_each(mask: &Array2<bool>, lights: usize) -> Vec<Arc<LightMask>> {
    let mask = Arc::new(LightMask::new(mask));
    (0..lights).map(|_| Arc::clone(&mask)).collect()
}

/// A mask of its own for every light, some made at a time.
fn each(
    lights: usize,
    at_a_time: usize,
    mask: impl Fn(usize) -> Array2<bool> + Sync,
) -> Vec<Arc<LightMask>> {
    let mut masks = Vec::with_capacity(lights);
    for first in (0..lights).step_by(at_a_time.max(1)) {
        let some = (first..(first + at_a_time.max(1)).min(lights)).into_par_iter();
        masks.par_extend(some.map(|light| Arc::new(LightMask::new(&mask(light)))));
    }
    masks
}
