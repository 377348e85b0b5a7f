//! Texts and numbers on a page.

use maud::{Escaper, Render};
use std::fmt::Write;

/// A text that is not ours: a file name, what a file says, an error of a decoder.
///
/// It is shown and never obeyed: markup is escaped, and what could not be seen or would
/// reorder the text around it (controls, marks of direction) is written as its number.
pub(super) struct Foreign<'a>(pub &'a str);

impl Render for Foreign<'_> {
    fn render_to(&self, page: &mut String) {
        for c in self.0.chars() {
            if is_hidden(c) {
                page.extend(c.escape_unicode());
            } else {
                // Writing to a string cannot fail.
                let _ = Escaper::new(page).write_char(c);
            }
        }
    }
}

fn is_hidden(c: char) -> bool {
    // Marks, embeddings, overrides and isolates of direction (Unicode Standard Annex #9), and
    // what has no width.
    const HIDDEN: [std::ops::RangeInclusive<char>; 4] = [
        '\u{200b}'..='\u{200f}',
        '\u{2028}'..='\u{202e}',
        '\u{2060}'..='\u{2069}',
        '\u{feff}'..='\u{feff}',
    ];
    c.is_control() || HIDDEN.iter().any(|range| range.contains(&c)) || is_noncharacter(c)
}

/// Code points that a page may not hold (HTML Standard, 13.2.3.5).
fn is_noncharacter(c: char) -> bool {
    let code = u32::from(c);
    (0xfdd0..=0xfdef).contains(&code) || code & 0xfffe == 0xfffe
}

/// `4.38 ± 0.02`, with two digits of the error; without one that is not known, the value
/// alone. `None` where there is no value.
pub(super) fn with_error(value: f64, error: f64) -> Option<String> {
    if !value.is_finite() {
        return None;
    }
    if !error.is_finite() || error <= 0.0 {
        return Some(plain(value));
    }
    let digits = (1.0 - error.log10().floor()).clamp(0.0, 6.0) as usize;
    Some(format!("{value:.digits$} ± {error:.digits$}").replace('-', "−"))
}

/// A number with about three digits.
pub(super) fn plain(value: f64) -> String {
    let digits = match value.abs() {
        v if v >= 99.95 => 0,
        v if v >= 9.995 => 1,
        v if v >= 0.0995 || v == 0.0 => 2,
        _ => 4,
    };
    format!("{value:.digits$}").replace('-', "−")
}

/// A number that may be missing, as a table shows it.
pub(super) fn or_blank(value: Option<f64>) -> String {
    value
        .filter(|value| value.is_finite())
        .map_or(String::new(), plain)
}

/// A value at an axis: no digits that say nothing.
pub(super) fn tick(value: f64) -> String {
    let text = plain(value);
    match text.contains('.') {
        true => text.trim_end_matches('0').trim_end_matches('.').to_owned(),
        false => text,
    }
}

/// A text with a capital at its beginning, unless that is the name of a file.
pub(super) fn sentence(text: &str) -> String {
    if begins_with_file(text) {
        return text.to_owned();
    }
    let mut chars = text.chars();
    match chars.next() {
        Some(first) => first.to_uppercase().chain(chars).collect(),
        None => String::new(),
    }
}

/// Whether a text begins with something that has the parts of a path or of a file's name;
/// names with spaces are known by the colon behind them.
fn begins_with_file(text: &str) -> bool {
    let word = text.split_whitespace().next().unwrap_or_default();
    let before_colon = text.split_once(": ").map_or("", |(before, _)| before);
    let is_file = |text: &str| {
        let extension = text.trim_end_matches([':', ',', '.']).split('.').nth(1);
        text.contains(['/', '\\']) || extension.is_some_and(|extension| !extension.is_empty())
    };
    is_file(word) || is_file(before_colon)
}

/// `1 frame`, `20 frames`.
pub(super) fn count(n: usize, what: &str) -> String {
    match n {
        1 => format!("1 {what}"),
        n => format!("{n} {what}s"),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use maud::html;

    #[track_caller]
    fn check(text: &str, want: &str) {
        assert_eq!(html! { (Foreign(text)) }.into_string(), want);
    }

    #[test]
    fn sentences_have_a_capital_but_files_keep_their_name() {
        assert_eq!(sentence("few frames: clip less."), "Few frames: clip less.");
        assert_eq!(sentence("ålesund"), "Ålesund");
        assert_eq!(sentence(""), "");
        let files = [
            "demo/result/stack.fits: exposures are not stated",
            "stack.fits shares frames with another",
            "nights\\a: the curve was undone",
            "my night/stack.fits: the curve was undone",
        ];
        for text in files {
            assert_eq!(sentence(text), text);
        }
    }

    #[test]
    fn markup_is_shown() {
        check("nächte/0412.dng", "nächte/0412.dng");
        check(
            "<script>alert(\"1\")</script>&'",
            "&lt;script&gt;alert(&quot;1&quot;)&lt;/script&gt;&amp;'",
        );
        check("</title><!--", "&lt;/title&gt;&lt;!--");
    }

    #[test]
    fn what_cannot_be_seen_is_named() {
        check("a\nb\u{0}\u{1b}", "a\\u{a}b\\u{0}\\u{1b}");
        check("gnd.\u{202e}gpj", "gnd.\\u{202e}gpj");
        check("\u{ffff}\u{fdd0}", "\\u{ffff}\\u{fdd0}");
        check("\u{fffd}", "\u{fffd}");
    }

    #[test]
    fn numbers_have_the_digits_that_their_error_bears() {
        assert_eq!(with_error(4.3812, 0.0213).unwrap(), "4.381 ± 0.021");
        assert_eq!(with_error(-123.4, 12.0).unwrap(), "−123 ± 12");
        assert_eq!(with_error(4.3812, f64::NAN).unwrap(), "4.38");
        assert_eq!(with_error(f64::NAN, 0.1), None);
        let some = [0.0, 0.012345, 0.5, 12.34, 4096.0].map(plain);
        assert_eq!(some, ["0.00", "0.0123", "0.50", "12.3", "4096"]);
        assert_eq!(or_blank(Some(f64::NAN)), "");
        assert_eq!([16.0, 0.5, 100.0, 0.0].map(tick), ["16", "0.5", "100", "0"]);
    }
}
