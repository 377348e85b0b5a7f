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

    /// Digits of the worked numbers, and f32.
    const DIGITS: f64 = 2e-6;

    #[test]
    fn weights_make_the_quietest_mean_of_unequal_lights() {
        // Inverse variances: 1 / sum(1 / v), against the plain mean's sum(v) / N^2.
        let variances: [f64; 8] = [1.0, 1.0, 1.0, 1.0, 2.0, 2.0, 4.0, 10.0];
        let noise: Vec<Vec<f32>> = variances.iter().map(|v| vec![v.sqrt() as f32]).collect();
        let weights = inverse_variance_weights(&noise, &[1.0; 8]);
        let variance_of = |weights: &[f32]| {
            let weights = weights.iter().map(|&w| f64::from(w));
            let sum: f64 = weights.clone().sum();
            weights.zip(variances).map(|(w, v)| w * w * v).sum::<f64>() / (sum * sum)
        };
        assert!((variance_of(&weights) - 0.186_916).abs() < DIGITS);
        assert!((variance_of(&[1.0; 8]) - 0.343_750).abs() < DIGITS);
    }

    #[test]
    fn clouded_lights_add_what_they_know() {
        // Transparency T and variance v: at best the SNR squared is the sum of T^2 / v.
        let lights: [(f64, f64); 4] = [(1.0, 1.0), (1.0, 1.0), (0.8, 1.2), (0.5, 2.0)];
        let noise: Vec<Vec<f32>> = lights.iter().map(|l| vec![l.1.sqrt() as f32]).collect();
        let scale = lights.map(|(transparency, _)| transparency.recip() as f32);
        let snr = |weights: &[f32]| {
            let scaled = lights.iter().zip(weights).map(|(&(t, v), &weight)| {
                let weight = f64::from(weight);
                (weight, weight * weight * v / (t * t))
            });
            let (sum, noise) = scaled.fold((0.0, 0.0), |(a, b), (w, n)| (a + w, b + n));
            sum / noise.sqrt()
        };
        assert!((snr(&inverse_variance_weights(&noise, &scale)) - 1.630_44).abs() < 5e-6);
        // Adding what was recorded as it is weighs the scaled lights by T alone.
        let added = lights.map(|(transparency, _)| transparency as f32);
        assert!((snr(&added) - 1.447_15).abs() < 5e-6);
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
