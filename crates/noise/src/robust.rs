//! Averages of many scattered variances that one bad tile cannot spoil.

/// A mean and its standard error.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Average {
    pub mean: f64,
    pub error: f64,
}

/// A value with the relative variance that theory gives it.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Scattered {
    pub value: f64,
    pub relative_variance: f64,
}

/// Estimates further than this many robust sigmas from the median are left out.
const LIMIT_SIGMAS: f64 = 5.0;
/// Robust sigmas need this many values.
const MIN_FOR_REJECTION: usize = 5;
/// Theory's scatter counts as this many observed values.
const PRIOR_WEIGHT: f64 = 10.0;

/// The mean of variance estimates, each weighed by its theoretical precision.
///
/// Variance estimates are skewed: trimming them evenly would bias the mean low. So they
/// are compared by their cube roots, which are close to normal (Wilson & Hilferty 1931,
/// PNAS 17, 684), with a generous limit, and what is kept is averaged as it is.
///
/// The error joins the scatter of the values with the theoretical one, which counts as
/// ten of them, so that it is neither blind to reality nor the whim of three values.
/// `None` without values.
pub(crate) fn average(values: &[Scattered]) -> Option<Average> {
    let kept = without_outliers(values);
    let weight: f64 = kept.iter().map(|v| v.relative_variance.recip()).sum();
    if kept.is_empty() || !weight.is_finite() || weight <= 0.0 {
        return None;
    }
    let mean = kept
        .iter()
        .map(|v| v.value / v.relative_variance)
        .sum::<f64>()
        / weight;
    let scatter: f64 = kept
        .iter()
        .map(|v| (v.value - mean).powi(2) / v.relative_variance)
        .sum();
    let freedom = kept.len() as f64 - 1.0;
    let unit_variance = (scatter + PRIOR_WEIGHT * mean * mean) / (freedom + PRIOR_WEIGHT);
    Some(Average {
        mean,
        error: (unit_variance / weight).sqrt(),
    })
}

fn without_outliers(values: &[Scattered]) -> Vec<Scattered> {
    let finite: Vec<Scattered> = values
        .iter()
        .copied()
        .filter(|v| v.value.is_finite() && v.relative_variance > 0.0)
        .collect();
    if finite.len() < MIN_FOR_REJECTION {
        return finite;
    }
    let center = median(finite.iter().map(|v| v.value.cbrt()).collect());
    let distance = |v: &Scattered| (v.value.cbrt() - center) / v.relative_variance.sqrt();
    let observed = 1.4826 * median(finite.iter().map(|v| distance(v).abs()).collect());
    // The cube root's relative scatter is a third of the value's own.
    let expected = center.abs() / 3.0;
    let limit = LIMIT_SIGMAS * observed.max(expected);
    finite
        .into_iter()
        .filter(|v| distance(v).abs() <= limit)
        .collect()
}

/// The middle value, or the mean of the two in the middle; NaN without values.
pub(crate) fn median(mut values: Vec<f64>) -> f64 {
    align::median(&mut values).unwrap_or(f64::NAN)
}

#[cfg(test)]
mod tests {
    use super::*;
    use rand::SeedableRng;
    use rand_chacha::ChaCha8Rng;
    use rand_distr::{ChiSquared, Distribution};

    #[test]
    fn the_mean_of_skewed_variances_is_unbiased_and_its_error_is_right() {
        // 4000 averages of 11 tiles each; the mean of them is known to 1/sqrt(44000 dof/2).
        for freedom in [6.0, 30.0, 140.0] {
            let mut rng = ChaCha8Rng::seed_from_u64(7);
            let chi = ChiSquared::new(freedom).expect("degrees of freedom are positive");
            let (mut sum, mut squares, mut stated) = (0.0, 0.0, 0.0);
            let trials = 4000;
            for _ in 0..trials {
                let tiles: Vec<Scattered> = (0..11)
                    .map(|_| Scattered {
                        value: chi.sample(&mut rng) / freedom,
                        relative_variance: 2.0 / freedom,
                    })
                    .collect();
                let average = average(&tiles).expect("eleven values");
                sum += average.mean;
                squares += (average.mean - 1.0).powi(2);
                stated += average.error.powi(2);
            }
            let bias = sum / f64::from(trials) - 1.0;
            let sigma = (2.0 / freedom / 11.0 / f64::from(trials)).sqrt();
            // Rejection takes the last of the tail: 0.2 % at 6 degrees of freedom.
            assert!(bias.abs() < 4.0 * sigma + 0.002, "{freedom}: {bias}");
            let width = (squares / stated).sqrt();
            assert!(
                (width - 1.0).abs() < 0.1,
                "{freedom}: scatter over stated {width}"
            );
        }
    }

    #[test]
    fn a_bad_tile_does_not_spoil_the_mean() {
        let good = |i: usize| Scattered {
            value: 1.0 + 0.02 * (i as f64 - 5.0),
            relative_variance: 0.0144,
        };
        let mut tiles: Vec<Scattered> = (0..11).map(good).collect();
        for bad in [100.0, f64::INFINITY, f64::NAN, -50.0] {
            tiles.push(Scattered {
                value: bad,
                relative_variance: 0.0144,
            });
        }
        let average = average(&tiles).expect("eleven good values");
        assert!((average.mean - 1.0).abs() < 1e-9);
    }

    #[test]
    fn no_values_have_no_mean_and_equal_ones_keep_theirs() {
        assert!(average(&[]).is_none());
        let same = Scattered {
            value: 0.0,
            relative_variance: 0.01,
        };
        assert_eq!(
            average(&[same; 9]),
            Some(Average {
                mean: 0.0,
                error: 0.0
            })
        );
        let one = average(&[Scattered {
            value: 4.0,
            relative_variance: 0.01,
        }]);
        assert!(one.is_some_and(|a| a.mean == 4.0 && a.error > 0.3));
    }

    #[test]
    fn medians_of_odd_even_and_none() {
        assert_eq!(median(vec![3.0, 1.0, 2.0]), 2.0);
        assert_eq!(median(vec![4.0, 1.0, 2.0, 3.0]), 2.5);
        assert!(median(vec![]).is_nan());
    }
}
