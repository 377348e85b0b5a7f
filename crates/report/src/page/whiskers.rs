//! Star shape over the field: which way stars are drawn out, and how wide they are.

use super::chart::at;
use super::pictures::Pictures;
use super::text::{Foreign, or_blank, plain, sentence, with_error};
use super::upright::Upright;
use crate::figure::MEASURABLE_SIGMAS;
use crate::geometry::{Geometry, GeometryModel};
use crate::report::Report;
use crate::stars::{StarShape, StarZone, ZonePlace};
use maud::{Markup, html};

/// Width of the typical star in the chart, per width of a zone.
const TYPICAL: f64 = 0.46;
/// Length of either whisker of ellipticity 1, per width of a zone.
const WHISKER: f64 = 1.2;

pub(super) fn section(report: &Report, pictures: &Pictures) -> Markup {
    let stars = &report.stars;
    let shaped = |zone: &&StarZone| zone.single.is_some() || zone.stack.is_some();
    let zones: Vec<&StarZone> = stars.zones.iter().filter(shaped).collect();
    if zones.is_empty() || pictures.size.0 == 0 || pictures.size.1 == 0 {
        return html! {};
    }
    let upright = Upright::new(pictures.orientation, pictures.size);
    html! {
        section aria-labelledby="stars" {
            h2 #stars { "Star shape over the field" }
            figure.chart.whiskers {
                (chart(&zones, upright))
                ul.key {
                    li.frame { "one frame, wide and pale" }
                    li.stack { "stack, thin" }
                }
                figcaption {
                    p {
                        "The typical star of each ninth of the field, much enlarged, with its \
                         width at half maximum in px below: one frame, then the stack. Whiskers \
                         point along the longer axis and are longer the more drawn out the star \
                         is; they are left out where that is within "
                        (MEASURABLE_SIGMAS) " errors of round. "
                        "All lines one way are trails or shake, lines towards the middle or \
                         around it are the lens, and a stack that is wider than its frames is \
                         not well aligned."
                    }
                    p {
                        (stars.measured) " stars were measured in the frames and in the stack."
                        @if let Some(scale) = stars.arcsec_per_px {
                            @let error = stars.arcsec_per_px_error.unwrap_or(f64::NAN);
                            @if let Some(scale) = with_error(scale, error) {
                                " A pixel at the center is " (scale) " arcsec."
                            }
                        }
                    }
                }
            }
            @if !stars.findings.is_empty() {
                ul.findings {
                    @for finding in &stars.findings { li { (Foreign(&sentence(finding))) "." } }
                }
            }
            (lens(&report.geometry))
            (table(&zones))
        }
    }
}

fn fwhm(shape: &Option<StarShape>) -> Option<f64> {
    shape
        .and_then(|shape| shape.fwhm_px)
        .filter(|fwhm| fwhm.is_finite() && *fwhm > 0.0)
}

fn chart(zones: &[&StarZone], upright: Upright) -> Markup {
    let (width, height) = upright.size();
    // In units of which the chart is as wide as a phone's screen, whatever the picture's size.
    let unit = super::chart::WIDTH / width.max(height);
    let mut widths: Vec<f64> = zones
        .iter()
        .flat_map(|zone| [fwhm(&zone.single), fwhm(&zone.stack)])
        .flatten()
        .collect();
    widths.sort_by(f64::total_cmp);
    let typical = widths.get(widths.len() / 2).copied().unwrap_or(1.0);
    html! {
        svg viewBox={ "0 0 " (at(width * unit)) " " (at(height * unit)) } role="img"
            aria-label="Star shape by ninth of the field; the table has the same numbers" {
            @for zone in zones {
                @let area = upright.rectangle([zone.x0, zone.y0, zone.x1, zone.y1]);
                @let [x0, y0, x1, y1] = area.map(|px| px * unit);
                @let (cx, cy) = (0.5 * (x0 + x1), 0.5 * (y0 + y1) - 7.0);
                @let side = (x1 - x0).min(y1 - y0);
                rect.zone x=(at(x0)) y=(at(y0)) width=(at(x1 - x0)) height=(at(y1 - y0)) {}
                @if let Some(shape) = &zone.single {
                    (star(shape, (cx, cy), side, typical, upright, "frame"))
                }
                @if let Some(shape) = &zone.stack {
                    (star(shape, (cx, cy), side, typical, upright, "stack"))
                }
                text.value x=(at(cx)) y=(at(y1 - 6.0)) text-anchor="middle" {
                    (label(zone))
                }
            }
        }
    }
}

/// `2.31, 2.35`.
fn label(zone: &StarZone) -> String {
    let widths = [fwhm(&zone.single), fwhm(&zone.stack)];
    let known = widths.iter().flatten().copied().map(plain);
    known.collect::<Vec<_>>().join(", ")
}

fn star(
    shape: &StarShape,
    (cx, cy): (f64, f64),
    side: f64,
    typical: f64,
    upright: Upright,
    class: &str,
) -> Markup {
    let Some(width) = fwhm(&Some(*shape)) else {
        return html! {};
    };
    let ellipticity = shape.ellipticity.unwrap_or(0.0).clamp(0.0, 0.95);
    let radius = 0.5 * TYPICAL * side * width / typical;
    // Of equal area, whatever the ellipticity.
    let stretch = (1.0 - ellipticity).sqrt();
    let degrees = shape.direction_deg.unwrap_or(0.0);
    let (sin, cos) = degrees.to_radians().sin_cos();
    let (dx, dy) = upright.direction((cos, sin));
    let angle = dy.atan2(dx).to_degrees();
    let drawn_out = shape
        .ellipticity_error
        .is_some_and(|error| ellipticity > MEASURABLE_SIGMAS * error)
        && shape.direction_deg.is_some();
    // From the rim of the star outwards, both ways.
    let (rim, tip) = (
        radius / stretch,
        radius / stretch + WHISKER * side * ellipticity,
    );
    let place = |r: f64| format!("{} {}", at(cx + r * dx), at(cy + r * dy));
    let whiskers = [rim, -rim].map(|rim| format!("M{}L{}", place(rim), place(tip * rim.signum())));
    html! {
        ellipse class=(class) cx=(at(cx)) cy=(at(cy)) rx=(at(radius / stretch))
            ry=(at(radius * stretch))
            transform={ "rotate(" (at(angle)) " " (at(cx)) " " (at(cy)) ")" } {}
        @if drawn_out {
            path class={ "whisker " (class) } d=(whiskers.concat()) {}
        }
    }
}

/// How the frames were laid on each other.
fn lens(geometry: &Geometry) -> Markup {
    let projection = geometry.projection.as_deref().unwrap_or("unknown");
    let error = geometry.focal_error_px.unwrap_or(f64::NAN);
    html! {
        @match geometry.model {
            GeometryModel::Lens => p {
                "The frames were laid on each other by one lens and a rotation for each: "
                (Foreign(projection))
                @if let Some(focal) = geometry.focal_px.and_then(|focal| with_error(focal, error)) {
                    ", focal length " (focal) " px"
                }
                "."
            }
            GeometryModel::Homography => p {
                "The frames were laid on each other by a map of their own for each"
                @if let Some(reason) = &geometry.reason { ": " (Foreign(reason)) }
                "."
            }
        }
    }
}

fn table(zones: &[&StarZone]) -> Markup {
    let cells = |shape: &Option<StarShape>| {
        let shape = shape.unwrap_or_default();
        let of =
            |value: Option<f64>, error: Option<f64>| with_error(value?, error.unwrap_or(f64::NAN));
        html! {
            td { (of(shape.fwhm_px, shape.fwhm_error_px).unwrap_or_default()) }
            td { (of(shape.ellipticity, shape.ellipticity_error).unwrap_or_default()) }
            td { (or_blank(shape.direction_deg)) }
        }
    };
    html! {
        details {
            summary { "The same as a table" }
            p {
                "Directions are degrees from right towards down, as the sensor has them. "
                "Pixels are counted from the left and from the top."
            }
            div.scroll tabindex="0" role="region" aria-label="Star shape" {
                table {
                    thead {
                        tr {
                            th scope="col" { "Columns" }
                            th scope="col" { "Rows" }
                            th scope="col" { "Place" }
                            th scope="col" { "Stars" }
                            th scope="col" { "One frame: width, px" }
                            th scope="col" { "ellipticity" }
                            th scope="col" { "direction, °" }
                            th scope="col" { "Stack: width, px" }
                            th scope="col" { "ellipticity" }
                            th scope="col" { "direction, °" }
                        }
                    }
                    tbody {
                        @for zone in zones {
                            tr {
                                td { (zone.x0) "–" (zone.x1) }
                                td { (zone.y0) "–" (zone.y1) }
                                td {
                                    @match zone.place {
                                        ZonePlace::Center => "center",
                                        ZonePlace::Edge => "edge",
                                        ZonePlace::Corner => "corner",
                                    }
                                }
                                td { (zone.measured) }
                                (cells(&zone.single))
                                (cells(&zone.stack))
                            }
                        }
                    }
                }
            }
        }
    }
}
