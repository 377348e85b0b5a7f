//! Stacks as pictures that are written row by row, wherever they are kept.

use export::PictureRows;
use stack::{StackError, StackPart, StoredStack};
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
    /// Least weight of a pixel that is shown, by channel.
    least_weight: Vec<f32>,
}

/// Share of a full sky's weight from which a pixel of the sky alone is shown.
const LEAST_COVERAGE: f32 = 0.3;

impl SkyAlone {
    pub(crate) fn new(sky: StoredStack) -> Result<Self, StackError> {
        let full = sky.full_weights()?;
        let least_weight = full.into_iter().map(|full| LEAST_COVERAGE * full).collect();
        Ok(Self { sky, least_weight })
    }
}

impl PictureRows for SkyAlone {
    fn n_planes(&self) -> usize {
        self.least_weight.len()
    }

    fn size(&self, plane: usize) -> [usize; 2] {
        PartRows(&self.sky, StackPart::Mean).size(plane)
    }

    fn read_rows(&self, plane: usize, rows: Range<usize>, out: &mut [f32]) -> io::Result<()> {
        PartRows(&self.sky, StackPart::Mean).read_rows(plane, rows.clone(), out)?;
        let mut weights = vec![0.0; out.len()];
        PartRows(&self.sky, StackPart::Weight).read_rows(plane, rows, &mut weights)?;
        for (value, weight) in out.iter_mut().zip(weights) {
            if weight < self.least_weight[plane] {
                *value = f32::NAN;
            }
        }
        Ok(())
    }
}

fn as_io(error: StackError) -> io::Error {
    match &error {
        StackError::ScratchRead { source, .. } => io::Error::new(source.kind(), error.to_string()),
        _ => io::Error::other(error),
    }
}
