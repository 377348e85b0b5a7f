//! The DNG files as LibRaw, tifffile, exiftool and exiv2 read them; values in `fixtures/synth_checks`.

mod pattern;

use sha2::{Digest, Sha256};
use std::collections::HashMap;
use std::fs;
use std::path::PathBuf;

fn fixture(name: &str) -> PathBuf {
    PathBuf::from(env!("CARGO_MANIFEST_DIR"))
        .join("../../fixtures/synth_checks")
        .join(name)
}

/// The facts of one file: reader and quantity to value.
fn facts(file: &str) -> HashMap<(String, String), String> {
    let text = fs::read_to_string(fixture("facts.csv")).expect("the facts are committed");
    text.lines()
        .map(|line| line.splitn(4, ',').collect::<Vec<_>>())
        .filter(|fields| fields[0] == file)
        .map(|fields| {
            (
                (fields[1].to_owned(), fields[2].to_owned()),
                fields[3].to_owned(),
            )
        })
        .collect()
}

fn numbers(text: &str) -> Vec<f64> {
    text.split(' ')
        .map(|word| word.parse().expect("a number"))
        .collect()
}

#[test]
fn the_committed_files_are_what_the_writer_writes() {
    for file in pattern::FILES {
        let name = file.name;
        let committed = fs::read(fixture(&format!("{name}.dng"))).expect("committed");
        assert!(file.bytes() == committed, "{name} differs");
    }
    let committed = fs::read(fixture("full_color_40x30.dng")).expect("committed");
    assert!(
        pattern::full_color_bytes() == committed,
        "full_color differs"
    );
}

#[test]
fn libraw_sees_full_color_as_it_was_put_in() {
    let facts = facts("full_color_40x30.dng");
    let libraw = |quantity: &str| facts[&("libraw".to_owned(), quantity.to_owned())].as_str();
    assert_eq!((libraw("width"), libraw("height")), ("40", "30"));
    assert_eq!(libraw("samples"), "3");
    let planes = pattern::full_color();
    let interleaved = planes[0].indexed_iter();
    let bytes: Vec<u8> = interleaved
        .flat_map(|(site, &red)| [red, planes[1][site], planes[2][site]])
        .flat_map(u16::to_le_bytes)
        .collect();
    let digest = Sha256::digest(&bytes);
    let digest: String = digest.iter().map(|byte| format!("{byte:02x}")).collect();
    assert_eq!(libraw("mosaic_sha256"), digest);
    assert_eq!(libraw("white_dn"), "15000");
}

#[test]
fn libraw_sees_the_mosaic_its_levels_and_its_filters() {
    for pattern::File {
        name,
        size,
        letters,
        black_dn,
        ..
    } in pattern::FILES
    {
        let facts = facts(&format!("{name}.dng"));
        let libraw = |quantity: &str| facts[&("libraw".to_owned(), quantity.to_owned())].as_str();
        let mosaic = pattern::mosaic(size, letters, black_dn);
        let bytes: Vec<u8> = mosaic
            .data
            .iter()
            .flat_map(|value| value.to_le_bytes())
            .collect();
        let digest: String = Sha256::digest(&bytes)
            .iter()
            .map(|b| format!("{b:02x}"))
            .collect();
        assert_eq!(libraw("mosaic_sha256"), digest, "{name}");
        assert_eq!(libraw("width"), size.0.to_string());
        assert_eq!(libraw("height"), size.1.to_string());
        assert_eq!(libraw("cfa"), letters);
        assert_eq!(numbers(libraw("black_dn")), black_dn.map(f64::from));
        assert_eq!(libraw("white_dn"), "15000");
        assert_eq!(libraw("flip"), "0");
        let [red, green, blue] = pattern::info().neutral;
        let balance = numbers(libraw("white_balance"));
        assert!((balance[0] - green / red).abs() < 1e-5, "{balance:?}"); // f32 in LibRaw
        assert!((balance[1] - green / blue).abs() < 1e-5, "{balance:?}");
    }
}

#[test]
fn libraw_derives_its_colors_from_our_matrix() {
    // Source of the derivation: DNG specification, mapping camera color space to XYZ;
    // XYZ from linear sRGB under D65 (IEC 61966-2-1) to seven digits. Camera from sRGB is the color matrix
    // times XYZ from sRGB, its rows scaled so that white is (1, 1, 1); LibRaw inverts it.
    const XYZ_FROM_SRGB: [[f64; 3]; 3] = [
        [0.412_456_4, 0.357_576_1, 0.180_437_5],
        [0.212_672_9, 0.715_152_2, 0.072_175_0],
        [0.019_333_9, 0.119_192_0, 0.950_304_1],
    ];
    const TOLERANCE: f64 = 3e-6; // f32 in LibRaw, six decimals in the facts, sums of three
    for pattern::File { name, .. } in pattern::FILES {
        let facts = facts(&format!("{name}.dng"));
        let found = numbers(&facts[&("libraw".to_owned(), "camera_to_srgb".to_owned())]);
        let matrix = pattern::info().color_matrix;
        let mut camera_from_srgb = [[0.0; 3]; 3];
        for (row, out) in camera_from_srgb.iter_mut().enumerate() {
            for (col, cell) in out.iter_mut().enumerate() {
                *cell = (0..3)
                    .map(|k| f64::from(matrix[row][k]) * XYZ_FROM_SRGB[k][col])
                    .sum();
            }
            let white: f64 = out.iter().sum();
            out.iter_mut().for_each(|cell| *cell /= white);
        }
        // The product with LibRaw's inverse is the identity.
        for (row, camera) in camera_from_srgb.iter().enumerate() {
            for col in 0..3 {
                let product: f64 = (0..3).map(|k| camera[k] * found[3 * k + col]).sum();
                let want = f64::from(u8::from(row == col));
                assert!(
                    (product - want).abs() < TOLERANCE,
                    "{name}: {product} for {want}"
                );
            }
        }
    }
}

#[test]
fn tifffile_sees_how_the_frame_was_taken() {
    for pattern::File { name, .. } in pattern::FILES {
        let facts = facts(&format!("{name}.dng"));
        for (quantity, want) in [
            ("Make", "Lumholt"),
            ("Model", "Lumholt N24"),
            ("Orientation", "1"),
            ("DateTime", "2026:01:17 23:59:58"),
            ("UniqueCameraModel", "Lumholt N24"),
            ("ExifVersion", "0232"),
            ("ExposureTime", "4000/1000"),
            ("FNumber", "1400/1000"),
            ("FocalLength", "24000/1000"),
            ("ISOSpeedRatings", "800"),
            ("LensModel", "Lumholt 24mm f/1.4"),
            ("DateTimeOriginal", "2026:01:17 23:59:58"),
            ("SubsecTimeOriginal", "050"),
            ("OffsetTimeOriginal", "+01:00"),
        ] {
            let found = facts.get(&("tifffile".to_owned(), quantity.to_owned()));
            assert_eq!(found.map(String::as_str), Some(want), "{name}: {quantity}");
        }
    }
}

#[test]
fn exiftool_finds_nothing_to_complain_of() {
    let names = pattern::FILES.map(|file| file.name);
    for name in names.into_iter().chain(["full_color_40x30"]) {
        let facts = facts(&format!("{name}.dng"));
        let verdict = &facts[&("exiftool".to_owned(), "validate".to_owned())];
        assert_eq!(verdict, "OK", "{name}");
    }
}

#[test]
fn exiv2_sees_the_levels_and_the_lens() {
    for pattern::File { name, black_dn, .. } in pattern::FILES {
        let facts = facts(&format!("{name}.dng"));
        let exiv2 = |key: &str| facts[&("exiv2".to_owned(), key.to_owned())].as_str();
        let black = black_dn.map(|level| format!("{}/1000", level * 1000.0));
        assert_eq!(exiv2("Exif.Image.BlackLevel"), black.join(" "), "{name}");
        assert_eq!(exiv2("Exif.Image.WhiteLevel"), "15000");
        assert_eq!(exiv2("Exif.Image.DNGVersion"), "1 4 0 0");
        assert_eq!(exiv2("Exif.Photo.ExposureTime"), "4000/1000");
        assert_eq!(exiv2("Exif.Photo.LensModel"), "Lumholt 24mm f/1.4");
    }
}
