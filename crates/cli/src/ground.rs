//! The ground in the lights: found or given, and the skies leveled beside it.

use crate::JobError;
use crate::light::SolvedLight;
use crate::progress::Progress;
use align::{FrameGrade, PixelMap, Star, cell_means, cell_px, find_ground};
use image::{ImageError, ImageReader};
use ndarray::{Array2, ArrayView2};
use rayon::prelude::*;
use stack::{Calibrator, GroundMask, StackError, sky_offsets_over_ground};
use std::path::{Path, PathBuf};
use std::str::FromStr;
use std::sync::Arc;

/// Most lights that the ground is looked for in; of more, as many evenly spread.
const MOST_LIGHTS: usize = 24;

/// Where the ground is known from.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub enum GroundChoice {
    /// It is looked for.
    #[default]
    Auto,
    /// There is none: everything is aligned by the stars.
    None,
    /// A picture of the lights' size, white where there is ground.
    Mask(PathBuf),
}

impl FromStr for GroundChoice {
    type Err = String;

    fn from_str(text: &str) -> Result<Self, String> {
        match text {
            "" => Err("not auto, none or the path of a mask".to_owned()),
            "auto" => Ok(Self::Auto),
            "none" => Ok(Self::None),
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

/// Finds the ground, or takes the one given, and levels the skies beside it.
///
/// The lights are measured anew where the ground is: no star lies on it, and no sky. `None`
/// without ground; then the lights are left as they are.
///
/// # Errors
///
/// When a given mask is not of the lights' size, or samples cannot be read back from the
/// scratch file.
pub(crate) fn set_apart(
    choice: &GroundChoice,
    given: Option<Array2<bool>>,
    lights: &mut [SolvedLight],
    calibrator: &Calibrator,
    progress: &dyn Progress,
) -> Result<Option<GroundMask>, JobError> {
    let layout = calibrator.layout();
    let ground = match (choice, given) {
        (GroundChoice::None, _) => None,
        (GroundChoice::Mask(path), Some(mask)) => {
            let found = (mask.ncols(), mask.nrows());
            if found != (layout.width, layout.height) {
                return Err(JobError::Mask {
                    path: path.clone(),
                    problem: format!(
                        "{}×{} px, but the lights have {}×{} px",
                        found.0, found.1, layout.width, layout.height
                    ),
                });
            }
            mask.iter().any(|&ground| ground).then_some(mask)
        }
        _ => {
            progress.stage("looking for ground", 0);
            look_for_ground(lights, calibrator)?
        }
    };
    let Some(mask) = ground.map(GroundMask::new) else {
        return Ok(None);
    };
    level_beside(&mask, lights, calibrator)?;
    Ok(Some(mask))
}

fn look_for_ground(
    lights: &[SolvedLight],
    calibrator: &Calibrator,
) -> Result<Option<Array2<bool>>, StackError> {
    let layout = calibrator.layout();
    let pattern_px = layout.cfa.width().max(layout.cfa.height());
    let cell_px = cell_px(layout.width, layout.height, pattern_px);
    let n = lights.len().min(MOST_LIGHTS);
    let some: Vec<&SolvedLight> = (0..n).map(|i| &lights[i * lights.len() / n]).collect();
    let cells = |light: &&SolvedLight| -> Result<Array2<f32>, StackError> {
        let window = calibrator.window(&light.light.mosaic, &layout.bounds())?;
        let mosaic = ArrayView2::from_shape((layout.height, layout.width), &window.values);
        Ok(cell_means(mosaic.expect("a whole frame"), cell_px))
    };
    let cells: Result<Vec<_>, _> = some.par_iter().map(cells).collect();
    let maps: Vec<PixelMap> = some.iter().map(|light| light.light.map.clone()).collect();
    let size = (layout.width, layout.height);
    Ok(find_ground(&cells?, &maps, cell_px, size))
}

/// Takes the ground out of what is known of the lights' stars and skies.
fn level_beside(
    mask: &GroundMask,
    lights: &mut [SolvedLight],
    calibrator: &Calibrator,
) -> Result<(), StackError> {
    let not_sky = mask.not_sky();
    let skies: Result<Vec<_>, StackError> = lights
        .par_iter()
        .map(|light| {
            let sky = &light.seen.sky;
            sky.beside_ground(&light.light.mosaic, calibrator, &not_sky)
        })
        .collect();
    for (light, sky) in lights.iter_mut().zip(skies?) {
        light.seen.sky = sky;
        let in_sky = |star: &Star| !is_set(mask.ground(), star.x, star.y);
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
    Ok(())
}

fn is_set(mask: &Array2<bool>, x: f64, y: f64) -> bool {
    let at = (y.round() as usize, x.round() as usize);
    mask.get(at).is_some_and(|&set| set)
}

/// One mask for every light: the camera stands still.
pub(crate) fn for_each(mask: Array2<bool>, lights: usize) -> Vec<Arc<Array2<bool>>> {
    let mask = Arc::new(mask);
    (0..lights).map(|_| Arc::clone(&mask)).collect()
}
