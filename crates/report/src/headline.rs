//! The result in one line.

use crate::channel::Channel;
use crate::figure::Figure;
use crate::noise::{Evidence, Pattern, Summary};
use crate::report::Report;
use crate::sensor::{SensorChannel, Source};

/// Expected gains closer to √N than this are printed as √N.
const SAME_GAIN: f64 = 0.005;

/// The result in one line, such as
/// `20 frames, worth 17.3 ± 0.4 (noise 4.16 times lower; √20 = 4.47)`.
///
/// It claims no more than was measured: where a fixed pattern could not be seen it
/// speaks of random noise alone and says how few frames the stack may be worth, and
/// where the figures rest on an assumption it says so.
pub fn headline(report: &Report) -> String {
    let summary = &report.noise.summary;
    let n = summary.frames_used;
    let worth = summary.effective_frames;
    match (n, summary.evidence) {
        (0, _) => "no frame could be used: there is no stack".to_owned(),
        (1, _) => "1 frame, worth 1: nothing to average".to_owned(),
        (_, _) if !worth.is_finite() || !summary.gain_area.is_finite() => {
            format!("{n} frames stacked, but their noise could not be measured")
        }
        (_, Evidence::Copies) => {
            format!("{n} frames, worth {worth:.1}: they are copies of one frame")
        }
        (_, Evidence::Assumed) => format!(
            "{n} frames, worth {worth:.1} if they are independent, which so few cannot show"
        ),
        (_, Evidence::Measured) => match report.from_mosaic {
            Some(_) => format!("{}; {OF_FIRST_PASS}", measured(summary)),
            None => measured(summary),
        },
    }
}

/// What the figures are of, where the picture is not what they were measured on.
const OF_FIRST_PASS: &str = "that is the lights interpolated; the picture of photosites has \
                             noise of its own, from_mosaic in report.json";

/// Gain and read noise by channel in one line, such as
/// `G: 0.400 ± 0.004 e⁻/DN from flats, read noise 2.20 e⁻ from bias`; `None` when no
/// channel has a gain.
pub fn sensor_line(report: &Report) -> Option<String> {
    let name = |source: Option<Source>| match source {
        Some(Source::Flats) => " from flats",
        Some(Source::Bias) => " from bias",
        Some(Source::Darks) => " from darks",
        Some(Source::Lights) => " from lights",
        None => "",
    };
    let of_channel = |(channel, sensor): (&Channel, &SensorChannel)| {
        let known = |figure: Option<Figure>| figure.filter(|figure| figure.value.is_finite());
        let gain = known(sensor.gain_e_per_dn)?;
        let (value, error) = (gain.value, gain.error);
        let mut text = format!(
            "{channel:?}: {value:.3} ± {error:.3} e⁻/DN{}",
            name(sensor.gain_source)
        );
        if let Some(read_e) = known(sensor.read_noise_e).map(|read| read.value) {
            text += &format!(", read noise {read_e:.2} e⁻{}", name(sensor.read_source));
        }
        Some(text)
    };
    let lines: Vec<String> = report.noise.sensor.iter().filter_map(of_channel).collect();
    (!lines.is_empty()).then(|| lines.join("; "))
}

fn measured(summary: &Summary) -> String {
    let n = summary.frames_used;
    // The square of the gain has twice its relative error.
    let error = 2.0 * summary.gain_area * summary.error;
    let digits = digits_for(error);
    let error = match error.is_finite() && error > 0.0 {
        true => format!(" ± {error:.digits$}"),
        false => String::new(),
    };
    let scope = if summary.pattern.visible {
        ""
    } else {
        " in random noise alone"
    };
    let expected = expectation(summary);
    let line = format!(
        "{n} frames, worth {:.digits$}{error}{scope} (noise {:.2} times lower; {expected})",
        summary.effective_frames, summary.gain_area
    );
    if summary.pattern.visible {
        return match streaks(&summary.pattern) {
            Some(streaks) => format!("{line}; {streaks}"),
            None => line,
        };
    }
    let drift = match summary.pattern.drift_px {
        Some(drift) if drift.is_finite() => format!("at {drift:.1} px of drift"),
        _ => "without a known drift".to_owned(),
    };
    let least = summary.effective_frames_at_upper_bound;
    if least.is_finite() {
        let basis = summary.pattern.basis.words();
        format!("{line}; a fixed pattern does not show {drift} and may leave {least:.1} ({basis})")
    } else {
        format!("{line}; a fixed pattern does not show {drift}")
    }
}

/// Decimals by which an error is not 0: one, else two, else as many as its first digit needs.
fn digits_for(error: f64) -> usize {
    match error {
        error if error > 0.0 && format!("{error:.1}") == "0.0" => {
            (-error.log10()).ceil().clamp(2.0, 9.0) as usize
        }
        _ => 1,
    }
}

/// What a pattern that walks across the picture does to it.
fn streaks(pattern: &Pattern) -> Option<String> {
    let share = pattern.fraction_of_variance.filter(|_| pattern.walking)?;
    let direction = pattern.direction_deg?;
    Some(format!(
        "a fixed pattern walks along {direction:.0}° and makes {:.0} % of the variance",
        100.0 * share
    ))
}

fn expectation(summary: &Summary) -> String {
    let n = summary.frames_used;
    let root = f64::from(n).sqrt();
    let ideal = format!("√{n} = {root:.2}");
    let expected = summary.expected_gain;
    if expected.is_finite() && SAME_GAIN <= (expected - root).abs() {
        format!("{expected:.2} expected of their weights and reach, {ideal}")
    } else {
        ideal
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::noise::PatternBasis;

    fn summary() -> Summary {
        Summary {
            frames_used: 20,
            expected_gain: 20f64.sqrt(),
            gain_area: 4.0,
            gain_pixel: 5.0,
            effective_frames: 16.0,
            efficiency: 0.8,
            error: 0.05,
            effective_frames_at_upper_bound: 7.25,
            pattern: Pattern {
                visible: true,
                ..Pattern::default()
            },
            ..Summary::default()
        }
    }

    #[track_caller]
    fn check(change: impl FnOnce(&mut Summary), want: &str) {
        let mut report = Report::default();
        report.noise.summary = summary();
        change(&mut report.noise.summary);
        assert_eq!(headline(&report), want);
    }

    #[test]
    fn measured_in_full() {
        check(
            |_| (),
            "20 frames, worth 16.0 ± 0.4 (noise 4.00 times lower; √20 = 4.47)",
        );
    }

    #[test]
    fn an_error_is_never_nothing() {
        let gain = |gain: f64, error: f64| {
            move |s: &mut Summary| {
                (s.gain_area, s.effective_frames, s.error) = (gain, gain * gain, error)
            }
        };
        check(
            gain(4.0, 0.00625),
            "20 frames, worth 16.0 ± 0.1 (noise 4.00 times lower; √20 = 4.47)",
        );
        check(
            gain(4.0, 0.005),
            "20 frames, worth 16.00 ± 0.04 (noise 4.00 times lower; √20 = 4.47)",
        );
        check(
            gain(4.0, 0.0005),
            "20 frames, worth 16.000 ± 0.004 (noise 4.00 times lower; √20 = 4.47)",
        );
        check(
            gain(4.0, 0.0),
            "20 frames, worth 16.0 (noise 4.00 times lower; √20 = 4.47)",
        );
    }

    #[test]
    fn weights_and_reach_lower_the_expectation() {
        check(
            |s| s.expected_gain = 4.3,
            "20 frames, worth 16.0 ± 0.4 \
             (noise 4.00 times lower; 4.30 expected of their weights and reach, √20 = 4.47)",
        );
    }

    #[test]
    fn an_invisible_pattern_is_not_claimed_to_be_absent() {
        check(
            |s| {
                s.pattern = Pattern {
                    drift_px: Some(0.8),
                    ..Pattern::default()
                }
            },
            "20 frames, worth 16.0 ± 0.4 in random noise alone (noise 4.00 times lower; \
             √20 = 4.47); a fixed pattern does not show at 0.8 px of drift and may leave 7.2 \
             (assumed: a typical sensor)",
        );
        check(
            |s| {
                s.pattern = Pattern {
                    drift_px: Some(0.8),
                    basis: PatternBasis::Calibration,
                    ..Pattern::default()
                }
            },
            "20 frames, worth 16.0 ± 0.4 in random noise alone (noise 4.00 times lower; \
             √20 = 4.47); a fixed pattern does not show at 0.8 px of drift and may leave 7.2 \
             (measured, by what flats and darks leave)",
        );
        check(
            |s| {
                s.pattern.visible = false;
                s.effective_frames_at_upper_bound = f64::NAN;
            },
            "20 frames, worth 16.0 ± 0.4 in random noise alone (noise 4.00 times lower; \
             √20 = 4.47); a fixed pattern does not show without a known drift",
        );
    }

    #[test]
    fn a_pattern_that_walks_is_named() {
        check(
            |s| {
                s.pattern.walking = true;
                s.pattern.direction_deg = Some(212.4);
                s.pattern.fraction_of_variance = Some(0.31);
            },
            "20 frames, worth 16.0 ± 0.4 (noise 4.00 times lower; √20 = 4.47); \
             a fixed pattern walks along 212° and makes 31 % of the variance",
        );
    }

    #[test]
    fn what_was_not_measured_is_not_claimed() {
        check(
            |s| s.frames_used = 0,
            "no frame could be used: there is no stack",
        );
        check(
            |s| s.frames_used = 1,
            "1 frame, worth 1: nothing to average",
        );
        check(
            |s| s.gain_area = f64::NAN,
            "20 frames stacked, but their noise could not be measured",
        );
        check(
            |s| s.error = f64::NAN,
            "20 frames, worth 16.0 (noise 4.00 times lower; √20 = 4.47)",
        );
        check(
            |s| (s.evidence, s.effective_frames) = (Evidence::Copies, 1.0),
            "20 frames, worth 1.0: they are copies of one frame",
        );
        check(
            |s| {
                (s.evidence, s.frames_used, s.effective_frames) = (Evidence::Assumed, 2, 2.0);
            },
            "2 frames, worth 2.0 if they are independent, which so few cannot show",
        );
    }
}
