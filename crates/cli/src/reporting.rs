//! A finished job in the words of the report.

use crate::GroundChoice;
use crate::characterize::field_scale;
use crate::cull::Cull;
use crate::fitting::mismatches;
use crate::light::{Seen, SolvedLight};
use crate::memory::peak_memory_bytes;
use crate::parts::Ground;
use crate::photosite_report;
use crate::sensor_pattern::{self, PatternChoice};
use crate::session::{LeftOut, SessionFrame};
use crate::stack_job::{StackJob, StackOutcome};
use align::{Alignment, PixelMap};
use raw::{CaptureTime, FrameInfo, FrameKind};
use report::{ByChannel, FrameEntry, Geometry, Report, Warning};
use serde_json::{Value, json};
use stack::{ClipCenter, ClipScale, Combine, DemosaicMethod, RecordedWhite};
use std::collections::BTreeMap;

/// Share of good samples from which a clip that takes them is named: the scatter of few lights
/// at 3 sigmas takes less.
const HEAVY_CLIP: f64 = 0.04;

/// Drift below which a fixed pattern hardly averages out, px: a few pixels, since
/// demosaicing and resampling spread a site's response over its neighbors.
const SMALL_DRIFT_PX: f64 = 8.0;
/// Share of the picture that saturates beyond stars, from which the reader is told.
const MUCH_SATURATED: f64 = 0.05;
/// Transparency from which a light counts as clear.
const CLEAR_TRANSPARENCY: f64 = 0.9;
/// Matched stars from which a homography is safe: five for each of its eight parameters.
const SAFE_MATCHES: usize = 40;
/// Motion during a light from which a ground is no longer sharp, px.
const SMEARED_PX: f64 = 1.0;
/// Columns and rows of the lattice that maps are reported on.
const LATTICE: (usize, usize) = (7, 5);

/// The report of a job.
pub fn report(job: &StackJob, outcome: &StackOutcome) -> Report {
    let mut frames: Vec<FrameEntry> = Vec::new();
    for light in &outcome.lights {
        frames.push(light_entry(light, outcome));
    }
    frames.extend(outcome.calibration.iter().map(calibration_entry));
    let masters = outcome.masters.iter();
    frames.extend(masters.map(|master| frame_entry(&master.info, master.kind)));
    let left_out = outcome.left_out.iter();
    frames.extend(left_out.map(|left_out| left_out_entry(left_out, outcome)));
    frames.sort_by(|a, b| a.file.cmp(&b.file));
    let reference = &outcome.lights[outcome.reference];
    let channels = outcome.layout.cfa.channels();
    let names: Vec<report::Channel> = channels.iter().map(|&c| channel_name(c)).collect();
    Report {
        frames,
        geometry: outcome.geometry.clone(),
        noise: crate::noise_report::noise(&outcome.noise, &outcome.sensor, &names),
        ground: outcome
            .ground
            .as_ref()
            .map(|ground| ground_entry(job, ground)),
        from_mosaic: outcome
            .second_pass
            .as_ref()
            .and_then(|seen| photosite_report::entry(seen, outcome, &names)),
        sensor_pattern: outcome
            .sensor_pattern
            .as_ref()
            .map(|found| sensor_pattern::entry(found, &names)),
        stars: crate::sensor_report::stars(
            &outcome.stars,
            field_scale(&outcome.geometry, &outcome.lights).as_ref(),
        ),
        run: report::Run {
            version: env!("CARGO_PKG_VERSION").to_owned(),
            settings: settings(job, outcome),
            reference: report::file_name(reference.frame.path()),
            input_digest: outcome.digest.clone(),
            seconds: outcome.stopwatch.by_stage(),
            peak_memory_bytes: peak_memory_bytes(),
        },
        warnings: warnings(outcome).iter().map(Into::into).collect(),
        ..Report::default()
    }
}

fn ground_entry(job: &StackJob, ground: &Ground) -> report::Ground {
    let noise = ground.noise.as_ref();
    let of = |figure: fn(&noise::Summary) -> f64| noise.map(figure).and_then(finite);
    report::Ground {
        found: match job.ground {
            GroundChoice::Mask(_) => report::GroundFound::Mask,
            GroundChoice::All => report::GroundFound::All,
            _ => report::GroundFound::Auto,
        },
        fraction: ground.fraction(),
        expected_gain: of(|noise| noise.expected_gain),
        gain_area: of(|noise| noise.gain_area),
        effective_frames: of(|noise| noise.effective_frames),
        error: of(|noise| noise.realized_error),
        motion: ground.moving.as_ref().map(|moving| report::GroundMotion {
            drift_px: moving.drift_px,
            smear_px: moving.smear_px(),
            masked: moving.masked,
        }),
    }
}

fn settings(job: &StackJob, outcome: &StackOutcome) -> BTreeMap<String, Value> {
    let mut settings = BTreeMap::from([
        ("combine".to_owned(), json!(outcome.combine.name())),
        (
            "demosaic".to_owned(),
            json!(match job.options.demosaic {
                DemosaicMethod::Bilinear => "bilinear",
                DemosaicMethod::GradientCorrected => "gradient",
                DemosaicMethod::Superpixel => "superpixel",
            }),
        ),
        (
            "kernel".to_owned(),
            json!(format!("{:?}", job.options.kernel).to_lowercase()),
        ),
        ("ground".to_owned(), json!(job.ground.name())),
        (
            "min_transparency".to_owned(),
            json!(job.cull.min_transparency),
        ),
        ("max_fwhm_ratio".to_owned(), json!(job.cull.max_fwhm_ratio)),
        (
            "max_blocked_fraction".to_owned(),
            json!(job.cull.max_blocked_fraction),
        ),
        (
            "max_shake_ratio".to_owned(),
            json!(job.cull.max_shake_ratio),
        ),
        ("keep_all".to_owned(), json!(job.cull.cull == Cull::Nothing)),
        (
            "max_residual_px".to_owned(),
            json!(job.cull.max_residual_px),
        ),
    ]);
    settings.extend(clip_settings(outcome.combine));
    if job.options.demosaic == DemosaicMethod::GradientCorrected {
        settings.insert("white".to_owned(), json!(over_green(outcome.white)));
    }
    if let Some(options) = &job.from_mosaic {
        settings.insert("from_mosaic".to_owned(), json!(options.drop.name()));
        settings.insert("drop_px".to_owned(), json!(options.drop.size_px()));
    }
    if let Some(made) = &outcome.second_pass {
        settings.insert("scale".to_owned(), json!(made.grid.scale()));
    }
    if job.sensor_pattern == PatternChoice::Auto {
        settings.insert("sensor_pattern".to_owned(), json!("auto"));
    }
    if let Some(scale) = &outcome.dark_scale {
        settings.insert("dark_scale".to_owned(), json!(scale.factor));
        if let Some(measured) = &scale.measured {
            settings.insert("dark_scale_error".to_owned(), json!(measured.error));
            settings.insert("dark_scale_sites".to_owned(), json!(measured.sites));
        }
    }
    settings
}

/// What R, G and B record of white, over G; four digits.
fn over_green(white: RecordedWhite) -> [f64; 3] {
    let four_digits = |value: f32| (1e4 * f64::from(value)).round() / 1e4;
    white.over_green().map(four_digits)
}

/// What a clip, or what draws samples in, goes by.
fn clip_settings(combine: Combine) -> Vec<(String, Value)> {
    let low_high = |low: f32, high: f32| json!([f64::from(low), f64::from(high)]);
    let named = |settings: Vec<(&str, Value)>| {
        let owned = settings.into_iter();
        owned
            .map(|(name, value)| (name.to_owned(), value))
            .collect()
    };
    match combine {
        Combine::Mean | Combine::Median | Combine::Max => Vec::new(),
        Combine::Winsorized(limits) => named(vec![(
            "clip",
            low_high(limits.low_sigmas, limits.high_sigmas),
        )]),
        Combine::SigmaClip(clip) => named(vec![
            ("clip", low_high(clip.low_sigmas, clip.high_sigmas)),
            ("clip_passes", json!(clip.max_passes)),
            (
                "clip_about",
                json!(match clip.center {
                    ClipCenter::Mean => "mean",
                    ClipCenter::Median => "median",
                }),
            ),
            (
                "clip_by",
                json!(match clip.scale {
                    ClipScale::StandardDeviation => "deviation",
                    ClipScale::MedianDeviation => "mad",
                }),
            ),
        ]),
        Combine::PredictedClip(clip) => named(vec![
            ("clip", low_high(clip.low_sigmas, clip.high_sigmas)),
            ("clip_passes", json!(clip.max_passes)),
            ("clip_about", json!("median")),
            ("clip_by", json!("predicted")),
            (
                "clip_gain_e_per_dn",
                json!(clip.camera.0.map(|c| f64::from(c.gain_e_per_dn))),
            ),
            (
                "clip_floor_dn2",
                json!(clip.camera.0.map(|c| f64::from(c.floor_dn2))),
            ),
        ]),
    }
}

fn frame_entry(info: &FrameInfo, kind: FrameKind) -> FrameEntry {
    FrameEntry {
        file: report::file_name(&info.path),
        kind: Some(match kind {
            FrameKind::Light => report::FrameKind::Light,
            FrameKind::Dark => report::FrameKind::Dark,
            FrameKind::Flat => report::FrameKind::Flat,
            FrameKind::Bias => report::FrameKind::Bias,
        }),
        used: true,
        exposure_s: info.exposure_s,
        iso: info.iso,
        captured: info.captured.as_ref().map(capture_text),
        decoder: Some(info.decoder.name().to_owned()),
        ..FrameEntry::default()
    }
}

fn light_entry(light: &SolvedLight, outcome: &StackOutcome) -> FrameEntry {
    let lattice = |map: &PixelMap| {
        map.lattice(
            outcome.layout.width,
            outcome.layout.height,
            LATTICE.0,
            LATTICE.1,
        )
    };
    FrameEntry {
        transparency: finite(light.transparency),
        weight: Some(f64::from(light.light.weight)),
        matched: light
            .alignment
            .as_ref()
            .map(|alignment| alignment.matched as u32),
        residual_px: light
            .alignment
            .as_ref()
            .map(|alignment| alignment.residual_px),
        map: light.alignment.as_ref().map(map_name),
        mapping: Some(lattice(&light.light.map)),
        ..seen_entry(
            &light.seen,
            outcome,
            frame_entry(&light.frame.frame.info, FrameKind::Light),
        )
    }
}

/// What a light's map is made of.
fn map_name(alignment: &Alignment) -> String {
    let name = match alignment.map.lens() {
        Some(_) => "lens",
        None => alignment.model.name(),
    };
    name.to_owned()
}

/// What a light shows, added to what its file says.
fn seen_entry(seen: &Seen, outcome: &StackOutcome, entry: FrameEntry) -> FrameEntry {
    let channels = outcome.layout.cfa.channels();
    let sky: ByChannel<f64> = channels
        .iter()
        .enumerate()
        .map(|(i, &channel)| (channel_name(channel), f64::from(seen.sky.level(i))))
        .collect();
    FrameEntry {
        stars: Some(seen.grade.stars as u32),
        fwhm_px: finite(seen.grade.fwhm_px),
        ellipticity: finite(seen.grade.ellipticity),
        shake_px: finite(seen.quality.shake_px),
        cloud_fraction: finite(seen.quality.cloud_fraction),
        sky: Some(sky),
        ..entry
    }
}

fn calibration_entry(frame: &SessionFrame) -> FrameEntry {
    frame_entry(&frame.frame.info, frame.kind)
}

fn left_out_entry(left_out: &LeftOut, outcome: &StackOutcome) -> FrameEntry {
    let known = match &left_out.frame {
        Some(known) => frame_entry(&known.0.info, known.1),
        None => FrameEntry {
            file: report::file_name(&left_out.path),
            ..FrameEntry::default()
        },
    };
    let known = match &left_out.poor {
        Some(poor) => {
            let alignment = poor.alignment.as_ref();
            FrameEntry {
                transparency: alignment.and_then(|a| finite(a.transparency.ratio)),
                matched: alignment.map(|a| a.matched as u32),
                residual_px: alignment.map(|a| a.residual_px),
                map: alignment.map(map_name),
                ..seen_entry(&poor.seen, outcome, known)
            }
        }
        None => known,
    };
    FrameEntry {
        used: false,
        reason: Some(left_out.reason.clone()),
        ..known
    }
}

/// `YYYY-MM-DDThh:mm:ss[.fff]`, with the offset from UTC where it is known.
pub(crate) fn capture_text(captured: &CaptureTime) -> String {
    let mut text = captured.local.to_string();
    if let Some(offset_s) = captured.utc_offset_s {
        let sign = if offset_s < 0 { '-' } else { '+' };
        let minutes = offset_s.unsigned_abs() / 60;
        text.push_str(&format!("{sign}{:02}:{:02}", minutes / 60, minutes % 60));
    }
    text
}

/// The report's name for a channel.
pub(crate) fn channel_name(channel: raw::Channel) -> report::Channel {
    match channel {
        raw::Channel::R => report::Channel::R,
        raw::Channel::G => report::Channel::G,
        raw::Channel::B => report::Channel::B,
        raw::Channel::Mono => report::Channel::L,
    }
}

fn finite(value: f64) -> Option<f64> {
    value.is_finite().then_some(value)
}

/// Whether the lights are so few that a clip by their scatter rejects none.
fn few_to_clip(outcome: &StackOutcome) -> Option<Warning> {
    let Combine::SigmaClip(clip) = outcome.combine else {
        return None;
    };
    if clip.scale == ClipScale::MedianDeviation {
        return None;
    }
    let clip_sigmas = f64::from(clip.high_sigmas);
    let largest_sigmas = stack::largest_deviation_sigmas(outcome.lights.len(), clip.center);
    let frames_needed = stack::samples_needed_to_clip(clip_sigmas, clip.center);
    (largest_sigmas <= clip_sigmas).then(|| Warning::TooFewFramesToClip {
        frames: outcome.lights.len() as u32,
        clip_sigmas,
        largest_sigmas,
        frames_needed: frames_needed as u32,
        not_predicted: outcome.not_predicted.clone(),
    })
}

/// Whether a clip took so many good samples that the figures suffer.
fn heavy_clip(outcome: &StackOutcome) -> Option<Warning> {
    let share = outcome.noise.clipped.iter().copied().fold(0.0, f64::max);
    (share > HEAVY_CLIP).then(|| Warning::HeavyClip {
        share,
        measured: outcome.noise.summary.effective_frames.is_finite(),
    })
}

/// What the sky said of the clock and of the tripod.
fn clock_and_knocks(geometry: &Geometry) -> Vec<Warning> {
    let count = |files: &[String]| files.len() as u32;
    let (backwards, off) = (&geometry.clock_backwards, &geometry.clock_off);
    let wrong = backwards.first().or(off.first());
    let clock = wrong.map(|file| Warning::ClockOff {
        file: file.clone(),
        frames: count(backwards).max(count(off)),
    });
    let moved = &geometry.camera_moved;
    let knock = moved.first().map(|file| Warning::CameraMoved {
        file: file.clone(),
        times: count(moved),
    });
    clock.into_iter().chain(knock).collect()
}

/// Lights that the lens of the others does not place.
fn without_the_lens(outcome: &StackOutcome) -> Option<Warning> {
    let alone = outcome.lights.iter().filter(|light| {
        let alignment = light.alignment.as_ref();
        alignment.is_some_and(|alignment| alignment.map.lens().is_none())
    });
    let alone: Vec<&SolvedLight> = alone.collect();
    let first = alone.first()?;
    (outcome.geometry.model == report::GeometryModel::Lens).then(|| Warning::PlaneMaps {
        file: report::file_name(first.frame.path()),
        frames: alone.len() as u32,
        of: outcome.lights.len() as u32,
    })
}

fn warnings(outcome: &StackOutcome) -> Vec<Warning> {
    let mut warnings = Vec::new();
    let frames = outcome.lights.len() as u32;
    warnings.extend(few_to_clip(outcome));
    warnings.extend(heavy_clip(outcome));
    warnings.extend(photosite_report::sparse(outcome));
    if outcome.combine == Combine::Max {
        warnings.push(Warning::TrailsNotMeasured);
    }
    let pattern = &outcome.noise.summary.pattern;
    if !pattern.visible {
        let (drift_px, upper_bound) = (pattern.drift_px, pattern.upper_bound);
        warnings.push(Warning::PatternNotVisible {
            drift_px,
            upper_bound,
            basis: crate::noise_report::basis(pattern.basis),
        });
    } else if let Some(drift_px) = pattern.drift_px.filter(|&px| px < SMALL_DRIFT_PX) {
        warnings.push(Warning::SmallDrift { drift_px });
    }
    let channels = outcome.layout.cfa.channels();
    for (&channel, &share) in channels.iter().zip(&outcome.noise.saturated) {
        if share > MUCH_SATURATED {
            let channel = channel_name(channel);
            warnings.push(Warning::Saturated { channel, share });
        }
    }
    let lights = outcome.lights.iter().map(|light| &light.frame.frame.info);
    let frames_of = outcome.calibration.iter();
    let used = frames_of.map(|frame| (frame.kind, &frame.frame.info));
    let masters = outcome
        .masters
        .iter()
        .map(|master| (master.kind, &master.info));
    let measured = outcome.dark_scale.and_then(|scale| scale.measured);
    let fits = |(kind, _): &(FrameKind, &FrameInfo)| {
        // What warm sites bring to the lights' temperature fits them.
        *kind != FrameKind::Dark || measured.is_none()
    };
    let used = used.chain(masters).filter(fits);
    warnings.extend(mismatches(&lights.collect::<Vec<_>>(), used));
    warnings.extend(outcome.sensor_pattern.as_ref().map(sensor_pattern::warning));
    if !outcome.has(FrameKind::Dark) {
        warnings.push(Warning::NoDarks);
    }
    if !outcome.has(FrameKind::Flat) {
        warnings.push(Warning::NoFlats);
    }
    if !outcome.left_out.is_empty() {
        let left_out = outcome.left_out.len() as u32;
        let of = left_out + frames + (outcome.calibration.len() + outcome.masters.len()) as u32;
        warnings.push(Warning::FramesLeftOut { left_out, of });
    }
    let cloudy: Vec<f64> = outcome
        .lights
        .iter()
        .map(|light| light.transparency)
        .collect();
    let cloudy: Vec<f64> = cloudy
        .into_iter()
        .filter(|&t| t < CLEAR_TRANSPARENCY)
        .collect();
    if let Some(worst_transparency) = cloudy.iter().copied().reduce(f64::min) {
        let cloudy = cloudy.len() as u32;
        warnings.push(Warning::CloudyFrames {
            cloudy,
            of: frames,
            worst_transparency,
        });
    }
    let widths: Vec<f64> = outcome
        .lights
        .iter()
        .map(|light| light.seen.grade.fwhm_px)
        .collect();
    warnings.extend(clock_and_knocks(&outcome.geometry));
    warnings.extend(without_the_lens(outcome));
    if let Some(align::FocusDrift { from_px, to_px }) = align::focus_drift(&widths) {
        warnings.push(Warning::FocusDrift { from_px, to_px });
    }
    let ground = outcome.ground.as_ref();
    if let Some(moving) = ground.and_then(|ground| ground.moving.as_ref())
        && moving.smear_px() > SMEARED_PX
    {
        warnings.push(Warning::GroundSmears {
            smear_px: moving.smear_px(),
            drift_px: moving.drift_px,
            masked: moving.masked,
        });
    }
    let guessed = ground.and_then(|ground| ground.moving.as_ref());
    let guessed = guessed.map_or(&[][..], |moving| &moving.guessed);
    if let Some(&first) = guessed.first() {
        warnings.push(Warning::GroundGuessed {
            file: report::file_name(outcome.lights[first].frame.path()),
            frames: guessed.len() as u32,
        });
    }
    let still_by_stars = outcome.geometry.pole.is_some();
    if ground.is_some_and(|ground| ground.taken_for_still) && !still_by_stars {
        warnings.push(Warning::GroundNotFollowed);
    }
    for light in &outcome.lights {
        if let Some(fault) = &light.fault {
            warnings.push(Warning::KeptAnyway {
                file: report::file_name(light.frame.path()),
                fault: fault.clone(),
            });
        }
        if let Some(alignment) = light
            .alignment
            .as_ref()
            .filter(|a| a.matched < SAFE_MATCHES)
        {
            warnings.push(Warning::FewStars {
                file: report::file_name(light.frame.path()),
                found: alignment.matched as u32,
                needed: SAFE_MATCHES as u32,
            });
        }
    }
    warnings
}
