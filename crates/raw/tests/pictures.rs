//! Pictures in every container, written by other libraries, and what hostile ones get.
//!
//! Source of the files: tifffile, imagecodecs, astropy (fixtures/open_checks).

mod support;

use radicand_raw::{
    Channel, DecodeFault, DecodeOptions, Encoding, Opened, OpenedContent, Picture,
    PictureContainer, open,
};
use std::path::Path;
use support::fixtures;

const ROWS: usize = 18;
const COLUMNS: usize = 21;

fn file(name: &str) -> std::path::PathBuf {
    fixtures("open_checks").join(name)
}

#[track_caller]
fn opened(path: &Path) -> Opened {
    open(path, &DecodeOptions::default()).expect("a readable file")
}

#[track_caller]
fn picture(name: &str) -> Picture {
    match opened(&file(name)).content {
        OpenedContent::Picture(picture) => *picture,
        OpenedContent::Frame(_) => panic!("{name} is taken for a frame"),
    }
}

fn whole(plane: usize, row: usize, col: usize) -> f32 {
    (1000 * plane + 40 * row + col + 7) as f32
}

fn real(plane: usize, row: usize, col: usize) -> f32 {
    whole(plane, row, col) / 8.0 - 50.0
}

/// The plane of `first` and after is as the formula says.
#[track_caller]
fn check(name: &str, first: usize, n_planes: usize, value: fn(usize, usize, usize) -> f32) {
    let picture = picture(name);
    assert_eq!(picture.size(), (COLUMNS, ROWS), "{name}");
    assert_eq!(picture.planes.len(), n_planes, "{name}");
    assert_eq!(picture.channels.len(), n_planes, "{name}");
    for (i, plane) in picture.planes.iter().enumerate() {
        for ((row, col), &found) in plane.indexed_iter() {
            assert_eq!(found, value(first + i, row, col), "{name} {i} {row} {col}");
        }
    }
}

#[test]
fn tiffs_of_every_packing_give_their_values() {
    for name in [
        "u16_plain.tif",
        "u16_lzw_predictor.tif",
        "u16_planar.tif",
        "u16_big_endian.tif",
    ] {
        check(name, 0, 3, whole);
        let picture = picture(name);
        assert_eq!(picture.encoding, Encoding::Unknown, "{name}");
        assert_eq!(picture.saturation_dn, Some(65535.0), "{name}");
        assert_eq!(picture.channels, [Channel::R, Channel::G, Channel::B]);
    }
    check("u16_gray.tif", 1, 1, whole);
    for name in [
        "f32_deflate_predictor.tif",
        "f32_tiles.tif",
        "f32_bigtiff.tif",
    ] {
        check(name, 0, 3, real);
        let picture = picture(name);
        assert_eq!(picture.encoding, Encoding::Linear, "{name}");
        assert_eq!(picture.saturation_dn, None, "{name}");
        assert_eq!(picture.container, PictureContainer::Tiff);
    }
}

#[test]
fn half_floats_are_read_to_their_precision() {
    /// Half of the last of 11 binary digits, relative.
    const HALF_ULP: f32 = 0.5 / 1024.0;
    let picture = picture("f16_plain.tif");
    for (i, plane) in picture.planes.iter().enumerate() {
        for ((row, col), &found) in plane.indexed_iter() {
            let wanted = real(i, row, col);
            assert!(
                (found - wanted).abs() <= HALF_ULP * wanted.abs(),
                "{found} {wanted}"
            );
        }
    }
}

#[test]
fn png_and_fits_give_their_values() {
    check("u16.png", 0, 3, whole);
    assert_eq!(picture("u16.png").encoding, Encoding::Unknown);
    check("f32_cube.fits", 0, 3, real);
    check("f64_cube.fits", 0, 3, real);
    check("f32_gray.fits", 1, 1, real);
    check("u16_cube.fits", 0, 3, whole);
    let info = picture("f32_cube.fits").info;
    assert_eq!(info.exposure_s, Some(12.5));
    assert_eq!(info.camera.as_deref(), Some("An invented camera"));
}

#[test]
fn linear_dng_loses_its_black_and_says_what_it_is_made_of() {
    for name in ["linear.dng", "linear_planar.dng"] {
        check(name, 0, 3, |plane, row, col| whole(plane, row, col) - 7.0);
        let opened = opened(&file(name));
        assert_eq!(opened.shots, Some(8), "{name}");
        // 2500 px a centimeter are 4 µm each.
        assert_eq!(opened.pixel_pitch_um, Some(4.0), "{name}");
        let picture = picture(name);
        assert_eq!(picture.container, PictureContainer::LinearDng);
        assert_eq!(picture.saturation_dn, Some(3993.0));
        assert_eq!(picture.info.exposure_s, Some(13.0));
        assert_eq!(picture.info.focal_length_mm, Some(25.0));
    }
}

#[test]
fn a_raw_stays_a_frame() {
    let raws = fixtures("raw");
    let mut seen = 0;
    for entry in std::fs::read_dir(raws).expect("a folder") {
        let path = entry.expect("an entry").path();
        if path.extension().is_some_and(|extension| extension == "dng") {
            assert!(
                matches!(opened(&path).content, OpenedContent::Frame(_)),
                "{path:?}"
            );
            seen += 1;
        }
    }
    assert!(seen > 0, "no raw among the fixtures");
}

/// Every prefix of a file, and every file with a byte turned, ends in a picture or a fault.
#[test]
fn damaged_pictures_are_refused_without_a_panic() {
    let temp = tempfile::tempdir().expect("a folder");
    let path = temp.path().join("damaged");
    for name in [
        "u16_lzw_predictor.tif",
        "f32_deflate_predictor.tif",
        "u16.png",
        "f32_gray.fits",
        "linear.dng",
    ] {
        let bytes = std::fs::read(file(name)).expect("the fixture");
        let step = (bytes.len() / 60).max(1);
        for cut in (0..bytes.len()).step_by(step) {
            std::fs::write(&path, &bytes[..cut]).expect("a file");
            let outcome = open(&path, &DecodeOptions::default());
            if cut * 4 < bytes.len() * 3 && name != "f32_gray.fits" {
                assert!(outcome.is_err(), "{name} cut at {cut}");
            }
        }
        for at in (0..bytes.len().min(600)).step_by(7) {
            let mut bytes = bytes.clone();
            bytes[at] ^= 0xff;
            std::fs::write(&path, &bytes).expect("a file");
            if let Ok(opened) = open(&path, &DecodeOptions::default())
                && let OpenedContent::Picture(picture) = opened.content
            {
                assert!(
                    picture.planes.iter().all(|plane| !plane.is_empty()),
                    "{name} {at}"
                );
            }
        }
    }
}

#[test]
fn sizes_are_checked_before_memory_is_asked_for() {
    let options = DecodeOptions {
        max_pixels: (ROWS * COLUMNS) as u64 - 1,
        ..DecodeOptions::default()
    };
    for name in [
        "u16_plain.tif",
        "f32_bigtiff.tif",
        "u16.png",
        "f32_cube.fits",
        "linear.dng",
    ] {
        let error = open(&file(name), &options).expect_err("too large");
        let limited = matches!(error.fault, DecodeFault::LimitExceeded { .. });
        assert!(limited, "{name}: {error}");
        assert!(error.to_string().contains(name), "{error}");
    }
}
