//! Signal and noise of subs, how many are needed, and what a print asks for.

/// What reaches one photosite, e⁻ and e⁻/s.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct SitePhotons {
    /// Light whose signal is wanted.
    pub target_e_per_s: f64,
    /// Other light on the same site.
    pub background_e_per_s: f64,
    /// Dark current.
    pub dark_e_per_s: f64,
    /// Read noise, e⁻ rms.
    pub read_noise_e: f64,
}

impl SitePhotons {
    /// The sky itself as the target.
    pub fn of_sky(sky_e_per_s: f64, dark_e_per_s: f64, read_noise_e: f64) -> Self {
        Self {
            target_e_per_s: sky_e_per_s,
            background_e_per_s: 0.0,
            dark_e_per_s,
            read_noise_e,
        }
    }

    /// All that arrives and is counted, e⁻/s.
    fn collected_e_per_s(&self) -> f64 {
        self.target_e_per_s + self.background_e_per_s + self.dark_e_per_s
    }

    /// Variance of one sub, e⁻².
    pub fn variance_e2(&self, exposure_s: f64) -> f64 {
        self.collected_e_per_s() * exposure_s + self.read_noise_e.powi(2)
    }

    /// Signal over noise of the target in one sub, by the site; NaN without any noise.
    ///
    /// The CCD equation without its term for the background's error: Merline & Howell (1995),
    /// Exp. Astron. 6, 163.
    pub fn snr(&self, exposure_s: f64) -> f64 {
        self.target_e_per_s * exposure_s / self.variance_e2(exposure_s).sqrt()
    }

    /// Exposure at which read noise adds the share `x` to the noise of everything else, s:
    /// `R² / (sky ((1 + x)² - 1))`; infinite without light. Derived from sums of variances.
    ///
    /// The stack's noise is `1 + x` times that of one exposure as long as all its subs.
    pub fn exposure_for_read_noise_s(&self, share: f64) -> f64 {
        let excess = (1.0 + share).powi(2) - 1.0;
        self.read_noise_e.powi(2) / (self.collected_e_per_s() * excess)
    }

    /// The share that read noise adds at an exposure, the inverse of
    /// [`exposure_for_read_noise_s`](Self::exposure_for_read_noise_s).
    pub fn read_noise_share(&self, exposure_s: f64) -> f64 {
        let light = self.collected_e_per_s() * exposure_s;
        (self.variance_e2(exposure_s) / light).sqrt() - 1.0
    }
}

/// How many subs.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Frames {
    /// So many.
    Count(f64),
    /// No number is enough: what all subs have in common stays.
    NotReachable {
        /// The most that any number gives.
        most_snr: f64,
    },
}

/// Subs for a wanted SNR, `1 / (snr⁻² - most⁻²) / snr_one²`, not rounded.
///
/// - `snr_one`: of one sub.
/// - `most_snr`: signal over the pattern that is the same on all subs; infinite for none.
pub fn frames_needed(wanted_snr: f64, snr_one: f64, most_snr: f64) -> Frames {
    if wanted_snr >= most_snr {
        return Frames::NotReachable { most_snr };
    }
    let random = wanted_snr.powi(-2) - most_snr.powi(-2);
    Frames::Count(snr_one.powi(-2) / random)
}

/// A print that is looked at closely.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Print {
    /// Width, cm.
    pub width_cm: f64,
    /// Dots per inch.
    pub dots_per_inch: f64,
}

impl Print {
    /// Dots along the width.
    pub fn width_dots(&self) -> f64 {
        const CM_PER_INCH: f64 = 2.54;
        self.width_cm / CM_PER_INCH * self.dots_per_inch
    }

    /// Pixels along the side of a dot; below 1 the print is an enlargement.
    pub fn pixels_per_dot(&self, width_px: u32) -> f64 {
        f64::from(width_px) / self.width_dots()
    }

    /// SNR that a pixel needs so that a dot has `dot_snr`: a dot averages all its pixels, and
    /// an enlargement averages nothing.
    pub fn pixel_snr(&self, dot_snr: f64, width_px: u32) -> f64 {
        dot_snr / self.pixels_per_dot(width_px).max(1.0)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_pattern_is_a_floor() {
        let Frames::Count(frames) = frames_needed(30.0, 3.0, f64::INFINITY) else {
            panic!("reachable without a pattern");
        };
        assert!((frames - 100.0).abs() < 1e-9);
        let Frames::Count(frames) = frames_needed(30.0, 3.0, 50.0) else {
            panic!("below the floor");
        };
        let reached = (1.0 / (frames * 9.0) + 1.0 / 2500.0).sqrt().recip();
        assert!((reached - 30.0).abs() < 1e-9, "{frames}");
        let most_snr = 30.0;
        let never = frames_needed(30.0, 3.0, most_snr);
        assert_eq!(never, Frames::NotReachable { most_snr });
    }

    #[test]
    fn dots_average_pixels_and_enlargements_do_not() {
        let print = Print {
            width_cm: 25.4,
            dots_per_inch: 300.0,
        };
        assert!((print.width_dots() - 3000.0).abs() < 1e-9);
        assert!((print.pixels_per_dot(6000) - 2.0).abs() < 1e-12);
        assert!((print.pixel_snr(40.0, 6000) - 20.0).abs() < 1e-12);
        assert!((print.pixel_snr(40.0, 1500) - 40.0).abs() < 1e-12);
    }

    #[test]
    fn the_share_of_read_noise_is_the_exposures_inverse() {
        let site = SitePhotons::of_sky(0.8, 0.1, 2.4);
        for share in [0.01, 0.05, 0.2] {
            let exposure = site.exposure_for_read_noise_s(share);
            assert!((site.read_noise_share(exposure) - share).abs() < 1e-12);
        }
        let dark = SitePhotons::of_sky(0.0, 0.0, 2.4);
        assert_eq!(dark.exposure_for_read_noise_s(0.05), f64::INFINITY);
    }
}
