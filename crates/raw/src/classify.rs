//! Light, dark, flat or bias: told from what a frame states, holds, and stands among.
//!
//! In this order: what the file declares; stars; whether there is any light at all,
//! measured against frames of the same camera and exposure that do show stars; the
//! exposure. A night sky can be so dark that it sits a few DN above black, and a cloud
//! takes the stars away, so neither level nor stars decide alone; a dark current can be half
//! of a light's level, and is told from a cloud by being even and steady. Names of files
//! and folders are heard only where all this leaves a doubt.
//!
//! The limits are common practice of the field; no source states them.

use crate::survey::SurveyedFrame;
use crate::{FrameInfo, FrameKind};
use std::collections::BTreeMap;

mod warm_dark;

/// Fewest star-like spots in a frame, and per million pixels, that are a sky. Cosmic
/// rays leave fewer in a dark: about one a minute and cm², most of them in a pixel or two.
const LEAST_STARS: f64 = 8.0;
const LEAST_STARS_PER_MPX: f64 = 0.5;
/// Spots needed over those that raised pixels form by chance.
const LEAST_STARS_OVER_CHANCE: f64 = 4.0;
/// Longest exposure that counts as a bias, s.
const LONGEST_BIAS_S: f64 = 1.0 / 500.0;
/// Longest exposure of a flat when no lights are there to compare with, s.
const LONGEST_FLAT_S: f64 = 2.0;
/// Share of the lights' exposure up to which an evenly lit frame is a flat.
const FLAT_TO_LIGHT_EXPOSURE: f64 = 0.5;
/// Share of the range from black to white below which a frame without stars, and
/// without lights of its exposure, holds no light.
const NO_LIGHT_FRACTION: f64 = 0.02;
/// Share of the range above which a frame is lit on purpose.
const LIT_FRACTION: f64 = 0.05;
/// Share of the lights' sky level below which a frame without stars is a dark. A cloud
/// in the darkest place still shows more.
const DARK_TO_SKY: f64 = 0.3;
/// Share of the lights' sky level above which a frame without stars is lit: a dark current
/// that makes this much of the level of a light leaves hardly any sky in it.
const CLOUD_TO_SKY: f64 = 0.9;
/// Least sky level that can be told from drifting black levels, DN.
const LEAST_SKY_DN: f64 = 2.0;
/// Exposures within this ratio are the same.
const SAME_EXPOSURE: f64 = 1.02;
/// A dark is quieter than a frame with sky by at least this.
const DARK_TO_SKY_NOISE: f64 = 0.9;

/// The kind of a frame, and why.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Verdict {
    /// The kind.
    pub kind: FrameKind,
    /// The evidence in a few words.
    pub because: String,
    /// Whether contents and metadata settle it without regard to names.
    pub certain: bool,
}

impl Verdict {
    fn certain(kind: FrameKind, because: impl Into<String>) -> Self {
        Self {
            kind,
            because: because.into(),
            certain: true,
        }
    }

    fn likely(kind: FrameKind, because: impl Into<String>) -> Self {
        Self {
            certain: false,
            ..Self::certain(kind, because)
        }
    }
}

/// Tells the kind of every frame, in the order given.
///
/// Frames are compared within one camera and size, so give all of a folder at once.
pub fn classify(frames: &[&SurveyedFrame]) -> Vec<Verdict> {
    let mut companies: BTreeMap<_, Vec<usize>> = BTreeMap::new();
    for (i, frame) in frames.iter().enumerate() {
        let company = (frame.info.camera.as_deref(), frame.size);
        companies.entry(company).or_default().push(i);
    }
    let mut verdicts = vec![None; frames.len()];
    for members in companies.values() {
        let company = Company::of(members.iter().map(|&i| frames[i]).collect());
        for (&i, &frame) in members.iter().zip(&company.frames) {
            verdicts[i] = Some(heed_name(company.judge(frame), &frame.info));
        }
    }
    verdicts.into_iter().flatten().collect()
}

/// Frames of one camera and size.
struct Company<'a> {
    frames: Vec<&'a SurveyedFrame>,
    /// Level of a frame without light, DN above the stated black level.
    no_light_dn: f64,
    /// Whether the black level comes from the files rather than from a single frame.
    black_is_known: bool,
}

impl<'a> Company<'a> {
    fn of(frames: Vec<&'a SurveyedFrame>) -> Self {
        let black_is_stated = frames.iter().any(|frame| frame.black_level_dn > 0.0);
        let mut levels: Vec<f64> = frames.iter().map(|frame| frame.stats.level_dn).collect();
        levels.sort_by(f64::total_cmp);
        let lowest = levels.first().copied().unwrap_or(0.0);
        let next = levels.get(1).copied().unwrap_or(f64::INFINITY);
        Self {
            no_light_dn: if black_is_stated { 0.0 } else { lowest },
            black_is_known: black_is_stated || next - lowest < LEAST_SKY_DN,
            frames,
        }
    }

    fn judge(&self, frame: &SurveyedFrame) -> Verdict {
        if let Some(kind) = frame.info.declared_kind {
            return Verdict::certain(kind, "the file says so");
        }
        if has_stars(frame) {
            let density = frame.stats.stars_per_mpx;
            return Verdict::certain(FrameKind::Light, format!("{density:.0} stars per Mpx"));
        }
        let peers = self.starry(|peer| same_exposure(frame, peer));
        match peers.is_empty() {
            false => self.judge_among_lights(frame, &peers),
            true if self.light_fraction(frame) < NO_LIGHT_FRACTION => without_light(frame),
            true => self.judge_lit(frame),
        }
    }

    /// No stars, where other frames of this exposure show them.
    fn judge_among_lights(&self, frame: &SurveyedFrame, peers: &[&SurveyedFrame]) -> Verdict {
        let sky_dn = median(peers.iter().map(|peer| self.light_dn(peer)));
        let sky_noise_dn = median(peers.iter().map(|peer| peer.stats.noise_dn));
        let own_dn = self.light_dn(frame);
        let levels = format!(
            "no stars, {own_dn:.1} DN above the level without light where lights of the same \
             exposure have {sky_dn:.1} DN"
        );
        if sky_dn < LEAST_SKY_DN {
            return Verdict::likely(FrameKind::Dark, levels);
        }
        if !self.black_is_known && frame.stats.noise_dn > DARK_TO_SKY_NOISE * sky_noise_dn {
            let because = "no stars, but as noisy as the lights of the same exposure: cloud";
            return Verdict::likely(FrameKind::Light, because);
        }
        if own_dn < DARK_TO_SKY * sky_dn {
            return Verdict::certain(FrameKind::Dark, levels);
        }
        match self.warm_dark(frame, peers) {
            Some(dark) => dark.because(&levels),
            None if own_dn < CLOUD_TO_SKY * sky_dn => {
                Verdict::likely(FrameKind::Light, format!("{levels}: cloud"))
            }
            None => Verdict::certain(FrameKind::Light, format!("{levels}: cloud")),
        }
    }

    /// No stars, but light, and no lights of this exposure.
    fn judge_lit(&self, frame: &SurveyedFrame) -> Verdict {
        let percent = 100.0 * self.light_fraction(frame);
        let lit = self.light_fraction(frame) >= LIT_FRACTION;
        let even = format!("no stars, lit to {percent:.0} % of the range");
        let longer_lights = self.starry(|peer| {
            let ratio = FLAT_TO_LIGHT_EXPOSURE * peer.info.exposure_s.unwrap_or(0.0);
            frame.info.exposure_s.is_some_and(|own| own <= ratio)
        });
        match frame.info.exposure_s {
            Some(own) if lit && own <= LONGEST_FLAT_S => Verdict::certain(FrameKind::Flat, even),
            Some(_) if lit && !longer_lights.is_empty() => {
                let because = format!("{even}, shorter than the lights");
                Verdict::certain(FrameKind::Flat, because)
            }
            Some(own) if own <= LONGEST_FLAT_S => Verdict::likely(FrameKind::Flat, even),
            Some(own) => Verdict::likely(FrameKind::Light, format!("{even} in {own} s")),
            None if lit => Verdict::likely(FrameKind::Flat, even),
            None => Verdict::likely(FrameKind::Light, even),
        }
    }

    fn starry(&self, wanted: impl Fn(&SurveyedFrame) -> bool) -> Vec<&'a SurveyedFrame> {
        let stars = self.frames.iter().filter(|frame| has_stars(frame));
        stars.filter(|frame| wanted(frame)).copied().collect()
    }

    fn light_dn(&self, frame: &SurveyedFrame) -> f64 {
        frame.stats.level_dn - self.no_light_dn
    }

    /// Light as a share of the range from black to white.
    fn light_fraction(&self, frame: &SurveyedFrame) -> f64 {
        let stats = &frame.stats;
        stats.level_fraction - self.no_light_dn / frame.range_dn.max(1.0)
    }
}

/// Whether a frame shows a sky: star-like spots well beyond chance.
fn has_stars(frame: &SurveyedFrame) -> bool {
    let (width, height) = frame.size;
    let n_mpx = (width * height) as f64 / 1e6;
    let stats = &frame.stats;
    let enough = (LEAST_STARS / n_mpx).max(LEAST_STARS_PER_MPX);
    let chance = LEAST_STARS_OVER_CHANCE * stats.chance_stars_per_mpx;
    let declared_other = frame
        .info
        .declared_kind
        .is_some_and(|kind| kind != FrameKind::Light);
    !declared_other && stats.stars_per_mpx >= enough && stats.stars_per_mpx >= chance
}

fn without_light(frame: &SurveyedFrame) -> Verdict {
    match frame.info.exposure_s {
        Some(s) if s <= LONGEST_BIAS_S => {
            Verdict::certain(FrameKind::Bias, format!("no light, {:.2} ms", 1e3 * s))
        }
        Some(s) => Verdict::certain(FrameKind::Dark, format!("no light, no stars in {s} s")),
        None => Verdict::likely(FrameKind::Dark, "no light, exposure unknown"),
    }
}

fn same_exposure(a: &SurveyedFrame, b: &SurveyedFrame) -> bool {
    let exposure = match (a.info.exposure_s, b.info.exposure_s) {
        (Some(a), Some(b)) => a.max(b) <= SAME_EXPOSURE * a.min(b),
        (None, None) => true,
        _ => false,
    };
    exposure && a.info.iso == b.info.iso
}

/// Lets the name of file or folder decide what is left in doubt.
fn heed_name(verdict: Verdict, info: &FrameInfo) -> Verdict {
    if verdict.certain {
        return verdict;
    }
    match kind_in_name(info) {
        Some(kind) => Verdict {
            kind,
            because: format!("{}; its name says {}", verdict.because, kind.name()),
            certain: false,
        },
        None => verdict,
    }
}

/// The kind that the name of a file or of its folder says, where it says one.
pub fn kind_in_name(info: &FrameInfo) -> Option<FrameKind> {
    let kinds = [
        FrameKind::Light,
        FrameKind::Dark,
        FrameKind::Flat,
        FrameKind::Bias,
    ];
    let parts = [info.path.file_stem(), info.path.parent()?.file_name()];
    parts.into_iter().flatten().find_map(|part| {
        let part = part.to_string_lossy().to_lowercase();
        let words: Vec<&str> = part.split(|c: char| !c.is_alphabetic()).collect();
        let says = |kind: FrameKind| {
            let plural = format!("{}s", kind.name());
            words.contains(&kind.name()) || words.contains(&plural.as_str())
        };
        let mut said = kinds.into_iter().filter(|&kind| says(kind));
        // "dark flat" says two kinds and so none.
        said.next().filter(|_| said.next().is_none())
    })
}

fn median(values: impl Iterator<Item = f64>) -> f64 {
    let mut values: Vec<f64> = values.collect();
    values.sort_by(f64::total_cmp);
    values.get(values.len() / 2).copied().unwrap_or(0.0)
}

#[cfg(test)]
mod tests;
