//! Running sums of the samples that fall on the pixels of a tile.

use crate::observe::HalfSplit;
use raw::Rect;

/// Sums of one channel over a tile: of all lights, and of the halves of both splits.
pub(super) struct Sums {
    pub all: Vec<Sum>,
    /// `halves[split][half]`, lights taken in turn first.
    pub halves: [[Vec<Sum>; 2]; 2],
    /// Photosites rejected, by the pixel they lie on.
    pub rejected: Vec<u16>,
}

/// Weighted sums over the samples of a pixel: a sample of a light of weight w drops a share a
/// of itself here.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub(super) struct Sum {
    /// Σ w a.
    weight: f64,
    /// Σ w a x.
    value: f64,
    /// Σ w a x².
    square: f64,
    /// Σ w a².
    weight_share: f64,
    /// Σ a.
    share: f64,
    /// Σ a².
    share_square: f64,
}

impl Sums {
    pub fn new(pixels: usize) -> Self {
        let sums = || vec![Sum::default(); pixels];
        Self {
            all: sums(),
            halves: [[sums(), sums()], [sums(), sums()]],
            rejected: vec![0; pixels],
        }
    }

    /// Adds a sample of light `index` of `n` to a pixel.
    pub fn add(
        &mut self,
        pixel: usize,
        share: f64,
        value: f64,
        weight: f64,
        (index, n): (usize, usize),
    ) {
        self.all[pixel].add(share, value, weight);
        let splits = [HalfSplit::OddEven, HalfSplit::FirstLast];
        for (halves, split) in self.halves.iter_mut().zip(splits) {
            halves[usize::from(split.is_second(index, n))][pixel].add(share, value, weight);
        }
    }
}

impl Sum {
    fn add(&mut self, share: f64, value: f64, weight: f64) {
        let w = weight * share;
        self.weight += w;
        self.value += w * value;
        self.square += w * value * value;
        self.weight_share += w * share;
        self.share += share;
        self.share_square += share * share;
    }

    /// Weighted mean; NaN without samples.
    pub fn mean(&self) -> f32 {
        match self.weight > 0.0 {
            true => (self.value / self.weight) as f32,
            false => f32::NAN,
        }
    }

    /// Σ w a: a photosite of a light of weight 1 adds 1 to all its pixels together.
    pub fn weight(&self) -> f32 {
        self.weight as f32
    }

    /// The weight that says the variance where samples fall on a pixel in unequal shares,
    /// (Σ w a)² / Σ w a²: var(mean) = u / that, for lights of variance u / w. Equal to Σ w
    /// where all shares are one.
    pub fn effective_weight(&self) -> f32 {
        match self.weight > 0.0 {
            true => (self.weight * self.weight / self.weight_share) as f32,
            false => 0.0,
        }
    }

    /// How many whole samples are worth as much, (Σ a)² / Σ a² (Kish).
    pub fn effective_samples(&self) -> f64 {
        match self.share > 0.0 {
            true => self.share * self.share / self.share_square,
            false => 0.0,
        }
    }

    /// Variance of the mean by the scatter of the samples; NaN where fewer than two tell.
    ///
    /// E Σ w a (x − m)² = u (Σ a − Σ w a² / Σ w a), hence u, and var(m) = u Σ w a² / (Σ w a)²;
    /// with all shares one that is Σ w (x − m)² / ((n − 1) Σ w).
    pub fn variance(&self) -> f32 {
        let spent = self.weight_share / self.weight;
        let free = self.share - spent;
        // Shares are sums of rounded areas.
        const ROUNDING: f64 = 1e-9;
        // Without samples there are none effective.
        if self.effective_samples() < 2.0 - ROUNDING || free <= ROUNDING {
            return f32::NAN;
        }
        let scatter = (self.square - self.value * self.value / self.weight).max(0.0);
        (scatter / free * spent / self.weight) as f32
    }
}

/// The pixels of a tile within a reach of a place, per axis.
pub(super) fn pixels_near(at: f64, reach: f64, start: usize, end: usize) -> std::ops::Range<usize> {
    let first = (at - reach).ceil().max(start as f64);
    let last = (at + reach).floor();
    match last >= first && first < end as f64 {
        true => first as usize..(last as usize + 1).min(end),
        false => 0..0,
    }
}

/// The pixel of a tile that holds a place.
pub(super) fn pixel_under((x, y): (f64, f64), tile: &Rect) -> Option<usize> {
    let (col, row) = ((x + 0.5).floor(), (y + 0.5).floor());
    let inside = col >= tile.x0 as f64
        && col < tile.x1 as f64
        && row >= tile.y0 as f64
        && row < tile.y1 as f64;
    inside.then(|| (row as usize - tile.y0) * tile.width() + col as usize - tile.x0)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn sum(samples: &[(f64, f64, f64)]) -> Sum {
        let mut sum = Sum::default();
        for &(share, value, weight) in samples {
            sum.add(share, value, weight);
        }
        sum
    }

    #[test]
    fn whole_samples_have_the_mean_and_variance_of_any_weighted_sample() {
        let sum = sum(&[(1.0, 1.0, 1.0), (1.0, 2.0, 2.0), (1.0, 6.0, 1.0)]);
        assert_eq!(sum.mean(), 2.75);
        // As the ordinary stack: (3.0625 + 1.125 + 10.5625) / ((3 - 1) 4).
        let want = (3.0625 + 1.125 + 10.5625) / (2.0 * 4.0);
        assert!((sum.variance() - want).abs() < 1e-6);
        assert_eq!((sum.weight(), sum.effective_weight()), (4.0, 4.0));
    }

    #[test]
    fn shares_weigh_the_mean_and_count_by_their_squares() {
        let sum = sum(&[(1.0, 0.0, 1.0), (0.5, 3.0, 1.0), (0.5, 6.0, 1.0)]);
        assert_eq!((sum.mean(), sum.weight()), (2.25, 2.0));
        assert!((sum.effective_weight() - 4.0 / 1.5).abs() < 1e-6);
        assert!((sum.effective_samples() - 4.0 / 1.5).abs() < 1e-12);
    }

    #[test]
    fn one_sample_has_no_variance_and_none_no_value() {
        assert!(sum(&[(0.3, 5.0, 2.0)]).variance().is_nan());
        assert_eq!(sum(&[(0.3, 5.0, 2.0)]).mean(), 5.0);
        assert!(sum(&[]).mean().is_nan() && sum(&[]).variance().is_nan());
        assert_eq!(sum(&[]).effective_weight(), 0.0);
    }

    #[test]
    fn pixels_within_reach_stay_inside_the_tile() {
        assert_eq!(pixels_near(4.2, 1.0, 0, 10), 4..6);
        assert_eq!(pixels_near(-0.4, 1.0, 0, 10), 0..1);
        assert_eq!(pixels_near(10.3, 1.0, 0, 10), 0..0);
        assert_eq!(pixels_near(-5.0, 1.0, 0, 10), 0..0);
        let tile = Rect {
            x0: 64,
            y0: 0,
            x1: 128,
            y1: 64,
        };
        assert_eq!(pixel_under((63.5, 1.4), &tile), Some(64));
        assert_eq!(pixel_under((63.4, 1.4), &tile), None);
    }
}
