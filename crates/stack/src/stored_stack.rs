//! A stack in memory or in a scratch file, written and read by rows.

use crate::scratch::ScratchFile;
use crate::{Stack, StackError};
use ndarray::{Array2, Array3, ArrayView2, s};
use std::ops::Range;
use std::path::PathBuf;

/// Where a stack is kept.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum StackPlace {
    /// In memory.
    Memory,
    /// In a scratch file in this folder.
    Scratch(PathBuf),
}

/// What a stack knows of every pixel.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum StackPart {
    /// [`Stack::mean`].
    Mean,
    /// [`Stack::variance`].
    Variance,
    /// [`Stack::weight`].
    Weight,
    /// [`Stack::rejected`].
    Rejected,
}

/// A [`Stack`] that need not fit in memory.
#[derive(Debug)]
pub struct StoredStack {
    /// Channels, rows, columns.
    shape: (usize, usize, usize),
    place: Place,
}

#[derive(Debug)]
enum Place {
    Memory(Box<Stack>),
    /// The planes one after the other: those of the mean, of the variance, of the weight, of
    /// the count of what was rejected.
    Scratch(ScratchFile),
}

/// Rows read and written together where a whole stack is gone through.
const ROWS_AT_ONCE: usize = 64;

impl From<Stack> for StoredStack {
    fn from(stack: Stack) -> Self {
        Self {
            shape: stack.mean.dim(),
            place: Place::Memory(Box::new(stack)),
        }
    }
}

impl StoredStack {
    /// Bytes of a stack for each pixel and channel.
    pub const BYTES_PER_SAMPLE: u64 = 3 * size_of::<f32>() as u64 + size_of::<u16>() as u64;

    /// A stack that is to be filled; until then in memory it is zero, and a scratch file
    /// cannot be read.
    ///
    /// - `shape`: channels, rows, columns.
    ///
    /// # Errors
    ///
    /// When the scratch file cannot be made.
    pub fn new(shape: (usize, usize, usize), place: &StackPlace) -> Result<Self, StackError> {
        Ok(match place {
            StackPlace::Memory => Stack::zeros(shape).into(),
            StackPlace::Scratch(dir) => Self {
                shape,
                place: Place::Scratch(ScratchFile::create(dir)?),
            },
        })
    }

    /// Channels, rows, columns.
    pub fn shape(&self) -> (usize, usize, usize) {
        self.shape
    }

    /// The stack as it is, where it is in memory.
    pub fn in_memory(&self) -> Option<&Stack> {
        match &self.place {
            Place::Memory(stack) => Some(stack),
            Place::Scratch(_) => None,
        }
    }

    /// Puts rows in their place, all channels and parts of them.
    ///
    /// # Panics
    ///
    /// When they are of another width or number of channels, or reach beyond the last row.
    ///
    /// # Errors
    ///
    /// When the scratch file cannot be written.
    pub fn put_rows(&mut self, first: usize, rows: &Stack) -> Result<(), StackError> {
        let (channels, height, width) = rows.mean.dim();
        let fits = (channels, width) == (self.shape.0, self.shape.2);
        assert!(fits && first + height <= self.shape.1, "rows of this stack");
        match &mut self.place {
            Place::Memory(stack) => {
                let area = s![.., first..first + height, ..];
                stack.mean.slice_mut(area).assign(&rows.mean);
                stack.variance.slice_mut(area).assign(&rows.variance);
                stack.weight.slice_mut(area).assign(&rows.weight);
                stack.rejected.slice_mut(area).assign(&rows.rejected);
            }
            Place::Scratch(file) => {
                let file = file.clone();
                for channel in 0..channels {
                    let area = s![channel, .., ..];
                    let parts = [
                        (StackPart::Mean, as_bytes(rows.mean.slice(area))),
                        (StackPart::Variance, as_bytes(rows.variance.slice(area))),
                        (StackPart::Weight, as_bytes(rows.weight.slice(area))),
                    ];
                    for (part, bytes) in parts {
                        file.write_at(self.place_in_file(part, channel, first), &bytes)?;
                    }
                    let counts = rows.rejected.slice(area);
                    let bytes: Vec<u8> = counts.iter().flat_map(|v| v.to_ne_bytes()).collect();
                    let at = self.place_in_file(StackPart::Rejected, channel, first);
                    file.write_at(at, &bytes)?;
                }
            }
        }
        Ok(())
    }

    /// Puts rows of one channel's combined value in their place, [`Stack::mean`] alone.
    ///
    /// # Panics
    ///
    /// When they are of another width, or there are no such rows or channel.
    ///
    /// # Errors
    ///
    /// When the scratch file cannot be written.
    pub fn put_mean(
        &mut self,
        channel: usize,
        first: usize,
        rows: ArrayView2<f32>,
    ) -> Result<(), StackError> {
        let (channels, height, width) = self.shape;
        let fits = channel < channels && first + rows.nrows() <= height;
        assert!(fits && rows.ncols() == width, "rows of this stack");
        match &mut self.place {
            Place::Memory(stack) => {
                let area = s![channel, first..first + rows.nrows(), ..];
                stack.mean.slice_mut(area).assign(&rows);
                Ok(())
            }
            Place::Scratch(file) => {
                let file = file.clone();
                let at = self.place_in_file(StackPart::Mean, channel, first);
                file.write_at(at, &as_bytes(rows))
            }
        }
    }

    /// Reads rows of one channel of a part into `out`, row by row.
    ///
    /// # Panics
    ///
    /// When the stack has no such rows or channel, or `out` is not of their length.
    ///
    /// # Errors
    ///
    /// When the scratch file cannot be read.
    pub fn read_rows(
        &self,
        part: StackPart,
        channel: usize,
        rows: Range<usize>,
        out: &mut [f32],
    ) -> Result<(), StackError> {
        let (channels, height, width) = self.shape;
        assert!(
            channel < channels && rows.end <= height,
            "part of the stack"
        );
        assert_eq!(out.len(), rows.len() * width, "room for the rows");
        match &self.place {
            Place::Memory(stack) => {
                let area = s![channel, rows, ..];
                let values = match part {
                    StackPart::Mean => stack.mean.slice(area),
                    StackPart::Variance => stack.variance.slice(area),
                    StackPart::Weight => stack.weight.slice(area),
                    StackPart::Rejected => {
                        let counts = stack.rejected.slice(area);
                        out.iter_mut()
                            .zip(counts)
                            .for_each(|(out, &n)| *out = f32::from(n));
                        return Ok(());
                    }
                };
                out.iter_mut().zip(values).for_each(|(out, &v)| *out = v);
            }
            Place::Scratch(file) => {
                let mut bytes = vec![0; sample_bytes(part) * out.len()];
                file.read_at(self.place_in_file(part, channel, rows.start), &mut bytes)?;
                match part {
                    StackPart::Rejected => {
                        for (out, bytes) in out.iter_mut().zip(bytes.chunks_exact(2)) {
                            *out = f32::from(u16::from_ne_bytes([bytes[0], bytes[1]]));
                        }
                    }
                    _ => {
                        for (out, bytes) in out.iter_mut().zip(bytes.chunks_exact(4)) {
                            let bytes = [bytes[0], bytes[1], bytes[2], bytes[3]];
                            *out = f32::from_ne_bytes(bytes);
                        }
                    }
                }
            }
        }
        Ok(())
    }

    /// One channel of a part, `[row, column]`.
    ///
    /// # Panics
    ///
    /// When there is no such channel.
    ///
    /// # Errors
    ///
    /// When the scratch file cannot be read.
    pub fn plane(&self, part: StackPart, channel: usize) -> Result<Array2<f32>, StackError> {
        let (_, height, width) = self.shape;
        let mut values = vec![0.0; height * width];
        for rows in self.strips() {
            let strip = &mut values[rows.start * width..rows.end * width];
            self.read_rows(part, channel, rows, strip)?;
        }
        Ok(Array2::from_shape_vec((height, width), values).expect("a value for every pixel"))
    }

    /// Rows with all their channels and parts.
    ///
    /// # Panics
    ///
    /// When the stack has no such rows.
    ///
    /// # Errors
    ///
    /// When the scratch file cannot be read.
    pub fn rows(&self, rows: Range<usize>) -> Result<Stack, StackError> {
        if let Place::Memory(stack) = &self.place {
            let area = s![.., rows, ..];
            return Ok(Stack {
                mean: stack.mean.slice(area).to_owned(),
                variance: stack.variance.slice(area).to_owned(),
                weight: stack.weight.slice(area).to_owned(),
                rejected: stack.rejected.slice(area).to_owned(),
            });
        }
        let (channels, _, width) = self.shape;
        let shape = (channels, rows.len(), width);
        let read = |part| -> Result<Array3<f32>, StackError> {
            let mut values = Array3::zeros(shape);
            for (channel, mut plane) in values.outer_iter_mut().enumerate() {
                let plane = plane.as_slice_mut().expect("planes are row-major");
                self.read_rows(part, channel, rows.clone(), plane)?;
            }
            Ok(values)
        };
        Ok(Stack {
            mean: read(StackPart::Mean)?,
            variance: read(StackPart::Variance)?,
            weight: read(StackPart::Weight)?,
            // Whole numbers of 16 bits are exact in f32.
            rejected: read(StackPart::Rejected)?.mapv(|count| count as u16),
        })
    }

    /// The whole stack.
    ///
    /// # Errors
    ///
    /// When the scratch file cannot be read.
    pub fn whole(&self) -> Result<Stack, StackError> {
        self.rows(0..self.shape.1)
    }

    /// The whole stack; as it is when it is in memory.
    ///
    /// # Errors
    ///
    /// When the scratch file cannot be read.
    pub fn into_memory(self) -> Result<Stack, StackError> {
        match self.place {
            Place::Memory(stack) => Ok(*stack),
            Place::Scratch(_) => self.whole(),
        }
    }

    /// The largest weight of every channel: that of a pixel all lights reach. At least the
    /// least positive number.
    ///
    /// # Errors
    ///
    /// When the scratch file cannot be read.
    pub fn full_weights(&self) -> Result<Vec<f32>, StackError> {
        let (channels, _, width) = self.shape;
        let mut full = vec![f32::MIN_POSITIVE; channels];
        let mut values = Vec::new();
        for (channel, full) in full.iter_mut().enumerate() {
            for rows in self.strips() {
                values.resize(rows.len() * width, 0.0);
                self.read_rows(StackPart::Weight, channel, rows, &mut values)?;
                *full = values.iter().copied().fold(*full, f32::max);
            }
        }
        Ok(full)
    }

    /// All rows, some at a time, from top to bottom.
    pub fn strips(&self) -> impl Iterator<Item = Range<usize>> + use<> {
        let height = self.shape.1;
        let first = (0..height).step_by(ROWS_AT_ONCE);
        first.map(move |first| first..(first + ROWS_AT_ONCE).min(height))
    }

    fn place_in_file(&self, part: StackPart, channel: usize, row: usize) -> u64 {
        let (channels, height, width) = self.shape;
        let before = match part {
            StackPart::Mean => 0,
            StackPart::Variance => 1,
            StackPart::Weight => 2,
            StackPart::Rejected => 3,
        };
        let of_part = (channel * height + row) * width * sample_bytes(part);
        (before * channels * height * width * size_of::<f32>() + of_part) as u64
    }
}

fn as_bytes(values: ArrayView2<f32>) -> Vec<u8> {
    values
        .iter()
        .flat_map(|value| value.to_ne_bytes())
        .collect()
}

fn sample_bytes(part: StackPart) -> usize {
    match part {
        StackPart::Rejected => size_of::<u16>(),
        _ => size_of::<f32>(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const SHAPE: (usize, usize, usize) = (3, 150, 17);

    fn picture() -> Stack {
        let value = |(channel, row, col): (usize, usize, usize)| {
            (channel * 100_000 + row * 100 + col) as f32
        };
        let mut mean = Array3::from_shape_fn(SHAPE, value);
        mean[(1, 70, 3)] = f32::NAN;
        Stack {
            variance: Array3::from_shape_fn(SHAPE, |at| 0.5 * value(at)),
            weight: Array3::from_shape_fn(SHAPE, |at| -value(at) + 7.0 * (at.0 + 1) as f32),
            rejected: Array3::from_shape_fn(SHAPE, |(_, row, col)| (400 * row + col) as u16),
            mean,
        }
    }

    fn bits(values: &Array3<f32>) -> Vec<u32> {
        values.iter().map(|value| value.to_bits()).collect()
    }

    #[test]
    fn memory_and_scratch_keep_the_same_bits() {
        let dir = tempfile::tempdir().expect("a folder");
        let picture = picture();
        let whole = StoredStack::from(picture.clone());
        for place in [StackPlace::Memory, StackPlace::Scratch(dir.path().into())] {
            let mut stored = StoredStack::new(SHAPE, &place).expect("room");
            // In another order than from top to bottom.
            for rows in [64..150, 0..64] {
                let strip = whole.rows(rows.clone()).expect("in memory");
                stored.put_rows(rows.start, &strip).expect("room");
            }
            let mut counts = vec![0.0; 2 * SHAPE.2];
            let part = StackPart::Rejected;
            stored
                .read_rows(part, 2, 149..150, &mut counts[..SHAPE.2])
                .expect("readable");
            assert_eq!(counts[16], 59_616.0);
            let full = [7.0, f32::MIN_POSITIVE, f32::MIN_POSITIVE];
            assert_eq!(stored.full_weights().expect("readable"), full);
            let plane = stored.plane(StackPart::Variance, 1).expect("readable");
            assert_eq!(plane, picture.variance.index_axis(ndarray::Axis(0), 1));
            let part = picture.mean.slice(s![2, 30..31, ..]);
            stored.put_mean(2, 30, part).expect("room");
            let read = stored.into_memory().expect("readable");
            assert_eq!(bits(&read.mean), bits(&picture.mean), "{place:?}");
            assert_eq!(bits(&read.variance), bits(&picture.variance));
            assert_eq!(bits(&read.weight), bits(&picture.weight));
            assert_eq!(read.rejected, picture.rejected);
        }
    }
}
