//! A folder as photographers leave it: everything in one place, nothing named.

mod support;

use radicand_raw::{
    FrameKind, Reading, Survey, SurveyOptions, SurveyedFile, collect_files, survey, survey_with,
};
use std::collections::HashMap;
use std::path::{Path, PathBuf};
use std::sync::Mutex;
use support::fits::{card, unsigned_16};
use support::scene::Scene;

const RGGB: [u32; 4] = [0, 1, 1, 2];

/// Writes a scene as a DNG with its exposure, in parts of a second, and sensitivity.
fn write_dng(path: &Path, scene: Scene, exposure: [u32; 2], black_is_stated: bool) {
    let (width, height) = (scene.width as u32, scene.height as u32);
    let mut dng = support::dng::Dng::cfa(width, height, scene.samples(), RGGB);
    if black_is_stated {
        dng.short(50714, &[scene.black_dn as u32]);
    }
    dng.long(50717, &[16383]);
    dng.rational(33434, &exposure);
    dng.short(34855, &[1600]);
    std::fs::write(path, dng.bytes()).expect("a writable folder");
}

struct Folder {
    dir: tempfile::TempDir,
    expected: HashMap<PathBuf, FrameKind>,
    black_is_stated: bool,
}

impl Folder {
    fn new() -> Self {
        Self {
            dir: tempfile::tempdir().expect("a temporary folder"),
            expected: HashMap::new(),
            black_is_stated: true,
        }
    }

    /// Adds a frame whose name says nothing.
    fn add(&mut self, kind: FrameKind, scene: Scene, exposure: [u32; 2]) {
        let n = self.expected.len();
        let path = self.dir.path().join(format!("N{:04}.dng", (n * 37) % 1000));
        write_dng(&path, scene, exposure, self.black_is_stated);
        self.expected.insert(path, kind);
    }

    fn survey(&self) -> Survey {
        let list = collect_files(&[self.dir.path().to_owned()]);
        survey(&list.files, &SurveyOptions::default())
    }

    #[track_caller]
    fn check(&self) -> Survey {
        let survey = self.survey();
        assert_eq!(survey.files.len(), self.expected.len());
        for SurveyedFile { path, outcome } in &survey.files {
            let (frame, verdict) = outcome.as_ref().expect("a readable file");
            let expected = self.expected[path];
            let stats = &frame.stats;
            assert_eq!(verdict.kind, expected, "{verdict:?} {stats:?}");
        }
        survey
    }
}

/// A night: lights, darks of the same exposure, bias frames and flats.
fn night(folder: &mut Folder, sky_dn: f64, n_stars: usize, exposure_s: u32) {
    for seed in 0..8 {
        let light = Scene {
            light_dn: sky_dn,
            n_stars,
            ..Scene::dark(seed)
        };
        folder.add(FrameKind::Light, light, [exposure_s, 1]);
        folder.add(FrameKind::Dark, Scene::dark(100 + seed), [exposure_s, 1]);
        let bias = Scene {
            n_hot_pixels: 2,
            ..Scene::dark(200 + seed)
        };
        folder.add(FrameKind::Bias, bias, [1, 4000]);
        let flat = Scene {
            light_dn: 6000.0,
            ..Scene::dark(300 + seed)
        };
        folder.add(FrameKind::Flat, flat, [1, 60]);
    }
}

#[test]
fn a_night_in_one_folder_is_told_apart() {
    let mut folder = Folder::new();
    night(&mut folder, 120.0, 150, 20);
    let survey = folder.check();
    let kinds: Vec<_> = survey
        .groups
        .iter()
        .map(|g| (g.kind, g.files.len()))
        .collect();
    assert_eq!(
        kinds,
        [
            (FrameKind::Light, 8),
            (FrameKind::Dark, 8),
            (FrameKind::Flat, 8),
            (FrameKind::Bias, 8)
        ]
    );
    let light = &survey.groups[0];
    assert_eq!(light.exposure_s, Some(20.0));
    assert_eq!(light.iso, Some(1600));
    assert_eq!(light.camera.as_deref(), Some("Nordlys NX-1"));
    assert_eq!(light.size, (640, 480));
}

#[test]
fn a_sky_a_few_dn_above_black_is_still_a_light() {
    let mut folder = Folder::new();
    night(&mut folder, 4.0, 25, 60);
    folder.check();
}

#[test]
fn a_night_without_stated_black_levels_is_told_apart() {
    let mut folder = Folder::new();
    folder.black_is_stated = false;
    night(&mut folder, 60.0, 80, 30);
    folder.check();
}

#[test]
fn lights_under_a_bright_sky_are_no_flats() {
    let mut folder = Folder::new();
    for seed in 0..6 {
        let light = Scene {
            light_dn: 7000.0,
            n_stars: 120,
            ..Scene::dark(seed)
        };
        folder.add(FrameKind::Light, light, [15, 1]);
    }
    folder.check();
}

#[test]
fn a_cloud_over_some_lights_makes_no_darks_of_them() {
    let mut folder = Folder::new();
    for seed in 0..10 {
        let cloudy = seed >= 7;
        let light = Scene {
            light_dn: if cloudy { 150.0 } else { 110.0 },
            n_stars: if cloudy { 1 } else { 120 },
            ..Scene::dark(seed)
        };
        folder.add(FrameKind::Light, light, [30, 1]);
        folder.add(FrameKind::Dark, Scene::dark(50 + seed), [30, 1]);
    }
    folder.check();
}

/// Lights of a warm sensor: its dark current and the sky.
fn warm_light(seed: u64, dark_dn: f64, sky_dn: f64) -> Scene {
    Scene {
        dark_dn,
        light_dn: sky_dn,
        n_stars: 120,
        ..Scene::dark(seed)
    }
}

fn warm_dark(seed: u64, dark_dn: f64) -> Scene {
    Scene {
        dark_dn,
        ..Scene::dark(seed)
    }
}

#[test]
fn darks_with_half_the_level_of_the_lights_are_darks() {
    let mut folder = Folder::new();
    for seed in 0..5 {
        folder.add(FrameKind::Light, warm_light(seed, 30.0, 40.0), [120, 1]);
        folder.add(FrameKind::Dark, warm_dark(50 + seed, 30.0), [120, 1]);
    }
    // The sensor has cooled a little ...
    folder.add(FrameKind::Dark, warm_dark(60, 29.0), [120, 1]);
    // ... and a cloud took a part of the sky, of whatever brightness.
    for (seed, sky_dn) in [(70, 14.0), (71, 15.0), (72, 15.3), (73, 30.0)] {
        let cloudy = Scene {
            n_stars: 0,
            ..warm_light(seed, 30.0, sky_dn)
        };
        folder.add(FrameKind::Light, cloudy, [120, 1]);
    }
    let survey = folder.check();
    for file in &survey.files {
        let (_, verdict) = file.outcome.as_ref().expect("a readable file");
        let dark = verdict.kind == FrameKind::Dark;
        assert!(verdict.certain || !dark, "{verdict:?}");
    }
}

#[test]
fn darks_under_a_sky_of_hardly_any_light_are_darks() {
    for black_is_stated in [true, false] {
        let mut folder = Folder::new();
        folder.black_is_stated = black_is_stated;
        for seed in 0..5 {
            folder.add(FrameKind::Light, warm_light(seed, 0.5, 2.6), [60, 1]);
            folder.add(FrameKind::Dark, warm_dark(50 + seed, 0.5), [60, 1]);
        }
        folder.check();
    }
}

#[test]
fn hot_pixels_that_stand_together_by_chance_are_no_stars() {
    let mut folder = Folder::new();
    for seed in 0..3 {
        // 2 % of the pixels.
        let n_hot_pixels = 640 * 480 / 50;
        let light = warm_light(seed, 30.0, 40.0);
        let dark = warm_dark(50 + seed, 30.0);
        let hot = |scene| Scene {
            n_hot_pixels,
            ..scene
        };
        folder.add(FrameKind::Light, hot(light), [120, 1]);
        folder.add(FrameKind::Dark, hot(dark), [120, 1]);
    }
    let large = Scene {
        width: 2592,
        height: 1944,
        n_hot_pixels: 2592 * 1944 / 50,
        ..Scene::dark(80)
    };
    folder.add(FrameKind::Dark, large, [120, 1]);
    folder.check();
}

#[test]
fn warm_darks_full_of_hot_pixels_stay_darks() {
    let mut folder = Folder::new();
    for seed in 0..4 {
        let dark = Scene {
            n_hot_pixels: 6000,
            ..Scene::dark(seed)
        };
        folder.add(FrameKind::Dark, dark, [120, 1]);
    }
    folder.check();
}

#[test]
fn what_a_fits_declares_is_believed() {
    let dir = tempfile::tempdir().expect("a temporary folder");
    let scene = Scene::dark(3);
    for (name, stated) in [
        ("a.fits", "'Light Frame'"),
        ("b.fits", "'dark'"),
        ("c.fits", "'FLAT'"),
        ("d.fits", "'Bias Frame'"),
    ] {
        let bytes = unsigned_16(scene.width, &scene.samples(), &[card("IMAGETYP", stated)]);
        std::fs::write(dir.path().join(name), bytes).expect("a writable folder");
    }
    let list = collect_files(&[dir.path().to_owned()]);
    let survey = survey(&list.files, &SurveyOptions::default());
    let kinds = survey.files.iter().map(|file| {
        let (_, verdict) = file.outcome.as_ref().expect("a readable file");
        verdict.kind
    });
    let kinds: Vec<_> = kinds.collect();
    assert_eq!(
        kinds,
        [
            FrameKind::Light,
            FrameKind::Dark,
            FrameKind::Flat,
            FrameKind::Bias
        ]
    );
}

#[test]
fn real_star_frames_are_lights() {
    let folder = support::fixtures("raw");
    let files = [
        "panoptes_081226_rewrapped.dng",
        "panoptes_081434_rewrapped.dng",
    ];
    let files = files.map(|name| folder.join(name));
    let survey = survey(&files, &SurveyOptions::default());
    for file in &survey.files {
        let (frame, verdict) = file.outcome.as_ref().expect("a readable file");
        assert_eq!(
            verdict.kind,
            FrameKind::Light,
            "{verdict:?} {:?}",
            frame.stats
        );
    }
}

#[test]
fn every_bad_file_is_named_and_costs_nothing_else() {
    let mut folder = Folder::new();
    let light = Scene {
        light_dn: 50.0,
        n_stars: 100,
        ..Scene::dark(1)
    };
    folder.add(FrameKind::Light, light, [20, 1]);
    let good = std::fs::read(folder.dir.path().join("N0000.dng")).expect("just written");
    let write = |name: &str, bytes: &[u8]| {
        std::fs::write(folder.dir.path().join(name), bytes).expect("a writable folder");
    };
    write("a_cut.dng", &good[..good.len() / 2]);
    write("b_jpeg.dng", b"\xff\xd8\xff\xe0\0\x10JFIF\0");
    write("c_empty.dng", b"");
    write("d_text.fits", b"not what it says\n");
    write("notes.txt", b"cold night\n");
    write("view.jpg", b"\xff\xd8\xff\xe0\0\x10JFIF\0");
    write("settings.xmp", b"<x/>");
    let list = collect_files(&[folder.dir.path().to_owned()]);
    let ignored: Vec<_> = list
        .ignored
        .iter()
        .map(|i| {
            (
                i.path.file_name().expect("a file").to_string_lossy(),
                i.reason,
            )
        })
        .collect();
    assert_eq!(
        ignored,
        [
            ("notes.txt".into(), "not a frame"),
            ("settings.xmp".into(), "not a frame"),
            ("view.jpg".into(), "picture")
        ]
    );
    let survey = survey(&list.files, &SurveyOptions::default());
    let faults: Vec<_> = survey
        .files
        .iter()
        .filter_map(|file| file.outcome.as_ref().err())
        .map(|error| error.fault.to_string())
        .collect();
    let needed = good.len();
    let found = needed / 2;
    assert_eq!(
        faults,
        [
            format!("the file ends early: the sensor data needs {needed} bytes, {found} found"),
            "not a raw frame: the content is a JPEG picture".to_owned(),
            "the file is empty".to_owned(),
            "not a raw frame: the content is text".to_owned(),
        ]
    );
    assert_eq!(survey.groups.len(), 1);
}

#[test]
fn every_frame_is_handed_on_once_and_the_survey_does_not_depend_on_threads() {
    let mut folder = Folder::new();
    night(&mut folder, 80.0, 60, 10);
    let files = collect_files(&[folder.dir.path().to_owned()]).files;
    let surveys = [1, 3].map(|threads| {
        let options = SurveyOptions {
            threads,
            ..SurveyOptions::default()
        };
        let kept = Mutex::new(Vec::new());
        let survey = survey_with(&files, &options, |i, frame| {
            kept.lock().expect("no panic").push((i, frame.info.path));
            Reading::On { files_at_a_time: 2 }
        });
        let survey = survey.expect("nothing stops it");
        let mut kept = kept.into_inner().expect("no panic");
        kept.sort();
        let expected: Vec<_> = files.iter().cloned().enumerate().collect();
        assert_eq!(kept, expected);
        format!("{survey:?}")
    });
    assert_eq!(surveys[0], surveys[1]);
}

#[test]
fn files_are_read_one_by_one_up_to_the_first_frame_and_then_as_many_as_allowed() {
    let mut folder = Folder::new();
    night(&mut folder, 80.0, 60, 10);
    std::fs::write(folder.dir.path().join("aa.dng"), b"no raw").expect("a writable folder");
    let files = collect_files(&[folder.dir.path().to_owned()]).files;
    let options = SurveyOptions {
        threads: 4,
        ..SurveyOptions::default()
    };
    let state = Mutex::new((0_usize, 0_usize, 0_usize));
    let survey = survey_with(&files, &options, |_, _| {
        let mut now = state.lock().expect("no panic");
        now.0 += 1;
        now.1 = now.1.max(now.0);
        now.2 += 1;
        drop(now);
        std::thread::yield_now();
        state.lock().expect("no panic").0 -= 1;
        Reading::On { files_at_a_time: 2 }
    });
    let (_, most, frames) = *state.lock().expect("no panic");
    assert!(most <= 2, "{most} at a time");
    assert_eq!(frames, files.len() - 1);
    assert_eq!(survey.expect("nothing stops it").files.len(), files.len());

    let seen = Mutex::new(0_usize);
    let stopped = survey_with(&files, &options, |_, _| {
        *seen.lock().expect("no panic") += 1;
        Reading::Stop
    });
    assert!(stopped.is_none());
    assert_eq!(
        *seen.lock().expect("no panic"),
        1,
        "no frame after the first"
    );
}

#[cfg(unix)]
#[test]
fn loops_of_links_and_strange_names_are_survived() {
    use std::ffi::OsStr;
    use std::os::unix::ffi::OsStrExt;
    let dir = tempfile::tempdir().expect("a temporary folder");
    let inner = dir.path().join("inner");
    std::fs::create_dir(&inner).expect("a writable folder");
    std::os::unix::fs::symlink(dir.path(), inner.join("back")).expect("links are possible");
    std::os::unix::fs::symlink("nowhere", inner.join("dangling.dng")).expect("links are possible");
    let strange = inner.join(OsStr::from_bytes(b"n\xff\xfe.dng"));
    std::fs::write(&strange, b"\xff\xd8\xff").expect("a writable folder");
    let list = collect_files(&[dir.path().to_owned(), inner.clone()]);
    assert_eq!(list.files, [strange]);
    assert_eq!(list.unreadable.len(), 1);
    assert_eq!(list.unreadable[0].path, inner.join("dangling.dng"));
    let survey = survey(&list.files, &SurveyOptions::default());
    assert!(survey.files[0].outcome.is_err());
}

#[test]
fn what_a_readable_frame_lacks_is_remarked() {
    let dir = tempfile::tempdir().expect("a temporary folder");
    // A checkerboard of light, as behind filters that the file does not state.
    let samples: Vec<u16> = Scene::dark(5)
        .samples()
        .iter()
        .enumerate()
        .map(|(i, v)| v + if (i + i / 640) % 2 == 0 { 200 } else { 0 })
        .collect();
    let path = dir.path().join("a.fits");
    std::fs::write(&path, unsigned_16(640, &samples, &[])).expect("a writable folder");
    let survey = survey(&[path], &SurveyOptions::default());
    let (frame, _) = survey.files[0].outcome.as_ref().expect("a readable file");
    assert_eq!(
        frame.remarks(),
        [
            "states no exposure time",
            "states no capture time",
            "states no camera",
            "states no filters, but its pixels differ in a pattern of 2 x 2 as behind filters",
        ]
    );
}

#[test]
fn a_large_frame_with_few_stars_is_a_light() {
    let mut folder = Folder::new();
    let large = |seed| Scene {
        width: 2592,
        height: 1944,
        n_hot_pixels: 4000,
        ..Scene::dark(seed)
    };
    for seed in 0..2 {
        let light = Scene {
            light_dn: 5.0,
            n_stars: 40,
            ..large(seed)
        };
        folder.add(FrameKind::Light, light, [30, 1]);
        folder.add(FrameKind::Dark, large(10 + seed), [30, 1]);
    }
    folder.check();
}

#[test]
fn copies_of_one_exposure_are_told() {
    let dir = tempfile::tempdir().expect("a temporary folder");
    // Two of each of the first two seeds; the fifth file differs in one pixel.
    for (name, seed) in [("a", 1), ("b", 2), ("c", 2), ("d", 1), ("e", 1), ("f", 3)] {
        let mut samples = Scene::dark(seed).samples();
        if name == "e" {
            samples[1000] += 1;
        }
        // What the header says of the copies differs, as after renaming or rewriting.
        let header = [card("OBSERVER", &format!("'{name}'"))];
        let path = dir.path().join(format!("{name}.fits"));
        std::fs::write(path, unsigned_16(640, &samples, &header)).expect("a writable folder");
    }
    std::fs::write(dir.path().join("g.fits"), b"").expect("a writable folder");
    std::fs::write(dir.path().join("h.fits"), b"").expect("a writable folder");
    let files = collect_files(&[dir.path().to_owned()]).files;
    let survey = survey(&files, &SurveyOptions::default());
    assert_eq!(survey.files.len(), 8);
    assert_eq!(survey.duplicates, [[0, 3], [1, 2]]);
}
