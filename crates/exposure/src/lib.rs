//! Before the shoot: how long a sub may be, how many of them, and whether the night has room.
//!
//! A [`Camera`] is a lens in front of a sensor.
//! How long it may stand still is said by two rules of thumb ([`rule_of_500_s`],
//! [`npf_rule_s`]) and exactly by a [`Field`], pixel by pixel; how long it may follow the
//! sky by a [`Tracker`]. [`SitePhotons`] says when read noise stops mattering and what a sub
//! is worth, [`frames_needed`], [`Print`] and [`Masters`] how many are to be taken, [`Way`]
//! what another way of shooting would give in the same time. [`Night`] has twilight and Moon.
//!
//! Pure functions of numbers: no files, no clock, no chance, nothing of the other crates.
//! No function fails: infinity is "no limit", NaN comes of NaN or of what has no meaning.
//!
//! ```
//! use exposure::{Camera, Field, Pointing, Projection};
//!
//! let camera = Camera {
//!     width_px: 5240,
//!     height_px: 3940,
//!     pitch_um: 3.3,
//!     focal_length_mm: 17.0,
//!     aperture: 1.8,
//!     projection: Projection::Rectilinear,
//! };
//! let field = Field::new(camera, Pointing::Declination { deg: 0.0 });
//! let center = field.longest_s(field.center(), 3.0);
//! let everywhere = field.longest_anywhere_s(3.0);
//! assert!(everywhere < center, "a rectilinear lens draws its corners larger");
//! ```
//!
//! # Pixels
//!
//! `x` runs to the right, `y` down, and `(0.0, 0.0)` is the **center** of the first pixel of
//! the picture, which is seen upright with its upper edge level.

pub use calendar::JulianDate;
pub use camera::{Camera, Projection};
pub use field::{Field, Place, Pointing};
pub use frames::{Frames, Print, SitePhotons, frames_needed};
pub use horizon::{Horizontal, Observer, mean_sidereal_deg};
pub use masters::Masters;
pub use moon::{Moon, moon};
pub use moonlight::{candela_per_m2, moonlit_sky_mag};
pub use night::{Darkness, MoonHour, MoonIs, Night, Span};
pub use rules::{SIDEREAL_ARCSEC_PER_S, SIDEREAL_RAD_PER_S, npf_easy_s, npf_rule_s, rule_of_500_s};
pub use sky_light::SkyBand;
pub use sun::{Equatorial, sun};
pub use tracker::Tracker;
pub use what_if::{Way, Yield};

mod calendar;
mod camera;
mod field;
mod frames;
mod horizon;
mod masters;
mod moon;
mod moonlight;
mod night;
mod rules;
mod sky_light;
mod sun;
mod tracker;
mod vector;
mod what_if;
