//! Star shape over the field, in a light and in the stack.

use serde::{Deserialize, Serialize};

/// Star shape over the field.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Stars {
    /// Stars measured in the lights and in the stack.
    pub measured: u32,
    /// Scale at the center of the field, arcsec/px; `None` where it is not known.
    #[serde(default)]
    pub arcsec_per_px: Option<f64>,
    /// Its standard error, arcsec/px; `None` where the file states the scale without one.
    #[serde(default)]
    pub arcsec_per_px_error: Option<f64>,
    /// Where the scale is from.
    #[serde(default)]
    pub scale_source: Option<ScaleSource>,
    /// Ninths of the field in reading order.
    pub zones: Vec<StarZone>,
    /// Trail at the center in a single light.
    pub trail: Option<StarEffect>,
    /// Length of the trail that the drift from light to light makes one expect, px.
    pub expected_trail_px: Option<f64>,
    /// Its direction, degrees.
    pub expected_trail_deg: Option<f64>,
    /// Coma or astigmatism.
    pub radial: Option<RadialPattern>,
    /// What the stack adds to its lights.
    pub misalignment: Option<StarEffect>,
    /// What this says, a sentence each.
    pub findings: Vec<String>,
}

/// Where the scale of the field is from.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum ScaleSource {
    /// The lens that the stars' motion tells.
    Lens,
    /// Focal length and pixel pitch as the file states them.
    Exif,
}

/// Where a zone lies.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum ZonePlace {
    /// The middle ninth.
    Center,
    /// Between two corners.
    Edge,
    /// A corner.
    Corner,
}

/// A ninth of the field.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct StarZone {
    /// First column, px.
    pub x0: u32,
    /// First row, px.
    pub y0: u32,
    /// One past the last column, px.
    pub x1: u32,
    /// One past the last row, px.
    pub y1: u32,
    /// Where it lies.
    pub place: ZonePlace,
    /// Stars measured.
    pub measured: u32,
    /// The typical star of a light.
    pub single: Option<StarShape>,
    /// That of the stack.
    pub stack: Option<StarShape>,
    /// What the stack adds.
    pub misalignment: Option<StarEffect>,
}

/// Shape of the typical star of a zone.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct StarShape {
    /// Full width at half maximum, px.
    pub fwhm_px: Option<f64>,
    /// Its standard error, px.
    pub fwhm_error_px: Option<f64>,
    /// Standard deviation from star to star, px.
    pub fwhm_scatter_px: Option<f64>,
    /// Full width at half maximum, arcsec.
    pub fwhm_arcsec: Option<f64>,
    /// 1 − minor/major axis of the mean star.
    pub ellipticity: Option<f64>,
    /// Its standard error.
    pub ellipticity_error: Option<f64>,
    /// Direction of the major axis, degrees from +x towards +y.
    pub direction_deg: Option<f64>,
}

/// Something that makes stars wider in one direction.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct StarEffect {
    /// Its size, px: length of a trail, rms displacement of a misalignment.
    pub size_px: Option<f64>,
    /// Standard error, px.
    pub error_px: Option<f64>,
    /// Direction, degrees from +x towards +y.
    pub direction_deg: Option<f64>,
    /// Its standard error, degrees.
    pub direction_error_deg: Option<f64>,
    /// Whether it stands out from its error.
    pub seen: bool,
    /// What it is smaller than, px.
    pub limit_px: Option<f64>,
}

/// A pattern about the center of the field.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct RadialPattern {
    /// Width along the radius beyond that across at the corner, px rms.
    pub corner_px: Option<f64>,
    /// Standard error, px.
    pub error_px: Option<f64>,
    /// Whether it stands out from its error.
    pub seen: bool,
}
