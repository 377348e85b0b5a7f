//! What share of a photosite's value falls on which pixel.

/// Where a photosite's value is dropped around its place on the output grid.
///
/// Sizes are in pixels of the light, so that 1 is the pitch of its photosites; distances
/// below are in pixels of the output.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum DropShape {
    /// A square of this side, px: each pixel takes the area that it shares with the square
    /// (Fruchter & Hook 2002, PASP 114, 144, sect. 2: the drop of side "pixfrac"; from
    /// memory). Its sides stay parallel to the output's pixels, however the light lies.
    Square(f64),
    /// All of it to the pixel that holds the place: a square of no size.
    Point,
    /// A round Gaussian of this full width at half maximum, px, cut at three sigmas.
    Gaussian(f64),
    /// A Gaussian that follows what the first pass shows around a pixel: narrow across
    /// edges and long along them, this wide where there is neither edge nor star (full
    /// width at half maximum, px). See `Steering`.
    Steered(f64),
}

/// Standard deviations in a full width at half maximum, sqrt(8 ln 2).
const FWHM_SIGMAS: f64 = 2.354_820_045_030_949_4;
/// Standard deviations after which a Gaussian drop ends: 1.1 % of it lie beyond.
pub(super) const CUT_SIGMAS: f64 = 3.0;
/// A Gaussian drop is not narrower than this, px of the output: it would fall between the
/// pixels' centers.
const LEAST_SIGMA_PX: f64 = 0.3;

impl DropShape {
    /// The name used on the command line and in reports.
    pub fn name(&self) -> &'static str {
        match self {
            Self::Square(_) => "square",
            Self::Point => "point",
            Self::Gaussian(_) => "gaussian",
            Self::Steered(_) => "steered",
        }
    }

    /// Size, px of the light; 0 for a point.
    pub fn size_px(&self) -> f64 {
        match *self {
            Self::Square(size) | Self::Gaussian(size) | Self::Steered(size) => size,
            Self::Point => 0.0,
        }
    }

    /// Standard deviation of a Gaussian drop where it is round, px of the output.
    pub(super) fn sigma_px(&self, scale: f64) -> f64 {
        (self.size_px() * scale / FWHM_SIGMAS).max(LEAST_SIGMA_PX)
    }

    /// How far from its place a photosite reaches the centers of pixels, px of the output.
    pub(super) fn reach_px(&self, scale: f64) -> f64 {
        match self {
            Self::Square(side) => 0.5 * side * scale + 0.5,
            Self::Point => 0.5,
            Self::Gaussian(_) => CUT_SIGMAS * self.sigma_px(scale),
            Self::Steered(_) => super::steer::LONGEST * CUT_SIGMAS * self.sigma_px(scale),
        }
    }
}

/// Share of a drop of a side that falls on a pixel, along one axis.
///
/// - `distance_px`: from the pixel's center to the drop's, px of the output.
/// - `side_px`: of the drop, px of the output; positive.
pub(super) fn overlap(distance_px: f64, side_px: f64) -> f64 {
    let half = 0.5 * side_px;
    let left = (distance_px - half).max(-0.5);
    let right = (distance_px + half).min(0.5);
    (right - left).max(0.0) / side_px
}

/// Weight of a round Gaussian drop of unit sum at a squared distance, px².
pub(super) fn gaussian(distance_px2: f64, sigma_px: f64) -> f64 {
    let scaled = distance_px2 / (sigma_px * sigma_px);
    match scaled > CUT_SIGMAS * CUT_SIGMAS {
        true => 0.0,
        false => (-0.5 * scaled).exp() / (std::f64::consts::TAU * sigma_px * sigma_px),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_square_drop_falls_on_pixels_by_shared_length() {
        assert_eq!(overlap(0.0, 1.0), 1.0);
        assert_eq!(overlap(0.25, 1.0), 0.75);
        assert_eq!(overlap(1.0, 1.0), 0.0);
        // Half as wide as a pixel and wholly inside it.
        assert_eq!(overlap(0.2, 0.5), 1.0);
        // Twice as wide: half of it falls on the pixel under its middle.
        assert_eq!(overlap(0.1, 2.0), 0.5);
        for side in [0.3, 1.0, 1.7] {
            let all: f64 = (-3..=3).map(|i| overlap(i as f64 - 0.37, side)).sum();
            assert!((all - 1.0).abs() < 1e-12, "{side}: {all}");
        }
    }

    #[test]
    fn a_gaussian_drop_has_its_width_and_about_unit_sum() {
        let drop = DropShape::Gaussian(1.0);
        let sigma = drop.sigma_px(2.0);
        let half = gaussian(1.0, sigma) / gaussian(0.0, sigma);
        assert!((half - 0.5).abs() < 1e-12, "one px off is half the width");
        let side = -4..=4;
        let cells = side.clone().flat_map(|y| side.clone().map(move |x| (x, y)));
        let place =
            |(x, y): (i32, i32)| (f64::from(x) - 0.3).powi(2) + (f64::from(y) + 0.1).powi(2);
        let all: f64 = cells.map(|cell| gaussian(place(cell), sigma)).sum();
        // What lies beyond three sigmas is exp(-4.5).
        assert!((all - 1.0 + (-4.5_f64).exp()).abs() < 0.01, "{all}");
    }
}
