//! Nights on full disks, among what cannot be read, and over folders that vanish: each is
//! named with a remedy, the rest is done, and the originals stay as they are.
#![cfg(unix)]

mod support;

use serde_json::Value;
use std::fs;
use std::io::{BufRead, BufReader};
use std::os::unix::fs::{PermissionsExt, symlink};
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
use support::archive::{archive, archive_of, json, night, originals, remains, session_in};
use support::{Run, check_schema_at, command, radicand_ends};
use synth::{Scene, Stars, write_scene};

/// A night in which no file can grow beyond so many blocks of 512 bytes, as on a disk that is
/// full at that point of every write.
fn night_on_a_full_disk(base: &Path, out: &str, blocks: u64) -> Run {
    // Ignored signals stay ignored in what is started: writes then fail as on a full disk.
    let script = format!("trap '' XFSZ; ulimit -f {blocks}; exec \"$0\" \"$@\"");
    let program = env!("CARGO_BIN_EXE_radicand");
    let output = Command::new("sh")
        .args(["-c", &script, program, "night", "archive", "-o", out])
        .current_dir(base)
        .stdin(Stdio::null())
        .output()
        .expect("a shell");
    let text = |bytes| String::from_utf8(bytes).expect("the program speaks UTF-8");
    Run {
        status: output.status.code().expect("the program ends by itself"),
        stdout: text(output.stdout),
        stderr: text(output.stderr),
    }
}

/// Folders that have the place of a finished session.
fn finished(out: &Path) -> Vec<PathBuf> {
    let entries = fs::read_dir(out).into_iter().flatten().flatten();
    let folders = entries
        .map(|entry| entry.path())
        .filter(|path| path.is_dir());
    let others = ["failed", ".radicand-night"].map(|name| out.join(name));
    folders.filter(|path| !others.contains(path)).collect()
}

#[test]
fn a_disk_that_is_full_at_any_write_costs_no_byte() {
    let temp = archive();
    let base = temp.path();
    // One session shows it as well as two.
    fs::remove_dir_all(base.join("archive/two")).expect("a folder");
    let before = originals(base);
    assert_eq!(night(base, "whole", &[]).status, 0);
    let whole = remains(&base.join("whole"));
    // Each limit is just below the size of one of the files, which then is the first to fail.
    let mut limits: Vec<u64> = whole
        .keys()
        .map(|path| base.join("whole").join(path))
        .filter(|path| path.is_file())
        .map(|path| (path.metadata().expect("a file").len() - 1) / 512)
        .collect();
    limits.sort();
    limits.dedup_by_key(|blocks| *blocks / 4);
    assert!(limits.len() > 5, "{limits:?}");
    for blocks in limits {
        let run = night_on_a_full_disk(base, "starved", blocks);
        // Where the index still had room it says what came of the session.
        let index = ["night.json", "index.html"].map(|name| base.join("starved").join(name));
        let status = if index.iter().all(|file| file.exists()) {
            3
        } else {
            1
        };
        assert_eq!(run.status, status, "{blocks} blocks: {run:?}");
        assert!(!run.stderr.contains("panicked"), "{}", run.stderr);
        assert!(run.stderr.contains("starved"), "no file: {}", run.stderr);
        assert!(
            run.stderr.contains("make room"),
            "no way out: {}",
            run.stderr
        );
        for file in index.iter().filter(|file| file.exists()) {
            fs::remove_file(file).expect("a file");
        }
        // What has its place is whole: here nothing came so far.
        let done = finished(&base.join("starved"));
        assert!(done.is_empty(), "{blocks} blocks: {done:?}");
    }
    let run = night(base, "starved", &[]);
    assert_eq!(run.status, 0, "{run:?}");
    assert_eq!(whole, remains(&base.join("starved")));
    assert_eq!(before, originals(base));
}

/// Makes a file that its owner may not read, or says aloud that here everything can be read.
#[expect(clippy::print_stderr, reason = "says aloud what could not be tried")]
fn make_unreadable(path: &Path) -> bool {
    fs::write(path, "locked away").expect("a file");
    fs::set_permissions(path, fs::Permissions::from_mode(0o000)).expect("permissions");
    let binds = fs::File::open(path).is_err();
    if !binds {
        eprintln!("permissions do not bind this user: no file is unreadable by them");
        fs::remove_file(path).expect("a file");
    }
    binds
}

#[test]
fn what_cannot_be_read_is_named_and_costs_nothing_else() {
    let temp = archive();
    let base = temp.path();
    let root = base.join("archive");
    let fifo = root.join("one/lights/pipe.dng");
    let made = Command::new("mkfifo").arg(&fifo).status();
    assert!(made.is_ok_and(|status| status.success()), "a pipe");
    fs::create_dir(root.join("one/lights/folder.dng")).expect("a folder");
    symlink("nowhere.dng", root.join("one/lights/dangling.dng")).expect("a link");
    symlink("/dev/zero", root.join("one/lights/endless.dng")).expect("a link");
    // Longer than any disk, and empty on it.
    let sparse = fs::File::create(root.join("two/lights/sparse.dng")).expect("a file");
    sparse.set_len(3 << 30).expect("room for a hole");
    let locked = make_unreadable(&root.join("two/lights/locked.dng"));

    let run = night(base, "out", &[]);
    assert_eq!(run.status, 3, "{run:?}");
    let index = json(&base.join("out/night.json"));
    check_schema_at("night.schema.json", &index);
    let sessions = index["sessions"].as_array().expect("sessions");
    let used = |session: &Value| session["result"]["frames_used"].as_u64();
    assert_eq!(sessions.iter().filter_map(used).collect::<Vec<_>>(), [4, 4]);
    let left_out = index["left_out"].as_array().expect("faults");
    let mut faults = vec![
        ("one/lights/dangling.dng", "No such file"),
        ("one/lights/endless.dng", "a pipe, socket or device"),
        ("one/lights/pipe.dng", "a pipe, socket or device"),
        (
            "two/lights/sparse.dng",
            "no frame is so large: take it out of the folder",
        ),
    ];
    faults.extend(locked.then_some(("two/lights/locked.dng", "Permission denied")));
    assert_eq!(left_out.len(), faults.len(), "{left_out:?}");
    for (file, says) in faults {
        let own = left_out.iter().find(|fault| fault["file"] == file);
        let own = own.unwrap_or_else(|| panic!("{file} is not named: {left_out:?}"));
        let reason = own["reason"].as_str().expect("a reason");
        assert!(reason.contains(says), "{file}: {reason}");
        assert!(run.stderr.contains(file), "{}", run.stderr);
    }
}

#[test]
fn a_folder_that_vanishes_meanwhile_fails_its_own_session() {
    let temp = archive();
    let base = temp.path();
    let root = base.join("archive");
    // The session that comes last, and the folder it is in.
    let planned = night(base, "out", &["--dry-run", "--json"]);
    let last: Value = serde_json::from_str(planned.stdout.lines().last().expect("sessions"))
        .unwrap_or_else(|error| panic!("{error}: {planned:?}"));
    let folder = last["session"]["folders"][0].as_str().expect("a folder");
    let moved = folder.split('/').next().expect("a name");
    let before = originals(base);

    let mut command = command(base, &["night", "archive", "-o", "out", "--json"]);
    let mut child = command
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .expect("the program starts");
    let mut stdout = BufReader::new(child.stdout.take().expect("its output")).lines();
    let is_first = |line: &String| line.contains("session_begins");
    let begun = stdout.by_ref().map_while(Result::ok).find(is_first);
    assert!(begun.is_some(), "no session begins");
    fs::rename(root.join(moved), base.join("elsewhere")).expect("another place");
    stdout.for_each(drop);
    let ended = child.wait_with_output().expect("an end");
    let stderr = String::from_utf8_lossy(&ended.stderr);
    assert_eq!(ended.status.code(), Some(3), "{stderr}");
    let index = json(&base.join("out/night.json"));
    let sessions = index["sessions"].as_array().expect("sessions").iter();
    for session in sessions {
        let own = session["folders"][0].as_str().expect("a folder");
        match own == folder {
            false => assert_eq!(session["state"], "done", "{session:#}"),
            true => {
                assert_eq!(session["state"], "failed", "{session:#}");
                let reason = session["reason"].as_str().expect("a reason");
                assert!(reason.contains("No such file"), "{reason}");
                assert!(stderr.contains(reason), "{stderr}");
            }
        }
    }
    // Back in its place it is done, and the other is not done again.
    fs::rename(base.join("elsewhere"), root.join(moved)).expect("its place");
    assert_eq!(before, originals(base));
    let run = night(base, "out", &[]);
    assert_eq!(run.status, 0, "{run:?}");
}

#[test]
fn frames_of_different_sizes_are_no_stack_and_no_end() {
    let temp = archive();
    let base = temp.path();
    for (n, dimensions) in ["180x150", "200x170", "220x160"].into_iter().enumerate() {
        let folder = format!("made/{n}");
        let scene = ["simulate", "tripod-burst", "--dimensions", dimensions];
        let of = ["--frames", "1", "-o", &folder];
        radicand_ends(base, &[&scene[..], &of[..]].concat(), 0);
        let light = base.join(folder).join("lights/shot_0001.dng");
        let mixed = base.join("archive/mixed");
        fs::create_dir_all(&mixed).expect("a folder");
        fs::rename(light, mixed.join(format!("{n}.dng"))).expect("another place");
    }
    let run = night(base, "out", &[]);
    assert_eq!(run.status, 3, "{run:?}");
    let index = json(&base.join("out/night.json"));
    let sessions = index["sessions"].as_array().expect("sessions").iter();
    let (mixed, others): (Vec<_>, Vec<_>) = sessions.partition(|s| s["folders"][0] == "mixed");
    assert_eq!((mixed.len(), others.len()), (3, 2));
    assert!(others.iter().all(|session| session["state"] == "done"));
    for session in mixed {
        let reason = session["reason"].as_str().expect("a reason");
        assert!(reason.contains("1 of 1 lights can be used"), "{reason}");
    }
}

#[test]
fn an_output_that_cannot_be_written_is_named() {
    let temp = archive();
    let base = temp.path();
    // Where the index is to be lies a folder: sessions are done, and the rest is told.
    fs::create_dir_all(base.join("out/night.json")).expect("a folder");
    let run = night(base, "out", &[]);
    assert_eq!(run.status, 1, "{run:?}");
    assert!(run.stderr.contains("out/night.json"), "{}", run.stderr);
    fs::remove_dir(base.join("out/night.json")).expect("a folder");
    let run = night(base, "out", &[]);
    assert_eq!(run.status, 0, "{run:?}");
    assert!(
        run.stdout.contains("2 of 2 sessions done"),
        "{}",
        run.stdout
    );
}

#[test]
fn what_cannot_be_cleared_away_is_told_and_costs_no_session() {
    let temp = archive_of(&["one"]);
    let base = temp.path();
    assert_eq!(night(base, "out", &[]).status, 0);
    let index = json(&base.join("out/night.json"));
    let one = session_in(&index, "one/lights");
    let id = one["id"].as_str().expect("a name").to_owned();
    let work = base.join("out/.radicand-night");
    // Files where folders should be: what removes folders cannot remove them.
    fs::write(work.join("other.part"), "in the way").expect("a file");
    let run = night(base, "out", &[]);
    assert_eq!(run.status, 0, "{run:?}");
    assert!(run.stderr.contains("other.part"), "{}", run.stderr);
    let says = "move what is your own out of it, then remove it";
    assert!(run.stderr.contains(says), "{}", run.stderr);
    // Nor does one of a session whose result is there.
    fs::write(work.join(format!("{id}.part")), "in the way").expect("a file");
    let run = night(base, "out", &[]);
    assert_eq!(run.status, 0, "{run:?}");
    assert!(run.stderr.contains(says), "{}", run.stderr);
    // One that has to be made names it, and keeps what is there.
    let run = night(base, "out", &["--ground", "none"]);
    assert_eq!(run.status, 3, "{run:?}");
    assert!(run.stderr.contains(&format!("{id}.part")), "{}", run.stderr);
    fs::remove_file(work.join(format!("{id}.part"))).expect("a file");
    // A session whose lock cannot be taken is not done, whatever lies there.
    fs::create_dir(work.join(format!("{id}.lock"))).expect("a folder");
    let run = night(base, "out", &[]);
    assert_eq!(run.status, 3, "{run:?}");
    let index = json(&base.join("out/night.json"));
    let one = session_in(&index, "one/lights");
    assert_eq!(one["state"], "failed");
    assert!(one["result"].is_null(), "{one:#}");
    assert!(one["log"].is_null(), "nothing was kept of it: {one:#}");
}

/// Lights of a sky that glows and has no star.
fn starless(folder: &Path, (width, height): (usize, usize), frames: usize) {
    let mut scene = Scene::named("tripod-burst").expect("a scene");
    (scene.width, scene.height, scene.frames) = (width, height, frames);
    scene.sky.stars = Stars::Listed(Vec::new());
    write_scene(&scene, folder, |_| ()).expect("a scene on disk");
}

#[test]
fn lights_without_stars_are_named_and_the_others_are_done() {
    let temp = archive_of(&["one"]);
    let base = temp.path();
    // Of the exposure and size of lights with stars, they are lights; of others, darks.
    starless(&base.join("archive/dull"), (200, 150), 4);
    starless(&base.join("archive/other"), (180, 140), 3);
    let cloud = base.join("archive/one/lights/shot_0005.dng");
    fs::rename(base.join("archive/dull/lights/shot_0004.dng"), cloud).expect("another place");

    let run = night(base, "out", &[]);
    assert_eq!(run.status, 3, "{run:?}");
    let index = json(&base.join("out/night.json"));
    let one = session_in(&index, "one/lights");
    assert_eq!(one["state"], "done");
    assert_eq!(one["result"]["left_out"].as_array().map(Vec::len), Some(1));
    let dull = session_in(&index, "dull/lights");
    assert_eq!(dull["state"], "failed");
    let reason = dull["reason"].as_str().expect("a reason");
    assert!(reason.contains("stars"), "{reason}");
    assert_eq!(index["left_out"].as_array().map(Vec::len), Some(0));
    let other = session_in(&index, "other/lights");
    assert_eq!(other["state"], "failed");
    let note = other["notes"][0].as_str().expect("a note");
    assert!(note.contains("their name says light"), "{note}");
    // The same by a job of its own, and by one that finds it done.
    for _ in 0..2 {
        let job = night(
            base,
            "jobs",
            &["--session", one["id"].as_str().expect("a name")],
        );
        assert_eq!(job.status, 3, "{job:?}");
        assert!(job.stderr.contains("shot_0005.dng"), "{job:?}");
    }
}

#[test]
fn lights_without_stars_alone_come_to_a_page_that_says_so() {
    let temp = tempfile::tempdir().expect("a folder");
    let base = temp.path();
    starless(&base.join("archive/dull"), (200, 150), 4);
    let run = night(base, "out", &[]);
    assert_eq!(run.status, 3, "{run:?}");
    let index = json(&base.join("out/night.json"));
    check_schema_at("night.schema.json", &index);
    let dull = session_in(&index, "dull/lights");
    assert_eq!(dull["state"], "failed");
    let reason = dull["reason"].as_str().expect("a reason");
    assert!(reason.contains("too few stars"), "{reason}");
    let failed = base
        .join("out/failed")
        .join(dull["id"].as_str().expect("a name"));
    assert!(failed.join("log.txt").is_file() && failed.join("job.json").is_file());
    let page = fs::read_to_string(base.join("out/index.html")).expect("a page");
    assert!(page.contains("Came to no result"), "{page}");
}

#[test]
fn ten_thousand_files_of_no_use_cost_a_line_each() {
    const FILES: usize = 10_000;
    let temp = archive_of(&["one"]);
    let base = temp.path();
    let lights = base.join("archive/one/lights");
    for n in 0..FILES {
        // No two alike: copies are looked at once.
        let name = format!("junk_{n:05}.dng");
        fs::write(lights.join(name), format!("no frame, number {n}\n")).expect("a file");
    }
    let run = night(base, "out", &[]);
    assert_eq!(run.status, 3);
    let index = json(&base.join("out/night.json"));
    let one = session_in(&index, "one/lights");
    assert_eq!(one["result"]["frames_used"], 4);
    assert_eq!(index["left_out"].as_array().map(Vec::len), Some(FILES));
    assert_eq!(run.stderr.matches("the content is text").count(), FILES);
}

/// The least memory that the sessions under `archive/` take, MiB, in ascending order.
fn least_mib(base: &Path) -> Vec<u64> {
    let options = ["--dry-run", "--json", "--memory", "1M", "--threads", "2"];
    let run = night(base, "out", &options);
    let planned = run.stdout.lines().map(|line| -> Value {
        serde_json::from_str(line).unwrap_or_else(|error| panic!("{line}: {error}"))
    });
    let bytes = planned.filter_map(|event| event["memory_bytes"].as_u64());
    let mut least: Vec<u64> = bytes.map(|bytes| bytes.div_ceil(1 << 20)).collect();
    least.sort();
    least
}

#[test]
fn too_little_memory_and_no_scratch_cost_their_own_session() {
    let temp = archive_of(&["one"]);
    let base = temp.path();
    let wide = ["simulate", "tripod-burst", "--dimensions", "400x300"];
    let of = ["--frames", "4", "-o", "archive/wide"];
    radicand_ends(base, &[&wide[..], &of[..]].concat(), 0);
    let least = least_mib(base);
    assert!(matches!(least[..], [one, wide] if one < wide), "{least:?}");
    let (too_little, enough) = (format!("{}M", least[1] - 1), format!("{}M", least[1]));
    // A file is no folder for scratch data, which only the larger frames need.
    fs::write(base.join("file"), "").expect("a file");
    for (memory, says, remedy) in [
        (&too_little, "of memory are allowed", "--memory"),
        (&enough, "cannot write scratch data in file", "--scratch"),
    ] {
        let options = ["--memory", memory, "--scratch", "file", "--threads", "2"];
        let run = night(base, "out", &options);
        assert_eq!(run.status, 3, "{run:?}");
        let index = json(&base.join("out/night.json"));
        assert_eq!(session_in(&index, "one/lights")["state"], "done");
        let wide = session_in(&index, "wide/lights");
        assert_eq!(wide["state"], "failed");
        let reason = wide["reason"].as_str().expect("a reason");
        assert!(reason.contains(says) && reason.contains(remedy), "{reason}");
    }
}
