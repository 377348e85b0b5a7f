//! Why a file could not be written.

use std::io;
use std::path::{Path, PathBuf};

/// Why a picture could not be exported. In every case the target is as it was before:
/// absent, or the file that was already there.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum ExportError {
    /// A file of that name exists and was not to be overwritten. The caller's choice.
    #[error("{}: exists already", path.display())]
    Exists {
        /// The file that is there.
        path: PathBuf,
    },
    /// No room left on the disk, or a quota or size limit of the file system reached.
    #[error("{}: disk full (could not {action})", path.display())]
    DiskFull {
        /// The file that was to be written.
        path: PathBuf,
        /// What was being done.
        action: &'static str,
        /// What the operating system said.
        source: io::Error,
    },
    /// The operating system refused.
    #[error("{}: could not {action}", path.display())]
    Io {
        /// The file concerned.
        path: PathBuf,
        /// What was being done.
        action: &'static str,
        /// What the operating system said.
        source: io::Error,
    },
    /// A picture with a number of planes that the format does not take.
    #[error("{}: {what} has {found} planes, needed {needed}", path.display())]
    PlaneCount {
        /// The file that was to be written.
        path: PathBuf,
        /// Which part of the picture.
        what: &'static str,
        /// Planes given.
        found: usize,
        /// Planes that it may have.
        needed: &'static str,
    },
    /// A plane of a different shape from the first.
    #[error(
        "{}: plane {index} of {what} has {} x {} pixels, needed {} x {}",
        path.display(), found[1], found[0], needed[1], needed[0]
    )]
    PlaneShape {
        /// The file that was to be written.
        path: PathBuf,
        /// Which part of the picture.
        what: &'static str,
        /// The plane, from 0.
        index: usize,
        /// Its rows and columns.
        found: [usize; 2],
        /// Rows and columns of the first plane.
        needed: [usize; 2],
    },
    /// A picture without pixels, or with a side that the format cannot count.
    #[error(
        "{}: {columns} x {rows} pixels, each side needed between 1 and {limit}",
        path.display()
    )]
    Size {
        /// The file that was to be written.
        path: PathBuf,
        /// Columns given.
        columns: usize,
        /// Rows given.
        rows: usize,
        /// The format's longest side, px.
        limit: usize,
    },
    /// A FITS header card that the standard does not allow, or that belongs to the writer.
    #[error("{}: header card `{keyword}`: {reason}", path.display())]
    Card {
        /// The file that was to be written.
        path: PathBuf,
        /// The keyword as given.
        keyword: String,
        /// What is wrong with it.
        reason: &'static str,
    },
    /// The encoding library refused. Our fault, not the picture's.
    #[error("{}: could not {action}", path.display())]
    Encode {
        /// The file that was to be written.
        path: PathBuf,
        /// What was being done.
        action: &'static str,
        /// What the library said.
        source: Box<dyn std::error::Error + Send + Sync>,
    },
    /// The file read back differs from the picture. Damaged memory or disk, or our fault.
    #[error("{}: reads back differently: {what}", path.display())]
    Reread {
        /// The file.
        path: PathBuf,
        /// The first difference found.
        what: String,
    },
}

impl ExportError {
    /// Tells a full disk from other trouble.
    pub(crate) fn io(path: &Path, action: &'static str, source: io::Error) -> Self {
        let path = path.to_owned();
        match source.kind() {
            io::ErrorKind::AlreadyExists => Self::Exists { path },
            io::ErrorKind::StorageFull
            | io::ErrorKind::QuotaExceeded
            | io::ErrorKind::FileTooLarge => Self::DiskFull {
                path,
                action,
                source,
            },
            _ => Self::Io {
                path,
                action,
                source,
            },
        }
    }

    /// An error of the TIFF library: the file system's, or its own.
    pub(crate) fn tiff(path: &Path, action: &'static str, source: tiff::TiffError) -> Self {
        match source {
            tiff::TiffError::IoError(source) => Self::io(path, action, source),
            other => Self::encode(path, action, other),
        }
    }

    /// An error of the FITS library: the file system's, or its own.
    pub(crate) fn fits(path: &Path, action: &'static str, source: fitsio_pure::Error) -> Self {
        match source {
            fitsio_pure::Error::Io(source) => Self::io(path, action, source),
            other => Self::encode(path, action, other),
        }
    }

    /// What an encoding library says beyond the file system's errors.
    pub(crate) fn encode(
        path: &Path,
        action: &'static str,
        source: impl std::error::Error + Send + Sync + 'static,
    ) -> Self {
        Self::Encode {
            path: path.to_owned(),
            action,
            source: Box::new(source),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_full_disk_is_named_whoever_reports_it() {
        let full = || io::Error::from(io::ErrorKind::StorageFull);
        let path = Path::new("night/stack.tif");
        for error in [
            ExportError::io(path, "write the pixels", full()),
            ExportError::tiff(path, "write the pixels", tiff::TiffError::IoError(full())),
            ExportError::fits(path, "write the pixels", fitsio_pure::Error::Io(full())),
        ] {
            assert!(matches!(error, ExportError::DiskFull { .. }), "{error:?}");
            assert_eq!(
                error.to_string(),
                "night/stack.tif: disk full (could not write the pixels)"
            );
        }
    }
}
