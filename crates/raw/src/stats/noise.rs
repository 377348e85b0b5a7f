//! Noise of one pixel from the differences of pixels that see the same.

use std::f64::consts::FRAC_1_SQRT_2;

/// Turns the standard deviation of a difference into that of one value.
const SIGMA_PER_DIFFERENCE: f64 = FRAC_1_SQRT_2;

/// Variance that rounding adds to a pixel beyond what its differences show, DN².
///
/// A pixel rounded to whole numbers has `σ² + 1/12`. The share of rounded differences up
/// to `k` is that of `x + u` up to `k + 1/2`, where `u` is uniform in `± 1/2`: `2σ² + 1/12`,
/// which is `σ² + 1/24` for a pixel.
const ROUNDING_VARIANCE_DN2: f64 = 1.0 / 24.0;

/// Standard deviation of one recorded value, DN, from how often each magnitude of the
/// difference of two values occurs.
///
/// The magnitude `k` that half of the differences stay within has a known share of a
/// Gaussian below `k + 1/2`; that share gives the width. Outliers move it no more than
/// they move a median. 0 when there are no differences or all are 0.
pub(super) fn noise_of_differences(magnitudes: &[u32]) -> f64 {
    let total: u64 = magnitudes.iter().map(|&n| u64::from(n)).sum();
    let mut within = 0_u64;
    for (magnitude, &n) in magnitudes.iter().enumerate() {
        within += u64::from(n);
        if 2 * within >= total {
            if within == total {
                // All alike, or so few that no share can be told.
                return SIGMA_PER_DIFFERENCE * magnitude as f64;
            }
            let share = within as f64 / total as f64;
            let sigmas = normal_quantile((1.0 + share) / 2.0);
            let sigma = SIGMA_PER_DIFFERENCE * (magnitude as f64 + 0.5) / sigmas;
            return (sigma * sigma + ROUNDING_VARIANCE_DN2).sqrt();
        }
    }
    0.0
}

/// The value below which a standard normal variable falls with probability `p`, for
/// `1/2 <= p < 1`; seven digits.
///
/// Source: Wichura (1988), Algorithm AS 241 (PPND7), Applied Statistics 37, 477 (from
/// memory); without its branch for probabilities within 1e-11 of 1.
fn normal_quantile(p: f64) -> f64 {
    const A: [f64; 4] = [
        3.387_132_717_9,
        50.434_271_938,
        159.291_132_02,
        59.109_374_720,
    ];
    const B: [f64; 4] = [1.0, 17.895_169_469, 78.757_757_664, 67.187_563_600];
    const C: [f64; 4] = [
        1.423_437_277_7,
        2.756_815_390_0,
        1.306_728_481_6,
        0.170_238_211_03,
    ];
    const D: [f64; 3] = [1.0, 0.737_001_642_50, 0.120_211_329_75];
    let polynomial = |c: &[f64], r: f64| c.iter().rev().fold(0.0, |sum, c| sum * r + c);
    let q = p - 0.5;
    if q <= 0.425 {
        let r = 0.180_625 - q * q;
        return q * polynomial(&A, r) / polynomial(&B, r);
    }
    let r = (-(1.0 - p).ln()).sqrt() - 1.6;
    polynomial(&C, r) / polynomial(&D, r)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// AS 241 promises about seven digits.
    const QUANTILE_TOLERANCE: f64 = 1e-6;

    #[test]
    fn quantiles_are_those_of_the_tables() {
        // Abramowitz & Stegun (1964), tables 26.1 and 26.5.
        for (p, expected) in [
            (0.5, 0.0),
            (0.75, 0.674_490),
            (0.9, 1.281_552),
            (0.95, 1.644_854),
            (0.975, 1.959_964),
            (0.99, 2.326_348),
            (0.999, 3.090_232),
        ] {
            let found = normal_quantile(p);
            assert!(
                (found - expected).abs() <= QUANTILE_TOLERANCE,
                "{p}: {found}"
            );
        }
    }

    #[test]
    fn without_differences_there_is_no_noise() {
        assert_eq!(noise_of_differences(&[]), 0.0);
        assert_eq!(noise_of_differences(&[0, 0]), 0.0);
        assert_eq!(noise_of_differences(&[9]), 0.0);
    }
}
