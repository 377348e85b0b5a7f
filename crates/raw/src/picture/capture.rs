//! What EXIF says that only pictures are asked: composites, and the pitch of the pixels.

use crate::tiff_tags::{Tiff, tag};

/// Statements about the taking; `None` where there are none.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub(super) struct Stated {
    pub(super) shots: Option<u32>,
    pub(super) pixel_pitch_um: Option<f64>,
}

/// Reads them from a TIFF-like file; other files state nothing.
pub(super) fn stated(bytes: &[u8]) -> Stated {
    let Some(tiff) = Tiff::new(bytes) else {
        return Stated::default();
    };
    let offset = tiff
        .directories()
        .iter()
        .find_map(|directory| directory.integer(tag::EXIF_IFD));
    let Some(exif) = offset.and_then(|offset| tiff.directory_at(offset)) else {
        return Stated::default();
    };
    let shots = exif
        .integer(tag::SOURCE_IMAGES_OF_COMPOSITE)
        .and_then(|n| u32::try_from(n).ok())
        .filter(|n| (2..=1000).contains(n));
    // EXIF 2.32, 4.6.5: unit 2 is the inch, 3 the centimeter; the inch when not stated.
    let unit_um = match exif.integer(tag::FOCAL_PLANE_RESOLUTION_UNIT) {
        Some(3) => 10_000.0,
        None | Some(2) => 25_400.0,
        _ => f64::NAN,
    };
    let pixel_pitch_um = exif
        .numbers(tag::FOCAL_PLANE_X_RESOLUTION)
        .and_then(|values| values.first().copied())
        .map(|per_unit| unit_um / per_unit)
        // Nothing smaller or larger has been built.
        .filter(|pitch| (0.3..100.0).contains(pitch));
    Stated {
        shots,
        pixel_pitch_um,
    }
}
