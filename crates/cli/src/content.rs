//! Files by what is in them: digests that names, places and times do not change.

use rayon::prelude::*;
use sha2::{Digest, Sha256};
use std::io;
use std::path::{Path, PathBuf};

/// A SHA-256.
pub(crate) type ContentDigest = [u8; 32];

/// The digest of a file.
pub(crate) fn file_digest(path: &Path) -> io::Result<ContentDigest> {
    let mut hasher = Sha256::new();
    io::copy(&mut std::fs::File::open(path)?, &mut hasher)?;
    Ok(hasher.finalize().into())
}

/// What files hold together, in whatever order; unreadable ones count as empty.
pub(crate) fn digest(paths: &[PathBuf]) -> String {
    // A file that vanishes meanwhile was read before; its digest is of what is left.
    let empty = || Sha256::digest([]).into();
    let of_file = |path: &PathBuf| file_digest(path).unwrap_or_else(|_| empty());
    joint_digest(paths.par_iter().map(of_file).collect())
}

/// One digest of many, in whatever order.
pub(crate) fn joint_digest(mut digests: Vec<ContentDigest>) -> String {
    digests.sort_unstable();
    hex(&Sha256::digest(digests.concat()))
}

/// A digest as text.
pub(crate) fn hex(digest: &[u8]) -> String {
    digest.iter().map(|byte| format!("{byte:02x}")).collect()
}
