//! Frames of one night, put into sets and paired.

use super::*;
use crate::DarkScaling;
use crate::night::choices::Choice;
use crate::night::pairing::pair;
use raw::{CaptureTime, Decoder, SkyPoint};
use sha2::{Digest, Sha256};

/// A frame at a time of one January night, `minutes` after nine.
fn frame(path: &str, kind: FrameKind, minutes: f64) -> FoundFrame {
    let seconds = (60.0 * minutes) as i64;
    let (hour, minute, second) = (21 + seconds / 3600, seconds / 60 % 60, seconds % 60);
    let text = format!("2026-01-19T{hour:02}:{minute:02}:{second:02}");
    FoundFrame {
        path: path.into(),
        copies: Vec::new(),
        digest: Sha256::digest(path).into(),
        info: FrameInfo {
            path: path.into(),
            decoder: Decoder::Dng,
            camera: Some("Lumholt N12".to_owned()),
            lens: None,
            exposure_s: Some(10.0),
            iso: Some(1600),
            aperture: Some(2.0),
            focal_length_mm: Some(24.0),
            pixel_pitch_um: None,
            captured: CaptureTime::parse(&text),
            temperature_c: None,
            white_balance: None,
            color_matrix: None,
            orientation: 1,
            pointing: None,
            declared_kind: None,
        },
        size: (600, 400),
        cfa: Some(Cfa::mono()),
        kind,
        may_have_stars: false,
    }
}

fn light(path: &str, minutes: f64) -> FoundFrame {
    frame(path, FrameKind::Light, minutes)
}

/// The paths of each set.
fn paths(sets: &[FrameSet]) -> Vec<Vec<&str>> {
    fn of(set: &FrameSet) -> Vec<&str> {
        let frames = set.frames.iter();
        frames
            .map(|frame| frame.path.to_str().expect("plain"))
            .collect()
    }
    sets.iter().map(of).collect()
}

const GAP_S: f64 = 1800.0;

#[test]
fn folders_pauses_and_settings_divide() {
    let mut other = light("a/5.dng", 2.5);
    other.info.exposure_s = Some(2.0);
    let frames = vec![
        light("b/1.dng", 0.0),
        light("a/2.dng", 1.0),
        light("a/1.dng", 0.0),
        // 30 minutes and 10 s after the one before, of which it exposed 10 s.
        light("a/3.dng", 31.0 + 10.0 / 60.0),
        light("a/4.dng", 62.0),
        other,
    ];
    assert_eq!(
        paths(&sets(frames, GAP_S)),
        [
            vec!["a/1.dng", "a/2.dng", "a/3.dng"],
            vec!["b/1.dng"],
            vec!["a/5.dng"],
            vec!["a/4.dng"]
        ]
    );
}

#[test]
fn copies_are_one_set() {
    let mut first = light("a/1.dng", 0.0);
    first.copies = vec!["copy/1.dng".into()];
    let frames = vec![first, light("a/2.dng", 1.0), light("copy/3.dng", 2.0)];
    let joined = sets(frames, GAP_S);
    assert_eq!(paths(&joined), [["a/1.dng", "a/2.dng", "copy/3.dng"]]);
    assert!(joined[0].copy_folders().is_empty());
}

#[test]
fn a_clock_that_runs_backwards_is_named() {
    let set = |frames| sets(frames, GAP_S).remove(0);
    let forward = set(vec![light("a/1.dng", 0.0), light("a/2.dng", 1.0)]);
    assert_eq!(clock_note(&forward, Path::new("")), None);
    let backward = set(vec![light("a/1.dng", 5.0), light("a/2.dng", 1.0)]);
    let note = clock_note(&backward, Path::new("")).expect("a note");
    assert!(note.contains("from a/1.dng to a/2.dng"), "{note}");
    let mut unknown = light("a/2.dng", 1.0);
    unknown.info.captured = None;
    assert_eq!(
        clock_note(&set(vec![light("a/1.dng", 5.0), unknown]), Path::new("")),
        None
    );
}

#[test]
fn the_nearest_that_fits_calibrates() {
    let dark = |path, minutes| frame(path, FrameKind::Dark, minutes);
    let mut long = dark("long/1.dng", 1.0);
    long.info.exposure_s = Some(60.0);
    let mut bias = frame("bias/1.dng", FrameKind::Bias, 1.0);
    bias.info.iso = Some(100);
    let frames = vec![
        light("lights/1.dng", 60.0),
        dark("early/1.dng", 0.0),
        dark("late/1.dng", 80.0),
        long,
        bias,
    ];
    let sets = sets(frames, GAP_S);
    let lights = sets.iter().find(|set| set.model().kind == FrameKind::Light);
    let paired = pair(
        lights.expect("lights"),
        &sets,
        DarkScaling::Never,
        Path::new(""),
        &Choice::default(),
    );
    let [darks, flats, bias] = paired.as_slice() else {
        panic!("three kinds");
    };
    let chosen = darks.set.expect("darks").model();
    assert_eq!(chosen.path, Path::new("late/1.dng"));
    assert_eq!(
        darks.because,
        "same camera, size, ISO and exposure, taken 20 min after, the nearest of 2 sets that fit"
    );
    assert!(flats.set.is_none() && bias.set.is_none());
    assert_eq!(flats.because, "there are no flats");
    assert_eq!(
        bias.because,
        "no bias frames fit (bias: ISO 100, but the lights ISO 1600)"
    );
}

#[test]
fn darks_of_the_lights_temperature_come_first() {
    let at = |mut frame: FoundFrame, temperature_c| {
        frame.info.temperature_c = Some(temperature_c);
        frame
    };
    let dark = |path, minutes| frame(path, FrameKind::Dark, minutes);
    let frames = vec![
        at(light("lights/1.dng", 60.0), -5.0),
        at(dark("near/1.dng", 61.0), 12.0),
        at(dark("far/1.dng", 0.0), -4.0),
    ];
    let sets = sets(frames, GAP_S);
    let lights = sets.iter().find(|set| set.model().kind == FrameKind::Light);
    let paired = pair(
        lights.expect("lights"),
        &sets,
        DarkScaling::Never,
        Path::new(""),
        &Choice::default(),
    );
    let chosen = paired[0].set.expect("darks").model();
    assert_eq!(chosen.path, Path::new("far/1.dng"));
}

#[test]
fn a_clock_that_jumps_backwards_over_a_pause_is_noted_on_both_sides() {
    let frames = vec![
        light("a/1.dng", 100.0),
        light("a/2.dng", 101.0),
        light("a/3.dng", 0.0),
        light("a/4.dng", 1.0),
        light("b/1.dng", 0.0),
        light("b/2.dng", 100.0),
    ];
    let sets = sets(frames, GAP_S);
    assert_eq!(sets.len(), 4);
    for set in &sets {
        let note = jump_note(set, &sets, Path::new(""));
        let is_noted = note.is_some_and(|note| note.contains("from a/2.dng to a/3.dng"));
        assert_eq!(is_noted, set.model().folder() == Path::new("a"));
        assert_eq!(clock_note(set, Path::new("")), None);
    }
}

#[test]
fn a_stated_step_beyond_half_the_field_divides() {
    let at = |path: &str, minutes: f64, ra_deg: f64| {
        let mut light = light(path, minutes);
        light.info.pointing = SkyPoint::new(ra_deg, 60.0);
        light
    };
    // 600 × 400 px of 5 µm behind 10 mm: 11.5° high, of which half is 5.7°. At declination
    // 60° a degree of right ascension is half of one.
    let lens = |mut light: FoundFrame| {
        (light.info.focal_length_mm, light.info.pixel_pitch_um) = (Some(10.0), Some(5.0));
        light
    };
    let steps = |lights: Vec<FoundFrame>| sets(lights, GAP_S).len();
    assert_eq!(
        steps(vec![lens(at("a/1", 0.0, 10.0)), lens(at("a/2", 1.0, 20.0))]),
        1
    );
    assert_eq!(
        steps(vec![lens(at("a/1", 0.0, 355.0)), lens(at("a/2", 1.0, 8.0))]),
        2
    );
    // Drift adds up and divides nothing; without a field 10° are allowed.
    let drift = (0..20).map(|i| lens(at(&format!("a/{i:02}"), f64::from(i), 8.0 * f64::from(i))));
    assert_eq!(steps(drift.collect()), 1);
    assert_eq!(steps(vec![at("a/1", 0.0, 0.0), at("a/2", 1.0, 19.0)]), 1);
    let divided = sets(vec![at("a/1", 0.0, 0.0), at("a/2", 1.0, 21.0)], GAP_S);
    let note = turn_note(&divided[1], &divided, Path::new("")).expect("a note");
    assert!(note.contains("10.5° away from where it took a/1"), "{note}");
}
