//! Frames to geometry: background, stars, matching, pixel maps.

pub use pixel_map::{Homography, PixelMap};
pub use star::Star;

mod pixel_map;
mod star;
