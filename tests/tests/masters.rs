//! Masters that were made elsewhere, and darks of another exposure.

use ndarray::Array2;
use radicand::{DarkScaling, Inputs, JobError, StackJob, StackOutcome};
use radicand_tests::in_memory;
use raw::FrameKind;
use stack::Combine;
use std::path::{Path, PathBuf};
use std::sync::OnceLock;
use synth::{Calibration, CountLaw, Scene, Stars, write_scene};
use tempfile::TempDir;

fn scene() -> Scene {
    let mut scene = Scene::named("tripod-burst").expect("a scene");
    (scene.width, scene.height, scene.frames) = (400, 300, 4);
    scene.sky.stars = Stars::Counted(CountLaw {
        brightest_mag: 3.0,
        faintest_mag: 9.5,
        density: 2.0,
    });
    scene.calibration = Calibration {
        darks: 6,
        bias: 6,
        ..Calibration::NONE
    };
    scene
}

/// Lights, darks and bias frames in `night`, darks of four times the exposure in `long`.
fn frames() -> &'static TempDir {
    static FRAMES: OnceLock<TempDir> = OnceLock::new();
    FRAMES.get_or_init(|| {
        let temp = tempfile::tempdir().expect("a folder");
        let scene = scene();
        write_scene(&scene, &temp.path().join("night"), |_| ()).expect("a scene on disk");
        let mut long = scene;
        long.exposure_s *= 4.0;
        write_scene(&long, &temp.path().join("long"), |_| ()).expect("a scene on disk");
        temp
    })
}

fn folder(name: &str) -> PathBuf {
    frames().path().join(name)
}

fn files(dir: &Path) -> Vec<PathBuf> {
    let entries = std::fs::read_dir(dir).expect("a folder");
    let mut files: Vec<PathBuf> = entries
        .map(|entry| entry.expect("an entry").path())
        .collect();
    files.sort();
    files
}

fn run(inputs: Inputs) -> Result<StackOutcome, JobError> {
    let inputs = Inputs {
        lights: vec![folder("night/lights")],
        ..inputs
    };
    let mut job = StackJob::new(inputs);
    // A clip goes by what the darks tell of the noise, and takes more of the long upper tail
    // of few electrons: a tenth of a DN of the mean.
    job.options.combine = Combine::Mean;
    job.run(&())
}

/// Mean of the frames of a folder, DN.
fn mean_of(dir: &Path) -> Array2<f32> {
    let files = files(dir);
    let mut sum: Option<Array2<f32>> = None;
    for file in &files {
        let frame = raw::decode(file, &Default::default()).expect("a frame");
        let values = frame.mosaic.data.mapv(f32::from);
        sum = Some(match sum {
            Some(sum) => sum + values,
            None => values,
        });
    }
    sum.expect("frames") / files.len() as f32
}

/// Writes a plane as 32-bit FITS (FITS Standard 4.0), a Bayer array stated.
fn write_fits(path: &Path, plane: &Array2<f32>) {
    let cards = [
        "SIMPLE  =                    T".to_owned(),
        "BITPIX  =                  -32".to_owned(),
        "NAXIS   =                    2".to_owned(),
        format!("NAXIS1  = {:>20}", plane.ncols()),
        format!("NAXIS2  = {:>20}", plane.nrows()),
        "BAYERPAT= 'RGGB    '".to_owned(),
        "END".to_owned(),
    ];
    let mut bytes: Vec<u8> = cards
        .iter()
        .flat_map(|card| format!("{card:<80}").into_bytes())
        .collect();
    bytes.resize(bytes.len().next_multiple_of(2880), b' ');
    bytes.extend(plane.iter().flat_map(|v| v.to_be_bytes()));
    bytes.resize(bytes.len().next_multiple_of(2880), 0);
    std::fs::write(path, bytes).expect("a file");
}

/// Mean difference of two stacks, DN.
fn differ(a: &StackOutcome, b: &StackOutcome) -> f64 {
    let pairs = in_memory(a).mean.iter().zip(&in_memory(b).mean);
    let sum: f64 = pairs.map(|(a, b)| f64::from(a - b)).sum();
    sum / in_memory(a).mean.len() as f64
}

#[test]
fn a_master_of_fractions_does_what_its_frames_do() {
    let temp = tempfile::tempdir().expect("a folder");
    let master = temp.path().join("dark.fits");
    write_fits(&master, &mean_of(&folder("night/darks")));
    let flat = temp.path().join("flat.fits");
    write_fits(
        &flat,
        &Array2::from_shape_fn((300, 400), |(row, _)| 0.7 - 0.001 * row as f32),
    );
    let by_frames = run(Inputs {
        darks: vec![folder("night/darks")],
        ..Inputs::default()
    });
    let by_frames = by_frames.expect("a stack");
    let by_master = run(Inputs {
        darks: vec![master.clone()],
        ..Inputs::default()
    });
    let by_master = by_master.expect("a stack");
    assert!(by_master.left_out.is_empty(), "{:?}", by_master.left_out);
    assert_eq!(by_master.masters.len(), 1);
    assert!(by_master.has(FrameKind::Dark) && !by_master.has(FrameKind::Flat));
    // Means of the same darks, one of them clipped and shrunk: hundredths of a DN.
    assert!(
        differ(&by_frames, &by_master).abs() < 0.05,
        "{}",
        differ(&by_frames, &by_master)
    );

    let with_flat = run(Inputs {
        darks: vec![master],
        flats: vec![flat],
        ..Inputs::default()
    });
    let with_flat = with_flat.expect("a stack");
    assert!(with_flat.has(FrameKind::Flat), "{:?}", with_flat.left_out);
    // The first rows answer to light 1.27 times as much as the mean row.
    let row = |outcome: &StackOutcome| {
        let row = in_memory(outcome)
            .mean
            .slice(ndarray::s![1, 5, ..])
            .to_vec();
        let mut row: Vec<f32> = row.into_iter().filter(|v| v.is_finite()).collect();
        row.sort_by(f32::total_cmp);
        row[row.len() / 2]
    };
    let ratio = row(&by_master) / row(&with_flat);
    let want = 0.695 / 0.5505;
    // Noise of a median of 400 pixels of 13 DN each over 80 DN: 1.5 % of it.
    assert!((ratio / want - 1.0).abs() < 0.06, "{ratio}, want {want}");
}

#[test]
fn a_master_that_does_not_fit_is_refused_by_name() {
    let temp = tempfile::tempdir().expect("a folder");
    let plane = mean_of(&folder("night/darks"));
    let black = plane.mean().expect("values");
    let tried = [
        ("removed.fits", &plane - black, "its median is"),
        (
            "small.fits",
            plane.slice(ndarray::s![..280, ..]).to_owned(),
            "400×280 px",
        ),
    ];
    for (name, plane, want) in tried {
        let path = temp.path().join(name);
        write_fits(&path, &plane);
        let outcome = run(Inputs {
            darks: vec![path.clone()],
            ..Inputs::default()
        });
        let outcome = outcome.expect("a stack without darks");
        let refused = outcome
            .left_out
            .iter()
            .find(|left_out| left_out.path == path);
        let reason = &refused.expect("it is left out").reason;
        assert!(reason.contains(want), "{name}: {reason}");
        assert!(!outcome.has(FrameKind::Dark));
    }
}

#[test]
fn darks_of_another_exposure_are_scaled_only_when_asked_and_possible() {
    let long = || Inputs {
        darks: vec![folder("long/darks")],
        ..Inputs::default()
    };
    let not_asked = run(long()).expect("a stack without darks");
    assert!(!not_asked.has(FrameKind::Dark));
    let reason = &not_asked.left_out[0].reason;
    assert!(
        reason.starts_with("exposed ") && reason.contains("but the lights"),
        "{reason}"
    );

    let without_bias = run(Inputs {
        dark_scaling: DarkScaling::ToLights,
        ..long()
    });
    match without_bias {
        Err(JobError::DarkScaling { factor }) => assert!((factor - 0.25).abs() < 1e-6),
        other => unreachable!("scaled without bias frames: {:?}", other.map(|_| ())),
    }
    let scaled = run(Inputs {
        dark_scaling: DarkScaling::ToLights,
        bias: vec![folder("night/bias")],
        ..long()
    });
    let scaled = scaled.expect("a stack");
    let scale = scaled.dark_scale.expect("it was asked for");
    assert_eq!((scale.factor, scale.measured), (0.25, None));
    let own = run(Inputs {
        darks: vec![folder("night/darks")],
        ..Inputs::default()
    });
    // Dark signal and offset come out the same: a few darks know them to 0.05 DN in the
    // mean of 120,000 sites, where unscaled ones would be three exposures' signal off.
    let off = differ(&own.expect("a stack"), &scaled);
    assert!(off.abs() < 0.1, "{off}");
}

#[test]
fn darks_of_another_temperature_are_scaled_by_what_warm_sites_show() {
    const WARMER_K: f64 = 8.0;
    let temp = tempfile::tempdir().expect("a folder");
    let mut warm = scene();
    // Warm sites alone tell a temperature: some, and lights long enough to show them.
    warm.sensor.hot_fraction = 0.004;
    warm.exposure_s = 20.0;
    write_scene(&warm, &temp.path().join("night"), |_| ()).expect("a scene on disk");
    let want = (-WARMER_K / warm.sensor.dark_doubling_k).exp2();
    warm.sensor.temperature_c += WARMER_K;
    write_scene(&warm, &temp.path().join("warm"), |_| ()).expect("a scene on disk");
    let run = |darks: &str, dark_scaling| {
        let mut job = StackJob::new(Inputs {
            lights: vec![temp.path().join("night/lights")],
            darks: vec![temp.path().join(darks)],
            bias: vec![temp.path().join("night/bias")],
            dark_scaling,
            ..Inputs::default()
        });
        job.options.combine = Combine::Mean;
        job.run(&()).expect("a stack")
    };
    let scaled = run("warm/darks", DarkScaling::ToLights);
    let scale = scaled.dark_scale.expect("they are warmer");
    let measured = scale.measured.expect("no file states a temperature");
    // Its own standard error, four times over.
    assert!(
        (measured.value - want).abs() < 4.0 * measured.error && measured.error < 0.03 * want,
        "{measured:?}, want {want}"
    );
    assert_eq!(scale.factor, measured.value);
    // Not asked for, they are used as they are; of the lights' own temperature, asked or not.
    let as_they_are = run("warm/darks", DarkScaling::Never);
    assert_eq!(as_they_are.dark_scale, None);
    let own = run("night/darks", DarkScaling::ToLights);
    assert_eq!(own.dark_scale, None);
    // As the darks of four times the exposure above: 0.05 DN in the mean, and 0.1 allowed.
    let (off, unscaled) = (differ(&own, &scaled), differ(&own, &as_they_are));
    assert!(off.abs() < 0.1, "{off}");
    assert!(unscaled.abs() > 2.0 * off.abs(), "{unscaled} {off}");
}
