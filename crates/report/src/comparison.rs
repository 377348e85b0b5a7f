//! `compare.json`: results held against each other, and the verdict in a sentence.

use crate::channel::ByChannel;
use crate::figure::Figure;
use crate::layout;
use crate::number::nan_for_null;
use serde::{Deserialize, Serialize};

/// Version of the file's structure.
pub const COMPARE_SCHEMA_VERSION: u32 = 1;

/// `compare.json`. Fluxes are DN of the first result.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Comparison {
    /// [`COMPARE_SCHEMA_VERSION`].
    pub schema_version: u32,
    /// What won, in words.
    pub verdict: String,
    /// By result, in the order given.
    pub results: Vec<ComparedResult>,
    /// Noise of one over noise of the other, for all pairs.
    pub noise_ratios: Vec<NoiseRatio>,
    /// The sky that was compared.
    pub sky: ComparedSky,
    /// What to know before trusting the figures.
    pub notes: Vec<String>,
}

/// The patch of sky common to all.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct ComparedSky {
    /// Whether lengths are arcsec and areas square arcminutes; else both are pixels of
    /// the first result.
    pub in_arcsec: bool,
    /// Area in common, square arcminutes.
    pub area_arcmin2: Option<f64>,
    /// Index of the coarsest result, on whose pixels all were compared.
    pub grid: usize,
    /// The patch on it: first column and row, one past the last column and row, px.
    pub patch_px: [u32; 4],
    /// Stars that fluxes were compared by.
    pub stars: u32,
    /// Flux of the star that SNRs are for, DN of the first result in G (or L).
    #[serde(deserialize_with = "nan_for_null")]
    pub star_flux: f64,
}

/// One result.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct ComparedResult {
    /// The file as given.
    pub file: String,
    /// What it is: `raw`, `stack`, `composite` or `picture`.
    pub kind: String,
    /// Width and height, px.
    pub size: [u32; 2],
    /// Side of a pixel, arcsec.
    pub scale_arcsec: Option<f64>,
    /// Linear scale at which it shows the field as large as the coarsest; 1 at most.
    #[serde(deserialize_with = "nan_for_null")]
    pub display_scale: f64,
    /// Stars matched with the coarsest result.
    pub matched: u32,
    /// Their rms distance after the fit, px.
    #[serde(deserialize_with = "nan_for_null")]
    pub residual_px: f64,
    /// Whether it shows the field mirrored.
    pub mirrored: bool,
    /// Width of its stars at half maximum, arcsec (or px of the first).
    pub fwhm: Figure,
    /// Slope of log flux against the coarsest result, less 1.
    pub tone: Figure,
    /// Whether that is in proportion; `None` where the stars do not tell.
    pub linear: Option<bool>,
    /// Time the shutter was open, s.
    pub shutter_s: Option<f64>,
    /// Time on the clock, s.
    pub clock_s: Option<f64>,
    /// Indices of results that share frames with it.
    pub shares_frames_with: Vec<usize>,
    /// Against the first result, over all channels.
    pub against_first: AgainstFirst,
    /// The same for one minute with the shutter open, of either.
    pub per_shutter_minute: Option<AgainstFirst>,
    /// The same for one minute on the clock, of either.
    pub per_clock_minute: Option<AgainstFirst>,
    /// Magnitude of the faintest star, when a zero point was given.
    pub limit_magnitude: Option<Figure>,
    /// By channel.
    pub channels: ByChannel<ComparedChannel>,
}

/// A result over the first one.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct AgainstFirst {
    /// Noise at equal field of view.
    pub noise: Figure,
    /// SNR of a star.
    pub star_snr: Figure,
    /// Magnitudes that it reaches deeper; negative is less deep.
    pub deeper_mag: Figure,
}

impl AgainstFirst {
    /// Both results cut to, or drawn out to, one minute: noise falls as the root of time.
    pub fn per_minute(self, own_s: f64, first_s: f64) -> Self {
        let root = (own_s / first_s).sqrt();
        Self {
            noise: self.noise.times(root),
            star_snr: self.star_snr.times(1.0 / root),
            deeper_mag: Figure {
                value: self.deeper_mag.value - 2.5 * root.log10(),
                ..self.deeper_mag
            },
        }
    }
}

/// One channel of one result.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct ComparedChannel {
    /// Star flux here over star flux in the first result, both in their own DN.
    pub flux_scale: Figure,
    /// Standard deviation of the light summed over a square arcminute (or a pixel of the
    /// first), DN of the first.
    pub noise: Figure,
    /// The same for one minute with the shutter open.
    pub noise_per_shutter_minute: Option<Figure>,
    /// The same for one minute on the clock.
    pub noise_per_clock_minute: Option<Figure>,
    /// SNR of a star of the stated flux against the background.
    pub star_snr: Figure,
    /// Flux of a star at 5 sigma.
    pub limit_flux: Figure,
    /// Scatter of star colors against G, mag; null for G and L.
    pub color_error_mag: Option<Figure>,
    /// What the noise rests on: `pair`, `hat`, `own halves` or `subset`.
    pub evidence: String,
}

/// Noise of one result over that of another at equal field of view.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct NoiseRatio {
    /// Index of the one.
    pub of: usize,
    /// Index of the other.
    pub over: usize,
    /// The ratio.
    pub ratio: Figure,
    /// Whether it differs from 1 by more than [`MEASURABLE_SIGMAS`](crate::MEASURABLE_SIGMAS).
    pub measurable: bool,
}

impl Comparison {
    /// The bytes of the file, as [`Report::to_json`](crate::Report::to_json) writes them.
    pub fn to_json(&self) -> Vec<u8> {
        layout::to_json(self)
    }
}

/// The verdict on results: the least noise at equal field of view, and who earned it
/// fastest on the clock, with their uncertainty.
///
/// - `names`: by result.
pub fn verdict(names: &[String], results: &[ComparedResult], ratios: &[NoiseRatio]) -> String {
    let ratio = |of: usize, over: usize| ratio_of(ratios, of, over);
    let known: Vec<usize> = (0..names.len())
        .filter(|&k| {
            let over_first = ratio(k, 0);
            k == 0 || over_first.is_some_and(|r| r.value.is_finite() && r.error.is_finite())
        })
        .collect();
    let relative = |k: usize| match k {
        0 => 1.0,
        k => ratio(k, 0).map_or(f64::NAN, |ratio| ratio.value),
    };
    let Some(&best) = known
        .iter()
        .min_by(|&&a, &&b| relative(a).total_cmp(&relative(b)))
        .filter(|_| known.len() > 1)
    else {
        return match unmeasured(names, results, &[]) {
            Some(why) => format!("The noise of the results could not be measured: {why}."),
            None => "The noise of the results could not be measured.".to_owned(),
        };
    };
    let (mut more, mut equal) = (Vec::new(), Vec::new());
    for &k in known.iter().filter(|&&k| k != best) {
        let Some(over) = ratio(k, best) else { continue };
        match over.differs_from_one() {
            true => more.push(format!("{} times less than {}", text(over), names[k])),
            false => equal.push(format!("{} ({})", names[k], text(over))),
        }
    }
    let noise = match (more.is_empty(), equal.is_empty()) {
        (true, _) => format!(
            "At equal field of view there is no measurable difference in noise between {} and {}",
            names[best],
            equal.join(", ")
        ),
        (false, true) => format!(
            "At equal field of view {} has the least noise: {}",
            names[best],
            more.join(", ")
        ),
        (false, false) => format!(
            "At equal field of view {} has the least noise: {}; no measurable difference to {}",
            names[best],
            more.join(", "),
            equal.join(", ")
        ),
    };
    let clock = on_the_clock(names, results, &known, &ratio);
    let missing = (known.len() < names.len())
        .then(|| unmeasured(names, results, &known))
        .flatten()
        .map(|why| format!("the noise of others could not be measured: {why}"));
    let said: Vec<String> = [Some(noise), clock, missing, not_known(names, results)]
        .into_iter()
        .flatten()
        .collect();
    format!("{}.", said.join("; "))
}

/// Noise of one result over that of another.
pub(crate) fn ratio_of(ratios: &[NoiseRatio], of: usize, over: usize) -> Option<Figure> {
    ratios.iter().find_map(|pair| match (pair.of, pair.over) {
        (a, b) if (a, b) == (of, over) => Some(pair.ratio),
        (a, b) if (b, a) == (of, over) => Some(pair.ratio.inverse()),
        _ => None,
    })
}

/// Why the results that are not `known` have no noise; `None` without results.
fn unmeasured(names: &[String], results: &[ComparedResult], known: &[usize]) -> Option<String> {
    let left = || {
        let all = names.iter().zip(results).enumerate();
        all.filter(|(k, _)| !known.contains(k))
            .map(|(_, both)| both)
    };
    let listed = |of: &dyn Fn(&ComparedResult) -> bool| {
        let names: Vec<&str> = left()
            .filter(|(_, result)| of(result))
            .map(|(name, _)| name.as_str())
            .collect();
        (!names.is_empty()).then(|| names.join(" and "))
    };
    if let Some(toned) = listed(&|result| result.linear == Some(false)) {
        return Some(format!(
            "{toned} and the coarsest result are not in proportion, one of them follows a tone \
             curve"
        ));
    }
    if let Some(sharing) = listed(&|result| !result.shares_frames_with.is_empty()) {
        return Some(format!(
            "{sharing} share frames, and noise that results have in common is taken for sky"
        ));
    }
    left().next()?;
    Some(
        "no noise was found that the results do not have in common: they are one picture, or one \
         holds the frames of the other"
            .to_owned(),
    )
}

/// A warning of results whose stars do not tell whether they are linear.
fn not_known(names: &[String], results: &[ComparedResult]) -> Option<String> {
    let names: Vec<&str> = names
        .iter()
        .zip(results)
        .filter(|(_, result)| result.linear.is_none())
        .map(|(name, _)| name.as_str())
        .collect();
    (!names.is_empty()).then(|| {
        format!(
            "this holds only if {} is in proportion to light, which the stars do not tell",
            names.join(" and ")
        )
    })
}

/// Noise for equal time on the clock, when all times are known and differ.
fn on_the_clock(
    names: &[String],
    results: &[ComparedResult],
    known: &[usize],
    ratio: &dyn Fn(usize, usize) -> Option<Figure>,
) -> Option<String> {
    let seconds: Vec<f64> = results
        .iter()
        .map(|result| result.clock_s)
        .collect::<Option<_>>()?;
    let even = seconds.windows(2).all(|two| two[0] == two[1]);
    let per_minute =
        |of: usize, over: usize| Some(ratio(of, over)?.times((seconds[of] / seconds[over]).sqrt()));
    if even {
        return None;
    }
    let relative = |k: usize| match k {
        0 => Some(1.0),
        k => per_minute(k, 0).map(|ratio| ratio.value),
    };
    let &best = known.iter().min_by(|&&a, &&b| {
        let value = |k| relative(k).unwrap_or(f64::NAN);
        value(a).total_cmp(&value(b))
    })?;
    let others: Vec<String> = known
        .iter()
        .filter(|&&k| k != best)
        .filter_map(|&k| {
            let over = per_minute(k, best)?;
            Some(match over.differs_from_one() {
                true => format!("{} times less than {}", text(over), names[k]),
                false => format!("no measurable difference to {} ({})", names[k], text(over)),
            })
        })
        .collect();
    Some(format!(
        "for the same time on the clock {} leads: {}",
        names[best],
        others.join(", ")
    ))
}

/// `1.98 ± 0.03`, with as many digits as the error bears.
pub(crate) fn text(figure: Figure) -> String {
    let digits = match figure.error {
        e if e > 0.0 && e < 1.0 => (1.0 - e.log10().floor()).clamp(1.0, 4.0) as usize,
        e if e.is_nan() => 2,
        _ => 1,
    };
    format!("{:.digits$} ± {:.digits$}", figure.value, figure.error)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn pair(value: f64, error: f64) -> Vec<NoiseRatio> {
        let ratio = Figure { value, error };
        vec![NoiseRatio {
            of: 0,
            over: 1,
            ratio,
            measurable: ratio.differs_from_one(),
        }]
    }

    fn names() -> Vec<String> {
        vec!["a.tif".to_owned(), "b.tif".to_owned()]
    }

    #[test]
    fn a_difference_is_named_with_its_error_and_none_is_called_none() {
        let said = verdict(&names(), &[], &pair(2.0, 0.05));
        assert!(said.contains("b.tif has the least noise"), "{said}");
        assert!(
            said.contains("2.000 ± 0.050 times less than a.tif"),
            "{said}"
        );
        let said = verdict(&names(), &[], &pair(0.5, 0.0125));
        assert!(said.contains("a.tif has the least noise"), "{said}");
        assert!(
            said.contains("2.000 ± 0.050 times less than b.tif"),
            "{said}"
        );
        for ratio in [1.03, 0.98, 1.0] {
            let said = verdict(&names(), &[], &pair(ratio, 0.02));
            assert!(said.contains("no measurable difference"), "{said}");
        }
        let said = verdict(&names(), &[], &pair(f64::NAN, f64::NAN));
        assert_eq!(said, "The noise of the results could not be measured.");
    }

    fn result(linear: Option<bool>, shares_frames_with: &[usize]) -> ComparedResult {
        let one = Figure {
            value: 1.0,
            error: 0.1,
        };
        ComparedResult {
            file: String::new(),
            kind: "picture".to_owned(),
            size: [640, 480],
            scale_arcsec: None,
            display_scale: 1.0,
            matched: 100,
            residual_px: 0.1,
            mirrored: false,
            fwhm: one,
            tone: one,
            linear,
            shutter_s: None,
            clock_s: None,
            shares_frames_with: shares_frames_with.to_vec(),
            against_first: AgainstFirst {
                noise: one,
                star_snr: one,
                deeper_mag: one,
            },
            per_shutter_minute: None,
            per_clock_minute: None,
            limit_magnitude: None,
            channels: ByChannel::default(),
        }
    }

    #[test]
    fn what_was_not_measured_has_its_reason() {
        let nothing = pair(f64::NAN, f64::NAN);
        let said = |results: &[ComparedResult]| verdict(&names(), results, &nothing);
        let linear = || result(Some(true), &[]);
        let toned = said(&[linear(), result(Some(false), &[])]);
        assert!(
            toned.contains("could not be measured: b.tif and the coarsest result are not in"),
            "{toned}"
        );
        let shared = said(&[result(Some(true), &[1]), result(Some(true), &[0])]);
        assert!(shared.contains("a.tif and b.tif share frames"), "{shared}");
        let copies = said(&[linear(), linear()]);
        assert!(copies.contains("one picture"), "{copies}");
        // One of three has no figure: the others have, and it is said.
        let names = ["a.tif", "b.tif", "c.png"].map(str::to_owned);
        let three = [linear(), linear(), result(Some(false), &[])];
        let said = verdict(&names, &three, &pair(2.0, 0.05));
        assert!(
            said.contains("2.000 ± 0.050 times less than a.tif"),
            "{said}"
        );
        assert!(
            said.contains("others could not be measured: c.png"),
            "{said}"
        );
    }

    #[test]
    fn a_verdict_on_what_may_be_toned_says_so() {
        let results = [result(Some(true), &[]), result(None, &[])];
        let said = verdict(&names(), &results, &pair(2.0, 0.05));
        assert!(
            said.ends_with(
                "; this holds only if b.tif is in proportion to light, which the stars \
                            do not tell."
            ),
            "{said}"
        );
    }

    #[test]
    fn a_minute_of_either_charges_the_longer_one() {
        let equal = AgainstFirst {
            noise: Figure {
                value: 1.0,
                error: 0.1,
            },
            star_snr: Figure {
                value: 1.0,
                error: 0.1,
            },
            deeper_mag: Figure {
                value: 0.0,
                error: 0.1,
            },
        };
        // Four times as long for the same noise: half as good a minute.
        let minute = equal.per_minute(400.0, 100.0);
        assert_eq!(minute.noise.value, 2.0);
        assert_eq!(minute.star_snr.value, 0.5);
        assert!((minute.deeper_mag.value + 2.5 * 2f64.log10()).abs() < 1e-12);
    }
}
