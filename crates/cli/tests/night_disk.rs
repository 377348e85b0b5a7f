//! A night on disks that are really full: small file systems of their own, where this machine
//! allows to mount them.
#![cfg(target_os = "linux")]

mod support;

use radicand_tests::folder_digests;
use std::fs;
use std::path::{Path, PathBuf};
use std::process::Command;
use support::archive::{archive_of, json, night, remains};
use support::radicand_ends;

/// A file system of its own, in memory.
struct SmallDisk(PathBuf);

impl SmallDisk {
    /// `None`, said aloud, where this machine does not let this user mount.
    #[expect(clippy::print_stderr, reason = "says aloud what could not be tried")]
    fn mount(at: PathBuf, kib: u64) -> Option<Self> {
        fs::create_dir(&at).expect("a folder");
        let mounted = Command::new("mount")
            .args(["-t", "tmpfs", "-o", &format!("size={kib}k"), "tmpfs"])
            .arg(&at)
            .output();
        match mounted {
            Ok(output) if output.status.success() => Some(Self(at)),
            refused => {
                eprintln!("no disk can be mounted here, so none is filled: {refused:?}");
                None
            }
        }
    }

    fn resize(&self, kib: u64) {
        self.remount(&format!("size={kib}k"));
    }

    fn remount(&self, options: &str) {
        let remounted = Command::new("mount")
            .args(["-o", &format!("remount,{options}")])
            .arg(&self.0)
            .status();
        assert!(remounted.is_ok_and(|status| status.success()), "{options}");
    }
}

impl Drop for SmallDisk {
    fn drop(&mut self) {
        // What stays mounted is in the way of the temporary folder alone.
        let _ = Command::new("umount").arg(&self.0).status();
    }
}

fn size_kib(folder: &Path) -> u64 {
    let files = folder_digests(folder)
        .into_keys()
        .map(|file| folder.join(file));
    let sizes = files.filter_map(|file| fs::metadata(file).ok().filter(|file| file.is_file()));
    sizes.map(|file| file.len().div_ceil(1024)).sum()
}

#[test]
fn a_full_output_disk_costs_no_byte() {
    let temp = archive_of(&["one"]);
    let base = temp.path();
    let Some(disk) = SmallDisk::mount(base.join("disk"), 64) else {
        return;
    };
    let before = folder_digests(&base.join("archive"));
    assert_eq!(night(base, "whole", &[]).status, 0);
    let whole = size_kib(&base.join("whole"));
    for share in [5, 20, 50, 80, 95] {
        disk.resize((whole * share / 100).max(16));
        let run = night(base, "disk/out", &[]);
        assert!([1, 3].contains(&run.status), "{share} %: {run:?}");
        assert!(
            run.stderr.contains("No space left on device"),
            "{share} %: {run:?}"
        );
        assert!(run.stderr.contains("make room"), "{share} %: {run:?}");
        assert!(!run.stderr.contains("panicked"), "{share} %: {run:?}");
        let out = fs::read_dir(base.join("disk/out"))
            .into_iter()
            .flatten()
            .flatten();
        let stacks = out
            .filter(|entry| entry.path().join("stack.tif").exists())
            .count();
        assert_eq!(
            stacks, 0,
            "{share} %: a session in its place that is not whole"
        );
    }
    disk.resize(4 * whole + 4096);
    let run = night(base, "disk/out", &[]);
    assert_eq!(run.status, 0, "{run:?}");
    assert_eq!(
        remains(&base.join("whole")),
        remains(&base.join("disk/out"))
    );
    assert_eq!(before, folder_digests(&base.join("archive")));
}

#[test]
fn a_full_scratch_disk_fails_its_session_and_says_what_to_do() {
    let temp = tempfile::tempdir().expect("a folder");
    let base = temp.path();
    let scene = ["simulate", "tripod-burst", "--dimensions", "400x300"];
    let of = ["--frames", "4", "-o", "archive/wide"];
    radicand_ends(base, &[&scene[..], &of[..]].concat(), 0);
    let Some(disk) = SmallDisk::mount(base.join("scratch"), 64) else {
        return;
    };
    let dry = ["--dry-run", "--json", "--memory", "1M", "--threads", "2"];
    let planned = night(base, "out", &dry).stdout;
    let planned: serde_json::Value = serde_json::from_str(planned.lines().last().expect("a plan"))
        .unwrap_or_else(|error| panic!("{error}: {planned}"));
    let least = planned["memory_bytes"]
        .as_u64()
        .expect("bytes")
        .div_ceil(1 << 20);
    let memory = format!("{least}M");
    let options = [
        "--memory",
        &memory,
        "--scratch",
        "scratch",
        "--threads",
        "2",
    ];
    let run = night(base, "out", &options);
    assert_eq!(run.status, 3, "{run:?}");
    let reason = &json(&base.join("out/night.json"))["sessions"][0]["reason"];
    let reason = reason.as_str().expect("a reason");
    assert!(reason.contains("scratch"), "{reason}");
    assert!(reason.contains("--scratch"), "no way out: {reason}");
    assert_eq!(fs::read_dir(base.join("scratch")).expect("it").count(), 0);
    disk.resize(200 << 10);
    let run = night(base, "out", &options);
    assert_eq!(run.status, 0, "{run:?}");
}

#[test]
fn a_folder_that_cannot_be_written_is_named_and_can_be_read() {
    let temp = archive_of(&["one"]);
    let base = temp.path();
    let Some(disk) = SmallDisk::mount(base.join("locked"), 64 << 10) else {
        return;
    };
    fs::create_dir(base.join("locked/out")).expect("a folder");
    let copied = Command::new("cp")
        .args(["-r", "archive", "locked/archive"])
        .current_dir(base)
        .status();
    assert!(copied.is_ok_and(|status| status.success()), "a copy");
    disk.remount("ro");
    for out in ["locked/out", "locked/new"] {
        let run = night(base, out, &[]);
        assert_eq!(run.status, 1, "{run:?}");
        for says in [out, "Read-only", "another folder with -o"] {
            assert!(run.stderr.contains(says), "{says}: {}", run.stderr);
        }
    }
    // Originals need no more than to be read.
    let run = radicand_ends(base, &["night", "locked/archive", "-o", "out"], 0);
    assert!(run.stdout.contains("1 of 1 sessions done"), "{run:?}");
}
