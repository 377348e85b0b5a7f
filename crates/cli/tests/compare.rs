//! `radicand compare` and `radicand measure` on invented nights whose truth is known.

mod support;

use serde_json::Value;
use std::path::Path;
use support::{check_schema_at, radicand, radicand_ends};
use tempfile::TempDir;

/// Standard errors that a figure may be off: once in 370 by chance, and the seeds are fixed.
const SIGMAS: f64 = 3.0;

/// Lights of one burst under `lights/`, and stacks of some of them.
///
/// The sensor has no pattern: it would not average out, and N lights be worth less than N.
fn burst(frames: usize, stacks: &[(&str, std::ops::RangeInclusive<usize>)]) -> TempDir {
    let temp = tempfile::tempdir().expect("a folder");
    let mut scene = synth::Scene::named("tripod-burst").expect("a scene");
    (scene.width, scene.height, scene.frames) = (640, 512, frames);
    let sensor = &mut scene.sensor;
    (sensor.prnu, sensor.dsnu_e, sensor.hot_fraction) = (0.0, 0.0, 0.0);
    sensor.column_noise_e = 0.0;
    synth::write_scene(&scene, temp.path(), |_| ()).expect("lights");
    for (name, lights) in stacks {
        stack(temp.path(), name, lights.clone());
    }
    temp
}

fn stack(folder: &Path, name: &str, lights: std::ops::RangeInclusive<usize>) {
    let lights: Vec<String> = lights.map(|i| format!("lights/shot_{i:04}.dng")).collect();
    let lights: Vec<&str> = lights.iter().map(String::as_str).collect();
    let args = [
        &["stack", "-q", "-o", name, "--combine", "mean"],
        &lights[..],
    ]
    .concat();
    radicand_ends(folder, &args, 0);
}

#[track_caller]
fn compared(folder: &Path, args: &[&str]) -> Value {
    let run = radicand_ends(folder, &[&["compare", "--json"], args].concat(), 0);
    let value: Value = serde_json::from_str(&run.stdout).expect("JSON and nothing else");
    check_schema_at("compare.schema.json", &value);
    value
}

/// `figure` lies within [`SIGMAS`] of `truth`, and knows itself to `precision`.
#[track_caller]
fn check(figure: &Value, truth: f64, precision: f64) {
    let value = figure["value"].as_f64().expect("a value");
    let error = figure["error"].as_f64().expect("an error");
    assert!(
        (value - truth).abs() < SIGMAS * error,
        "{figure}, truth {truth}"
    );
    assert!(
        error < precision * truth,
        "{figure} is not known to {precision}"
    );
}

#[test]
fn a_stack_of_nine_has_a_third_of_the_variance_of_a_stack_of_three() {
    let temp = burst(12, &[("three", 1..=3), ("nine", 4..=12)]);
    let args = ["three/stack.tif", "nine/stack.fits", "-o", "versus"];
    let report = compared(temp.path(), &args);
    check(&report["noise_ratios"][0]["ratio"], 3.0_f64.sqrt(), 0.04);
    assert_eq!(report["noise_ratios"][0]["measurable"], true);
    let verdict = report["verdict"].as_str().expect("a sentence");
    assert!(
        verdict.contains("nine/stack.fits has the least noise"),
        "{verdict}"
    );
    // Equal shutter time was spent equally well.
    let minute = &report["results"][1]["per_shutter_minute"]["noise"];
    check(minute, 1.0, 0.04);
    // The stacks are of equal light: the same stars, as bright and as wide.
    let nine = &report["results"][1];
    check(&nine["channels"]["G"]["flux_scale"], 1.0, 0.02);
    assert_eq!(nine["linear"], true);
    assert_eq!(nine["kind"], "stack");
    assert_eq!(nine["shutter_s"], 36.0);
    // Written as said, and readable.
    let written = std::fs::read(temp.path().join("versus/compare.json")).expect("a file");
    assert_eq!(
        serde_json::from_slice::<Value>(&written).expect("JSON"),
        report
    );
    let page = std::fs::read_to_string(temp.path().join("versus/comparison.html"));
    let page = page.expect("a page");
    assert!(
        page.contains("<select") || page.contains("role=\"slider\""),
        "crops side by side"
    );
    assert!(page.contains("id=\"ranking\""));
    let crops = raw::open(&temp.path().join("versus/crops.png"), &Default::default());
    let raw::OpenedContent::Picture(crops) = crops.expect("a PNG").content else {
        panic!("crops are a picture");
    };
    // Two crops of 320 px and the gap between them.
    assert_eq!(crops.size(), (648, 320));
    // Of the same sky: nothing is overwritten unasked.
    let run = radicand(temp.path(), &[&["compare"], &args[..]].concat());
    assert_eq!(run.status, 1, "{run:?}");
    assert!(run.stderr.contains("hint: "), "{}", run.stderr);
    radicand_ends(
        temp.path(),
        &[&["compare", "--overwrite"], &args[..]].concat(),
        0,
    );
}

#[test]
fn equal_results_show_no_measurable_difference() {
    let temp = burst(8, &[("one", 1..=4), ("two", 5..=8)]);
    let report = compared(temp.path(), &["one/stack.tif", "two/stack.tif"]);
    check(&report["noise_ratios"][0]["ratio"], 1.0, 0.04);
    let verdict = report["verdict"].as_str().expect("a sentence");
    assert!(verdict.contains("no measurable difference"), "{verdict}");
    // A light against a stack that it is in: half the noise, though not independent.
    let report = compared(temp.path(), &["lights/shot_0002.dng", "one/stack.tif"]);
    check(&report["noise_ratios"][0]["ratio"], 2.0, 0.04);
    assert_eq!(report["results"][0]["shares_frames_with"][0], 1);
    assert_eq!(report["results"][0]["channels"]["G"]["evidence"], "subset");
    // Three apart, of which every two would do.
    let three = [
        "lights/shot_0001.dng",
        "lights/shot_0006.dng",
        "lights/shot_0008.dng",
    ];
    let report = compared(temp.path(), &three);
    for pair in report["noise_ratios"].as_array().expect("pairs") {
        check(&pair["ratio"], 1.0, 0.04);
    }
}

#[test]
fn a_composite_is_matched_in_scale_and_charged_for_the_wait() {
    let temp = tempfile::tempdir().expect("a folder");
    let scene = |folder: &str, seed: &str, frames: &str| {
        let args = [
            "simulate",
            "multi-shot-fine",
            "--dimensions",
            "640x512",
            "-o",
            folder,
        ];
        let more = ["--seed", seed, "--frames", frames];
        radicand_ends(temp.path(), &[&args[..], &more].concat(), 0);
    };
    scene("composite", "5", "8");
    scene("single", "6", "1");
    let args = [
        "single/lights/shot_0001.dng",
        "composite/composite/multi_shot.dng",
        "--exposures",
        "-,8x13",
        "--focal-length",
        "24",
        "--pixel-pitch",
        "6,3",
    ];
    let report = compared(temp.path(), &args);
    let composite = &report["results"][1];
    assert_eq!(composite["kind"], "composite");
    let scale = composite["display_scale"].as_f64().expect("a scale");
    assert!((scale - 0.5).abs() < 1e-3, "{scale}");
    // Eight exposures of 13 s keep one waiting for nine.
    assert_eq!(composite["shutter_s"], 8.0 * 13.0);
    assert_eq!(composite["clock_s"], 9.0 * 13.0);
    // 206.265 arcsec x 6 µm / 24 mm, and half of that.
    let arcsec = |k: usize| {
        report["results"][k]["scale_arcsec"]
            .as_f64()
            .expect("a scale")
    };
    assert!((arcsec(0) - 51.566).abs() < 0.01 && (arcsec(1) - 25.783).abs() < 0.05);
    assert_eq!(report["sky"]["in_arcsec"], true);
    // A pixel of half the side collects a quarter; four of them the same star.
    check(&composite["channels"]["G"]["flux_scale"], 4.0, 0.02);
    // Eight exposures of as much light.
    check(&composite["against_first"]["noise"], 0.125_f64.sqrt(), 0.08);
    assert!(
        report["verdict"]
            .as_str()
            .expect("a sentence")
            .contains("on the clock")
    );
}

#[test]
fn what_cannot_be_compared_is_refused_with_a_reason() {
    let temp = burst(3, &[]);
    let folder = temp.path();
    std::fs::write(folder.join("notes.txt"), "cloudy").expect("a file");
    let (one, two) = ("lights/shot_0001.dng", "lights/shot_0002.dng");
    let wrong: [(&[&str], i32, &str); 7] = [
        (&["compare", one], 2, "RESULT"),
        (&["compare", one, two, "--scale", "0"], 2, "--scale"),
        (
            &["compare", one, two, "--exposures", "8y13"],
            2,
            "--exposures",
        ),
        (
            &["compare", one, two, "--scale", "1,2,3"],
            1,
            "3 given for 2 results",
        ),
        (&["compare", one, "notes.txt"], 1, "notes.txt"),
        (&["compare", one, "missing.tif"], 1, "missing.tif"),
        (
            &["compare", one, two, "-o", "lights"],
            1,
            "beside originals",
        ),
    ];
    for (args, status, needle) in wrong {
        let run = radicand_ends(folder, args, status);
        assert!(run.stderr.contains(needle), "{args:?}: {}", run.stderr);
        assert!(run.stdout.is_empty(), "{args:?}: {}", run.stdout);
    }
    let run = radicand_ends(folder, &["compare", "-q", one, two], 0);
    assert!(run.stdout.is_empty() && run.stderr.is_empty(), "{run:?}");
    for command in ["compare", "measure"] {
        let run = radicand_ends(folder, &[command, "--help"], 0);
        assert!(run.stdout.contains("Example"), "{}", run.stdout);
    }
}

#[track_caller]
fn measured(folder: &Path, result: &str) -> Value {
    let args = ["measure", "--json", result, "--frames", "lights"];
    let run = radicand_ends(folder, &args, 0);
    let value: Value = serde_json::from_str(&run.stdout).expect("JSON and nothing else");
    // The report is that of a stack, and the result beside it.
    let mut report = value.clone();
    let fields = report.as_object_mut().expect("an object");
    assert!(fields.remove("result").is_some(), "{value}");
    support::check_schema(&report);
    value
}

fn ratios(report: &Value) -> Vec<f64> {
    ["R", "G", "B"]
        .iter()
        .map(|channel| {
            let ratio = &report["result"]["channels"][channel]["noise_ratio"]["value"];
            ratio.as_f64().expect("a ratio")
        })
        .collect()
}

#[test]
fn results_made_elsewhere_get_the_gain_that_is_theirs() {
    /// Two gains whose errors are a few percent.
    const TOLERANCE: f64 = 0.06;
    /// What 16 bits may change, over the gain: their steps are far below the noise.
    const ROUNDING: f64 = 0.01;
    let temp = burst(8, &[("all", 1..=8), ("half", 3..=6)]);
    let folder = temp.path();
    // The same numbers as other programs write them: 16 bits, FITS, a tone curve.
    let planes = planes(&folder.join("all/stack.tif"));
    let highest = planes.iter().flatten().copied().fold(0.0, f32::max);
    let changed = |value: &dyn Fn(f32) -> f32| -> Vec<_> {
        planes.iter().map(|plane| plane.mapv(value)).collect()
    };
    let in_16_bits = |v: f32| (v / highest * 60_000.0).round().max(0.0);
    let written = changed(&in_16_bits);
    write_16_bits(folder, &written);
    write_fits(&folder.join("all.fits"), &written);
    write_float(&folder.join("all.tif"), &changed(&|v| v / highest));
    write_float(
        &folder.join("toned.tif"),
        &changed(&|v| (v.max(0.0) / highest).powf(0.5)),
    );
    let all = measured(folder, "all.tif");
    let half = measured(folder, "half/stack.tif");
    for ratio in ratios(&all) {
        assert!((ratio - 1.0).abs() < 0.01, "{ratio}");
    }
    for channel in ["R", "G", "B"] {
        let ratio = &half["result"]["channels"][channel]["noise_ratio"];
        check(ratio, 2.0_f64.sqrt(), 0.04);
    }
    let gain = |report: &Value| {
        report["noise"]["summary"]["gain_area"]
            .as_f64()
            .expect("a gain")
    };
    assert!((gain(&all) / gain(&half) / 2.0_f64.sqrt() - 1.0).abs() < TOLERANCE);
    assert_eq!(half["result"]["linear"], true);
    for name in ["all16.tif", "all16.png", "all.fits"] {
        let same = measured(folder, name);
        let off = gain(&same) / gain(&all) - 1.0;
        assert!(off.abs() < ROUNDING, "{name} is off by {off}");
        assert_eq!(same["result"]["linear"], true, "{name}");
    }
    // What is known of the frames' own stack alone is not said of the result.
    let summary = &half["noise"]["summary"];
    assert_eq!(summary["growth"]["points"], Value::Array(vec![]));
    for field in ["fraction_of_variance", "columns", "rows", "upper_bound"] {
        assert_eq!(summary["pattern"][field], Value::Null, "{field}");
    }
    let cell = &half["noise"]["regions"][0]["channels"]["G"];
    assert!(cell["stack"].is_number() && cell["stack_pattern"].is_null());
    // All of what the result lost is in the factors that are left.
    let budget = cell["budget"].as_object().expect("a budget");
    let known = budget.iter().filter(|(name, _)| *name != "borrowed");
    let product: f64 = known.filter_map(|(_, factor)| factor.as_f64()).product();
    let gain_area = cell["gain_area"].as_f64().expect("a gain");
    assert!((product * 8.0_f64.sqrt() / gain_area - 1.0).abs() < 1e-9);

    let toned = measured(folder, "toned.tif");
    assert_eq!(toned["result"]["linear"], false);
    let notes = toned["result"]["notes"].to_string();
    assert!(notes.contains("tone curve"), "{notes}");
    // The slope at the sky's level still converts its noise.
    for ratio in ratios(&toned) {
        assert!((ratio - 1.0).abs() < 0.03, "{ratio}");
    }
    // A raw is no result.
    let args = ["measure", "lights/shot_0001.dng", "--frames", "lights"];
    let run = radicand_ends(folder, &args, 1);
    assert!(run.stderr.contains("a raw frame"), "{}", run.stderr);
}

/// `all16.tif` and `all16.png` of three planes of whole numbers.
fn write_16_bits(folder: &Path, planes: &[Plane]) {
    let (rows, columns) = planes[0].dim();
    let mut samples = Vec::with_capacity(3 * rows * columns);
    for place in ndarray::indices((rows, columns)) {
        samples.extend(planes.iter().map(|plane| plane[place] as u16));
    }
    let (width, height) = (columns as u32, rows as u32);
    let file = std::fs::File::create(folder.join("all16.tif")).expect("a file");
    let mut encoder = tiff::encoder::TiffEncoder::new(file).expect("a TIFF");
    encoder
        .write_image::<tiff::encoder::colortype::RGB16>(width, height, &samples)
        .expect("a TIFF of 16 bits");
    image::ImageBuffer::<image::Rgb<u16>, _>::from_raw(width, height, samples)
        .expect("as many samples")
        .save(folder.join("all16.png"))
        .expect("a PNG of 16 bits");
}

fn write_float(path: &Path, planes: &[Plane]) {
    let views: Vec<_> = planes.iter().map(|plane| plane.view()).collect();
    export::write_tiff_f32(path, &views, &Default::default()).expect("a file");
}

fn write_fits(path: &Path, planes: &[Plane]) {
    let views: Vec<_> = planes.iter().map(|plane| plane.view()).collect();
    let picture = export::FitsPicture {
        mean: &views,
        variance: &views,
        weight: &views,
        rejected: None,
        sky: None,
    };
    export::write_fits(path, &picture, &Default::default()).expect("a file");
}

type Plane = ndarray::Array2<f32>;

#[test]
fn a_stretched_picture_is_not_called_linear() {
    /// The stretch and the mixing of colors leave noise of their own, a few percent of it.
    /// Not in green: red and blue are taken off there, and with them the sky that the
    /// channels have in common, so that its noise is higher at equal sky.
    const LARGEST_RATIO: f64 = 1.08;
    let temp = burst(6, &[("all", 1..=6)]);
    let folder = temp.path();
    // The program's own preview: its stars are nearly in proportion, its sky is not.
    let report = measured(folder, "all/preview.png");
    assert_eq!(report["result"]["linear"], false, "{}", report["result"]);
    let [red, _, blue] = ratios(&report)[..] else {
        panic!("three channels");
    };
    for ratio in [red, blue] {
        assert!((1.0..LARGEST_RATIO).contains(&ratio), "{ratio}");
    }
    let report = compared(folder, &["all/stack.tif", "all/preview.png"]);
    assert_eq!(report["results"][1]["linear"], false);
    assert!(report["noise_ratios"][0]["ratio"]["value"].is_null());
    let verdict = report["verdict"].as_str().expect("a sentence");
    assert!(
        verdict.contains("could not be measured") && verdict.contains("tone curve"),
        "{verdict}"
    );
    // A file against itself has nothing of its own either, for another reason.
    let report = compared(folder, &["all/stack.tif", "all/stack.tif"]);
    let verdict = report["verdict"].as_str().expect("a sentence");
    assert!(
        verdict.contains("could not be measured") && verdict.contains("share frames"),
        "{verdict}"
    );
}

#[test]
fn a_result_of_more_frames_than_given_claims_no_number() {
    let temp = burst(8, &[("all", 1..=8)]);
    let folder = temp.path();
    let args = ["measure", "all/stack.tif", "--frames"];
    let frames = ["lights/shot_0001.dng", "lights/shot_0002.dng"];
    let run = radicand_ends(folder, &[&args[..], &frames[..]].concat(), 0);
    let said = format!("{}{}", run.stdout, run.stderr);
    assert!(said.contains("it holds more than these"), "{said}");
    assert!(!said.contains("NaN"), "{said}");
    let json = [&args[..], &frames[..], &["--json"]].concat();
    let run = radicand_ends(folder, &json, 0);
    let report: Value = serde_json::from_str(&run.stdout).expect("JSON");
    assert_eq!(report["result"]["holds_more"], true);
    let summary = &report["noise"]["summary"];
    for field in ["gain_area", "effective_frames", "error"] {
        assert!(summary[field].is_null(), "{field}: {summary}");
    }
}

fn planes(path: &Path) -> Vec<Plane> {
    match raw::open(path, &Default::default())
        .expect("a picture")
        .content
    {
        raw::OpenedContent::Picture(picture) => picture.planes,
        raw::OpenedContent::Frame(_) => panic!("a stack is a picture"),
    }
}

#[test]
fn a_blurred_result_is_called_smoothed_and_gains_nothing_over_areas() {
    let temp = burst(6, &[("all", 1..=6)]);
    let folder = temp.path();
    let blurred: Vec<_> = planes(&folder.join("all/stack.tif"))
        .iter()
        .map(|plane| {
            let (rows, columns) = plane.dim();
            ndarray::Array2::from_shape_fn((rows, columns), |(row, col)| {
                let near = |at: usize, n: usize| [at.saturating_sub(1), at, (at + 1).min(n - 1)];
                let mut sum = 0.0;
                for r in near(row, rows) {
                    for c in near(col, columns) {
                        sum += plane[(r, c)];
                    }
                }
                sum / 9.0
            })
        })
        .collect();
    write_float(&folder.join("blurred.tif"), &blurred);
    let report = measured(folder, "blurred.tif");
    for channel in ["R", "G", "B"] {
        let channel = &report["result"]["channels"][channel];
        let area = channel["noise_ratio"]["value"].as_f64().expect("a ratio");
        let pixel = channel["pixel_ratio"].as_f64().expect("a ratio");
        assert!((area - 1.0).abs() < 0.03, "over areas {area}");
        assert!(pixel < 0.8, "pixel by pixel {pixel}");
    }
    let notes = report["result"]["notes"].to_string();
    assert!(notes.contains("smoothed or denoised"), "{notes}");
    assert!(notes.contains("detail was lost"), "{notes}");
}
