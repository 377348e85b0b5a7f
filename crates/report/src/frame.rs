//! One entry per input file.

use crate::channel::ByChannel;
use crate::number::nan_in_rows;
use serde::{Deserialize, Serialize};
use std::path::Path;

/// What a frame is for.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum FrameKind {
    /// The picture itself.
    Light,
    /// Same exposure without light.
    Dark,
    /// An evenly lit field.
    Flat,
    /// Shortest exposure without light.
    Bias,
}

/// What is known about one input file, and what became of it.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct FrameEntry {
    /// The file, as [`file_name`] writes it.
    pub file: String,
    /// `None` when it could not be read far enough to tell.
    pub kind: Option<FrameKind>,
    /// Whether it went into the result: a light into the stack, any other into a master.
    pub used: bool,
    /// Why not, when not used.
    pub reason: Option<String>,
    /// Shutter-open time as the camera states it, s.
    pub exposure_s: Option<f64>,
    /// Sensitivity setting; a label, not a gain.
    pub iso: Option<u32>,
    /// When it was taken: `YYYY-MM-DDThh:mm:ss[.fff]` on the camera's clock, with the
    /// offset from UTC when the camera states one.
    pub captured: Option<String>,
    /// Which decoder read it.
    pub decoder: Option<String>,
    /// Stars measured; of rich fields the brightest, some 3000.
    pub stars: Option<u32>,
    /// Median full width of the stars at half their maximum, px of this frame.
    pub fwhm_px: Option<f64>,
    /// Median ellipticity of the stars, 1 − minor/major axis.
    #[serde(default)]
    pub ellipticity: Option<f64>,
    /// Width of a movement that draws out all stars along one direction, beyond what the
    /// typical light shows, px.
    #[serde(default)]
    pub shake_px: Option<f64>,
    /// Share of the field whose stars are dimmed by a quarter or more of their brightness in
    /// the burst, 0 to 1.
    #[serde(default)]
    pub cloud_fraction: Option<f64>,
    /// Sky background by channel, DN above black.
    pub sky: Option<ByChannel<f64>>,
    /// Star brightness relative to the reference; 1 is equal, less is haze or cloud.
    pub transparency: Option<f64>,
    /// Weight in the stack, relative to the others; only ratios mean anything.
    pub weight: Option<f64>,
    /// Stars matched with the reference.
    pub matched: Option<u32>,
    /// Rms distance of the matched stars after the fit, px.
    pub residual_px: Option<f64>,
    /// What the map from the reference is made of: the `lens` of the burst, or, by the frame's
    /// own stars, a `homography`, an `affine` map or a `similarity`; `None` for the reference.
    #[serde(default)]
    pub map: Option<String>,
    /// `[x_reference, y_reference, x_frame, y_frame]` on a lattice of 7 columns and 5
    /// rows, row by row, px; `(0, 0)` is the center of the first pixel, y runs down.
    #[serde(deserialize_with = "nan_in_rows")]
    pub mapping: Option<Vec<[f64; 4]>>,
}

/// A path as the report states it.
///
/// JSON is Unicode but file names need not be: what is not valid Unicode becomes U+FFFD,
/// so that such a name can be recognized but not opened by what the report says.
pub fn file_name(path: &Path) -> String {
    path.to_string_lossy().into_owned()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn ordinary_names_are_kept() {
        assert_eq!(file_name(Path::new("nächte/0412.dng")), "nächte/0412.dng");
    }

    #[cfg(unix)]
    #[test]
    fn bytes_that_are_no_text_are_marked() {
        use std::os::unix::ffi::OsStrExt;
        let name = std::ffi::OsStr::from_bytes(b"0412_\xff.dng");
        assert_eq!(file_name(Path::new(name)), "0412_\u{fffd}.dng");
    }
}
