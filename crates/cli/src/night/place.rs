//! The output folder: where finished sessions lie, where unfinished ones are made, and how
//! the one becomes the other.
//!
//! ```text
//! DIR/night.json, index.html      what became of all sessions
//! DIR/<id>/                       a finished session, always whole
//! DIR/failed/<id>/                why a session came to no result
//! DIR/.radicand-night/            what is being made, and locks
//! ```

use super::discover::is_result;
use super::lock::{Lock, NoLock};
use crate::{JobError, result_names};
use report::{SessionRecord, SessionState};
use std::collections::BTreeSet;
use std::ffi::OsStr;
use std::fs::{self, File};
use std::io;
use std::path::{Path, PathBuf};

/// What a session was made of, in its folder.
pub(crate) const RECORD: &str = "job.json";
/// What happened while it was made, in its folder.
pub(crate) const LOG: &str = "log.txt";
const WORK: &str = ".radicand-night";
const FAILED: &str = "failed";

/// The output folder of a night.
#[derive(Clone, Debug)]
pub(crate) struct Place {
    dir: PathBuf,
    is_new: bool,
}

impl Place {
    /// Makes the folder, or takes that of an earlier run.
    pub fn prepare(dir: &Path, root: &Path) -> Result<Self, JobError> {
        let place = Self {
            dir: dir.to_owned(),
            is_new: !dir.exists(),
        };
        place.refuse_originals(root)?;
        let work = place.work();
        fs::create_dir_all(&work)
            .map_err(|source| JobError::OutputFolder { path: work, source })?;
        Ok(place)
    }

    /// The folder of an earlier run.
    pub fn existing(dir: &Path) -> Self {
        Self {
            dir: dir.to_owned(),
            is_new: false,
        }
    }

    /// Nothing is written among frames; what an earlier run left is no frame.
    pub fn refuse_originals(&self, root: &Path) -> Result<(), JobError> {
        if self.dir.exists() && !self.dir.is_dir() {
            return Err(JobError::OutputFolder {
                path: self.dir.clone(),
                source: io::ErrorKind::NotADirectory.into(),
            });
        }
        let refuse = || Err(JobError::AmongOriginals(self.dir.clone()));
        let dir = real(&self.dir);
        if let Ok(root) = root.canonicalize()
            && (root.starts_with(&dir) || lies_in_frames(&dir, &root))
        {
            return refuse();
        }
        if !self.dir.exists() || self.work().is_dir() {
            return Ok(());
        }
        let found = raw::collect_files(std::slice::from_ref(&self.dir)).files;
        // Whatever else lies beside a session's record was put there by somebody.
        let is_beside = |file: &Path| file.with_file_name(RECORD).is_file();
        match found.iter().all(|file| is_result(file) || is_beside(file)) {
            true => Ok(()),
            false => refuse(),
        }
    }

    /// Takes away again what [`prepare`](Self::prepare) made.
    pub fn abandon(&self) {
        // They stay where anything is in them, which is as it should be.
        let _ = fs::remove_dir(self.work());
        if self.is_new {
            let _ = fs::remove_dir(&self.dir);
        }
    }

    pub fn dir(&self) -> &Path {
        &self.dir
    }

    fn work(&self) -> PathBuf {
        self.dir.join(WORK)
    }

    /// The folder of a finished session.
    pub fn done(&self, id: &str) -> PathBuf {
        self.dir.join(id)
    }

    /// The folder of a session that came to no result.
    pub fn failed(&self, id: &str) -> PathBuf {
        self.dir.join(FAILED).join(id)
    }

    /// The folder in which a session is made.
    pub fn part(&self, id: &str) -> PathBuf {
        self.work().join(format!("{id}.part"))
    }

    /// Where the result that is being replaced waits for its end.
    fn old(&self, id: &str) -> PathBuf {
        self.work().join(format!("{id}.old"))
    }

    /// Where what is to be done is kept for jobs of single sessions.
    pub fn plan(&self) -> PathBuf {
        self.work().join("plan.json")
    }

    /// Keeps another run of the whole out.
    pub fn lock(&self) -> Result<Lock, JobError> {
        let path = self.work().join("night.lock");
        match Lock::take(&path) {
            Ok(lock) => Ok(lock),
            Err(NoLock::Held { holder, certain }) => Err(JobError::Locked {
                output: self.dir.clone(),
                holder,
                only_said_by: (!certain).then_some(path),
            }),
            Err(NoLock::Io(source)) => Err(JobError::OutputFolder {
                path: self.dir.clone(),
                source,
            }),
        }
    }

    /// Keeps another run of a session out.
    pub fn lock_session(&self, id: &str) -> Result<Lock, NoLock> {
        Lock::take(&self.work().join(format!("{id}.lock")))
    }

    /// Clears away what interrupted runs left of all sessions that nobody is at, and tells
    /// what resists; to be called with the lock of the whole.
    pub fn clear_leftovers(&self) -> Vec<Leftover> {
        let mut resisting = Vec::new();
        let entries = fs::read_dir(self.work()).into_iter().flatten().flatten();
        for name in entries.map(|entry| entry.file_name()) {
            let Some(name) = name.to_str() else { continue };
            let id = name.strip_suffix(".part").or(name.strip_suffix(".old"));
            if let Some(id) = id.filter(|id| !id.starts_with('.'))
                && let Ok(_lock) = self.lock_session(id)
                && let Err(leftover) = self.recover(id)
            {
                resisting.push(leftover);
            }
        }
        for folder in [self.dir.clone(), self.work()] {
            if let Err(error) = clear_unfinished_files(&folder) {
                resisting.push(Leftover {
                    path: folder,
                    error,
                });
            }
        }
        resisting
    }

    /// Clears away what an interrupted run left of a session; to be called with its lock.
    pub fn recover(&self, id: &str) -> Result<(), Leftover> {
        let part = self.part(id);
        remove(&part).map_err(|error| Leftover { path: part, error })?;
        let (old, done) = (self.old(id), self.done(id));
        match old.exists() {
            false => Ok(()),
            // The new one was in place already.
            true if done.exists() => retire(&old, &done),
            true => fs::rename(&old, done),
        }
        .map_err(|error| Leftover { path: old, error })
    }

    /// Gives a finished folder its place, all at once; what is left of the one before is told.
    pub fn put(&self, id: &str, target: &Path) -> io::Result<Option<Leftover>> {
        let part = self.part(id);
        sync(&part)?;
        let parent = target.parent().unwrap_or(&self.dir);
        fs::create_dir_all(parent)?;
        if target == self.done(id) && target.exists() {
            let old = self.old(id);
            fs::rename(target, &old)?;
            // A result that is not replaced after all goes back.
            if let Err(error) = fs::rename(&part, target) {
                let _ = fs::rename(&old, target);
                return Err(error);
            }
            sync(parent)?;
            let retired = retire(&old, target);
            return Ok(retired.err().map(|error| Leftover { path: old, error }));
        }
        remove(target)?;
        fs::rename(&part, target)?;
        sync(parent)?;
        Ok(None)
    }

    /// Takes the record of an earlier failure away; one that resists harms nothing beside a
    /// result.
    pub fn forget_failure(&self, id: &str) {
        let _ = remove(&self.failed(id));
        // It stays while anything is in it.
        let _ = fs::remove_dir(self.dir.join(FAILED));
    }

    /// Takes the records of failures away whose sessions are no more.
    pub fn forget_failures_but(&self, is_current: impl Fn(&str) -> bool) {
        for id in self.without_result() {
            if !is_current(&id) {
                self.forget_failure(&id);
            }
        }
    }

    /// Where the log of a session in its state is, from the folder of the index.
    pub fn log(&self, id: &str, state: SessionState) -> Option<String> {
        let log = match state {
            SessionState::Failed => format!("{FAILED}/{id}/{LOG}"),
            SessionState::Done | SessionState::Waiting => format!("{id}/{LOG}"),
        };
        Some(log).filter(|log| self.dir.join(log).is_file())
    }

    /// Names of the sessions that are finished.
    pub fn finished(&self) -> Vec<String> {
        recorded(&self.dir)
    }

    /// Names of the sessions that came to no result.
    pub fn without_result(&self) -> Vec<String> {
        recorded(&self.dir.join(FAILED))
    }
}

/// A path without links, as far as it is there.
fn real(path: &Path) -> PathBuf {
    let path = std::path::absolute(path).unwrap_or_else(|_| path.to_owned());
    let there = path.ancestors().find_map(|folder| {
        let rest = path.strip_prefix(folder).ok()?;
        Some(folder.canonicalize().ok()?.join(rest))
    });
    there.unwrap_or(path)
}

/// Whether a folder under `root` is one in which frames lie, or is below one.
fn lies_in_frames(dir: &Path, root: &Path) -> bool {
    if !dir.starts_with(root) {
        return false;
    }
    let files = raw::collect_files(&[root.to_owned()]).files;
    let frames = files.iter().filter(|file| !is_result(file));
    let folders: BTreeSet<&Path> = frames.filter_map(|file| file.parent()).collect();
    let mut real = folders
        .iter()
        .filter_map(|folder| folder.canonicalize().ok());
    real.any(|folder| dir.starts_with(folder))
}

/// Folders in `dir` that say how they were made, by name.
fn recorded(dir: &Path) -> Vec<String> {
    let entries = fs::read_dir(dir).into_iter().flatten().flatten();
    let names = entries.filter_map(|entry| entry.file_name().into_string().ok());
    let mut names: Vec<String> = names
        .filter(|name| dir.join(name).join(RECORD).is_file())
        .collect();
    names.sort();
    names
}

/// What a folder says of how it was made; `None` where it says nothing that can be read.
pub(crate) fn record(folder: &Path) -> Option<SessionRecord> {
    let bytes = fs::read(folder.join(RECORD)).ok()?;
    SessionRecord::from_json(&bytes).ok()
}

/// What an earlier run left and cannot be cleared away.
#[derive(Debug, thiserror::Error)]
#[error(
    "{}: what an earlier run left cannot be cleared away: {error}; move what is your own out of \
     it, then remove it",
    raw::printable(path)
)]
pub(crate) struct Leftover {
    path: PathBuf,
    error: io::Error,
}

/// Removes a result that was replaced; what somebody else put beside it moves to the new one,
/// or stays where it is when it resists.
fn retire(old: &Path, new: &Path) -> io::Result<()> {
    let record = record(old);
    let files = record
        .iter()
        .filter_map(|record| record.session.result.as_ref())
        .flat_map(|result| result.files.iter().map(|file| file.name.as_str()));
    let made: BTreeSet<&str> = files.chain([RECORD, LOG]).collect();
    let mut resisting = None;
    for entry in fs::read_dir(old)? {
        let name = entry?.file_name();
        let is_own = match &record {
            Some(_) => name.to_str().is_some_and(|name| made.contains(name)),
            // Nothing says what was made.
            None => name == RECORD || name == LOG || result_names::names(name.as_ref()),
        };
        if !is_own && let Err(error) = fs::rename(old.join(&name), free_name(new, &name)) {
            resisting = Some(error);
        }
    }
    match resisting {
        None => remove(old),
        Some(error) => Err(error),
    }
}

/// A path in a folder at which nothing lies, by a name or the name with a number.
fn free_name(folder: &Path, name: &OsStr) -> PathBuf {
    let name = Path::new(name);
    let numbered = (2..).map(|n| {
        let mut numbered = name.file_stem().unwrap_or_default().to_owned();
        numbered.push(format!(".{n}"));
        if let Some(extension) = name.extension() {
            numbered.push(".");
            numbered.push(extension);
        }
        folder.join(numbered)
    });
    let mut paths = std::iter::once(folder.join(name)).chain(numbered);
    let free = paths.find(|path| path.symlink_metadata().is_err());
    free.expect("one of endlessly many names is free")
}

/// Temporary files that a killed run left.
fn clear_unfinished_files(folder: &Path) -> io::Result<()> {
    for entry in fs::read_dir(folder)? {
        let entry = entry?;
        let name = entry.file_name();
        let name = name.to_string_lossy();
        if name.starts_with(".radicand-") && name.ends_with(".part") && entry.file_type()?.is_file()
        {
            fs::remove_file(entry.path())?;
        }
    }
    Ok(())
}

fn remove(folder: &Path) -> io::Result<()> {
    match fs::remove_dir_all(folder) {
        Err(error) if error.kind() != io::ErrorKind::NotFound => Err(error),
        _ => Ok(()),
    }
}

/// Brings the entries of a folder to the disk, where the system can.
fn sync(folder: &Path) -> io::Result<()> {
    if let Ok(folder) = File::open(folder) {
        // Some file systems refuse for folders, and then are as safe as they are.
        let _ = folder.sync_all();
    }
    Ok(())
}
