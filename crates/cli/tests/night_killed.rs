//! A night that is killed again and again ends with the bytes of one that was not.

mod support;

use std::fs;
use std::io::{BufRead, BufReader};
use std::path::Path;
use std::process::Stdio;
use std::sync::atomic::{AtomicUsize, Ordering};
use std::time::Duration;
use support::archive::{archive, night, originals, remains};
use support::command;

/// Kills in a usual run of the test; `RADICAND_TEST_KILLS` asks for more.
const KILLS: usize = 4;

/// Runs after which a night is let go to its end.
const ROUNDS_TO_AN_END: usize = 4;

/// Between two looks at what there is: short against any step of the program, so that kills
/// fall into all of them, and long enough to leave it the processor.
const POLL: Duration = Duration::from_millis(1);

/// Runs a night and kills it once it has told and written `moment` things itself; whether it
/// was killed before its end, and how many things there were.
fn run_until(base: &Path, out: &str, moment: usize) -> (bool, usize) {
    let args = ["night", "archive", "-o", out, "--json"];
    let mut command = command(base, &args);
    let mut child = command
        .stdout(Stdio::piped())
        .stderr(Stdio::null())
        .spawn()
        .expect("the program starts");
    let left_before = entries(&base.join(out));
    let stdout = BufReader::new(child.stdout.take().expect("its output"));
    let lines = AtomicUsize::new(0);
    let most = AtomicUsize::new(0);
    let ended = std::thread::scope(|scope| {
        scope.spawn(|| {
            for _ in stdout.lines() {
                lines.fetch_add(1, Ordering::Relaxed);
            }
        });
        loop {
            let written = entries(&base.join(out)).saturating_sub(left_before);
            let things = lines.load(Ordering::Relaxed) + written;
            most.fetch_max(things, Ordering::Relaxed);
            if let Some(status) = child.try_wait().expect("a status") {
                break Some(status);
            }
            if things >= moment {
                child.kill().expect("a kill");
                child.wait().expect("an end");
                break None;
            }
            std::thread::park_timeout(POLL);
        }
    });
    if let Some(status) = ended {
        assert!(status.success(), "{status}");
    }
    (ended.is_none(), most.load(Ordering::Relaxed))
}

/// Files and folders under a folder; one that vanishes meanwhile counts for nothing.
fn entries(folder: &Path) -> usize {
    let entries = fs::read_dir(folder).into_iter().flatten().flatten();
    entries.map(|entry| 1 + entries_in(&entry)).sum()
}

fn entries_in(entry: &fs::DirEntry) -> usize {
    match entry.file_type() {
        Ok(kind) if kind.is_dir() => entries(&entry.path()),
        _ => 0,
    }
}

/// The next number of a linear congruential sequence (Knuth, The Art of Computer
/// Programming 2, 1997, 3.3.4, the multiplier of his MMIX).
fn next(seed: &mut u64) -> u64 {
    *seed = seed
        .wrapping_mul(6_364_136_223_846_793_005)
        .wrapping_add(1_442_695_040_888_963_407);
    *seed >> 33
}

#[test]
#[expect(clippy::print_stderr, reason = "says how many kills met what")]
fn a_killed_night_carries_on_to_the_same_bytes() {
    let temp = archive();
    let base = temp.path();
    let before = originals(base);
    let (killed, most) = run_until(base, "whole", usize::MAX);
    assert!(!killed && most > 20, "{most} things told and written");
    let kills = std::env::var("RADICAND_TEST_KILLS").ok();
    let kills = kills.map_or(KILLS, |kills| kills.parse().expect("a number"));
    let mut seed = 20_260_119;
    let (mut n_killed, mut since_end, mut runs) = (0, 0, 0);
    while n_killed < kills {
        // Each run begins where the one before was cut; a run that came to its end, or is let
        // go to it, is followed by one from nothing.
        let moment = 1 + next(&mut seed) as usize % most;
        let (killed, _) = run_until(base, "cut", moment);
        runs += 1;
        n_killed += usize::from(killed);
        since_end += 1;
        if !killed || since_end == ROUNDS_TO_AN_END || n_killed == kills {
            check_end(base);
            fs::remove_dir_all(base.join("cut")).expect("a folder");
            since_end = 0;
        }
    }
    eprintln!("{n_killed} kills met a running program, in {runs} runs");
    assert_eq!(before, originals(base));
}

/// Lets the night end, and compares what is there.
#[track_caller]
fn check_end(base: &Path) {
    let run = night(base, "cut", &[]);
    assert_eq!(run.status, 0, "{run:?}");
    assert_eq!(remains(&base.join("whole")), remains(&base.join("cut")));
}
