//! Where the frames went, factor by factor, and what a frame's noise is made of.

use super::chart::{Scale, WIDTH, at, column_tick, round_ticks};
use super::text::{or_blank, plain, tick, with_error};
use crate::noise::{Budget, Part};
use crate::report::Report;
use crate::sensor::SensorLight;
use maud::{Markup, html};

const LEFT: f64 = 118.0;
const RIGHT: f64 = 46.0;
const TOP: f64 = 6.0;
const ROW: f64 = 22.0;
const BAR: f64 = 12.0;

/// Losses below this many frames are drawn as none.
const NOTHING: f64 = 0.005;

/// A factor of the budget.
struct Factor {
    name: &'static str,
    why: &'static str,
    of: fn(&Budget) -> f64,
}

const FACTORS: [Factor; 8] = [
    Factor {
        name: "reach",
        why: "frames that do not reach all of a region",
        of: |budget| budget.coverage,
    },
    Factor {
        name: "weights",
        why: "unequal weights, but for those that follow transparency",
        of: |budget| budget.unequal_weights,
    },
    Factor {
        name: "unequal frames",
        why: "frames noisier or quieter than the typical one",
        of: |budget| budget.unequal_lights,
    },
    Factor {
        name: "cloud and haze",
        why: "frames whose stars are dimmer than in the typical one",
        of: |budget| budget.transparency,
    },
    Factor {
        name: "rejected",
        why: "samples that were clipped",
        of: |budget| budget.rejected_samples,
    },
    Factor {
        name: "way to combine",
        why: "the estimator's own price: a median's, or a clip's beyond the samples it takes",
        of: |budget| budget.estimator,
    },
    Factor {
        name: "fixed pattern",
        why: "what the sensor repeats in every frame, as far as halves of the stack show it",
        of: |budget| budget.pattern,
    },
    Factor {
        name: "unexplained",
        why: "what none of the others explains, chance included; it may be a gain",
        of: |budget| budget.unexplained,
    },
];

pub(super) fn section(report: &Report) -> Markup {
    let typical = typical(report);
    let parts = parts_of_light(report);
    if typical.is_none() && parts.is_empty() {
        return html! {};
    }
    html! {
        section aria-labelledby="budget" {
            h2 #budget { "Where the frames went" }
            @if let Some(typical) = &typical { (waterfall(report, typical)) }
            @if !parts.is_empty() { (light_table(&parts)) }
        }
    }
}

/// The budget of the typical region.
struct Typical {
    /// By factor of [`FACTORS`].
    factors: Vec<f64>,
    borrowed: f64,
    /// Budgets it is the mean of.
    n: usize,
    part: Part,
}

/// Geometric means over regions and channels, which leaves products what they are. The sky's,
/// where there is any.
fn typical(report: &Report) -> Option<Typical> {
    let n_frames = report.noise.summary.frames_used;
    let budgets = |part: Part| -> Vec<&Budget> {
        let regions = report.noise.regions.iter();
        let channels = regions
            .filter(|region| region.part == part)
            .flat_map(|region| region.channels.values());
        let known = |budget: &&Budget| FACTORS.iter().all(|f| (f.of)(budget) > 0.0);
        channels
            .map(|channel| &channel.budget)
            .filter(known)
            .collect()
    };
    let (part, budgets) = match budgets(Part::Sky) {
        sky if sky.is_empty() => (Part::Ground, budgets(Part::Ground)),
        sky => (Part::Sky, sky),
    };
    if budgets.is_empty() || n_frames < 2 {
        return None;
    }
    let mean = |of: &dyn Fn(&Budget) -> f64| {
        let logarithms = budgets.iter().map(|budget| of(budget).ln());
        (logarithms.sum::<f64>() / budgets.len() as f64).exp()
    };
    let factors: Vec<f64> = FACTORS
        .iter()
        .map(|factor| mean(&|b| (factor.of)(b)))
        .collect();
    let finite = factors.iter().all(|factor| factor.is_finite());
    finite.then(|| Typical {
        factors,
        borrowed: mean(&|b| b.borrowed),
        n: budgets.len(),
        part,
    })
}

/// A step of the chart: how many frames are left before and after it.
struct Step {
    name: &'static str,
    before: f64,
    after: f64,
}

fn waterfall(report: &Report, typical: &Typical) -> Markup {
    let n = f64::from(report.noise.summary.frames_used);
    let mut left = n;
    let steps: Vec<Step> = FACTORS
        .iter()
        .zip(&typical.factors)
        .map(|(factor, gain)| {
            let before = left;
            // A gain is the root of a number of frames.
            left *= gain * gain;
            Step {
                name: factor.name,
                before,
                after: left,
            }
        })
        .collect();
    let what = match typical.part {
        Part::Sky => "sky",
        Part::Ground => "ground",
    };
    html! {
        figure.chart {
            (bars(n, &steps))
            figcaption {
                p {
                    "From the N frames used down to what the typical region of the " (what)
                    " is worth: geometric mean of " (typical.n)
                    " budgets, one for each region and channel. It may differ a little from the \
                     worth of the whole. The parts have no errors of their own; together they \
                     are as certain as the worth is."
                    @if borrowed(typical) {
                        " At 100 % the stack looks less noisy than it is over areas, by a factor \
                         of "
                        (plain(1.0 / typical.borrowed))
                        ": demosaicing and resampling borrow from neighboring pixels. That is \
                         not in it, since a single frame borrows alike."
                    }
                }
            }
        }
        details {
            summary { "What the parts mean, as a table" }
            div.scroll tabindex="0" role="region" aria-label="Noise budget" {
                table {
                    thead {
                        tr {
                            th scope="col" { "Part" }
                            th scope="col" { "Frames" }
                            th scope="col" { "Factor of the gain" }
                            th scope="col" { "What it is" }
                        }
                    }
                    tbody {
                        @for ((factor, gain), step) in
                            FACTORS.iter().zip(&typical.factors).zip(&steps) {
                            tr {
                                td { (factor.name) }
                                td { (change(step)) }
                                td { (format!("{gain:.4}")) }
                                td.words { (factor.why) }
                            }
                        }
                    }
                }
            }
        }
    }
}

fn borrowed(typical: &Typical) -> bool {
    typical.borrowed.is_finite() && typical.borrowed > 0.0 && typical.borrowed < 0.995
}

/// `−0.31`, with the sign that a change has.
fn change(step: &Step) -> String {
    let change = step.after - step.before;
    match change.abs() < NOTHING {
        true => "0".to_owned(),
        false => format!("{change:+.2}").replace('-', "−"),
    }
}

fn bars(n: f64, steps: &[Step]) -> Markup {
    let worth = steps.last().map_or(n, |step| step.after);
    let counts = steps.iter().map(|step| step.after);
    let least = counts.clone().fold(n, f64::min);
    let most = counts.fold(n, f64::max);
    // Small losses are seen only on a part of the axis, which is then said.
    let cut = least > 0.75 * most;
    let from = if cut {
        (least - (most - least).max(0.02 * most)).max(0.0)
    } else {
        0.0
    };
    let height = TOP + ROW * (steps.len() as f64 + 2.0) + 36.0;
    let bottom = height - 36.0;
    let x = Scale::straight((from, most), (LEFT, WIDTH - RIGHT));
    let row = |i: usize| TOP + ROW * i as f64;
    html! {
        svg viewBox={ "0 0 " (at(WIDTH)) " " (at(height)) } role="img"
            aria-label={ "From " (plain(n)) " frames to a worth of " (plain(worth))
                         ", part by part; the table has the same numbers" } {
            @for value in round_ticks(from, most) {
                (column_tick(TOP, bottom, x.place(value), &tick(value)))
            }
            (bar(row(0), "frames used", (x.place(from), x.place(n)), &plain(n), "whole"))
            @for (i, step) in steps.iter().enumerate() {
                @let (a, b) = (x.place(step.before), x.place(step.after));
                @let class = if step.after > step.before { "gained" } else { "lost" };
                (bar(row(i + 1), step.name, (a.min(b), a.max(b)), &change(step), class))
            }
            @let end = (x.place(from), x.place(worth));
            (bar(row(steps.len() + 1), "worth", end, &plain(worth), "whole"))
            text.axis x=(at(0.5 * (LEFT + WIDTH - RIGHT))) y=(at(height - 5.0))
                text-anchor="middle" {
                "frames" @if cut { "; the axis does not begin at 0" }
            }
        }
    }
}

fn bar(y: f64, name: &str, (from, to): (f64, f64), value: &str, class: &str) -> Markup {
    let text = y + 0.5 * ROW + 3.5;
    html! {
        text.name x=(at(LEFT - 8.0)) y=(at(text)) text-anchor="end" { (name) }
        rect class={ "bar " (class) } x=(at(from)) y=(at(y + 0.5 * (ROW - BAR)))
            width=(at((to - from).max(1.0))) height=(at(BAR)) {}
        text.value x=(at(to + 5.0)) y=(at(text)) { (value) }
    }
}

/// The parts of a light's noise by channel, where they are known.
fn parts_of_light(report: &Report) -> Vec<(String, SensorLight)> {
    let sensor = report.noise.sensor.iter();
    let known = sensor.filter_map(|(channel, sensor)| {
        let light = sensor.light.filter(|light| light.shot_e.is_some())?;
        Some((format!("{channel:?}"), light))
    });
    known.collect()
}

fn light_table(parts: &[(String, SensorLight)]) -> Markup {
    let share = |part: Option<f64>, of: &SensorLight| {
        let all = [of.shot_e, of.read_e, of.dark_e, of.quantization_e];
        let sum: f64 = all.iter().flatten().map(|e| e * e).sum();
        part.filter(|_| sum > 0.0)
            .map_or(String::new(), |e| format!("{:.0} %", 100.0 * e * e / sum))
    };
    html! {
        h3 { "What the noise of one frame is made of" }
        p {
            "Noise of a photosite of the typical light, in electrons. Squares add up, so the \
             shares are of the squares. Where shot noise of the sky has nearly all of it, longer \
             exposures bring no more than as many shorter ones of the same total."
        }
        div.scroll tabindex="0" role="region" aria-label="Noise of one frame" {
            table {
                thead {
                    tr {
                        th scope="col" { "Channel" }
                        th scope="col" { "All, measured" }
                        th scope="col" { "Shot noise of the light" }
                        th scope="col" { "Read noise" }
                        th scope="col" { "Dark current" }
                        th scope="col" { "Rounding" }
                    }
                }
                tbody {
                    @for (channel, light) in parts {
                        tr {
                            th scope="row" { (channel) }
                            td {
                                @if let Some(all) = light.total_e {
                                    (with_error(all.value, all.error).unwrap_or_default())
                                }
                            }
                            @for part in
                                [light.shot_e, light.read_e, light.dark_e, light.quantization_e] {
                                td { (or_blank(part)) " " span.soft { (share(part, light)) } }
                            }
                        }
                    }
                }
            }
        }
    }
}
