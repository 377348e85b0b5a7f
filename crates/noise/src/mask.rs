//! Which pixels of the reference are left out of noise: stars and what is saturated.

use align::Star;
use ndarray::Array2;
use raw::Rect;

/// How far around a star its light is kept out.
#[derive(Clone, Debug, PartialEq)]
pub struct StarMaskOptions {
    /// Radius of the faintest star, in its FWHM. Default 1.5.
    pub radius_fwhm: f64,
    /// What a tenfold signal-to-noise ratio adds, in FWHM: wings reach as far as they
    /// stand above the noise. Default 1.0.
    pub radius_fwhm_per_decade: f64,
    /// Factor for saturated stars, whose wings are longer than their SNR says.
    /// Default 2.
    pub saturated_factor: f64,
    /// No radius below or above these, px. Default 3 to 64.
    pub radius_limits_px: (f64, f64),
}

impl Default for StarMaskOptions {
    fn default() -> Self {
        Self {
            radius_fwhm: 1.5,
            radius_fwhm_per_decade: 1.0,
            saturated_factor: 2.0,
            radius_limits_px: (3.0, 64.0),
        }
    }
}

/// One flag per pixel of the reference: set where noise is not measured.
#[derive(Clone, Debug, PartialEq)]
pub struct StarMask {
    width: usize,
    height: usize,
    masked: Vec<bool>,
}

impl StarMask {
    /// Nothing masked.
    pub fn empty(width: usize, height: usize) -> Self {
        Self {
            width,
            height,
            masked: vec![false; width * height],
        }
    }

    /// Masks a disk around every star; positions in reference pixels. A star whose
    /// position, FWHM or SNR is not finite gets the smallest radius, or nothing where
    /// it has no place.
    pub fn from_stars(
        width: usize,
        height: usize,
        stars: &[Star],
        options: &StarMaskOptions,
    ) -> Self {
        let mut mask = Self::empty(width, height);
        mask.add_stars(stars, options);
        mask
    }

    /// Masks a disk around every star, as [`from_stars`](Self::from_stars) does.
    pub fn add_stars(&mut self, stars: &[Star], options: &StarMaskOptions) {
        for star in stars {
            self.mask_disk(star.x, star.y, radius_px(star, options));
        }
    }

    /// Masks the pixels whose centers lie within `radius_px` of a point; parts outside
    /// the picture are ignored.
    pub fn mask_disk(&mut self, x: f64, y: f64, radius_px: f64) {
        if !(x.is_finite() && y.is_finite() && radius_px >= 0.0) {
            return;
        }
        let rows = span(y, radius_px, self.height);
        for row in rows {
            let dy = row as f64 - y;
            let half = (radius_px * radius_px - dy * dy).max(0.0).sqrt();
            let columns = span(x, half, self.width);
            self.masked[row * self.width..][columns].fill(true);
        }
    }

    /// Masks a rectangle; parts outside the picture are ignored.
    pub fn mask_rect(&mut self, rect: Rect) {
        let columns = rect.x0.min(self.width)..rect.x1.min(self.width);
        if columns.is_empty() {
            return;
        }
        for row in rect.y0..rect.y1.min(self.height) {
            self.masked[row * self.width..][columns.clone()].fill(true);
        }
    }

    /// Masks the pixels that are set, `[row, column]`.
    ///
    /// # Panics
    ///
    /// When `set` is not of the picture's size.
    pub fn mask_where(&mut self, set: &Array2<bool>) {
        assert_eq!(set.dim(), (self.height, self.width), "one flag a pixel");
        for (masked, &set) in self.masked.iter_mut().zip(set) {
            *masked |= set;
        }
    }

    /// Whether a pixel is masked; outside the picture everything is.
    pub fn is_masked(&self, x: usize, y: usize) -> bool {
        x >= self.width || y >= self.height || self.masked[y * self.width + x]
    }

    /// Share of the picture that is masked, 0 to 1; 0 for a picture without pixels.
    pub fn masked_fraction(&self) -> f64 {
        let masked = self.masked.iter().filter(|&&masked| masked).count();
        masked as f64 / self.masked.len().max(1) as f64
    }

    /// Columns of the picture.
    pub fn width(&self) -> usize {
        self.width
    }

    /// Rows of the picture.
    pub fn height(&self) -> usize {
        self.height
    }
}

fn radius_px(star: &Star, options: &StarMaskOptions) -> f64 {
    let decades = (star.snr / 10.0).max(0.0).ln_1p() / std::f64::consts::LN_10;
    let factor = if star.saturated {
        options.saturated_factor
    } else {
        1.0
    };
    let radius =
        factor * star.fwhm_px * (options.radius_fwhm + options.radius_fwhm_per_decade * decades);
    let (least, most) = options.radius_limits_px;
    if radius.is_nan() {
        least
    } else {
        radius.min(most).max(least)
    }
}

/// Indices from `center - reach` to `center + reach` that lie within `0..n`.
fn span(center: f64, reach: f64, n: usize) -> std::ops::Range<usize> {
    let first = (center - reach).ceil().max(0.0);
    let end = ((center + reach).floor() + 1.0).clamp(0.0, n as f64);
    (first.min(end) as usize)..end as usize
}

#[cfg(test)]
mod tests {
    use super::*;

    fn star(x: f64, y: f64, snr: f64) -> Star {
        Star {
            x,
            y,
            flux_dn: 1000.0,
            peak_dn: 100.0,
            fwhm_px: 2.5,
            ellipticity: 0.0,
            position_angle_rad: 0.0,
            snr,
            saturated: false,
        }
    }

    fn masked(mask: &StarMask) -> usize {
        (mask.masked_fraction() * (mask.width() * mask.height()) as f64).round() as usize
    }

    #[test]
    fn a_disk_holds_the_pixels_whose_centers_it_covers() {
        let mut mask = StarMask::empty(9, 9);
        mask.mask_disk(4.0, 4.0, 1.0);
        assert_eq!(masked(&mask), 5);
        assert!(mask.is_masked(4, 3) && !mask.is_masked(3, 3));
        let mut point = StarMask::empty(9, 9);
        point.mask_disk(4.0, 4.0, 0.0);
        assert_eq!(masked(&point), 1);
    }

    #[test]
    fn brighter_and_saturated_stars_mask_more() {
        let area = |star| {
            masked(&StarMask::from_stars(
                200,
                200,
                &[star],
                &StarMaskOptions::default(),
            ))
        };
        let faint = star(100.0, 100.0, 5.0);
        let bright = star(100.0, 100.0, 500.0);
        let saturated = Star {
            saturated: true,
            ..bright
        };
        assert!(area(faint) < area(bright));
        assert!(area(bright) < area(saturated));
    }

    #[test]
    fn stars_at_the_edge_outside_or_without_numbers_do_no_harm() {
        let stars = [
            star(-2.0, -2.0, 100.0),
            star(9.0, 0.0, 100.0),
            star(1e9, -1e9, 100.0),
            star(f64::NAN, 1.0, 100.0),
            star(5.0, 5.0, f64::NAN),
        ];
        let mask = StarMask::from_stars(10, 10, &stars, &StarMaskOptions::default());
        assert!(mask.is_masked(0, 0) && mask.is_masked(9, 0) && mask.is_masked(5, 5));
        assert_eq!(
            StarMask::from_stars(0, 0, &stars, &StarMaskOptions::default()).width(),
            0
        );
    }

    #[test]
    fn rectangles_are_cut_to_the_picture() {
        let mut mask = StarMask::empty(10, 4);
        mask.mask_rect(Rect {
            x0: 8,
            y0: 2,
            x1: 30,
            y1: 9,
        });
        mask.mask_rect(Rect {
            x0: 40,
            y0: 0,
            x1: 50,
            y1: 1,
        });
        assert_eq!(masked(&mask), 4);
        assert!(mask.is_masked(10, 0), "outside the picture");
    }
}
