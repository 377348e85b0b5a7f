//! A ground shot from a tripod while the sky was tracked: long exposures whose stars trail,
//! stacked where they lie and joined with the sky.

mod support;

use std::path::Path;
use support::{radicand_ends, report};
use synth::{Scene, write_scene};
use tempfile::TempDir;

/// `sky/` and `ground/` of a night that is tracked and then stands still for 4 x 90 s.
fn night() -> TempDir {
    let mut scene = Scene::named("tracked-ground").expect("a scene");
    (scene.width, scene.height, scene.frames) = (640, 480, 4);
    scene.exposure_s = 20.0;
    if let Some(ground) = &mut scene.ground {
        (ground.ridge_deg, ground.relief_deg) = (16.2, 0.8);
    }
    let temp = tempfile::tempdir().expect("a folder");
    for ((_, session), folder) in scene.each_session().iter().zip(["sky", "ground"]) {
        write_scene(session, &temp.path().join(folder), |_| ()).expect("a scene on disk");
    }
    temp
}

fn white(path: &Path) {
    image::GrayImage::from_pixel(640, 480, image::Luma([255]))
        .save(path)
        .expect("a mask");
}

#[test]
fn a_ground_with_trailed_stars_is_stacked_as_the_messages_advise() {
    /// Expected of four equal frames is 2; a small ground measures it so well.
    const GAIN_ERROR: f64 = 0.25;
    let temp = night();
    let folder = temp.path();
    // What cannot be, and the way out that is named.
    let run = radicand_ends(folder, &["stack", "ground", "-o", "aligned"], 1);
    assert!(run.stderr.contains("--ground all"), "{}", run.stderr);
    radicand_ends(
        folder,
        &["stack", "sky", "-o", "night", "--format", "fits"],
        0,
    );
    const BLEND: [&str; 2] = ["blend", "night/stack.fits"];
    let run = radicand_ends(folder, &[&BLEND[..], &["ground", "-o", "no"]].concat(), 1);
    assert!(
        run.stderr.contains("a folder, needed is one picture"),
        "{}",
        run.stderr
    );
    assert!(run.stderr.contains("--ground all"), "{}", run.stderr);

    let still = [
        "stack", "ground", "-o", "still", "--format", "fits", "--ground", "all",
    ];
    radicand_ends(folder, &still, 0);
    let all = report(&folder.join("still"));
    assert_eq!(all["ground"]["found"], "all");
    assert_eq!(all["noise"]["summary"]["frames_used"], 4);
    let gain = all["ground"]["gain_area"].as_f64().expect("a gain");
    assert!((gain - 2.0).abs() < GAIN_ERROR, "{gain}");
    assert_eq!(
        all["ground"]["gain_area"],
        all["noise"]["summary"]["gain_area"]
    );
    let regions = all["noise"]["regions"].as_array().expect("regions");
    assert!(!regions.is_empty() && regions.iter().all(|region| region["part"] == "ground"));

    // A mask without any sky says the same.
    white(&folder.join("white.png"));
    let masked = [
        "stack",
        "ground",
        "-o",
        "masked",
        "--format",
        "fits",
        "--ground",
        "white.png",
    ];
    radicand_ends(folder, &masked, 0);
    let masked = report(&folder.join("masked"));
    assert_eq!(masked["ground"]["found"], "mask");
    assert_eq!(masked["noise"], all["noise"]);

    // The stack is the quieter ground.
    let noise = |ground: &str, output: &str| -> f64 {
        let args = [&BLEND[..], &[ground, "-o", output, "--format", "fits"]].concat();
        radicand_ends(folder, &args, 0);
        let report = std::fs::read(folder.join(output).join("report.json")).expect("a report");
        let report: serde_json::Value = serde_json::from_slice(&report).expect("JSON");
        report["noise"]["ground"]["G"].as_f64().expect("a noise")
    };
    let (single, stack) = (
        noise("ground/lights/shot_0001.dng", "of-one"),
        noise("still/stack.fits", "of-four"),
    );
    assert!(stack < 0.8 * single, "{stack} of {single} DN");
}

#[test]
fn a_mask_that_leaves_hardly_any_sky_is_named() {
    let temp = night();
    let folder = temp.path();
    image::GrayImage::from_fn(640, 480, |x, y| {
        image::Luma([if x < 8 && y < 8 { 0 } else { 255 }])
    })
    .save(folder.join("mask.png"))
    .expect("a mask");
    let args = ["stack", "sky", "-o", "result", "--ground", "mask.png"];
    let run = radicand_ends(folder, &args, 1);
    assert!(
        run.stderr.contains("mask.png: no mask of the ground"),
        "{}",
        run.stderr
    );
    assert!(run.stderr.contains("--ground all"), "{}", run.stderr);
}

#[test]
fn a_picture_that_cannot_be_read_is_complained_of_once() {
    let temp = tempfile::tempdir().expect("a folder");
    std::fs::write(temp.path().join("sky.dng"), "no picture").expect("a file");
    let args = ["blend", "sky.dng", "sky.dng", "-o", "result"];
    let run = radicand_ends(temp.path(), &args, 1);
    assert!(run.stderr.contains("sky.dng"), "{}", run.stderr);
    assert!(!run.stderr.contains("because"), "{}", run.stderr);
}

#[test]
fn a_tripod_is_not_taken_for_a_moving_camera() {
    let temp = tempfile::tempdir().expect("a folder");
    let folder = temp.path();
    let mut scene = Scene::named("tripod-ground").expect("a scene");
    (scene.width, scene.height, scene.frames) = (720, 540, 8);
    write_scene(&scene, folder, |_| ()).expect("a scene on disk");
    let simulator = synth::Simulator::new(&scene).expect("a scene");
    let cover = simulator.ground_cover(0).expect("a ground");
    let shade = |x, y| {
        let ground = cover[(y as usize, x as usize)] > 0.5;
        image::Luma([if ground { 255_u8 } else { 0 }])
    };
    image::GrayImage::from_fn(720, 540, shade)
        .save(folder.join("mask.png"))
        .expect("a mask");
    for ground in ["auto", "mask.png"] {
        let args = ["stack", "lights", "-o", "result", "--overwrite"];
        let choice = ["--format", "fits", "--ground", ground];
        radicand_ends(folder, &[&args[..], &choice].concat(), 0);
        let report = report(&folder.join("result"));
        assert!(report["ground"].is_object(), "{ground}");
        assert!(report["ground"]["motion"].is_null(), "{ground}");
    }
}
