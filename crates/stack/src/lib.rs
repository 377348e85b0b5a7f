//! Frames and geometry to a picture: masters, calibration, tile engine, combining.

pub use calibrate::{CalibratedWindow, Calibrator, SensorLayout};
pub use defects::{DefectMap, DefectOptions};
pub use error::StackError;
pub use masters::{MasterDark, MasterFlat};
pub use observe::{HalfSplit, TileObserver, TileSamples};
pub use sigma_clip::{
    ClipCenter, ClipOptions, Combine, KeptRange, clip_sorted, largest_deviation_sigmas,
    median_of_sorted,
};
pub use store::{MosaicStore, StoredMosaic};

mod calibrate;
mod defects;
mod error;
mod masters;
mod observe;
mod sigma_clip;
mod store;
