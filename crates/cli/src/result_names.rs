//! The names of the files that a result has.

pub(crate) const TIFF: &str = "stack.tif";
pub(crate) const FITS: &str = "stack.fits";
pub(crate) const PNG: &str = "preview.png";
pub(crate) const REGIONS: &str = "regions.png";
pub(crate) const REPORT: &str = "report.json";

/// Every file that a result may have.
pub(crate) const RESULT_NAMES: [&str; 5] = [TIFF, FITS, PNG, REGIONS, REPORT];
