//! What a file is by its first bytes, whatever its name says.

use crate::DecodeFault;

/// The container a file is in.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Content {
    /// FITS.
    Fits,
    /// TIFF and the raws and DNGs built on it, byte-order mark included.
    Tiff,
    /// The boxes of ISO 14496-12, as used by newer raws.
    Boxes,
    /// RAF: a header, a preview, and a table of the sensor data.
    Raf,
    /// Other raw containers, left wholly to the decoders.
    OtherRaw,
    /// Anything else.
    Other(&'static str),
}

impl Content {
    /// What `bytes`, the beginning of a file, are.
    pub(crate) fn of(bytes: &[u8]) -> Self {
        if bytes.get(4..8) == Some(b"ftyp") {
            return boxes(bytes.get(8..12).unwrap_or_default());
        }
        let known = SIGNATURES
            .iter()
            .find(|(offset, magic, _)| bytes.get(*offset..).is_some_and(|b| b.starts_with(magic)));
        match known {
            Some((_, _, content)) => *content,
            None if looks_like_text(bytes) => Self::Other("text"),
            None if bytes.iter().all(|&byte| byte == 0) => Self::Other("nothing but zeros"),
            None => Self::Other("of no known raw format"),
        }
    }

    /// The content, or the fault that it is no raw at all.
    pub(crate) fn of_raw(bytes: &[u8]) -> Result<Self, DecodeFault> {
        match Self::of(bytes) {
            _ if bytes.is_empty() => Err(DecodeFault::Empty),
            Self::Other(found) => Err(DecodeFault::NotARaw { found }),
            raw => Ok(raw),
        }
    }
}

const SIGNATURES: &[(usize, &[u8], Content)] = &[
    (0, b"SIMPLE  =", Content::Fits),
    (0, b"II\x2a\0", Content::Tiff),
    (0, b"MM\0\x2a", Content::Tiff),
    (0, b"IIRO", Content::Tiff),
    (0, b"IIRS", Content::Tiff),
    (0, b"MMOR", Content::Tiff),
    (0, b"IIU\0", Content::Tiff),
    (0, b"FUJIFILMCCD-RAW", Content::Raf),
    (6, b"HEAPCCDR", Content::OtherRaw),
    (0, b"\0MRM", Content::OtherRaw),
    (0, b"FOVb", Content::OtherRaw),
    (0, b"ARRI", Content::OtherRaw),
    (0, b"\xff\xd8\xff", Content::Other("a JPEG picture")),
    (0, b"\x89PNG", Content::Other("a PNG picture")),
    (0, b"GIF8", Content::Other("a GIF picture")),
    (0, b"BM", Content::Other("a BMP picture")),
    (8, b"WEBP", Content::Other("a WebP picture")),
    (8, b"AVI ", Content::Other("a video")),
    (0, b"\x1a\x45\xdf\xa3", Content::Other("a video")),
    (0, b"II\x2b\0", Content::Other("a BigTIFF picture")),
    (0, b"MM\0\x2b", Content::Other("a BigTIFF picture")),
    (0, b"\0\0\0\x0cJXL ", Content::Other("a JPEG XL picture")),
    (0, b"\x1f\x8b", Content::Other("a gzip archive")),
    (0, b"PK\x03\x04", Content::Other("a ZIP archive")),
    (0, b"%PDF", Content::Other("a PDF document")),
];

fn boxes(brand: &[u8]) -> Content {
    match brand {
        b"crx " => Content::Boxes,
        b"heic" | b"heix" | b"hevc" | b"mif1" | b"msf1" => Content::Other("a HEIF picture"),
        b"avif" => Content::Other("an AVIF picture"),
        _ => Content::Other("a video"),
    }
}

fn looks_like_text(bytes: &[u8]) -> bool {
    let head = &bytes[..bytes.len().min(512)];
    // A character cut in two by the end of the sample is still text.
    let valid = match std::str::from_utf8(head) {
        Ok(text) => text,
        Err(error) if error.error_len().is_none() => {
            std::str::from_utf8(&head[..error.valid_up_to()]).unwrap_or_default()
        }
        Err(_) => return false,
    };
    !valid.is_empty()
        && valid
            .chars()
            .all(|c| !c.is_control() || matches!(c, '\n' | '\r' | '\t'))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn content_is_told_by_the_bytes() {
        for (bytes, content) in [
            (&b"SIMPLE  =                    T"[..], Content::Fits),
            (b"II\x2a\0\x08\0\0\0", Content::Tiff),
            (b"II\x1a\0\0\0HEAPCCDR", Content::OtherRaw),
            (b"\0\0\0\x18ftypcrx ", Content::Boxes),
            (b"\0\0\0\x18ftypmp42", Content::Other("a video")),
            (b"\xff\xd8\xff\xe1\0", Content::Other("a JPEG picture")),
            ("Notiz: kühl\n".as_bytes(), Content::Other("text")),
            (&[0; 64], Content::Other("nothing but zeros")),
            (&[7, 1, 2, 3], Content::Other("of no known raw format")),
        ] {
            assert_eq!(Content::of(bytes), content, "{bytes:?}");
        }
    }

    #[test]
    fn an_empty_file_is_called_empty() {
        assert!(matches!(Content::of_raw(b""), Err(DecodeFault::Empty)));
    }
}
