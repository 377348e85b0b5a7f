//! Camera raws as they came from the cameras, in a folder with other things.

mod support;

use radicand_tests::{fixture, folder_digests};
use serde_json::Value;
use support::{frame, radicand_ends, report};

#[test]
fn a_survey_reads_every_camera_by_whichever_decoder_can() {
    let before = folder_digests(&fixture("raw"));
    let run = radicand_ends(&fixture("raw"), &["survey", ".", "--json"], 0);
    assert_eq!(before, folder_digests(&fixture("raw")));
    let survey: Value = serde_json::from_str(&run.stdout).expect("JSON and nothing else");
    let found: Vec<(&str, &str, u64, u64)> = survey["files"]
        .as_array()
        .expect("files")
        .iter()
        .map(|entry| {
            let text = |name: &str| entry[name].as_str().expect("text");
            let number = |name: &str| entry[name].as_u64().expect("a number");
            let file = text("file").trim_start_matches("./");
            (file, text("decoder"), number("width"), number("height"))
        })
        .collect();
    // Sizes as LibRaw reads them: fixtures/raw_checks. What the first decoder refuses the
    // second reads, in a process of its own: this very program.
    let want = [
        ("canon_powershot_s40_crw_0113.crw", "rawloader", 2312, 1720),
        ("kodak_dc120_p003908.kdc", "rawloader", 848, 976),
        ("kodak_dc120_p003913_compressed.kdc", "rawler", 848, 976),
        ("kodak_dc50_dc0010s.kdc", "rawler", 768, 512),
        ("panoptes_081226_rewrapped.dng", "dng", 700, 700),
        ("panoptes_081434_rewrapped.dng", "dng", 700, 700),
    ];
    assert_eq!(found, want);
    assert_eq!(survey["ignored"][0]["file"], "./README.md");
}

#[test]
fn raws_of_other_cameras_are_left_out_of_a_stack_with_the_reason() {
    let temp = tempfile::tempdir().expect("a folder");
    let output = temp.path().join("result");
    let output = output.to_str().expect("a plain path");
    let run = radicand_ends(&fixture("raw"), &["stack", ".", "-o", output], 3);
    let report = report(&temp.path().join("result"));
    assert_eq!(report["noise"]["summary"]["frames_used"], 2);
    let other = frame(&report, "canon_powershot_s40_crw_0113.crw");
    let reason = other["reason"].as_str().expect("a reason");
    assert!(
        reason.contains("px, but the lights have 700×700 px"),
        "{reason}"
    );
    assert!(run.stderr.contains(reason), "{}", run.stderr);
}
