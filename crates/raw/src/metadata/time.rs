//! Moments as EXIF and FITS write them.

use crate::CaptureTime;
use jiff::civil::DateTime;

/// Finest step of the clock that is kept, s.
const NANOSECOND_S: f64 = 1e-9;

/// A moment from `YYYY:MM:DD HH:MM:SS[.fff]` with any separators.
///
/// `sub_seconds` are decimals after the point ("05" is 0.05 s), `offset` is `+HH:MM` or
/// `Z`. `None` when it is no date; clocks that were never set write zeros.
pub(crate) fn parse_time(
    stated: &str,
    sub_seconds: Option<&str>,
    offset: Option<&str>,
) -> Option<CaptureTime> {
    let (stated, within) = match stated.split_once('.') {
        Some((whole, decimals)) => (whole, Some(decimals)),
        None => (stated, None),
    };
    let mut fields = stated
        .split(|c: char| !c.is_ascii_digit())
        .filter(|field| !field.is_empty())
        .map(str::parse::<i16>);
    let mut next = || fields.next()?.ok();
    let (year, month, day) = (next()?, next()?, next()?);
    let (hour, minute) = (next()?, next()?);
    let second = next().unwrap_or(0);
    let (nanosecond, resolution_s) = decimals(within.or(sub_seconds));
    let small = |field: i16| i8::try_from(field).ok();
    let local = DateTime::new(
        year,
        small(month)?,
        small(day)?,
        small(hour)?,
        small(minute)?,
        small(second)?,
        nanosecond,
    );
    Some(CaptureTime {
        local: local.ok()?,
        resolution_s,
        utc_offset_s: offset.and_then(parse_utc_offset),
    })
}

/// Seconds east of Greenwich from `+HH:MM`, `-HHMM` or `Z`.
pub(crate) fn parse_utc_offset(stated: &str) -> Option<i32> {
    let stated = stated.trim();
    if stated.eq_ignore_ascii_case("z") {
        return Some(0);
    }
    let (sign, rest) = match (stated.strip_prefix('+'), stated.strip_prefix('-')) {
        (Some(rest), _) => (1, rest),
        (_, Some(rest)) => (-1, rest),
        _ => return None,
    };
    let digits: String = rest.chars().filter(char::is_ascii_digit).collect();
    if digits.len() != 4 {
        return None;
    }
    let (hours, minutes) = (
        digits[..2].parse::<i32>().ok()?,
        digits[2..].parse::<i32>().ok()?,
    );
    (hours <= 14 && minutes < 60).then_some(sign * (3600 * hours + 60 * minutes))
}

/// Nanoseconds and the step that so many digits can express, s.
fn decimals(digits: Option<&str>) -> (i32, f64) {
    let digits: String = digits
        .unwrap_or_default()
        .trim()
        .chars()
        .take_while(char::is_ascii_digit)
        .take(9)
        .collect();
    if digits.is_empty() {
        return (0, 1.0);
    }
    let resolution_s = 10_f64.powi(-(digits.len() as i32)).max(NANOSECOND_S);
    let nanosecond = format!("{digits:0<9}").parse().unwrap_or(0);
    (nanosecond, resolution_s)
}
