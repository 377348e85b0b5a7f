//! What can go wrong when a scene is made.

use std::path::PathBuf;

/// Why a scene could not be made.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum SynthError {
    /// A parameter of the scene makes no sense; nothing was written.
    #[error("scene {scene}: {field} is {found}, needed {needed}")]
    Scene {
        /// The scene.
        scene: String,
        /// The parameter.
        field: &'static str,
        /// Its value.
        found: String,
        /// What it should be.
        needed: &'static str,
    },
    /// The scene has no such light.
    #[error("scene {scene}: no light {index}, there are {lights} counted from 0")]
    NoSuchLight {
        /// The scene.
        scene: String,
        /// The light asked for.
        index: usize,
        /// How many there are.
        lights: usize,
    },
    /// The file is there already and is left as it is.
    #[error("{}: exists already, not overwritten", path.display())]
    Exists {
        /// The file.
        path: PathBuf,
    },
    /// The disk refused.
    #[error("{}: {source}", path.display())]
    Io {
        /// The file or folder.
        path: PathBuf,
        /// Why.
        source: std::io::Error,
    },
    /// The picture does not fit the file format.
    #[error("picture of {width} x {height} px as DNG: {source}")]
    Encode {
        /// Columns.
        width: usize,
        /// Rows.
        height: usize,
        /// Why.
        source: tiff::TiffError,
    },
    /// The truth could not be put into words.
    #[error("truth as JSON: {0}")]
    Truth(#[from] serde_json::Error),
}
