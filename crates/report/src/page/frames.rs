//! Every frame, and why those left out are.

use super::text::{Foreign, count, or_blank, plain};
use crate::frame::{FrameEntry, FrameKind};
use crate::report::Report;
use maud::{Markup, html};

/// Lights up to which their table is open from the start.
const FEW: usize = 12;

pub(super) fn section(report: &Report) -> Markup {
    let frames = &report.frames;
    if frames.is_empty() {
        return html! {};
    }
    let of = |of: &dyn Fn(&FrameEntry) -> bool| -> Vec<&FrameEntry> {
        frames.iter().filter(|frame| of(frame)).collect()
    };
    let left_out = of(&|frame| !frame.used);
    let lights = of(&|frame| frame.used && frame.kind == Some(FrameKind::Light));
    let kinds = [
        (FrameKind::Dark, "dark"),
        (FrameKind::Flat, "flat"),
        (FrameKind::Bias, "bias frame"),
    ];
    html! {
        section aria-labelledby="frames" {
            h2 #frames { "Frames" }
            (out(&left_out))
            @if !lights.is_empty() {
                details open[lights.len() <= FEW] {
                    summary { (count(lights.len(), "light")) " in the stack" }
                    (table(&lights, &report.run.reference))
                }
            }
            @for (kind, name) in kinds {
                @let some = of(&|frame| frame.used && frame.kind == Some(kind));
                @if !some.is_empty() {
                    details {
                        summary { (count(some.len(), name)) " that calibrated them" }
                        ul.files {
                            @for frame in some { li { (file(frame)) } }
                        }
                    }
                }
            }
        }
    }
}

fn file(frame: &FrameEntry) -> Markup {
    html! { span.file { (Foreign(&frame.file)) } }
}

fn out(left_out: &[&FrameEntry]) -> Markup {
    html! {
        @if left_out.is_empty() {
            p { "Every file was used." }
        } @else {
            h3 { (count(left_out.len(), "file")) " left out" }
            dl.left-out {
                @for frame in left_out {
                    div {
                        dt { (file(frame)) }
                        dd { (Foreign(frame.reason.as_deref().unwrap_or("no reason given"))) }
                    }
                }
            }
        }
    }
}

fn table(lights: &[&FrameEntry], reference: &str) -> Markup {
    let any = |of: fn(&FrameEntry) -> Option<f64>| {
        let known = |frame: &&FrameEntry| of(frame).is_some_and(f64::is_finite);
        lights.iter().any(known)
    };
    let cloudy = any(|frame| frame.cloud_fraction);
    let shaken = any(|frame| frame.shake_px);
    let percent = |share: Option<f64>| {
        let known = share.filter(|share| share.is_finite());
        known.map_or(String::new(), |share| format!("{:.0}", 100.0 * share))
    };
    html! {
        p {
            "Transparency and weight are relative: a frame of half the transparency shows stars \
             half as bright. Residual is how far its stars lie from where its map puts them."
        }
        div.scroll tabindex="0" role="region" aria-label="Lights in the stack" {
            table {
                thead {
                    tr {
                        th scope="col" { "File" }
                        th scope="col" { "Taken" }
                        th scope="col" { "Exposure, s" }
                        th scope="col" { "ISO" }
                        th scope="col" { "Stars" }
                        th scope="col" { "Width, px" }
                        th scope="col" { "Ellipticity" }
                        @if shaken { th scope="col" { "Shake, px" } }
                        th scope="col" { "Transparency" }
                        @if cloudy { th scope="col" { "Cloud, %" } }
                        th scope="col" { "Weight" }
                        th scope="col" { "Residual, px" }
                    }
                }
                tbody {
                    @for frame in lights {
                        tr {
                            th scope="row" {
                                (file(frame))
                                @if frame.file == reference { " " small { "reference" } }
                            }
                            td {
                                @if let Some(time) = &frame.captured {
                                    (Foreign(&time.replace('T', " ")))
                                }
                            }
                            td { (or_blank(frame.exposure_s)) }
                            td { @if let Some(iso) = frame.iso { (iso) } }
                            td { @if let Some(stars) = frame.stars { (stars) } }
                            td { (or_blank(frame.fwhm_px)) }
                            td { (or_blank(frame.ellipticity)) }
                            @if shaken { td { (or_blank(frame.shake_px)) } }
                            td { (or_blank(frame.transparency)) }
                            @if cloudy { td { (percent(frame.cloud_fraction)) } }
                            td { (frame.weight.map_or(String::new(), plain)) }
                            td { (or_blank(frame.residual_px)) }
                        }
                    }
                }
            }
        }
    }
}
