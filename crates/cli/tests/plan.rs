//! `radicand plan`: what it says, and that it says no more than it knows.

mod support;

use serde_json::Value;
use std::path::Path;
use support::{Run, check_schema_at, radicand, radicand_ends};
use tempfile::TempDir;

/// An invented camera: 17 mm on pixels of 3.3 µm.
const CAMERA: &str = "--focal-length 17 --aperture 1.8 --sensor 23.5x15.6 --pixel-pitch 3.3";

const LIGHT: &str = "--sky 21.4 --read-noise 2.1";

/// Orrendale Fell, which does not exist, on a winter night with the Moon near its last quarter.
const NIGHT: &str = "--date 2026-01-10 --place 46.2,9.4";

fn run(folder: &Path, options: &str, status: i32) -> Run {
    let args: Vec<&str> = ["plan"]
        .into_iter()
        .chain(options.split_whitespace())
        .collect();
    radicand_ends(folder, &args, status)
}

fn here() -> &'static Path {
    Path::new(env!("CARGO_MANIFEST_DIR"))
}

/// The plan as JSON, checked against its schema.
#[track_caller]
fn plan(folder: &Path, options: &str) -> Value {
    let said = run(folder, &format!("{options} --json"), 0);
    assert!(said.stderr.is_empty(), "{}", said.stderr);
    let plan = serde_json::from_str(&said.stdout).expect("JSON and nothing else");
    check_schema_at("plan.schema.json", &plan);
    plan
}

#[track_caller]
fn figure(plan: &Value, pointer: &str) -> f64 {
    let found = plan.pointer(pointer).and_then(Value::as_f64);
    found.unwrap_or_else(|| panic!("no number at {pointer}: {plan:#}"))
}

fn codes(plan: &Value) -> Vec<&str> {
    let warnings = plan["warnings"].as_array().expect("warnings");
    let codes = warnings.iter().map(|warning| warning["code"].as_str());
    codes.map(|code| code.expect("a code")).collect()
}

/// One light of an invented night under a sky of 20.8 mag/arcsec².
fn light() -> TempDir {
    let temp = tempfile::tempdir().expect("a folder");
    let args = [
        "simulate",
        "tripod-burst",
        "-o",
        ".",
        "--dimensions",
        "400x300",
        "--frames",
        "1",
    ];
    radicand_ends(temp.path(), &args, 0);
    temp
}

#[test]
fn plans_are_valid_by_their_schema_with_much_and_with_little() {
    let all = [
        CAMERA,
        LIGHT,
        NIGHT,
        "--target 22 --print 60 --snr 30 --fixed-pattern 0.1 --polar-error 6 --periodic-error 60",
        "--period 480 --azimuth 170 --altitude 40 --utc-offset 1 --portrait --try-aperture 2,2.8",
        "--try-iso 800:3.1,3200:1.9 --try-exposure 30,60 --try-multi-shot 8 --clock 90",
    ];
    let full = plan(here(), &all.join(" "));
    assert_eq!(full["schema_version"], 1);
    assert_eq!(full["gear"]["size_px"], serde_json::json!([4727, 7121]));
    for part in ["tracked", "light", "frames", "night"] {
        assert!(full[part].is_object(), "{part}: {full:#}");
    }
    // 2 mounts; 3 exposures, the plan's own among them; 3 apertures, 3 ISO, with and without
    // multi-shot.
    assert_eq!(full["what_if"].as_array().map(Vec::len), Some(108));

    let bare = plan(here(), CAMERA);
    for part in ["tracked", "light", "frames", "masters", "night"] {
        assert!(bare[part].is_null(), "{part}: {bare:#}");
    }
    assert_eq!(bare["what_if"], serde_json::json!([]));
    assert!(
        bare["cautions"]
            .as_array()
            .is_some_and(|cautions| cautions.len() >= 6)
    );
}

#[test]
fn a_sub_by_drift_trails_no_farther_than_tolerated() {
    for drift in ["1.5", "3", "6"] {
        let plan = plan(
            here(),
            &format!("{CAMERA} --declination -10 --drift {drift}"),
        );
        assert_eq!(plan["sub"]["by"], "drift");
        let tolerated = drift.parse::<f64>().expect("a number");
        let trail = figure(&plan, "/sub/worst_trail_px");
        // Rounded down to two digits.
        assert!(
            trail <= tolerated && trail > 0.88 * tolerated,
            "{trail} of {drift}"
        );
        assert!(codes(&plan).is_empty());
    }
    let long = plan(here(), &format!("{CAMERA} --exposure 30"));
    assert_eq!(codes(&long), ["trails"]);
    assert_eq!(long["sub"]["by"], "given");
}

#[test]
fn a_wanted_snr_is_what_its_frames_give() {
    let plan = plan(here(), &format!("{CAMERA} {LIGHT} --snr 40 --exposure 8"));
    let (one, count) = (figure(&plan, "/sub/snr"), figure(&plan, "/frames/count"));
    assert!(one * count.sqrt() >= 40.0 && one * (count - 1.0).sqrt() < 40.0);
    // The sub in electrons, by hand: SNR = S t / √(S t + R²).
    let light = figure(&plan, "/light/sky_e_per_s") * 8.0;
    let by_hand = light / (light + 2.1 * 2.1).sqrt();
    assert!((one / by_hand - 1.0).abs() < 1e-12);
    let clock = figure(&plan, "/frames/clock_s");
    assert!((clock - (count * 8.0 + count - 1.0)).abs() < 1e-9);
    // The first way is the plan itself, in its own time.
    assert_eq!(figure(&plan, "/what_if/0/frames"), count);
    assert_eq!(figure(&plan, "/what_if/0/snr_of_first"), 1.0);
}

#[test]
fn a_print_needs_less_of_a_pixel_than_a_dot_shows() {
    let plan = plan(here(), &format!("{CAMERA} {LIGHT} --print 30 --dpi 200"));
    assert_eq!(figure(&plan, "/frames/wanted_snr"), 40.0);
    let pixels = figure(&plan, "/frames/print/pixels_per_dot");
    assert!((pixels - 7121.0 / (30.0 / 2.54 * 200.0)).abs() < 1e-9);
    assert!((figure(&plan, "/frames/pixel_snr") * pixels - 40.0).abs() < 1e-9);
    let large = self::plan(here(), &format!("{CAMERA} {LIGHT} --print 200"));
    assert!(codes(&large).contains(&"enlargement"), "{large:#}");
    assert_eq!(figure(&large, "/frames/pixel_snr"), 40.0);
}

#[test]
fn a_fixed_pattern_can_be_in_the_way() {
    let plan = plan(
        here(),
        &format!("{CAMERA} {LIGHT} --snr 250 --fixed-pattern 0.5"),
    );
    assert_eq!(figure(&plan, "/frames/most_snr"), 200.0);
    assert!(plan["frames"]["count"].is_null() && plan["masters"].is_null());
    assert!(codes(&plan).contains(&"not_reachable"));
}

#[test]
fn a_tracker_makes_longer_subs_that_beat_still_ones() {
    let tracker = "--polar-error 6 --periodic-error 60 --period 480";
    let plan = plan(here(), &format!("{CAMERA} {LIGHT} {tracker} --clock 60"));
    let tracked = figure(&plan, "/tracked/longest_s");
    assert!(tracked > 5.0 * figure(&plan, "/still/longest_s"));
    let ways = plan["what_if"].as_array().expect("ways");
    let best = |tracked: bool| {
        let of_mount = ways.iter().filter(|way| way["tracked"] == tracked);
        let snr = of_mount.map(|way| way["snr"].as_f64().expect("a number"));
        snr.fold(0.0, f64::max)
    };
    assert!(best(true) > best(false), "{ways:#?}");
    assert!(ways.iter().all(|way| way["clock_s"] == 3600.0));
}

#[test]
fn the_sky_of_a_frame_is_that_of_its_night() {
    let night = light();
    let options = "--from lights/shot_0001.dng --gain 0.4 --read-noise 2.2 --pixel-pitch 4.35";
    let plan = plan(night.path(), options);
    assert_eq!(plan["gear"]["camera"], "Lumholt N24");
    assert_eq!(figure(&plan, "/gear/focal_length_mm"), 24.0);
    assert_eq!(plan["light"]["source"], "frame");
    // 20.8 and an efficiency of 0.4 in green were put in; stars, a slope over the field of
    // 12 % and the lens' own fall-off are within 0.1 mag.
    let mag = figure(&plan, "/light/sky_mag_per_arcsec2");
    assert!((mag - 20.8).abs() < 0.1, "{mag}");
    // Opened by two stops, the same sky gives four times as much.
    let wider = self::plan(night.path(), &format!("{options} --aperture 0.7"));
    let ratio = figure(&wider, "/light/sky_e_per_s") / figure(&plan, "/light/sky_e_per_s");
    assert!((ratio - 4.0).abs() < 1e-9, "{ratio}");
}

#[test]
fn what_a_frame_does_not_say_is_asked_for() {
    let night = light();
    std::fs::write(night.path().join("text.dng"), "no frame").expect("a file");
    let from = "--from lights/shot_0001.dng";
    let bad = run(night.path(), "--from text.dng", 1);
    assert!(
        bad.stderr.contains("text.dng") && bad.stderr.contains("hint: "),
        "{}",
        bad.stderr
    );
    // No gain: the frame's sky is in DN, and a goal cannot be reckoned with.
    let bad = run(
        night.path(),
        &format!("{from} --pixel-pitch 4.35 --read-noise 2 --snr 40"),
        2,
    );
    assert!(
        bad.stderr.contains("--snr") && bad.stderr.contains("--gain"),
        "{}",
        bad.stderr
    );
    let dark = format!("{from} --pixel-pitch 4.35 --read-noise 2 --gain 0.4 --dark-current 1000");
    let bad = run(night.path(), &dark, 2);
    assert!(
        bad.stderr.contains("shot_0001.dng") && bad.stderr.contains("--sky"),
        "{}",
        bad.stderr
    );
}

#[test]
fn bad_usage_ends_with_2_and_names_option_and_way_out() {
    for (options, said) in [
        ("", "--pixels, --sensor and --pixel-pitch"),
        ("--pixels 6000x4000", "--pixel-pitch or --sensor"),
        ("--pixels 6000x4000 --pixel-pitch 4", "--focal-length"),
        (
            "--pixels 6000x4000 --pixel-pitch 4 --focal-length 24",
            "--aperture",
        ),
        (
            "--pixels 6000x4000 --sensor 36x24 --pixel-pitch 4",
            "two of the three",
        ),
        (
            "--sensor 36x24 --pixel-pitch 0.00001 --focal-length 24 --aperture 2",
            "millimeters",
        ),
        ("--snr 40", "--sky"),
        ("--sky 21 --snr 40", "--read-noise"),
        ("--azimuth 10 --altitude 20", "--place"),
        ("--date 2026-13-01 --place 1,1", "2026-01-19"),
        ("--declination 91", "-90 to 90"),
    ] {
        let run = run(here(), options, 2);
        assert!(run.stdout.is_empty(), "{options}: {}", run.stdout);
        assert!(run.stderr.contains(said), "{options}: {}", run.stderr);
    }
}

#[test]
fn moon_and_bright_nights_are_warned_of() {
    let winter = plan(here(), &format!("{CAMERA} {LIGHT} {NIGHT}"));
    assert!(codes(&winter).contains(&"moon"), "{winter:#}");
    let (dark, moonless) = (
        figure(&winter, "/night/dark_s"),
        figure(&winter, "/night/moonless_s"),
    );
    assert!(dark > 11.0 * 3600.0 && moonless < dark, "{dark} {moonless}");
    let every = figure(&winter, "/sub/exposure_s") + 1.0;
    assert_eq!(
        figure(&winter, "/night/subs"),
        ((moonless + 1.0) / every).floor()
    );

    let new_moon = plan(
        here(),
        &format!("{CAMERA} --date 2026-01-18 --place 46.2,9.4"),
    );
    assert!(!codes(&new_moon).contains(&"moon"), "{new_moon:#}");

    let summer = plan(
        here(),
        &format!("{CAMERA} {LIGHT} --snr 40 --date 2026-06-21 --place 62,9.4"),
    );
    assert!(codes(&summer).contains(&"no_darkness"));
    assert_eq!(figure(&summer, "/night/dark_s"), 0.0);
    assert!(summer["frames"]["nights"].is_null());
}

#[test]
fn near_the_pole_the_middle_has_no_limit() {
    let plan = plan(here(), &format!("{CAMERA} --declination 90"));
    assert!(plan["still"]["places"][0]["longest_s"].is_null());
    assert!(figure(&plan, "/still/longest_s") > 0.0);
    let said = run(here(), &format!("{CAMERA} --declination 90"), 0);
    assert!(
        said.stdout.contains("no limit in the middle"),
        "{}",
        said.stdout
    );
}

#[test]
fn cautions_close_every_plan_and_quiet_plans_are_silent() {
    let said = run(here(), CAMERA, 0).stdout;
    for caution in [
        "uneven",
        "tide",
        "cold",
        "laser",
        "certified solar filter",
        "local rules",
    ] {
        assert!(said.contains(caution), "{caution}: {said}");
    }
    let quiet = run(here(), &format!("{CAMERA} -q"), 0);
    assert!(
        quiet.stdout.is_empty() && quiet.stderr.is_empty(),
        "{quiet:?}"
    );
}

/// Every example in the document is what the program says now.
#[test]
fn the_documented_plans_are_what_the_program_says() {
    let document = include_str!("../../../docs/plan.md").replace("\\\n", " ");
    let mut examples = 0;
    for block in document.split("```text\n$ radicand ").skip(1) {
        let block = block.split("```").next().expect("a block");
        let (line, want) = block.split_once('\n').expect("a command and its output");
        let args: Vec<&str> = line.split_whitespace().collect();
        let run = radicand(here(), &args);
        assert_eq!(run.stdout, want, "{line}: {}", run.stderr);
        examples += 1;
    }
    assert!(examples >= 2, "{examples} examples");
}
