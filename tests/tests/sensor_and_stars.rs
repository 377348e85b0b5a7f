//! Gain, read noise and star shape of an invented night by the whole job, against what was
//! put in; and of real frames.

#![allow(clippy::print_stdout, reason = "a failing test shows its figures")]

use noise::{Measured, SensorNote, StarFinding, TransferSource};
use radicand::{Inputs, StackJob, StackOutcome};
use std::path::{Path, PathBuf};
use synth::{Calibration, Scene, write_scene};

/// Standard errors allowed; some 25 figures are compared.
const SIGMAS: f64 = 4.0;

fn scene() -> Scene {
    let mut scene = Scene::named("tripod-burst").expect("a scene");
    (scene.width, scene.height, scene.frames) = (720, 540, 6);
    scene.calibration = Calibration {
        darks: 4,
        flats: 4,
        bias: 4,
        ..scene.calibration
    };
    scene
}

fn stack(inputs: Vec<PathBuf>) -> StackOutcome {
    let inputs = Inputs {
        lights: inputs,
        ..Inputs::default()
    };
    let outcome = StackJob::new(inputs).run(&());
    outcome.expect("a stack")
}

fn show(outcome: &StackOutcome) {
    for sensor in &outcome.sensor {
        println!("{sensor:?}");
    }
    println!("{:#?}", outcome.stars);
    for finding in outcome.stars.findings() {
        println!("{finding}");
    }
}

#[track_caller]
fn check(what: &str, found: Option<Measured>, put_in: f64) {
    let found = found.unwrap_or_else(|| panic!("{what} was not measured"));
    let off = (found.value - put_in) / found.error;
    assert!(off.abs() < SIGMAS, "{what}: {found:?} for {put_in}");
}

/// Lights on a tripod: a star at declination δ moves by 15.041 arcsec cos δ a second.
fn expected_trail_px(scene: &Scene) -> f64 {
    let scale = 206_264.8 * scene.sensor.pitch_um * 1e-3 / scene.lens.focal_length_mm;
    let sin_pole: f64 = scene.mount.axis[2];
    let cos_dec = (1.0 - sin_pole * sin_pole).sqrt();
    scene.exposure_s * synth::SIDEREAL_RATE_ARCSEC_PER_S * cos_dec / scale
}

#[test]
fn an_invented_night_gives_back_its_sensor_and_its_trails() {
    let temp = tempfile::tempdir().expect("a folder");
    let scene = scene();
    write_scene(&scene, temp.path(), |_| {}).expect("a night");
    let outcome = stack(vec![temp.path().to_owned()]);
    show(&outcome);
    let put_in = &scene.sensor;
    for sensor in &outcome.sensor {
        check("gain", sensor.gain_e_per_dn, put_in.gain_e_per_dn);
        assert_eq!(sensor.gain_source, Some(TransferSource::Flats));
        assert_eq!(sensor.read_source, Some(TransferSource::Bias));
        // Rows share noise of their own: in blocks of 32 px most of it is left.
        let read_e = put_in
            .read_noise_e
            .hypot(put_in.row_noise_e * (31.0f64 / 32.0).sqrt());
        check("read noise", sensor.read_noise_e(), read_e);
        check("PRNU", sensor.prnu, put_in.prnu);
        let light = sensor.light.expect("six lights");
        let parts = [
            light.shot_e,
            light.read_e,
            light.dark_e,
            light.quantization_e,
        ];
        let parts_e2: f64 = parts.iter().flatten().map(|part| part * part).sum();
        let total = light.total_e.expect("a gain");
        println!("parts {:.3} total {total:?}", parts_e2.sqrt());
        // Stars too faint for six lights drift on between two of them and are in the total.
        const FAINT_STARS: f64 = 0.03;
        let allowed = SIGMAS * total.error + FAINT_STARS * total.value;
        assert!((parts_e2.sqrt() - total.value).abs() < allowed, "{light:?}");
    }
    let want_px = expected_trail_px(&scene);
    let (drift_px, drift_deg) = outcome.stars.expected_trail.expect("lights are timed");
    // The mean over the field of a wide lens and its center differ by a few percent.
    assert!(
        (drift_px / want_px - 1.0).abs() < 0.05,
        "{drift_px} for {want_px}"
    );
    let trail = outcome.stars.trail.expect("many stars");
    assert!(
        (trail.size_px - drift_px).abs() < SIGMAS * trail.error_px,
        "{trail:?} for {drift_px}"
    );
    let apart = (trail.direction_deg - drift_deg).rem_euclid(180.0);
    assert!(
        apart.min(180.0 - apart) < SIGMAS * trail.direction_error_deg,
        "{trail:?} for {drift_deg}"
    );
    let findings = outcome.stars.findings();
    let explained = |finding: &StarFinding| {
        matches!(
            finding,
            StarFinding::Trailed {
                by_drift: Some(true),
                ..
            }
        )
    };
    assert!(findings.iter().any(explained), "{findings:?}");
    let misaligned = |finding: &StarFinding| matches!(finding, StarFinding::Misaligned(_));
    assert!(!findings.iter().any(misaligned), "{findings:?}");
    /// The demand.
    const WIDER: f64 = 1.03;
    let (wider, error) = wider_in_the_stack(&outcome);
    println!("stars {wider:.4} ± {error:.4} times as wide in the stack");
    // The figure is worth something only if it could tell.
    assert!(error < 0.5 * (WIDER - 1.0), "{error}");
    assert!(wider < WIDER, "{wider} ± {error}");
}

/// FWHM in the stack over that of a light, and its standard error: the mean of the zones'
/// logarithms by their errors.
fn wider_in_the_stack(outcome: &StackOutcome) -> (f64, f64) {
    let zones = outcome.stars.zones.iter();
    let (mut sum, mut weights) = (0.0, 0.0);
    for (single, stack) in zones.filter_map(|zone| Some((zone.single?, zone.stack?))) {
        let error =
            (single.fwhm_error_px / single.fwhm_px).hypot(stack.fwhm_error_px / stack.fwhm_px);
        sum += (stack.fwhm_px / single.fwhm_px).ln() / (error * error);
        weights += 1.0 / (error * error);
    }
    ((sum / weights).exp(), weights.sqrt().recip())
}

/// Two real frames of one field, 120 s each: what they tell, and what they do not.
#[test]
fn two_real_lights_tell_what_they_can_and_no_more() {
    let raw = Path::new(env!("CARGO_MANIFEST_DIR")).join("../fixtures/raw");
    let files = [
        "panoptes_081226_rewrapped.dng",
        "panoptes_081434_rewrapped.dng",
    ];
    let outcome = stack(files.map(|file| raw.join(file)).into());
    show(&outcome);
    let reference = include_str!("../../fixtures/transfer_checks/noise.csv");
    for (sensor, line) in outcome.sensor.iter().zip(reference.lines().skip(1)) {
        let values: Vec<f64> = line.split(',').skip(1).flat_map(str::parse).collect();
        let [want_dn, error_dn] = values[..] else {
            panic!("a line of channel, noise and error: {line}");
        };
        let light = sensor.light.expect("two lights");
        let allowed = SIGMAS * light.total_dn.error.hypot(error_dn);
        println!("{:?} for {want_dn} ± {error_dn}", light.total_dn);
        assert!(
            (light.total_dn.value - want_dn).abs() < allowed,
            "{light:?} for {line}"
        );
        assert_eq!(light.pairs, 1);
        // One even level and no frames without light: nothing is made up.
        assert_eq!((sensor.gain_e_per_dn, sensor.read_noise_dn), (None, None));
        assert_eq!((sensor.dark_e, sensor.prnu), (None, None));
        let source = TransferSource::Lights;
        assert!(sensor.notes.contains(&SensorNote::NarrowRange { source }));
    }
    assert!(outcome.stars.stars > 50);
}
