//! Scratch files: what waits on the disk because it does not fit in memory.

use crate::{Bytes, StackError};
use std::fs::File;
use std::io;
use std::path::Path;
use std::sync::Arc;

/// A file without a name, which the operating system removes as soon as the program ends,
/// however it ends. It is read and written at positions, from any thread.
///
/// What was written lately usually still is in the system's file cache, so that reading it
/// back is about as fast as from memory; but unlike memory, the system can take it away.
#[derive(Clone, Debug)]
pub struct ScratchFile {
    file: Arc<File>,
    dir: Arc<Path>,
}

impl ScratchFile {
    /// Starts an empty file in `dir`.
    ///
    /// # Errors
    ///
    /// [`StackError::ScratchWrite`] when the folder is missing or read-only.
    pub fn create(dir: &Path) -> Result<Self, StackError> {
        match tempfile::tempfile_in(dir) {
            Ok(file) => Ok(Self::of(file, dir)),
            Err(source) => Err(StackError::ScratchWrite {
                dir: dir.to_owned(),
                source,
            }),
        }
    }

    fn of(file: File, dir: &Path) -> Self {
        Self {
            file: Arc::new(file),
            dir: dir.into(),
        }
    }

    pub(crate) fn write_at(&self, offset: u64, bytes: &[u8]) -> Result<(), StackError> {
        write_all_at(&self.file, bytes, offset).map_err(|source| StackError::ScratchWrite {
            dir: self.dir.to_path_buf(),
            source,
        })
    }

    pub(crate) fn read_at(&self, offset: u64, bytes: &mut [u8]) -> Result<(), StackError> {
        read_exact_at(&self.file, bytes, offset).map_err(|source| StackError::ScratchRead {
            dir: self.dir.to_path_buf(),
            source,
        })
    }
}

/// Makes sure that a folder has room for scratch data, before any is written. A folder that
/// does not tell is believed to have it.
///
/// # Errors
///
/// [`StackError::ScratchFull`] with needed and free bytes.
pub fn check_scratch_room(dir: &Path, needed_bytes: u64) -> Result<(), StackError> {
    match fs4::available_space(dir) {
        Ok(free_bytes) if free_bytes < needed_bytes => Err(StackError::ScratchFull {
            dir: dir.to_owned(),
            needed: Bytes(needed_bytes),
            free: Bytes(free_bytes),
        }),
        // A folder that is not there is told of when the file is made.
        _ => Ok(()),
    }
}

#[cfg(unix)]
use std::os::unix::fs::FileExt;

#[cfg(unix)]
fn read_exact_at(file: &File, bytes: &mut [u8], offset: u64) -> io::Result<()> {
    file.read_exact_at(bytes, offset)
}

#[cfg(unix)]
fn write_all_at(file: &File, bytes: &[u8], offset: u64) -> io::Result<()> {
    file.write_all_at(bytes, offset)
}

#[cfg(windows)]
use std::os::windows::fs::FileExt;

#[cfg(windows)]
fn read_exact_at(file: &File, mut bytes: &mut [u8], mut offset: u64) -> io::Result<()> {
    while !bytes.is_empty() {
        let n = file.seek_read(bytes, offset)?;
        if n == 0 {
            return Err(io::ErrorKind::UnexpectedEof.into());
        }
        bytes = &mut bytes[n..];
        offset += n as u64;
    }
    Ok(())
}

#[cfg(windows)]
fn write_all_at(file: &File, mut bytes: &[u8], mut offset: u64) -> io::Result<()> {
    while !bytes.is_empty() {
        let n = file.seek_write(bytes, offset)?;
        if n == 0 {
            return Err(io::ErrorKind::WriteZero.into());
        }
        bytes = &bytes[n..];
        offset += n as u64;
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn nothing_of_it_is_seen_in_the_folder() {
        let dir = tempfile::tempdir().expect("a folder");
        let scratch = ScratchFile::create(dir.path()).expect("a scratch file");
        scratch.write_at(7, b"night").expect("room");
        let mut read = [0; 5];
        scratch.read_at(7, &mut read).expect("readable");
        assert_eq!(&read, b"night");
        // Windows removes the file when it is closed, Unix at once.
        #[cfg(unix)]
        assert_eq!(std::fs::read_dir(dir.path()).expect("a folder").count(), 0);
        drop(scratch);
        assert_eq!(std::fs::read_dir(dir.path()).expect("a folder").count(), 0);
    }

    #[test]
    fn a_folder_without_room_is_named_with_what_is_needed_and_free() {
        let dir = tempfile::tempdir().expect("a folder");
        check_scratch_room(dir.path(), 1).expect("a byte is free");
        let error = check_scratch_room(dir.path(), u64::MAX).expect_err("no disk is that large");
        let StackError::ScratchFull {
            dir: named,
            needed,
            free,
        } = &error
        else {
            panic!("{error}");
        };
        assert_eq!(named, dir.path());
        assert!(needed.0 == u64::MAX && free.0 < u64::MAX);
        let said = error.to_string();
        assert!(said.contains(&format!("{} bytes", free.0)), "{said}");
        assert!(said.contains(&dir.path().display().to_string()), "{said}");
    }

    /// The device of Linux on which every write fails as on a full disk.
    #[cfg(target_os = "linux")]
    #[test]
    fn a_full_disk_is_told_with_the_folder() {
        let full = File::options()
            .write(true)
            .open("/dev/full")
            .expect("a Linux");
        let scratch = ScratchFile::of(full, Path::new("of-scratch"));
        let error = scratch.write_at(0, &[1; 64]).expect_err("no space left");
        let StackError::ScratchWrite { dir, source } = &error else {
            panic!("{error}");
        };
        assert_eq!(dir, Path::new("of-scratch"));
        assert_eq!(source.kind(), io::ErrorKind::StorageFull);
        assert!(error.to_string().contains("of-scratch"), "{error}");
    }

    #[test]
    fn a_missing_folder_is_named() {
        let dir = tempfile::tempdir().expect("a folder");
        let missing = dir.path().join("missing");
        let error = ScratchFile::create(&missing).expect_err("no folder");
        assert!(error.to_string().contains("missing"), "{error}");
    }
}
