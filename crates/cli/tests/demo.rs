//! The first thing that anybody runs.

mod support;

use radicand_tests::folder_digests;
use support::{radicand_ends, report};

#[test]
fn the_demo_ends_with_one_line_that_says_what_the_frames_are_worth() {
    let temp = tempfile::tempdir().expect("a folder");
    let run = radicand_ends(temp.path(), &["demo", "-o", "night out"], 0);
    let headlines: Vec<&str> = run
        .stdout
        .lines()
        .filter(|line| line.contains("frames, worth"))
        .collect();
    let result = temp.path().join("night out/result");
    let summary = report(&result)["noise"]["summary"].clone();
    let number = |name: &str| summary[name].as_f64().expect("a number");
    let worth = format!("20 frames, worth {:.1} ± ", number("effective_frames"));
    assert_eq!(headlines.len(), 1, "{}", run.stdout);
    assert!(headlines[0].starts_with(&worth), "{}", headlines[0]);
    assert!(headlines[0].contains("√20 = 4.47"), "{}", headlines[0]);
    // Twenty invented frames are never worth more than twenty, within the error.
    let error = 2.0 * number("gain_area") * number("error");
    assert!(number("effective_frames") < 20.0 + 3.0 * error);
    assert!(number("effective_frames") > 15.0);
    for name in ["stack.tif", "stack.fits", "preview.png"] {
        assert!(result.join(name).is_file(), "{name}");
    }
    assert!(run.stdout.contains("preview.png"), "{}", run.stdout);

    let before = folder_digests(temp.path());
    let run = radicand_ends(temp.path(), &["demo", "-o", "night out"], 1);
    assert!(run.stderr.contains("--overwrite"), "{}", run.stderr);
    assert_eq!(before, folder_digests(temp.path()));
}
