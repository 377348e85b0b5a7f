//! A file that appears whole or not at all.

use crate::ExportError;
use std::fs::File;
use std::io::{self, BufWriter, Seek, SeekFrom, Write};
use std::path::{Path, PathBuf};
use tempfile::NamedTempFile;

/// What to do when a file of that name exists.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Overwrite {
    /// Leave it alone and fail.
    #[default]
    No,
    /// Replace it once the new file is complete.
    Yes,
}

/// A file under construction: written under a temporary name in the target's own folder,
/// and renamed once it is complete and on the disk.
///
/// Dropped without [`commit`](Self::commit), it leaves nothing behind. Only the loss of
/// power or a kill between creation and commit can leave the temporary file, which is
/// named `.radicand-*.part`.
#[derive(Debug)]
pub struct AtomicFile {
    file: BufWriter<NamedTempFile>,
    target: PathBuf,
    overwrite: Overwrite,
}

impl AtomicFile {
    /// Starts a file that will be called `target`.
    ///
    /// # Errors
    ///
    /// [`Exists`](ExportError::Exists) when the target exists and is not to be
    /// overwritten; [`Io`](ExportError::Io) when its folder is missing or read-only.
    pub fn create(target: &Path, overwrite: Overwrite) -> Result<Self, ExportError> {
        refuse_existing(target, overwrite)?;
        let folder = match target.parent() {
            Some(parent) if parent != Path::new("") => parent,
            _ => Path::new("."),
        };
        let mut builder = tempfile::Builder::new();
        builder.prefix(".radicand-").suffix(".part");
        // Temporary files are private by default, but this one becomes a result: it gets
        // the permissions that any new file gets.
        #[cfg(unix)]
        builder.permissions(std::os::unix::fs::PermissionsExt::from_mode(0o666));
        let file = builder
            .tempfile_in(folder)
            .map_err(|error| ExportError::io(target, "create a file in its folder", error))?;
        Ok(Self {
            file: BufWriter::with_capacity(1 << 20, file),
            target: target.to_owned(),
            overwrite,
        })
    }

    /// The name it will have.
    pub fn target(&self) -> &Path {
        &self.target
    }

    /// Writes `bytes` as the whole of `target`.
    ///
    /// # Errors
    ///
    /// Those of [`create`](Self::create) and [`commit`](Self::commit), and
    /// [`DiskFull`](ExportError::DiskFull).
    pub fn write_whole(
        target: &Path,
        bytes: &[u8],
        overwrite: Overwrite,
    ) -> Result<(), ExportError> {
        let mut file = Self::create(target, overwrite)?;
        file.write_all(bytes)
            .map_err(|error| ExportError::io(target, "write it", error))?;
        file.commit()
    }

    /// Brings everything written so far to the file and returns its temporary name, to be
    /// read before the commit.
    pub(crate) fn flushed_path(&mut self) -> Result<&Path, ExportError> {
        self.file
            .flush()
            .map_err(|error| ExportError::io(&self.target, "write it", error))?;
        Ok(self.file.get_ref().path())
    }

    /// Puts the complete file on the disk under its name.
    ///
    /// # Errors
    ///
    /// [`DiskFull`](ExportError::DiskFull), [`Io`](ExportError::Io), and
    /// [`Exists`](ExportError::Exists) when somebody else made the target meanwhile.
    pub fn commit(self) -> Result<(), ExportError> {
        let Self {
            file,
            target,
            overwrite,
        } = self;
        let fail = |action, error| ExportError::io(&target, action, error);
        let file = file
            .into_inner()
            .map_err(|error| fail("write it", error.into_error()))?;
        file.as_file()
            .sync_all()
            .map_err(|error| fail("bring it to the disk", error))?;
        rename(file, &target, overwrite).map_err(|error| fail("give it its name", error))?;
        sync_folder(&target);
        Ok(())
    }
}

impl Write for AtomicFile {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        self.file.write(bytes)
    }

    fn flush(&mut self) -> io::Result<()> {
        self.file.flush()
    }
}

impl Seek for AtomicFile {
    fn seek(&mut self, to: SeekFrom) -> io::Result<u64> {
        self.file.seek(to)
    }
}

/// Fails when `target` exists and is not to be overwritten. To be called before a long
/// job, so that it does not end in this error.
///
/// # Errors
///
/// [`Exists`](ExportError::Exists). A dangling link counts as existing.
pub fn refuse_existing(target: &Path, overwrite: Overwrite) -> Result<(), ExportError> {
    match overwrite {
        Overwrite::No if target.symlink_metadata().is_ok() => Err(ExportError::Exists {
            path: target.to_owned(),
        }),
        _ => Ok(()),
    }
}

fn rename(file: NamedTempFile, target: &Path, overwrite: Overwrite) -> io::Result<()> {
    if overwrite == Overwrite::Yes {
        return file
            .persist(target)
            .map(drop)
            .map_err(|failed| failed.error);
    }
    match file.persist_noclobber(target) {
        Ok(_) => Ok(()),
        // Memory cards and network folders often know neither hard links nor a rename
        // that refuses to replace. A look before a plain rename is the best they allow.
        Err(failed)
            if failed.error.kind() != io::ErrorKind::AlreadyExists
                && target.symlink_metadata().is_err() =>
        {
            failed
                .file
                .persist(target)
                .map(drop)
                .map_err(|failed| failed.error)
        }
        Err(failed) => Err(failed.error),
    }
}

/// The new name itself must reach the disk too. Where folders cannot be opened (Windows),
/// or the file system refuses, the rename is as safe as the system makes it.
fn sync_folder(target: &Path) {
    let folder = match target.parent() {
        Some(parent) if parent != Path::new("") => parent,
        _ => Path::new("."),
    };
    if let Ok(folder) = File::open(folder) {
        let _ = folder.sync_all();
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::fs;

    fn names_in(folder: &Path) -> Vec<String> {
        let mut names: Vec<_> = fs::read_dir(folder)
            .expect("the test made it")
            .map(|entry| {
                entry
                    .expect("readable")
                    .file_name()
                    .to_string_lossy()
                    .into_owned()
            })
            .collect();
        names.sort();
        names
    }

    #[test]
    fn a_committed_file_is_whole_and_alone() {
        let folder = tempfile::tempdir().unwrap();
        let target = folder.path().join("report.json");
        AtomicFile::write_whole(&target, b"{}", Overwrite::No).unwrap();
        assert_eq!(fs::read(&target).unwrap(), b"{}");
        assert_eq!(names_in(folder.path()), ["report.json"]);
    }

    #[test]
    fn a_dropped_file_leaves_nothing() {
        let folder = tempfile::tempdir().unwrap();
        let mut file = AtomicFile::create(&folder.path().join("a.tif"), Overwrite::No).unwrap();
        file.write_all(&[7; 3 << 20]).unwrap();
        assert_eq!(names_in(folder.path()).len(), 1, "the temporary file");
        drop(file);
        assert!(names_in(folder.path()).is_empty());
    }

    #[test]
    fn an_existing_file_stays_unless_told_otherwise() {
        let folder = tempfile::tempdir().unwrap();
        let target = folder.path().join("a.fits");
        fs::write(&target, "old").unwrap();
        let refused = AtomicFile::create(&target, Overwrite::No).unwrap_err();
        assert!(matches!(refused, ExportError::Exists { .. }));
        assert_eq!(fs::read(&target).unwrap(), b"old");
        AtomicFile::write_whole(&target, b"new", Overwrite::Yes).unwrap();
        assert_eq!(fs::read(&target).unwrap(), b"new");
        assert_eq!(names_in(folder.path()), ["a.fits"]);
    }

    #[test]
    fn a_file_that_turned_up_meanwhile_stays() {
        let folder = tempfile::tempdir().unwrap();
        let target = folder.path().join("a.fits");
        let mut file = AtomicFile::create(&target, Overwrite::No).unwrap();
        file.write_all(b"new").unwrap();
        fs::write(&target, "theirs").unwrap();
        assert!(matches!(
            file.commit().unwrap_err(),
            ExportError::Exists { .. }
        ));
        assert_eq!(fs::read(&target).unwrap(), b"theirs");
        assert_eq!(names_in(folder.path()), ["a.fits"]);
    }

    #[test]
    fn a_failed_rename_leaves_nothing() {
        let folder = tempfile::tempdir().unwrap();
        let target = folder.path().join("taken");
        fs::create_dir(&target).unwrap();
        let error = AtomicFile::write_whole(&target, b"x", Overwrite::Yes).unwrap_err();
        assert!(
            error
                .to_string()
                .contains("taken: could not give it its name"),
            "{error}"
        );
        assert_eq!(names_in(folder.path()), ["taken"]);
    }

    #[test]
    fn a_missing_folder_is_named() {
        let folder = tempfile::tempdir().unwrap();
        let target = folder.path().join("missing").join("a.png");
        let error = AtomicFile::create(&target, Overwrite::No).unwrap_err();
        assert!(
            matches!(&error, ExportError::Io { path, .. } if *path == target),
            "{error:?}"
        );
    }

    #[cfg(unix)]
    #[test]
    fn a_result_has_the_permissions_of_any_new_file() {
        use std::os::unix::fs::PermissionsExt;
        let folder = tempfile::tempdir().unwrap();
        let (ours, plain) = (folder.path().join("ours"), folder.path().join("plain"));
        AtomicFile::write_whole(&ours, b"x", Overwrite::No).unwrap();
        fs::write(&plain, "x").unwrap();
        let mode = |path: &Path| fs::metadata(path).unwrap().permissions().mode();
        assert_eq!(mode(&ours), mode(&plain));
    }
}
