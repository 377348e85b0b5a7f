//! A rendered picture as a PNG file that says which colors it means.

use crate::{AtomicFile, ExportError};
use image::codecs::png::{CompressionType, FilterType, PngEncoder};
use image::{DynamicImage, ImageResult};
use std::io::Write;
use std::path::Path;

/// Longest side of a PNG picture, px (ISO/IEC 15948:2004, 11.2.2).
pub(crate) const LONGEST_SIDE: usize = i32::MAX as usize;

/// Signature and header chunk, always the same length (ISO/IEC 15948:2004, 5.2 and 11.2.2).
const HEADER_BYTES: usize = 8 + 25;

/// The chunk that says "sRGB, perceptual" (ISO/IEC 15948:2004, 11.3.3.5): length, name,
/// rendering intent, CRC. The encoder does not write it, and without it a screen that is
/// managed by profiles may take the values for its own.
const SRGB_CHUNK: [u8; 13] = *b"\x00\x00\x00\x01sRGB\x00\xae\xce\x1c\xe9";

/// Writes the picture, in sRGB, to `file` and commits it.
pub(crate) fn write_png(mut file: AtomicFile, picture: &DynamicImage) -> Result<(), ExportError> {
    let path = file.target().to_owned();
    let png = png_bytes(&path, picture, CompressionType::Fast)?;
    file.write_all(&png)
        .map_err(|error| ExportError::io(&path, "write the PNG", error))?;
    file.commit()
}

/// The bytes of the picture as a PNG file, in sRGB.
///
/// - `path`: the file they are for, which errors name.
pub(crate) fn png_bytes(
    path: &Path,
    picture: &DynamicImage,
    compression: CompressionType,
) -> Result<Vec<u8>, ExportError> {
    let png = encode(picture, compression);
    let png = png.map_err(|error| ExportError::encode(path, "make the PNG", error))?;
    let (header, rest) = png.split_at(HEADER_BYTES);
    Ok([header, &SRGB_CHUNK, rest].concat())
}

fn encode(picture: &DynamicImage, compression: CompressionType) -> ImageResult<Vec<u8>> {
    let mut png = Vec::new();
    picture.write_with_encoder(PngEncoder::new_with_quality(
        &mut png,
        compression,
        FilterType::Adaptive,
    ))?;
    Ok(png)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::Overwrite;

    #[test]
    fn an_independent_reader_finds_the_color_space() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("a.png");
        for picture in [DynamicImage::new_luma16(3, 2), DynamicImage::new_rgb8(1, 1)] {
            let file = AtomicFile::create(&path, Overwrite::Yes).unwrap();
            write_png(file, &picture).unwrap();
            let file = std::io::BufReader::new(std::fs::File::open(&path).unwrap());
            let reader = png::Decoder::new(file).read_info().unwrap();
            // The reader checks the CRC of every chunk.
            let found = reader.info().srgb;
            assert_eq!(found, Some(png::SrgbRenderingIntent::Perceptual));
        }
    }
}
