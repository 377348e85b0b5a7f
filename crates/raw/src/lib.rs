//! Files to frames: what a camera recorded, and what is known about it.
//!
//! [`Frame`] is the whole of it: a [`Mosaic`] of sensor values with its color
//! filter array and levels, and a [`FrameInfo`] with the capture metadata.
//! [`decode`] makes one from a raw, DNG or FITS file; what it cannot make one from is a
//! [`DecodeError`], never a panic. [`collect_files`] and [`survey`] look through whole
//! folders and tell lights, darks, flats and bias frames apart by [`FrameStats`].
//! [`open`] reads results too: stacks, camera-made composites and finished pictures.
//!
//! ```
//! use radicand_raw::{SurveyOptions, collect_files, survey};
//!
//! let found = collect_files(&["night".into()]);
//! let survey = survey(&found.files, &SurveyOptions::default());
//! let lines = survey.files.iter().map(|file| match &file.outcome {
//!     Ok((frame, verdict)) => format!("{:?}: {}", frame.size, verdict.kind.name()),
//!     Err(error) => error.to_string(),
//! });
//! # assert_eq!(lines.count(), 0);
//! ```
//!
//! # Pixels
//!
//! `x` runs to the right, `y` down, and `(0.0, 0.0)` is the **center** of the first
//! pixel of the active area. Arrays are indexed `[row, column]`.

pub use child::{CHILD_ARGUMENT, DecoderProcess, run_child};
pub use classify::{Verdict, classify, kind_in_name};
pub use decode::{DecodeOptions, check_file, decode};
pub use error::{DecodeError, DecodeFault};
pub use frame::{CaptureTime, Decoder, Frame, FrameInfo, FrameKind, SkyPoint};
pub use mosaic::{Cfa, Channel, Mosaic, SitePattern};
pub use picture::{
    Encoding, Opened, OpenedContent, Picture, PictureContainer, open, open_extension,
};
pub use plane::{Plane, read_plane};
pub use printable::printable;
pub use rect::Rect;
pub use stats::{ChannelStats, FrameStats};
pub use survey::{
    FileList, Ignored, Reading, Survey, SurveyGroup, SurveyOptions, SurveyedFile, SurveyedFrame,
    Unreadable, collect_files, survey, survey_with,
};

mod child;
mod classify;
mod complete;
mod content;
mod decode;
mod dng;
mod error;
mod fits;
mod foreign;
mod frame;
mod metadata;
mod mosaic;
mod packing;
mod picture;
mod plane;
mod printable;
mod quiet;
mod rect;
mod sensor;
mod stats;
mod survey;
mod tiff_tags;
