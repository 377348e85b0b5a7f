//! Invented frames for tests of the kind: sky, stars, dark, bias, flat.

use rand::{Rng, SeedableRng};
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, Normal};

/// A frame to be drawn.
#[derive(Clone, Copy, Debug)]
pub struct Scene {
    pub width: usize,
    pub height: usize,
    pub black_dn: f64,
    /// Dark current, DN.
    pub dark_dn: f64,
    /// Even light, DN, before vignetting.
    pub light_dn: f64,
    /// Light at the corner over light at the center.
    pub corner: f64,
    pub read_noise_dn: f64,
    /// e- per DN.
    pub gain: f64,
    pub n_stars: usize,
    pub n_hot_pixels: usize,
    pub seed: u64,
}

impl Scene {
    /// A frame without light.
    pub fn dark(seed: u64) -> Self {
        Self {
            width: 640,
            height: 480,
            black_dn: 512.0,
            dark_dn: 0.0,
            light_dn: 0.0,
            corner: 0.6,
            read_noise_dn: 6.0,
            gain: 0.8,
            n_stars: 0,
            n_hot_pixels: 150,
            seed,
        }
    }

    /// The values, row by row, 14 bits.
    pub fn samples(&self) -> Vec<u16> {
        let mut rng = ChaCha8Rng::seed_from_u64(self.seed);
        let mut light = self.light();
        // Stars differ from frame to frame; hot pixels stay where they are.
        for _ in 0..self.n_stars {
            self.add_star(&mut light, &mut rng);
        }
        let mut hot = ChaCha8Rng::seed_from_u64(1);
        for _ in 0..self.n_hot_pixels {
            let at = hot.random_range(0..light.len());
            light[at] += hot.random_range(50.0..3000.0);
        }
        let normal = Normal::new(0.0, 1.0).expect("a valid width");
        light
            .into_iter()
            .map(|light| {
                let variance = self.read_noise_dn.powi(2) + light / self.gain;
                let noise = normal.sample(&mut rng) * variance.sqrt();
                (self.black_dn + light + noise).round().clamp(0.0, 16383.0) as u16
            })
            .collect()
    }

    fn light(&self) -> Vec<f64> {
        let (width, height) = (self.width as f64, self.height as f64);
        let corner_px = width.hypot(height) / 2.0;
        let mut light = Vec::with_capacity(self.width * self.height);
        for row in 0..self.height {
            for col in 0..self.width {
                let (dx, dy) = (col as f64 - width / 2.0, row as f64 - height / 2.0);
                let r = dx.hypot(dy) / corner_px;
                let vignetting = 1.0 - (1.0 - self.corner) * r * r;
                light.push(self.dark_dn + self.light_dn * vignetting);
            }
        }
        light
    }

    fn add_star(&self, light: &mut [f64], rng: &mut ChaCha8Rng) {
        const SIGMA_PX: f64 = 1.0;
        let x = rng.random_range(4.0..self.width as f64 - 5.0);
        let y = rng.random_range(4.0..self.height as f64 - 5.0);
        let peak_dn = 10_f64.powf(rng.random_range(1.6..3.6));
        for row in y as usize - 3..=y as usize + 4 {
            for col in x as usize - 3..=x as usize + 4 {
                let r2 = (col as f64 - x).powi(2) + (row as f64 - y).powi(2);
                let star = peak_dn * (-r2 / (2.0 * SIGMA_PX * SIGMA_PX)).exp();
                light[row * self.width + col] += star;
            }
        }
    }
}
