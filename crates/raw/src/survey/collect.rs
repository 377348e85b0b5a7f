//! Which files of some folders are meant as frames.

use crate::content::Content;
use std::collections::HashSet;
use std::fs;
use std::io::{Error, ErrorKind, Read};
use std::path::{Path, PathBuf};

/// Folders within folders that are followed.
const MAX_DEPTH: usize = 64;

/// Raw formats by the extensions that cameras give them, DNG and FITS.
const FRAME_EXTENSIONS: &[&str] = &[
    "3fr", "ari", "arw", "cr2", "cr3", "crw", "dcr", "dcs", "dng", "erf", "fit", "fits", "fts",
    "fz", "iiq", "kdc", "mef", "mos", "mrw", "nef", "nrw", "orf", "ori", "pef", "raf", "raw",
    "rw2", "rwl", "sr2", "srf", "srw", "x3f",
];
const PICTURE_EXTENSIONS: &[&str] = &[
    "avif", "bmp", "gif", "heic", "heif", "jpeg", "jpg", "jxl", "png", "tif", "tiff", "webp",
];

/// What was found in some folders.
#[derive(Debug, Default)]
pub struct FileList {
    /// Files meant as frames, folder by folder, by name within each.
    pub files: Vec<PathBuf>,
    /// Files and folders passed over.
    pub ignored: Vec<Ignored>,
    /// Paths that could not be looked at.
    pub unreadable: Vec<Unreadable>,
}

/// A path passed over, and why.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Ignored {
    /// The file or folder.
    pub path: PathBuf,
    /// Why, such as "picture".
    pub reason: &'static str,
}

/// A path that could not be looked at; others are unaffected.
#[derive(Debug, thiserror::Error)]
#[error("{}: cannot be read: {source}", path.display())]
pub struct Unreadable {
    /// The file or folder.
    pub path: PathBuf,
    /// What the operating system says.
    pub source: Error,
}

/// Finds the frames among `paths`: files as they are, folders with all below them.
///
/// A file named by itself is always taken. In folders the extension decides first (a
/// JPEG named as a raw is taken, and is then a fault of that file), the content where
/// there is no known one. Links are followed; what is met twice is taken once.
pub fn collect_files(paths: &[PathBuf]) -> FileList {
    let mut collector = Collector::default();
    for path in paths {
        collector.visit(path, 0);
    }
    collector.list
}

#[derive(Default)]
struct Collector {
    list: FileList,
    seen: HashSet<PathBuf>,
}

impl Collector {
    fn visit(&mut self, path: &Path, depth: usize) {
        let real = path.canonicalize();
        let found = real.and_then(|real| Ok((fs::metadata(&real)?, real)));
        let (metadata, real) = match found {
            Ok(found) => found,
            Err(source) => return self.unreadable(path, source),
        };
        if depth > 0 && is_hidden(path) {
            self.ignore(path, "hidden");
        } else if metadata.is_dir() {
            if self.seen.insert(real) {
                self.visit_folder(path, depth);
            }
        } else if !metadata.is_file() {
            let source = Error::new(ErrorKind::Unsupported, "a pipe, socket or device");
            self.unreadable(path, source);
        } else {
            match reason_to_ignore(path).filter(|_| depth > 0) {
                Some(reason) => self.ignore(path, reason),
                None if self.seen.insert(real) => self.list.files.push(path.to_owned()),
                None => {}
            }
        }
    }

    fn visit_folder(&mut self, folder: &Path, depth: usize) {
        if depth >= MAX_DEPTH {
            return self.ignore(folder, "too deep");
        }
        let entries = fs::read_dir(folder).and_then(|entries| {
            let paths = entries.map(|entry| Ok(entry?.path()));
            paths.collect::<Result<Vec<_>, Error>>()
        });
        match entries {
            Ok(mut entries) => {
                entries.sort();
                for entry in entries {
                    self.visit(&entry, depth + 1);
                }
            }
            Err(source) => self.unreadable(folder, source),
        }
    }

    fn unreadable(&mut self, path: &Path, source: Error) {
        let path = path.to_owned();
        self.list.unreadable.push(Unreadable { path, source });
    }

    fn ignore(&mut self, path: &Path, reason: &'static str) {
        let path = path.to_owned();
        self.list.ignored.push(Ignored { path, reason });
    }
}

fn is_hidden(path: &Path) -> bool {
    let name = path.file_name().map(|name| name.to_string_lossy());
    name.is_some_and(|name| name.starts_with('.'))
}

fn reason_to_ignore(path: &Path) -> Option<&'static str> {
    let extension = path.extension().map(|e| e.to_string_lossy().to_lowercase());
    let is = |list: &[&str]| extension.as_deref().is_some_and(|e| list.contains(&e));
    if is(FRAME_EXTENSIONS) {
        return None;
    }
    if is(PICTURE_EXTENSIONS) {
        return Some("picture");
    }
    let mut head = [0; 512];
    let n_read = fs::File::open(path).and_then(|mut file| file.read(&mut head));
    match n_read.map(|n| Content::of(&head[..n])) {
        // Bare TIFF is a picture far more often than a raw under a strange name.
        Ok(Content::Tiff) => Some("picture"),
        Ok(Content::Other(_)) => Some("not a frame"),
        // A file that cannot be opened is taken, and its fault told with the others.
        _ => None,
    }
}
