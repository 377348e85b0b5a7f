//! Small archives of invented sessions, and what a night makes of them.

use super::{Run, radicand, radicand_ends, timeless};
use radicand_tests::{file_digest, folder_digests};
use serde_json::Value;
use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::time::SystemTime;
use tempfile::TempDir;

/// Two sessions of four small lights each, in `archive/` of a new folder.
pub fn archive() -> TempDir {
    archive_of(&["one", "two"])
}

/// Sessions of four small lights each, by their folders in `archive/` of a new folder.
pub fn archive_of(sessions: &[&str]) -> TempDir {
    let temp = tempfile::tempdir().expect("a folder");
    for (seed, folder) in (1..).zip(sessions) {
        session(temp.path(), &format!("archive/{folder}"), &seed.to_string());
    }
    temp
}

/// Four small lights in `folder/lights`, with their truth beside them.
fn session(base: &Path, folder: &str, seed: &str) {
    let scene = ["simulate", "tripod-burst", "--dimensions", "200x150"];
    let of = ["--frames", "4", "--seed", seed, "-o", folder];
    radicand_ends(base, &[&scene[..], &of[..]].concat(), 0);
}

/// Runs `radicand night archive -o OUT`, which has to leave the archive as it is.
#[track_caller]
pub fn night(base: &Path, out: &str, options: &[&str]) -> Run {
    let before = originals(base);
    let run = radicand(base, &[&["night", "archive", "-o", out], options].concat());
    assert_eq!(before, originals(base), "originals changed");
    run
}

/// Everything in `archive/` that can be opened, by what is in it and when it was changed.
pub fn originals(base: &Path) -> BTreeMap<PathBuf, (Option<SystemTime>, String)> {
    const LONGEST: u64 = 1 << 26;
    let (mut found, mut folders) = (BTreeMap::new(), vec![base.join("archive")]);
    while let Some(folder) = folders.pop() {
        for entry in std::fs::read_dir(&folder).into_iter().flatten().flatten() {
            let metadata = entry.metadata().expect("what lies there");
            let path = entry.path();
            let what = if metadata.is_dir() {
                folders.push(path.clone());
                "a folder".to_owned()
            } else if metadata.is_file() && metadata.len() <= LONGEST {
                file_digest(&path).unwrap_or_else(|error| error.to_string())
            } else {
                format!("{:?}, {} bytes", metadata.file_type(), metadata.len())
            };
            found.insert(path, (metadata.modified().ok(), what));
        }
    }
    found
}

/// The session of an index whose lights are in `folder`, the only one there.
#[track_caller]
pub fn session_in<'a>(index: &'a Value, folder: &str) -> &'a Value {
    let sessions = index["sessions"].as_array().expect("sessions").iter();
    let own: Vec<&Value> = sessions.filter(|s| s["folders"][0] == folder).collect();
    assert_eq!(own.len(), 1, "{folder}: {index:#}");
    own[0]
}

/// What a night left that has to be the same however it came about: bytes, but of reports
/// without their times, and of logs that they are there.
pub fn remains(out: &Path) -> BTreeMap<PathBuf, String> {
    let same = |(path, digest): (PathBuf, Option<String>)| {
        let name = path.file_name().map(|name| name.to_owned());
        let what = match name.as_deref().and_then(|name| name.to_str()) {
            Some("log.txt") => "a log".to_owned(),
            Some("report.json") => timeless(json(&out.join(&path))).to_string(),
            _ => digest.unwrap_or_else(|| "a folder".to_owned()),
        };
        (path, what)
    };
    folder_digests(out).into_iter().map(same).collect()
}

/// The JSON in a file.
#[track_caller]
pub fn json(path: &Path) -> Value {
    let bytes = std::fs::read(path);
    let bytes = bytes.unwrap_or_else(|error| panic!("{}: {error}", path.display()));
    serde_json::from_slice(&bytes).expect("JSON")
}
