//! What another way of shooting gives in the same time on the clock.

use crate::frames::SitePhotons;

/// A way of shooting.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Way {
    /// What reaches a site.
    pub site: SitePhotons,
    /// Exposure of a sub, s.
    pub exposure_s: f64,
    /// Time between subs, s.
    pub overhead_s: f64,
    /// Shots that the camera puts together into one frame by itself; 1 for none.
    pub shots: u32,
}

/// What a way gives.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Yield {
    /// Whole frames that fit; multi-shot frames count once.
    pub frames: f64,
    /// Time with the shutter open, s.
    pub shutter_s: f64,
    /// Signal over noise of their stack, at equal field of view, by the site of a single
    /// shot.
    pub snr: f64,
}

impl Way {
    /// Time of a frame on the clock, s: its shots, one more to wait for where the camera
    /// puts them together (common practice, no source), and the overhead.
    pub fn frame_clock_s(&self) -> f64 {
        let waiting = u32::from(self.shots > 1);
        f64::from(self.shots + waiting) * self.exposure_s + self.overhead_s
    }

    /// What fits into a time on the clock; nothing gives an SNR of 0.
    pub fn within(&self, clock_s: f64) -> Yield {
        // The last frame needs no gap after it.
        let frames = ((clock_s + self.overhead_s) / self.frame_clock_s()).floor();
        let subs = frames * f64::from(self.shots);
        Yield {
            frames,
            shutter_s: subs * self.exposure_s,
            snr: self.site.snr(self.exposure_s) * subs.sqrt(),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn way(exposure_s: f64, overhead_s: f64, shots: u32) -> Way {
        Way {
            site: SitePhotons::of_sky(1.0, 0.0, 2.0),
            exposure_s,
            overhead_s,
            shots,
        }
    }

    #[test]
    fn gaps_and_waiting_cost_frames() {
        assert_eq!(way(10.0, 0.0, 1).within(100.0).frames, 10.0);
        assert_eq!(way(10.0, 2.0, 1).within(118.0).frames, 10.0);
        assert_eq!(way(10.0, 2.0, 1).within(117.9).frames, 9.0);
        // Eight shots and the wait for a ninth.
        assert_eq!(way(10.0, 0.0, 8).within(900.0).frames, 10.0);
        assert_eq!(way(10.0, 0.0, 8).within(900.0).shutter_s, 800.0);
        assert_eq!(way(1000.0, 0.0, 1).within(900.0).snr, 0.0);
    }

    #[test]
    fn longer_subs_win_by_read_noise_alone() {
        let short = way(2.0, 0.0, 1).within(400.0).snr;
        let long = way(50.0, 0.0, 1).within(400.0).snr;
        // Variances per second: 1 + 4/2 against 1 + 4/50.
        assert!((long / short - (3.0_f64 / 1.08).sqrt()).abs() < 1e-12);
    }
}
