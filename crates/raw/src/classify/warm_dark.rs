//! Darks whose dark current is a good part of the level of the lights.
//!
//! The limits are common practice of the field; no source states them.

use super::{Company, Verdict, has_stars, median, same_exposure};
use crate::FrameKind;
use crate::survey::SurveyedFrame;

/// Levels of darks of one series agree within this share, and this, DN. Clouds drift.
const SERIES_LEVEL_SHARE: f64 = 0.05;
const SERIES_LEVEL_DN: f64 = 0.5;
/// Fewest frames of equal level that speak for darks where evenness tells nothing.
const LEAST_SERIES: usize = 3;
/// Most unevenness that noise alone brings, in units of it. 2.56 standard errors (90th less
/// 10th percentile) of a cell's level, 1.25 σ / √600 for a median of some 600 values, and
/// half of that again because small frames have few cells.
const UNEVENNESS_OF_NOISE: f64 = 0.2;
/// Share of the lights' unevenness that banding and amplifier glow may add to a dark.
const UNEVENNESS_OF_DARK: f64 = 0.05;
/// How many times the most that noise brings the lights' unevenness is where it tells: then
/// a cloud with `DARK_TO_SKY` of their sky is more uneven than a dark.
const TELLING_UNEVENNESS: f64 = 3.0;

/// What speaks for a dark current as the level of a frame.
pub(super) enum WarmDark {
    /// Even, unlike the lights, and equal to others.
    Series,
    /// Even, unlike the lights, but alone.
    Single,
    /// Equal to others, where the lights are even too.
    EqualLevels,
}

impl WarmDark {
    pub(super) fn because(self, levels: &str) -> Verdict {
        let dark = FrameKind::Dark;
        match self {
            Self::Series => Verdict::certain(dark, format!("{levels}: even and steady")),
            Self::Single => Verdict::likely(dark, format!("{levels}: even, as no light is")),
            Self::EqualLevels => Verdict::likely(dark, format!("{levels}: steady")),
        }
    }
}

impl Company<'_> {
    /// Whether the level of a frame without stars is that of a dark current.
    ///
    /// The dark current is part of every light too, so a dark lies below them all. It is
    /// even where light through the lens is not, and the same from frame to frame. Its
    /// noise tells nothing: electrons of heat and of light scatter alike.
    pub(super) fn warm_dark(
        &self,
        frame: &SurveyedFrame,
        peers: &[&SurveyedFrame],
    ) -> Option<WarmDark> {
        let own_dn = self.light_dn(frame);
        let below = |frame: &SurveyedFrame| {
            let level_dn = self.light_dn(frame);
            peers.iter().all(|peer| level_dn < self.light_dn(peer))
        };
        let lights_unevenness_dn = median(peers.iter().map(|peer| peer.stats.unevenness_dn));
        let of_noise_dn = UNEVENNESS_OF_NOISE * frame.stats.noise_dn;
        let even_dn = of_noise_dn + UNEVENNESS_OF_DARK * lights_unevenness_dn;
        if !below(frame) || frame.stats.unevenness_dn > even_dn {
            return None;
        }
        let others = self
            .frames
            .iter()
            .filter(|other| !has_stars(other) && same_exposure(frame, other) && below(other));
        let others_dn: Vec<f64> = others.map(|other| self.light_dn(other)).collect();
        let apart_dn = SERIES_LEVEL_DN.max(SERIES_LEVEL_SHARE * own_dn);
        let agrees = |other_dn: &&f64| (**other_dn - own_dn).abs() <= apart_dn;
        // The frame itself is one of them.
        let n_series = others_dn.iter().filter(agrees).count();
        let lights_are_uneven = lights_unevenness_dn > TELLING_UNEVENNESS * of_noise_dn;
        match lights_are_uneven {
            true if n_series > 1 => Some(WarmDark::Series),
            true => Some(WarmDark::Single),
            // Clouds agree by chance now and then, but not most of them.
            false if n_series >= LEAST_SERIES && 2 * n_series > others_dn.len() => {
                Some(WarmDark::EqualLevels)
            }
            false => None,
        }
    }
}
