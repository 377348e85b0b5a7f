//! 32-bit float TIFF: every value bit for bit, linear.
//!
//! There is no ICC profile: the colors are the camera's own, and a profile that names
//! another color space would be untrue.

use crate::planes::{Shape, shape_of};
use crate::reread::{SelfCheck, reread};
use crate::strips::{StripLayout, deflate, interleave, native_bytes, predict_rows};
use crate::tiff16::{ascii, orientation_of};
use crate::{AtomicFile, ExportError, Overwrite, PictureRows};
use rayon::prelude::*;
use std::path::Path;
use tiff::encoder::{DirectoryEncoder, Rational, TiffEncoder, TiffKind};
use tiff::encoder::{TiffKindBig, TiffKindStandard};
use tiff::tags::{
    CompressionMethod, PhotometricInterpretation, PlanarConfiguration, Predictor, ResolutionUnit,
    SampleFormat, Tag,
};
use tiff::{TiffError, TiffResult};

/// How the samples are packed.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum TiffCompression {
    /// Deflate after the floating-point predictor; lossless.
    #[default]
    Deflate,
    /// As they are, for readers that know no compressed float.
    None,
}

/// Which of the two TIFF containers is written.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum TiffContainer {
    /// Plain TIFF while the file is certain to stay below 4 GiB, else BigTIFF.
    #[default]
    Auto,
    /// BigTIFF always.
    Big,
}

/// Options of [`write_tiff_f32`].
#[derive(Clone, Debug)]
pub struct TiffOptions {
    /// ImageDescription. The tag is ASCII: other characters become `?`. Default: none.
    pub description: Option<String>,
    /// Software. Default: none.
    pub software: Option<String>,
    /// DateTime, as `YYYY:MM:DD HH:MM:SS`; never taken from the clock. Default: none.
    pub date_time: Option<String>,
    /// EXIF orientation, 1 to 8, written as a tag; the pixels are not turned. Values
    /// outside are written as 1. Default: 1, upright.
    pub orientation: u8,
    /// Default: deflate.
    pub compression: TiffCompression,
    /// Default: plain TIFF where it fits.
    pub container: TiffContainer,
    /// Default: an existing file stays.
    pub overwrite: Overwrite,
    /// Default: skip.
    pub self_check: SelfCheck,
}

impl Default for TiffOptions {
    fn default() -> Self {
        Self {
            description: None,
            software: None,
            date_time: None,
            orientation: 1,
            compression: TiffCompression::default(),
            container: TiffContainer::default(),
            overwrite: Overwrite::default(),
            self_check: SelfCheck::default(),
        }
    }
}

/// Strips encoded at a time: bounds the memory, whatever the picture's size.
const STRIPS_IN_FLIGHT: usize = 32;

/// Writes one plane as gray or three as RGB, in 32-bit IEEE float.
///
/// - `picture`: linear DN; NaN (no value), infinities and negative values are stored as they
///   are, bit for bit.
///
/// Memory beyond the picture: 1 MiB for each of 32 strips, and some for each thread, unless a
/// single row is longer than 1 MiB.
/// Source: TIFF 6.0 (1992), baseline RGB and gray with SampleFormat 3.
///
/// # Errors
///
/// See [`ExportError`]; the target is then as it was before.
pub fn write_tiff_f32<P: PictureRows + ?Sized>(
    path: &Path,
    picture: &P,
    options: &TiffOptions,
) -> Result<(), ExportError> {
    let shape = shape_of(path, "the picture", picture, u32::MAX as usize)?;
    let writing = FloatPicture {
        picture,
        shape,
        layout: StripLayout::new(shape, picture.n_planes()),
        options,
    };
    let mut file = AtomicFile::create(path, options.overwrite)?;
    let written = match options.container {
        TiffContainer::Auto if writing.largest_file_bytes() <= u64::from(u32::MAX) => {
            writing.write::<TiffKindStandard>(&mut file)
        }
        TiffContainer::Auto | TiffContainer::Big => writing.write::<TiffKindBig>(&mut file),
    };
    written.map_err(|error| ExportError::tiff(path, "write the TIFF", error))?;
    if options.self_check == SelfCheck::Reread {
        reread(file.flushed_path()?, path, picture)?;
    }
    file.commit()
}

struct FloatPicture<'a, P: ?Sized> {
    picture: &'a P,
    shape: Shape,
    layout: StripLayout,
    options: &'a TiffOptions,
}

impl<P: PictureRows + ?Sized> FloatPicture<'_, P> {
    /// A bound of the file's length. Deflate can lengthen what it cannot shorten, by less
    /// than a thousandth.
    fn largest_file_bytes(&self) -> u64 {
        const PER_STRIP_BYTES: u64 = 128;
        const TAGS_BYTES: u64 = 4096;
        let text = |text: &Option<String>| text.as_ref().map_or(0, |text| text.len() as u64);
        let pixels = self.shape.rows as u64 * self.shape.columns as u64;
        let samples_bytes = pixels * self.picture.n_planes() as u64 * size_of::<f32>() as u64;
        samples_bytes
            + samples_bytes / 1000
            + self.layout.n_strips as u64 * PER_STRIP_BYTES
            + TAGS_BYTES
            + text(&self.options.description)
            + text(&self.options.software)
            + text(&self.options.date_time)
    }

    fn write<K: TiffKind>(&self, file: &mut AtomicFile) -> TiffResult<()> {
        let mut encoder = TiffEncoder::<_, K>::new_generic(file)?;
        let mut directory = encoder.image_directory()?;
        let ranges = self.write_strips(&mut directory)?;
        self.write_layout_tags(&mut directory)?;
        self.write_sample_tags(&mut directory, &ranges)?;
        self.write_descriptive_tags(&mut directory)?;
        directory.finish()
    }

    /// Writes the strips; gives the range of the finite values of every plane.
    fn write_strips<K: TiffKind>(
        &self,
        directory: &mut Directory<'_, '_, K>,
    ) -> TiffResult<Vec<FiniteRange>> {
        let mut offsets = Vec::with_capacity(self.layout.n_strips);
        let mut lengths = Vec::with_capacity(self.layout.n_strips);
        let mut ranges = vec![FiniteRange::EMPTY; self.picture.n_planes()];
        for first in (0..self.layout.n_strips).step_by(STRIPS_IN_FLIGHT) {
            let last = (first + STRIPS_IN_FLIGHT).min(self.layout.n_strips);
            let strips: TiffResult<Vec<EncodedStrip>> = (first..last)
                .into_par_iter()
                .map(|index| self.encode_strip(index))
                .collect();
            for strip in strips? {
                offsets.push(K::convert_offset(directory.write_data(&strip.bytes[..])?)?);
                lengths.push(K::convert_offset(strip.bytes.len() as u64)?);
                for (range, of_strip) in ranges.iter_mut().zip(&strip.ranges) {
                    range.join(of_strip);
                }
            }
        }
        directory.write_tag(Tag::StripOffsets, K::convert_slice(&offsets))?;
        directory.write_tag(Tag::StripByteCounts, K::convert_slice(&lengths))?;
        Ok(ranges)
    }

    fn encode_strip(&self, index: usize) -> TiffResult<EncodedStrip> {
        let samples = interleave(self.picture, self.layout.rows_of(index))?;
        let n_planes = self.picture.n_planes();
        let mut ranges = vec![FiniteRange::EMPTY; n_planes];
        for pixel in samples.chunks_exact(n_planes) {
            for (range, &value) in ranges.iter_mut().zip(pixel) {
                range.add(value);
            }
        }
        let bytes = match self.options.compression {
            TiffCompression::None => native_bytes(&samples),
            TiffCompression::Deflate => {
                let row_samples = self.shape.columns * n_planes;
                deflate(&predict_rows(&samples, row_samples, n_planes))
            }
        };
        Ok(EncodedStrip { bytes, ranges })
    }

    fn write_layout_tags<K: TiffKind>(&self, to: &mut Directory<'_, '_, K>) -> TiffResult<()> {
        let long = |n: usize| u32::try_from(n).map_err(TiffError::from);
        to.write_tag(Tag::NewSubfileType, 0u32)?;
        to.write_tag(Tag::ImageWidth, long(self.shape.columns)?)?;
        to.write_tag(Tag::ImageLength, long(self.shape.rows)?)?;
        to.write_tag(Tag::RowsPerStrip, long(self.layout.rows_per_strip)?)?;
        to.write_tag(
            Tag::PlanarConfiguration,
            PlanarConfiguration::Chunky.to_u16(),
        )?;
        to.write_tag(Tag::XResolution, Rational { n: 1, d: 1 })?;
        to.write_tag(Tag::YResolution, Rational { n: 1, d: 1 })?;
        to.write_tag(Tag::ResolutionUnit, ResolutionUnit::None.to_u16())?;
        to.write_tag(Tag::Orientation, orientation_of(self.options.orientation))
    }

    fn write_sample_tags<K: TiffKind>(
        &self,
        to: &mut Directory<'_, '_, K>,
        ranges: &[FiniteRange],
    ) -> TiffResult<()> {
        let n = self.picture.n_planes();
        let photometric = match n {
            1 => PhotometricInterpretation::BlackIsZero,
            _ => PhotometricInterpretation::RGB,
        };
        to.write_tag(Tag::PhotometricInterpretation, photometric.to_u16())?;
        to.write_tag(Tag::SamplesPerPixel, n as u16)?;
        to.write_tag(Tag::BitsPerSample, &vec![32u16; n][..])?;
        to.write_tag(
            Tag::SampleFormat,
            &vec![SampleFormat::IEEEFP.to_u16(); n][..],
        )?;
        match self.options.compression {
            TiffCompression::None => {
                to.write_tag(Tag::Compression, CompressionMethod::None.to_u16())?;
            }
            TiffCompression::Deflate => {
                to.write_tag(Tag::Compression, CompressionMethod::Deflate.to_u16())?;
                to.write_tag(Tag::Predictor, Predictor::FloatingPoint.to_u16())?;
            }
        }
        // Viewers scale float samples by these; without a single finite value there is
        // nothing to scale.
        if ranges.iter().all(|range| range.low <= range.high) {
            let low: Vec<f32> = ranges.iter().map(|range| range.low).collect();
            let high: Vec<f32> = ranges.iter().map(|range| range.high).collect();
            to.write_tag(Tag::SMinSampleValue, &low[..])?;
            to.write_tag(Tag::SMaxSampleValue, &high[..])?;
        }
        Ok(())
    }

    fn write_descriptive_tags<K: TiffKind>(&self, to: &mut Directory<'_, '_, K>) -> TiffResult<()> {
        let texts = [
            (Tag::ImageDescription, &self.options.description),
            (Tag::Software, &self.options.software),
            (Tag::DateTime, &self.options.date_time),
        ];
        for (tag, text) in texts {
            if let Some(text) = text {
                to.write_tag(tag, &ascii(text)[..])?;
            }
        }
        Ok(())
    }
}

type Directory<'a, 'file, K> = DirectoryEncoder<'a, &'file mut AtomicFile, K>;

/// A strip ready to be written.
struct EncodedStrip {
    bytes: Vec<u8>,
    /// By plane.
    ranges: Vec<FiniteRange>,
}

/// Smallest and largest finite value; the wrong way round when there is none.
#[derive(Clone, Copy, Debug, PartialEq)]
struct FiniteRange {
    low: f32,
    high: f32,
}

impl FiniteRange {
    const EMPTY: Self = Self {
        low: f32::INFINITY,
        high: f32::NEG_INFINITY,
    };

    fn add(&mut self, value: f32) {
        let finite = value.is_finite();
        self.low = if finite && value < self.low {
            value
        } else {
            self.low
        };
        self.high = if finite && value > self.high {
            value
        } else {
            self.high
        };
    }

    fn join(&mut self, later: &Self) {
        self.add(later.low);
        self.add(later.high);
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use ndarray::{Array1, Axis};

    fn largest_bytes(rows: usize, columns: usize, n_planes: usize) -> u64 {
        // One stored row seen `rows` times: shapes of gigabytes without the memory.
        let row = Array1::<f32>::zeros(columns);
        let plane = row.view().insert_axis(Axis(0));
        let plane = plane
            .broadcast((rows, columns))
            .expect("one row broadcasts to many");
        let planes = vec![plane; n_planes];
        let shape = Shape { rows, columns };
        let layout = StripLayout::new(shape, n_planes);
        let options = TiffOptions::default();
        FloatPicture {
            picture: &planes,
            shape,
            layout,
            options: &options,
        }
        .largest_file_bytes()
    }

    #[test]
    fn plain_tiff_ends_just_below_four_gibibytes() {
        let limit = u64::from(u32::MAX);
        assert!(largest_bytes(3888, 5184, 3) < limit / 16);
        assert!(largest_bytes(18_900, 18_900, 3) < limit);
        assert!(largest_bytes(18_918, 18_918, 3) > limit);
    }

    #[test]
    fn range_of_finite_values_only() {
        let mut range = FiniteRange::EMPTY;
        for value in [f32::NAN, -2.5, f32::INFINITY] {
            range.add(value);
        }
        range.join(&FiniteRange::EMPTY);
        range.join(&FiniteRange {
            low: 7.0,
            high: 7.5,
        });
        let want = FiniteRange {
            low: -2.5,
            high: 7.5,
        };
        assert_eq!(range, want);
        let nothing = FiniteRange::EMPTY;
        assert!(nothing.low > nothing.high);
    }
}
