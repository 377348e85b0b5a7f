//! 16-bit TIFF for printing: the preview's look at full size, with its color profile.

use crate::planes::shape_of;
use crate::rendering::Rendering;
use crate::shrink::{factor_for, shrink_all};
use crate::tiff16::{Directory, Kind, write_placement, write_samples, write_text};
use crate::{AtomicFile, ExportError, PictureRows, PreviewOptions};
use moxcms::ColorProfile;
use ndarray::Array2;
use std::io;
use std::ops::Range;
use std::path::Path;
use tiff::TiffResult;
use tiff::encoder::TiffEncoder;
use tiff::tags::{PhotometricInterpretation, Tag};

/// Options of [`write_print_tiff`].
#[derive(Clone, Debug)]
pub struct PrintOptions {
    /// How the picture is made visible: as in a preview with the same options. Its
    /// `max_side_px` is that of the preview whose look it takes; the print has every pixel.
    pub look: PreviewOptions,
    /// Pixels to an inch of paper. Default: 300.
    pub pixels_per_inch: u32,
    /// What the picture is made of.
    pub description: Option<String>,
    /// The program.
    pub software: Option<String>,
}

impl Default for PrintOptions {
    fn default() -> Self {
        Self {
            look: PreviewOptions::default(),
            pixels_per_inch: 300,
            description: None,
            software: None,
        }
    }
}

/// Writes one plane as gray or three as RGB, rendered as
/// [`write_png16`](crate::write_png16) does, in sRGB with 16 bits a sample.
///
/// The pixels are not turned; the orientation is a tag. The ICC profile of sRGB is embedded.
/// Source: TIFF 6.0 (1992), tag 34675 as in ICC.1:2010, annex B.4 (from memory). Memory beyond
/// the picture: a preview, and 16 strips of 2 MiB.
///
/// # Errors
///
/// See [`ExportError`]; the target is then as it was before. A file of more than 4 GiB is
/// refused.
pub fn write_print_tiff<P: PictureRows + ?Sized>(
    path: &Path,
    picture: &P,
    options: &PrintOptions,
) -> Result<(), ExportError> {
    let shape = shape_of(path, "the picture", picture, u32::MAX as usize)?;
    let unreadable = |error| ExportError::io(path, "read the picture", error);
    let n_planes = picture.n_planes();
    let factor = factor_for(shape.rows, shape.columns, options.look.max_side_px);
    let small = shrink_all(picture, factor, 1).map_err(unreadable)?;
    let rendering = Rendering::new(&small, &options.look);
    let rendered = |rows: Range<usize>| -> io::Result<Vec<u16>> {
        let planes: io::Result<Vec<Array2<f32>>> = (0..n_planes)
            .map(|plane| {
                let mut values = vec![0.0; rows.len() * shape.columns];
                picture.read_rows(plane, rows.clone(), &mut values)?;
                let values = Array2::from_shape_vec((rows.len(), shape.columns), values);
                Ok(values.expect("whole rows"))
            })
            .collect();
        let planes = planes?;
        let row_samples = shape.columns * n_planes;
        let mut samples = vec![0; rows.len() * row_samples];
        for (row, out) in samples.chunks_exact_mut(row_samples).enumerate() {
            rendering.render_row(&planes, row, out);
        }
        Ok(samples)
    };
    let mut file = AtomicFile::create(path, options.look.overwrite)?;
    let write = |file: &mut AtomicFile| -> TiffResult<()> {
        let mut encoder = TiffEncoder::<_, Kind>::new_generic(file)?;
        let mut to = encoder.image_directory()?;
        write_samples(&mut to, shape, n_planes, rendered)?;
        write_placement(&mut to, options.pixels_per_inch, options.look.orientation)?;
        write_meaning(&mut to, n_planes, options)?;
        to.finish()
    };
    write(&mut file).map_err(|error| ExportError::tiff(path, "write the TIFF", error))?;
    file.commit()
}

fn write_meaning(
    to: &mut Directory<'_, '_>,
    n_planes: usize,
    options: &PrintOptions,
) -> TiffResult<()> {
    let photometric = match n_planes {
        1 => PhotometricInterpretation::BlackIsZero,
        _ => PhotometricInterpretation::RGB,
    };
    to.write_tag(Tag::PhotometricInterpretation, photometric.to_u16())?;
    let profile = profile(n_planes);
    let icc = to.write_entry_bytes(tiff::tags::Type::UNDEFINED, &profile)?;
    let mut entries = tiff::Directory::empty();
    entries.extend([(Tag::IccProfile, icc)]);
    to.extend_from(&entries);
    for (tag, text) in [
        (Tag::ImageDescription, &options.description),
        (Tag::Software, &options.software),
    ] {
        if let Some(text) = text {
            write_text(to, tag, text)?;
        }
    }
    Ok(())
}

/// The ICC profile of sRGB, or of a gray with its transfer curve, of an even number of bytes.
fn profile(n_planes: usize) -> Vec<u8> {
    /// Where a profile says when it was made (ICC.1:2010, 7.2.1): this one was not made today.
    const MADE_AT: Range<usize> = 24..36;
    const MADE: [u8; 12] = [0x07, 0xd0, 0, 1, 0, 1, 0, 0, 0, 0, 0, 0];
    let mut srgb = ColorProfile::new_srgb();
    if n_planes == 1 {
        let curve = srgb.red_trc.take();
        srgb = ColorProfile::new_gray_with_gamma(2.2);
        srgb.gray_trc = curve;
    }
    let mut bytes = srgb.encode().unwrap_or_default();
    if let Some(made) = bytes.get_mut(MADE_AT) {
        made.copy_from_slice(&MADE);
    }
    if bytes.len() % 2 == 1 {
        bytes.push(0);
    }
    bytes
}
