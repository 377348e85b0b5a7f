//! What can go wrong while stacking.

use std::fmt;
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
    #[error("cannot read scratch data back from {}", dir.display())]
    ScratchRead {
        /// The scratch folder.
        dir: PathBuf,
        /// What the system said.
        source: std::io::Error,
    },
    /// The scratch folder has too little room, found before anything was written.
    #[error("{}: {needed} of scratch data are needed, and {free} are free", dir.display())]
    ScratchFull {
        /// The scratch folder.
        dir: PathBuf,
        /// What the job may write.
        needed: Bytes,
        /// What is free.
        free: Bytes,
    },
}

/// A number of bytes, shown as `1.5 GiB (1610612736 bytes)`.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub struct Bytes(pub u64);

impl fmt::Display for Bytes {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        const UNITS: [(&str, u64); 3] = [("GiB", 1 << 30), ("MiB", 1 << 20), ("KiB", 1 << 10)];
        let bytes = self.0;
        match UNITS.iter().find(|(_, unit)| bytes >= *unit) {
            Some((name, unit)) => {
                let amount = bytes as f64 / *unit as f64;
                write!(f, "{amount:.1} {name} ({bytes} bytes)")
            }
            None => write!(f, "{bytes} bytes"),
        }
    }
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

#[cfg(test)]
mod tests {
    use super::Bytes;

    #[test]
    fn bytes_are_shown_round_and_exact() {
        assert_eq!(
            Bytes(1_610_612_736).to_string(),
            "1.5 GiB (1610612736 bytes)"
        );
        assert_eq!(Bytes(3 << 19).to_string(), "1.5 MiB (1572864 bytes)");
        assert_eq!(Bytes(77).to_string(), "77 bytes");
    }
}
