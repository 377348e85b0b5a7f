//! What `radicand blend` says, where it says it, and with which status it ends.

mod support;

use radicand_tests::folder_digests;
use serde_json::Value;
use std::path::Path;
use support::{check_schema_at, radicand, radicand_ends};
use synth::{Scene, write_scene};
use tempfile::TempDir;

/// Two lights of a ridge below a sky, in `lights/`.
fn night() -> TempDir {
    let mut scene = Scene::named("tripod-ground").expect("a scene");
    (scene.width, scene.height, scene.frames) = (480, 360, 2);
    scene.exposure_s = 20.0;
    if let Some(ground) = &mut scene.ground {
        (ground.ridge_deg, ground.relief_deg) = (16.4, 0.4);
    }
    let temp = tempfile::tempdir().expect("a folder");
    write_scene(&scene, temp.path(), |_| ()).expect("a scene on disk");
    temp
}

const SKY: &str = "lights/shot_0001.dng";
const GROUND: &str = "lights/shot_0002.dng";

fn gray(path: &Path, size: (u32, u32), level: u8) {
    image::GrayImage::from_pixel(size.0, size.1, image::Luma([level]))
        .save(path)
        .expect("a picture");
}

#[test]
fn a_blend_says_its_report_and_writes_what_is_asked_for() {
    let temp = night();
    let folder = temp.path();
    let before = folder_digests(&folder.join("lights"));
    let args = [
        "--json", "blend", SKY, GROUND, "-o", "out", "--format", "fits",
    ];
    let run = radicand_ends(folder, &args, 0);
    let said: Value = serde_json::from_str(&run.stdout).expect("JSON and nothing else");
    check_schema_at("blend.schema.json", &said);
    let written = std::fs::read(folder.join("out/report.json")).expect("a report");
    assert_eq!(
        said,
        serde_json::from_slice::<Value>(&written).expect("JSON")
    );
    assert_eq!(said["sky"]["file"], SKY);
    assert_eq!(said["ground"]["file"], GROUND);
    assert_eq!(said["ground"]["kind"], "raw");
    assert_eq!(said["found"], "auto");
    let ground = said["shares"]["ground"].as_f64().expect("a share");
    assert!((0.1..0.5).contains(&ground), "{ground}");
    let factor = said["brightness"]["factor"].as_f64().expect("a factor");
    assert!((factor - 1.0).abs() < 0.02, "{factor} for equal exposures");
    let mut names: Vec<_> = std::fs::read_dir(folder.join("out"))
        .expect("a folder")
        .map(|entry| entry.expect("an entry").file_name())
        .collect();
    names.sort();
    assert_eq!(names, ["report.json", "stack.fits"]);
    assert_eq!(folder_digests(&folder.join("lights")), before);

    // A second one is not written over the first unasked.
    let again = radicand_ends(folder, &args[1..], 1);
    assert!(again.stderr.contains("--overwrite"), "{}", again.stderr);
    assert!(again.stdout.is_empty(), "{}", again.stdout);
    radicand_ends(folder, &[&args[1..], &["--overwrite"]].concat(), 0);
}

#[test]
fn wrong_use_of_blend_ends_with_2_and_leaves_nothing() {
    let temp = tempfile::tempdir().expect("a folder");
    let wrong: [&[&str]; 6] = [
        &["blend"],
        &["blend", "sky.fits"],
        &["blend", "sky.fits", "ground.dng"],
        &["blend", "sky.fits", "ground.dng", "more.dng", "-o", "out"],
        &[
            "blend",
            "sky.fits",
            "ground.dng",
            "-o",
            "out",
            "--format",
            "gif",
        ],
        &[
            "blend",
            "sky.fits",
            "ground.dng",
            "-o",
            "out",
            "--ground",
            "all",
        ],
    ];
    for args in wrong {
        let run = radicand_ends(temp.path(), args, 2);
        assert!(run.stdout.is_empty(), "{args:?}: {}", run.stdout);
        let helps = run.stderr.contains("Usage") || run.stderr.contains("--help");
        assert!(helps, "{args:?}: {}", run.stderr);
    }
    assert!(
        folder_digests(temp.path())
            .into_keys()
            .all(|path| path.as_os_str().is_empty())
    );
}

#[test]
fn what_cannot_be_blended_is_named_and_nothing_is_written() {
    let temp = night();
    let folder = temp.path();
    std::fs::write(folder.join("notes.dng"), "cloudy").expect("a file");
    std::fs::create_dir(folder.join("frames")).expect("a folder");
    gray(&folder.join("preview.png"), (480, 360), 90);
    gray(&folder.join("small.png"), (48, 36), 255);
    gray(&folder.join("black.png"), (480, 360), 0);
    let raw = std::fs::read(folder.join(GROUND)).expect("a raw");
    std::fs::write(folder.join("half.dng"), &raw[..raw.len() / 2]).expect("a file");
    let before = folder_digests(folder);
    let none: &[&str] = &[];
    for (sky, ground, more, named) in [
        ("none.fits", GROUND, none, "none.fits"),
        (SKY, "none.dng", none, "none.dng"),
        (SKY, "notes.dng", none, "notes.dng"),
        (SKY, "half.dng", none, "half.dng"),
        (SKY, "frames", none, "frames"),
        ("preview.png", GROUND, none, "preview.png"),
        (SKY, GROUND, &["--ground", "small.png"], "small.png"),
        (SKY, GROUND, &["--ground", "black.png"], "black.png"),
        (SKY, GROUND, &["--ground", "none.png"], "none.png"),
    ] {
        let args = [&["blend", sky, ground, "-o", "out"], more].concat();
        let run = radicand_ends(folder, &args, 1);
        assert!(run.stdout.is_empty(), "{args:?}: {}", run.stdout);
        assert!(run.stderr.contains(named), "{args:?}: {}", run.stderr);
        assert!(run.stderr.contains("error: "), "{args:?}: {}", run.stderr);
        assert_eq!(folder_digests(folder), before, "{args:?}");
    }
    // Nor beside the originals.
    let run = radicand(folder, &["blend", SKY, GROUND, "-o", "lights"]);
    assert_eq!(run.status, 1);
    assert!(run.stderr.contains("lights"), "{}", run.stderr);
    assert_eq!(folder_digests(folder), before);
}
