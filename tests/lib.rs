//! What the checks share: where data stand, pictures read back, folders digested, lights
//! of known samples.
//!
//! Checks of the library against outside sources and known truths are in `tests/` beside
//! this file; those of the program are in `crates/cli/tests`, where Cargo tells the
//! program's path. Which source stands behind which check: `docs/external-checks.md`.

pub use burst::{BORDER_PX, Burst, FOUR_SHIFTS, Way, dithers, inner, lights, scatter};
pub use digest::{file_digest, folder_digests};
pub use lights::{
    LEVEL_DN, SIGMA_DN, cfa_calibrator, cfa_light, drawn_stack, mono_calibrator, mono_light,
    noise_stack,
};
pub use near::{check_gain, check_near, largest_difference, mean_and_error};
pub use picture::{in_memory, read_float_tiff, whole_plane};
pub use places::{fixture, read_f32, read_series, read_u16, shared_data};
pub use twin::{Cell, TwinNight, shot_of, twin_night, twin_night_by};

mod burst;
mod digest;
mod lights;
mod near;
mod picture;
mod places;
mod twin;
