//! Frames to geometry: background, stars, matching, pixel maps.
//!
//! A mosaic becomes a [`luminance`] plane without a color checker; [`Background`] measures
//! its sky and noise, and [`detect`] its [`Star`]s. [`choose_reference`] picks the light the
//! others are aligned to, and [`align_stars`] finds, from two lists of stars alone, the
//! [`Alignment`]: a [`PixelMap`] from reference to frame, and how clear the air was.
//!
//! [`solve_sky`] then takes all frames for what they are, one [`Lens`] under one turning sky:
//! its [`SkyModel`] has the lens, an [`Attitude`] for each frame, the pole, the rate and what
//! they say of clock and tripod, and gives maps that hold up to the corners. [`find_ground`]
//! finds what does not turn with the stars, [`find_moving_ground`] and [`ground_on_light`]
//! where it lies when the camera follows the sky, and [`find_ground_alone`] the ground of a
//! single picture. [`grade_burst`] says of each frame what is wrong with it.
//!
//! Positions are px, `x` to the right and `y` down, with the **center** of the first pixel at
//! (0, 0). NaN in a plane is a masked pixel; NaN in a mapped position is nowhere.
//!
//! Nothing here uses threads or chance: equal input gives equal bits.
//!
//! ```
//! use radicand_align::{Background, BackgroundOptions, DetectOptions, detect, luminance};
//!
//! // A star of 4000 DN at (31.3, 24.6) on a dark monochrome sensor.
//! let mosaic = ndarray::Array2::from_shape_fn((50, 60), |(row, col)| {
//!     let (dx, dy) = (col as f32 - 31.3, row as f32 - 24.6);
//!     4000.0 * (-(dx * dx + dy * dy) / 4.0).exp() + ((7 * row + 3 * col) % 11) as f32
//! });
//! let plane = luminance(mosaic.view(), &raw::Cfa::mono());
//! let background = Background::estimate(plane.view(), &BackgroundOptions::default());
//! let stars = detect(plane.view(), &background, &DetectOptions::default());
//! assert_eq!(stars.len(), 1);
//! assert!((stars[0].x - 31.3).hypot(stars[0].y - 24.6) < 0.01);
//! ```

pub use attitude::Attitude;
pub use background::{Background, BackgroundOptions};
pub use clock::{Clock, SIDEREAL_RATE_DEG_PER_DAY};
pub use detect::{DetectOptions, Saturation, Smoothing, detect};
pub use fit::Model;
pub use grade::{FrameGrade, choose_reference};
pub use ground::{
    FoundGround, GroundLens, GroundPlace, GroundTurn, GroundView, SeenGround, boundary, cell_means,
    cell_px, find_ground, find_ground_alone, find_moving_ground, ground_on_light, shown_by,
};
pub use held::realign_held;
pub use homography::Homography;
pub use lens::{Lens, Projection};
pub use lens_choice::{FocalPrior, LensTrial};
pub use luminance::luminance;
pub use matching::{AlignError, Alignment, MatchOptions, STILL_PX, align_stars};
pub use pixel_map::PixelMap;
pub use quality::{
    BLOCKED_SHARE, BurstFrame, CLEAR_SHARE, FocusDrift, FramePlace, FrameQuality, focus_drift,
    grade_burst,
};
pub use refine::refine_places;
pub use refraction::Refraction;
pub use shape::{Moments, Patch};
pub use sky_model::{LensError, SkyModel, SkyModelError, SkyOptions, solve_sky};
pub use star::Star;
pub use stats::{Real, median};
pub use transparency::Transparency;
pub use tripod::{Held, Tripod};
pub use verdict::{Verdict, Zone};

mod asterism;
mod attitude;
mod background;
mod blinking;
mod bundle;
mod clock;
mod detect;
mod double_image;
mod fit;
mod footprints;
mod grade;
mod ground;
mod held;
mod homography;
mod hot_pixels;
mod lens;
mod lens_choice;
mod lens_map;
mod luminance;
mod matched;
mod matching;
mod motion;
mod neighbors;
mod pixel_map;
mod quality;
mod refine;
mod refraction;
mod resection;
mod search;
mod shape;
mod sky_model;
mod spread;
mod standing;
mod star;
mod stats;
#[cfg(test)]
mod testing;
mod tracks;
mod transparency;
mod tripod;
mod turned;
mod verdict;
