//! Numbers that may be missing: `null` in the file, NaN here.
//!
//! JSON knows no NaN, and serde_json already writes one as `null`; these read it back.

use serde::{Deserialize, Deserializer};

/// A number, or NaN for `null`.
pub(crate) fn nan_for_null<'de, D: Deserializer<'de>>(from: D) -> Result<f64, D::Error> {
    Ok(Option::deserialize(from)?.unwrap_or(f64::NAN))
}

/// What a report of an earlier version does not say.
pub(crate) fn unknown() -> f64 {
    f64::NAN
}

/// Rows of four numbers, NaN for `null`; `None` when the whole is `null`.
pub(crate) fn nan_in_rows<'de, D: Deserializer<'de>>(
    from: D,
) -> Result<Option<Vec<[f64; 4]>>, D::Error> {
    let rows: Option<Vec<[Option<f64>; 4]>> = Option::deserialize(from)?;
    let filled = |row: [Option<f64>; 4]| row.map(|value| value.unwrap_or(f64::NAN));
    Ok(rows.map(|rows| rows.into_iter().map(filled).collect()))
}
