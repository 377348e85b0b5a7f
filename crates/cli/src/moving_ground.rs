//! The ground where the camera does not stand still: its place in every light.

use crate::blend_brightness::steps_to;
use crate::light::SolvedLight;
use crate::progress::Progress;
use align::{
    FoundGround, GroundLens, GroundPlace, GroundView, PixelMap, cell_means, cell_px,
    ground_on_light,
};
use ndarray::{Array2, ArrayView2, s};
use raw::Rect;
use stack::{Calibrator, GroundMask, StackError};

/// Motion of the ground up to which a camera stands still, px: what registering its texture
/// cannot tell from none.
const STILL_PX: f64 = 1.0;
/// Standard errors of its place that a motion must have to be believed.
const MOTION_SIGMAS: f64 = 5.0;
/// How far around a given ground its ridge is looked at, cells.
const RIDGE_CELLS: usize = 2;

/// A ground that moves in the frame, since the camera follows the sky or is held by hand.
#[derive(Clone, Debug)]
pub struct MovingGround {
    /// Pixel of the reference to pixel of each light, by the ground; lights in capture order.
    pub maps: Vec<PixelMap>,
    /// Where the reference shows ground at the middle of its exposure, `[row, column]`.
    pub ground: Array2<bool>,
    /// The same, and all that it dims or brightens while the reference is exposed.
    pub touched: Array2<bool>,
    /// How far it moves in the frame from the first light to the last, px.
    pub drift_px: f64,
    /// How far it moves to the right and down during a light, px; 0 where its motion is not
    /// steady.
    pub sweep_px: (f64, f64),
    /// Share of the lights' samples that is kept out of the sky, 0 to 1.
    pub masked: f64,
}

impl MovingGround {
    pub(crate) fn new(maps: Vec<PixelMap>, found: FoundGround, lights: &[SolvedLight]) -> Self {
        let FoundGround { ground, touched } = found;
        let places = center_places(&ground, &maps);
        let sweep_px = sweep_px(&places, lights);
        let drift_px = places
            .iter()
            .map(|place| (place.0 - places[0].0).hypot(place.1 - places[0].1))
            .fold(0.0, f64::max);
        Self {
            // What sweeps over a pixel for a short time may hide in the noise.
            touched: ground_on_light(&ground, &PixelMap::identity(), sweep_px, 1) | touched,
            sweep_px,
            maps,
            ground,
            drift_px,
            masked: 0.0,
        }
    }

    /// Where a light shows ground at the middle of its exposure.
    pub fn on_light(&self, light: usize) -> Array2<bool> {
        ground_on_light(&self.ground, &self.maps[light], (0.0, 0.0), 1)
    }

    /// Where a light shows ground at any time of its exposure.
    pub fn swept(&self, light: usize) -> GroundMask {
        let (touched, map) = (&self.touched, &self.maps[light]);
        // What the reference does not show may be as high as its highest tree.
        let beyond_px = touched.ncols();
        GroundMask::new(ground_on_light(touched, map, (0.0, 0.0), beyond_px))
    }

    /// Length of the way that it moves during a light, px.
    pub fn smear_px(&self) -> f64 {
        self.sweep_px.0.hypot(self.sweep_px.1)
    }
}

/// The middle of the ground, in the pixels of every light.
fn center_places(ground: &Array2<bool>, maps: &[PixelMap]) -> Vec<(f64, f64)> {
    let (mut n, mut x, mut y) = (0.0, 0.0, 0.0);
    for ((row, col), _) in ground.indexed_iter().filter(|(_, set)| **set) {
        (n, x, y) = (n + 1.0, x + col as f64, y + row as f64);
    }
    let n = f64::max(n, 1.0);
    maps.iter().map(|map| map.map(x / n, y / n)).collect()
}

/// Motion during a light, from the typical motion between neighbors in time: that of a
/// tracker is steady, and a hand's has no direction.
fn sweep_px(places: &[(f64, f64)], lights: &[SolvedLight]) -> (f64, f64) {
    let time_s = |i: usize| {
        let captured = |i: usize| lights[i].frame.frame.info.captured;
        Some(captured(i)?.seconds_since(&captured(0)?))
    };
    let exposure_s = lights[0].frame.frame.info.exposure_s.unwrap_or(0.0);
    let mut rates: Vec<(f64, f64)> = Vec::new();
    for i in 1..places.len() {
        if let Some(seconds) = time_s(i).zip(time_s(i - 1)).map(|(to, from)| to - from)
            && seconds > 0.0
        {
            let (from, to) = (places[i - 1], places[i]);
            rates.push(((to.0 - from.0) / seconds, (to.1 - from.1) / seconds));
        }
    }
    let typical = |of: fn(&(f64, f64)) -> f64| crate::cull::median(rates.iter().map(of));
    let Some((x, y)) = typical(|rate| rate.0).zip(typical(|rate| rate.1)) else {
        return (0.0, 0.0);
    };
    let off = crate::cull::median(rates.iter().map(|rate| (rate.0 - x).hypot(rate.1 - y)));
    // A motion that changes as much as it moves is not steady.
    let steady = off.is_some_and(|off| off < 0.5 * x.hypot(y));
    match steady {
        true => (x * exposure_s, y * exposure_s),
        false => (0.0, 0.0),
    }
}

/// Rows of cells made together.
const CELL_ROWS_AT_ONCE: usize = 16;

/// A light in cells, their side in px.
pub(crate) fn cells_of(
    light: &SolvedLight,
    calibrator: &Calibrator,
) -> Result<(Array2<f32>, usize), StackError> {
    let layout = calibrator.layout();
    let pattern_px = layout.cfa.width().max(layout.cfa.height());
    let cell_px = cell_px(layout.width, layout.height, pattern_px);
    let (rows, columns) = (layout.height / cell_px, layout.width / cell_px);
    let mut cells = Array2::zeros((rows, columns));
    // Some rows of cells at a time: a whole calibrated light takes twice its mosaic's memory.
    for first in (0..rows).step_by(CELL_ROWS_AT_ONCE) {
        let last = (first + CELL_ROWS_AT_ONCE).min(rows);
        let strip = Rect {
            x0: 0,
            y0: first * cell_px,
            x1: layout.width,
            y1: last * cell_px,
        };
        let window = calibrator.window(&light.light.mosaic, &strip)?;
        let mosaic = ArrayView2::from_shape((strip.height(), strip.width()), &window.values);
        let means = cell_means(mosaic.expect("a whole strip"), cell_px);
        cells.slice_mut(s![first..last, ..]).assign(&means);
    }
    Ok((cells, cell_px))
}

/// Where the ground of the reference lies on every light.
pub(crate) struct GroundMaps {
    /// Pixel of the reference to pixel of each light, lights in capture order.
    pub maps: Vec<PixelMap>,
    /// Whether it moves by more than its places are uncertain.
    pub moves: bool,
}

/// Where the ground of the reference lies on every light; `None` where the lights have no
/// ground in common. Where it does not move it lies in the same place on all.
///
/// - `given`: where the reference has ground, when that is known; nothing else is looked at.
pub(crate) fn ground_maps(
    lights: &[SolvedLight],
    reference: usize,
    calibrator: &Calibrator,
    given: Option<&Array2<bool>>,
    progress: &dyn Progress,
) -> Result<Option<GroundMaps>, StackError> {
    let layout = calibrator.layout();
    let size = (layout.width, layout.height);
    let lens = lights.iter().find_map(|light| light.light.map.lens());
    let lens = lens.map_or(GroundLens::Rectilinear(None), |lens| {
        // A ground as near as this is not seen through bent light.
        GroundLens::Known(lens.behind(None))
    });
    let view = |light: &SolvedLight| -> Result<GroundView, StackError> {
        let (cells, cell_px) = cells_of(light, calibrator)?;
        Ok(GroundView::new(&cells, cell_px, size))
    };
    let own = match given {
        None => view(&lights[reference])?,
        Some(given) => {
            let (cells, cell_px) = cells_of(&lights[reference], calibrator)?;
            let keep = near_in_cells(given, cells.dim(), cell_px);
            GroundView::new(&cells, cell_px, size).limited_to(&keep)
        }
    };
    let mut moves = false;
    let mut maps = vec![PixelMap::identity(); lights.len()];
    let mut done = 0;
    // Outwards from the reference, so that each lies near to the one before.
    let (before, after) = ((0..reference).rev(), reference + 1..lights.len());
    for way in [before.collect::<Vec<_>>(), after.collect()] {
        let mut guess: Option<GroundPlace> = None;
        for i in way {
            guess = own.find_on(&view(&lights[i])?, &lens, guess.as_ref());
            let Some(place) = &guess else {
                return Ok(None);
            };
            maps[i] = place.map.clone();
            moves |= place.moved_px > f64::max(STILL_PX, MOTION_SIGMAS * place.error_px);
            done += 1;
            progress.advance(done);
        }
    }
    if !moves {
        maps.fill(PixelMap::identity());
    }
    Ok(Some(GroundMaps { maps, moves }))
}

/// Cells on a ground and along its ridge.
fn near_in_cells(ground: &Array2<bool>, cells: (usize, usize), cell_px: usize) -> Array2<bool> {
    let steps = steps_to(ground);
    Array2::from_shape_fn(cells, |(row, col)| {
        steps[(row * cell_px, col * cell_px)] <= RIDGE_CELLS * cell_px
    })
}
