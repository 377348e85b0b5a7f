//! What capture metadata mean: times, offsets, exposures, names.

use super::*;
use jiff::civil::date;

fn tags(list: &[(u16, Value)]) -> Tags {
    list.iter().cloned().collect()
}

fn text(text: &str) -> Value {
    Value::Text(text.to_owned())
}

#[test]
fn sub_seconds_are_decimals_and_set_the_resolution() {
    let stated = "2026:01:17 23:04:05";
    for (sub_seconds, nanosecond, resolution_s) in [
        (None, 0, 1.0),
        (Some("5"), 500_000_000, 0.1),
        (Some("05"), 50_000_000, 0.01),
        (Some("050"), 50_000_000, 0.001),
        (Some("  "), 0, 1.0),
    ] {
        let time = parse_time(stated, sub_seconds, None).expect("a date");
        assert_eq!(time.local, date(2026, 1, 17).at(23, 4, 5, nanosecond));
        assert_eq!(time.resolution_s, resolution_s, "{sub_seconds:?}");
        assert_eq!(time.utc_offset_s, None);
    }
}

#[test]
fn dates_in_the_form_of_fits_are_read() {
    let time = parse_time("2026-01-17T23:04:05.25", None, Some("Z")).expect("a date");
    assert_eq!(time.local, date(2026, 1, 17).at(23, 4, 5, 250_000_000));
    assert_eq!(time.resolution_s, 0.01);
    assert_eq!(time.utc_offset_s, Some(0));
}

#[test]
fn a_clock_that_was_never_set_is_no_time() {
    for stated in [
        "0000:00:00 00:00:00",
        "",
        "    :  :     :  :  ",
        "2026:13:01 00:00:00",
    ] {
        assert_eq!(parse_time(stated, None, None), None, "{stated:?}");
    }
}

#[test]
fn utc_offsets_are_signed() {
    for (stated, offset_s) in [
        ("+01:00", Some(3600)),
        ("-03:30", Some(-12_600)),
        ("+0545", Some(20_700)),
        ("Z", Some(0)),
        ("+25:00", None),
        ("   ", None),
        ("01:00", None),
    ] {
        assert_eq!(parse_utc_offset(stated), offset_s, "{stated:?}");
    }
}

#[test]
fn a_full_sensitivity_tag_points_to_the_longer_ones() {
    let full = (SENSITIVITY, Value::Number(65535.0));
    let longer = (RECOMMENDED_EXPOSURE_INDEX, Value::Number(102_400.0));
    assert_eq!(iso(&tags(&[full.clone(), longer])), Some(102_400));
    assert_eq!(iso(&tags(&[full])), Some(65535));
    assert_eq!(
        iso(&tags(&[(SENSITIVITY, Value::Number(800.0))])),
        Some(800)
    );
    assert_eq!(iso(&tags(&[(SENSITIVITY, Value::Number(0.0))])), None);
    assert_eq!(iso(&Tags::new()), None);
}

#[test]
fn the_shutter_value_stands_in_for_a_missing_exposure_time() {
    let metadata = Metadata::from_tags(&tags(&[(SHUTTER_SPEED_VALUE, Value::Number(-3.0))]));
    assert_eq!(metadata.exposure_s, Some(8.0));
    let broken = Metadata::from_tags(&tags(&[(EXPOSURE_TIME, Value::Number(f64::NAN))]));
    assert_eq!(broken, Metadata::default());
}

#[test]
fn the_maker_is_not_said_twice() {
    let name = |make: &str, model: &str| camera_name(Some(make.into()), Some(model.into()));
    assert_eq!(name("Nordlys", "NX-1").as_deref(), Some("Nordlys NX-1"));
    assert_eq!(
        name("NORDLYS CORP", "Nordlys 5").as_deref(),
        Some("Nordlys 5")
    );
    assert_eq!(
        camera_name(None, Some("NX-1".into())).as_deref(),
        Some("NX-1")
    );
    assert_eq!(camera_name(None, None), None);
}

#[test]
fn texts_lose_their_padding() {
    let metadata = Metadata::from_tags(&tags(&[(MODEL, text("NX-1 \0\0"))]));
    assert_eq!(metadata.camera.as_deref(), Some("NX-1"));
    let blank = Metadata::from_tags(&tags(&[(LENS_MODEL, text("  \0"))]));
    assert_eq!(blank.lens, None);
}

#[test]
fn multipliers_are_scaled_to_green() {
    assert_eq!(white_balance([4.0, 2.0, 3.0]), Some([2.0, 1.0, 1.5]));
    assert_eq!(white_balance([4.0, f64::NAN, 3.0]), None);
    assert_eq!(white_balance([0.0, 1.0, 1.0]), None);
}

/// One directory with Orientation = 6 in little-endian TIFF, under another magic number.
#[test]
fn tiff_under_another_magic_number_is_read() {
    for magic in [b"II\x2a\0", b"IIRO", b"IIRS", b"IIU\0"] {
        let mut bytes = magic.to_vec();
        bytes.extend([8, 0, 0, 0, 1, 0]);
        bytes.extend([0x12, 0x01, 3, 0, 1, 0, 0, 0, 6, 0, 0, 0]);
        bytes.extend([0; 4]);
        let tags = kamadak_tags(&bytes);
        assert_eq!(
            tags.get(&ORIENTATION),
            Some(&Value::Number(6.0)),
            "{magic:?}"
        );
    }
}

#[test]
fn the_pitch_of_photosites_follows_from_their_number_in_a_unit() {
    // 4.35 µm: 5839 px an inch, 2298.9 px a centimeter (EXIF 2.32, tags 41486 and 41488).
    for (per_unit, unit) in [(5839.08, None), (5839.08, Some(2.0)), (2298.85, Some(3.0))] {
        let pitch = pitch_um(per_unit, unit).expect("a pitch");
        assert!((pitch - 4.35).abs() < 1e-4, "{pitch}");
    }
    assert_eq!(pitch_um(72.0, Some(2.0)), None, "a resolution for printing");
    assert_eq!(pitch_um(5839.0, Some(1.0)), None, "no unit");
}
