//! How the gain grows with the number of frames, against √N.

use super::chart::{Scale, WIDTH, at, column_tick, dot_with_error, powers_of_two, row_tick};
use super::text::{plain, tick, with_error};
use crate::noise::{Growth, GrowthPoint};
use crate::report::Report;
use maud::{Markup, html};

const HEIGHT: f64 = 250.0;
const LEFT: f64 = 34.0;
const RIGHT: f64 = 14.0;
const TOP: f64 = 14.0;
const BOTTOM: f64 = 40.0;

pub(super) fn section(report: &Report) -> Markup {
    let growth = &report.noise.summary.growth;
    let known = |point: &&GrowthPoint| point.n > 0 && point.gain.is_finite() && point.gain > 0.0;
    let points: Vec<GrowthPoint> = growth.points.iter().filter(known).copied().collect();
    if points.len() < 2 {
        return html! {};
    }
    html! {
        section aria-labelledby="growth" {
            h2 #growth { "Gain with every frame" }
            figure.chart {
                (chart(&points))
                figcaption {
                    p {
                        "Each dot is the gain of a mean of some of your frames, with a bar of one \
                         standard error each way; the last is the stack. The dashed line is √N, \
                         the best that independent frames can do. Both axes are logarithmic, so \
                         that √N is straight: where the dots bend away from it, further frames \
                         bring less."
                    }
                    p { (outlook(growth)) }
                }
            }
            (table(&points))
        }
    }
}

fn chart(points: &[GrowthPoint]) -> Markup {
    let first = f64::from(points[0].n);
    let last = f64::from(points[points.len() - 1].n);
    let gains = points.iter().map(|point| point.gain);
    let least = gains.clone().fold(first.sqrt(), f64::min);
    let most = gains.fold(last.sqrt(), f64::max);
    let x = Scale::logarithmic((first * 0.92, last * 1.08), (LEFT, WIDTH - RIGHT));
    let y = Scale::logarithmic((least * 0.9, most * 1.1), (HEIGHT - BOTTOM, TOP));
    let bottom = HEIGHT - BOTTOM;
    let halves = |least: f64, most: f64| {
        let ticks = powers_of_two(least, most);
        match ticks.len() {
            // A narrow range may hold no power of two.
            0 | 1 => vec![least, most],
            _ => ticks,
        }
    };
    let path = points.iter().enumerate().map(|(i, point)| {
        let letter = if i == 0 { "M" } else { "L" };
        let (x, y) = (x.place(f64::from(point.n)), y.place(point.gain));
        format!("{letter}{} {}", at(x), at(y))
    });
    let path: String = path.collect();
    let title = format!("Gain against number of frames, from {first} to {last}; √N for comparison");
    html! {
        svg viewBox={ "0 0 " (at(WIDTH)) " " (at(HEIGHT)) } role="img" aria-label=(title) {
            @for at in halves(first, last) {
                (column_tick(TOP, bottom, x.place(at), &tick(at)))
            }
            @for at in halves(least, most) {
                (row_tick(LEFT, WIDTH - RIGHT, y.place(at), &tick(at)))
            }
            line.ideal x1=(at(x.place(first))) y1=(at(y.place(first.sqrt())))
                x2=(at(x.place(last))) y2=(at(y.place(last.sqrt()))) {}
            path.measured d=(path) {}
            @for point in points {
                @let n = x.place(f64::from(point.n));
                @let error = if point.error.is_finite() { point.error } else { 0.0 };
                @let low = (point.gain - error).max(0.5 * least);
                (dot_with_error(n, y.place(point.gain), y.place(low), y.place(point.gain + error)))
            }
            @let middle = (first * last).sqrt();
            text.label x=(at(x.place(middle) - 6.0)) y=(at(y.place(middle.sqrt()) - 8.0))
                text-anchor="end" { "√N" }
            @let end = (x.place(last) - 4.0, below_curve(points, &x, &y).min(bottom - 6.0));
            text.label x=(at(end.0)) y=(at(end.1)) text-anchor="end" {
                (plain(points[points.len() - 1].gain)) " with all"
            }
            text.axis x=(at(0.5 * (LEFT + WIDTH - RIGHT))) y=(at(HEIGHT - 6.0))
                text-anchor="middle" { "frames" }
            text.axis x="0" y="9" { "times less noise" }
        }
    }
}

/// Height of a text that ends at the last point and stays below the curve, which comes from
/// below on the left.
fn below_curve(points: &[GrowthPoint], x: &Scale, y: &Scale) -> f64 {
    const TEXT: (f64, f64) = (76.0, 14.0);
    let place = |point: &GrowthPoint| (x.place(f64::from(point.n)), y.place(point.gain));
    let end = place(&points[points.len() - 1]);
    let start = end.0 - TEXT.0;
    let crossings = points.windows(2).map(|two| {
        let (a, b) = (place(&two[0]), place(&two[1]));
        let share = ((start - a.0) / (b.0 - a.0).max(1.0)).clamp(0.0, 1.0);
        // Above the text only what is right of its start.
        match b.0 > start {
            true => (a.1 + share * (b.1 - a.1)).max(b.1),
            false => f64::NEG_INFINITY,
        }
    });
    crossings.fold(end.1, f64::max) + TEXT.1
}

/// What more frames would bring.
fn outlook(growth: &Growth) -> Markup {
    let error = |error: Option<f64>| error.unwrap_or(f64::NAN);
    let figure = |value: Option<f64>, of: Option<f64>| with_error(value?, error(of));
    let floor = growth.floor.filter(|floor| floor.is_finite());
    html! {
        @match floor {
            None => "There are too few frames to say what more of them would bring. ",
            Some(floor) => {
                @let text = with_error(100.0 * floor, 100.0 * error(growth.floor_error));
                "Of a single frame's noise "
                (text.unwrap_or_default())
                " % does not average out, however many frames there are. "
            }
        }
        @if let Some(frames) = figure(growth.frames_to_halve, growth.frames_to_halve_error) {
            "Half the noise of this stack would take " strong { (frames) } " frames in all. "
        } @else if floor.is_some() {
            "No number of frames like these would halve the noise of this stack. "
        }
        @if let Some(frames) = figure(growth.stops_paying_at, growth.stops_paying_at_error) {
            "From " strong { (frames) } " frames on, twice as many lower the noise by less than \
             a tenth. "
        }
        @if !growth.includes_pattern {
            "This is about random noise alone: a fixed pattern of the sensor is not in it."
        }
    }
}

fn table(points: &[GrowthPoint]) -> Markup {
    html! {
        details {
            summary { "The same as a table" }
            div.scroll tabindex="0" role="region" aria-label="Gain by number of frames" {
                table {
                    thead {
                        tr {
                            th scope="col" { "Frames" }
                            th scope="col" { "Gain" }
                            th scope="col" { "√N" }
                        }
                    }
                    tbody {
                        @for point in points {
                            tr {
                                td { (point.n) }
                                td { (with_error(point.gain, point.error).unwrap_or_default()) }
                                td { (plain(f64::from(point.n).sqrt())) }
                            }
                        }
                    }
                }
            }
        }
    }
}
