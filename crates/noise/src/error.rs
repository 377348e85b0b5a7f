//! What keeps a report from being made.

/// No gain can be reported.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[non_exhaustive]
pub enum NoiseError {
    /// Noise is measured from differences of lights.
    #[error("noise needs at least 2 lights in the stack: {found} found")]
    TooFewLights {
        /// Lights in the stack.
        found: usize,
    },
    /// A tile names a channel that the caller did not describe.
    #[error("a tile is of channel {found}, but {needed} channels are described")]
    UnknownChannel {
        /// Channel index of the tile.
        found: usize,
        /// Channels described.
        needed: usize,
    },
    /// The positions given are not those of the lights in the stack.
    #[error("positions of {found} lights are given, but the stack holds {needed}")]
    OtherPositions {
        /// Lights with positions.
        found: usize,
        /// Lights in the stack.
        needed: usize,
    },
    /// Nowhere enough pixels free of stars, saturation and missing data.
    #[error("none of {tiles} tiles has enough unmasked pixels to measure noise")]
    NothingMeasured {
        /// Tiles looked at, channels counted singly.
        tiles: usize,
    },
    /// Frames of a series must be told apart in time and hold pixels.
    #[error("a series needs at least 2 frames with pixels: {frames} frames of {pixels} usable px")]
    ShortSeries {
        /// Frames in the series.
        frames: usize,
        /// Pixels that are finite in all frames.
        pixels: usize,
    },
}
