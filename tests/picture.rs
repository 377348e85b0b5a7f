//! Pictures read back by a decoder that is not ours.

use export::PictureRows;
use ndarray::{Array2, Array3};
use radicand::StackOutcome;
use stack::Stack;
use std::fs::File;
use std::io::BufReader;
use std::path::Path;
use tiff::decoder::{Decoder, DecodingResult, Limits};

/// A 32-bit float TIFF as `[channel, row, column]`.
///
/// # Panics
///
/// When it cannot be read or holds anything else.
pub fn read_float_tiff(path: &Path) -> Array3<f32> {
    let file = File::open(path).unwrap_or_else(|error| panic!("{}: {error}", path.display()));
    let mut decoder = Decoder::new(BufReader::new(file))
        .expect("a TIFF")
        .with_limits(Limits::unlimited());
    let (width, height) = decoder.dimensions().expect("dimensions");
    let DecodingResult::F32(samples) = decoder.read_image().expect("a picture") else {
        panic!("{}: not 32-bit floats", path.display());
    };
    let (width, height) = (width as usize, height as usize);
    let channels = samples.len() / (width * height);
    Array3::from_shape_vec((height, width, channels), samples)
        .expect("whole pixels")
        .permuted_axes([2, 0, 1])
        .as_standard_layout()
        .into_owned()
}

/// The picture of a job whose memory it fits in.
///
/// # Panics
///
/// When it is in a scratch file.
pub fn in_memory(outcome: &StackOutcome) -> &Stack {
    outcome
        .stack
        .in_memory()
        .expect("a small picture fits in memory")
}

/// A plane of a picture that is read by rows.
///
/// # Panics
///
/// When it cannot be read.
pub fn whole_plane(picture: &dyn PictureRows, plane: usize) -> Array2<f32> {
    let [rows, columns] = picture.size(plane);
    let mut values = vec![0.0; rows * columns];
    let read = picture.read_rows(plane, 0..rows, &mut values);
    read.expect("a readable picture");
    Array2::from_shape_vec((rows, columns), values).expect("whole rows")
}
