//! Lights in cells, in which a ground is looked for: small enough for some to be kept.

use crate::light::SolvedLight;
use align::{cell_means, cell_px};
use ndarray::{Array2, ArrayView2, s};
use raw::Rect;
use rayon::prelude::*;
use stack::{Calibrator, StackError};
use std::borrow::Cow;

/// Most lights that are kept; of more, as many evenly spread.
pub(crate) const MOST_LIGHTS: usize = 24;

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

/// The lights, some of them kept in cells.
pub(crate) struct LightCells<'a> {
    pub lights: &'a [SolvedLight],
    calibrator: &'a Calibrator,
    /// Lights that are kept, evenly spread, and their cells.
    pub some: Vec<usize>,
    pub kept: Vec<Array2<f32>>,
    /// Side of a cell, px.
    pub cell_px: usize,
    /// Width and height of a light, px.
    pub size: (usize, usize),
}

impl<'a> LightCells<'a> {
    pub fn new(lights: &'a [SolvedLight], calibrator: &'a Calibrator) -> Result<Self, StackError> {
        let n = lights.len().min(MOST_LIGHTS);
        let some: Vec<usize> = (0..n).map(|i| i * lights.len() / n).collect();
        let kept: Result<Vec<_>, StackError> = some
            .par_iter()
            .map(|&light| cells_of(&lights[light], calibrator))
            .collect();
        let (kept, sides): (Vec<_>, Vec<usize>) = kept?.into_iter().unzip();
        let layout = calibrator.layout();
        Ok(Self {
            lights,
            calibrator,
            some,
            kept,
            cell_px: sides.first().copied().unwrap_or(1),
            size: (layout.width, layout.height),
        })
    }

    /// Any light in cells.
    pub fn of(&self, light: usize) -> Result<Cow<'_, Array2<f32>>, StackError> {
        match self.some.binary_search(&light) {
            Ok(at) => Ok(Cow::Borrowed(&self.kept[at])),
            Err(_) => Ok(Cow::Owned(
                cells_of(&self.lights[light], self.calibrator)?.0,
            )),
        }
    }
}
