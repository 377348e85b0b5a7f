//! Frames to geometry: background, stars, matching, pixel maps.

pub use background::{Background, BackgroundOptions};
pub use detect::{DetectOptions, Saturation, Smoothing, detect};
pub use fit::Model;
pub use grade::{FrameGrade, choose_reference};
pub use homography::Homography;
pub use luminance::luminance;
pub use matching::{AlignError, Alignment, MatchOptions, align_stars};
pub use pixel_map::PixelMap;
pub use star::Star;
pub use transparency::Transparency;

mod asterism;
mod background;
mod detect;
mod fit;
mod footprints;
mod grade;
mod homography;
mod hot_pixels;
mod luminance;
mod matching;
mod neighbors;
mod pixel_map;
mod shape;
mod star;
mod stats;
#[cfg(test)]
mod testing;
mod transparency;
