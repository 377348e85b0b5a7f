//! The child process: its answers arrive, and its failures stay with it.

mod support;

use radicand_raw::{
    CHILD_ARGUMENT, Cfa, DecodeFault, DecodeOptions, Decoder, DecoderProcess, decode,
};
use rawler::ljpeg92::LjpegCompressor;
use std::path::{Path, PathBuf};
use std::time::Duration;
use support::dng::Dng;
use support::{example, fixtures, with_decoder_process};

/// A raw that rawloader refuses, so that the child is asked.
fn refused_by_the_first() -> PathBuf {
    fixtures("raw").join("kodak_dc50_dc0010s.kdc")
}

/// What the second decoder is said to have said.
#[track_caller]
fn second_said(path: &Path, process: DecoderProcess) -> String {
    let options = DecodeOptions {
        decoder_process: Some(process),
        ..DecodeOptions::default()
    };
    let error = decode(path, &options).expect_err("the child fails");
    let DecodeFault::Undecodable { tried } = error.fault else {
        panic!("{error}");
    };
    let decoders: Vec<_> = tried.iter().map(|(decoder, _)| *decoder).collect();
    assert_eq!(decoders, [Decoder::Rawloader, Decoder::Rawler]);
    tried[1].1.clone()
}

/// A copy of the raw under a name that tells the misbehaving child what to do.
fn order_to(how: &str, dir: &Path) -> PathBuf {
    let path = dir.join(format!("{how}.kdc"));
    std::fs::copy(refused_by_the_first(), &path).expect("a writable folder");
    path
}

#[track_caller]
fn misbehave(how: &str) -> String {
    let dir = tempfile::tempdir().expect("a temporary folder");
    let process = DecoderProcess::new(example("misbehaving_child"));
    second_said(&order_to(how, dir.path()), process)
}

/// The processes that were started with this file as an argument and have not ended.
#[cfg(target_os = "linux")]
fn at_work_on(path: &Path) -> Vec<u32> {
    use std::os::unix::ffi::OsStrExt;
    let processes = std::fs::read_dir("/proc").expect("Linux lists its processes");
    let ids = processes.flatten().filter_map(|entry| {
        // Other processes may end between the listing and the reading.
        let arguments = std::fs::read(entry.path().join("cmdline")).ok()?;
        let mut arguments = arguments.split(|&byte| byte == 0);
        let id = entry.file_name().to_str()?.parse().ok()?;
        arguments
            .any(|argument| argument == path.as_os_str().as_bytes())
            .then_some(id)
    });
    ids.collect()
}

#[cfg(target_os = "linux")]
#[test]
fn a_child_that_hangs_is_ended() {
    let dir = tempfile::tempdir().expect("a temporary folder");
    let path = order_to("hang", dir.path());
    // Nobody ends this one, which proves that the other would be seen.
    let mut bystander = std::process::Command::new(example("misbehaving_child"))
        .arg(&path)
        .spawn()
        .expect("a program");
    let process = DecoderProcess {
        timeout: Duration::from_millis(300),
        ..DecoderProcess::new(example("misbehaving_child"))
    };
    let said = second_said(&path, process);
    let left = at_work_on(&path);
    bystander.kill().expect("it hangs");
    bystander.wait().expect("it was started here");
    assert_eq!(said, "no answer within 0.3 s");
    assert_eq!(left, [bystander.id()]);
    assert_eq!(at_work_on(&path), [0; 0]);
}

#[cfg(unix)]
#[test]
fn a_child_that_crashes_takes_nothing_with_it() {
    let said = misbehave("abort");
    assert!(said.starts_with("its answer broke off"), "{said}");
    assert!(said.contains("it ended with signal"), "{said}");
}

#[test]
fn a_child_that_babbles_is_not_believed() {
    let said = misbehave("babble");
    assert_eq!(said, "its answer is in another language");
    let said = misbehave("flood");
    assert_eq!(said, "its answer is in another language");
}

#[test]
fn a_child_that_says_nothing_is_told() {
    let said = misbehave("silent");
    assert!(said.starts_with("its answer broke off"), "{said}");
}

#[test]
fn a_child_that_promises_much_is_given_no_memory_for_it() {
    let said = misbehave("promise");
    let nothing = "its answer broke off after 0 of 12000000 values";
    assert!(said.starts_with(nothing), "{said}");
    let length = refused_by_the_first().metadata().expect("a fixture").len();
    let said = misbehave("boast");
    // 256 values a byte: two codes of a bit for 64 values, ITU-T T.81, F.1.2.
    assert_eq!(said, format!("280000000 values, {} allowed", 256 * length));
}

#[cfg(unix)]
#[test]
fn a_child_inherits_nothing_but_the_file() {
    let length = refused_by_the_first().metadata().expect("a fixture").len();
    let said = misbehave("tell");
    assert_eq!(said, format!("RAYON_NUM_THREADS; /; {length} bytes"));
}

/// The limits of a process, by their names.
#[cfg(target_os = "linux")]
fn limits_of(process: u32) -> Vec<(String, String)> {
    let limits = std::fs::read_to_string(format!("/proc/{process}/limits")).unwrap_or_default();
    let limit = |line: &str| {
        let name = line.get(..26)?.trim().to_owned();
        Some((name, line.get(26..47)?.trim().to_owned()))
    };
    limits.lines().filter_map(limit).collect()
}

#[cfg(target_os = "linux")]
#[test]
fn a_child_limits_itself_before_it_reads() {
    const MOST_LOOKS: usize = 1_000_000;
    let args = [CHILD_ARGUMENT, "rawler", "700000000", "7", "waiting.raw"];
    let mut child = std::process::Command::new(example("describe"))
        .args(args)
        .stdin(std::process::Stdio::piped())
        .stdout(std::process::Stdio::null())
        .spawn()
        .expect("a program");
    let of = |name: &str, limits: &[(String, String)]| -> Option<String> {
        let found = limits.iter().find(|(known, _)| known == name)?;
        Some(found.1.clone())
    };
    // Memory is limited last.
    let last = |limits: &Vec<_>| of("Max address space", limits).as_deref() == Some("700000000");
    let limits = (0..MOST_LOOKS).map(|_| limits_of(child.id())).find(last);
    drop(child.stdin.take());
    let status = child.wait().expect("it was started here");
    let limits = limits.expect("limits are set while it waits for the file");
    for (name, value) in [
        ("Max cpu time", "7"),
        ("Max open files", "3"),
        ("Max file size", "0"),
        ("Max core file size", "0"),
    ] {
        assert_eq!(of(name, &limits).as_deref(), Some(value), "{name}");
    }
    // An empty file is no raw.
    assert_eq!(status.code(), Some(1));
}

#[test]
fn a_program_that_is_not_there_is_told() {
    let said = second_said(
        &refused_by_the_first(),
        DecoderProcess::new("/nowhere/at-all"),
    );
    assert!(said.starts_with("cannot start /nowhere/at-all"), "{said}");
}

#[cfg(unix)]
#[test]
fn the_memory_limit_holds() {
    let limited = |memory_limit_bytes| DecoderProcess {
        memory_limit_bytes,
        ..DecoderProcess::new(example("describe"))
    };
    // 768 x 512 values of 2 bytes and the program itself do not fit in 12 MB ...
    let said = second_said(&refused_by_the_first(), limited(12_000_000));
    assert!(!said.is_empty());
    // ... and do in the default.
    let frame = decode(&refused_by_the_first(), &with_decoder_process());
    assert_eq!(frame.expect("rawler reads it").mosaic.size(), (768, 512));
}

/// A DNG in lossless JPEG by rawler's writer, two components a sample pair, as cameras do.
fn lossless_jpeg(samples: &[u16], width: usize, predictor: u8) -> Dng {
    let height = samples.len() / width;
    let jpeg = LjpegCompressor::new(samples, width / 2, height, 2, 14, predictor, 0, 0);
    let jpeg = jpeg
        .and_then(LjpegCompressor::encode)
        .expect("a valid picture");
    let mut dng = Dng::cfa(width as u32, height as u32, samples.to_vec(), [1, 0, 2, 1]);
    dng.encoded = Some(jpeg);
    dng.bits = 14;
    dng.short(259, &[7]);
    dng.short(50713, &[2, 2]);
    dng.short(50714, &[510, 511, 512, 513]);
    dng.long(50717, &[16000]);
    dng.long(50829, &[1, 1, 40, 60]);
    dng
}

#[test]
fn lossless_jpeg_is_read_by_the_first_decoder_or_the_second() {
    let samples: Vec<u16> = (0..64_u32 * 48)
        .map(|i| ((i * 40_503) >> 4) as u16 & 0x3fff)
        .collect();
    // The first decoder knows one of the seven predictors; the levels are those of the
    // file whoever reads the samples.
    for (predictor, decoder) in [(1, Decoder::Rawloader), (6, Decoder::Rawler)] {
        let file = tempfile::NamedTempFile::new().expect("a temporary file");
        let bytes = lossless_jpeg(&samples, 64, predictor).bytes();
        std::fs::write(file.path(), &bytes).expect("a writable file");
        let frame = decode(file.path(), &with_decoder_process()).expect("a valid DNG");
        assert_eq!(frame.info.decoder, decoder);
        let mosaic = frame.mosaic;
        assert_eq!(mosaic.size(), (59, 39));
        let rows = samples.chunks(64).skip(1).take(39);
        let expected = rows.flat_map(|row| &row[1..60]);
        assert!(mosaic.data.iter().eq(expected), "predictor {predictor}");
        assert_eq!(Some(mosaic.cfa), Cfa::bayer("GRBG"));
        assert_eq!(mosaic.black_level_dn.values(), [510.0, 511.0, 512.0, 513.0]);
        assert_eq!(mosaic.white_level_dn.values(), [16000.0]);
        std::fs::write(file.path(), &bytes[..bytes.len() - 9]).expect("a writable file");
        let error = decode(file.path(), &with_decoder_process()).expect_err("it ends early");
        assert!(
            matches!(error.fault, DecodeFault::Truncated { .. }),
            "{error}"
        );
    }
}

#[test]
fn a_file_that_ends_early_is_an_error_with_both_decoders() {
    const N_EACH: usize = 12;
    let dir = tempfile::tempdir().expect("a temporary folder");
    for file in [
        "kodak_dc50_dc0010s.kdc",
        "kodak_dc120_p003913_compressed.kdc",
        "kodak_dc120_p003908.kdc",
        "canon_powershot_s40_crw_0113.crw",
    ] {
        let whole = std::fs::read(fixtures("raw").join(file)).expect("a fixture");
        let path = dir.path().join(file);
        let lengths = (0..N_EACH).map(|i| i * whole.len() / N_EACH);
        for length in lengths.chain([whole.len() - 1]) {
            std::fs::write(&path, &whole[..length]).expect("a writable folder");
            let outcome = decode(&path, &with_decoder_process());
            assert!(
                outcome.is_err(),
                "{length} of {} bytes of {file} were read",
                whole.len()
            );
        }
    }
}
