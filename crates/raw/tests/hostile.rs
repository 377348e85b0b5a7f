//! Damaged and hostile files: always an error or a whole frame, never a panic.

mod support;

use radicand_raw::{DecodeFault, DecodeOptions, decode};
use rand::SeedableRng;
use rand_chacha::ChaCha8Rng;
use std::path::Path;
use support::fits::{card, unsigned_16};
use support::{fixtures, mutate::mutate, with_decoder_process};

fn seeds() -> Vec<(&'static str, Vec<u8>)> {
    let raw = |name: &str| std::fs::read(fixtures("raw").join(name)).expect("a fixture");
    let samples: Vec<u16> = (0..64 * 48).map(|i| 500 + i % 91).collect();
    let mut dng = support::dng::Dng::cfa(64, 48, samples.clone(), [0, 1, 1, 2]);
    dng.rows_per_strip = 10;
    let cards = [card("BAYERPAT", "'RGGB'"), card("EXPTIME", "30.0")];
    vec![
        ("kdc", raw("kodak_dc120_p003908.kdc")),
        ("kdc", raw("kodak_dc50_dc0010s.kdc")),
        ("crw", raw("canon_powershot_s40_crw_0113.crw")),
        ("dng", dng.bytes()),
        ("fits", unsigned_16(64, &samples, &cards)),
    ]
}

/// Whatever comes out has as many values as it says.
fn survive(path: &Path, bytes: &[u8], options: &DecodeOptions) -> bool {
    std::fs::write(path, bytes).expect("a writable folder");
    match decode(path, options) {
        Ok(frame) => {
            let (width, height) = frame.mosaic.size();
            let area = frame.mosaic.active_area;
            assert_eq!((area.width(), area.height()), (width, height));
            true
        }
        Err(error) => {
            assert_eq!(error.path, path);
            false
        }
    }
}

#[test]
fn mutated_files_never_panic() {
    const N_EACH: u64 = 40;
    let dir = tempfile::tempdir().expect("a temporary folder");
    let options = with_decoder_process();
    let mut n_read = 0;
    let seeds = seeds();
    for (i, (extension, seed)) in seeds.iter().enumerate() {
        let (_, other) = &seeds[(i + 1) % seeds.len()];
        let path = dir.path().join(format!("mutated.{extension}"));
        for case in 0..N_EACH {
            let mut rng = ChaCha8Rng::seed_from_u64(case);
            let mut bytes = seed.clone();
            mutate(&mut bytes, other, &mut rng);
            n_read += usize::from(survive(&path, &bytes, &options));
        }
    }
    // Changed pixel values alone leave a file readable: some have to come through.
    assert!(n_read > 0);
}

#[test]
fn files_that_were_cut_short_are_errors() {
    const N_EACH: usize = 40;
    let dir = tempfile::tempdir().expect("a temporary folder");
    for (extension, seed) in seeds() {
        let path = dir.path().join(format!("cut.{extension}"));
        let whole = survive(&path, &seed, &DecodeOptions::default());
        // The blank end of the last FITS block may be missing without loss.
        let end = match extension {
            "fits" => 2880 + 2 * 64 * 48,
            _ => seed.len(),
        };
        for i in 0..N_EACH {
            let length = i * end / N_EACH;
            let read = survive(&path, &seed[..length], &DecodeOptions::default());
            assert!(
                !read,
                "{length} of {} bytes of a {extension} were read",
                seed.len()
            );
        }
        let last = survive(&path, &seed[..end - 1], &DecodeOptions::default());
        assert!(
            !(whole && last),
            "a {extension} without its last byte was read"
        );
    }
}

/// What a program with little memory says of a file; it must come to an end of its own.
#[cfg(unix)]
#[track_caller]
fn described_with_little_memory(file: &str) -> String {
    // The program and the stacks of its threads need a good part of that.
    const KILOBYTES: u64 = 450_000;
    let script = format!("ulimit -v {KILOBYTES}; exec \"$0\" \"$1\"");
    let output = std::process::Command::new("sh")
        .args(["-c", &script])
        .arg(support::example("describe"))
        .arg(fixtures("hostile").join(file))
        .output()
        .expect("a shell");
    assert!(output.status.success(), "{file}: {output:?}");
    String::from_utf8(output.stdout).expect("it speaks UTF-8")
}

#[cfg(unix)]
#[test]
fn what_was_found_stays_harmless() {
    let found = [
        ("plain_mosaic.dng", "the pixels needs 578000000 bytes"),
        ("plain_colors.dng", "the pixels needs 1734000000 bytes"),
        ("plain.tif", "the pixels needs 1734000000 bytes"),
        ("deflate.tif", "needs 3468000000 bytes of pixels"),
        ("picture.png", "needs 1734000000 bytes of pixels"),
        ("rice.fits.fz", "needs 578000000 bytes of pixels"),
        ("signed.arw", "rawloader says \"its answer broke off"),
        ("counted.tif", "more values than the file can hold"),
        ("shared.tif", "a picture"),
    ];
    for (file, says) in found {
        let said = described_with_little_memory(file);
        assert!(said.contains(says), "{file}: {said}");
    }
    let files = std::fs::read_dir(fixtures("hostile")).expect("fixtures");
    let n_files = files.count();
    assert_eq!(n_files, found.len() + 2, "a file without a word here");
}

#[test]
fn what_a_file_is_comes_from_its_bytes() {
    let dir = tempfile::tempdir().expect("a temporary folder");
    let path = dir.path().join("IMG_0001.cr2");
    let mut picture = support::dng::Dng::mono(32, 32, vec![0; 1024]);
    picture.fields.retain(|(tag, ..)| *tag != 50706);
    picture.texts.clear();
    picture.short(262, &[2]);
    for (bytes, found) in [
        (b"\xff\xd8\xff\xe1\0\0Exif".to_vec(), "a JPEG picture"),
        (b"\x89PNG\r\n\x1a\n".to_vec(), "a PNG picture"),
        (b"\0\0\0\x20ftypisom\0\0\x02\0".to_vec(), "a video"),
        (b"hello, this is a letter\n".to_vec(), "text"),
        (vec![0; 4096], "nothing but zeros"),
        (picture.bytes(), "a TIFF picture"),
    ] {
        std::fs::write(&path, bytes).expect("a writable folder");
        let fault = decode(&path, &DecodeOptions::default())
            .expect_err("no raw")
            .fault;
        assert!(
            matches!(fault, DecodeFault::NotARaw { found: f } if f == found),
            "{fault}"
        );
    }
    std::fs::write(&path, b"").expect("a writable folder");
    let error = decode(&path, &DecodeOptions::default()).expect_err("empty");
    assert_eq!(
        error.to_string(),
        format!("{}: the file is empty", path.display())
    );
    let missing = dir.path().join("missing.dng");
    let error = decode(&missing, &DecodeOptions::default()).expect_err("missing");
    assert!(matches!(error.fault, DecodeFault::Io(_)), "{error}");
}

#[test]
fn limits_are_told_with_both_numbers() {
    let path = fixtures("raw").join("kodak_dc120_p003908.kdc");
    let options = DecodeOptions {
        max_file_bytes: 1000,
        ..DecodeOptions::default()
    };
    let error = decode(&path, &options).expect_err("too large");
    assert!(
        error
            .to_string()
            .ends_with("bytes of the file: 843328 asked, 1000 allowed"),
        "{error}"
    );
    let options = DecodeOptions {
        max_pixels: 1000,
        ..DecodeOptions::default()
    };
    let error = decode(&path, &options).expect_err("too large");
    assert!(
        error.to_string().ends_with("827648 asked, 1000 allowed"),
        "{error}"
    );
}
