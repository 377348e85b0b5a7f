//! A finished blend in the words of its report.

use crate::blend_border::common_area;
use crate::blend_job::{BlendJob, Brightness};
use crate::content::digest;
use crate::memory::peak_memory_bytes;
use crate::progress::Stopwatch;
use crate::reporting::channel_name;
use crate::{GroundChoice, OpenedResult};
use align::GroundPlace;
use ndarray::{Array2, Axis};
use report::{
    BLEND_SCHEMA_VERSION, Blend, BlendBrightness, BlendNoise, BlendOffset, BlendShares,
    BlendSource, ByChannel, Run, Warning,
};
use serde_json::json;
use stack::Stack;

/// Skies whose brightness differs by more than this are not of one moment.
const OTHER_BRIGHTNESS: f64 = 0.1;
/// Step along the ridge, of the sky's level, that can be seen.
const VISIBLE_STEP: f64 = 0.05;
/// Ground noisier than the sky by more than this is said to be.
const NOISIER: f64 = 1.5;
/// Share of the picture from which something missing is said.
const MISSING: f64 = 0.001;

/// What the report is made of.
pub(crate) struct Facts<'a> {
    pub job: &'a BlendJob,
    pub sky: &'a OpenedResult,
    pub ground: &'a OpenedResult,
    /// Ground, on the sky's pixels.
    pub mask: &'a Array2<bool>,
    /// Where the sky's file has no sky.
    pub unseen: &'a Array2<bool>,
    /// Where the ground's file has a value.
    pub has_ground: &'a Array2<bool>,
    pub sky_share: &'a Array2<f32>,
    pub stack: &'a Stack,
    pub place: &'a GroundPlace,
    pub offset_px: [f64; 2],
    pub resampled: bool,
    pub brightness: &'a Brightness,
    pub stopwatch: &'a Stopwatch,
}

pub(crate) fn report(facts: &Facts) -> Blend {
    let brightness = facts.brightness;
    let names = || facts.sky.channels.iter().map(|&c| channel_name(c));
    let known = names().zip(&brightness.measured);
    let measured: ByChannel<report::Figure> = known
        .filter_map(|(name, figure)| Some((name, (*figure)?)))
        .collect();
    let step: ByChannel<f64> = measured
        .iter()
        .map(|(&name, figure)| (name, figure.value / brightness.factor - 1.0))
        .collect();
    let noise = BlendNoise {
        sky: names().zip(facts.sky.noise_dn()).collect(),
        ground: names()
            .zip(facts.ground.noise_dn())
            .map(|(name, dn)| (name, dn * brightness.factor))
            .collect(),
    };
    let shares = shares(facts);
    let paths = [facts.job.sky.clone(), facts.job.ground.clone()];
    Blend {
        schema_version: BLEND_SCHEMA_VERSION,
        sky: source(facts.sky),
        ground: source(facts.ground),
        found: match facts.job.mask {
            GroundChoice::Mask(_) => "mask",
            _ => "auto",
        }
        .to_owned(),
        warnings: warnings(facts, &shares, &step, &noise)
            .iter()
            .map(Into::into)
            .collect(),
        shares,
        offset: BlendOffset {
            px: facts.offset_px,
            turn_deg: facts.place.turn.rotation_vector()[2].to_degrees(),
            error_px: facts.place.error_px,
            likeness: facts.place.likeness,
            resampled: facts.resampled,
        },
        brightness: BlendBrightness {
            factor: brightness.factor,
            basis: brightness.basis.to_owned(),
            measured,
            by_exposure: brightness.by_exposure,
            step,
        },
        noise,
        run: Run {
            version: env!("CARGO_PKG_VERSION").to_owned(),
            settings: [("ground".to_owned(), json!(facts.job.mask.name()))].into(),
            reference: report::file_name(&facts.job.sky),
            input_digest: digest(&paths),
            seconds: facts.stopwatch.by_stage(),
            peak_memory_bytes: peak_memory_bytes(),
        },
    }
}

fn source(picture: &OpenedResult) -> BlendSource {
    BlendSource {
        file: report::file_name(&picture.path),
        kind: picture.kind.name().to_owned(),
        exposure_s: picture.exposure_s(),
        iso: picture.iso(),
        frames: picture.n_frames(),
    }
}

fn shares(facts: &Facts) -> BlendShares {
    let all = facts.mask.len().max(1) as f64;
    let mut shares = BlendShares::default();
    let picture = facts.stack.mean.index_axis(Axis(0), 0);
    for (at, &of_sky) in facts.sky_share.indexed_iter() {
        let (ground, here) = (facts.mask[at], facts.has_ground[at]);
        let share = match (of_sky >= 0.5, here) {
            _ if !picture[at].is_finite() => &mut shares.empty,
            (true, _) | (_, false) if ground => &mut shares.ground_missing,
            (true, _) | (_, false) => &mut shares.sky,
            (false, true) if ground => &mut shares.ground,
            (false, true) => &mut shares.sky_of_ground,
        };
        *share += 1.0 / all;
        if of_sky > 0.0 && of_sky < 1.0 && here {
            shares.mixed += 1.0 / all;
        }
    }
    shares
}

fn warnings(
    facts: &Facts,
    shares: &BlendShares,
    step: &ByChannel<f64>,
    noise: &BlendNoise,
) -> Vec<Warning> {
    let mut warnings = Vec::new();
    let brightness = facts.brightness;
    match (brightness.basis, brightness.by_exposure) {
        ("sky", Some(by_exposure))
            if (brightness.factor / by_exposure - 1.0).abs() > OTHER_BRIGHTNESS =>
        {
            warnings.push(Warning::SkiesDiffer {
                measured: brightness.factor,
                by_exposure,
            });
        }
        ("none", _) => warnings.push(Warning::BrightnessUnknown),
        _ => {}
    }
    let largest = step.iter().max_by(|a, b| a.1.abs().total_cmp(&b.1.abs()));
    if let Some((&channel, &step)) = largest.filter(|(_, step)| step.abs() > VISIBLE_STEP) {
        warnings.push(Warning::RidgeStep { channel, step });
    }
    let of_both = noise
        .sky
        .iter()
        .filter_map(|(name, sky)| Some(noise.ground.get(name)? / sky));
    if let Some(ratio) = crate::cull::median(of_both).filter(|&ratio| ratio > NOISIER) {
        let factor = brightness.factor;
        warnings.push(Warning::NoisyGround { ratio, factor });
    }
    if shares.ground_missing > MISSING {
        let share = shares.ground_missing;
        let area = common_area(facts.has_ground);
        warnings.push(Warning::GroundMissing {
            share,
            columns: (area.x0, area.x1),
            rows: (area.y0, area.y1),
        });
    }
    let of_ground = |at: (usize, usize)| facts.mask[at] || !facts.has_ground[at];
    let unseen = facts.unseen.indexed_iter();
    let missing = unseen.filter(|&(at, &unseen)| unseen && !of_ground(at));
    let share = missing.count() as f64 / facts.mask.len().max(1) as f64;
    if share > MISSING {
        warnings.push(Warning::SkyMissing { share });
    }
    warnings
}
