//! FITS mosaics and monochrome frames, from every way sensors are written.

mod support;

use radicand_raw::{Cfa, DecodeFault, DecodeOptions, Decoder, Frame, FrameKind, decode};
use support::fits::{card, fits, picture, unsigned_16};
use support::{fixtures, shared};

const WIDTH: usize = 20;
const HEIGHT: usize = 18;

fn samples() -> Vec<u16> {
    let n = (WIDTH * HEIGHT) as u32;
    (0..n).map(|i| ((i * 40_503) >> 2) as u16).collect()
}

fn read(bytes: &[u8]) -> Result<Frame, DecodeFault> {
    let file = tempfile::NamedTempFile::new().expect("a temporary file");
    std::fs::write(file.path(), bytes).expect("a writable file");
    decode(file.path(), &DecodeOptions::default()).map_err(|error| error.fault)
}

/// Writes `values` with `to_bytes` and BITPIX, and reads them back.
fn round_trip<T: Copy>(
    bitpix: i32,
    more: &[String],
    values: &[T],
    to_bytes: impl Fn(T) -> Vec<u8>,
) -> Result<Vec<u16>, DecodeFault> {
    let mut cards = picture(bitpix, WIDTH, HEIGHT);
    cards.extend(more.iter().cloned());
    let data: Vec<u8> = values.iter().flat_map(|&v| to_bytes(v)).collect();
    read(&fits(&cards, &data)).map(|frame| frame.mosaic.data.into_iter().collect())
}

#[test]
fn every_number_format_gives_the_same_values() {
    let samples = samples();
    let small: Vec<u16> = samples.iter().map(|v| v & 0x7fff).collect();
    let bytes: Vec<u16> = samples.iter().map(|v| v & 0xff).collect();
    let frame = read(&unsigned_16(WIDTH, &samples, &[])).expect("a valid FITS");
    assert!(frame.mosaic.data.iter().eq(&samples));
    assert_eq!(frame.info.decoder, Decoder::Fits);
    assert_eq!(frame.mosaic.white_level_dn.values(), [65535.0]);
    let signed = round_trip(16, &[], &small, |v| (v as i16).to_be_bytes().to_vec());
    assert_eq!(signed.expect("a valid FITS"), small);
    let byte = round_trip(8, &[], &bytes, |v| vec![v as u8]);
    assert_eq!(byte.expect("a valid FITS"), bytes);
    let long = round_trip(32, &[], &samples, |v| i32::from(v).to_be_bytes().to_vec());
    assert_eq!(long.expect("a valid FITS"), samples);
    let float = round_trip(-32, &[], &samples, |v| f32::from(v).to_be_bytes().to_vec());
    assert_eq!(float.expect("a valid FITS"), samples);
    let double = round_trip(-64, &[], &samples, |v| f64::from(v).to_be_bytes().to_vec());
    assert_eq!(double.expect("a valid FITS"), samples);
    let scale = [card("BSCALE", "2.0"), card("BZERO", "1.0")];
    let scaled = round_trip(16, &scale, &bytes, |v| (v as i16).to_be_bytes().to_vec());
    let expected: Vec<u16> = bytes.iter().map(|v| 2 * v + 1).collect();
    assert_eq!(scaled.expect("a valid FITS"), expected);
}

#[test]
fn values_that_no_sensor_records_are_refused() {
    for bad in [-1.0, 0.5, 65536.0, f32::NAN, f32::INFINITY] {
        let mut values = vec![7.0_f32; WIDTH * HEIGHT];
        values[33] = bad;
        let fault = round_trip(-32, &[], &values, |v| v.to_be_bytes().to_vec());
        let Err(DecodeFault::Unsupported(what)) = fault else {
            panic!("{bad}: {fault:?}");
        };
        assert!(what.contains("at pixel 33"), "{what}");
    }
}

#[test]
fn bayer_patterns_are_moved_by_their_offsets() {
    for (cards, expected) in [
        (vec![], None),
        (vec![card("BAYERPAT", "'RGGB    '")], Some("RGGB")),
        (vec![card("BAYERPAT", "'gbrg'")], Some("GBRG")),
        (vec![card("FILTER", "'RGGB    '")], Some("RGGB")),
        (vec![card("FILTER", "'Ha'")], None),
        (
            vec![card("BAYERPAT", "'RGGB'"), card("XBAYROFF", "1")],
            Some("GRBG"),
        ),
        (
            vec![card("BAYERPAT", "'RGGB'"), card("YBAYROFF", "1")],
            Some("GBRG"),
        ),
        (
            vec![card("BAYERPAT", "'RGGB'"), card("YBAYROFF", "-2")],
            Some("RGGB"),
        ),
        (
            vec![card("BAYERPAT", "'RGGB'"), card("ROWORDER", "'BOTTOM-UP'")],
            Some("GBRG"),
        ),
        (
            vec![card("BAYERPAT", "'RGGB'"), card("ROWORDER", "'TOP-DOWN'")],
            Some("RGGB"),
        ),
    ] {
        let frame = read(&unsigned_16(WIDTH, &samples(), &cards)).expect("a valid FITS");
        let expected = match expected {
            Some(letters) => Cfa::bayer(letters).expect("a Bayer array"),
            None => Cfa::mono(),
        };
        assert_eq!(frame.mosaic.cfa, expected, "{cards:?}");
    }
    let strange = unsigned_16(WIDTH, &samples(), &[card("BAYERPAT", "'CMYG'")]);
    assert!(matches!(read(&strange), Err(DecodeFault::Unsupported(_))));
}

#[test]
fn header_cards_become_metadata() {
    let cards = [
        card("EXPTIME", "120.5"),
        card("GAIN", "101"),
        card("DATE-OBS", "'2026-01-17T23:04:05.250'"),
        card("IMAGETYP", "'Dark Frame'"),
        card("CCD-TEMP", "-10.5"),
        card("FOCALLEN", "135."),
        card("FOCRATIO", "2.8"),
        card("INSTRUME", "'Nordlys NX-1'"),
        card("PEDESTAL", "-100"),
        card("SATURATE", "16383"),
    ];
    let frame = read(&unsigned_16(WIDTH, &samples(), &cards)).expect("a valid FITS");
    let info = &frame.info;
    assert_eq!(info.exposure_s, Some(120.5));
    assert_eq!(info.iso, Some(101));
    assert_eq!(info.declared_kind, Some(FrameKind::Dark));
    assert_eq!(info.temperature_c, Some(-10.5));
    assert_eq!(info.focal_length_mm, Some(135.0));
    assert_eq!(info.aperture, Some(2.8));
    assert_eq!(info.camera.as_deref(), Some("Nordlys NX-1"));
    let captured = info.captured.expect("a time");
    assert_eq!(captured.local.to_string(), "2026-01-17T23:04:05.25");
    assert_eq!(captured.resolution_s, 0.001);
    assert_eq!(captured.utc_offset_s, Some(0));
    assert_eq!(frame.mosaic.black_level_dn.values(), [100.0]);
    assert_eq!(frame.mosaic.white_level_dn.values(), [16383.0]);
}

#[test]
fn where_the_telescope_looked_is_read_in_every_usual_form() {
    let at = |cards: &[String]| {
        let frame = read(&unsigned_16(WIDTH, &samples(), cards)).expect("a frame");
        let point = frame.info.pointing?;
        Some([point.ra_deg, point.dec_deg].map(|deg| (deg * 1e6).round() / 1e6))
    };
    let celestial = [
        card("CTYPE1", "'RA---TAN'"),
        card("CTYPE2", "'DEC--TAN'"),
        card("CRVAL1", "83.82"),
        card("CRVAL2", "-5.39"),
        card("RA", "1.0"),
        card("DEC", "2.0"),
    ];
    assert_eq!(at(&celestial), Some([83.82, -5.39]));
    assert_eq!(at(&celestial[4..]), Some([1.0, 2.0]));
    // 5 h 35 min 17.3 s are 83.822083°.
    let texts = [
        card("OBJCTRA", "'05 35 17.3'"),
        card("OBJCTDEC", "'-05 23 28'"),
    ];
    assert_eq!(at(&texts), Some([83.822_083, -5.391_111]));
    let colons = [card("RA", "'23:30'"), card("DEC", "'-00:30:00'")];
    assert_eq!(at(&colons), Some([352.5, -0.5]));
    assert_eq!(at(&[card("RA", "1.0"), card("DEC", "91.0")]), None);
    assert_eq!(at(&[card("RA", "'unknown'"), card("DEC", "2.0")]), None);
    assert_eq!(at(&[]), None);
}

#[test]
fn a_file_that_ends_early_is_told_with_both_lengths() {
    let whole = unsigned_16(WIDTH, &samples(), &[]);
    let needed = 2880 + 2 * WIDTH * HEIGHT;
    for length in [2880, 2881, needed - 1] {
        let fault = read(&whole[..length]).expect_err("too short");
        let DecodeFault::Truncated {
            needed: n, found, ..
        } = fault
        else {
            panic!("{length}: {fault}");
        };
        assert_eq!((n, found), (needed as u64, length as u64));
    }
    // Only the filling of the last block is missing: all values are there.
    assert!(read(&whole[..needed]).is_ok());
}

#[test]
fn three_planes_are_no_mosaic() {
    let mut cards = picture(8, WIDTH, HEIGHT);
    cards[1] = card("NAXIS", "3");
    cards.push(card("NAXIS3", "3"));
    let fault = read(&fits(&cards, &[9; 3 * WIDTH * HEIGHT])).expect_err("three planes");
    assert!(fault.to_string().contains("already demosaiced"), "{fault}");
}

#[test]
fn a_mosaic_in_fits_and_in_dng_is_the_same() {
    let Some(folder) = shared("stars") else {
        return;
    };
    for (in_fits, in_dng) in [
        (
            "panoptes_kic8462852_081226.fits",
            "panoptes_081226_rewrapped.dng",
        ),
        // Tile-compressed by Rice's method.
        (
            "panoptes_kic8462852_081434.fits.fz",
            "panoptes_081434_rewrapped.dng",
        ),
    ] {
        let options = DecodeOptions::default();
        let fits = decode(&folder.join(in_fits), &options).expect("a valid FITS");
        let dng = decode(&fixtures("raw").join(in_dng), &options).expect("a valid DNG");
        assert_eq!(fits.mosaic.data, dng.mosaic.data);
        // The header's RGGB is that of the picture as displayed, bottom row first, and no
        // keyword says so: without one, rows are taken in file order.
        assert_eq!(Some(fits.mosaic.cfa), Cfa::bayer("RGGB"));
        assert_eq!(Some(dng.mosaic.cfa), Cfa::bayer("GBRG"));
        assert_eq!(fits.info.exposure_s, Some(120.4));
        assert_eq!(fits.info.iso, Some(100));
    }
}
