//! Noise of a light and of the stack at both scales, each with its standard error.

/// Noise of a single light, DN.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct SingleNoise {
    /// White-noise equivalent at the scale of blocks.
    pub area: f64,
    /// One standard error of `area`; of two or three lights it takes them to be independent.
    pub area_error: f64,
    /// Per pixel.
    pub pixel: f64,
    /// One standard error of `pixel`.
    pub pixel_error: f64,
}

/// Noise of the stack, DN: `area^2 = random^2 + pattern^2`.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct StackNoise {
    /// White-noise equivalent at the scale of blocks.
    pub area: f64,
    /// One standard error of `area` against the noise that this very stack happens to have
    /// here, as [`realized_error`](crate::ChannelNoise::realized_error) is of the gain; the
    /// doubt about a corrected pattern is in it.
    pub area_error: f64,
    /// Per pixel.
    pub pixel: f64,
    /// One standard error of `pixel`, against the same.
    pub pixel_error: f64,
    /// Part that differs from light to light, at the scale of blocks.
    pub random: f64,
    /// Part that halves taken in time show beyond halves taken in turn, at the scale of
    /// blocks; 0 where they do not differ significantly.
    pub pattern: f64,
}

/// A standard deviation and its error, from the variance and the relative error of that;
/// nothing below 0.
pub(crate) fn deviation(variance: f64, relative_error: f64) -> (f64, f64) {
    let value = variance.max(0.0).sqrt();
    // Half the relative error of the square; 0 of nothing.
    let error = 0.5 * value * relative_error;
    (value, if error.is_finite() { error } else { 0.0 })
}

/// Share of a tile's noise at the scale of blocks that is lost as if it were white. The
/// surface's 5.3 terms of 64 blocks are 0.083; found on simulated demosaiced lights, whose
/// noise came out 1.4 % low, is 0.15.
const LOST: f64 = 0.15;

/// What noise that reaches further than a pixel does to errors; a gain has none of it, since
/// single and stack have the same.
pub(crate) struct Reach {
    /// Relative error of the area variance from what a tile's surface takes.
    pub area: f64,
    /// The same of the pixel variance.
    pub pixel: f64,
    /// Noise at the scale of the surface over that of blocks: it fills the blocks' band less
    /// evenly, which leaves fewer independent values by its square.
    pub excess: f64,
}

impl Reach {
    /// Noise of `f` times a pixel's at blocks of b px has about R = (b f - 1) / (b - 1) times
    /// it at large scales, for any short kernel: what is missing falls as 1 / b. Of what a
    /// surface takes only the part of white pixels is given back.
    pub(crate) fn of(area: f64, pixel: f64, block_px: usize) -> Self {
        let f = (area / pixel).sqrt().max(1.0);
        let b = (block_px as f64).max(2.0);
        let large = (b * f - 1.0) / (b - 1.0);
        let excess = if large.is_finite() { large / f } else { 1.0 };
        let f = if f.is_finite() { f } else { 1.0 };
        Self {
            area: LOST * (excess * excess - 1.0),
            pixel: LOST / (b * b) * ((excess * f).powi(2) - 1.0),
            excess,
        }
    }
}
