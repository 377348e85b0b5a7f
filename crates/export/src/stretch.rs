//! The asinh stretch: faint things lifted, bright ones kept, colors untouched.

/// Softening, in units of the range from black to white, at which the curve is a straight
/// line to a part in 10^9.
const STRAIGHT_SOFTENING: f64 = 1e4;

/// A curve that is linear near black and logarithmic far above it.
///
/// ```text
/// F(I) = asinh((I - black) / softening) / asinh((white - black) / softening)
/// ```
///
/// Source: Lupton et al. (2004), PASP 116, 133, sect. 2 (from memory; held against
/// astropy's implementation in `tests/against_independent_readers.rs`).
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct AsinhStretch {
    /// Intensity shown as 0, DN.
    pub black: f64,
    /// Intensity shown as 1, DN; above `black`.
    pub white: f64,
    /// Height above black where the curve turns from linear to logarithmic, DN;
    /// positive. Smaller lifts faint things more.
    pub softening: f64,
}

impl AsinhStretch {
    /// The stretch that shows intensity `sky` at output `sky_level`.
    ///
    /// - `black`, `sky`, `white`: DN, ascending.
    /// - `sky_level`: linear output, between 0 and 1.
    ///
    /// Where even a straight line shows the sky brighter than that, the straight line
    /// is returned.
    pub fn with_sky_at(black: f64, sky: f64, white: f64, sky_level: f64) -> Self {
        let range = white - black;
        let at = |exponent: f64| Self {
            black,
            white,
            softening: range * exponent.exp(),
        };
        // The output falls as the softening grows, so bisection finds the one solution.
        let (mut low, mut high) = (-STRAIGHT_SOFTENING.ln() * 4.0, STRAIGHT_SOFTENING.ln());
        for _ in 0..64 {
            let middle = 0.5 * (low + high);
            if at(middle).curve(sky) < sky_level {
                high = middle;
            } else {
                low = middle;
            }
        }
        at(0.5 * (low + high))
    }

    /// Output for an intensity: 0 at black and below, 1 at white, more above it.
    pub fn curve(&self, intensity: f64) -> f64 {
        let above = (intensity - self.black).max(0.0);
        (above / self.softening).asinh() / ((self.white - self.black) / self.softening).asinh()
    }

    /// Stretches a color by the curve of its mean, so that the ratios of the channels
    /// above black stay. A color that would leave the range is scaled down as a whole
    /// rather than clipped to white; channels below black become 0.
    ///
    /// Linear in, linear out, each 0 to 1. NaN in any channel gives black.
    pub fn apply(&self, rgb: [f64; 3]) -> [f64; 3] {
        let above = rgb.map(|value| value - self.black);
        let intensity = (above[0] + above[1] + above[2]) / 3.0;
        // False for NaN too.
        let visible = intensity > 0.0;
        if !visible {
            return [0.0; 3];
        }
        let scale = self.curve(intensity + self.black) / intensity;
        let stretched = above.map(|value| (value * scale).max(0.0));
        let brightest = stretched[0].max(stretched[1]).max(stretched[2]);
        stretched.map(|value| value / brightest.max(1.0))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Output steps of a 16-bit file, far below what bisection leaves.
    const OUTPUT_TOLERANCE: f64 = 1e-6;

    #[test]
    fn ends_of_the_curve() {
        let stretch = AsinhStretch {
            black: 100.0,
            white: 5000.0,
            softening: 20.0,
        };
        assert_eq!(stretch.curve(40.0), 0.0);
        assert_eq!(stretch.curve(100.0), 0.0);
        assert_eq!(stretch.curve(5000.0), 1.0);
    }

    #[test]
    fn the_sky_lands_where_it_was_asked() {
        for (sky, white, level) in [(1.0, 1e3, 0.02), (1.0, 1e6, 0.02), (50.0, 1e4, 0.1)] {
            let stretch = AsinhStretch::with_sky_at(0.0, sky, white, level);
            assert!(
                (stretch.curve(sky) - level).abs() < OUTPUT_TOLERANCE,
                "{stretch:?}"
            );
        }
    }

    #[test]
    fn a_sky_too_bright_for_the_level_gives_a_straight_line() {
        let stretch = AsinhStretch::with_sky_at(0.0, 50.0, 100.0, 0.02);
        for intensity in [10.0, 50.0, 90.0] {
            let straight = intensity / 100.0;
            assert!((stretch.curve(intensity) - straight).abs() < OUTPUT_TOLERANCE);
        }
    }

    #[test]
    fn ratios_of_the_channels_stay() {
        let stretch = AsinhStretch {
            black: 10.0,
            white: 1000.0,
            softening: 5.0,
        };
        for scale in [1.0, 30.0, 3000.0] {
            let [r, g, b] = stretch.apply([10.0 + 4.0 * scale, 10.0 + 2.0 * scale, 10.0 + scale]);
            assert!((r / g - 2.0).abs() < OUTPUT_TOLERANCE, "{r} {g}");
            assert!((g / b - 2.0).abs() < OUTPUT_TOLERANCE, "{g} {b}");
            assert!(r <= 1.0);
        }
    }

    #[test]
    fn no_value_and_below_black_are_black() {
        let stretch = AsinhStretch {
            black: 0.0,
            white: 10.0,
            softening: 1.0,
        };
        assert_eq!(stretch.apply([f64::NAN, 3.0, 3.0]), [0.0; 3]);
        assert_eq!(stretch.apply([-5.0, -1.0, 2.0]), [0.0; 3]);
        assert_eq!(stretch.apply([-1.0, 5.0, 5.0])[0], 0.0);
    }
}
