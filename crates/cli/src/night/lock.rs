//! A lock that keeps two runs out of one place, and dies with the run that holds it.
//!
//! The operating system's lock on the file decides, so a run that was killed leaves no lock
//! behind, only its file; a shared folder has to support such locks. What the file says of
//! its holder is for people, and for file systems that know no locks.

use std::fs::{self, File, TryLockError};
use std::io::{self, ErrorKind, Read, Seek, SeekFrom, Write};
use std::path::{Path, PathBuf};

/// A lock that is held.
#[derive(Debug)]
pub(crate) struct Lock {
    path: PathBuf,
    /// Holds the lock while it is open.
    _file: File,
    /// Who left the file behind, where a run that held it was killed.
    pub stale: Option<String>,
}

/// Why there is no lock.
#[derive(Debug)]
pub(crate) enum NoLock {
    /// Somebody holds it; whether the system says so, or the file alone.
    Held {
        /// Who, as the file says.
        holder: String,
        /// Whether the system says so.
        certain: bool,
    },
    /// The file cannot be made or read.
    Io(io::Error),
}

impl Lock {
    /// Takes the lock at `path`, or says who has it.
    pub fn take(path: &Path) -> Result<Self, NoLock> {
        loop {
            let mut options = File::options();
            let options = options.read(true).write(true).create(true).truncate(false);
            let mut file = options.open(path).map_err(NoLock::Io)?;
            let mut said = String::new();
            // What is no text was written by nobody.
            let _ = file.read_to_string(&mut said);
            let said = said.trim().to_owned();
            match file.try_lock() {
                Ok(()) => {}
                Err(TryLockError::WouldBlock) => {
                    let holder = if said.is_empty() {
                        "another run"
                    } else {
                        &said
                    };
                    return Err(NoLock::Held {
                        holder: holder.to_owned(),
                        certain: true,
                    });
                }
                Err(TryLockError::Error(error)) if error.kind() == ErrorKind::Unsupported => {
                    if !said.is_empty() && may_live(&said) {
                        return Err(NoLock::Held {
                            holder: said,
                            certain: false,
                        });
                    }
                }
                Err(TryLockError::Error(error)) => return Err(NoLock::Io(error)),
            }
            // Whoever held it before may have removed the file meanwhile.
            if !is_at(&file, path) {
                continue;
            }
            write_holder(&mut file).map_err(NoLock::Io)?;
            return Ok(Self {
                path: path.to_owned(),
                _file: file,
                stale: (!said.is_empty()).then_some(said),
            });
        }
    }
}

impl Drop for Lock {
    fn drop(&mut self) {
        // Removed while it is held, so that nobody else's file is. What stays is stale.
        let _ = fs::remove_file(&self.path);
    }
}

fn write_holder(file: &mut File) -> io::Result<()> {
    file.set_len(0)?;
    file.seek(SeekFrom::Start(0))?;
    writeln!(file, "{}", Holder::this())?;
    file.sync_all()
}

/// Who holds a lock.
struct Holder {
    process: u32,
    host: String,
    boot: String,
}

impl Holder {
    fn this() -> Self {
        let read = |path: &str| fs::read_to_string(path).ok();
        let known = |text: Option<String>| text.map(|text| text.trim().to_owned());
        let host = known(read("/proc/sys/kernel/hostname"));
        let host = host.or_else(|| std::env::var("HOSTNAME").ok());
        Self {
            process: std::process::id(),
            host: host.unwrap_or_else(|| "this machine".to_owned()),
            boot: known(read("/proc/sys/kernel/random/boot_id")).unwrap_or_default(),
        }
    }

    fn parse(text: &str) -> Option<Self> {
        let rest = text.strip_prefix("process ")?;
        let (process, rest) = rest.split_once(" on ")?;
        let (host, boot) = rest.split_once(", boot ")?;
        Some(Self {
            process: process.parse().ok()?,
            host: host.to_owned(),
            boot: boot.to_owned(),
        })
    }
}

impl std::fmt::Display for Holder {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(
            f,
            "process {} on {}, boot {}",
            self.process, self.host, self.boot
        )
    }
}

/// Whether a holder may still be at work: on this machine the system tells, of others
/// nothing is known.
fn may_live(said: &str) -> bool {
    let Some(holder) = Holder::parse(said) else {
        return false;
    };
    let this = Holder::this();
    if holder.host != this.host {
        return true;
    }
    holder.boot == this.boot && Path::new(&format!("/proc/{}", holder.process)).exists()
}

#[cfg(unix)]
fn is_at(file: &File, path: &Path) -> bool {
    use std::os::unix::fs::MetadataExt;
    match (file.metadata(), fs::metadata(path)) {
        (Ok(own), Ok(there)) => (own.dev(), own.ino()) == (there.dev(), there.ino()),
        _ => false,
    }
}

#[cfg(not(unix))]
fn is_at(_: &File, path: &Path) -> bool {
    path.exists()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_lock_is_held_once_and_leaves_nothing() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("night.lock");
        let lock = Lock::take(&path).unwrap();
        assert_eq!(lock.stale, None);
        let Err(NoLock::Held {
            holder,
            certain: true,
        }) = Lock::take(&path)
        else {
            panic!("taken twice");
        };
        let own = format!("process {} on ", std::process::id());
        assert!(holder.starts_with(&own), "{holder}");
        drop(lock);
        assert!(!path.exists());
        assert_eq!(Lock::take(&path).unwrap().stale, None);
    }

    #[test]
    fn what_a_killed_run_left_is_taken_over_and_said() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("night.lock");
        fs::write(&path, "process 4194303 on dome, boot 1-2-3\n").unwrap();
        let lock = Lock::take(&path).unwrap();
        let stale = lock.stale.as_deref();
        assert_eq!(stale, Some("process 4194303 on dome, boot 1-2-3"));
    }

    #[test]
    fn a_holder_lives_where_it_may() {
        let this = Holder::this();
        assert!(may_live(&this.to_string()));
        let another = |process, host: &str, boot: &str| Holder {
            process,
            host: host.to_owned(),
            boot: boot.to_owned(),
        };
        // Process numbers end at 4194304 on Linux (proc(5)).
        let ended = another(5_000_000, &this.host, &this.boot);
        let before = another(this.process, &this.host, "an earlier boot");
        let far = another(1, "another machine", "its boot");
        assert!(!may_live(&ended.to_string()));
        assert!(!may_live(&before.to_string()));
        assert!(may_live(&far.to_string()));
        assert!(!may_live("no holder"));
    }

    #[test]
    fn a_folder_that_is_not_there_is_an_error() {
        let folder = tempfile::tempdir().unwrap();
        let taken = Lock::take(&folder.path().join("missing/night.lock"));
        assert!(matches!(taken, Err(NoLock::Io(_))));
    }
}
