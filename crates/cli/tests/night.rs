//! Many sessions: found, paired, done once, and whatever is wrong with one stays with it.

mod support;

use radicand_tests::folder_digests;
use serde_json::Value;
use std::collections::BTreeMap;
use std::fs;
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
use support::archive::{archive, archive_of, json, night, remains, session_in};
use support::{Run, check_schema_at, radicand_ends};

/// How each session ended, by the events of a run.
fn endings(run: &Run) -> BTreeMap<String, String> {
    let events = run.stdout.lines().map(|line| -> Value {
        serde_json::from_str(line).unwrap_or_else(|error| panic!("{line}: {error}"))
    });
    let ends = events.filter(|event| event["event"] == "session_ends");
    let text = |value: &Value| value.as_str().expect("a text").to_owned();
    ends.map(|event| (text(&event["session"]), text(&event["how"])))
        .collect()
}

fn ended(run: &Run, how: &str) -> usize {
    endings(run).values().filter(|own| *own == how).count()
}

#[track_caller]
fn check_status(run: &Run, status: i32) {
    assert_eq!(run.status, status, "{run:?}");
}

#[test]
fn what_changes_is_redone_and_nothing_else() {
    let temp = archive_of(&["one", "two", "three", "four"]);
    let base = temp.path();
    let dry = night(base, "out", &["--dry-run"]);
    check_status(&dry, 0);
    assert!(dry.stdout.contains("4 sessions;"), "{}", dry.stdout);
    assert!(!base.join("out").exists(), "a dry run writes nothing");
    let settings = base.join("archive.toml");
    let skip = "[[session]]\nfolder = \"./two/\"\nskip = true\n";
    fs::write(&settings, skip).expect("a file");
    let dry = night(base, "out", &["--dry-run"]);
    check_status(&dry, 0);
    assert!(dry.stdout.contains("3 sessions;"), "{}", dry.stdout);
    assert!(
        dry.stdout
            .contains("two/lights: frames that are to be skipped"),
        "{}",
        dry.stdout
    );
    fs::write(&settings, skip.replace("skip", "leave")).expect("a file");
    let dry = night(base, "out", &["--dry-run"]);
    check_status(&dry, 1);
    assert!(
        dry.stderr.contains("archive.toml") && dry.stderr.contains("leave"),
        "{}",
        dry.stderr
    );
    for (said, status, says) in [
        (
            "folder = \"tow\"",
            1,
            "folder = \"tow\": there is no such folder",
        ),
        (
            "folder = \"two\"\ndarks = \"library\"",
            1,
            "darks = \"library\": there is no",
        ),
        (
            "folder = \"two/truth\"",
            3,
            "folder = \"two/truth\": no session lies",
        ),
        (
            "folder = \"two\"\ndarks = \"one\"",
            3,
            "darks = \"one\": no darks lie",
        ),
    ] {
        fs::write(&settings, format!("[[session]]\n{said}\n")).expect("a file");
        let dry = night(base, "out", &["--dry-run"]);
        check_status(&dry, status);
        let named = dry.stderr.contains("archive.toml") && dry.stderr.contains(says);
        assert!(named, "{says}: {}", dry.stderr);
    }
    fs::remove_file(&settings).expect("a file");

    let before = folder_digests(&base.join("archive"));
    let first = night(base, "out", &["--json"]);
    check_status(&first, 0);
    assert_eq!(ended(&first, "made"), 4);
    let index = json(&base.join("out/night.json"));
    check_schema_at("night.schema.json", &index);
    for folder in ["one/lights", "two/lights"] {
        let session = session_in(&index, folder);
        assert_eq!(session["state"], "done");
        assert_eq!(session["result"]["frames_used"], 4);
        let id = session["id"].as_str().expect("a name");
        let folder = base.join("out").join(id);
        support::report(&folder);
        for file in ["stack.tif", "preview.png", "log.txt", "job.json"] {
            assert!(folder.join(file).is_file(), "{file}");
        }
    }
    let page = fs::read_to_string(base.join("out/index.html")).expect("a page");
    assert!(page.contains("4 of 4 sessions done"), "{page}");

    let there = remains(&base.join("out"));
    let second = night(base, "out", &["--json"]);
    check_status(&second, 0);
    assert_eq!(ended(&second, "kept"), 4);
    assert_eq!(there, remains(&base.join("out")));
    check_damage(base, &there);
    let jobs = check_jobs(base, &there);

    // What somebody puts beside a result stays when that is made anew.
    let two = json(&base.join("out/night.json"));
    let two = session_in(&two, "two/lights")["id"]
        .as_str()
        .expect("a name")
        .to_owned();
    // One of them has a name that the program gives too, when asked for a print.
    let put = ["finished.tif", "print.tif"].map(|name| base.join("out").join(&two).join(name));
    for print in &put {
        fs::write(print, "hours of work").expect("a file");
    }

    // A copy of a whole session is no session of its own.
    let copy = base.join("archive/again");
    fs::create_dir(&copy).expect("a folder");
    for entry in fs::read_dir(base.join("archive/one/lights")).expect("lights") {
        let path = entry.expect("a light").path();
        let name = path.file_name().expect("a name");
        fs::copy(&path, copy.join(name)).expect("a copy");
    }
    // A new light changes its own session alone.
    let lost = base.join("archive/two/lights/shot_0004.dng");
    fs::remove_file(lost).expect("a light");
    let is_refused = |job: &&String| {
        let ended = shell(base, job).output().expect("a shell");
        let said = String::from_utf8_lossy(&ended.stderr).into_owned();
        ended.status.code() == Some(1) && said.contains("--list-jobs")
    };
    assert_eq!(jobs.iter().filter(is_refused).count(), 1);
    let third = night(base, "out", &["--json"]);
    check_status(&third, 0);
    for print in &put {
        let kept = fs::read_to_string(print).expect("what was put beside the result");
        assert_eq!(kept, "hours of work");
    }
    let one = endings(&third);
    assert_eq!(
        (ended(&third, "kept"), ended(&third, "made")),
        (3, 1),
        "{one:?}"
    );
    let index = json(&base.join("out/night.json"));
    assert_eq!(index["sessions"].as_array().map(Vec::len), Some(4));
    let sessions = index["sessions"].as_array().expect("sessions").iter();
    let copied: Vec<&Value> = sessions.filter(|s| s["also_in"][0].is_string()).collect();
    assert_eq!(copied.len(), 1);
    let note = copied[0]["notes"][0].as_str().expect("a note");
    assert!(note.contains("done once"), "{note}");
    assert_eq!(session_in(&index, "two/lights")["lights"], 3);
    let after = folder_digests(&base.join("archive"));
    for (path, digest) in &before {
        if !path.ends_with("two/lights/shot_0004.dng") {
            assert_eq!(after.get(path), Some(digest), "{} changed", path.display());
        }
    }
}

/// Zeroes one finished picture, whose session then is made again, and no other.
#[track_caller]
fn check_damage(base: &Path, there: &BTreeMap<PathBuf, String>) {
    let is_stack = |path: &&PathBuf| path.ends_with("stack.tif");
    let stack = there.keys().find(is_stack).expect("a stack");
    let stack = base.join("out").join(stack);
    let length = fs::metadata(&stack).expect("a file").len();
    fs::write(&stack, vec![0; length as usize]).expect("a file");
    let run = night(base, "out", &["--json"]);
    check_status(&run, 0);
    assert_eq!((ended(&run, "kept"), ended(&run, "made")), (3, 1));
    assert_eq!(*there, remains(&base.join("out")));
}

/// Puts every fault beside two good sessions, the second under a name that is a trap.
#[cfg(unix)]
fn spoil(archive: &Path) -> String {
    use std::os::unix::ffi::OsStrExt;
    let trap = "a 'b' \"c\"\n<script>alert(1)";
    fs::rename(archive.join("two"), archive.join(trap)).expect("another name");
    let lights = archive.join(trap).join("lights");
    let bytes = std::ffi::OsStr::from_bytes(b"shot_\xff.dng");
    fs::rename(lights.join("shot_0001.dng"), lights.join(bytes)).expect("another name");
    fs::write(archive.join("empty.dng"), "").expect("a file");
    fs::write(archive.join("<script>alert(2).dng"), "a text").expect("a file");
    std::os::unix::fs::symlink("loop", archive.join("loop")).expect("a link");
    std::os::unix::fs::symlink("..", archive.join("one/up")).expect("a link");
    // What lies beside a report is of an earlier result, and no fault.
    let earlier = archive.join("earlier");
    fs::create_dir(&earlier).expect("a folder");
    for name in ["report.json", "stack.dng", "stack.fits"] {
        fs::write(earlier.join(name), "{}").expect("a file");
    }
    let single = archive.join("single");
    fs::create_dir(&single).expect("a folder");
    let last = archive.join("one/lights/shot_0004.dng");
    fs::rename(last, single.join("alone.dng")).expect("another place");
    trap.to_owned()
}

#[cfg(unix)]
#[test]
fn faults_are_named_and_the_other_sessions_are_done() {
    let temp = archive();
    let base = temp.path();
    let trap = spoil(&base.join("archive"));
    let before = folder_digests(&base.join("archive/one/lights"));
    let run = night(base, "out", &["--json"]);
    check_status(&run, 3);
    assert_eq!(before, folder_digests(&base.join("archive/one/lights")));
    let surveyed = run.stdout.matches("\"event\":\"surveyed\"").count();
    assert_eq!(surveyed, 1, "{}", run.stdout);
    assert_eq!(
        (ended(&run, "made"), ended(&run, "failed")),
        (2, 1),
        "{run:?}"
    );

    let index = json(&base.join("out/night.json"));
    check_schema_at("night.schema.json", &index);
    assert_eq!(session_in(&index, "one/lights")["state"], "done");
    let trapped = session_in(&index, &format!("{trap}/lights"));
    assert_eq!(trapped["state"], "done");
    assert_eq!(trapped["result"]["frames_used"], 4);
    let single = session_in(&index, "single");
    let reason = single["reason"].as_str().expect("a reason");
    assert!(reason.contains("1 of 1 lights can be used"), "{reason}");
    assert!(reason.ends_with("give two lights or more of one camera, size and exposure"));
    let log = format!(
        "out/failed/{}/log.txt",
        single["id"].as_str().expect("a name")
    );
    let log = fs::read_to_string(base.join(log)).expect("a log");
    assert!(log.contains(reason), "{log}");
    let left_out = index["left_out"].as_array().expect("faults");
    for (file, says) in [
        (
            "empty.dng",
            "the file is empty; copy it from the card again",
        ),
        ("<script>alert(2).dng", "the content is text"),
        ("loop", "take the link out of the folder"),
    ] {
        let own = left_out.iter().find(|fault| fault["file"] == file);
        let own = own.unwrap_or_else(|| panic!("{file} is not named: {left_out:?}"));
        let reason = own["reason"].as_str().expect("a reason");
        assert!(reason.contains(says), "{file}: {reason}");
        assert!(run.stderr.contains(says), "{}", run.stderr);
    }
    assert_eq!(left_out.len(), 3, "{left_out:?}");

    let page = fs::read_to_string(base.join("out/index.html")).expect("a page");
    assert!(!page.contains("<script"), "{page}");
    assert!(page.contains("&lt;script&gt;alert(1)"), "{page}");
    assert!(page.contains("&lt;script&gt;alert(2)"), "{page}");
}

/// Does the sessions of `archive/` as jobs of their own, which have to leave what the plain
/// run left; gives the jobs.
#[expect(clippy::print_stderr, reason = "says aloud what could not be tried")]
#[track_caller]
fn check_jobs(base: &Path, plain: &BTreeMap<PathBuf, String>) -> Vec<String> {
    let list = night(base, "jobs", &["--list-jobs"]);
    check_status(&list, 0);
    let jobs: Vec<String> = list.stdout.lines().map(str::to_owned).collect();
    assert_eq!(jobs.len(), 4, "{}", list.stdout);
    if Command::new("parallel").arg("--version").output().is_ok() {
        let file = base.join("jobs.txt");
        fs::write(&file, list.stdout).expect("a file");
        let mut parallel = Command::new("parallel");
        let parallel = parallel.args(["--will-cite", "-j", "4", "-a"]).arg(&file);
        let ended = parallel.current_dir(base).output().expect("parallel runs");
        assert!(ended.status.success(), "{ended:?}");
    } else {
        eprintln!("GNU parallel is not there: the jobs run at once under sh instead");
        let start = |job: &String| shell(base, job).spawn().expect("a shell");
        let children: Vec<_> = jobs.iter().map(start).collect();
        for mut child in children {
            assert!(child.wait().expect("it ends").success());
        }
    }
    let other = night(base, "jobs", &["--collect", "--ground", "none"]);
    check_status(&other, 3);
    let index = json(&base.join("jobs/night.json"));
    check_schema_at("night.schema.json", &index);
    for session in index["sessions"].as_array().expect("sessions") {
        assert_eq!(session["state"], "waiting", "{session:#}");
        let reason = session["reason"].as_str().expect("a reason");
        assert!(reason.contains("other settings"), "{reason}");
        assert!(other.stderr.contains(reason), "{}", other.stderr);
    }
    check_status(&night(base, "jobs", &["--collect"]), 0);
    assert_eq!(*plain, remains(&base.join("jobs")));
    check_collected_damage(base, &jobs);
    assert_eq!(*plain, remains(&base.join("jobs")));
    // A job that was done is not done again, by whatever machine.
    let again = shell(base, &jobs[0]).output().expect("a shell");
    let said = String::from_utf8_lossy(&again.stdout);
    assert!(said.contains("done already"), "{said}");
    jobs
}

/// Takes files of results away and spoils others: what is collected then are the sessions that
/// are still whole, and jobs make the others again.
#[track_caller]
fn check_collected_damage(base: &Path, jobs: &[String]) {
    let id = |job: &String| {
        let mut words = job.split(' ').skip_while(|word| *word != "--session");
        words.nth(1).expect("a name").to_owned()
    };
    let ids: Vec<String> = jobs.iter().map(id).collect();
    let out = base.join("jobs");
    let spoiled = [
        (&ids[0], "stack.tif"),
        (&ids[1], "preview.png"),
        (&ids[2], "report.json"),
        (&ids[3], "log.txt"),
    ];
    fs::remove_file(out.join(spoiled[0].0).join(spoiled[0].1)).expect("a file");
    let picture = out.join(spoiled[1].0).join(spoiled[1].1);
    let length = fs::metadata(&picture).expect("a file").len();
    fs::write(&picture, vec![0; length as usize]).expect("a file");
    // Still a report, of other frames.
    let path = out.join(spoiled[2].0).join(spoiled[2].1);
    let text = fs::read_to_string(&path).expect("a report");
    fs::write(&path, text.replacen("shot_0001", "shot_0007", 1)).expect("a file");
    fs::remove_file(out.join(spoiled[3].0).join(spoiled[3].1)).expect("a file");
    let run = night(base, "jobs", &["--collect"]);
    check_status(&run, 3);
    let said = "0 of 4 sessions done, 4 not done yet";
    assert!(run.stdout.contains(said), "{}", run.stdout);
    let index = json(&out.join("night.json"));
    assert_eq!(index["older"].as_array().map(Vec::len), Some(0));
    let sessions = index["sessions"].as_array().expect("sessions").iter();
    for session in sessions.filter(|session| session["state"] != "done") {
        let own = spoiled.iter().find(|(id, _)| session["id"] == **id);
        let (id, file) = own.unwrap_or_else(|| panic!("not spoiled: {session:#}"));
        let reason = session["reason"].as_str().expect("a reason");
        assert!(reason.contains(file), "{id}: {reason}");
        assert!(session["result"].is_null(), "{session:#}");
    }
    for job in jobs {
        let ended = shell(base, job).output().expect("a shell");
        assert!(ended.status.success(), "{ended:?}");
    }
    check_status(&night(base, "jobs", &["--collect"]), 0);
}

fn shell(base: &Path, job: &str) -> Command {
    let mut shell = Command::new("sh");
    shell
        .args(["-c", job])
        .current_dir(base)
        .stdout(Stdio::piped());
    shell
}

#[test]
fn two_runs_do_not_share_an_output_and_originals_are_no_output() {
    let temp = archive();
    let base = temp.path();
    // One light each is found, and is no stack.
    for folder in ["one", "two"] {
        for n in 2..=4 {
            let light = format!("archive/{folder}/lights/shot_000{n}.dng");
            fs::remove_file(base.join(light)).expect("a light");
        }
    }
    let work = base.join("out/.radicand-night");
    fs::create_dir_all(&work).expect("a folder");
    let path = work.join("night.lock");
    let lock = fs::File::create(&path).expect("a file");
    lock.try_lock().expect("a lock");
    let refused = night(base, "out", &[]);
    check_status(&refused, 1);
    assert!(
        refused.stderr.contains("another run is at it"),
        "{}",
        refused.stderr
    );
    drop(lock);
    // What is left is the file of a run that ended.
    fs::write(&path, "process 5000000 on dome, boot 1-2-3\n").expect("a file");
    let run = night(base, "out", &[]);
    check_status(&run, 3);
    assert!(
        run.stdout
            .contains("0 of 2 sessions done, 2 came to no result"),
        "{}",
        run.stdout
    );
    assert!(
        run.stderr.contains("did not end by itself"),
        "{}",
        run.stderr
    );
    assert!(!path.exists());

    let before = folder_digests(&base.join("archive"));
    let below = "archive/one/lights/new/out";
    for among in ["archive", "archive/one/lights", below, "."] {
        let run = night(base, among, &[]);
        check_status(&run, 1);
        assert!(run.stderr.contains("beside originals"), "{}", run.stderr);
    }
    assert_eq!(before, folder_digests(&base.join("archive")));
    check_status(&night(base, "archive/results", &["--dry-run"]), 0);
    fs::write(base.join("file"), "").expect("a file");
    let run = night(base, "file/out", &[]);
    check_status(&run, 1);
    assert!(
        run.stderr.contains("another folder with -o"),
        "{}",
        run.stderr
    );
    let run = night(base, "file", &[]);
    check_status(&run, 1);
    assert!(
        run.stderr.contains("cannot make the folder file"),
        "{}",
        run.stderr
    );
    fs::create_dir(base.join("nothing")).expect("a folder");
    let run = radicand_ends(base, &["night", "nothing", "-o", "new"], 1);
    assert!(run.stderr.contains("no lights found"), "{}", run.stderr);
    for (option, says) in [
        (&["--session", "none"][..], "--list-jobs or --dry-run"),
        (&["--collect"][..], "nothing was done there yet"),
    ] {
        let run = night(base, "new", option);
        check_status(&run, 1);
        assert!(run.stderr.contains(says), "{}", run.stderr);
    }
    assert!(!base.join("new").exists());
    let list = night(base, "new", &["--list-jobs", "--quiet"]);
    check_status(&list, 0);
    assert_eq!(list.stdout.lines().count(), 2, "{}", list.stdout);
}

#[test]
fn where_all_is_to_be_skipped_a_page_says_so() {
    let temp = archive();
    let base = temp.path();
    let skip = "[[session]]\nfolder = \".\"\nskip = true\n";
    fs::write(base.join("archive.toml"), skip).expect("a file");
    let run = night(base, "out", &[]);
    check_status(&run, 0);
    let says = "no session is to be done";
    assert!(run.stdout.contains(says), "{}", run.stdout);
    let page = fs::read_to_string(base.join("out/index.html")).expect("a page");
    assert!(page.contains("that are to be skipped"), "{page}");
    let index = json(&base.join("out/night.json"));
    check_schema_at("night.schema.json", &index);
    assert_eq!(index["unused"].as_array().map(Vec::len), Some(2));
    check_status(&night(base, "out", &["--collect"]), 0);
    // The same root from within has the same settings beside it.
    let inside = base.join("archive");
    let run = radicand_ends(&inside, &["night", ".", "-o", "../out", "--dry-run"], 0);
    assert!(run.stdout.contains("0 sessions;"), "{}", run.stdout);
    for folder in ["../archive/one", "/one"] {
        let wrong = format!("[[session]]\nfolder = \"{folder}\"\nskip = true\n");
        fs::write(base.join("archive.toml"), wrong).expect("a file");
        let run = night(base, "out", &["--dry-run"]);
        check_status(&run, 1);
        let says = ["archive.toml", folder, "from the root", "hint: "];
        for says in says {
            assert!(run.stderr.contains(says), "{says}: {}", run.stderr);
        }
    }
}

/// Copies the lights of `archive/FROM` to `archive/TO`.
fn copy_lights(base: &Path, from: &str, to: &str) {
    let to = base.join("archive").join(to);
    fs::create_dir_all(&to).expect("a folder");
    for entry in fs::read_dir(base.join("archive").join(from)).expect("lights") {
        let path = entry.expect("a light").path();
        fs::copy(&path, to.join(path.file_name().expect("a name"))).expect("a copy");
    }
}

#[test]
fn settings_hold_for_a_folder_of_copies_too() {
    let temp = archive_of(&["one"]);
    let base = temp.path();
    // The copies come first by name, so that theirs are the session's folders.
    copy_lights(base, "one/lights", "again");
    let settings = base.join("archive.toml");
    let entry = |folder: &str, says: &str| format!("[[session]]\nfolder = \"{folder}\"\n{says}\n");
    for folder in ["again", "one"] {
        fs::write(&settings, entry(folder, "skip = true")).expect("a file");
        let dry = night(base, "out", &["--dry-run"]);
        check_status(&dry, 0);
        // It lies in a folder that is not to be skipped as well.
        assert!(dry.stdout.contains("1 session;"), "{}", dry.stdout);
        fs::write(&settings, entry(folder, "darks = \"one\"")).expect("a file");
        let dry = night(base, "out", &["--dry-run"]);
        let says = "there are no darks in one, from where alone the settings take them";
        assert!(dry.stdout.contains(says), "{folder}: {}", dry.stdout);
    }
    // A folder that has one of its lights alone has no say.
    fs::create_dir(base.join("archive/best")).expect("a folder");
    let light = base.join("archive/one/lights/shot_0002.dng");
    fs::copy(light, base.join("archive/best/favorite.dng")).expect("a copy");
    let both = entry("again", "skip = true") + &entry("one", "skip = true");
    fs::write(&settings, both).expect("a file");
    let dry = night(base, "out", &["--dry-run"]);
    assert!(dry.stdout.contains("0 sessions;"), "{}", dry.stdout);
}

#[test]
fn a_dry_run_says_what_will_come_to_no_result() {
    let temp = archive_of(&["one"]);
    let base = temp.path();
    let single = base.join("archive/single");
    fs::create_dir(&single).expect("a folder");
    let last = base.join("archive/one/lights/shot_0004.dng");
    fs::rename(last, single.join("alone.dng")).expect("another place");
    for (options, says, times) in [
        (
            &["--dry-run"][..],
            "no result: 1 of 1 lights can be used",
            1,
        ),
        (
            &["--dry-run", "--memory", "1M"][..],
            "no result: 1.0 MiB (1048576 bytes) of memory",
            2,
        ),
    ] {
        let dry = night(base, "out", options);
        check_status(&dry, 0);
        let found = dry.stdout.matches(says).count();
        assert_eq!(found, times, "{says}: {}", dry.stdout);
    }
}
