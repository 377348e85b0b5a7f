//! What the program says, where it says it, and with which status it ends.

mod support;

use radicand_tests::folder_digests;
use serde_json::Value;
use std::path::Path;
use std::process::Stdio;
use support::{check_schema, command, radicand, radicand_ends, report};
use tempfile::TempDir;

/// Three small lights in `lights/` of a new folder.
fn night() -> TempDir {
    let temp = tempfile::tempdir().expect("a folder");
    let args = [
        "simulate",
        "tripod-burst",
        "-o",
        ".",
        "--dimensions",
        "400x300",
    ];
    radicand_ends(temp.path(), &[&args[..], &["--frames", "3"]].concat(), 0);
    temp
}

/// A stack with a reference that is none of the three lights.
const REFERENCE_9: [&str; 6] = [
    "stack",
    "lights",
    "-o",
    "result",
    "--reference",
    "lights/shot_0009.dng",
];

/// What stands in a folder but the lights and their truth.
fn beside(folder: &Path) -> Vec<String> {
    let mut names: Vec<String> = folder_digests(folder)
        .into_keys()
        .filter(|path| !path.starts_with("lights") && !path.starts_with("truth"))
        .map(|path| path.to_string_lossy().into_owned())
        .filter(|name| !name.is_empty())
        .collect();
    names.sort();
    names
}

#[test]
fn bad_usage_ends_with_2_and_leaves_nothing() {
    let temp = tempfile::tempdir().expect("a folder");
    let wrong: [&[&str]; 11] = [
        &[],
        &["polish"],
        &["stack"],
        &["stack", "lights"],
        &["stack", "lights", "-o", "result", "--clip", "none"],
        &["stack", "lights", "-o", "result", "--combine", "best"],
        &[
            "stack",
            "lights",
            "-o",
            "result",
            "--combine",
            "median",
            "--clip",
            "2",
        ],
        &["stack", "lights", "-o", "result", "--gain", "2"],
        &["stack", "lights", "-o", "result", "--threads", "0"],
        &["stack", "lights", "-o", "result", "--memory", "much"],
        &[
            "simulate",
            "tripod-burst",
            "-o",
            "out",
            "--dimensions",
            "12",
        ],
    ];
    for args in wrong {
        let run = radicand_ends(temp.path(), args, 2);
        assert!(run.stdout.is_empty(), "{args:?}: {}", run.stdout);
        assert!(
            run.stderr.contains("Usage") || run.stderr.contains("--help"),
            "{args:?}"
        );
    }
    assert!(beside(temp.path()).is_empty());
}

#[test]
fn nothing_to_stack_ends_with_1_and_a_hint() {
    let temp = tempfile::tempdir().expect("a folder");
    let folder = temp.path();
    std::fs::create_dir(folder.join("empty")).expect("a folder");
    std::fs::create_dir(folder.join("texts")).expect("a folder");
    std::fs::write(folder.join("texts/notes.txt"), "cloudy").expect("a file");
    std::fs::create_dir(folder.join("broken")).expect("a folder");
    std::fs::write(folder.join("broken/shot.dng"), "II*\0").expect("a file");
    for inputs in ["empty", "texts", "broken", "not-there"] {
        let run = radicand_ends(folder, &["stack", inputs, "-o", "result"], 1);
        assert!(run.stdout.is_empty(), "{inputs}: {}", run.stdout);
        assert!(
            run.stderr.starts_with("error: "),
            "{inputs}: {}",
            run.stderr
        );
        assert!(run.stderr.contains("hint: "), "{inputs}: {}", run.stderr);
    }
    let run = radicand(folder, &["stack", "not-there", "-o", "result"]);
    assert!(run.stderr.contains("not-there"), "{}", run.stderr);
    // A broken file is named even when nothing is left to stack.
    let run = radicand(folder, &["stack", "broken", "-o", "result"]);
    assert!(run.stderr.contains("shot.dng"), "{}", run.stderr);
}

#[test]
fn one_light_is_no_stack() {
    let temp = night();
    let args = ["stack", "lights/shot_0001.dng", "-o", "result"];
    let run = radicand_ends(temp.path(), &args, 1);
    assert!(run.stderr.contains("1 of 1 lights"), "{}", run.stderr);
    assert!(run.stderr.contains("hint: "), "{}", run.stderr);
}

#[test]
fn the_reference_must_be_a_light() {
    let temp = night();
    let run = radicand_ends(temp.path(), &REFERENCE_9, 1);
    assert!(run.stderr.contains("shot_0009.dng"), "{}", run.stderr);
    let args = [
        "stack",
        "lights",
        "-o",
        "chosen",
        "--reference",
        "lights/shot_0003.dng",
    ];
    radicand_ends(temp.path(), &args, 0);
    let reference = report(&temp.path().join("chosen"))["run"]["reference"].clone();
    assert_eq!(reference, "lights/shot_0003.dng");
}

#[test]
fn an_existing_result_is_never_overwritten_unasked() {
    let temp = night();
    let args = ["stack", "lights", "-o", "result", "--format", "tiff"];
    radicand_ends(temp.path(), &args, 0);
    let before = folder_digests(&temp.path().join("result"));
    let run = radicand_ends(temp.path(), &args, 1);
    assert!(run.stderr.contains("stack.tif"), "{}", run.stderr);
    assert!(run.stderr.contains("--overwrite"), "{}", run.stderr);
    assert_eq!(before, folder_digests(&temp.path().join("result")));
    // One file of a result is reason enough.
    std::fs::remove_file(temp.path().join("result/stack.tif")).expect("a file");
    radicand_ends(temp.path(), &args, 1);
    let median = ["--overwrite", "--combine", "median"];
    radicand_ends(temp.path(), &[&args[..], &median].concat(), 0);
    let report = report(&temp.path().join("result"));
    assert_eq!(report["run"]["settings"]["combine"], "median");
}

#[test]
fn results_hold_the_formats_asked_for_and_nothing_else() {
    let temp = night();
    let args = ["stack", "lights", "-o", "result", "--format", "fits,png"];
    radicand_ends(temp.path(), &args, 0);
    let names = [
        "preview.png",
        "regions.png",
        "report.html",
        "report.json",
        "stack.fits",
    ];
    let names = names.map(|name| format!("result/{name}"));
    assert_eq!(
        beside(temp.path()),
        [&["result".to_owned()], &names[..]].concat()
    );
}

/// A text of the header of `stack.fits`: cards of 80 characters, up to `END`.
fn fits_text(result: &Path, keyword: &str) -> String {
    let bytes = std::fs::read(result.join("stack.fits")).expect("a file");
    let mut cards = bytes.chunks_exact(80).map(String::from_utf8_lossy);
    let head = format!("{keyword:8}= '");
    let card = cards
        .by_ref()
        .take_while(|card| !card.starts_with("END     "))
        .find(|card| card.starts_with(&head))
        .unwrap_or_else(|| panic!("no {keyword}"));
    let text = card[head.len()..].split('\'').next();
    text.unwrap_or_default().trim_end().to_owned()
}

#[test]
fn the_fits_file_says_when_its_first_light_was_begun() {
    let temp = night();
    let args = ["stack", "lights", "-o", "result", "--format", "fits"];
    radicand_ends(temp.path(), &args, 0);
    let result = temp.path().join("result");
    let report = report(&result);
    let frames = report["frames"].as_array().expect("frames");
    let starts = frames.iter().filter_map(|frame| frame["captured"].as_str());
    let first = starts.min().expect("a time");
    let first: jiff::Timestamp = first.parse().expect("a time with its offset from UTC");
    let start = fits_text(&result, "DATE-OBS");
    let start: jiff::Timestamp = format!("{start}Z").parse().expect("a time");
    assert_eq!(start, first);
    assert_eq!(fits_text(&result, "TIMESYS"), "UTC");
}

#[test]
fn an_output_that_cannot_be_written_is_named() {
    let temp = night();
    std::fs::write(temp.path().join("file"), "in the way").expect("a file");
    for output in ["file", "file/result"] {
        let run = radicand_ends(temp.path(), &["stack", "lights", "-o", output], 1);
        assert!(run.stderr.contains(output), "{}", run.stderr);
        assert!(run.stderr.contains("because: "), "{}", run.stderr);
    }
    assert_eq!(beside(temp.path()), ["file"]);
    assert_eq!(
        std::fs::read_to_string(temp.path().join("file")).expect("a file"),
        "in the way"
    );
}

#[cfg(unix)]
#[test]
fn a_folder_without_permission_is_named() {
    use std::os::unix::fs::PermissionsExt;
    let temp = night();
    let locked = temp.path().join("locked");
    std::fs::create_dir(&locked).expect("a folder");
    let set = |mode| {
        let permissions = std::fs::Permissions::from_mode(mode);
        std::fs::set_permissions(&locked, permissions).expect("own folder");
    };
    set(0o500);
    // The superuser writes where nobody else may; then there is nothing to see.
    if std::fs::write(locked.join("probe"), "").is_ok() {
        set(0o700);
        return;
    }
    let run = radicand_ends(temp.path(), &["stack", "lights", "-o", "locked"], 1);
    assert!(run.stderr.contains("locked"), "{}", run.stderr);
    set(0o700);
    assert_eq!(beside(temp.path()), ["locked"]);
}

#[test]
fn json_is_all_that_standard_output_holds() {
    let temp = night();
    let run = radicand_ends(
        temp.path(),
        &["stack", "lights", "-o", "result", "--json"],
        0,
    );
    let said: Value = serde_json::from_str(&run.stdout).expect("JSON and nothing else");
    check_schema(&said);
    assert_eq!(said, report(&temp.path().join("result")));
    assert!(run.stderr.is_empty(), "{}", run.stderr);

    let run = radicand_ends(temp.path(), &["survey", "lights", "--json"], 0);
    let survey: Value = serde_json::from_str(&run.stdout).expect("JSON and nothing else");
    assert_eq!(survey["files"].as_array().map(Vec::len), Some(3));
    assert_eq!(survey["groups"][0]["kind"], "light");
    assert_eq!(survey["groups"][0]["files"], serde_json::json!([0, 1, 2]));

    let args = [
        "simulate",
        "calibration",
        "-o",
        "more",
        "--dimensions",
        "60x40",
        "--json",
    ];
    let run = radicand_ends(temp.path(), &args, 0);
    let written: Value = serde_json::from_str(&run.stdout).expect("JSON and nothing else");
    assert_eq!(written["truth"], "more/truth/truth.json");
}

#[test]
fn quiet_says_nothing_when_all_is_well() {
    let temp = night();
    let run = radicand_ends(temp.path(), &["stack", "lights", "-o", "result", "-q"], 0);
    assert!(run.stdout.is_empty() && run.stderr.is_empty(), "{run:?}");
}

#[test]
fn a_reader_that_goes_away_costs_nothing() {
    let temp = night();
    for more in ["--json", "--verbose"] {
        let output = format!("result{more}");
        let mut child = command(temp.path(), &["stack", "lights", "-o", &output, more])
            .stdout(Stdio::piped())
            .stderr(Stdio::piped())
            .spawn()
            .expect("the program starts");
        drop(child.stdout.take());
        let ended = child.wait_with_output().expect("the program ends");
        let said = String::from_utf8_lossy(&ended.stderr);
        assert_eq!(ended.status.code(), Some(0), "{more}: {said}");
        report(&temp.path().join(&output));
    }
}

#[test]
fn help_and_version_are_there() {
    let here = Path::new(env!("CARGO_MANIFEST_DIR"));
    for command in ["demo", "survey", "stack", "simulate"] {
        let run = radicand_ends(here, &[command, "--help"], 0);
        assert!(run.stdout.contains("Example"), "{command}");
    }
    let run = radicand_ends(here, &["--version"], 0);
    assert!(
        run.stdout.contains(env!("CARGO_PKG_VERSION")),
        "{}",
        run.stdout
    );
}

#[test]
fn nothing_is_written_beside_the_originals() {
    let temp = night();
    let before = folder_digests(temp.path());
    for output in ["lights", "./lights/"] {
        let args = ["stack", "lights", "-o", output];
        let run = radicand_ends(temp.path(), &args, 1);
        assert!(run.stderr.contains("beside originals"), "{}", run.stderr);
        assert!(run.stderr.contains("hint: choose another folder"));
    }
    assert_eq!(folder_digests(temp.path()), before);
}

#[test]
fn an_earlier_result_below_the_lights_is_no_input() {
    let temp = night();
    let args = ["stack", "lights", "-o", "lights/result"];
    radicand_ends(temp.path(), &args, 0);
    let again = [&args[..], &["--overwrite"]].concat();
    radicand_ends(temp.path(), &again, 0);
    let report = report(&temp.path().join("lights/result"));
    assert_eq!(report["frames"].as_array().map(Vec::len), Some(3));
}

#[test]
fn a_format_asked_for_twice_is_written_once() {
    let temp = night();
    let args = ["stack", "lights", "-o", "result", "--format", "tiff,tiff"];
    radicand_ends(temp.path(), &args, 0);
    assert_eq!(
        beside(temp.path()),
        [
            "result",
            "result/report.html",
            "result/report.json",
            "result/stack.tif"
        ]
    );
}

#[test]
fn a_reference_that_was_left_out_says_why() {
    let temp = night();
    let broken = temp.path().join("lights/shot_0009.dng");
    std::fs::write(&broken, "").expect("a file");
    let run = radicand_ends(temp.path(), &REFERENCE_9, 1);
    assert!(
        run.stderr
            .contains("cannot be the reference: the file is empty"),
        "{}",
        run.stderr
    );
    assert!(!temp.path().join("result").exists());
}

#[test]
fn scenes_that_no_machine_holds_are_refused() {
    let temp = tempfile::tempdir().expect("a folder");
    let args = [
        "simulate",
        "tripod-burst",
        "-o",
        "out",
        "--dimensions",
        "100000x100000",
    ];
    let run = radicand_ends(temp.path(), &args, 1);
    assert!(
        run.stderr.contains("100 million in all allowed"),
        "{}",
        run.stderr
    );
    assert!(beside(temp.path()).is_empty());
}

#[test]
fn a_few_frames_of_a_richer_field_do_not_carry_the_night_away() {
    let temp = night();
    let foreign = [
        "simulate",
        "demo",
        "-o",
        "foreign",
        "--dimensions",
        "400x300",
        "--frames",
        "2",
        "--seed",
        "5",
    ];
    radicand_ends(temp.path(), &foreign, 0);
    let simulate = [
        "simulate",
        "tripod-burst",
        "-o",
        "more",
        "--dimensions",
        "400x300",
        "--frames",
        "6",
    ];
    radicand_ends(temp.path(), &simulate, 0);
    let args = ["stack", "more/lights", "foreign/lights", "-o", "result"];
    let run = radicand_ends(temp.path(), &args, 3);
    let report = report(&temp.path().join("result"));
    assert_eq!(
        report["noise"]["summary"]["frames_used"], 6,
        "{}",
        run.stderr
    );
}

#[test]
fn a_copy_of_a_light_counts_once() {
    let temp = night();
    let lights = temp.path().join("lights");
    std::fs::copy(lights.join("shot_0002.dng"), lights.join("copy.dng")).expect("a copy");
    let run = radicand_ends(temp.path(), &["stack", "lights", "-o", "result"], 3);
    assert!(
        run.stderr
            .contains("holds the same exposure as lights/copy.dng"),
        "{}",
        run.stderr
    );
    let report = report(&temp.path().join("result"));
    assert_eq!(report["noise"]["summary"]["frames_used"], 3);
}

#[test]
fn a_mask_of_the_ground_is_taken_or_refused_with_reason() {
    let temp = night();
    let folder = temp.path();
    let mask = |name: &str, width: u32, height: u32| {
        let white_below = |_, y| image::Luma([if y >= 250 { 255_u8 } else { 0 }]);
        let picture = image::ImageBuffer::from_fn(width, height, white_below);
        picture.save(folder.join(name)).expect("a mask");
    };
    mask("mask.png", 400, 300);
    mask("small.png", 40, 300);
    std::fs::write(folder.join("text.png"), "no picture").expect("a file");
    const STACK: [&str; 5] = ["stack", "lights", "-o", "result", "--ground"];
    for (name, why) in [
        ("small.png", "40×300 px, but the lights have 400×300 px"),
        ("text.png", "text.png"),
        ("missing.png", "missing.png"),
    ] {
        let run = radicand_ends(folder, &[&STACK[..], &[name]].concat(), 1);
        assert!(run.stderr.contains(why), "{name}: {}", run.stderr);
        assert!(run.stderr.contains("hint: "), "{name}: {}", run.stderr);
    }
    radicand_ends(folder, &[&STACK[..], &["mask.png"]].concat(), 0);
    let given = report(&folder.join("result"));
    check_schema(&given);
    assert_eq!(given["ground"]["found"], "mask");
    assert_eq!(given["run"]["settings"]["ground"], "mask");
    let fraction = given["ground"]["fraction"].as_f64().expect("a share");
    assert!((fraction - 50.0 / 300.0).abs() < 1e-9, "{fraction}");
    let none = [&STACK[..], &["none", "--overwrite"]].concat();
    radicand_ends(folder, &none, 0);
    assert!(report(&folder.join("result"))["ground"].is_null());
}
