//! The signal-to-noise ratio of a star in an aperture.

/// Standard deviation of rounding to whole numbers, DN: 1/√12.
const ROUNDING_DN: f64 = 0.288_675_134_594_812_9;

/// A star, and what its light is measured among; e⁻ per site where not said otherwise.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct ApertureLight {
    /// Light of the star within the aperture, e⁻.
    pub star_e: f64,
    /// Sites in the aperture.
    pub sites: f64,
    /// Sites that tell the background; infinite where it is known.
    pub background_sites: f64,
    /// Sky.
    pub sky_e: f64,
    /// Dark signal.
    pub dark_e: f64,
    /// Read noise, e⁻ rms.
    pub read_noise_e: f64,
    /// Gain, e⁻/DN; 0 where nothing is rounded.
    pub gain_e_per_dn: f64,
}

impl ApertureLight {
    /// Signal over noise of the star's light; 0 without a star, NaN without any noise.
    ///
    /// The CCD equation: Merline & Howell (1995), Exp. Astron. 6, 163; Howell, Handbook of
    /// CCD Astronomy, sect. 4.4.
    pub fn snr(&self) -> f64 {
        let rounding_e = ROUNDING_DN * self.gain_e_per_dn;
        let site_e2 =
            self.sky_e + self.dark_e + self.read_noise_e.powi(2) + rounding_e * rounding_e;
        let background_e2 = self.sites * (1.0 + self.sites / self.background_sites) * site_e2;
        self.star_e / (self.star_e + background_e2).sqrt()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Half of the last digit of 342.05, the coarsest of the values.
    const TOLERANCE: f64 = 1.5e-5;

    /// Howell's worked example (from memory; the book says 342), and three more by the
    /// formula on paper.
    #[test]
    fn howells_example_and_its_neighbors() {
        let example = ApertureLight {
            star_e: 24_013.0 * 5.0,
            sites: 1.0,
            background_sites: 200.0,
            sky_e: 620.0 * 5.0,
            dark_e: 1.8,
            read_noise_e: 5.0,
            gain_e_per_dn: 5.0,
        };
        let faint = ApertureLight {
            star_e: 10_000.0,
            sites: 50.0,
            background_sites: 500.0,
            sky_e: 200.0,
            dark_e: 10.0,
            read_noise_e: 5.0,
            gain_e_per_dn: 2.0,
        };
        let known_sky = ApertureLight {
            star_e: 1000.0,
            sites: 25.0,
            background_sites: f64::INFINITY,
            sky_e: 50.0,
            dark_e: 5.0,
            read_noise_e: 3.0,
            gain_e_per_dn: 0.0,
        };
        let read_alone = ApertureLight {
            star_e: 400.0,
            sites: 1.0,
            sky_e: 0.0,
            dark_e: 0.0,
            read_noise_e: 10.0,
            ..known_sky
        };
        for (light, want) in [
            (example, 342.05),
            (faint, 66.019),
            (known_sky, 19.6116),
            (read_alone, 17.8885),
        ] {
            let found = light.snr();
            assert!((found / want - 1.0).abs() < TOLERANCE, "{found} for {want}");
        }
        let none = ApertureLight {
            star_e: 0.0,
            ..example
        };
        assert_eq!(none.snr(), 0.0);
    }
}
