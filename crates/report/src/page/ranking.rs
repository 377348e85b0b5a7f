//! Ways of shooting in the order of their noise, with error bars.

use super::chart::{Scale, WIDTH, at, column_tick, round_ticks};
use super::text::{Foreign, tick, with_error};
use crate::comparison::{Comparison, ratio_of};
use crate::figure::{Figure, MEASURABLE_SIGMAS};
use maud::{Markup, html};

const LEFT: f64 = 14.0;
const RIGHT: f64 = 14.0;
const TOP: f64 = 8.0;
const ROW: f64 = 40.0;

/// By what time noise is charged.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Charged {
    /// As the results are, whatever they took.
    AsTheyAre,
    /// For the same time with the shutter open.
    Shutter,
    /// For the same time on the clock.
    Clock,
}

/// A result in its place.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Ranked {
    /// Its index.
    pub result: usize,
    /// 1 is least noise; one more than the number of results that are measurably better.
    pub rank: usize,
    /// Noise over that of the best.
    pub over_best: Figure,
}

/// The results by rising noise at equal field of view; those whose noise or time is not known
/// are not among them.
pub(super) fn ranking(comparison: &Comparison, charged: Charged) -> Vec<Ranked> {
    let seconds = |k: usize| match charged {
        Charged::AsTheyAre => Some(1.0),
        Charged::Shutter => comparison.results[k].shutter_s,
        Charged::Clock => comparison.results[k].clock_s,
    };
    // Noise falls as the root of time.
    let over = |of: usize, over: usize| -> Option<Figure> {
        let root = (seconds(of)? / seconds(over)?).sqrt();
        let ratio = match of == over {
            true => Figure {
                value: 1.0,
                error: 0.0,
            },
            false => ratio_of(&comparison.noise_ratios, of, over)?.times(root),
        };
        (ratio.value.is_finite() && ratio.error.is_finite()).then_some(ratio)
    };
    let n = comparison.results.len();
    // One of which nothing is known against any other is not in it.
    let known: Vec<usize> = (0..n)
        .filter(|&k| (0..n).any(|other| other != k && over(k, other).is_some()))
        .collect();
    let Some(&first) = known.first() else {
        return Vec::new();
    };
    let value = |k: usize| over(k, first).map_or(f64::NAN, |ratio| ratio.value);
    let mut order: Vec<usize> = known
        .into_iter()
        .filter(|&k| value(k).is_finite())
        .collect();
    order.sort_by(|&a, &b| value(a).total_cmp(&value(b)));
    let Some(&best) = order.first() else {
        return Vec::new();
    };
    let worse = |k: usize, than: usize| {
        over(k, than).is_some_and(|ratio| ratio.value > 1.0 && ratio.differs_from_one())
    };
    let ranked = order.iter().filter_map(|&k| {
        let better = order.iter().filter(|&&other| other != k && worse(k, other));
        Some(Ranked {
            result: k,
            rank: 1 + better.count(),
            over_best: over(k, best)?,
        })
    });
    ranked.collect()
}

pub(super) fn section(comparison: &Comparison, names: &[String]) -> Markup {
    let rankings = [
        (Charged::AsTheyAre, "As they are"),
        (Charged::Shutter, "For the same time with the shutter open"),
        (Charged::Clock, "For the same time on the clock"),
    ];
    let rankings = rankings.map(|(charged, title)| (title, ranking(comparison, charged)));
    html! {
        section aria-labelledby="ranking" {
            h2 #ranking { "Who has the least noise" }
            p {
                "Noise at equal field of view over that of the best, with a bar of one standard \
                 error each way; less is better. Results that differ by less than "
                (MEASURABLE_SIGMAS) " standard errors share a rank. Time is charged as noise \
                 pays it: four times the minutes, half the noise."
            }
            div.charts {
                @for (title, ranking) in &rankings {
                    @if ranking.len() > 1 {
                        figure.chart {
                            h3 { (title) }
                            (chart(title, ranking, names))
                        }
                    }
                }
            }
            @if rankings[0].1.len() < 2 {
                p { "The noise of the results could not be compared." }
            } @else if rankings[2].1.len() < 2 {
                p {
                    "Nothing is ranked per minute where times are not known; "
                    span.file { "--exposures" } " states them."
                }
            }
        }
    }
}

fn chart(title: &str, ranking: &[Ranked], names: &[String]) -> Markup {
    let ends = ranking.iter().map(|ranked| {
        let Figure { value, error } = ranked.over_best;
        (value - error, value + error)
    });
    let least = ends.clone().map(|(low, _)| low).fold(1.0, f64::min);
    let most = ends.map(|(_, high)| high).fold(1.0, f64::max);
    let margin = (0.06 * (most - least)).max(0.01);
    let x = Scale::straight((least - margin, most + margin), (LEFT, WIDTH - RIGHT));
    let height = TOP + ROW * ranking.len() as f64 + 34.0;
    let bottom = height - 34.0;
    html! {
        svg viewBox={ "0 0 " (at(WIDTH)) " " (at(height)) } role="img"
            aria-label={ (title) ": noise over that of the best" } {
            @for value in round_ticks(least - margin, most + margin) {
                (column_tick(TOP, bottom, x.place(value), &tick(value)))
            }
            @for (i, ranked) in ranking.iter().enumerate() {
                @let y = TOP + ROW * i as f64;
                @let Figure { value, error } = ranked.over_best;
                @let place = x.place(value);
                text.name x=(at(LEFT)) y=(at(y + 13.0)) {
                    (ranked.rank) ". " (Foreign(&fitting(&names[ranked.result]))) ": "
                    (with_error(value, error).unwrap_or_default())
                }
                line.error x1=(at(x.place(value - error))) x2=(at(x.place(value + error)))
                    y1=(at(y + 26.0)) y2=(at(y + 26.0)) {}
                circle.dot cx=(at(place)) cy=(at(y + 26.0)) r="4" {}
            }
            text.axis x=(at(0.5 * WIDTH)) y=(at(height - 4.0)) text-anchor="middle" {
                "noise over that of the best"
            }
        }
    }
}

/// The end of a name, as much of it as a chart has room for.
fn fitting(name: &str) -> String {
    const MOST: usize = 34;
    let n = name.chars().count();
    match n > MOST {
        true => std::iter::once('…')
            .chain(name.chars().skip(n - MOST + 1))
            .collect(),
        false => name.to_owned(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::comparison::NoiseRatio;
    use crate::page::comparison::tests::compared;

    fn three() -> Comparison {
        let ratio = |of, over, value, error| NoiseRatio {
            of,
            over,
            ratio: Figure { value, error },
            measurable: true,
        };
        let mut comparison = Comparison {
            results: ["a", "b", "c"].map(compared).into(),
            noise_ratios: vec![
                ratio(0, 1, 2.0, 0.02),
                ratio(0, 2, 1.98, 0.02),
                ratio(1, 2, 0.99, 0.01),
            ],
            ..Comparison::default()
        };
        for (result, clock_s) in comparison.results.iter_mut().zip([60.0, 480.0, 60.0]) {
            result.clock_s = Some(clock_s);
        }
        comparison
    }

    #[test]
    fn what_cannot_be_told_apart_shares_a_rank() {
        let ranking = ranking(&three(), Charged::AsTheyAre);
        let ranks: Vec<_> = ranking.iter().map(|r| (r.result, r.rank)).collect();
        assert_eq!(ranks, [(1, 1), (2, 1), (0, 3)]);
        assert_eq!(ranking[2].over_best.value, 2.0);
    }

    #[test]
    fn time_is_paid_by_its_root() {
        let ranking = ranking(&three(), Charged::Clock);
        let ranks: Vec<_> = ranking.iter().map(|r| (r.result, r.rank)).collect();
        assert_eq!(ranks, [(2, 1), (0, 2), (1, 3)]);
        let over_best = ranking[2].over_best.value;
        assert!((over_best - 0.99 * 8f64.sqrt()).abs() < 1e-12);
    }

    #[test]
    fn what_is_not_known_is_not_ranked() {
        assert!(ranking(&three(), Charged::Shutter).is_empty());
        let mut comparison = three();
        for pair in &mut comparison.noise_ratios[1..] {
            pair.ratio.value = f64::NAN;
        }
        let ranking = ranking(&comparison, Charged::AsTheyAre);
        assert_eq!(ranking.iter().map(|r| r.result).collect::<Vec<_>>(), [1, 0]);
    }
}
