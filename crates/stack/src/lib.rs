//! Frames and geometry to a picture: masters, calibration, tile engine, combining.
//!
//! [`MosaicStore`] keeps what was decoded. [`MasterDark`], [`MasterFlat`] and
//! [`DefectMap`] make a [`Calibrator`]; [`SkyMesh`] and [`sky_offsets`] bring the skies of
//! the lights to one level; [`stack()`] walks the reference tile by tile and combines
//! every [`Light`] into a [`Stack`], showing a [`TileObserver`] all that passes through. What
//! does not fit in memory is a [`StoredStack`]. [`stack_from_mosaic`] makes a second pass of
//! the photosites alone, on an [`OutputGrid`]. [`SensorPattern`] is what the lights tell of the
//! sensor themselves.
//!
//! Nothing depends on the number of threads, bit for bit. Pixels as in [`raw`].
//!
//! ```
//! use radicand_stack::{ClipOptions, clip_sorted};
//!
//! let samples = [9.0, 9.5, 10.0, 10.0, 10.0, 10.0, 10.5, 10.5, 11.0, 11.0, 11.0, 500.0];
//! let kept = clip_sorted(&samples, &ClipOptions::default()).expect("there are samples");
//! assert_eq!((kept.n_kept, kept.high), (11, 11.0));
//! ```

pub use calibrate::{CalibratedWindow, Calibrator, SensorLayout};
pub use camera_noise::{CameraNoise, ChannelNoise};
pub use combine::Combine;
pub use dark_factor::DarkFactor;
pub use defects::{DefectMap, DefectOptions};
pub use demosaic::{Demosaic, DemosaicMethod, RecordedWhite};
pub use engine::{
    Light, SAMPLE_REACH_PX, Stack, StackOptions, TILE_PX, light_over, stack, stack_into,
    stack_masked, tile_memory_bytes,
};
pub use error::{Bytes, StackError};
pub use from_mosaic::{
    ChannelCoverage, DropShape, FirstPass, FromMosaic, MosaicStack, lights_needed,
    stack_from_mosaic,
};
pub use ground::{GroundMask, ground_lights, join, join_stored};
pub use light_mask::LightMask;
pub use masters::{MasterDark, MasterFlat};
pub use median_price::median_price;
pub use observe::{HalfSplit, TileObserver, TileSamples};
pub use output_grid::OutputGrid;
pub use predicted_clip::{PREDICTED_CLIP_NEEDS, PredictedClip};
pub use resample::{Kernel, Resampler, resample_plane};
pub use scratch::{ScratchFile, check_scratch_room};
pub use sensor_pattern::{PATTERN_SMOOTH_PX, PatternStrength, SensorPattern};
pub use sigma_clip::{
    ClipCenter, ClipOptions, ClipScale, KeptRange, clip_sorted, largest_deviation_sigmas,
    median_of_sorted, samples_needed_to_clip,
};
pub use simd::with_widest_vectors;
pub use sky::{SkyMesh, sky_offsets, sky_offsets_over_ground};
pub use store::{MosaicStore, StoredMosaic};
pub use stored_stack::{StackPart, StackPlace, StoredStack};
pub use tile_walk::batch_rows;
pub use weights::inverse_variance_weights;
pub use winsorize::{WinsorOptions, WinsorizedMean, winsor_limits, winsorized_mean};

mod calibrate;
mod camera_noise;
mod chance;
mod combine;
mod dark_factor;
mod defects;
mod demosaic;
mod engine;
mod error;
mod evidence;
mod from_mosaic;
mod ground;
#[doc(hidden)]
pub mod kernels;
mod lanes;
mod light_mask;
mod masters;
mod median_price;
mod observe;
mod output_grid;
mod predicted_clip;
mod reject;
mod resample;
mod scratch;
mod sensor_pattern;
mod sigma_clip;
mod simd;
mod sky;
mod store;
mod stored_stack;
mod superpixel;
mod tile_walk;
mod weights;
mod winsorize;
