//! What can go wrong while stacking.

use std::path::PathBuf;

/// Why a stack could not be made. All of them end the job: single bad lights are left
/// out before they get here.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum StackError {
    /// There is nothing to stack.
    #[error("no lights to stack")]
    NoLights,
    /// A master or a light does not fit the others; the caller's fault.
    #[error("{what} is {found_width}×{found_height} px but the lights are {width}×{height} px")]
    SizeMismatch {
        /// What does not fit.
        what: &'static str,
        /// Its width, px.
        found_width: usize,
        /// Its height, px.
        found_height: usize,
        /// Width of the lights, px.
        width: usize,
        /// Height of the lights, px.
        height: usize,
    },
    /// Cells of two by two photosites were asked for of another array.
    #[error("the sensor has no 2 x 2 Bayer array, whose cells could be taken as pixels")]
    NotBayer,
    /// The scratch file could not be written: the folder is missing, read-only or full.
    #[error("cannot write scratch data in {}", dir.display())]
    ScratchWrite {
        /// The scratch folder.
        dir: PathBuf,
        /// What the system said.
        source: std::io::Error,
    },
    /// The scratch file could not be read back.
    #[error("cannot read scratch data back")]
    ScratchRead(#[source] std::io::Error),
}

impl StackError {
    /// Whether something of size `found` fits lights of size `needed`, width first.
    pub(crate) fn check_size(
        what: &'static str,
        found: (usize, usize),
        needed: (usize, usize),
    ) -> Result<(), Self> {
        if found == needed {
            return Ok(());
        }
        let ((found_width, found_height), (width, height)) = (found, needed);
        Err(Self::SizeMismatch {
            what,
            found_width,
            found_height,
            width,
            height,
        })
    }
}
