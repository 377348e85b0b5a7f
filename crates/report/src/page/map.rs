//! Effective frames over the picture, region by region.

use super::chart::at;
use super::pictures::Pictures;
use super::text::{Foreign, or_blank, plain, with_error};
use super::upright::Upright;
use crate::noise::{Part, Region};
use crate::report::Report;
use maud::{Markup, html};

/// Gains over the expected ones at the ends of the scale of colors.
const SCALE: (f64, f64) = (0.8, 1.0);

pub(super) fn section(report: &Report, pictures: &Pictures) -> Markup {
    let regions = &report.noise.regions;
    if regions.is_empty() || pictures.size.0 == 0 || pictures.size.1 == 0 {
        return html! {};
    }
    let upright = Upright::new(pictures.orientation, pictures.size);
    let ground = regions.iter().any(|region| region.part == Part::Ground);
    html! {
        section aria-labelledby="map" {
            h2 #map { "Worth over the picture" }
            figure.map {
                (picture(regions, pictures, upright))
                (scale())
                figcaption {
                    p {
                        "Each number is how many ideal frames that region of the stack is worth, \
                         mean of its channels. The tint at the right end of the scale has all of \
                         the gain that the frames reaching it promise, that at its left end \
                         lacks a fifth of it or more; over the picture it is paler than on the \
                         scale. A region that is crossed out has too few pixels free of stars to be measured."
                        @if ground {
                            " A region of sky and ground shows the part that was measured on \
                             more pixels."
                        }
                    }
                    p {
                        "One region is less certain than the whole: its error is in the table, \
                         and neighbors a few percent apart are no finding. A side or a corner \
                         that is lower as a whole is one."
                    }
                }
            }
            (table(regions))
        }
    }
}

/// The regions that are drawn: of two parts of one, that which was measured on more pixels.
fn shown(regions: &[Region]) -> Vec<&Region> {
    let pixels = |region: &Region| region.channels.values().map(|c| c.pixels).max();
    let mut shown: Vec<&Region> = Vec::new();
    for region in regions {
        let place = |region: &Region| (region.x0, region.y0);
        match shown.last_mut() {
            Some(last) if place(last) == place(region) => {
                if pixels(region) > pixels(last) {
                    *last = region;
                }
            }
            _ => shown.push(region),
        }
    }
    shown
}

/// Mean over the channels of what they are worth, and of their gains over the expected ones.
fn worth(region: &Region) -> Option<(f64, f64)> {
    let known = region.channels.values().filter(|channel| {
        channel.effective_frames.is_finite() && (channel.gain_area / channel.expected).is_finite()
    });
    let known: Vec<_> = known.collect();
    if known.is_empty() {
        return None;
    }
    let mean = |sum: f64| sum / known.len() as f64;
    let frames = mean(known.iter().map(|c| c.effective_frames).sum());
    let share = mean(known.iter().map(|c| c.gain_area / c.expected).sum());
    Some((frames, share))
}

fn picture(regions: &[Region], pictures: &Pictures, upright: Upright) -> Markup {
    let (width, height) = upright.size();
    let area = |region: &Region| upright.rectangle([region.x0, region.y0, region.x1, region.y1]);
    // A number of four digits has room in the narrowest of them.
    let room = regions.iter().map(|region| {
        let [x0, y0, x1, y1] = area(region);
        (0.2 * (x1 - x0)).min(0.4 * (y1 - y0))
    });
    let size = room.fold(f64::INFINITY, f64::min);
    html! {
        svg viewBox={ "0 0 " (at(width)) " " (at(height)) } role="img"
            aria-label="The stack in regions, each with the frames it is worth; the table has \
                        the same numbers" {
            @if let Some(whole) = &pictures.whole {
                image href=(whole.data()) width=(at(width)) height=(at(height))
                    preserveAspectRatio="none" {}
            }
            @for region in shown(regions) {
                @let [x0, y0, x1, y1] = area(region);
                @let (w, h) = (x1 - x0, y1 - y0);
                @match worth(region) {
                    Some((frames, share)) => {
                        rect.region x=(at(x0)) y=(at(y0)) width=(at(w)) height=(at(h))
                            fill=(tint(share)) fill-opacity="0.22" {}
                        text.over-picture x=(at(x0 + 0.5 * w)) y=(at(y0 + 0.5 * h + 0.35 * size))
                            font-size=(at(size)) text-anchor="middle" { (plain(frames)) }
                    }
                    None => {
                        rect.region x=(at(x0)) y=(at(y0)) width=(at(w)) height=(at(h))
                            fill="none" {}
                        path.cross d={
                            "M" (at(x0)) " " (at(y0)) "L" (at(x1)) " " (at(y1))
                            "M" (at(x1)) " " (at(y0)) "L" (at(x0)) " " (at(y1))
                        } {}
                    }
                }
            }
        }
    }
}

/// Vermilion to sky blue of the palette by Okabe & Ito (2008), "Color Universal Design", which
/// are told apart with every kind of color vision (from memory).
fn tint(share: f64) -> String {
    const LOST: [f64; 3] = [213.0, 94.0, 0.0];
    const WHOLE: [f64; 3] = [86.0, 180.0, 233.0];
    let place = ((share - SCALE.0) / (SCALE.1 - SCALE.0)).clamp(0.0, 1.0);
    let mix = |i: usize| (LOST[i] + place * (WHOLE[i] - LOST[i])).round() as u8;
    format!("#{:02x}{:02x}{:02x}", mix(0), mix(1), mix(2))
}

fn scale() -> Markup {
    let steps = [0.8, 0.85, 0.9, 0.95, 1.0];
    html! {
        ul.scale aria-label="Colors: gain over the expected gain" {
            @for (i, share) in steps.iter().enumerate() {
                li {
                    svg viewBox="0 0 10 10" aria-hidden="true" {
                        rect width="10" height="10" fill=(tint(*share)) {}
                    }
                    @if i == 0 { "≤ " }
                    (plain(*share))
                    @if i + 1 == steps.len() { " or more" }
                }
            }
            li.what { "of the expected gain" }
        }
    }
}

fn table(regions: &[Region]) -> Markup {
    let both = regions.iter().any(|region| region.part == Part::Ground);
    html! {
        details {
            summary { "Every region and channel as a table" }
            p {
                "Pixels are counted from the left and from the top, as the sensor has them. \
                 Noise is in DN at the scale of blocks."
            }
            div.scroll tabindex="0" role="region" aria-label="Regions" {
                table {
                    thead {
                        tr {
                            th scope="col" { "Columns" }
                            th scope="col" { "Rows" }
                            @if both { th scope="col" { "Part" } }
                            th scope="col" { "Channel" }
                            th scope="col" { "Worth, frames" }
                            th scope="col" { "Gain" }
                            th scope="col" { "Expected" }
                            th scope="col" { "Gain at 100 %" }
                            th scope="col" { "One frame" }
                            th scope="col" { "Stack" }
                        }
                    }
                    tbody {
                        @for region in regions {
                            @for (channel, noise) in &region.channels {
                                tr {
                                    td { (region.x0) "–" (region.x1) }
                                    td { (region.y0) "–" (region.y1) }
                                    @if both {
                                        td {
                                            @match region.part {
                                                Part::Sky => "sky",
                                                Part::Ground => "ground",
                                            }
                                        }
                                    }
                                    td { (Foreign(&format!("{channel:?}"))) }
                                    td {
                                        (or_empty(
                                            noise.effective_frames,
                                            2.0 * noise.gain_area * noise.error,
                                        ))
                                    }
                                    td { (or_empty(noise.gain_area, noise.error)) }
                                    td { (or_blank(Some(noise.expected))) }
                                    td { (or_empty(noise.gain_pixel, noise.gain_pixel_error)) }
                                    td { (or_empty(noise.single, noise.single_error)) }
                                    td { (or_empty(noise.stack, noise.stack_error)) }
                                }
                            }
                        }
                    }
                }
            }
        }
    }
}

fn or_empty(value: f64, error: f64) -> String {
    with_error(value, error).unwrap_or_default()
}
