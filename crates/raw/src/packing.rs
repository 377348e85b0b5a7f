//! How much a file can hold: checked before memory is asked for.

use crate::DecodeFault;

/// Bytes that one byte of the densest usual packing stands for.
///
/// LZW of equal bytes: codes of 12 bits for 1, 2, ... 3836 bytes until the table is cleared
/// (TIFF 6.0, 1992, section 13), 1279 on average. Deflate: 258 bytes in 2 bits, 1032 (RFC
/// 1951, section 3.2.5).
const MOST_EXPANSION: u64 = 1300;

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
        assert_eq!(sample_bytes([usize::MAX; 3], 64), u64::MAX.div_ceil(8));
        assert_eq!(sample_bytes([3, 3, 1], 12), 14);
    }
}
