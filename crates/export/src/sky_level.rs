//! Where the sky lies among the values of a picture, without looking at its scene.

/// Quantile that [`SkyLevel`] compares with the median.
const DARK_QUANTILE: f64 = 0.01;

/// Distance of that quantile from the median of a Gaussian, in sigmas:
/// the inverse normal distribution at 0.99.
const DARK_QUANTILE_SIGMA: f64 = 2.326_347_874_040_841;

/// Values looked at, at most: the median of a million is known to a thousandth sigma.
const SAMPLE: usize = 1 << 20;

/// The typical value, how far the darker pixels scatter below it, and the brightest few.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct SkyLevel {
    /// Median.
    pub level: f64,
    /// Gaussian-equivalent sigma of the dark half: noise, gradient and vignetting, but
    /// neither stars nor nebulae, which all lie on the bright side. 0 when more than
    /// half of the values are equal.
    pub spread: f64,
    /// The value exceeded by the brightest `bright_fraction`.
    pub bright: f64,
}

impl SkyLevel {
    /// `None` without a finite value.
    ///
    /// - `values`: NaN and infinities take no part. **Reordered**.
    /// - `bright_fraction`: share of the values above [`bright`](Self::bright), 0 to 1.
    pub fn of(values: Vec<f32>, bright_fraction: f64) -> Option<Self> {
        let mut values = values;
        values.retain(|value| value.is_finite());
        let level = quantile(&mut values, 0.5)?;
        let dark = quantile(&mut values, DARK_QUANTILE)?;
        let bright = quantile(&mut values, 1.0 - bright_fraction)?;
        Some(Self {
            level,
            spread: (level - dark) / DARK_QUANTILE_SIGMA,
            bright,
        })
    }
}

/// Step through `len` values so that about a million are seen; odd, so that it does not
/// keep in step with rows of even length.
pub(crate) fn sample_step(len: usize) -> usize {
    len.div_ceil(SAMPLE) | 1
}

/// The value at rank `fraction * (n - 1)`, rounded; `None` when empty.
fn quantile(values: &mut [f32], fraction: f64) -> Option<f64> {
    let last = values.len().checked_sub(1)?;
    let rank = (fraction * last as f64).round() as usize;
    let (_, value, _) = values.select_nth_unstable_by(rank.min(last), f32::total_cmp);
    Some(f64::from(*value))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn nothing_without_a_finite_value() {
        assert_eq!(SkyLevel::of(vec![], 0.1), None);
        assert_eq!(SkyLevel::of(vec![f32::NAN, f32::INFINITY], 0.1), None);
    }

    #[test]
    fn one_value_and_equal_values_have_no_spread() {
        for n in [1, 2, 5] {
            let sky = SkyLevel::of(vec![7.0; n], 0.1).unwrap();
            assert_eq!(
                sky,
                SkyLevel {
                    level: 7.0,
                    spread: 0.0,
                    bright: 7.0
                }
            );
        }
    }

    #[test]
    fn stars_do_not_move_the_sky() {
        let mut values: Vec<f32> = (0..1001).map(|i| i as f32 / 10.0).collect();
        let empty = SkyLevel::of(values.clone(), 0.01).unwrap();
        assert_eq!(empty.level, 50.0);
        assert_eq!(empty.spread, 49.0 / DARK_QUANTILE_SIGMA);
        for value in &mut values[951..] {
            *value = 60_000.0;
        }
        values.push(f32::NAN);
        let starry = SkyLevel::of(values, 0.01).unwrap();
        assert_eq!((starry.level, starry.spread), (empty.level, empty.spread));
        assert_eq!(starry.bright, 60_000.0);
    }
}
