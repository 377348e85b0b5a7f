//! Files as readers of other origin see them.
//!
//! `fixtures/export_checks/make.py` reads the files that this test leaves behind with
//! tifffile, imagecodecs and astropy, compares every bit with the picture's formula and
//! notes a digest of what it approved. Here the digests must be the same, so what is
//! written today is what those readers approved. For compressed files the digest is of
//! the content, since another version of the deflate library may pack it differently.

mod check_pictures;

use check_pictures::{all_bits, sky};
use ndarray::{Array2, ArrayView2};
use radicand_export::*;
use sha2::{Digest, Sha256};
use std::fs;
use std::io::Read;
use std::path::{Path, PathBuf};

const FACTS: &str = include_str!("../../../fixtures/export_checks/facts.csv");
const STRETCH: &str = include_str!("../../../fixtures/export_checks/lupton_asinh.csv");

fn folder() -> PathBuf {
    let folder = Path::new(env!("CARGO_TARGET_TMPDIR")).join("export_checks");
    fs::create_dir_all(&folder).unwrap();
    folder
}

fn views(planes: &[Array2<f32>]) -> Vec<ArrayView2<'_, f32>> {
    planes.iter().map(|plane| plane.view()).collect()
}

fn digest(bytes: &[u8]) -> String {
    Sha256::digest(bytes)
        .iter()
        .map(|byte| format!("{byte:02x}"))
        .collect()
}

/// Takes all files of a test at once, so that all are there for make.py even when one
/// is not approved.
#[track_caller]
fn check_facts(contents: Vec<(&str, Vec<u8>)>) {
    for (name, content) in contents {
        check_fact(name, &content);
    }
}

#[track_caller]
fn check_fact(name: &str, content: &[u8]) {
    let known = FACTS
        .lines()
        .skip(1)
        .filter_map(|line| line.rsplit_once(','))
        .find(|(file, _)| file.split(',').next() == Some(name));
    let (_, approved) = known.unwrap_or_else(|| panic!("{name} is not in facts.csv"));
    assert_eq!(
        digest(content),
        approved,
        "{name} is not what make.py approved"
    );
}

fn write_tiff(name: &str, planes: &[Array2<f32>], options: TiffOptions) -> Vec<u8> {
    let path = folder().join(name);
    let options = TiffOptions {
        overwrite: Overwrite::Yes,
        self_check: SelfCheck::Reread,
        ..options
    };
    write_tiff_f32(&path, &views(planes), &options).unwrap();
    fs::read(&path).unwrap()
}

fn plain() -> TiffOptions {
    TiffOptions {
        description: Some("20 lights, 20 s".to_owned()),
        software: Some("radicand".to_owned()),
        date_time: Some("2031:01:14 23:12:00".to_owned()),
        orientation: 6,
        compression: TiffCompression::None,
        ..TiffOptions::default()
    }
}

/// The strips of a little-endian TIFF, inflated, one after the other.
fn inflated_strips(path: &Path) -> Vec<u8> {
    use tiff::tags::Tag;
    let mut decoder = tiff::decoder::Decoder::new(fs::File::open(path).unwrap()).unwrap();
    let offsets = decoder.get_tag_u64_vec(Tag::StripOffsets).unwrap();
    let lengths = decoder.get_tag_u64_vec(Tag::StripByteCounts).unwrap();
    let file = fs::read(path).unwrap();
    let mut content = Vec::new();
    for (offset, length) in offsets.into_iter().zip(lengths) {
        let strip = &file[offset as usize..(offset + length) as usize];
        flate2::read::ZlibDecoder::new(strip)
            .read_to_end(&mut content)
            .unwrap();
    }
    content
}

#[test]
#[cfg(target_endian = "little")] // TIFF is written in the machine's order.
fn uncompressed_tiff_is_the_approved_file() {
    let mut written = Vec::new();
    for (name, rows, columns, n_planes) in [
        ("plain_1x1.tif", 1, 1, 1),
        ("plain_3x2.tif", 2, 3, 1),
        ("plain_37x23_rgb.tif", 23, 37, 3),
    ] {
        let file = write_tiff(name, &all_bits(rows, columns, n_planes), plain());
        written.push((name, file));
    }
    let options = TiffOptions {
        container: TiffContainer::Big,
        ..plain()
    };
    let file = write_tiff("big_37x23_rgb.tif", &all_bits(23, 37, 3), options);
    written.push(("big_37x23_rgb.tif", file));
    check_facts(written);
}

#[test]
fn deflated_tiff_has_the_approved_content() {
    let mut written = Vec::new();
    for (name, planes) in [
        ("deflate_1x1.tif", all_bits(1, 1, 1)),
        ("deflate_1x301.tif", all_bits(301, 1, 1)),
        ("deflate_301x1_rgb.tif", all_bits(1, 301, 3)),
        ("deflate_37x23_rgb.tif", all_bits(23, 37, 3)),
        ("deflate_sky_700x500_rgb.tif", sky(500, 700, 3)),
    ] {
        write_tiff(name, &planes, TiffOptions::default());
        written.push((name, inflated_strips(&folder().join(name))));
    }
    check_facts(written);
}

#[test]
fn fits_is_the_approved_file() {
    let mut written = Vec::new();
    for (name, n_planes) in [("stack_37x23.fits", 1), ("stack_37x23_rgb.fits", 3)] {
        let [mean, variance, weight] =
            [0, 1, 2].map(|part| all_bits(23 * (part + 1), 37, n_planes));
        let top = |planes: &[Array2<f32>]| -> Vec<Array2<f32>> {
            planes
                .iter()
                .map(|plane| {
                    plane
                        .slice_axis(ndarray::Axis(0), ndarray::Slice::from(..23))
                        .to_owned()
                })
                .collect()
        };
        let (variance, weight) = (top(&variance), top(&weight));
        let rejected: Vec<_> = (0..n_planes)
            .map(|plane| {
                Array2::from_shape_fn((23, 37), |(row, column)| {
                    (row * 2849 + column + plane as usize) as u16
                })
            })
            .collect();
        let rejected: Vec<_> = rejected.iter().map(|plane| plane.view()).collect();
        let picture = FitsPicture {
            mean: &views(&mean),
            variance: &views(&variance),
            weight: &views(&weight),
            rejected: Some(&Counts(&rejected)),
            sky: None,
        };
        let path = folder().join(name);
        write_fits(&path, &picture, &fits_options()).unwrap();
        written.push((name, fs::read(&path).unwrap()));
    }
    check_facts(written);
}

fn fits_options() -> FitsOptions {
    let card = |keyword: &str, value, comment: &str| HeaderCard {
        keyword: keyword.to_owned(),
        value,
        comment: comment.to_owned(),
    };
    FitsOptions {
        date: Some("2031-01-15T08:00:00".to_owned()),
        cards: vec![
            card("DATE-OBS", CardValue::Text("2031-01-14T23:12:00".to_owned()), "first light"),
            card("EXPTIME", CardValue::Float(20.0), "[s] of one light"),
            card("NCOMBINE", CardValue::Integer(20), "lights combined"),
            card("ALIGNED", CardValue::Logical(true), "sky held still"),
            card(
                "LIGHTS",
                CardValue::Text("it's a name of a night and it is long enough to be continued on another card".repeat(2)),
                "",
            ),
        ],
        history: vec![
            "Lights calibrated, aligned by their stars, clipped at 3 sigma and combined with weights; 15 °C."
                .to_owned(),
        ],
        overwrite: Overwrite::Yes,
    }
}

#[test]
fn preview_decodes_to_the_approved_pixels() {
    let mut written = Vec::new();
    for (name, n_planes, orientation) in [
        ("preview_gray.png", 1, 1),
        ("preview_rgb.png", 3, 1),
        ("preview_rgb_turned.png", 3, 6),
    ] {
        let path = folder().join(name);
        let options = PreviewOptions {
            orientation,
            overwrite: Overwrite::Yes,
            ..PreviewOptions::default()
        };
        write_png16(&path, &views(&sky(60, 90, n_planes)), &options).unwrap();
        let decoder = png::Decoder::new(std::io::BufReader::new(fs::File::open(&path).unwrap()));
        let mut reader = decoder.read_info().unwrap();
        let mut pixels = vec![0; reader.output_buffer_size().unwrap()];
        let info = reader.next_frame(&mut pixels).unwrap();
        assert_eq!(info.bit_depth, png::BitDepth::Sixteen);
        written.push((name, pixels));
    }
    check_facts(written);
}

fn dng_options() -> DngOptions {
    DngOptions {
        camera: Some("Borealis NX-2".to_owned()),
        lens: Some("Borealis 17mm F1.8".to_owned()),
        exposure_s: Some(13.0),
        iso: Some(3200),
        f_number: Some(1.8),
        focal_length_mm: Some(17.0),
        captured: Some("2031:01:14 23:12:00".to_owned()),
        white_balance: Some([1.9, 1.0, 1.6]),
        // Invented, and near those of real sensors.
        color_matrix: Some([
            [0.72, -0.21, -0.06],
            [-0.43, 1.22, 0.24],
            [-0.09, 0.21, 0.58],
        ]),
        saturation_dn: Some(4000.0),
        orientation: 1,
        description: Some("20 lights, 20 s".to_owned()),
        software: Some("radicand".to_owned()),
        overwrite: Overwrite::Yes,
    }
}

#[test]
#[cfg(target_endian = "little")]
fn dng_is_the_approved_file() {
    let mut written = Vec::new();
    for (name, n_planes) in [("linear_90x60_gray.dng", 1), ("linear_90x60.dng", 3)] {
        let path = folder().join(name);
        write_linear_dng(&path, &views(&sky(60, 90, n_planes)), &dng_options()).unwrap();
        written.push((name, fs::read(&path).unwrap()));
    }
    check_facts(written);
}

#[test]
#[cfg(target_endian = "little")]
fn print_tiff_is_the_approved_file() {
    let mut written = Vec::new();
    for (name, n_planes) in [("print_90x60_gray.tif", 1), ("print_90x60.tif", 3)] {
        let path = folder().join(name);
        let options = PrintOptions {
            look: PreviewOptions {
                overwrite: Overwrite::Yes,
                ..PreviewOptions::default()
            },
            description: Some("20 lights, 20 s".to_owned()),
            software: Some("radicand".to_owned()),
            ..PrintOptions::default()
        };
        write_print_tiff(&path, &views(&sky(60, 90, n_planes)), &options).unwrap();
        written.push((name, fs::read(&path).unwrap()));
    }
    check_facts(written);
}

/// The reference works in f64 as well; the two differ by rounding.
const STRETCH_TOLERANCE: f64 = 1e-12;

#[test]
fn stretch_equals_the_published_scheme_in_astropy() {
    let mut n = 0;
    for line in STRETCH.lines().skip(1) {
        let v: Vec<f64> = line.split(',').map(|v| v.parse().unwrap()).collect();
        let stretch = AsinhStretch {
            black: v[0],
            white: v[1],
            softening: v[2],
        };
        let shown = stretch.apply([v[3], v[4], v[5]]);
        for (ours, reference) in shown.iter().zip(&v[6..9]) {
            assert!(
                (ours - reference).abs() < STRETCH_TOLERANCE,
                "{line}: {shown:?}"
            );
        }
        n += 1;
    }
    assert_eq!(n, 162, "rows of the table");
}
