//! A night with everything wrong: cloud, satellites, damaged and foreign files, darks
//! mixed in.

mod support;

use radicand_tests::folder_digests;
use serde_json::Value;
use std::path::Path;
use std::sync::OnceLock;
use support::{frame, radicand_ends, report, timeless};
use tempfile::TempDir;

/// The night, written once; tests put their results elsewhere.
fn night() -> &'static Path {
    static NIGHT: OnceLock<TempDir> = OnceLock::new();
    let night = NIGHT.get_or_init(|| {
        let temp = tempfile::tempdir().expect("a folder");
        let scene = ["simulate", "faults", "-o", ".", "--dimensions", "520x400"];
        radicand_ends(temp.path(), &[&scene[..], &["--frames", "12"]].concat(), 0);
        temp
    });
    night.path()
}

fn truth() -> Value {
    let bytes = std::fs::read(night().join("truth/truth.json")).expect("the truth");
    serde_json::from_slice(&bytes).expect("JSON")
}

/// Damaged files by name, each with what its reason must say.
fn damaged() -> Vec<(String, &'static str)> {
    let truth = truth();
    let frames = truth["frames"].as_array().expect("frames").iter();
    let damaged: Vec<_> = frames
        .filter_map(|frame| {
            let says = match frame["damage"].as_str()? {
                "truncated" => "ends early",
                "jpeg" => "JPEG",
                "empty" => "empty",
                other => panic!("unknown damage {other}"),
            };
            Some((frame["file"].as_str()?.to_owned(), says))
        })
        .collect();
    assert_eq!(damaged.len(), 3);
    damaged
}

fn stack(output: &Path, args: &[&str]) -> (Value, support::Run) {
    let output_name = output.to_str().expect("a plain path");
    let args = [&["stack"], args, &["-o", output_name]].concat();
    let run = radicand_ends(night(), &args, 3);
    (report(output), run)
}

#[test]
fn what_is_wrong_is_named_and_the_rest_is_used() {
    let temp = tempfile::tempdir().expect("a folder");
    let before = folder_digests(night());
    let (report, run) = stack(&temp.path().join("result"), &["lights"]);
    assert_eq!(
        before,
        folder_digests(night()),
        "the originals were touched"
    );

    for (file, says) in damaged() {
        let entry = frame(&report, &file);
        let reason = entry["reason"].as_str().expect("a reason");
        assert_eq!(entry["used"], false, "{file}");
        assert!(reason.contains(says), "{file}: {reason}");
        let line = run.stderr.lines().find(|line| line.contains(&file));
        let line = line.unwrap_or_else(|| panic!("{file} is not named: {}", run.stderr));
        assert!(line.contains(reason), "{line}");
    }
    // One light of 1 s among lights of 4 s.
    let strange = run
        .stderr
        .lines()
        .filter(|line| line.contains("exposed 1 s"));
    assert_eq!(strange.count(), 1, "{}", run.stderr);
    assert_eq!(run.stderr.lines().count(), 4, "{}", run.stderr);

    let frames = report["frames"].as_array().expect("frames");
    let used = |kind: &str| {
        let frames = frames.iter();
        frames
            .filter(|frame| frame["kind"] == kind && frame["used"] == true)
            .count()
    };
    assert_eq!((used("light"), used("dark")), (8, 3));
    // The note is no frame, and nobody meant it to be one.
    assert_eq!(frames.len(), 15);
    assert_eq!(report["noise"]["summary"]["frames_used"], 8);
    let codes: Vec<&Value> = report["warnings"]
        .as_array()
        .expect("warnings")
        .iter()
        .map(|warning| &warning["code"])
        .collect();
    assert!(codes.contains(&&"frames_left_out".into()), "{codes:?}");
    assert!(!codes.contains(&&"no_darks".into()), "{codes:?}");
}

#[test]
fn clouded_lights_are_seen_and_weigh_less() {
    let temp = tempfile::tempdir().expect("a folder");
    let (report, _) = stack(&temp.path().join("result"), &["lights"]);
    let truth = truth();
    let reference = report["run"]["reference"].as_str().expect("a file");
    let mean = |file: &str| {
        let frames = truth["frames"].as_array().expect("frames").iter();
        let mut own = frames.filter(|frame| frame["file"] == file);
        let own = own.next().expect("a light of the scene");
        own["transparency_mean"].as_f64().expect("a share")
    };
    // Cloud differs over the field, and the median over stars is not the mean over area.
    const CLOUD_TOLERANCE: f64 = 0.08;
    let mut clouded = 0;
    for light in report["frames"].as_array().expect("frames") {
        let (Some(found), Some(file)) = (light["transparency"].as_f64(), light["file"].as_str())
        else {
            continue;
        };
        let want = mean(file) / mean(reference);
        assert!(
            (found - want).abs() < CLOUD_TOLERANCE,
            "{file}: {found}, want {want}"
        );
        if want < 0.9 {
            clouded += 1;
            let weight = light["weight"].as_f64().expect("a weight");
            assert!(weight < 0.9, "{file}: {weight}");
        }
    }
    assert!(clouded > 0, "the scene has cloud");
}

#[test]
fn threads_and_order_change_nothing() {
    let temp = tempfile::tempdir().expect("a folder");
    let result = |name: &str, args: &[&str]| {
        let output = temp.path().join(name);
        let (report, _) = stack(&output, args);
        let picture = |name: &str| std::fs::read(output.join(name)).expect("a picture");
        let pictures = ["stack.tif", "stack.fits", "preview.png"].map(picture);
        (timeless(report), pictures)
    };
    let (one, pictures) = result("one", &["lights", "--threads", "1"]);
    let (two, same) = result("two", &["lights", "--threads", "2"]);
    assert!(pictures == same, "threads changed a picture");
    assert_eq!(one, two);

    let mut files: Vec<String> = std::fs::read_dir(night().join("lights"))
        .expect("a folder")
        .map(|entry| entry.expect("a listed entry").file_name())
        .map(|name| format!("lights/{}", name.to_string_lossy()))
        .filter(|name| name.ends_with(".dng"))
        .collect();
    files.sort_by_key(|name| name.chars().rev().collect::<String>());
    let files: Vec<&str> = files.iter().map(String::as_str).collect();
    let (reordered, same) = result("reordered", &files);
    assert!(
        pictures == same,
        "the order of the arguments changed a picture"
    );
    assert_eq!(one, reordered);
    // Files found twice count once.
    let (twice, same) = result("twice", &[&files[..], &["lights", files[0]]].concat());
    assert!(pictures == same, "files given twice changed a picture");
    assert_eq!(one, twice);
}

#[test]
fn a_survey_names_the_same_faults() {
    let run = radicand_ends(night(), &["survey", "lights", "--json"], 3);
    let survey: Value = serde_json::from_str(&run.stdout).expect("JSON and nothing else");
    for (file, says) in damaged() {
        let files = survey["files"].as_array().expect("files");
        let entry = files.iter().find(|entry| entry["file"] == *file);
        let fault = entry.expect("every file is listed")["fault"].as_str();
        assert!(
            fault.is_some_and(|fault| fault.contains(says)),
            "{file}: {fault:?}"
        );
        assert!(
            run.stderr.contains(&file),
            "{file} is not named: {}",
            run.stderr
        );
    }
    let mut counts: Vec<(String, usize)> = survey["groups"]
        .as_array()
        .expect("groups")
        .iter()
        .map(|group| {
            let n = group["files"].as_array().expect("files").len();
            (group["kind"].as_str().expect("a kind").to_owned(), n)
        })
        .collect();
    counts.sort();
    let want = [("dark", 3), ("light", 1), ("light", 8)];
    assert_eq!(counts, want.map(|(kind, n)| (kind.to_owned(), n)));
    assert_eq!(survey["ignored"].as_array().map(Vec::len), Some(1));
}
