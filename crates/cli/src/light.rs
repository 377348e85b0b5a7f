//! A light on its way into the stack: what it shows, and where it lies.

use crate::session::SessionFrame;
use align::{AlignError, Alignment, FrameGrade, FrameQuality, Star};
use stack::{Light, SkyMesh};

/// What one light shows.
#[derive(Clone, Debug)]
pub struct Seen {
    /// Its stars; of a rich field the brightest of every part.
    pub stars: Vec<Star>,
    /// Their number and shape.
    pub grade: FrameGrade,
    /// What is wrong with it against the others.
    pub quality: FrameQuality,
    /// Its sky.
    pub sky: SkyMesh,
    /// Noise of a sample by channel, DN.
    pub noise_dn: Vec<f32>,
}

/// A light that goes into the stack.
#[derive(Clone, Debug)]
pub struct SolvedLight {
    /// The frame.
    pub frame: SessionFrame,
    /// What it shows.
    pub seen: Seen,
    /// Its place; `None` for the reference itself.
    pub alignment: Option<Alignment>,
    /// Brightness of its stars relative to the reference.
    pub transparency: f64,
    /// Why it would have been left out, had that not been overruled.
    pub fault: Option<String>,
    /// Its part in the stack.
    pub light: Light,
}

/// What was found on a light that is left out, and where it lies if that is known.
#[derive(Clone, Debug)]
pub struct PoorLight {
    /// What it shows.
    pub seen: Seen,
    /// Its place.
    pub alignment: Option<Alignment>,
}

/// Where a light lies relative to the reference; `None` for the reference itself.
pub(crate) type Place = Option<Result<Alignment, AlignError>>;

/// The alignments among places; `None` for the reference and for what fits nowhere.
pub(crate) fn alignments(places: &[Place]) -> Vec<Option<&Alignment>> {
    let places = places.iter();
    places.map(|place| place.as_ref()?.as_ref().ok()).collect()
}

/// The stars of every light.
pub(crate) fn stars_of(seen: &[Seen]) -> Vec<&[Star]> {
    seen.iter().map(|seen| seen.stars.as_slice()).collect()
}
