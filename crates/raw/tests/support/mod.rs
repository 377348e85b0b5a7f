//! Files for tests: where they are, and how small ones are written.
#![allow(dead_code, reason = "each test program uses its own part")]

pub mod dng;
pub mod fits;
pub mod mutate;
pub mod scene;

use radicand_raw::{DecodeOptions, DecoderProcess};
use std::io::Write;
use std::path::{Path, PathBuf};

/// A folder of committed fixtures.
pub fn fixtures(name: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR"))
        .join("../../fixtures")
        .join(name)
}

/// A folder of the data that lie beside the project, when they do.
///
/// They are looked for in `RADICAND_SHARED` and in `shared/data` of every folder above.
pub fn shared(name: &str) -> Option<PathBuf> {
    let stated = std::env::var_os("RADICAND_SHARED").map(PathBuf::from);
    let above = Path::new(env!("CARGO_MANIFEST_DIR")).ancestors();
    let found = stated
        .into_iter()
        .chain(above.map(|folder| folder.join("shared/data")))
        .map(|data| data.join(name))
        .find(|folder| folder.is_dir());
    if found.is_none() {
        // Not `eprintln!`: the test harness keeps that to itself when the test passes.
        let _ = writeln!(
            std::io::stderr(),
            "SKIPPED: no shared/data/{name} above the project or in RADICAND_SHARED"
        );
    }
    found
}

/// A program built from `examples/`.
pub fn example(name: &str) -> PathBuf {
    let mut path = std::env::current_exe().expect("a test program has a path");
    path.pop();
    if path.ends_with("deps") {
        path.pop();
    }
    path.push("examples");
    path.push(format!("{name}{}", std::env::consts::EXE_SUFFIX));
    assert!(
        path.exists(),
        "{} is missing: `cargo test` builds it, `cargo test --test NAME` does not",
        path.display()
    );
    path
}

/// Options with the second decoder of the `describe` example.
pub fn with_decoder_process() -> DecodeOptions {
    DecodeOptions {
        decoder_process: Some(DecoderProcess::new(example("describe"))),
        ..DecodeOptions::default()
    }
}
