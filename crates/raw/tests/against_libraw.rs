//! Decoded mosaics against LibRaw 0.22.2: geometry, filters, levels, every value.
//!
//! Values and their origin: `fixtures/raw_checks`.

mod support;

use radicand_raw::{Channel, DecodeFault, DecodeOptions, Decoder, Mosaic, decode};
use serde::Deserialize;
use sha2::{Digest, Sha256};
use std::path::PathBuf;
use support::{fixtures, shared, with_decoder_process};

#[derive(Deserialize)]
struct Values {
    files: Vec<Expected>,
}

#[derive(Clone, Deserialize)]
struct Expected {
    file: String,
    x0: usize,
    y0: usize,
    width: usize,
    height: usize,
    cfa: String,
    black_dn: Vec<f32>,
    white_dn: f32,
    mosaic_sha256: String,
}

fn expected(file: &str) -> Expected {
    let path = fixtures("raw_checks").join("values.json");
    let json = std::fs::read_to_string(path).expect("the values are committed");
    let values: Values = serde_json::from_str(&json).expect("the values are valid JSON");
    let mut files = values.files.into_iter();
    files
        .find(|f| f.file == file)
        .expect("a value for each file")
}

#[track_caller]
fn check(path: PathBuf, options: &DecodeOptions, decoder: Decoder) {
    let name = path
        .file_name()
        .expect("a file")
        .to_string_lossy()
        .into_owned();
    let expected = expected(&name);
    check_against(path, options, decoder, expected);
}

#[track_caller]
fn check_against(path: PathBuf, options: &DecodeOptions, decoder: Decoder, expected: Expected) {
    let frame = decode(&path, options).expect("this file can be read");
    let mosaic = &frame.mosaic;
    assert_eq!(frame.info.decoder, decoder);
    assert_eq!(mosaic.size(), (expected.width, expected.height));
    let area = mosaic.active_area;
    assert_eq!((area.x0, area.y0), (expected.x0, expected.y0));
    assert_eq!(filters(mosaic), expected.cfa);
    let by_site: Vec<f32> = (0..4)
        .map(|site| mosaic.black_level_dn.at(site / 2, site % 2))
        .collect();
    assert_eq!(by_site, expected.black_dn);
    for site in 0..4 {
        let white_dn = mosaic.white_level_dn.at(site / 2, site % 2);
        assert_eq!(white_dn, expected.white_dn);
    }
    assert_eq!(digest(mosaic), expected.mosaic_sha256);
}

fn filters(mosaic: &Mosaic) -> String {
    let sites = (0..4).map(|site| mosaic.cfa.at(site / 2, site % 2));
    sites.map(Channel::letter).collect()
}

fn digest(mosaic: &Mosaic) -> String {
    let bytes: Vec<u8> = mosaic.data.iter().flat_map(|v| v.to_le_bytes()).collect();
    let digest = Sha256::digest(&bytes);
    digest.iter().map(|byte| format!("{byte:02x}")).collect()
}

#[test]
fn committed_raws_are_read_as_libraw_reads_them() {
    for (file, decoder) in [
        ("canon_powershot_s40_crw_0113.crw", Decoder::Rawloader),
        ("kodak_dc120_p003908.kdc", Decoder::Rawloader),
        ("panoptes_081226_rewrapped.dng", Decoder::Dng),
        ("panoptes_081434_rewrapped.dng", Decoder::Dng),
    ] {
        check(
            fixtures("raw").join(file),
            &DecodeOptions::default(),
            decoder,
        );
    }
}

#[test]
fn raws_too_large_to_commit_are_read_as_libraw_reads_them() {
    let Some(folder) = shared("raw") else { return };
    for file in [
        "canon_powershot_g2_crw_0304.crw",
        "canon_powershot_s40_crw_0101.crw",
        "kodak_dc120_p003910.kdc",
    ] {
        check(
            folder.join(file),
            &DecodeOptions::default(),
            Decoder::Rawloader,
        );
    }
}

#[test]
fn without_a_second_decoder_the_error_says_what_the_first_said() {
    for file in [
        "kodak_dc120_p003913_compressed.kdc",
        "kodak_dc50_dc0010s.kdc",
    ] {
        let path = fixtures("raw").join(file);
        let error = decode(&path, &DecodeOptions::default()).expect_err("rawloader refuses it");
        assert_eq!(error.path, path);
        let DecodeFault::Undecodable { tried } = &error.fault else {
            panic!("{error}");
        };
        assert_eq!(tried.len(), 1);
        assert_eq!(tried[0].0, Decoder::Rawloader);
        assert!(!tried[0].1.is_empty());
    }
}

/// Both formats are lossy, and every decoder rounds their transforms in its own way:
/// rawler and LibRaw differ by up to 6 DN, so there is no digest to compare.
#[test]
fn the_second_decoder_agrees_on_geometry_and_filters() {
    for (file, white_dn) in [
        ("kodak_dc50_dc0010s.kdc", 16383.0),
        // A known disagreement: values of this file are sums of two bytes (LibRaw: 510),
        // rawler states the range of the uncompressed files of the same camera.
        ("kodak_dc120_p003913_compressed.kdc", 255.0),
    ] {
        let expected = expected(file);
        let path = fixtures("raw").join(file);
        let frame = decode(&path, &with_decoder_process()).expect("rawler reads it");
        assert_eq!(frame.info.decoder, Decoder::Rawler);
        assert_eq!(frame.mosaic.size(), (expected.width, expected.height));
        assert_eq!(filters(&frame.mosaic), expected.cfa);
        assert_eq!(frame.mosaic.white_level_dn.values(), [white_dn]);
        let agree = white_dn == expected.white_dn;
        assert_eq!(agree, file.contains("dc50"), "{} DN", expected.white_dn);
    }
}
