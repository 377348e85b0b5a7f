//! Frames to geometry: background, stars, matching, pixel maps.

pub use background::{Background, BackgroundOptions};
pub use detect::{DetectOptions, Saturation, Smoothing, detect};
pub use homography::Homography;
pub use luminance::luminance;
pub use pixel_map::PixelMap;
pub use star::Star;

mod background;
mod detect;
mod footprints;
mod homography;
mod hot_pixels;
mod luminance;
mod neighbors;
mod pixel_map;
mod shape;
mod star;
mod stats;
#[cfg(test)]
mod testing;
