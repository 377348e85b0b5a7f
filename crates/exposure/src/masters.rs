//! Darks and flats: how many, so that the masters add little to the noise of the stack.

use crate::SitePhotons;

/// A stack that masters are made for.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Masters {
    /// What reaches a site of a light.
    pub site: SitePhotons,
    /// Exposure of a light, s.
    pub exposure_s: f64,
    /// Lights in the stack.
    pub lights: f64,
    /// Places of the sensor that a point of the sky falls on: 1 where nothing moves, up to
    /// the number of lights where each lies elsewhere. Masters are averaged over them.
    pub places: f64,
    /// Share that a master may add to the noise.
    pub share: f64,
}

impl Masters {
    /// Darks whose master adds the share, not rounded.
    ///
    /// Of variances: `v/N + d/(M m) = (1 + x)² v/N` for N lights of variance v over m places
    /// and M darks of variance d, solved for M.
    pub fn darks(&self) -> f64 {
        let dark_e2 = self.site.dark_e_per_s * self.exposure_s + self.site.read_noise_e.powi(2);
        self.frames_of(dark_e2)
    }

    /// Flats whose master adds the share, not rounded.
    ///
    /// A flat of `level_e` electrons a site is unsure by `1/√level_e` of itself, and so is
    /// the light of the sky that is divided by it; the same balance as for darks.
    pub fn flats(&self, level_e: f64) -> f64 {
        let light_e = (self.site.target_e_per_s + self.site.background_e_per_s) * self.exposure_s;
        self.frames_of(light_e * light_e / level_e)
    }

    fn frames_of(&self, variance_e2: f64) -> f64 {
        let excess = (1.0 + self.share).powi(2) - 1.0;
        let stack_e2 = self.site.variance_e2(self.exposure_s) / self.lights;
        variance_e2 / (self.places * stack_e2 * excess)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn masters(lights: f64, places: f64, share: f64) -> Masters {
        Masters {
            site: SitePhotons::of_sky(0.0, 0.5, 3.0),
            exposure_s: 60.0,
            lights,
            places,
            share,
        }
    }

    /// Darks as noisy as lights, without dither: the gain is `1/√(1/N + 1/M)` (elementary).
    #[test]
    fn a_master_costs_what_its_frames_are_few() {
        let gains = [
            (10.0_f64, 10.0_f64, 2.236),
            (50.0, 20.0, 3.780),
            (100.0, 20.0, 4.082),
            (400.0, 50.0, 6.667),
        ];
        for (lights, darks, gain) in gains {
            let share = lights.sqrt() / gain - 1.0;
            let found = masters(lights, 1.0, share).darks();
            assert!(
                (found / darks - 1.0).abs() < 1e-3,
                "{lights}: {found} for {darks}"
            );
        }
    }

    #[test]
    fn lights_at_many_places_need_fewer() {
        let still = masters(100.0, 1.0, 0.05).darks();
        let moving = masters(100.0, 25.0, 0.05).darks();
        assert!((still / moving - 25.0).abs() < 1e-9);
    }

    /// Light by photons alone: v = S, and S²/L flats balance to `N S / (L ((1 + x)² - 1))`.
    #[test]
    fn flats_are_as_many_as_their_light_is_little() {
        let masters = Masters {
            site: SitePhotons::of_sky(10.0, 0.0, 0.0),
            ..masters(100.0, 1.0, 0.05)
        };
        let want = 100.0 * 600.0 / (10_000.0 * 0.1025);
        assert!((masters.flats(10_000.0) / want - 1.0).abs() < 1e-12);
    }
}
