//! What halves can say about a fixed pattern, and what they cannot.
//!
//! Sky and sensor are two layers that only the drift tells apart. A pattern that moves
//! less than a pixel or two is the same in all lights, so no difference of lights shows it.

/// What a bound on the pattern rests on.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum PatternBasis {
    /// Measured: the drift moves the pattern across the sky.
    Drift,
    /// Not visible; bounded by the pixel response that flats show.
    Flats,
    /// Not visible; bounded by a typical pixel response.
    Assumed,
}

/// What the headline may claim.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Headline {
    /// Random noise and pattern were both measured.
    RandomAndPattern,
    /// A pattern could not be seen: the figures are about random noise only.
    RandomNoiseOnly,
}

/// What is known about the sensor's fixed pattern before measuring.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct PatternPrior {
    /// Rms response differences from pixel to pixel left after calibration, as a share
    /// of the sky level.
    pub response: f64,
    /// [`PatternBasis::Flats`] when measured, else [`PatternBasis::Assumed`].
    pub basis: PatternBasis,
}

/// Response differences of pixels without a flat, as a share of the signal: common
/// practice gives 0.5 to 1 %, no source.
const TYPICAL_RESPONSE: f64 = 0.008;

impl Default for PatternPrior {
    fn default() -> Self {
        Self {
            response: TYPICAL_RESPONSE,
            basis: PatternBasis::Assumed,
        }
    }
}

/// The fixed pattern in the stack.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct PatternSummary {
    /// Whether the drift is large enough, and the lights many enough, to see it.
    pub visible: bool,
    /// Drift of the stars over the sensor in all, px; `None` when not known.
    pub drift_px: Option<f64>,
    /// Share of the stack's area variance that is pattern, 0 to 1; `None` when not
    /// visible.
    pub fraction_of_variance: Option<f64>,
    /// Largest share that the evidence allows, 0 to 1: two sigma above the measured one
    /// where visible, else what [`PatternBasis`] says.
    pub upper_bound: f64,
    /// What `upper_bound` rests on.
    pub basis: PatternBasis,
}

/// Below this drift, halves do not see a pattern, px.
pub const VISIBLE_DRIFT_PX: f64 = 2.0;
/// With fewer lights both splits are the same difference.
pub const FEWEST_LIGHTS_FOR_PATTERN: usize = 4;

/// Whether halves of `n_lights` lights that drift `drift_px` in all can show a pattern.
pub(crate) fn is_visible(drift_px: Option<f64>, n_lights: usize) -> bool {
    n_lights >= FEWEST_LIGHTS_FOR_PATTERN && drift_px.is_some_and(|drift| drift >= VISIBLE_DRIFT_PX)
}

impl PatternPrior {
    /// Area-scale variance of an unmoved pattern, DN^2: white on the channel's
    /// photosites, which are a `photosite_share` of all.
    pub(crate) fn area_variance(&self, sky_dn: f64, photosite_share: f64) -> f64 {
        (self.response * sky_dn).powi(2) / photosite_share.clamp(f64::MIN_POSITIVE, 1.0)
    }
}
