//! A camera and a sky that do not exist, with every truth known.
//!
//! A [`Scene`] says what a night holds: [`Sky`], [`Lens`], [`Sensor`], [`Mount`] and what
//! crosses the picture. [`write_scene`] turns it into a folder of DNG files with
//! `truth.json` beside them; [`Simulator`] gives single frames, and the light they were
//! made from, without files.
//!
//! The path of the light: stars and glow become *expected electrons* at every pixel
//! ([`Simulator::expected_light`]), the sensor turns those into recorded numbers
//! ([`Sensor::expose`]). Everything random has a stream of its own, so the same seed
//! gives the same bytes on any number of threads.
//!
//! Pixels are as in [`raw`]: x right, y down, the center of the first at (0, 0).
//!
//! ```
//! let mut scene = synth::Scene::named("tripod-burst").expect("a known scene");
//! (scene.width, scene.height, scene.frames) = (120, 90, 3);
//! let frame = synth::render(&scene, 2)?;
//! assert_eq!(frame.mosaic.size(), (120, 90));
//! # Ok::<(), synth::SynthError>(())
//! ```

pub use air::{Air, Refraction, airmass};
pub use catalog::{CATALOG_FAINTEST_MAG, CatalogStar, catalog};
pub use composite::Composite;
pub use crossing::{Aircraft, Meteor, Satellite};
pub use dng::{Compression, DngInfo, encode_dng, encode_rgb_dng};
pub use error::SynthError;
pub use glow::{Band, Dawn, Glow, LightDome};
pub use ground::{Ground, Lamps};
pub use horizon::{GALACTIC_POLE_DEG, Pointing, Site, equatorial, greenwich_sidereal_time_deg};
pub use lens::{FWHM_PER_SIGMA, Lens, Mapping, Projection, Vignetting};
pub use mount::{
    Mount, SIDEREAL_RATE_ARCSEC_PER_S, SensorShift, Sway, Tracker, south_pole_in_camera,
};
pub use named::SCENE_NAMES;
pub use rotation::{Matrix, apply_homography, homography, rotation_about};
pub use scene::{
    BIAS_EXPOSURE_S, Calibration, Damage, Faults, Layout, Scene, Session, Shaken, WrongExposure,
};
pub use sensor::{HotPixel, Sensor, SensorMaps};
pub use shot::Shot;
pub use simulator::{RenderedFrame, Simulator, Weather, render};
pub use sky::{CountLaw, Sky, Star, Stars, surface_electrons_per_s, temperature_k};
pub use truth::{
    AirTruth, FrameTruth, HotPixelTruth, LensTruth, LightTruth, MountTruth, PlaneTruth,
    SensorTruth, StarTruth, Truth,
};
pub use weather::{Cloud, Dew};
pub use write::{Progress, Written, write_scene};

mod air;
mod catalog;
mod composite;
mod crossing;
mod dng;
mod error;
mod glow;
mod ground;
mod ground_view;
mod horizon;
mod lattice;
mod lens;
mod light;
mod lossless_jpeg;
mod mount;
mod named;
mod noise_field;
mod normal_curve;
mod path;
mod poisson;
mod projection;
mod random;
mod rotation;
mod scene;
mod sensor;
mod shot;
mod simulator;
mod sky;
mod sky_light;
mod star_image;
mod truth;
mod weather;
mod write;
