//! What stands in the files, as other programs read it.

mod pattern;

use exif::{In, Tag, Value};
use pattern::{info, mosaic};
use raw::FrameKind;
use std::fs;
use std::path::Path;
use synth::{DngInfo, Layout, Mount, Scene, Simulator, SynthError, encode_dng, write_scene};

fn small(name: &str) -> Scene {
    let mut scene = Scene::named(name).expect("a known scene");
    (scene.width, scene.height) = (96, 64);
    scene.frames = scene.frames.min(8);
    scene
}

fn decode(bytes: &[u8]) -> rawloader::RawImage {
    rawloader::decode(&mut std::io::Cursor::new(bytes)).expect("rawloader reads it")
}

fn values(image: &rawloader::RawImage) -> &[u16] {
    match &image.data {
        rawloader::RawImageData::Integer(values) => values,
        rawloader::RawImageData::Float(_) => panic!("the file holds whole numbers"),
    }
}

#[test]
fn rawloader_reads_back_the_mosaic_levels_and_filters() {
    for file in pattern::FILES {
        let mosaic = mosaic(file.size, file.letters, file.black_dn);
        let image = decode(&file.bytes());
        assert_eq!((image.width, image.height), file.size, "{}", file.name);
        assert_eq!(image.cpp, 1);
        let pairs = values(&image).iter().zip(&mosaic.data);
        let wrong = pairs
            .enumerate()
            .find(|(_, (found, put_in))| found != put_in);
        assert_eq!(wrong, None, "{}", file.name);
        assert_eq!(image.cfa.name, file.letters);
        assert_eq!(image.blacklevels.map(f32::from), file.black_dn);
        assert_eq!(image.whitelevels[0], 15_000);
        assert_eq!(image.crops, [0; 4]);
        assert_eq!(&image.xyz_to_cam[..3], &info().color_matrix);
        assert_eq!(image.wb_coeffs[1] / image.wb_coeffs[0], 0.415);
    }
}

#[test]
fn the_exif_says_how_the_frame_was_taken() {
    let mosaic = mosaic((16, 12), "RGGB", [512.0; 4]);
    for (exposure_s, want) in [
        (4.0, (4000, 1000)),
        (1.0 / 8000.0, (1, 8000)),
        (0.5, (500, 1000)),
    ] {
        let bytes = encode_dng(
            &mosaic,
            &DngInfo {
                exposure_s,
                ..info()
            },
        )
        .expect("it fits");
        let exif = exif::Reader::new()
            .read_from_container(&mut std::io::Cursor::new(bytes))
            .expect("the EXIF is readable");
        let text = |tag| {
            let field = exif.get_field(tag, In::PRIMARY).expect("the tag is there");
            match &field.value {
                Value::Ascii(lines) => String::from_utf8_lossy(&lines[0]).into_owned(),
                other => format!("{other:?}"),
            }
        };
        let rational = |tag| match &exif.get_field(tag, In::PRIMARY).expect("the tag").value {
            Value::Rational(values) => (values[0].num, values[0].denom),
            other => panic!("{other:?} is no fraction"),
        };
        assert_eq!(text(Tag::Make), "Lumholt");
        assert_eq!(text(Tag::Model), "Lumholt N24");
        assert_eq!(text(Tag::LensModel), "Lumholt 24mm f/1.4");
        assert_eq!(text(Tag::DateTimeOriginal), "2026:01:17 23:59:58");
        assert_eq!(text(Tag::SubSecTimeOriginal), "050");
        assert_eq!(text(Tag::OffsetTimeOriginal), "+01:00");
        assert_eq!(rational(Tag::ExposureTime), want);
        assert_eq!(rational(Tag::FNumber), (1400, 1000));
        assert_eq!(rational(Tag::FocalLength), (24_000, 1000));
        let number = |tag| {
            exif.get_field(tag, In::PRIMARY)
                .and_then(|f| f.value.get_uint(0))
        };
        assert_eq!(number(Tag::PhotographicSensitivity), Some(800));
        assert_eq!(number(Tag::Orientation), Some(1));
    }
}

#[test]
fn a_second_reader_finds_the_same_exif() {
    use nom_exif::{Exif, ExifTag, MediaParser, MediaSource};
    let bytes = encode_dng(&mosaic((16, 12), "RGGB", [512.0; 4]), &info()).expect("it fits");
    let source = MediaSource::seekable(std::io::Cursor::new(bytes)).expect("a TIFF container");
    let entries = MediaParser::new()
        .parse_exif(source)
        .expect("the EXIF is readable");
    let exif: Exif = entries.into();
    let text = |tag| exif.get(tag).map(ToString::to_string);
    assert_eq!(text(ExifTag::Model).as_deref(), Some("Lumholt N24"));
    assert_eq!(
        text(ExifTag::LensModel).as_deref(),
        Some("Lumholt 24mm f/1.4")
    );
    assert_eq!(text(ExifTag::SubSecTimeOriginal).as_deref(), Some("050"));
    assert_eq!(text(ExifTag::OffsetTimeOriginal).as_deref(), Some("+01:00"));
    assert_eq!(text(ExifTag::ISOSpeedRatings).as_deref(), Some("800"));
    let seconds = exif
        .get(ExifTag::ExposureTime)
        .and_then(|value| value.as_urational());
    let seconds =
        seconds.map(|value| f64::from(value.numerator()) / f64::from(value.denominator()));
    assert_eq!(seconds, Some(4.0));
    let taken = text(ExifTag::DateTimeOriginal).expect("the tag is there");
    assert!(taken.contains("23:59:58"), "{taken}");
}

#[test]
fn a_written_light_is_the_rendered_light() {
    let scene = small("tripod-burst");
    let folder = tempfile::tempdir().expect("a scratch folder");
    let mut seen = Vec::new();
    let written = write_scene(&scene, folder.path(), |progress| {
        seen.push((progress.done, progress.total, progress.path.to_owned()));
    })
    .expect("the scene is written");
    assert_eq!(seen.len(), 8);
    assert_eq!((seen[7].0, seen[7].1), (8, 8));
    let simulator = Simulator::new(&scene).expect("a sound scene");
    for (index, (_, _, path)) in seen.iter().enumerate() {
        let image = decode(&fs::read(path).expect("the file is there"));
        let light = simulator.light(index).expect("a light");
        assert!(
            values(&image).iter().eq(light.mosaic.data.iter()),
            "light {index}"
        );
    }
    assert!(written.files.iter().all(|file| file.exists()));
    assert_eq!(written.lights, folder.path().join("lights"));
}

#[test]
fn the_truth_is_read_back_as_it_was_put_in() {
    let scene = small("faults");
    let folder = tempfile::tempdir().expect("a scratch folder");
    let written = write_scene(&scene, folder.path(), |_| ()).expect("the scene is written");
    let text = fs::read_to_string(&written.truth).expect("the truth is there");
    let truth: serde_json::Value = serde_json::from_str(&text).expect("the truth is JSON");
    assert_eq!(truth["sensor"]["gain_e_per_dn"], scene.sensor.gain_e_per_dn);
    assert_eq!(truth["width"], 96);
    let frames = truth["frames"].as_array().expect("a list");
    assert_eq!(frames.len(), 8 + scene.calibration.darks);
    assert_eq!(frames[0]["homography"][0][0], 1.0);
    assert_eq!(frames[2]["satellites"][0][1][0], 1.05 * 95.0);
    assert!(frames[8]["homography"].is_null(), "a dark has no pose");
    let kinds: Vec<_> = frames.iter().map(|frame| frame["kind"].as_str()).collect();
    assert_eq!(
        kinds[7..],
        [Some("light"), Some("dark"), Some("dark"), Some("dark")]
    );
    for plane in truth["planes"].as_array().expect("a list") {
        let file = folder.path().join(plane["file"].as_str().expect("a name"));
        let bytes = if file.extension().is_some_and(|ending| ending == "u8") {
            1
        } else {
            4
        };
        assert_eq!(fs::metadata(file).expect("there").len(), 96 * 64 * bytes);
    }
}

#[test]
fn the_noise_free_planes_are_what_lights_average_to() {
    // The mean of n lights of a still sky, black and dark current removed, against the
    // expected DN in the planes' files.
    const N: usize = 60;
    let mut scene = small("tracked");
    scene.mount = synth::Mount::tracked([0.0, 0.0, 1.0], 0.0);
    (
        scene.sensor.prnu,
        scene.sensor.dsnu_e,
        scene.sensor.hot_fraction,
    ) = (0.0, 0.0, 0.0);
    scene.sensor.row_noise_e = 0.0;
    scene.frames = N;
    scene.exposure_s = 2.0;
    scene.sky.stars = synth::Stars::Counted(synth::CountLaw {
        brightest_mag: 2.0,
        faintest_mag: 12.0,
        density: 1.0,
    });
    let folder = tempfile::tempdir().expect("a scratch folder");
    write_scene(
        &Scene {
            frames: 1,
            ..scene.clone()
        },
        folder.path(),
        |_| (),
    )
    .expect("written");
    let planes = ["r", "g", "b"].map(|name| {
        let bytes = fs::read(folder.path().join(format!("truth/reference_{name}.f32")));
        let bytes = bytes.expect("the plane is there");
        let values = bytes
            .chunks_exact(4)
            .map(|v| f32::from_le_bytes([v[0], v[1], v[2], v[3]]));
        values.map(f64::from).collect::<Vec<_>>()
    });
    let simulator = Simulator::new(&Scene {
        frames: N,
        ..scene.clone()
    })
    .expect("sound");
    let mut sum = vec![0.0; 96 * 64];
    for index in 0..N {
        let light = simulator.light(index).expect("a light").mosaic;
        for (sum, &value) in sum.iter_mut().zip(&light.data) {
            *sum += f64::from(value) - f64::from(scene.sensor.black_level_dn);
        }
    }
    let sensor = &scene.sensor;
    let dark_dn = sensor.dark_current_e_per_s * scene.exposure_s / sensor.gain_e_per_dn;
    let mut chi2 = 0.0;
    let mut n = 0.0;
    for (i, &sum) in sum.iter().enumerate() {
        let channel = match sensor.cfa.at(i / 96, i % 96) {
            raw::Channel::R => 0,
            raw::Channel::B => 2,
            _ => 1,
        };
        let want = planes[channel][i] + dark_dn;
        if want > 10_000.0 {
            continue; // near saturation the mean is cut
        }
        let shot = want / sensor.gain_e_per_dn;
        let read = (sensor.read_noise_e / sensor.gain_e_per_dn).powi(2) + 1.0 / 12.0;
        chi2 += (sum / N as f64 - want).powi(2) / ((shot + read) / N as f64);
        n += 1.0;
    }
    // chi²/n has mean 1 and variance 2/n.
    let deviation = (chi2 / n - 1.0) / (2.0f64 / n).sqrt();
    assert!(
        n > 6000.0 && deviation.abs() < 4.0,
        "chi² {} of {n}, {deviation} sigma",
        chi2 / n
    );
}

#[test]
fn damaged_files_stand_among_the_lights() {
    let mut scene = small("faults");
    scene.frames = 12;
    let folder = tempfile::tempdir().expect("a scratch folder");
    write_scene(&scene, folder.path(), |_| ()).expect("the scene is written");
    let (mut truncated, mut jpeg, mut empty, mut sound) = (0, 0, 0, 0);
    for shot in scene.shots() {
        let bytes = fs::read(folder.path().join(&shot.path)).expect("the file is there");
        match shot.damage {
            Some(synth::Damage::Truncated) => {
                assert!(bytes.starts_with(b"II*\0") && bytes.len() < 96 * 64 * 2);
                truncated += 1;
            }
            Some(synth::Damage::Jpeg) => {
                assert!(bytes.starts_with(b"\xff\xd8\xff") && bytes.ends_with(b"\xff\xd9"));
                jpeg += 1;
            }
            Some(synth::Damage::Empty) => {
                assert!(bytes.is_empty());
                empty += 1;
            }
            None => {
                assert_eq!(values(&decode(&bytes)).len(), 96 * 64);
                sound += 1;
            }
        }
        assert!(shot.path.starts_with("lights"), "one folder");
    }
    assert_eq!(
        (truncated, jpeg, empty, sound),
        (1, 1, 1, 9 + scene.calibration.darks)
    );
    assert!(folder.path().join("lights/notes_1.txt").exists());
}

#[test]
fn calibration_frames_go_where_they_are_asked_to() {
    let mut scene = small("calibration");
    let count = |scene: &Scene, folder: &str, kind| {
        let shots = scene.shots().into_iter();
        let there = shots.filter(|shot| shot.path.starts_with(folder) && shot.kind == kind);
        there.count()
    };
    assert_eq!(count(&scene, "darks", FrameKind::Dark), 8);
    assert_eq!(count(&scene, "flats", FrameKind::Flat), 8);
    assert_eq!(count(&scene, "bias", FrameKind::Bias), 8);
    scene.calibration.layout = Layout::OneFolder;
    assert_eq!(count(&scene, "lights", FrameKind::Flat), 8);
    let folder = tempfile::tempdir().expect("a scratch folder");
    let written = write_scene(&scene, folder.path(), |_| ()).expect("the scene is written");
    assert_eq!(
        written.files.len(),
        25,
        "24 frames and the truth, no reference light"
    );
}

#[test]
fn an_existing_file_is_left_as_it_is() {
    let folder = tempfile::tempdir().expect("a scratch folder");
    let path = folder.path().join("lights/shot_0003.dng");
    fs::create_dir_all(path.parent().expect("a folder")).expect("made");
    fs::write(&path, b"a night's work").expect("written");
    let found = write_scene(&small("tripod-burst"), folder.path(), |_| ());
    assert!(matches!(found, Err(SynthError::Exists { path: named }) if named == path));
    assert_eq!(fs::read(&path).expect("still there"), b"a night's work");
}

#[test]
fn a_folder_that_cannot_be_made_is_named() {
    let folder = tempfile::tempdir().expect("a scratch folder");
    let file = folder.path().join("a file");
    fs::write(&file, b"").expect("written");
    let found = write_scene(&small("tripod-burst"), &file, |_| ());
    let Err(error) = found else {
        panic!("a file is no folder")
    };
    assert!(error.to_string().contains("a file"), "{error}");
}

#[test]
fn the_same_seed_gives_the_same_bytes_on_any_number_of_threads() {
    let mut scene = small("faults");
    (scene.width, scene.height, scene.frames) = (150, 131, 12);
    let demo = Scene::named("demo").expect("a known scene");
    (scene.sky.band, scene.ground) = (demo.sky.band, demo.ground);
    if let Some(ground) = &mut scene.ground {
        ground.ridge_deg = scene.pointing.altitude_deg;
    }
    (scene.lens.coma_px, scene.lens.lateral_color) = (1.5, [1e-3, -1e-3]);
    let with_threads = |n| {
        let pool = rayon::ThreadPoolBuilder::new()
            .num_threads(n)
            .build()
            .expect("a pool");
        pool.install(|| {
            let simulator = Simulator::new(&scene).expect("a sound scene");
            [2, 10].map(|index| simulator.light(index).expect("a light").mosaic)
        })
    };
    let alone = with_threads(1);
    assert_eq!(alone, with_threads(2));
    assert_eq!(alone, with_threads(5));
    scene.seed += 1;
    let other = Simulator::new(&scene).and_then(|simulator| simulator.light(2));
    assert_ne!(
        alone[0],
        other.expect("a light").mosaic,
        "another seed is another night"
    );
}

#[test]
fn scenes_that_make_no_sense_are_refused() {
    let mut light = small("tripod-burst");
    assert!(matches!(
        synth::render(&light, 8),
        Err(SynthError::NoSuchLight {
            index: 8,
            lights: 8,
            ..
        })
    ));
    light.width = 0;
    let no_columns = synth::render(&light, 0)
        .map(|_| ())
        .map_err(|error| error.to_string());
    assert_eq!(
        no_columns,
        Err("scene tripod-burst: width is 0, needed 1 or more".into())
    );
    let mut gain = small("tripod-burst");
    gain.sensor.gain_e_per_dn = f64::NAN;
    assert!(matches!(
        Simulator::new(&gain),
        Err(SynthError::Scene { .. })
    ));
    let mut damaged = small("faults");
    damaged.frames = 5;
    assert!(matches!(
        write_scene(&damaged, Path::new("never made"), |_| ()),
        Err(SynthError::Scene {
            field: "faults",
            ..
        })
    ));
    assert!(!Path::new("never made").exists());
    assert_eq!(Scene::named("tripod burst"), None);
    for (name, _) in synth::SCENE_NAMES {
        let scene = Scene::named(name).expect("a listed scene");
        assert_eq!(scene.name, name);
        assert!(scene.validate().is_ok(), "{name}");
    }
}

#[test]
fn pictures_of_any_size_are_made() {
    for (width, height) in [(1, 1), (1, 40), (33, 1), (31, 65)] {
        let mut scene = small("faults");
        (scene.width, scene.height) = (width, height);
        let light = synth::render(&scene, 2).expect("a light");
        assert_eq!(light.mosaic.size(), (width, height));
        let black = scene.sensor.black_level_dn;
        assert!(
            light.mosaic.data.iter().any(|&value| value > black),
            "{width} x {height}"
        );
    }
}

#[test]
fn every_named_scene_is_written_whole_and_its_lights_are_readable() {
    for (name, _) in synth::SCENE_NAMES {
        let mut scene = small(name);
        scene.frames = scene.frames.min(9);
        if scene.faults.damaged() > 0 {
            scene.frames = 9;
        }
        let folder = tempfile::tempdir().expect("a scratch folder");
        let written = write_scene(&scene, folder.path(), |_| ());
        let written = written.unwrap_or_else(|error| panic!("{name}: {error}"));
        assert!(written.files.iter().all(|file| file.exists()), "{name}");
        assert_eq!(written.files.last(), Some(&written.truth));
        let mut unique = written.files.clone();
        unique.sort();
        unique.dedup();
        assert_eq!(unique.len(), written.files.len(), "{name}");
        for (session, scene) in scene.each_session() {
            let folder = session.map_or(folder.path().into(), |name| folder.path().join(name));
            for shot in scene.shots().iter().filter(|shot| shot.damage.is_none()) {
                let bytes = fs::read(folder.join(&shot.path)).expect("the file is there");
                let image = decode(&bytes);
                assert_eq!((image.width, image.height), (96, 64), "{name}");
            }
            let truth = fs::read(folder.join("truth/truth.json")).expect("the truth is there");
            let truth: serde_json::Value = serde_json::from_slice(&truth).expect("JSON");
            let ground = truth["planes"].as_array().expect("a list").iter();
            let ground = ground.filter(|plane| plane["content"] == "ground");
            let masked: Vec<_> = ground.map(|plane| plane["light"].as_u64()).collect();
            // One for all lights of a tripod, and one for each where the ground moves.
            let lights = match (scene.ground, scene.mount == Mount::tripod(scene.mount.axis)) {
                (None, _) => 0,
                (Some(_), true) => 1,
                (Some(_), false) => scene.frames as u64,
            };
            assert!((0..lights).map(Some).eq(masked), "{name}");
        }
        let composite = folder.path().join("composite/multi_shot.dng").exists();
        assert_eq!(composite, name.starts_with("multi-shot"), "{name}");
    }
}

#[test]
fn a_mask_covers_what_crosses_and_nothing_else() {
    const ROUNDING_E: f32 = 0.01; // sums of several thousand e- in single precision
    let mut scene = small("faults");
    scene.faults = synth::Faults::default();
    let gain = scene.sensor.gain_e_per_dn as f32;
    let folder = tempfile::tempdir().expect("a scratch folder");
    write_scene(&scene, folder.path(), |_| ()).expect("an empty folder");
    let simulator = Simulator::new(&scene).expect("sound");
    let mut without = scene.clone();
    (without.satellites, without.meteors, without.aircraft) = (vec![], vec![], vec![]);
    let without = Simulator::new(&without).expect("sound");
    for light in 0..scene.frames {
        let file = folder
            .path()
            .join(format!("truth/crossing_{:04}.u8", light + 1));
        let crossed = [2, 3, 4, 6, 7].contains(&light);
        assert_eq!(file.exists(), crossed, "light {light}");
        if !crossed {
            continue;
        }
        let mask = fs::read(file).expect("it exists");
        let planes = |simulator: &Simulator| {
            let light = simulator.expected_light(light, synth::Weather::AsItIs);
            light.expect("a light")
        };
        let (with, plain) = (planes(&simulator), planes(&without));
        for (i, &masked) in mask.iter().enumerate() {
            let (row, col) = (i / scene.width, i % scene.width);
            let channel = match scene.sensor.cfa.at(row, col) {
                raw::Channel::R => 0,
                raw::Channel::B => 2,
                _ => 1,
            };
            let added_e = with[channel][[row, col]] - plain[channel][[row, col]];
            if masked == 1 {
                assert!(added_e > gain - ROUNDING_E, "{added_e} e at {row} {col}");
            } else {
                assert!(added_e < gain + ROUNDING_E, "{added_e} e at {row} {col}");
            }
        }
        assert!(mask.contains(&1), "light {light}");
    }
}

#[test]
fn every_light_of_a_moving_ground_has_its_mask() {
    const ROUNDING: f32 = 0.5001 / 255.0;
    let mut scene = small("tracked-ground");
    // More would see the ridge leave the small picture.
    scene.frames = 3;
    scene.sessions.clear();
    let (ridge_deg, ground) = (scene.pointing.altitude_deg, scene.ground);
    scene.ground = ground.map(|ground| synth::Ground {
        ridge_deg,
        ..ground
    });
    let folder = tempfile::tempdir().expect("a scratch folder");
    write_scene(&scene, folder.path(), |_| ()).expect("an empty folder");
    let simulator = Simulator::new(&scene).expect("sound");
    let mut masks = Vec::new();
    for light in 1..scene.frames {
        let file = folder
            .path()
            .join(format!("truth/ground_{:04}.u8", light + 1));
        let mask = fs::read(file).expect("the mask is there");
        let cover = simulator.ground_cover(light).expect("ground");
        let pairs = mask.iter().zip(&cover);
        assert_eq!(mask.len(), cover.len());
        for (&byte, &share) in pairs {
            assert!((f32::from(byte) / 255.0 - share).abs() < ROUNDING);
        }
        masks.push(mask);
    }
    masks.dedup();
    assert_eq!(masks.len(), scene.frames - 1, "the ground moves");
}

#[test]
fn sessions_have_their_own_times_and_targets() {
    let scene = Scene::named("three-sessions").expect("listed");
    let sessions = scene.each_session();
    assert_eq!(sessions.len(), 3);
    for (i, (_, a)) in sessions.iter().enumerate() {
        for (_, b) in &sessions[i + 1..] {
            assert_ne!((a.start, a.pointing), (b.start, b.pointing));
            assert_ne!(a.seed, b.seed);
            // None begins before the one before has ended.
            let end = a.shots().last().expect("lights").start;
            assert!(b.start > end);
        }
    }
}

#[test]
fn packed_files_hold_the_same_numbers_in_less_room() {
    let mut scene = Scene::named("tripod-burst").expect("a known scene");
    (scene.width, scene.height, scene.frames) = (400, 300, 1);
    let mosaic = synth::render(&scene, 0).expect("a light").mosaic;
    let packed = DngInfo {
        compression: synth::Compression::LosslessJpeg,
        ..info()
    };
    let plain = encode_dng(&mosaic, &info()).expect("it fits");
    let packed = encode_dng(&mosaic, &packed).expect("it fits");
    assert!(
        packed.len() < 2 * plain.len() / 3,
        "{} of {}",
        packed.len(),
        plain.len()
    );
    assert!(values(&decode(&packed)).iter().eq(&mosaic.data));
}

#[test]
fn real_stars_need_the_axis_of_their_site() {
    let mut scene = small("tripod-burst");
    scene.mount.axis = [0.0, 0.0, 1.0];
    let Err(SynthError::Scene { field, .. }) = Simulator::new(&scene) else {
        panic!("the axis is not that of the site")
    };
    assert_eq!(field, "mount.axis");
}
