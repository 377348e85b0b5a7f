//! How clear the air was: star fluxes of one frame over those of another.

use crate::Star;
use crate::stats::{SIGMA_PER_MAD, median};

/// A ratio of star fluxes, no unit.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Transparency {
    /// Frame over reference; NaN when no pair of unsaturated stars was there.
    pub ratio: f64,
    /// Standard error of the ratio; NaN with fewer than two pairs.
    pub standard_error: f64,
}

/// The weighted mean of the flux ratios' logarithms, outliers clipped at 3 robust sigmas
/// about the median.
///
/// Pairs count by the errors of their fluxes and 5 % that a color filter array adds
/// for sharp stars; only stars above 15 sigmas on the reference are taken when there are ten, since
/// of fainter ones only the lucky are seen on both.
pub(crate) fn transparency(
    reference: &[Star],
    frame: &[Star],
    pairs: &[(usize, usize)],
) -> Transparency {
    const CLEAR_SNR: f64 = 15.0;
    const ENOUGH: usize = 10;
    const CLIP_SIGMAS: f64 = 3.0;
    const COMMON_ERROR: f64 = 0.05;
    let sound = |(a, b): &(&Star, &Star)| {
        !a.saturated && !b.saturated && a.flux_dn > 0.0 && b.flux_dn > 0.0
    };
    let mut stars: Vec<(&Star, &Star)> = pairs
        .iter()
        .map(|&(i, j)| (&reference[i], &frame[j]))
        .filter(sound)
        .collect();
    let clear = |(a, _): &(&Star, &Star)| a.snr >= CLEAR_SNR;
    if stars.iter().filter(|pair| clear(pair)).count() >= ENOUGH {
        stars.retain(clear);
    }
    let inverse_square = |snr: f64| if snr > 0.0 { snr.powi(-2) } else { 1.0 };
    let mut ratios: Vec<(f64, f64)> = stars
        .iter()
        .map(|(a, b)| {
            let variance = inverse_square(a.snr) + inverse_square(b.snr) + COMMON_ERROR.powi(2);
            ((b.flux_dn / a.flux_dn).ln(), 1.0 / variance)
        })
        .collect();
    let Some(middle) = median(&mut ratios.iter().map(|(ln, _)| *ln).collect::<Vec<f64>>()) else {
        return Transparency {
            ratio: f64::NAN,
            standard_error: f64::NAN,
        };
    };
    let pull = |(ln, weight): &(f64, f64)| (ln - middle).abs() * weight.sqrt();
    let spread = median(&mut ratios.iter().map(pull).collect::<Vec<f64>>())
        .map_or(0.0, |mad| SIGMA_PER_MAD * mad);
    ratios.retain(|ratio| pull(ratio) <= CLIP_SIGMAS * spread.max(f64::EPSILON));
    let total: f64 = ratios.iter().map(|(_, weight)| weight).sum();
    let mean = ratios.iter().map(|(ln, weight)| ln * weight).sum::<f64>() / total;
    let scatter = ratios
        .iter()
        .map(|(ln, weight)| weight * (ln - mean).powi(2))
        .sum::<f64>();
    let spare = ratios.len() as f64 - 1.0;
    Transparency {
        ratio: mean.exp(),
        standard_error: mean.exp() * (scatter / spare / total).sqrt(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn star(flux_dn: f64, saturated: bool) -> Star {
        Star {
            x: 0.0,
            y: 0.0,
            flux_dn,
            peak_dn: flux_dn / 10.0,
            fwhm_px: 3.0,
            ellipticity: 0.0,
            position_angle_rad: 0.0,
            snr: flux_dn / 10.0,
            saturated,
        }
    }

    #[test]
    fn an_outlier_and_a_saturated_star_do_not_count() {
        let reference: Vec<Star> = (1..=40)
            .map(|i| star(200.0 * f64::from(i), false))
            .collect();
        let wobble = |i: usize| 0.7 * (1.0 + 0.01 * ((i * 7 % 5) as f64 - 2.0));
        let mut frame: Vec<Star> = (0..40)
            .map(|i| star(reference[i].flux_dn * wobble(i), false))
            .collect();
        frame[30].flux_dn *= 3.0;
        frame[39] = star(1e6, true);
        let pairs: Vec<(usize, usize)> = (0..40).map(|i| (i, i)).collect();
        let found = transparency(&reference, &frame, &pairs);
        // The wobble of 1.4 % over 38 stars is a standard error of 0.23 %; four of them.
        assert!((found.ratio - 0.7).abs() < 4.0 * 0.0023 * 0.7, "{found:?}");
        assert!(
            (0.0008..0.0032).contains(&found.standard_error),
            "{found:?}"
        );
    }

    #[test]
    fn nothing_to_compare_has_no_ratio() {
        let none = transparency(&[], &[], &[]);
        assert!(none.ratio.is_nan() && none.standard_error.is_nan());
        let one = transparency(&[star(100.0, false)], &[star(50.0, false)], &[(0, 0)]);
        assert_eq!(one.ratio, 0.5);
        assert!(one.standard_error.is_nan());
        let saturated = transparency(&[star(100.0, true)], &[star(50.0, false)], &[(0, 0)]);
        assert!(saturated.ratio.is_nan());
    }
}
