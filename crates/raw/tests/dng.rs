//! DNG as its standard states it: byte orders, packings, levels, odd active areas.

mod support;

use ndarray::{Array2, Axis, Slice};
use radicand_raw::{Cfa, DecodeFault, DecodeOptions, Decoder, Frame, Rect, decode};
use support::dng::Dng;

const RGGB: [u32; 4] = [0, 1, 1, 2];
const WIDTH: usize = 37;
const HEIGHT: usize = 29;

fn samples(bits: u16) -> Vec<u16> {
    let mask = ((1_u32 << bits) - 1) as u16;
    let n = (WIDTH * HEIGHT) as u32;
    (0..n)
        .map(|i| (i.wrapping_mul(40_503) >> 3) as u16 & mask)
        .collect()
}

fn dng() -> Dng {
    Dng::cfa(WIDTH as u32, HEIGHT as u32, samples(16), RGGB)
}

fn read(dng: &Dng) -> Result<Frame, DecodeFault> {
    let file = tempfile::NamedTempFile::new().expect("a temporary file");
    std::fs::write(file.path(), dng.bytes()).expect("a writable file");
    decode(file.path(), &DecodeOptions::default()).map_err(|error| error.fault)
}

#[track_caller]
fn unsupported(dng: &Dng) -> String {
    match read(dng) {
        Err(DecodeFault::Unsupported(what)) => what,
        other => panic!("{other:?}"),
    }
}

#[test]
fn every_packing_byte_order_and_strip_height_gives_the_same_values() {
    for bits in [8, 10, 12, 14, 16] {
        for big_endian in [false, true] {
            for rows_per_strip in [1, 7, 29] {
                let mut dng = dng();
                dng.bits = bits;
                dng.samples = samples(bits);
                dng.big_endian = big_endian;
                dng.rows_per_strip = rows_per_strip;
                let frame = read(&dng).expect("a valid DNG");
                let case = format!("{bits} bits, big endian {big_endian}, {rows_per_strip} rows");
                assert_eq!(frame.info.decoder, Decoder::Dng, "{case}");
                let expected = Array2::from_shape_vec((HEIGHT, WIDTH), samples(bits));
                assert_eq!(Ok(frame.mosaic.data), expected, "{case}");
                let white_dn = ((1_u32 << bits) - 1) as f32;
                assert_eq!(frame.mosaic.white_level_dn.values(), [white_dn], "{case}");
            }
        }
    }
}

#[test]
fn filters_and_levels_count_from_an_odd_active_area() {
    let mut dng = dng();
    dng.long(50829, &[3, 5, 27, 36]);
    dng.short(50713, &[2, 2]);
    dng.rational(50714, &[2000, 10, 2001, 10, 2002, 10, 2003, 10]);
    dng.long(50717, &[15000]);
    let mosaic = read(&dng).expect("a valid DNG").mosaic;
    let area = Rect {
        x0: 5,
        y0: 3,
        x1: 36,
        y1: 27,
    };
    assert_eq!(mosaic.active_area, area);
    assert_eq!(Some(mosaic.cfa), Cfa::bayer("RGGB"));
    assert_eq!(mosaic.black_level_dn.values(), [200.0, 200.1, 200.2, 200.3]);
    assert_eq!(mosaic.white_level_dn.values(), [15000.0]);
    let whole = Array2::from_shape_vec((HEIGHT, WIDTH), samples(16)).expect("as many values");
    let rows = whole.slice_axis(Axis(0), Slice::from(3..27));
    assert_eq!(mosaic.data, rows.slice_axis(Axis(1), Slice::from(5..36)));
}

#[test]
fn row_and_column_corrections_of_the_black_level_are_averaged() {
    let mut dng = dng();
    dng.short(50714, &[500]);
    // Averages 2 and 0.5.
    dng.rational(50715, &[1, 1, 3, 1]);
    dng.rational(50716, &[0, 1, 1, 1]);
    let mosaic = read(&dng).expect("a valid DNG").mosaic;
    assert_eq!(mosaic.black_level_dn.values(), [502.5]);
}

#[test]
fn a_linearization_table_is_applied() {
    let mut dng = dng();
    dng.bits = 8;
    dng.samples = samples(8);
    let table: Vec<u32> = (0..200).map(|i| i * i).collect();
    dng.short(50712, &table);
    let mosaic = read(&dng).expect("a valid DNG").mosaic;
    let expected = samples(8).into_iter().map(|v| {
        let entry = v.min(199);
        entry * entry
    });
    assert!(mosaic.data.iter().copied().eq(expected));
    assert_eq!(mosaic.white_level_dn.values(), [199.0 * 199.0]);
}

#[test]
fn a_monochrome_dng_is_monochrome() {
    let mono = Dng::mono(WIDTH as u32, HEIGHT as u32, samples(16));
    let mosaic = read(&mono).expect("a valid DNG").mosaic;
    assert_eq!(mosaic.cfa, Cfa::mono());
}

#[test]
fn what_has_no_mosaic_is_refused() {
    let mut demosaiced = Dng::mono(WIDTH as u32, HEIGHT as u32, samples(16));
    demosaiced.short(277, &[3]);
    assert_eq!(
        unsupported(&demosaiced),
        "a DNG that is already demosaiced (3 values a pixel)"
    );
    let mut float = dng();
    float.short(339, &[3]);
    assert_eq!(unsupported(&float), "a DNG of floating-point values");
    let mut diamond = dng();
    diamond.short(50711, &[2]);
    assert!(unsupported(&diamond).contains("layout 2"));
    let mut cyan = dng();
    cyan.short(33422, &[0, 1, 3, 2]);
    assert_eq!(unsupported(&cyan), "filters other than red, green and blue");
}

#[test]
fn contradictions_are_named() {
    let fault = |change: &dyn Fn(&mut Dng)| {
        let mut dng = dng();
        change(&mut dng);
        read(&dng).expect_err("a contradiction").to_string()
    };
    let area = fault(&|dng| dng.long(50829, &[0, 0, 29, 38]));
    assert!(
        area.contains("ends at (38, 29), the sensor at (37, 29)"),
        "{area}"
    );
    let levels = fault(&|dng| dng.short(50714, &[65535]));
    assert!(
        levels.contains("white level 65535 DN is not above black level"),
        "{levels}"
    );
    let pattern = fault(&|dng| dng.short(33421, &[3, 2]));
    assert!(pattern.contains("4 entries, 3 x 2 needed"), "{pattern}");
}

#[test]
fn facts_of_the_camera_come_along() {
    let mut dng = dng();
    dng.rational(50728, &[1, 2, 1, 1, 4, 5]);
    dng.short(274, &[6]);
    dng.rational(33434, &[1, 40]);
    let info = read(&dng).expect("a valid DNG").info;
    assert_eq!(info.camera.as_deref(), Some("Nordlys NX-1"));
    assert_eq!(info.white_balance, Some([2.0, 1.0, 1.25]));
    assert_eq!(info.orientation, 6);
    assert_eq!(info.exposure_s, Some(0.025));
    assert_eq!(info.captured, None);
}

#[test]
fn capture_metadata_come_from_the_exif_directory() {
    for big_endian in [false, true] {
        let mut dng = dng();
        dng.big_endian = big_endian;
        dng.exif = vec![
            (33434, 5, vec![30, 1]),
            (33437, 5, vec![28, 10]),
            (34855, 3, vec![65535]),
            (34866, 4, vec![102_400]),
            (37386, 5, vec![240, 10]),
        ];
        dng.exif_texts = vec![
            (36867, "2026:01:17 23:04:05"),
            (36881, "+01:00"),
            (37521, "25"),
            (42036, "Polar 24 mm f/2.8"),
        ];
        let info = read(&dng).expect("a valid DNG").info;
        assert_eq!(info.exposure_s, Some(30.0));
        assert_eq!(info.aperture, Some(2.8));
        assert_eq!(info.iso, Some(102_400));
        assert_eq!(info.focal_length_mm, Some(24.0));
        assert_eq!(info.lens.as_deref(), Some("Polar 24 mm f/2.8"));
        let captured = info.captured.expect("a time");
        assert_eq!(captured.local.to_string(), "2026-01-17T23:04:05.25");
        assert_eq!(captured.resolution_s, 0.01);
        assert_eq!(captured.utc_offset_s, Some(3600));
    }
}

#[test]
fn a_mosaic_without_a_maker_needs_no_version() {
    let mut dng = dng();
    dng.fields.retain(|(tag, ..)| *tag != 50706);
    dng.texts.clear();
    let frame = read(&dng).expect("a mosaic in TIFF");
    assert_eq!(frame.info.decoder, Decoder::Dng);
    assert_eq!(frame.info.camera, None);
}

#[test]
fn a_sensor_beyond_the_limit_is_refused_before_it_is_allocated() {
    let mut dng = dng();
    dng.width = 60_000;
    dng.height = 60_000;
    let fault = read(&dng).expect_err("too large");
    assert!(
        matches!(
            fault,
            DecodeFault::LimitExceeded {
                asked: 3_600_000_000,
                ..
            }
        ),
        "{fault}"
    );
}
