//! Pictures to files: float TIFF, FITS, linear DNG, TIFF for printing, PNG preview; whole or
//! not at all.
//!
//! A picture is a slice of planes, one (monochrome) or three (red, green, blue), all
//! of one shape, indexed `[row, column]`, in linear DN; or whatever can be read by rows like
//! that ([`PictureRows`]), so that it need not fit in memory. NaN marks a pixel without a
//! value, and negative values are kept. [`write_tiff_f32`] and [`write_fits`] store
//! every value bit for bit, [`write_linear_dng`] in 16 bits for raw developers;
//! [`write_png16`] renders a preview for the eye, [`write_print_tiff`] the same at full size, and
//! [`write_regions_png`] one with the regions of the noise report over it. For pages,
//! [`choose_spots`] says where a picture is worth a close look, and [`SharedRendering`]
//! draws what is to be held against each other by one curve.
//!
//! Every writer goes through [`AtomicFile`]: the file appears complete under its name
//! or not at all, and an existing file stays unless [`Overwrite::Yes`] says otherwise.
//! What is written depends on the picture and the options alone: not on the clock, the
//! machine's name or the number of threads.
//!
//! ```
//! use export::{write_png16, write_tiff_f32, Overwrite, PreviewOptions, TiffOptions};
//! # use radicand_export as export;
//! # let folder = tempfile::tempdir()?;
//! # let folder = folder.path();
//! use ndarray::Array2;
//!
//! let sky = Array2::from_shape_fn((40, 60), |(row, col)| ((row * 7 + col * 3) % 11) as f32);
//! let planes = [sky.view(), sky.view(), sky.view()];
//! write_tiff_f32(&folder.join("stack.tif"), &planes, &TiffOptions::default())?;
//! write_png16(&folder.join("preview.png"), &planes, &PreviewOptions::default())?;
//!
//! // A second run does not touch the first result.
//! assert!(write_tiff_f32(&folder.join("stack.tif"), &planes, &TiffOptions::default()).is_err());
//! let again = TiffOptions { overwrite: Overwrite::Yes, ..TiffOptions::default() };
//! write_tiff_f32(&folder.join("stack.tif"), &planes, &again)?;
//! # Ok::<(), Box<dyn std::error::Error>>(())
//! ```

pub use atomic::{AtomicFile, Overwrite, refuse_existing};
pub use color::{camera_to_srgb, recorded_white, srgb_encode};
pub use error::ExportError;
pub use fits::{CardValue, FitsOptions, FitsPicture, HeaderCard, write_fits};
pub use float_tiff::{TiffCompression, TiffContainer, TiffOptions, write_tiff_f32};
pub use linear_dng::{DngOptions, write_linear_dng};
pub use planes::{Counts, PictureRows};
pub use preview::{PreviewOptions, write_png16};
pub use print_tiff::{PrintOptions, write_print_tiff};
pub use region_map::{MapRegion, write_regions_png};
pub use reread::{SelfCheck, check_tiff_f32};
pub use shared_rendering::{SharedRendering, SmallPicture};
pub use spots::{Spot, SpotKind, choose_spots};
pub use stretch::AsinhStretch;

mod atomic;
mod color;
mod error;
mod fits;
mod float_tiff;
mod linear_dng;
mod orientation;
mod planes;
mod png_file;
mod preview;
mod print_tiff;
mod region_map;
mod rendering;
mod reread;
mod shared_rendering;
mod shrink;
mod sky_level;
mod spots;
mod stretch;
mod strips;
mod tiff16;
