//! Results to a comparison: opened, told their times and scales, measured, put into words.

use crate::compare_args::{CompareArgs, Exposures, Given};
use crate::sensor_report::figure;
use crate::{JobError, OpenedResult, Progress, ResultKind, scale_arcsec};
use noise::{CompareOptions, Compared, Comparison, Contender, Estimate, Linearity, Measured};
use raw::Encoding;
use report::{
    AgainstFirst, COMPARE_SCHEMA_VERSION, ComparedChannel, ComparedResult, ComparedSky, Figure,
    MEASURABLE_SIGMAS, NoiseRatio,
};
use std::path::PathBuf;

/// What to compare.
#[derive(Clone, Debug, Default)]
pub struct CompareJob {
    /// The results.
    pub results: Vec<PathBuf>,
    /// Side of a pixel by result, arcsec, where stated.
    pub scale_arcsec: Vec<Option<f64>>,
    /// Focal length by result, mm, where stated.
    pub focal_length_mm: Vec<Option<f64>>,
    /// Distance of pixels by result, µm, where stated.
    pub pixel_pitch_um: Vec<Option<f64>>,
    /// Exposures by result, where stated.
    pub exposures: Vec<Option<Exposures>>,
    /// Time on the clock by result, s, where stated.
    pub clock_s: Vec<Option<f64>>,
    /// How.
    pub options: CompareOptions,
}

/// A finished comparison.
#[derive(Debug)]
pub struct CompareOutcome {
    /// The results as they were read.
    pub opened: Vec<OpenedResult>,
    /// What was measured.
    pub comparison: Comparison,
    /// The same in the words of `compare.json`.
    pub report: report::Comparison,
}

impl CompareJob {
    /// The job that was typed.
    ///
    /// # Errors
    ///
    /// When a list has another length than the results.
    pub fn of(args: &CompareArgs) -> Result<Self, JobError> {
        let n = args.results.len();
        Ok(Self {
            results: args.results.clone(),
            scale_arcsec: spread(&args.scale, n, "--scale")?,
            focal_length_mm: spread(&args.focal_length, n, "--focal-length")?,
            pixel_pitch_um: spread(&args.pixel_pitch, n, "--pixel-pitch")?,
            exposures: spread(&args.exposures, n, "--exposures")?,
            clock_s: spread(&args.clock, n, "--clock")?,
            options: CompareOptions {
                zero_point: args.zero_point,
                ..CompareOptions::default()
            },
        })
    }

    /// Compares; nothing is written.
    ///
    /// # Errors
    ///
    /// When a result cannot be read, or they cannot be compared.
    pub fn run(&self, progress: &dyn Progress) -> Result<CompareOutcome, JobError> {
        progress.stage("reading results", self.results.len());
        let mut opened = Vec::with_capacity(self.results.len());
        for (i, path) in self.results.iter().enumerate() {
            opened.push(OpenedResult::open(path)?);
            progress.advance(i + 1);
        }
        progress.stage("comparing", 0);
        let contenders: Vec<Contender> = opened
            .iter_mut()
            .enumerate()
            .map(|(k, result)| self.contender(k, result))
            .collect();
        let comparison = noise::compare(&contenders, &self.options)?;
        for (result, contender) in opened.iter_mut().zip(contenders) {
            result.planes = contender.planes;
        }
        let report = report_of(&opened, &comparison);
        Ok(CompareOutcome {
            opened,
            comparison,
            report,
        })
    }

    /// Takes the planes out of the result; the caller puts them back.
    fn contender(&self, k: usize, result: &mut OpenedResult) -> Contender {
        let at = |list: &[Option<f64>]| list.get(k).copied().flatten();
        let focal_mm = at(&self.focal_length_mm).or(result.info.focal_length_mm);
        let by_optics = at(&self.pixel_pitch_um)
            .zip(focal_mm)
            .map(|(pitch_um, focal_mm)| scale_arcsec(pitch_um, focal_mm));
        let scale = at(&self.scale_arcsec).or(by_optics).or(result.scale_arcsec);
        let (shutter_s, clock_s) = self.times_s(k, result);
        Contender {
            name: report::file_name(&result.path),
            planes: std::mem::take(&mut result.planes),
            saturation_dn: result.saturation_dn,
            scale_arcsec: scale,
            shutter_s,
            clock_s,
            own_noise_dn: result.own_noise_dn(),
            frames: result.frames(),
        }
    }

    /// Shutter and clock time of a result: what was stated, else what the file says.
    fn times_s(&self, k: usize, result: &OpenedResult) -> (Option<f64>, Option<f64>) {
        let (shutter, clock) = match self.exposures.get(k).copied().flatten() {
            None => result.times_s(),
            Some(stated) => {
                let composite = result.kind == ResultKind::Composite && stated.count > 1;
                let waiting = stated.waiting.unwrap_or(u32::from(composite));
                let times = |n: u32| f64::from(n) * stated.each_s;
                (
                    Some(times(stated.count)),
                    Some(times(stated.count.saturating_add(waiting))),
                )
            }
        };
        (shutter, self.clock_s.get(k).copied().flatten().or(clock))
    }
}

/// One value for each result.
fn spread<T: Copy>(
    given: &[Given<T>],
    n: usize,
    option: &'static str,
) -> Result<Vec<Option<T>>, JobError> {
    match given {
        [] => Ok(vec![None; n]),
        [one] => Ok(vec![one.value(); n]),
        all if all.len() == n => Ok(all.iter().map(|given| given.value()).collect()),
        all => Err(JobError::OptionCount {
            option,
            found: all.len(),
            results: n,
        }),
    }
}

fn known(value: Measured) -> Option<Figure> {
    value.value.is_finite().then(|| figure(value))
}

fn report_of(opened: &[OpenedResult], comparison: &Comparison) -> report::Comparison {
    let noise_ratios: Vec<NoiseRatio> = comparison
        .noise_ratios
        .iter()
        .map(|pair| {
            let ratio = figure(pair.ratio);
            NoiseRatio {
                of: pair.of,
                over: pair.over,
                ratio,
                measurable: ratio.differs_from_one(),
            }
        })
        .collect();
    let results: Vec<ComparedResult> = comparison
        .results
        .iter()
        .enumerate()
        .map(|(k, compared)| result(k, &opened[k], compared, comparison))
        .collect();
    let names: Vec<String> = comparison.results.iter().map(|r| r.name.clone()).collect();
    let patch = comparison.patch;
    report::Comparison {
        schema_version: COMPARE_SCHEMA_VERSION,
        verdict: report::verdict(&names, &results, &noise_ratios),
        sky: ComparedSky {
            in_arcsec: comparison.in_arcsec,
            area_arcmin2: comparison.patch_arcmin2,
            grid: comparison.grid,
            patch_px: [patch.x0, patch.y0, patch.x1, patch.y1].map(|px| px as u32),
            stars: comparison.stars as u32,
            star_flux: comparison.star_flux,
        },
        notes: notes(opened, comparison),
        results,
        noise_ratios,
    }
}

/// Noise of result `k` over that of the first.
fn over_first(comparison: &Comparison, k: usize) -> Figure {
    let ratio = comparison
        .noise_ratios
        .iter()
        .find(|pair| (pair.of, pair.over) == (0, k));
    match ratio {
        Some(pair) => figure(pair.ratio).inverse(),
        None => Figure {
            value: 1.0,
            error: 0.0,
        },
    }
}

fn against_first(comparison: &Comparison, k: usize) -> AgainstFirst {
    let noise = over_first(comparison, k);
    let (first, own) = (comparison.results[0].fwhm, comparison.results[k].fwhm);
    // A wider star spreads over more background.
    let width = own.value / first.value;
    let per_star = noise.value * width;
    let width_error = match k {
        0 => 0.0,
        _ => (own.error / own.value).hypot(first.error / first.value),
    };
    let relative = (noise.error / noise.value).hypot(width_error);
    AgainstFirst {
        noise,
        star_snr: Figure {
            value: 1.0 / per_star,
            error: relative / per_star,
        },
        deeper_mag: Figure {
            value: 0.0 - 2.5 * per_star.log10(),
            error: 2.5 / std::f64::consts::LN_10 * relative,
        },
    }
}

fn result(
    k: usize,
    opened: &OpenedResult,
    compared: &Compared,
    comparison: &Comparison,
) -> ComparedResult {
    let (width, height) = opened.size();
    let against = against_first(comparison, k);
    let first = &comparison.results[0];
    let minute = |own: Option<f64>, of_first: Option<f64>| {
        own.zip(of_first)
            .map(|(own, of_first)| against.per_minute(own, of_first))
    };
    let channels = compared
        .channels
        .iter()
        .map(|channel| {
            let noise = figure(channel.noise_per_area);
            let per_minute =
                |seconds: Option<f64>| seconds.map(|seconds| noise.times((seconds / 60.0).sqrt()));
            let of = ComparedChannel {
                flux_scale: figure(channel.flux_scale),
                noise,
                noise_per_shutter_minute: per_minute(compared.shutter_s),
                noise_per_clock_minute: per_minute(compared.clock_s),
                star_snr: figure(channel.star_snr),
                limit_flux: figure(channel.limit_flux),
                color_error_mag: known(channel.color_error_mag),
                evidence: match channel.estimate {
                    Estimate::Pair { .. } => "pair",
                    Estimate::Hat { .. } => "hat",
                    Estimate::OwnHalves => "own halves",
                    Estimate::Subset { .. } => "subset",
                }
                .to_owned(),
            };
            let name = match channel.name {
                "R" => report::Channel::R,
                "G" => report::Channel::G,
                "B" => report::Channel::B,
                _ => report::Channel::L,
            };
            (name, of)
        })
        .collect();
    ComparedResult {
        file: compared.name.clone(),
        kind: opened.kind.name().to_owned(),
        size: [width as u32, height as u32],
        scale_arcsec: compared.scale_arcsec,
        display_scale: compared.display_scale,
        matched: compared.matched as u32,
        residual_px: compared.residual_px,
        mirrored: compared.mirrored,
        fwhm: figure(compared.fwhm),
        tone: figure(compared.tone),
        linear: compared.linear.is_linear(),
        shutter_s: compared.shutter_s,
        clock_s: compared.clock_s,
        shares_frames_with: compared.shares_frames_with.clone(),
        against_first: against,
        per_shutter_minute: minute(compared.shutter_s, first.shutter_s),
        per_clock_minute: minute(compared.clock_s, first.clock_s),
        limit_magnitude: compared.limit_magnitude.map(figure),
        channels,
    }
}

fn notes(opened: &[OpenedResult], comparison: &Comparison) -> Vec<String> {
    let mut notes = vec![format!(
        "a difference is called measurable from {MEASURABLE_SIGMAS} standard errors"
    )];
    if !comparison.in_arcsec {
        notes.push(
            "no result states focal length and pixel pitch: lengths are pixels of the first \
             (--scale, or --focal-length with --pixel-pitch, makes them arcsec)"
                .to_owned(),
        );
    }
    if comparison.scales_disagree {
        notes.push(
            "the stated pixel scales contradict the one that the stars show; the first stated \
             one was used"
                .to_owned(),
        );
    }
    let others_pay_gaps = comparison.results.iter().any(|compared| {
        let times = compared.clock_s.zip(compared.shutter_s);
        times.is_some_and(|(clock_s, shutter_s)| clock_s > shutter_s)
    });
    for (result, compared) in opened.iter().zip(&comparison.results) {
        let name = &compared.name;
        let (slope, error) = (compared.tone.value, compared.tone.error);
        match compared.linear {
            Linearity::Linear => {}
            Linearity::ToneCurve => notes.push(format!(
                "{name}: brightness follows a tone curve against the coarsest result's (slope of \
                 star fluxes {slope:+.3} ± {error:.3}, or a steeper one at the sky): its noise \
                 and fluxes do not compare with the others'"
            )),
            Linearity::NotKnown => notes.push(format!(
                "{name}: whether its brightness is in proportion is not known (slope of star \
                 fluxes {slope:+.3} ± {error:.3}): its figures hold only if it is"
            )),
        }
        if matches!(result.encoding, Encoding::Srgb | Encoding::Power(_)) {
            notes.push(format!("{name}: the curve that the file states was undone"));
        }
        if !compared.shares_frames_with.is_empty() {
            notes.push(format!(
                "{name} shares frames with another result: its noise is not independent of it"
            ));
        }
        let has_no_gap = compared.clock_s.is_some() && compared.clock_s == compared.shutter_s;
        if has_no_gap && others_pay_gaps {
            notes.push(format!(
                "{name}: its time on the clock is that of its shutter alone, while others pay \
                 the gaps between their frames: per minute on the clock it is favored"
            ));
        }
        if compared.clock_s.is_none() {
            notes.push(format!(
                "{name}: exposures are not stated; nothing is said per minute (--exposures)"
            ));
        }
    }
    notes
}
