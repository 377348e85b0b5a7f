//! The names of the files that a result has.

use std::path::Path;

pub(crate) const TIFF: &str = "stack.tif";
pub(crate) const FITS: &str = "stack.fits";
pub(crate) const DNG: &str = "stack.dng";
pub(crate) const PRINT: &str = "print.tif";
pub(crate) const PNG: &str = "preview.png";
pub(crate) const REGIONS: &str = "regions.png";
pub(crate) const REPORT: &str = "report.json";
pub(crate) const PAGE: &str = "report.html";

/// Every file that a result may have.
const RESULT_NAMES: [&str; 8] = [TIFF, FITS, DNG, PRINT, PNG, REGIONS, REPORT, PAGE];

/// Whether a file has the name of one of a result.
pub(crate) fn names(file: &Path) -> bool {
    let name = file.file_name().and_then(|name| name.to_str());
    name.is_some_and(|name| RESULT_NAMES.contains(&name))
}
