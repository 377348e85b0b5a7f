//! What kind a frame is, by each piece of evidence in turn.

use super::*;
use crate::{Cfa, Decoder, FrameStats};
use std::path::PathBuf;

/// A frame of 2 Mpx without light, stars or any statement of its kind.
fn frame(exposure_s: f64) -> SurveyedFrame {
    SurveyedFrame {
        info: FrameInfo {
            path: PathBuf::from("/night/N0001.raw"),
            decoder: Decoder::Rawloader,
            camera: Some("Nordlys NX-1".to_owned()),
            lens: None,
            exposure_s: Some(exposure_s),
            iso: Some(1600),
            aperture: None,
            focal_length_mm: None,
            pixel_pitch_um: None,
            captured: None,
            temperature_c: None,
            white_balance: None,
            color_matrix: None,
            orientation: 1,
            pointing: None,
            declared_kind: None,
        },
        size: (2000, 1000),
        cfa: Cfa::mono(),
        black_level_dn: 512.0,
        range_dn: 15000.0,
        stats: FrameStats {
            channels: Vec::new(),
            level_dn: 0.0,
            level_fraction: 0.0,
            noise_dn: 6.0,
            saturated: 0.0,
            at_black: 0.5,
            stars_per_mpx: 0.0,
            chance_stars_per_mpx: 0.0,
            hot_pixels_per_mpx: 20.0,
            unevenness_dn: 0.0,
            site_difference_dn: 0.0,
        },
    }
}

fn lit(exposure_s: f64, level_dn: f64, stars_per_mpx: f64) -> SurveyedFrame {
    let mut frame = frame(exposure_s);
    frame.stats.level_dn = level_dn;
    frame.stats.level_fraction = level_dn / frame.range_dn;
    frame.stats.stars_per_mpx = stars_per_mpx;
    frame
}

fn verdicts(frames: &[SurveyedFrame]) -> Vec<Verdict> {
    classify(&frames.iter().collect::<Vec<_>>())
}

fn kinds(frames: &[SurveyedFrame]) -> Vec<FrameKind> {
    verdicts(frames).into_iter().map(|v| v.kind).collect()
}

use FrameKind::{Bias, Dark, Flat, Light};

#[test]
fn no_frames_get_no_verdicts() {
    assert_eq!(classify(&[]), []);
}

#[test]
fn without_light_the_exposure_decides() {
    let frames = [
        frame(1.0 / 4000.0),
        frame(1.0 / 500.0),
        frame(1.0 / 60.0),
        frame(120.0),
    ];
    assert_eq!(kinds(&frames), [Bias, Bias, Dark, Dark]);
    assert!(verdicts(&frames).iter().all(|v| v.certain));
}

#[test]
fn a_declared_kind_stands_above_all_evidence() {
    let mut declared = lit(30.0, 100.0, 500.0);
    declared.info.declared_kind = Some(Dark);
    assert_eq!(kinds(&[declared]), [Dark]);
}

#[test]
fn a_dark_among_lights_is_far_below_their_sky_and_a_cloud_is_not() {
    let frames = [
        lit(20.0, 40.0, 300.0),
        lit(20.0, 42.0, 280.0),
        lit(20.0, 0.5, 0.0),
        lit(20.0, 25.0, 0.5),
    ];
    assert_eq!(kinds(&frames), [Light, Light, Dark, Light]);
}

/// With the unevenness of vignetted light over that of noise.
fn uneven(mut frame: SurveyedFrame, unevenness_dn: f64) -> SurveyedFrame {
    frame.stats.unevenness_dn = unevenness_dn;
    frame
}

/// The verdict on the last of these frames.
fn last(frames: Vec<SurveyedFrame>) -> (FrameKind, bool) {
    let verdict = verdicts(&frames).pop().expect("one for each frame");
    (verdict.kind, verdict.certain)
}

#[test]
fn even_and_steady_frames_below_the_lights_are_warm_darks() {
    let light = || uneven(lit(120.0, 62.0, 300.0), 10.0);
    let starless = |level_dn, unevenness_dn| uneven(lit(120.0, level_dn, 0.0), unevenness_dn);
    let dark = || starless(30.0, 0.8);
    assert_eq!(last(vec![light(), dark(), dark()]), (Dark, true));
    assert_eq!(last(vec![light(), dark()]), (Dark, false));
    // Another level is no company.
    let warmer = starless(40.0, 0.8);
    assert_eq!(last(vec![light(), warmer, dark()]), (Dark, false));
    // What is as uneven as light is a cloud, whatever its level.
    let cloud = || starless(30.0, 4.0);
    assert_eq!(last(vec![light(), cloud(), cloud()]), (Light, false));
    // No dark is brighter than any light.
    let bright = || starless(63.0, 0.8);
    assert_eq!(last(vec![light(), bright(), bright()]), (Light, true));
}

#[test]
fn where_the_lights_are_even_too_only_steadiness_speaks_for_darks() {
    let light = || lit(120.0, 62.0, 300.0);
    let starless = |level_dn| lit(120.0, level_dn, 0.0);
    let dark = || starless(30.0);
    assert_eq!(last(vec![light(), dark(), dark()]), (Light, false));
    assert_eq!(last(vec![light(), dark(), dark(), dark()]), (Dark, false));
    let clouds = [29.5, 30.5, 34.0, 40.0, 47.0].map(starless);
    let mut frames = vec![light()];
    frames.extend(clouds);
    frames.push(dark());
    assert_eq!(last(frames), (Light, false));
}

#[test]
fn a_name_is_heard_between_dark_and_sky() {
    let mut dark = lit(120.0, 30.0, 0.0);
    dark.info.path = PathBuf::from("/night/darks/N0001.raw");
    assert_eq!(last(vec![lit(120.0, 62.0, 300.0), dark]), (Dark, false));
}

#[test]
fn a_few_stars_by_chance_in_a_warm_dark_are_no_sky() {
    let mut warm = lit(120.0, 3.0, 40.0);
    warm.stats.chance_stars_per_mpx = 15.0;
    // Cosmic rays: five in the frame.
    let struck = lit(120.0, 0.0, 2.5);
    assert_eq!(kinds(&[warm, struck]), [Dark, Dark]);
}

#[test]
fn even_light_in_a_short_exposure_is_a_flat_and_a_long_one_is_doubtful() {
    let short = lit(1.0 / 100.0, 6000.0, 0.0);
    let long = lit(15.0, 6000.0, 0.0);
    assert_eq!(kinds(&[short.clone(), long.clone()]), [Flat, Light]);
    assert!(!verdicts(std::slice::from_ref(&long))[0].certain);
    // Beside lights of a minute, the same frame is a flat.
    assert_eq!(kinds(&[long, lit(60.0, 50.0, 200.0)]), [Flat, Light]);
}

#[test]
fn black_levels_that_no_file_states_come_from_the_company() {
    let unstated = |mut frame: SurveyedFrame| {
        frame.black_level_dn = 0.0;
        frame.stats.level_dn += 2000.0;
        frame.stats.level_fraction = frame.stats.level_dn / frame.range_dn;
        frame
    };
    let frames: Vec<_> = [
        lit(30.0, 60.0, 300.0),
        lit(30.0, 0.0, 0.0),
        lit(30.0, 0.5, 0.0),
        lit(30.0, 50.0, 0.0),
        lit(0.001, 0.0, 0.0),
        lit(0.01, 5000.0, 0.0),
    ]
    .into_iter()
    .map(unstated)
    .collect();
    assert_eq!(kinds(&frames), [Light, Dark, Dark, Light, Bias, Flat]);
}

#[test]
fn names_are_heard_only_in_doubt() {
    let named = |mut frame: SurveyedFrame, path: &str| {
        frame.info.path = PathBuf::from(path);
        frame
    };
    let sure = named(frame(120.0), "/night/lights/N1.raw");
    assert_eq!(kinds(&[sure]), [Dark]);
    let mut unknown = frame(1.0);
    unknown.info.exposure_s = None;
    for (path, kind) in [
        ("/night/N1.raw", Dark),
        ("/night/bias/N1.raw", Bias),
        ("/night/Bias_03.raw", Bias),
        ("/night/dark flats/N1.raw", Dark),
        ("/biased/x/N1.raw", Dark),
    ] {
        assert_eq!(kinds(&[named(unknown.clone(), path)]), [kind], "{path}");
    }
}

#[test]
fn cameras_are_compared_only_with_themselves() {
    let mut other = lit(20.0, 1.0, 0.0);
    other.info.camera = None;
    let frames = [lit(20.0, 40.0, 300.0), other];
    assert_eq!(kinds(&frames), [Light, Dark]);
    assert!(verdicts(&frames)[1].because.starts_with("no light"));
}
