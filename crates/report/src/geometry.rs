//! How the frames lie on each other, and what the sky said of lens and clock.

use serde::{Deserialize, Serialize};

/// What the maps from the reference to the frames are made of.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum GeometryModel {
    /// One lens for all frames, and a rotation for each.
    Lens,
    /// A plane-to-plane map for each frame: homography, affine map or similarity.
    #[default]
    Homography,
}

/// The geometry of the stack. Numbers of a lens are given where one was found, also when the
/// maps are not made from it.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
pub struct Geometry {
    /// What the maps are made of.
    pub model: GeometryModel,
    /// Why not of a lens; `None` when they are.
    pub reason: Option<String>,
    /// `rectilinear`, `stereographic`, `equidistant` or `equisolid`.
    pub projection: Option<String>,
    /// Akaike's criterion of the best lens of another projection, less that of this one.
    pub projection_margin: Option<f64>,
    /// Focal length, px.
    pub focal_px: Option<f64>,
    /// Its standard error, px.
    pub focal_error_px: Option<f64>,
    /// Share of the knowledge of it that the stars gave; the rest was assumed, 0 to 1.
    pub focal_by_stars: Option<f64>,
    /// Where the optical axis meets the sensor, px.
    pub principal_point_px: Option<[f64; 2]>,
    /// Standard errors of both, px.
    pub principal_point_error_px: Option<[f64; 2]>,
    /// `k1`, `k2`, `k3` of `r (1 + k1 r² + k2 r⁴ + k3 r⁶)`, `r` in focal lengths.
    pub distortion: Option<[f64; 3]>,
    /// Standard errors of the three; 0 for terms not in use.
    pub distortion_error: Option<[f64; 3]>,
    /// Axis of the sky's turn in the reference's camera axes (X right, Y down, Z ahead).
    pub pole: Option<[f64; 3]>,
    /// The end of the axis that the lens can see, px; `None` where it sees neither.
    pub pole_px: Option<[f64; 2]>,
    /// Standard error of the axis, degrees.
    pub pole_error_deg: Option<f64>,
    /// The zenith in the same axes, where starlight bent by the air tells it; the lens is then
    /// that behind the air.
    pub zenith: Option<[f64; 3]>,
    /// How strongly the air bends, over air of 1010 hPa and 10 °C.
    pub refraction: Option<f64>,
    /// Rate of the turn by the camera's clock over the sidereal rate.
    pub rate: Option<f64>,
    /// Its standard error.
    pub rate_error: Option<f64>,
    /// What the lens was held to: `free` rotations, one `axis`, or one axis at the
    /// `sidereal_rate`; `None` where no tripod was found.
    pub held: Option<String>,
    /// Files whose time does not fit the sky's turn.
    pub clock_off: Vec<String>,
    /// Files that claim to be earlier than the one before, while the sky turned on.
    pub clock_backwards: Vec<String>,
    /// Files before which the camera was moved.
    pub camera_moved: Vec<String>,
    /// Akaike's criterion of maps by frame, less that of the lens; above 10 the lens holds.
    pub advantage: Option<f64>,
    /// Residuals by distance from the middle of the picture.
    pub zones: Vec<Ring>,
}

/// A ring of the picture.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Ring {
    /// Inner edge, as a share of the distance from the middle to a corner.
    pub from: f64,
    /// Outer edge.
    pub to: f64,
    /// Pairs of stars in it, over all frames.
    pub pairs: u32,
    /// Rms distance of the stars from where lens and rotations put them, px.
    pub lens_px: Option<f64>,
    /// Rms distance of the same stars from where a homography for each frame puts them, px.
    pub homography_px: Option<f64>,
}
