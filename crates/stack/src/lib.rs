//! Frames and geometry to a picture: masters, calibration, tile engine, combining.

pub use observe::{HalfSplit, TileObserver, TileSamples};

mod observe;
