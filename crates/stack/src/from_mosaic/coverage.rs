//! Whether photosites of every color fell everywhere.

use ndarray::ArrayView2;

/// How evenly the photosites of a channel cover a picture.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct ChannelCoverage {
    /// Pixels looked at.
    pub pixels: usize,
    /// Share of them on which no photosite of the channel fell.
    pub empty: f64,
    /// Share of them, the empty ones included, with less than a quarter of the mean weight:
    /// twice the noise of an evenly covered picture, and more.
    pub thin: f64,
    /// Mean weight: photosites on a pixel, for lights of weight 1.
    pub mean_weight: f64,
}

/// Share of the mean weight below which a pixel is thinly covered.
const THIN: f64 = 0.25;

impl ChannelCoverage {
    /// - `counts(row, col)`: whether a pixel is looked at.
    pub(super) fn of(weight: ArrayView2<f32>, counts: &dyn Fn(usize, usize) -> bool) -> Self {
        let looked_at = || {
            weight
                .indexed_iter()
                .filter(|((row, col), _)| counts(*row, *col))
        };
        let (mut pixels, mut empty, mut sum) = (0_usize, 0_usize, 0.0);
        for (_, &weight) in looked_at() {
            pixels += 1;
            empty += usize::from(weight == 0.0);
            sum += f64::from(weight);
        }
        if pixels == 0 {
            return Self::default();
        }
        let mean_weight = sum / pixels as f64;
        let is_thin = |weight: f32| f64::from(weight) < THIN * mean_weight || weight == 0.0;
        let thin = looked_at().filter(|(_, weight)| is_thin(**weight)).count();
        let share = |n: usize| n as f64 / pixels as f64;
        Self {
            pixels,
            empty: share(empty),
            thin: share(thin),
            mean_weight,
        }
    }
}

/// Lights needed on average until every place of a color has been hit, where the framing moves
/// by chance: m H(m), the coupon collector's number, for the m = scale² / share places within
/// the reach of one photosite of that color. 8.3 for red at scale 1, 54.1 at scale 2.
///
/// Source: Feller (1968), An Introduction to Probability Theory, vol. 1, sect. IX.3 (from
/// memory).
///
/// - `photosite_share`: of the channel among all photosites, above 0.
pub fn lights_needed(scale: f64, photosite_share: f64) -> f64 {
    let places = (scale * scale / photosite_share).round().max(1.0);
    let harmonic: f64 = (1..=places as usize).map(|i| 1.0 / i as f64).sum();
    places * harmonic
}

#[cfg(test)]
mod tests {
    use super::*;
    use ndarray::array;

    #[test]
    fn lights_needed_are_the_coupon_collectors() {
        // 4 (1 + 1/2 + 1/3 + 1/4) = 25/3; sixteen and two places by the same sum.
        assert!((lights_needed(1.0, 0.25) - 25.0 / 3.0).abs() < 1e-12);
        assert!((lights_needed(2.0, 0.25) - 54.09).abs() < 0.01);
        assert!((lights_needed(1.0, 0.5) - 3.0).abs() < 1e-12);
        assert_eq!(lights_needed(1.0, 1.0), 1.0);
    }

    #[test]
    fn empty_and_thin_pixels_are_counted_where_they_count() {
        let weight = array![[4.0_f32, 4.0, 0.0], [4.0, 0.5, 0.0]];
        let all = ChannelCoverage::of(weight.view(), &|_, _| true);
        assert_eq!((all.pixels, all.empty, all.thin), (6, 2.0 / 6.0, 3.0 / 6.0));
        let left = ChannelCoverage::of(weight.view(), &|_, col| col < 2);
        assert_eq!((left.pixels, left.empty, left.thin), (4, 0.0, 0.25));
        assert_eq!(left.mean_weight, 3.125);
        assert_eq!(ChannelCoverage::of(weight.view(), &|_, _| false).pixels, 0);
    }
}
