//! What TIFF files of 16 bits a sample have in common: strips, resolution, text.

use crate::AtomicFile;
use crate::planes::Shape;
use crate::strips::StripLayout;
use rayon::prelude::*;
use std::io;
use std::ops::Range;
use tiff::TiffResult;
use tiff::encoder::{DirectoryEncoder, Rational, TiffKind};
use tiff::tags::{CompressionMethod, PlanarConfiguration, ResolutionUnit, Tag};

/// Plain TIFF: a file of more than 4 GiB is refused.
pub(crate) type Kind = tiff::encoder::TiffKindStandard;
pub(crate) type Directory<'a, 'file> = DirectoryEncoder<'a, &'file mut AtomicFile, Kind>;

/// Strips made at a time: bounds the memory, whatever the picture's size.
const STRIPS_IN_FLIGHT: usize = 16;

/// Writes the samples, uncompressed, and what a reader needs to find them.
///
/// - `samples_of`: the samples of some rows, pixel by pixel.
pub(crate) fn write_samples(
    to: &mut Directory<'_, '_>,
    shape: Shape,
    n_planes: usize,
    samples_of: impl Fn(Range<usize>) -> io::Result<Vec<u16>> + Sync,
) -> TiffResult<()> {
    let layout = StripLayout::new(shape, n_planes);
    let mut offsets = Vec::with_capacity(layout.n_strips);
    let mut lengths = Vec::with_capacity(layout.n_strips);
    for first in (0..layout.n_strips).step_by(STRIPS_IN_FLIGHT) {
        let last = (first + STRIPS_IN_FLIGHT).min(layout.n_strips);
        let strips: io::Result<Vec<Vec<u16>>> = (first..last)
            .into_par_iter()
            .map(|index| samples_of(layout.rows_of(index)))
            .collect();
        for strip in strips? {
            offsets.push(Kind::convert_offset(to.write_data(&strip[..])?)?);
            lengths.push(u32::try_from(size_of_val(&strip[..]))?);
        }
    }
    to.write_tag(Tag::NewSubfileType, 0u32)?;
    to.write_tag(Tag::ImageWidth, u32::try_from(shape.columns)?)?;
    to.write_tag(Tag::ImageLength, u32::try_from(shape.rows)?)?;
    to.write_tag(Tag::BitsPerSample, &vec![16u16; n_planes][..])?;
    to.write_tag(Tag::SamplesPerPixel, n_planes as u16)?;
    to.write_tag(Tag::Compression, CompressionMethod::None.to_u16())?;
    to.write_tag(
        Tag::PlanarConfiguration,
        PlanarConfiguration::Chunky.to_u16(),
    )?;
    to.write_tag(Tag::RowsPerStrip, u32::try_from(layout.rows_per_strip)?)?;
    to.write_tag(Tag::StripOffsets, &offsets[..])?;
    to.write_tag(Tag::StripByteCounts, &lengths[..])
}

/// How large the picture is meant to be printed, and which way up it is.
pub(crate) fn write_placement(
    to: &mut Directory<'_, '_>,
    pixels_per_inch: u32,
    orientation: u8,
) -> TiffResult<()> {
    let resolution = || Rational {
        n: pixels_per_inch,
        d: 1,
    };
    to.write_tag(Tag::XResolution, resolution())?;
    to.write_tag(Tag::YResolution, resolution())?;
    to.write_tag(Tag::ResolutionUnit, ResolutionUnit::Inch.to_u16())?;
    to.write_tag(Tag::Orientation, orientation_of(orientation))
}

/// What the Orientation tag says: 1, upright, for what is none of its eight.
pub(crate) fn orientation_of(orientation: u8) -> u16 {
    match orientation {
        turned @ 2..=8 => u16::from(turned),
        _ => 1,
    }
}

/// A text in the ASCII type, filled up to an even number of bytes: what follows must begin at
/// an even offset (TIFF 6.0, section 2). Up to four bytes stand in the directory itself.
pub(crate) fn write_text(to: &mut Directory<'_, '_>, tag: Tag, text: &str) -> TiffResult<()> {
    let text = ascii(text);
    to.write_tag(tag, &text[..])?;
    let bytes = text.len() + 1;
    if bytes > 4 && bytes % 2 == 1 {
        to.write_data(&[0u8][..])?;
    }
    Ok(())
}

/// What the ASCII type of TIFF can hold.
pub(crate) fn ascii(text: &str) -> String {
    text.chars()
        .map(|c| if c.is_ascii() && c != '\0' { c } else { '?' })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn text_that_is_not_ascii_is_marked() {
        assert_eq!(ascii("20 s, 15 °C\0"), "20 s, 15 ?C?");
    }
}
