//! A picture of measured photosites: how they cover it, and its noise.

use crate::ByChannel;
use serde::{Deserialize, Serialize};

/// A second pass that used measured photosites alone. The report's `noise` is that of the
/// first pass, the ordinary stack of the same lights.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct FromMosaic {
    /// Pixels of the picture to one of the reference, each way.
    #[serde(deserialize_with = "crate::number::nan_for_null")]
    pub scale: f64,
    /// What a photosite is spread over: `square`, `point`, `gaussian` or `steered`.
    pub drop_shape: String,
    /// Size of that, px of the lights; 0 for a point.
    #[serde(deserialize_with = "crate::number::nan_for_null")]
    pub drop_px: f64,
    /// Width of the picture, px.
    pub width: u32,
    /// Height of the picture, px.
    pub height: u32,
    /// By channel.
    pub channels: ByChannel<MosaicChannel>,
    /// Its noise in pieces, row by row, without those that have too few pixels to measure.
    #[serde(default)]
    pub regions: Vec<MosaicRegion>,
}

/// A rectangle of the picture with its own noise; px of the picture, whatever its scale.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct MosaicRegion {
    /// First column, px.
    pub x0: u32,
    /// First row, px.
    pub y0: u32,
    /// One past the last column, px.
    pub x1: u32,
    /// One past the last row, px.
    pub y1: u32,
    /// By channel; without those that have too few pixels.
    pub channels: ByChannel<MosaicNoise>,
}

/// Noise of one channel of a region, by half-stacks of lights taken in turn.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct MosaicNoise {
    /// Noise of a pixel of the picture, DN.
    #[serde(deserialize_with = "crate::number::nan_for_null")]
    pub noise_pixel_dn: f64,
    /// White-noise equivalent at the scale of blocks, per pixel of the reference, DN.
    #[serde(deserialize_with = "crate::number::nan_for_null")]
    pub noise_area_dn: f64,
    /// One standard error of `noise_area_dn`.
    #[serde(deserialize_with = "crate::number::nan_for_null")]
    pub noise_area_error_dn: f64,
    /// Noise at the scale of blocks over noise of a pixel.
    #[serde(deserialize_with = "crate::number::nan_for_null")]
    pub correlation: f64,
}

/// One channel of it. Places are pixels of the picture that half of the lights show, off the
/// ground.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct MosaicChannel {
    /// Share of the places on which no photosite of the channel fell.
    #[serde(deserialize_with = "crate::number::nan_for_null")]
    pub empty: f64,
    /// Share of them with less than a quarter of the mean weight, the empty ones included.
    #[serde(deserialize_with = "crate::number::nan_for_null")]
    pub thin: f64,
    /// Photosites that were rejected, of those that fell there.
    #[serde(deserialize_with = "crate::number::nan_for_null")]
    pub rejected: f64,
    /// Lights that cover the channel at this scale on average, when the framing moves by
    /// chance.
    #[serde(deserialize_with = "crate::number::nan_for_null")]
    pub lights_needed: f64,
    /// Noise of a pixel of the picture, DN; `None`, as the others, where too few pixels could
    /// be measured.
    pub noise_pixel_dn: Option<f64>,
    /// White-noise equivalent at the scale of blocks, per pixel of the reference, DN.
    pub noise_area_dn: Option<f64>,
    /// One standard error of `noise_area_dn`.
    pub noise_area_error_dn: Option<f64>,
    /// The first pass's noise at the same scale, DN.
    pub first_pass_area_dn: Option<f64>,
    /// Noise at the scale of blocks over noise of a pixel: how much neighbors share.
    pub correlation: Option<f64>,
    /// The same as square drops at random places have it; `None` for other shapes.
    pub correlation_expected: Option<f64>,
}
