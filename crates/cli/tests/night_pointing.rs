//! A camera that is turned begins another session; one whose sky drifts away does not.

mod support;

use serde_json::Value;
use std::fs;
use std::path::Path;
use support::archive::{json, night, remains};
use support::check_schema_at;
use synth::{Mount, Scene, write_scene};

/// Lights from a tripod, the first `minutes` after the scene's own, looking elsewhere by
/// `turn_deg` in azimuth.
fn shots(base: &Path, folder: &str, frames: usize, minutes: i64, turn_deg: f64) -> Scene {
    let mut scene = Scene::named("tripod-burst").expect("a scene");
    (scene.width, scene.height, scene.frames) = (200, 150, frames);
    scene.pointing.azimuth_deg += turn_deg;
    scene.mount = Mount::tripod(scene.pointing.south_pole(&scene.site));
    scene.start = scene
        .start
        .saturating_add(jiff::Span::new().minutes(minutes));
    scene.seed += minutes as u64;
    write_scene(&scene, &base.join(folder), |_| ()).expect("a scene on disk");
    scene
}

/// Puts the lights of `from` into `to`, behind those that are there.
fn move_lights(base: &Path, from: &str, to: &str) {
    let to = base.join(to);
    fs::create_dir_all(&to).expect("a folder");
    let mut n_there = fs::read_dir(&to).expect("a folder").count();
    let mut lights: Vec<_> = fs::read_dir(base.join(from).join("lights"))
        .expect("lights")
        .map(|entry| entry.expect("a light").path())
        .collect();
    lights.sort();
    for light in lights {
        n_there += 1;
        fs::rename(light, to.join(format!("N_{n_there:04}.dng"))).expect("another place");
    }
}

fn sessions(index: &Value) -> Vec<&Value> {
    index["sessions"]
        .as_array()
        .expect("sessions")
        .iter()
        .collect()
}

#[test]
fn a_camera_that_was_turned_begins_another_session() {
    let temp = tempfile::tempdir().expect("a folder");
    let base = temp.path();
    // Five lights, the camera turned by 100° within two minutes, four more.
    shots(base, "first", 5, 0, 0.0);
    shots(base, "second", 4, 2, 100.0);
    move_lights(base, "first", "archive/evening");
    move_lights(base, "second", "archive/evening");
    let dry = night(base, "out", &["--dry-run"]);
    assert_eq!(dry.status, 0, "{dry:?}");
    assert!(dry.stdout.contains("2 sessions;"), "{}", dry.stdout);
    assert!(
        dry.stdout.contains("the camera was turned between"),
        "{}",
        dry.stdout
    );
    assert!(!base.join("out").exists(), "a dry run writes nothing");

    let run = night(base, "out", &[]);
    assert_eq!(run.status, 0, "{run:?}");
    let index = json(&base.join("out/night.json"));
    check_schema_at("night.schema.json", &index);
    let found = sessions(&index);
    let used: Vec<_> = found
        .iter()
        .map(|s| s["result"]["frames_used"].as_u64())
        .collect();
    assert_eq!(used, [Some(5), Some(4)]);
    for session in found {
        let note = session["notes"][0].as_str().expect("a note");
        assert!(
            note.contains("N_0005.dng") && note.contains("N_0006.dng"),
            "{note}"
        );
    }
    let page = fs::read_to_string(base.join("out/index.html")).expect("a page");
    assert_eq!(page.matches("the camera was turned between").count(), 2);
    let again = night(base, "out", &["--json"]);
    assert_eq!(
        again.stdout.matches("\"how\":\"kept\"").count(),
        2,
        "{again:?}"
    );

    // The same sessions for machines that share the work.
    let list = night(base, "jobs", &["--list-jobs"]);
    assert_eq!(list.stdout.lines().count(), 2, "{list:?}");
    for session in sessions(&index) {
        let id = session["id"].as_str().expect("a name");
        assert_eq!(night(base, "jobs", &["--session", id]).status, 0);
    }
    assert_eq!(night(base, "jobs", &["--collect"]).status, 0);
    assert_eq!(remains(&base.join("out")), remains(&base.join("jobs")));
}

#[test]
fn a_sky_that_drifts_out_of_the_picture_is_one_session() {
    let temp = tempfile::tempdir().expect("a folder");
    let base = temp.path();
    // Through 2.1° of sky, a light every 3 minutes: of neighbors more than half is in common,
    // and of lights that are ten minutes apart nothing.
    let mut scene = Scene::named("tripod-burst").expect("a scene");
    (scene.width, scene.height, scene.frames) = (200, 150, 12);
    scene.gap_s = 3.0 * 60.0;
    write_scene(&scene, &base.join("archive"), |_| ()).expect("a scene on disk");
    let dry = night(base, "out", &["--dry-run", "--json"]);
    assert_eq!(dry.status, 0, "{dry:?}");
    let planned: Vec<&str> = dry
        .stdout
        .lines()
        .filter(|line| line.contains("planned"))
        .collect();
    assert_eq!(planned.len(), 1, "{dry:?}");
    assert!(planned[0].contains("\"lights\":12"), "{}", planned[0]);

    // Its ends alone have nothing in common, however long a pause may be.
    for light in 3..=10 {
        let middle = format!("archive/lights/shot_{light:04}.dng");
        fs::remove_file(base.join(middle)).expect("a light");
    }
    let dry = night(base, "out", &["--dry-run", "--gap", "1000"]);
    assert!(dry.stdout.contains("2 sessions;"), "{}", dry.stdout);
    assert!(dry.stdout.contains("no star in common"), "{}", dry.stdout);
}
