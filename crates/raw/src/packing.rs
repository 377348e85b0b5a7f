//! How much a file can hold: checked before memory is asked for.

use crate::DecodeFault;

/// Bytes that one byte of the densest usual packing stands for.
///
/// LZW of equal bytes: codes of 12 bits for 1, 2, ... 3836 bytes until the table is cleared
/// (TIFF 6.0, 1992, section 13), 1279 on average. Deflate: 258 bytes in 2 bits, 1032 (RFC
/// 1951, section 3.2.5).
const MOST_EXPANSION: u64 = 1300;

/// Samples that one byte of lossless JPEG stands for: each has a code of one bit at least (ITU-T
/// T.81, 1992, annexes C and H).
const LOSSLESS_JPEG_PER_BYTE: u64 = 8;

/// Samples that one byte of the densest packing of cameras stands for.
///
/// Lossy JPEG, as some raws hold: a block of 64 samples has two codes of one bit at least (ITU-T
/// T.81, 1992, annex F.1.2).
const CAMERA_PER_BYTE: u64 = 256;

/// Refuses `needed` bytes of pixels that lie in the file as they are, and are more than it.
pub(crate) fn check_plain(needed: u64, file: &[u8]) -> Result<(), DecodeFault> {
    let found = file.len() as u64;
    if needed <= found {
        return Ok(());
    }
    Err(DecodeFault::Truncated {
        what: "the pixels".to_owned(),
        needed,
        found,
    })
}

/// Refuses `needed` bytes of pixels that no packing brings into the file.
pub(crate) fn check_packed(needed: u64, file: &[u8]) -> Result<(), DecodeFault> {
    let most = (file.len() as u64).saturating_mul(MOST_EXPANSION);
    if needed <= most {
        return Ok(());
    }
    Err(DecodeFault::Malformed(format!(
        "its size needs {needed} bytes of pixels, a file of {} bytes holds {most} at most",
        file.len()
    )))
}

/// Refuses more samples than lossless JPEG brings into the file.
pub(crate) fn check_lossless_jpeg(n_samples: u64, file: &[u8]) -> Result<(), DecodeFault> {
    let most = (file.len() as u64).saturating_mul(LOSSLESS_JPEG_PER_BYTE);
    if n_samples <= most {
        return Ok(());
    }
    Err(DecodeFault::Malformed(format!(
        "it states {n_samples} values, as lossless JPEG a file of {} bytes holds {most} at most",
        file.len()
    )))
}

/// Samples that a camera's own format can bring into a file of this length.
pub(crate) fn most_samples(n_bytes: usize) -> u64 {
    (n_bytes as u64).saturating_mul(CAMERA_PER_BYTE)
}

/// Bytes of `n` samples of so many bits, without overflow.
pub(crate) fn sample_bytes(n: [usize; 3], bits: usize) -> u64 {
    let n = n
        .into_iter()
        .fold(1_u64, |product, n| product.saturating_mul(n as u64));
    n.saturating_mul(bits as u64).div_ceil(8)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_fits_passes_and_what_cannot_does_not() {
        let file = [0; 100];
        assert!(check_plain(sample_bytes([10, 5, 1], 16), &file).is_ok());
        assert!(check_plain(sample_bytes([17, 3, 1], 16), &file).is_err());
        assert!(check_packed(130_000, &file).is_ok());
        let error = check_packed(130_001, &file).expect_err("too much");
        assert!(error.to_string().contains("130001"), "{error}");
        assert!(check_lossless_jpeg(800, &file).is_ok());
        let error = check_lossless_jpeg(801, &file).expect_err("too much");
        assert!(error.to_string().contains("801 values"), "{error}");
        assert_eq!(most_samples(100), 25_600);
        assert_eq!(sample_bytes([usize::MAX; 3], 64), u64::MAX.div_ceil(8));
        assert_eq!(sample_bytes([3, 3, 1], 12), 14);
    }
}
