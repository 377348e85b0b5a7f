//! Where fixtures and the shared data stand, and their small binaries.

use ndarray::Array3;
use std::io::Write;
use std::path::{Path, PathBuf};

/// A file or folder of `fixtures/`.
pub fn fixture(name: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR"))
        .join("../fixtures")
        .join(name)
}

/// A file of the data that are too large to be committed: from the folder that
/// `RADICAND_SHARED` names, else from `shared/data` beside this checkout or above it.
/// `None` where there is no such file, which is said aloud: the caller skips its check.
pub fn shared_data(name: &str) -> Option<PathBuf> {
    let stated = std::env::var_os("RADICAND_SHARED").map(PathBuf::from);
    let above = Path::new(env!("CARGO_MANIFEST_DIR"))
        .ancestors()
        .map(|folder| folder.join("shared/data"));
    let found = stated
        .into_iter()
        .chain(above)
        .map(|folder| folder.join(name))
        .find(|path| path.exists());
    if found.is_none() {
        // Not `eprintln!`: the test harness keeps that to itself when the test passes.
        let _ = writeln!(
            std::io::stderr(),
            "SKIPPED: no shared/data/{name} above the project or in RADICAND_SHARED"
        );
    }
    found
}

fn read(path: &Path) -> Vec<u8> {
    std::fs::read(path).unwrap_or_else(|error| panic!("{}: {error}", path.display()))
}

fn f32_of(bytes: &[u8]) -> Vec<f32> {
    let (samples, _) = bytes.as_chunks::<4>();
    samples.iter().map(|&b| f32::from_le_bytes(b)).collect()
}

fn u16_of(bytes: &[u8]) -> Vec<u16> {
    let (samples, _) = bytes.as_chunks::<2>();
    samples.iter().map(|&b| u16::from_le_bytes(b)).collect()
}

/// Little-endian `f32` of a whole file.
///
/// # Panics
///
/// When the file cannot be read.
pub fn read_f32(path: &Path) -> Vec<f32> {
    f32_of(&read(path))
}

/// Little-endian `u16` of a whole file.
///
/// # Panics
///
/// When the file cannot be read.
pub fn read_u16(path: &Path) -> Vec<u16> {
    u16_of(&read(path))
}

/// A series of `fixtures/series`, `[frame, row, column]`; its README gives the layout.
///
/// # Panics
///
/// When the file cannot be read or is no series.
pub fn read_series(name: &str) -> Array3<f32> {
    let data = read(&fixture("series").join(name));
    let (head, body) = data.split_at(12);
    let (sizes, _) = head.as_chunks::<4>();
    let [frames, rows, columns] = [0, 1, 2].map(|i| u32::from_le_bytes(sizes[i]) as usize);
    let samples = if name.ends_with(".f32") {
        f32_of(body)
    } else {
        u16_of(body).into_iter().map(f32::from).collect()
    };
    Array3::from_shape_vec((frames, rows, columns), samples).expect("the head tells the size")
}
