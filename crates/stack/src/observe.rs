//! What passes through a tile, shown to whoever measures it.
//!
//! The engine resamples every light onto a tile, combines it, and forgets it. An
//! observer sees all of it in between, so that noise can be measured on every
//! sample without a second pass and without a full-size picture per light.

use raw::Rect;

/// Which lights make the two half-stacks.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum HalfSplit {
    /// Taken in turn: lights 0, 2, 4, … against 1, 3, 5, …
    OddEven,
    /// Taken in time: the first half against the last.
    FirstLast,
}

impl HalfSplit {
    /// Whether light `index` of `n` belongs to the second half. With an odd `n` the
    /// first half has one more.
    pub fn is_second(self, index: usize, n: usize) -> bool {
        match self {
            Self::OddEven => index % 2 == 1,
            Self::FirstLast => index >= n.div_ceil(2),
        }
    }
}

/// All samples of one channel over one tile, and what became of them.
///
/// Every plane is row-major over `area`. Lights are in capture order. All values are
/// DN on the stack's scale: black level removed, sky and transparency brought to one
/// scale.
pub struct TileSamples<'a> {
    /// The tile, px of the reference.
    pub area: Rect,
    /// Index into the picture's channels.
    pub channel: usize,
    /// `samples[light]`: the resampled light; NaN where it has no sample.
    pub samples: &'a [&'a [f32]],
    /// `kept[light]`: 1 where the sample went into the stack, 0 where it was rejected
    /// or missing.
    pub kept: &'a [&'a [u8]],
    /// Weight of each light; positive.
    pub weights: &'a [f32],
    /// The stack.
    pub mean: &'a [f32],
    /// Sum of the weights of the kept samples.
    pub weight: &'a [f32],
    /// `halves[split][half]`: the half-stacks, made by the same estimator as the
    /// stack from its kept samples, `HalfSplit::OddEven` first; NaN where a half is
    /// empty.
    pub halves: &'a [[&'a [f32]; 2]; 2],
    /// `half_weight[split][half]`: sum of the weights of the kept samples of a half.
    pub half_weight: &'a [[&'a [f32]; 2]; 2],
}

/// Sees every tile as it is combined; the summaries come back in tile order, so that
/// what is made of them does not depend on the number of threads.
pub trait TileObserver: Sync {
    /// What is kept of one channel of a tile.
    type Summary: Send;

    /// Looks at one channel of a tile.
    fn observe(&self, tile: &TileSamples<'_>) -> Self::Summary;
}

/// Observes nothing.
impl TileObserver for () {
    type Summary = ();

    fn observe(&self, _: &TileSamples<'_>) {}
}

/// Two observers of the same tiles.
impl<A: TileObserver, B: TileObserver> TileObserver for (A, B) {
    type Summary = (A::Summary, B::Summary);

    fn observe(&self, tile: &TileSamples<'_>) -> Self::Summary {
        (self.0.observe(tile), self.1.observe(tile))
    }
}
