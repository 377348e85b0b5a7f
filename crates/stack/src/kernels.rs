//! The engine's innermost steps on planes of one's own, for the benches.

use crate::combine::combine_channel;
use crate::reject::reject_channel;
use crate::{ClipOptions, Combine};

/// The weighted mean of what a sigma clip keeps of planes that lie on each other, DN.
///
/// - `samples[light]`: planes of equal size; NaN is missing.
///
/// # Panics
///
/// When planes differ in size, or there is not a weight a plane.
pub fn clipped_mean(samples: &[Vec<f32>], weights: &[f32], clip: &ClipOptions) -> Vec<f32> {
    let kept = reject_channel(samples, clip);
    combine_channel(samples, &kept, weights, &Combine::SigmaClip(*clip), &[]).mean
}
