//! A camera whose clock is wrong once, and one that is knocked in the middle of a burst: the
//! report and its warnings say which lights.

mod support;

use serde_json::{Value, json};
use std::path::Path;
use std::time::Duration;
use support::{radicand_ends, report};
use synth::{Pointing, Scene, write_scene};

/// So many lights of an ultra-wide night, each 20 s after the other.
fn scene(frames: usize) -> Scene {
    let mut scene = Scene::named("ultra-wide").expect("a scene");
    (scene.width, scene.height, scene.frames) = (640, 480, frames);
    scene.sky.band = None;
    scene
}

fn write(scene: &Scene, folder: &Path) {
    write_scene(scene, folder, |_| ()).expect("a scene on disk");
}

/// Sets the minute of every date in a file.
fn set_minute(file: &Path, minute: &[u8; 2]) {
    const DATE: &[u8] = b"2026:01:17 22:";
    let mut bytes = std::fs::read(file).expect("a light");
    let dates = bytes.windows(DATE.len()).enumerate();
    let starts: Vec<usize> = dates
        .filter(|(_, text)| *text == DATE)
        .map(|(at, _)| at + DATE.len())
        .collect();
    assert!(!starts.is_empty(), "a date in {}", file.display());
    for at in starts {
        bytes[at..at + 2].copy_from_slice(minute);
    }
    std::fs::write(file, bytes).expect("a light");
}

/// The report of a stack of folders of lights.
fn stacked(folder: &Path, lights: &[&str]) -> Value {
    let output = ["-o", "result", "--format", "png"];
    let args = [&["stack"], lights, &output].concat();
    radicand_ends(folder, &args, 0);
    report(&folder.join("result"))
}

/// What the warnings of a code say.
fn warned(report: &Value, code: &str) -> Vec<String> {
    let warnings = report["warnings"].as_array().expect("warnings");
    let of_code = warnings.iter().filter(|warning| warning["code"] == code);
    let text = |warning: &Value| warning["text"].as_str().expect("a text").to_owned();
    of_code.map(text).collect()
}

#[test]
fn a_clock_that_is_wrong_once_is_named() {
    const WRONG: &str = "lights/shot_0005.dng";
    let temp = tempfile::tempdir().expect("a folder");
    write(&scene(10), temp.path());
    // Seven minutes ahead of 22:42:32.
    set_minute(&temp.path().join(WRONG), b"49");
    let report = stacked(temp.path(), &["lights"]);
    assert_eq!(report["geometry"]["model"], "lens");
    assert_eq!(report["geometry"]["clock_off"], json!([WRONG]));
    assert_eq!(report["geometry"]["camera_moved"], json!([]));
    let warnings = warned(&report, "clock_off");
    assert_eq!(warnings.len(), 1, "{warnings:?}");
    assert!(warnings[0].contains(WRONG), "{warnings:?}");
    assert!(warned(&report, "camera_moved").is_empty());
    // The lens places every light but the reference, whose own map there is none of.
    let reference = &report["run"]["reference"];
    for frame in report["frames"].as_array().expect("frames") {
        let lens = json!("lens");
        let map = if frame["file"] == *reference {
            &Value::Null
        } else {
            &lens
        };
        assert_eq!(frame["map"], *map, "{}", frame["file"]);
        assert_eq!(frame["used"], true);
    }
    assert!(warned(&report, "plane_maps").is_empty());
}

#[test]
fn a_knock_in_the_middle_of_a_burst_is_named() {
    const LIGHTS: usize = 6;
    let temp = tempfile::tempdir().expect("a folder");
    let before = scene(LIGHTS);
    let mut after = scene(LIGHTS);
    let gone_s = LIGHTS as f64 * (after.exposure_s + after.gap_s);
    after.start += Duration::from_secs_f64(gone_s);
    after.seed += 1;
    let knocked = Pointing {
        altitude_deg: after.pointing.altitude_deg + 0.15,
        ..after.pointing
    };
    after.look(after.site, knocked);
    write(&before, &temp.path().join("before"));
    write(&after, &temp.path().join("after"));
    let report = stacked(temp.path(), &["before/lights", "after/lights"]);
    let first = "after/lights/shot_0001.dng";
    assert_eq!(report["geometry"]["model"], "lens");
    assert_eq!(report["geometry"]["camera_moved"], json!([first]));
    assert_eq!(report["geometry"]["held"], "free");
    let warnings = warned(&report, "camera_moved");
    assert_eq!(warnings.len(), 1, "{warnings:?}");
    assert!(warnings[0].contains(first), "{warnings:?}");
}
