//! Seeded noise and drawn stars for the tests.

use crate::Star;
use ndarray::Array2;
use raw::{Cfa, Channel};

/// A small deterministic generator: PCG-XSH-RR (O'Neill 2014), Gaussian by Box & Muller.
pub(crate) struct Noise(u64);

impl Noise {
    pub(crate) fn new(seed: u64) -> Self {
        let mut noise = Self(seed.wrapping_mul(0x9E37_79B9_7F4A_7C15) | 1);
        for _ in 0..8 {
            noise.bits();
        }
        noise
    }

    fn bits(&mut self) -> u32 {
        self.0 = self
            .0
            .wrapping_mul(6_364_136_223_846_793_005)
            .wrapping_add(1_442_695_040_888_963_407);
        let shifted = (((self.0 >> 18) ^ self.0) >> 27) as u32;
        shifted.rotate_right((self.0 >> 59) as u32)
    }

    /// Uniform in [0, 1).
    pub(crate) fn uniform(&mut self) -> f64 {
        let high = u64::from(self.bits()) << 21;
        (high ^ u64::from(self.bits() >> 11)) as f64 / (1_u64 << 53) as f64
    }

    pub(crate) fn gaussian(&mut self) -> f64 {
        let radius = (-2.0 * (1.0 - self.uniform()).ln()).sqrt();
        radius * (std::f64::consts::TAU * self.uniform()).cos()
    }
}

/// A detection as a list has it, 3 px wide.
pub(crate) fn star(x: f64, y: f64, flux_dn: f64) -> Star {
    Star {
        x,
        y,
        flux_dn,
        peak_dn: flux_dn / 12.0,
        fwhm_px: 3.0,
        ellipticity: 0.05,
        position_angle_rad: 0.0,
        snr: flux_dn / 50.0,
        saturated: false,
    }
}

/// A Gaussian star to draw.
#[derive(Clone, Copy)]
pub(crate) struct Drawn {
    pub(crate) x: f64,
    pub(crate) y: f64,
    /// Flux, DN, in each of R, G, B.
    pub(crate) flux_dn: [f64; 3],
    pub(crate) sigma_px: f64,
}

impl Drawn {
    pub(crate) fn white(x: f64, y: f64, flux_dn: f64, sigma_px: f64) -> Self {
        Self {
            x,
            y,
            flux_dn: [flux_dn; 3],
            sigma_px,
        }
    }
}

/// Draws stars, integrated over each pixel, onto a mosaic without sky or noise.
pub(crate) fn draw(stars: &[Drawn], width: usize, height: usize, cfa: &Cfa) -> Array2<f32> {
    let mut mosaic = Array2::zeros((height, width));
    for star in stars {
        let reach = (6.0 * star.sigma_px).ceil() + 1.0;
        let span = |at: f64, extent: usize| {
            let end = (at + reach + 1.0).clamp(0.0, extent as f64) as usize;
            (at - reach).max(0.0) as usize..end
        };
        let profile = |at: f64, range: std::ops::Range<usize>| -> Vec<f64> {
            let edge = |e: f64| 0.5 * erf((e - at) / (star.sigma_px * std::f64::consts::SQRT_2));
            range
                .map(|i| edge(i as f64 + 0.5) - edge(i as f64 - 0.5))
                .collect()
        };
        let (columns, rows) = (span(star.x, width), span(star.y, height));
        let (along_x, along_y) = (
            profile(star.x, columns.clone()),
            profile(star.y, rows.clone()),
        );
        for (row, share_y) in rows.zip(&along_y) {
            for (col, share_x) in columns.clone().zip(&along_x) {
                let flux_dn = match cfa.at(row, col) {
                    Channel::R => star.flux_dn[0],
                    Channel::G | Channel::Mono => star.flux_dn[1],
                    Channel::B => star.flux_dn[2],
                };
                mosaic[(row, col)] += (flux_dn * share_x * share_y) as f32;
            }
        }
    }
    mosaic
}

/// The error function, to 1e-12: Abramowitz & Stegun 7.1.5 for small arguments and the
/// continued fraction 7.1.14 for large ones (from memory; checked in the tests below).
pub(crate) fn erf(x: f64) -> f64 {
    let z = x.abs();
    if z > 6.0 {
        return x.signum();
    }
    let value = if z < 2.5 {
        let (mut term, mut sum) = (z, z);
        for n in 1..80 {
            term *= -z * z / f64::from(n);
            sum += term / f64::from(2 * n + 1);
        }
        sum * std::f64::consts::FRAC_2_SQRT_PI
    } else {
        let tail = (1..60)
            .rev()
            .fold(z, |tail, n| z + f64::from(n) / 2.0 / tail);
        1.0 - (-z * z).exp() / tail / std::f64::consts::PI.sqrt()
    };
    value * x.signum()
}

#[test]
fn the_error_function_is_the_tabulated_one() {
    // scipy.special.erf
    for (x, want) in [
        (0.0, 0.0),
        (0.5, 0.520_499_877_813_046_5),
        (1.0, 0.842_700_792_949_714_9),
        (2.6, 0.999_763_965_583_470_7),
        (-3.0, -0.999_977_909_503_001_4),
    ] {
        assert!((erf(x) - want).abs() < 1e-12, "{x}: {}", erf(x));
    }
}
