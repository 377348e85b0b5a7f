//! Weights of lights from their noise.

use crate::median_of_sorted;

/// Inverse variances of lights, averaged over the channels; the typical light has weight
/// 1. Where no noise is recorded all weigh the same.
///
/// - `noise_dn[light][channel]`: noise of a sample, DN.
/// - `scale[light]`: factor that brings the light to the common star brightness, and its
///   noise with it.
///
/// # Panics
///
/// When the lists differ in length.
pub fn inverse_variance_weights(noise_dn: &[Vec<f32>], scale: &[f32]) -> Vec<f32> {
    assert_eq!(noise_dn.len(), scale.len(), "one scale a light");
    let n_channels = noise_dn.first().map_or(0, Vec::len);
    let sigma = |light: usize, channel: usize| scale[light] * noise_dn[light][channel];
    let typical = |channel: usize| {
        let mut sigmas: Vec<f32> = (0..scale.len())
            .map(|light| sigma(light, channel))
            .collect();
        sigmas.sort_unstable_by(f32::total_cmp);
        median_of_sorted(&sigmas)
    };
    let typical: Vec<f64> = (0..n_channels).map(typical).collect();
    let weight = |light: usize| {
        let share = |channel: usize| (typical[channel] / f64::from(sigma(light, channel))).powi(2);
        let mean = (0..n_channels).map(share).sum::<f64>() / n_channels as f64;
        if mean.is_finite() && mean > 0.0 {
            mean as f32
        } else {
            1.0
        }
    };
    (0..scale.len()).map(weight).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn weights_are_inverse_variances_of_the_scaled_lights() {
        let noise = vec![
            vec![2.0, 3.0],
            vec![2.0, 3.0],
            vec![4.0, 6.0],
            vec![2.0, 3.0],
            vec![2.0, 3.0],
        ];
        let found = inverse_variance_weights(&noise, &[1.0, 1.0, 1.0, 2.0, 1.0]);
        assert_eq!(found, [1.0, 1.0, 0.25, 0.25, 1.0]);
    }

    #[test]
    fn lights_without_noise_weigh_the_same() {
        assert_eq!(
            inverse_variance_weights(&[vec![0.0], vec![0.0]], &[1.0, 1.0]),
            [1.0, 1.0]
        );
        assert!(inverse_variance_weights(&[], &[]).is_empty());
    }
}
