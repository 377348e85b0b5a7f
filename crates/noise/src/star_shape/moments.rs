//! Second moments: what they are of a star, and what they say of a trail.

/// Second moments of a star's light about its center, px².
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Second {
    /// Along x.
    pub xx: f64,
    /// Mixed; positive when the star lies from the upper left to the lower right.
    pub xy: f64,
    /// Along y, downwards.
    pub yy: f64,
}

impl Second {
    pub(super) fn is_finite(&self) -> bool {
        (self.xx + self.xy + self.yy).is_finite()
    }

    pub(super) fn plus(self, other: Self) -> Self {
        Self {
            xx: self.xx + other.xx,
            xy: self.xy + other.xy,
            yy: self.yy + other.yy,
        }
    }

    pub(super) fn times(self, factor: f64) -> Self {
        Self {
            xx: factor * self.xx,
            xy: factor * self.xy,
            yy: factor * self.yy,
        }
    }

    pub(super) fn narrowed(self, px2: f64) -> Self {
        Self {
            xx: self.xx - px2,
            yy: self.yy - px2,
            ..self
        }
    }

    /// The moments of a Gaussian that has these under a round window of variance `window`:
    /// (M⁻¹ − W⁻¹)⁻¹. `None` when there is no such Gaussian.
    pub(super) fn behind(self, window: f64) -> Option<Self> {
        let inverse = self.inverse()?.narrowed(1.0 / window);
        let behind = inverse.inverse()?;
        (inverse.xx > 0.0 && inverse.yy > 0.0 && behind.is_finite()).then_some(behind)
    }

    fn inverse(self) -> Option<Self> {
        let determinant = self.xx * self.yy - self.xy * self.xy;
        (determinant > 0.0).then(|| Self {
            xx: self.yy / determinant,
            xy: -self.xy / determinant,
            yy: self.xx / determinant,
        })
    }

    /// Half of the sum of both axes' moments, px²: what has no direction.
    pub fn round_px2(&self) -> f64 {
        0.5 * (self.xx + self.yy)
    }

    /// Half of the difference of both axes' moments, as a vector of length (major −
    /// minor)/2 px² at twice the angle of the major axis: such vectors can be averaged.
    pub fn elongation_px2(&self) -> [f64; 2] {
        [0.5 * (self.xx - self.yy), self.xy]
    }
}

/// The direction of an elongation vector, degrees from +x towards +y, in (−90, 90].
pub(super) fn direction_deg([q, u]: [f64; 2]) -> f64 {
    let degrees = 0.5 * u.atan2(q).to_degrees();
    if degrees <= -90.0 {
        degrees + 180.0
    } else {
        degrees
    }
}

/// Length of the trail that makes a star longer by `elongation` (half of major minus minor,
/// px², of the Gaussian behind the window), px.
///
/// A Gaussian drawn along a line of length L has the variance s² + L²/12 along it, but is
/// flatter than a Gaussian, so what stands behind its windowed moments is longer. Solved
/// for the very window.
///
/// - `across_px2`: s², the variance across, px².
pub(super) fn trail_length_px(elongation: f64, across_px2: f64, window_px2: f64) -> f64 {
    const HALVINGS: usize = 50;
    if !(elongation > 0.0 && across_px2 > 0.0) {
        return 0.0;
    }
    let along = across_px2 + 2.0 * elongation;
    let windowed = 1.0 / (1.0 / along + 1.0 / window_px2);
    // A Gaussian's answer is the longest there can be.
    let (mut short, mut long) = (0.0, (24.0 * elongation).sqrt());
    for _ in 0..HALVINGS {
        let middle = 0.5 * (short + long);
        if windowed_trail_px2(middle, across_px2, window_px2) < windowed {
            short = middle;
        } else {
            long = middle;
        }
    }
    0.5 * (short + long)
}

/// Windowed variance along a trail.
fn windowed_trail_px2(length: f64, across_px2: f64, window_px2: f64) -> f64 {
    const STEPS: usize = 64;
    let places = (0..STEPS).map(|i| length * ((i as f64 + 0.5) / STEPS as f64 - 0.5));
    windowed_px2(places.map(|place| (place, 1.0)), across_px2, window_px2)
}

/// Variance, seen through the window about 0, of Gaussians of one variance at places of
/// given light, px²: the mean over them of what each has.
pub(super) fn windowed_px2(
    places: impl Iterator<Item = (f64, f64)>,
    star_px2: f64,
    window_px2: f64,
) -> f64 {
    let both = star_px2 + window_px2;
    let inner = star_px2 * window_px2 / both;
    let (mut light, mut second) = (0.0, 0.0);
    for (place, share) in places {
        // A Gaussian at `place` times the window: of this weight, mean and variance.
        let weight = share * (-0.5 * place * place / both).exp();
        let mean = place * window_px2 / both;
        light += weight;
        second += weight * (inner + mean * mean);
    }
    second / light
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_gaussian_stands_behind_its_window() {
        let star = Second {
            xx: 1.7,
            xy: 0.3,
            yy: 0.9,
        };
        let product = star.inverse().expect("positive").narrowed(-1.0 / 2.0);
        let windowed = product.inverse().expect("positive");
        let behind = windowed.behind(2.0).expect("a star");
        for (found, want) in [(behind.xx, 1.7), (behind.xy, 0.3), (behind.yy, 0.9)] {
            assert!((found - want).abs() < 1e-12, "{found} {want}");
        }
        assert!(
            Second {
                xx: 3.0,
                xy: 0.0,
                yy: 3.0
            }
            .behind(2.0)
            .is_none()
        );
        assert!(Second::default().behind(2.0).is_none());
    }

    #[test]
    fn directions_of_axes() {
        let along = |degrees: f64| {
            let (sin, cos) = degrees.to_radians().sin_cos();
            Second {
                xx: cos * cos,
                xy: sin * cos,
                yy: sin * sin,
            }
            .elongation_px2()
        };
        for degrees in [0.0, 32.0, 90.0, -45.0, -89.0] {
            let found = direction_deg(along(degrees));
            assert!((found - degrees).abs() < 1e-9, "{found} for {degrees}");
        }
    }

    #[test]
    fn trails_widen_stars_as_a_box_does() {
        // Gaussian of FWHM w along a box of length L: rms widths over the round star's.
        const TOLERANCE: f64 = 5e-4;
        for (length, wider) in [
            (0.25, 1.0143),
            (0.5, 1.0562),
            (0.75, 1.1225),
            (1.0, 1.2092),
            (1.5, 1.4282),
            (2.0, 1.6877),
            (3.0, 2.2713),
            (5.0, 3.5429),
            (10.0, 6.8709),
        ] {
            let length_sigmas = super::super::FWHM_PER_SIGMA * length;
            // As good as no window.
            let found = windowed_trail_px2(length_sigmas, 1.0, 1e9).sqrt();
            assert!((found / wider - 1.0).abs() < TOLERANCE, "{length}: {found}");
        }
    }

    #[test]
    fn trails_of_all_lengths_are_found_behind_the_window() {
        // Windowed by plain integration, independently of the solver's sum.
        for (length, across, window) in [(0.5, 0.9, 1.4), (2.0, 0.8, 1.5), (6.0, 1.2, 2.5)] {
            let n = 4000;
            let (mut light, mut second) = (0.0, 0.0);
            for i in 0..n {
                let x: f64 = 20.0 * (f64::from(i) / f64::from(n) - 0.5);
                let points = (0..400).map(|k| length * ((f64::from(k) + 0.5) / 400.0 - 0.5));
                let star: f64 = points
                    .map(|t| (-0.5 * (x - t).powi(2) / across).exp())
                    .sum();
                let weight = (-0.5 * x * x / window).exp() * star;
                light += weight;
                second += weight * x * x;
            }
            let along = 1.0 / (light / second - 1.0 / window);
            let found = trail_length_px(0.5 * (along - across), across, window);
            assert!(
                (found - length).abs() < 0.01 * length,
                "{found} for {length}"
            );
        }
        assert_eq!(trail_length_px(0.0, 1.0, 1.0), 0.0);
        assert_eq!(trail_length_px(f64::NAN, 1.0, 1.0), 0.0);
    }
}
