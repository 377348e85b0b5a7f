//! What the stack is worth, at the top of the page, and what to know before trusting it.

use super::text::{Foreign, plain, sentence, with_error};
use crate::frame::FrameKind;
use crate::headline::headline;
use crate::noise::{Evidence, Summary};
use crate::report::Report;
use maud::{Markup, html};

/// The headline up to what explains it.
pub(super) fn short(report: &Report) -> String {
    let whole = headline(report);
    match whole.split_once(" (") {
        Some((short, _)) => short.to_owned(),
        None => whole,
    }
}

/// What the headline says beyond that.
fn rest(report: &Report) -> Option<String> {
    let whole = headline(report);
    let (_, rest) = whole.split_once(" (")?;
    // The first bracket is opened by what was cut off.
    Some(rest.replacen(')', "", 1))
}

/// Lights that were given: those used, and what was left out and is not known to be
/// something else.
fn given(report: &Report) -> usize {
    let frames = report.frames.iter();
    frames
        .filter(|frame| match frame.kind {
            Some(kind) => kind == FrameKind::Light,
            None => !frame.used,
        })
        .count()
}

pub(super) fn section(report: &Report) -> Markup {
    let short = short(report);
    html! {
        header {
            p.kicker { "What these frames are worth as a stack" }
            h1 { (short) }
            @if let Some(rest) = rest(report) { p.lead { (sentence(&rest)) "." } }
            (figures(report))
            (explanation(report))
        }
        (warnings(report))
    }
}

fn figures(report: &Report) -> Markup {
    let summary = &report.noise.summary;
    let n = summary.frames_used;
    let measured = summary.evidence == Evidence::Measured;
    let error = |error: f64| if measured { error } else { f64::NAN };
    let worth_error = error(2.0 * summary.gain_area * summary.error);
    let mut figures = vec![
        ("Lights given", given(report).to_string(), ""),
        ("Used", n.to_string(), "N"),
    ];
    if let Some(worth) = with_error(summary.effective_frames, worth_error) {
        figures.push(("Worth", worth, "ideal frames"));
    }
    if let Some(gain) = with_error(summary.gain_area, error(summary.error)) {
        figures.push(("Noise lower by", gain, "times"));
    }
    if n > 0 {
        figures.push(("√N", plain(f64::from(n).sqrt()), "times, at best"));
    }
    let ground = report.ground.as_ref();
    let ground = ground.and_then(|ground| {
        let (gain, error) = (ground.gain_area?, ground.error.unwrap_or(f64::NAN));
        with_error(ground.effective_frames?, 2.0 * gain * error)
    });
    if let Some(worth) = ground {
        figures.push(("Ground worth", worth, "ideal frames"));
    }
    html! {
        dl.figures {
            @for (name, value, unit) in &figures {
                div {
                    dt { (name) }
                    dd { (value) " " small { (unit) } }
                }
            }
        }
    }
}

fn explanation(report: &Report) -> Markup {
    let summary = &report.noise.summary;
    if !summary.effective_frames.is_finite() {
        return html! {};
    }
    html! {
        p {
            "N equal, independent frames lower noise by √N. "
            "What a stack is worth is the number of such frames that would lower it as far as \
             these did, measured over areas of many pixels, which smoothing does not flatter. "
            @if summary.evidence == Evidence::Measured {
                "The number behind ± is one standard error: two times in three the truth lies \
                 within it. "
            }
            @if let Some(pixel) = with_error(summary.gain_pixel, summary.gain_pixel_error) {
                "Pixel by pixel, as the eye sees it at 100 %, noise fell by "
                strong { (pixel) }
                " times"
                @if borrows_more(summary) {
                    "; what that is beyond the figure above is borrowed from neighboring pixels, \
                     more than a single frame borrows"
                }
                "."
            }
        }
    }
}

/// Whether the gain pixel by pixel is measurably larger than that over areas.
fn borrows_more(summary: &Summary) -> bool {
    let error = summary.gain_pixel_error.hypot(summary.error);
    summary.gain_pixel - summary.gain_area > error
}

fn warnings(report: &Report) -> Markup {
    if report.warnings.is_empty() {
        return html! {};
    }
    html! {
        section aria-labelledby="notes" {
            h2 #notes { "To know before trusting it" }
            p { "What is the case, and what can be done about it." }
            ul.notes {
                @for warning in &report.warnings {
                    li {
                        strong { (Foreign(&sentence(&warning.text))) ". " }
                        span.advice { (Foreign(&sentence(&warning.advice))) "." }
                    }
                }
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn only_a_larger_gain_of_pixels_is_borrowed() {
        let borrows = |gain_pixel: f64| {
            borrows_more(&Summary {
                gain_area: 4.0,
                error: 0.03,
                gain_pixel,
                gain_pixel_error: 0.04,
                ..Summary::default()
            })
        };
        assert!(borrows(4.06));
        assert!(!borrows(4.04));
        assert!(!borrows(3.0));
        assert!(!borrows(f64::NAN));
    }
}
