//! Stacks as pictures that are written row by row, wherever they are kept.

use crate::JobError;
use export::PictureRows;
use ndarray::{Array2, s};
use stack::{Kernel, OutputGrid, StackError, StackPart, StackPlace, StoredStack};
use std::io;
use std::ops::Range;

/// One part of a stack as a picture.
pub(crate) struct PartRows<'a>(pub &'a StoredStack, pub StackPart);

impl PictureRows for PartRows<'_> {
    fn n_planes(&self) -> usize {
        self.0.shape().0
    }

    fn size(&self, _: usize) -> [usize; 2] {
        let (_, rows, columns) = self.0.shape();
        [rows, columns]
    }

    fn read_rows(&self, plane: usize, rows: Range<usize>, out: &mut [f32]) -> io::Result<()> {
        let read = self.0.read_rows(self.1, plane, rows, out);
        read.map_err(as_io)
    }
}

/// What enough lights see of a sky, as a picture: NaN elsewhere, where it is noisier than a
/// single light's ground.
#[derive(Debug)]
pub struct SkyAlone {
    sky: StoredStack,
    /// Least weight of a pixel that is shown, by channel; `None` where the others are NaN.
    least_weight: Option<Vec<f32>>,
}

/// Share of a full sky's weight from which a pixel of the sky alone is shown.
const LEAST_COVERAGE: f32 = 0.3;

impl SkyAlone {
    pub(crate) fn new(sky: StoredStack) -> Result<Self, StackError> {
        let full = sky.full_weights()?;
        let least_weight = full.into_iter().map(|full| LEAST_COVERAGE * full).collect();
        Ok(Self {
            sky,
            least_weight: Some(least_weight),
        })
    }

    /// The same on another grid, by cubic convolution, a plane at a time.
    pub(crate) fn on_grid(&self, grid: &OutputGrid, place: &StackPlace) -> Result<Self, JobError> {
        let (width, height) = grid.size();
        let mut sky = StoredStack::new((self.n_planes(), height, width), place)?;
        for channel in 0..self.n_planes() {
            let [rows, columns] = self.size(channel);
            let mut plane = Array2::zeros((rows, columns));
            let values = plane.as_slice_mut().expect("planes are row-major");
            self.fill_rows(channel, 0..rows, values)?;
            let map = grid.map_to_reference();
            let plane = stack::resample_plane(plane.view(), &map, Kernel::Cubic, grid.size());
            for rows in sky.strips() {
                let first = rows.start;
                sky.put_mean(channel, first, plane.slice(s![rows, ..]))?;
            }
        }
        Ok(Self {
            sky,
            least_weight: None,
        })
    }

    fn fill_rows(
        &self,
        plane: usize,
        rows: Range<usize>,
        out: &mut [f32],
    ) -> Result<(), StackError> {
        self.sky
            .read_rows(StackPart::Mean, plane, rows.clone(), out)?;
        let Some(least_weight) = &self.least_weight else {
            return Ok(());
        };
        let mut weights = vec![0.0; out.len()];
        self.sky
            .read_rows(StackPart::Weight, plane, rows, &mut weights)?;
        for (value, weight) in out.iter_mut().zip(weights) {
            if weight < least_weight[plane] {
                *value = f32::NAN;
            }
        }
        Ok(())
    }
}

impl PictureRows for SkyAlone {
    fn n_planes(&self) -> usize {
        self.sky.shape().0
    }

    fn size(&self, plane: usize) -> [usize; 2] {
        PartRows(&self.sky, StackPart::Mean).size(plane)
    }

    fn read_rows(&self, plane: usize, rows: Range<usize>, out: &mut [f32]) -> io::Result<()> {
        self.fill_rows(plane, rows, out).map_err(as_io)
    }
}

fn as_io(error: StackError) -> io::Error {
    match &error {
        StackError::ScratchRead { source, .. } => io::Error::new(source.kind(), error.to_string()),
        _ => io::Error::other(error),
    }
}
