//! What a folder holds, to tell whether anything in it was touched.

use sha2::{Digest, Sha256};
use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

/// SHA-256 of every file under `folder`, by its path from there; folders have none.
///
/// # Panics
///
/// When something under it cannot be read.
pub fn folder_digests(folder: &Path) -> BTreeMap<PathBuf, Option<String>> {
    let mut digests = BTreeMap::new();
    let mut waiting = vec![folder.to_owned()];
    while let Some(path) = waiting.pop() {
        let name = path.strip_prefix(folder).expect("found under the folder");
        if path.is_dir() {
            digests.insert(name.to_owned(), None);
            let entries = std::fs::read_dir(&path).expect("a folder that can be listed");
            waiting.extend(entries.map(|entry| entry.expect("a listed entry").path()));
        } else {
            let digest = file_digest(&path);
            let digest = digest.unwrap_or_else(|error| panic!("{}: {error}", path.display()));
            digests.insert(name.to_owned(), Some(digest));
        }
    }
    digests
}

/// SHA-256 of a file, in hexadecimal.
///
/// # Errors
///
/// When it cannot be read.
pub fn file_digest(path: &Path) -> std::io::Result<String> {
    let digest = Sha256::digest(std::fs::read(path)?);
    Ok(digest.iter().map(|byte| format!("{byte:02x}")).collect())
}
