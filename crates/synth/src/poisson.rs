//! Poisson numbers, exact at every mean and quick.

use rand::Rng;

/// More light than any pixel holds, e⁻.
const BRIGHTEST_E: f64 = 1e15;
/// From this mean on the transformed rejection holds.
const LEAST_REJECTION_MEAN: f64 = 10.0;
/// Beyond any count that a mean below that gives: its share is under 1e-60.
const MOST_STEPS: f64 = 150.0;

/// A Poisson number of the given mean: no normal approximation. 0 where the mean is not
/// positive.
pub(crate) fn poisson(mean: f64, rng: &mut impl Rng) -> f64 {
    if mean >= LEAST_REJECTION_MEAN {
        by_rejection(mean.min(BRIGHTEST_E), rng)
    } else if mean > 0.0 {
        by_inversion(mean, rng)
    } else {
        0.0
    }
}

/// Walks up the distribution until a uniform number is used up.
fn by_inversion(mean: f64, rng: &mut impl Rng) -> f64 {
    let mut rest = rng.random::<f64>();
    let mut share = libm::exp(-mean);
    let mut count = 0.0;
    while rest > share && count < MOST_STEPS {
        rest -= share;
        count += 1.0;
        share *= mean / count;
    }
    count
}

/// Transformed rejection with squeeze.
///
/// Source: Hörmann (1993), Insurance: Mathematics and Economics 12, 39, algorithm PTRS
/// (from memory; its moments are tested).
fn by_rejection(mean: f64, rng: &mut impl Rng) -> f64 {
    let b = 0.931 + 2.53 * mean.sqrt();
    let a = -0.059 + 0.024_83 * b;
    loop {
        let u = rng.random::<f64>() - 0.5;
        let v = rng.random::<f64>();
        let us = 0.5 - u.abs();
        let place = (2.0 * a / us + b) * u + mean + 0.43;
        // Never so within the squeeze: there u > -0.43, and `place` is above 4.
        if place < 0.0 || (us < 0.013 && v > us) {
            continue;
        }
        // Cutting off is rounding down where nothing is negative, and quicker.
        let count = place as i64 as f64;
        // v <= 0.9277 - 3.6224 / (b - 2), without the division.
        if us >= 0.07 && (0.9277 - v) * (b - 2.0) >= 3.6224 {
            return count;
        }
        let inverse_alpha = 1.1239 + 1.1328 / (b - 3.4);
        let height = v * inverse_alpha / (a / (us * us) + b);
        if below(height, mean, count) {
            return count;
        }
    }
}

/// Whether `height` is at most the probability of `count`, `mean^n e^-mean / n!`.
fn below(height: f64, mean: f64, count: f64) -> bool {
    if count < 10.0 {
        let log_share = count * libm::log(mean) - mean - libm::lgamma(count + 1.0);
        return libm::log(height) <= log_share;
    }
    // Stirling's series for ln n!, whose next term is below 1e-8, with ln n drawn together
    // with ln mean: two logarithms instead of three.
    let rest = (1.0 - 1.0 / (30.0 * count * count)) / (12.0 * count);
    let root = (std::f64::consts::TAU * count).sqrt();
    libm::log(height * root) <= count * libm::log(mean / count) + count - mean - rest
}
