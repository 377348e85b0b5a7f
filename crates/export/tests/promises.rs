//! Promises of every writer: nothing lost, nothing half-written, nothing overwritten,
//! nothing that depends on the number of threads.

mod check_pictures;

use check_pictures::{all_bits, sky};
use ndarray::{Array2, ArrayView2, Axis};
use radicand_export::*;
use std::fs;
use std::path::Path;

fn views(planes: &[Array2<f32>]) -> Vec<ArrayView2<'_, f32>> {
    planes.iter().map(|plane| plane.view()).collect()
}

/// Writes all three formats of `planes` into `folder`.
fn write_all(folder: &Path, planes: &[ArrayView2<'_, f32>]) -> Result<(), ExportError> {
    write_tiff_f32(&folder.join("a.tif"), planes, &TiffOptions::default())?;
    let picture = FitsPicture {
        mean: &planes,
        variance: &planes,
        weight: &planes,
        rejected: None,
        sky: None,
    };
    write_fits(&folder.join("a.fits"), &picture, &FitsOptions::default())?;
    write_png16(&folder.join("a.png"), planes, &PreviewOptions::default())
}

fn bytes_of_all(planes: &[ArrayView2<'_, f32>]) -> [Vec<u8>; 3] {
    let folder = tempfile::tempdir().unwrap();
    write_all(folder.path(), planes).unwrap();
    ["a.tif", "a.fits", "a.png"].map(|name| fs::read(folder.path().join(name)).unwrap())
}

#[test]
fn every_size_and_every_bit_survives_the_tiff() {
    let folder = tempfile::tempdir().unwrap();
    let mut n = 0;
    for compression in [TiffCompression::Deflate, TiffCompression::None] {
        for container in [TiffContainer::Auto, TiffContainer::Big] {
            for (rows, columns) in [(1, 1), (1, 7), (7, 1), (2, 3), (64, 65), (1, 300_000)] {
                for n_planes in [1, 3] {
                    let planes = all_bits(rows, columns, n_planes);
                    let path = folder.path().join(format!("{n}.tif"));
                    let options = TiffOptions {
                        compression,
                        container,
                        ..TiffOptions::default()
                    };
                    write_tiff_f32(&path, &views(&planes), &options).unwrap();
                    check_tiff_f32(&path, &views(&planes)).unwrap();
                    n += 1;
                }
            }
        }
    }
}

#[test]
fn a_turned_or_flipped_view_is_written_as_it_is_seen() {
    let planes = all_bits(5, 9, 3);
    let mut turned: Vec<_> = planes.iter().map(|plane| plane.t()).collect();
    for plane in &mut turned {
        plane.invert_axis(Axis(1));
    }
    let copies: Vec<_> = turned.iter().map(|plane| plane.to_owned()).collect();
    assert_eq!(bytes_of_all(&turned), bytes_of_all(&views(&copies)));
}

#[test]
fn number_of_threads_changes_no_byte() {
    let planes = sky(421, 733, 3);
    let views = views(&planes);
    let with_threads = |n| {
        let pool = rayon::ThreadPoolBuilder::new()
            .num_threads(n)
            .build()
            .unwrap();
        pool.install(|| bytes_of_all(&views))
    };
    let one = with_threads(1);
    for n in [2, 5] {
        assert!(one == with_threads(n), "{n} threads");
    }
}

#[test]
fn no_writer_touches_an_existing_file() {
    let planes = sky(4, 5, 1);
    for name in ["a.tif", "a.fits", "a.png"] {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join(name);
        fs::write(&path, "mine").unwrap();
        let error = write_all(folder.path(), &views(&planes)).unwrap_err();
        assert!(matches!(&error, ExportError::Exists { path: named } if *named == path));
        assert_eq!(fs::read(&path).unwrap(), b"mine");
    }
}

#[test]
fn bad_pictures_leave_no_file() {
    let (wide, tall) = (Array2::zeros((2, 3)), Array2::zeros((3, 2)));
    let empty = Array2::zeros((0, 3));
    let bad: [Vec<ArrayView2<'_, f32>>; 4] = [
        vec![],
        vec![wide.view(), wide.view()],
        vec![wide.view(), wide.view(), tall.view()],
        vec![empty.view()],
    ];
    for planes in &bad {
        let folder = tempfile::tempdir().unwrap();
        let good = [wide.view()];
        let in_folder = |name| folder.path().join(name);
        assert!(write_tiff_f32(&in_folder("a.tif"), planes, &TiffOptions::default()).is_err());
        assert!(write_png16(&in_folder("a.png"), planes, &PreviewOptions::default()).is_err());
        let parts: [[&dyn PictureRows; 3]; 3] = [
            [planes, &good, &good],
            [&good, planes, &good],
            [&good, &good, planes],
        ];
        for [mean, variance, weight] in parts {
            let picture = FitsPicture {
                mean,
                variance,
                weight,
                rejected: None,
                sky: None,
            };
            assert!(write_fits(&in_folder("a.fits"), &picture, &FitsOptions::default()).is_err());
        }
        assert_eq!(fs::read_dir(folder.path()).unwrap().count(), 0);
    }
}

/// Decoded 16-bit samples of a preview, and its width.
fn preview(planes: &[ArrayView2<'_, f32>], options: &PreviewOptions) -> (Vec<u16>, usize) {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("a.png");
    write_png16(&path, planes, options).unwrap();
    let file = std::io::BufReader::new(fs::File::open(&path).unwrap());
    let mut reader = png::Decoder::new(file).read_info().unwrap();
    let mut pixels = vec![0; reader.output_buffer_size().unwrap()];
    let info = reader.next_frame(&mut pixels).unwrap();
    let samples = pixels
        .chunks_exact(2)
        .map(|pair| u16::from_be_bytes([pair[0], pair[1]]));
    (samples.collect(), info.width as usize)
}

#[test]
fn preview_of_nothing_is_black() {
    for value in [f32::NAN, f32::INFINITY, f32::NEG_INFINITY] {
        let plane = Array2::from_elem((3, 4), value);
        let (samples, _) = preview(&[plane.view(); 3], &PreviewOptions::default());
        assert_eq!(samples, [0; 36], "{value}");
    }
}

/// The sky's level in the preview: 65535 x (1.055 x 0.02^(1/2.4) - 0.055).
const SKY_SAMPLE: u16 = 9942;

/// Rounding to 16 bits and of the bisection for the softening.
const SKY_SAMPLE_TOLERANCE: u16 = 1;

#[test]
fn an_even_field_is_shown_as_sky_whatever_its_value() {
    for value in [-3.0, 0.0, 1e-3, 700.0, 1e9] {
        let plane = Array2::from_elem((3, 4), value);
        let (samples, _) = preview(&[plane.view()], &PreviewOptions::default());
        for sample in samples {
            assert!(
                sample.abs_diff(SKY_SAMPLE) <= SKY_SAMPLE_TOLERANCE,
                "{value}: {sample}"
            );
        }
    }
}

#[test]
fn missing_pixels_are_black_and_the_sky_is_neutral_whatever_its_color() {
    let mut planes = sky(200, 300, 3);
    for (plane, (gain, offset)) in planes
        .iter_mut()
        .zip([(1.0, 500.0), (2.0, 900.0), (0.7, -30.0)])
    {
        plane.mapv_inplace(|value| value * gain + offset);
    }
    planes[1][[70, 41]] = f32::NAN;
    let (samples, width) = preview(&views(&planes), &PreviewOptions::default());
    let at = 3 * (70 * width + 41);
    assert_eq!(samples[at..at + 3], [0; 3]);
    for channel in 0..3 {
        let mut values: Vec<_> = samples.iter().skip(channel).step_by(3).copied().collect();
        values.sort_unstable();
        let median = values[values.len() / 2];
        // A sky of other than 3 per cent of the sky's level would show as a cast.
        assert!(
            median.abs_diff(SKY_SAMPLE) < SKY_SAMPLE / 33,
            "channel {channel}: {median}"
        );
    }
}

#[test]
fn saturated_stars_are_white_when_the_level_is_known() {
    let mut planes = sky(200, 300, 3);
    for plane in &mut planes {
        plane[[50, 60]] = 16_000.0;
    }
    let options = PreviewOptions {
        white_balance: Some([2.0, 1.0, 1.5]),
        ..PreviewOptions::default()
    };
    let star = |options: &PreviewOptions| {
        let (samples, width) = preview(&views(&planes), options);
        let at = 3 * (50 * width + 60);
        [samples[at], samples[at + 1], samples[at + 2]]
    };
    let [red, green, _] = star(&options);
    assert!(green < red, "magenta without the level");
    let known = PreviewOptions {
        saturation_dn: Some(16_000.0),
        ..options
    };
    let [red, green, blue] = star(&known);
    assert_eq!((red, blue), (green, green));
}

#[test]
fn ground_much_darker_than_a_colored_sky_is_not_colored() {
    let mut planes = sky(200, 300, 3);
    for (plane, sky_dn) in planes.iter_mut().zip([900.0, 600.0, 400.0]) {
        for ((row, _), value) in plane.indexed_iter_mut() {
            *value = if row < 150 { *value + sky_dn } else { 20.0 };
        }
    }
    let options = PreviewOptions {
        white_balance: Some([2.0, 1.0, 1.5]),
        ..PreviewOptions::default()
    };
    let (samples, width) = preview(&views(&planes), &options);
    let ground = &samples[3 * (180 * width + 100)..][..3];
    let (low, high) = (ground.iter().min().unwrap(), ground.iter().max().unwrap());
    assert!(0 < *low, "not crushed: {ground:?}");
    // A thirtieth of the range is a difference that is hardly seen in the dark.
    assert!(high - low < u16::MAX / 30, "{ground:?}");
}

#[test]
fn the_longest_side_is_kept_to() {
    let planes = sky(200, 301, 1);
    for (limit, want) in [
        (None, 301),
        (Some(301), 301),
        (Some(300), 151),
        (Some(100), 76),
        (Some(1), 1),
    ] {
        let options = PreviewOptions {
            max_side_px: limit,
            ..PreviewOptions::default()
        };
        assert_eq!(
            preview(&views(&planes), &options).1,
            want,
            "limit {limit:?}"
        );
    }
}
