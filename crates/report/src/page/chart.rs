//! What the charts share: a size that is readable on a phone, and scales with ticks.

use maud::{Markup, html};

/// Width of a chart in its own units: about the points of a phone's screen, so that its
/// texts are as large there as they are drawn.
pub(super) const WIDTH: f64 = 360.0;

/// A place in a chart, to a hundredth.
pub(super) fn at(value: f64) -> String {
    let text = format!("{value:.2}");
    let text = text.trim_end_matches('0').trim_end_matches('.');
    // Bytes must not depend on the sign of a rounded zero.
    (if text == "-0" { "0" } else { text }).to_owned()
}

/// From values to places, straight or by logarithm.
#[derive(Clone, Copy, Debug)]
pub(super) struct Scale {
    from: (f64, f64),
    to: (f64, f64),
    logarithmic: bool,
}

impl Scale {
    /// - `from`: the values at both ends, which differ.
    /// - `to`: their places.
    pub fn straight(from: (f64, f64), to: (f64, f64)) -> Self {
        Self {
            from,
            to,
            logarithmic: false,
        }
    }

    /// The same by logarithm: equal ratios are equal distances.
    pub fn logarithmic(from: (f64, f64), to: (f64, f64)) -> Self {
        Self {
            from: (from.0.ln(), from.1.ln()),
            to,
            logarithmic: true,
        }
    }

    /// The place of a value; those outside lie outside.
    pub fn place(&self, value: f64) -> f64 {
        let value = if self.logarithmic { value.ln() } else { value };
        let share = (value - self.from.0) / (self.from.1 - self.from.0);
        self.to.0 + share * (self.to.1 - self.to.0)
    }
}

/// Whole powers of two from `least` to `most`, both included where they are ones.
pub(super) fn powers_of_two(least: f64, most: f64) -> Vec<f64> {
    let powers = (-20..=20).map(|power| 2f64.powi(power));
    powers.filter(|p| (least..=most).contains(p)).collect()
}

/// Some four to eight round numbers from `least` to `most`.
pub(super) fn round_ticks(least: f64, most: f64) -> Vec<f64> {
    let span = most - least;
    if !span.is_finite() || span <= 0.0 {
        return Vec::new();
    }
    let unit = 10f64.powf((span / 4.0).log10().floor());
    let steps = [1.0, 2.0, 5.0, 10.0].map(|times| times * unit);
    let step = steps.into_iter().rev().find(|step| span / step >= 4.0);
    let step = step.unwrap_or(unit);
    let (first, last) = ((least / step).ceil() as i64, (most / step).floor() as i64);
    (first..=last).map(|i| i as f64 * step).collect()
}

/// A line along a value of the y axis, with its label on the left.
pub(super) fn row_tick(left: f64, right: f64, y: f64, label: &str) -> Markup {
    html! {
        line.grid x1=(at(left)) x2=(at(right)) y1=(at(y)) y2=(at(y)) {}
        text.tick x=(at(left - 5.0)) y=(at(y + 3.5)) text-anchor="end" { (label) }
    }
}

/// A line along a value of the x axis, with its label below.
pub(super) fn column_tick(top: f64, bottom: f64, x: f64, label: &str) -> Markup {
    html! {
        line.grid x1=(at(x)) x2=(at(x)) y1=(at(top)) y2=(at(bottom)) {}
        text.tick x=(at(x)) y=(at(bottom + 13.0)) text-anchor="middle" { (label) }
    }
}

/// A value with its error: a dot, and a bar of one standard error each way along y.
pub(super) fn dot_with_error(x: f64, y: f64, low: f64, high: f64) -> Markup {
    html! {
        line.error x1=(at(x)) x2=(at(x)) y1=(at(low)) y2=(at(high)) {}
        circle.dot cx=(at(x)) cy=(at(y)) r="3" {}
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn places_follow_values() {
        let straight = Scale::straight((10.0, 20.0), (100.0, 0.0));
        assert_eq!(
            [10.0, 12.5, 20.0].map(|v| straight.place(v)),
            [100.0, 75.0, 0.0]
        );
        let log = Scale::logarithmic((1.0, 16.0), (0.0, 4.0));
        for (value, want) in [(1.0, 0.0), (2.0, 1.0), (8.0, 3.0), (16.0, 4.0)] {
            assert!((log.place(value) - want).abs() < 1e-12);
        }
        assert_eq!([at(1.0), at(-0.001), at(2.345)], ["1", "0", "2.35"]);
    }

    #[test]
    fn ticks_are_round_and_inside() {
        assert_eq!(powers_of_two(1.0, 5.0), [1.0, 2.0, 4.0]);
        assert_eq!(
            round_ticks(17.0, 20.0),
            [17.0, 17.5, 18.0, 18.5, 19.0, 19.5, 20.0]
        );
        assert_eq!(round_ticks(0.0, 20.0), [0.0, 5.0, 10.0, 15.0, 20.0]);
        assert!(round_ticks(5.0, 5.0).is_empty() && round_ticks(f64::NAN, 1.0).is_empty());
    }
}
