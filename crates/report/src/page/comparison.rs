//! `comparison.html`: two to six ways of shooting on the same patch of sky.

use super::document;
use super::pictures::ComparedSpot;
use super::ranking::{self, Charged, ranking};
use super::spots::{View, instructions, pair, zoom};
use super::text::{Foreign, count, plain, sentence, with_error};
use crate::comparison::{AgainstFirst, Comparison};
use crate::figure::Figure;
use maud::{Markup, html};

/// `comparison.html`: a comparison for whoever took the frames.
pub fn comparison_page(comparison: &Comparison, spots: &[ComparedSpot]) -> String {
    let files: Vec<&str> = comparison.results.iter().map(|r| r.file.as_str()).collect();
    let names = short_names(&files);
    let title = format!("{} compared", count(files.len(), "way"));
    let body = html! {
        header {
            p.kicker { "Ways of shooting, on the same patch of sky" }
            h1 { (title) }
            p.lead { (Foreign(&comparison.verdict)) }
            (named(comparison, &names))
        }
        (looks(comparison, &names, spots))
        (ranking::section(comparison, &names))
        (figures(comparison, &names))
        (notes(comparison))
    };
    document::page(&title, &body, document::Images::Within)
}

/// The ends of paths, as many folders of them as tell them apart.
fn short_names(files: &[&str]) -> Vec<String> {
    let split = |file: &str| -> Vec<String> {
        let parts = file.split(['/', '\\']).map(str::to_owned);
        parts.collect()
    };
    let paths: Vec<Vec<String>> = files.iter().map(|file| split(file)).collect();
    let end = |path: &[String], n: usize| path[path.len().saturating_sub(n)..].to_vec();
    let short = |(k, path): (usize, &Vec<String>)| {
        let own = |n: &usize| {
            let others = paths.iter().enumerate().filter(|(other, _)| *other != k);
            others
                .map(|(_, other)| end(other, *n))
                .all(|other| other != end(path, *n))
        };
        let n = (1..path.len()).find(own).unwrap_or(path.len());
        end(path, n).join("/")
    };
    paths.iter().enumerate().map(short).collect()
}

fn named(comparison: &Comparison, names: &[String]) -> Markup {
    let sky = &comparison.sky;
    html! {
        p {
            "Compared by " (count(sky.stars as usize, "star")) " in common"
            @if let Some(area) = sky.area_arcmin2.filter(|area| area.is_finite()) {
                " over " (plain(area)) " square arcminutes"
            }
            ", at equal field of view: a result of more pixels is not punished for them."
        }
        dl.facts {
            @for (result, name) in comparison.results.iter().zip(names) {
                div {
                    dt { (Foreign(name)) }
                    dd {
                        span.file { (Foreign(&result.file)) } ", "
                        (Foreign(&result.kind)) " of "
                        (result.size[0]) "×" (result.size[1]) " px"
                        @if let Some(s) = result.shutter_s { ", shutter " (plain(s)) " s" }
                        @if let Some(s) = result.clock_s { ", clock " (plain(s)) " s" }
                        @match result.linear {
                            Some(true) => {}
                            Some(false) => {
                                "; follows a tone curve: its noise does not compare"
                            }
                            None => "; whether it is in proportion to light is not known",
                        }
                    }
                }
            }
        }
    }
}

fn looks(comparison: &Comparison, names: &[String], spots: &[ComparedSpot]) -> Markup {
    let shown = spots
        .iter()
        .filter(|spot| spot.results.len() == names.len());
    let shown: Vec<&ComparedSpot> = shown.collect();
    if shown.is_empty() || names.len() < 2 {
        return html! {};
    }
    let best = ranking(comparison, Charged::AsTheyAre);
    let best = best.first().map_or(0, |ranked| ranked.result);
    // The first against the best, or against the second where it is the best itself.
    let sides = (0, if best == 0 { 1 } else { best });
    html! {
        section.comparison aria-labelledby="looks" {
            h2 #looks { "Side by side" }
            p {
                "The same field in all results, drawn at one size, on one scale of brightness, \
                 by one curve."
            }
            (instructions())
            (zoom())
            div.spots {
                @for (i, spot) in shown.iter().enumerate() {
                    section.spot aria-labelledby={ "spot-" (i) } {
                        h3 id={ "spot-" (i) } { (spot.kind.title()) }
                        (compared_pair(i, spot, names, sides))
                    }
                }
            }
        }
    }
}

fn compared_pair(
    i: usize,
    spot: &ComparedSpot,
    names: &[String],
    (left, right): (usize, usize),
) -> Markup {
    let views = spot.results.iter().zip(names).enumerate();
    let views = views.map(|(k, (picture, name))| View {
        picture,
        label: name,
        class: match k {
            k if k == left => "before",
            k if k == right => "after",
            _ => "",
        },
    });
    let views: Vec<View> = views.collect();
    let sides = [("before", "Left", left), ("after", "Right", right)];
    html! {
        @if names.len() > 2 {
            div.sides {
                @for (side, title, chosen) in sides {
                    div {
                        label for={ (side) "-" (i) } { (title) " " }
                        select id={ (side) "-" (i) } data-side=(side) {
                            @for (k, name) in names.iter().enumerate() {
                                option value=(k) selected[k == chosen] { (Foreign(name)) }
                            }
                        }
                    }
                }
            }
        }
        (pair(spot.kind, &views, "How much of the left result is shown"))
    }
}

fn figures(comparison: &Comparison, names: &[String]) -> Markup {
    let length = if comparison.sky.in_arcsec {
        "arcsec"
    } else {
        "px"
    };
    let rows = |title: &str, of: &dyn Fn(usize) -> Option<AgainstFirst>| {
        let known: Vec<_> = (1..names.len()).filter_map(|k| Some((k, of(k)?))).collect();
        html! {
            @for (k, against) in &known {
                tr {
                    th scope="row" { (Foreign(&names[*k])) }
                    td.words { (title) }
                    td { (figure(against.noise)) }
                    td { (figure(against.star_snr)) }
                    td { (figure(against.deeper_mag)) }
                }
            }
        }
    };
    let results = &comparison.results;
    let limits = results
        .iter()
        .any(|result| result.limit_magnitude.is_some());
    html! {
        section aria-labelledby="figures" {
            h2 #figures { "In figures" }
            p {
                "Against "
                @if let Some(first) = names.first() { strong { (Foreign(first)) } }
                ". Noise is at equal field of view; the SNR is that of \
                 a star, which also pays for being wider; magnitudes say how much fainter a star \
                 may be for the same SNR. Each with one standard error."
            }
            div.scroll tabindex="0" role="region" aria-label="Results against the first" {
                table {
                    thead {
                        tr {
                            th scope="col" { "Result" }
                            th scope="col" { "Charged" }
                            th scope="col" { "Noise" }
                            th scope="col" { "Star SNR" }
                            th scope="col" { "Deeper by, mag" }
                        }
                    }
                    tbody {
                        (rows("as it is", &|k| Some(results[k].against_first)))
                        (rows("per shutter minute", &|k| results[k].per_shutter_minute))
                        (rows("per clock minute", &|k| results[k].per_clock_minute))
                    }
                }
            }
            div.scroll tabindex="0" role="region" aria-label="Stars of the results" {
                table {
                    thead {
                        tr {
                            th scope="col" { "Result" }
                            th scope="col" { "Width of stars, " (length) }
                            th scope="col" { "Stars matched" }
                            th scope="col" { "Residual, px" }
                            @if limits { th scope="col" { "Faintest star, mag" } }
                        }
                    }
                    tbody {
                        @for (result, name) in results.iter().zip(names) {
                            tr {
                                th scope="row" { (Foreign(name)) }
                                td { (figure(result.fwhm)) }
                                td { (result.matched) }
                                td { (super::text::or_blank(Some(result.residual_px))) }
                                @if limits { td { (maybe(result.limit_magnitude)) } }
                            }
                        }
                    }
                }
            }
            (channels(comparison, names))
        }
    }
}

fn channels(comparison: &Comparison, names: &[String]) -> Markup {
    let area = match comparison.sky.in_arcsec {
        true => "square arcminute",
        false => "pixel of the first",
    };
    html! {
        details {
            summary { "By channel" }
            p {
                "Noise is of the light summed over a " (area) ", in DN of the first result; SNR \
                 is that of a star of " (plain(comparison.sky.star_flux)) " DN."
            }
            div.scroll tabindex="0" role="region" aria-label="Results by channel" {
                table {
                    thead {
                        tr {
                            th scope="col" { "Result" }
                            th scope="col" { "Channel" }
                            th scope="col" { "Noise" }
                            th scope="col" { "in a shutter minute" }
                            th scope="col" { "in a clock minute" }
                            th scope="col" { "Star SNR" }
                            th scope="col" { "Flux at 5 sigma" }
                            th scope="col" { "Scatter of colors, mag" }
                            th scope="col" { "Rests on" }
                        }
                    }
                    tbody {
                        @for (result, name) in comparison.results.iter().zip(names) {
                            @for (channel, of) in &result.channels {
                                tr {
                                    th scope="row" { (Foreign(name)) }
                                    td { (format!("{channel:?}")) }
                                    td { (figure(of.noise)) }
                                    td { (maybe(of.noise_per_shutter_minute)) }
                                    td { (maybe(of.noise_per_clock_minute)) }
                                    td { (figure(of.star_snr)) }
                                    td { (figure(of.limit_flux)) }
                                    td { (maybe(of.color_error_mag)) }
                                    td.words { (Foreign(&of.evidence)) }
                                }
                            }
                        }
                    }
                }
            }
        }
    }
}

fn notes(comparison: &Comparison) -> Markup {
    html! {
        @if !comparison.notes.is_empty() {
            section aria-labelledby="notes" {
                h2 #notes { "To know before trusting it" }
                ul { @for note in &comparison.notes { li { (Foreign(&sentence(note))) "." } } }
            }
        }
    }
}

fn figure(figure: Figure) -> String {
    with_error(figure.value, figure.error).unwrap_or_default()
}

fn maybe(known: Option<Figure>) -> String {
    known.map(figure).unwrap_or_default()
}

#[cfg(test)]
pub(super) mod tests {
    use super::*;
    use crate::comparison::ComparedResult;

    /// A result of which little is known.
    pub(in crate::page) fn compared(file: &str) -> ComparedResult {
        let nothing = Figure {
            value: f64::NAN,
            error: f64::NAN,
        };
        ComparedResult {
            file: file.to_owned(),
            kind: "picture".to_owned(),
            size: [40, 30],
            scale_arcsec: None,
            display_scale: 1.0,
            matched: 9,
            residual_px: 0.1,
            mirrored: false,
            fwhm: nothing,
            tone: nothing,
            linear: None,
            shutter_s: None,
            clock_s: None,
            shares_frames_with: Vec::new(),
            against_first: AgainstFirst {
                noise: nothing,
                star_snr: nothing,
                deeper_mag: nothing,
            },
            per_shutter_minute: None,
            per_clock_minute: None,
            limit_magnitude: None,
            channels: Default::default(),
        }
    }

    #[test]
    fn names_are_as_short_as_they_can_be_told_apart() {
        let short = |files: &[&str]| short_names(files);
        let stacks = ["/n/a/stack.fits", "/n/b/stack.fits", "/n/one.dng"];
        assert_eq!(short(&stacks), ["a/stack.fits", "b/stack.fits", "one.dng"]);
        assert_eq!(short(&["a.dng", "x/y/a.dng"]), ["a.dng", "y/a.dng"]);
        assert_eq!(short(&["a.dng", "a.dng"]), ["a.dng", "a.dng"]);
        assert_eq!(
            short(&["c:\\a\\s.fits", "c:\\b\\s.fits"]),
            ["a/s.fits", "b/s.fits"]
        );
    }
}
