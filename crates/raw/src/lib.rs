//! Files to frames: what a camera recorded, and what is known about it.
//!
//! [`Frame`] is the whole of it: a [`Mosaic`] of sensor values with its color
//! filter array and levels, and a [`FrameInfo`] with the capture metadata.
//!
//! # Pixels
//!
//! `x` runs to the right, `y` down, and `(0.0, 0.0)` is the **center** of the first
//! pixel of the active area. Arrays are indexed `[row, column]`.

pub use frame::{CaptureTime, Decoder, Frame, FrameInfo, FrameKind};
pub use mosaic::{Cfa, Channel, Mosaic, SitePattern};
pub use rect::Rect;

mod frame;
mod mosaic;
mod rect;
