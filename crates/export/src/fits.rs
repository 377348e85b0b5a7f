//! FITS: the mean, and beside it how sure it is.

use crate::planes::{Shape, shape_of};
use crate::{AtomicFile, ExportError, Overwrite, PictureRows};
use fitsio_pure::extension::{ExtensionType, build_extension_header};
use fitsio_pure::header::Card;
use fitsio_pure::image_writer::ImageWriter;
use fitsio_pure::primary::build_primary_header;
use fitsio_pure::value::Value;
use std::path::Path;

/// The planes of a stack; every part has as many planes as the mean, and their shape.
#[derive(Clone, Copy)]
pub struct FitsPicture<'a> {
    /// The picture, DN.
    pub mean: &'a dyn PictureRows,
    /// Variance of the mean, DN^2.
    pub variance: &'a dyn PictureRows,
    /// Sum of the weights of the samples kept.
    pub weight: &'a dyn PictureRows,
    /// How many samples were rejected.
    pub rejected: Option<&'a dyn PictureRows>,
    /// The sky alone, DN, also where the mean shows ground; NaN where there is none.
    pub sky: Option<&'a dyn PictureRows>,
}

/// Options of [`write_fits`].
#[derive(Clone, Debug, Default)]
pub struct FitsOptions {
    /// DATE, when the file was made, as `YYYY-MM-DDThh:mm:ss` in UTC; never taken from
    /// the clock. Default: none.
    pub date: Option<String>,
    /// Further cards of the primary header, in this order. Default: none.
    pub cards: Vec<HeaderCard>,
    /// HISTORY lines; long ones are broken. Default: none.
    pub history: Vec<String>,
    /// Default: an existing file stays.
    pub overwrite: Overwrite,
}

/// A keyword with its value.
#[derive(Clone, Debug, PartialEq)]
pub struct HeaderCard {
    /// 1 to 8 of `A-Z 0-9 - _`; not one that describes the data, which the writer sets.
    pub keyword: String,
    /// Its value.
    pub value: CardValue,
    /// What it means, with the unit; cut to fit the card, characters outside ASCII `?`.
    pub comment: String,
}

/// The value of a [`HeaderCard`].
#[derive(Clone, Debug, PartialEq)]
pub enum CardValue {
    /// Text; characters outside printable ASCII become `?`, long text is continued on
    /// further cards.
    Text(String),
    /// A whole number.
    Integer(i64),
    /// A number; must be finite, since FITS has no card for anything else.
    Float(f64),
    /// True or false.
    Logical(bool),
}

/// Cards that the writer owns.
const OWN_KEYWORDS: [&str; 17] = [
    "SIMPLE", "XTENSION", "BITPIX", "EXTEND", "PCOUNT", "GCOUNT", "END", "EXTNAME", "BUNIT",
    "BSCALE", "BZERO", "BLANK", "DATE", "COMMENT", "HISTORY", "CONTINUE", "LONGSTRN",
];

/// Text that fits one commentary card.
const COMMENTARY_CHARACTERS: usize = 72;

/// Writes the mean as primary HDU, then the image extensions `VARIANCE`, `WEIGHT` and,
/// where given, `REJECTED` and `SKY`.
///
/// All are 32-bit IEEE float, stored bit for bit, NaN for no value. One plane is an image
/// of two axes; three planes are a cube with NAXIS3 = 3 in the order R, G, B. The first
/// row written is the top of the picture.
///
/// Source: FITS Standard 4.0 (2018), sect. 4.4 and 5.3.
///
/// # Errors
///
/// See [`ExportError`]; the target is then as it was before.
pub fn write_fits(
    path: &Path,
    picture: &FitsPicture<'_>,
    options: &FitsOptions,
) -> Result<(), ExportError> {
    let n_planes = picture.mean.n_planes();
    let shape = shape_of(path, "the mean", picture.mean, i32::MAX as usize)?;
    check_part(path, "the variance", picture.variance, shape, n_planes)?;
    check_part(path, "the weight", picture.weight, shape, n_planes)?;
    if let Some(rejected) = picture.rejected {
        check_part(path, "the rejected count", rejected, shape, n_planes)?;
    }
    if let Some(sky) = picture.sky {
        check_part(path, "the sky", sky, shape, n_planes)?;
    }
    let axes = match n_planes {
        1 => vec![shape.columns, shape.rows],
        n => vec![shape.columns, shape.rows, n],
    };
    let primary = primary_header(path, &axes, options)?;
    let fail = |error| ExportError::fits(path, "write the FITS file", error);
    let extension =
        |name, unit, comment| extension_header(&axes, name, unit, comment).map_err(fail);
    let variance = extension("VARIANCE", Some("adu**2"), "variance of the mean")?;
    let weight = extension("WEIGHT", None, "sum of the weights of the samples kept")?;
    let rejected = extension("REJECTED", None, "number of samples rejected")?;
    let sky = extension("SKY", Some("adu"), "the sky alone, without ground")?;

    let mut file = AtomicFile::create(path, options.overwrite)?;
    let parts = [
        (&primary, Some(picture.mean)),
        (&variance, Some(picture.variance)),
        (&weight, Some(picture.weight)),
        (&rejected, picture.rejected),
        (&sky, picture.sky),
    ];
    for (header, part) in parts {
        if let Some(part) = part {
            write_part(&mut file, header, part, shape).map_err(fail)?;
        }
    }
    file.commit()
}

/// Every part must match the mean.
fn check_part(
    path: &Path,
    what: &'static str,
    part: &dyn PictureRows,
    needed: Shape,
    n_planes: usize,
) -> Result<(), ExportError> {
    let found = shape_of(path, what, part, i32::MAX as usize)?;
    if part.n_planes() != n_planes {
        return Err(ExportError::PlaneCount {
            path: path.to_owned(),
            what,
            found: part.n_planes(),
            needed: if n_planes == 1 { "1" } else { "3" },
        });
    }
    if found != needed {
        return Err(ExportError::PlaneShape {
            path: path.to_owned(),
            what,
            index: 0,
            found: [found.rows, found.columns],
            needed: [needed.rows, needed.columns],
        });
    }
    Ok(())
}

fn write_part(
    file: &mut AtomicFile,
    header: &[Card],
    part: &dyn PictureRows,
    shape: Shape,
) -> fitsio_pure::Result<()> {
    let mut writer = ImageWriter::new(file, header)?;
    let mut values = Vec::new();
    for plane in 0..part.n_planes() {
        for first in (0..shape.rows).step_by(ROWS_AT_ONCE) {
            let rows = first..(first + ROWS_AT_ONCE).min(shape.rows);
            values.resize(rows.len() * shape.columns, 0.0);
            part.read_rows(plane, rows, &mut values)
                .map_err(fitsio_pure::Error::Io)?;
            writer.write_iter(values.iter().copied())?;
        }
    }
    writer.finish().map(drop)
}

/// Rows read together.
const ROWS_AT_ONCE: usize = 16;

fn primary_header(
    path: &Path,
    axes: &[usize],
    options: &FitsOptions,
) -> Result<Vec<Card>, ExportError> {
    let fail = |error| ExportError::fits(path, "write the FITS header", error);
    let mut cards = build_primary_header(-32, axes).map_err(fail)?;
    cards.push(card("EXTEND", Value::Logical(true), "variance and weight follow").map_err(fail)?);
    cards.push(card("BUNIT", text("adu"), "black level removed, linear").map_err(fail)?);
    if let Some(date) = &options.date {
        cards.push(card("DATE", text(date), "when this file was made (UTC)").map_err(fail)?);
    }
    if options.cards.iter().any(|given| is_long(&given.value)) {
        let convention =
            card("LONGSTRN", text("OGIP 1.0"), "long text is continued").map_err(fail)?;
        cards.push(convention);
    }
    for given in &options.cards {
        cards.push(checked_card(path, given, &cards)?);
    }
    cards.push(commentary(
        b"COMMENT ",
        "The first row is the top of the picture.",
    ));
    if axes.len() == 3 {
        let planes = "The planes along NAXIS3 are red, green and blue, as the camera sees them.";
        cards.extend(wrapped(planes).map(|line| commentary(b"COMMENT ", line)));
    }
    for entry in &options.history {
        cards.extend(wrapped(&printable(entry)).map(|line| commentary(b"HISTORY ", line)));
    }
    Ok(cards)
}

fn extension_header(
    axes: &[usize],
    name: &str,
    unit: Option<&str>,
    comment: &str,
) -> fitsio_pure::Result<Vec<Card>> {
    let mut cards = build_extension_header(ExtensionType::Image, -32, axes, 0, 1)?;
    cards.push(card("EXTNAME", text(name), comment)?);
    if let Some(unit) = unit {
        cards.push(card("BUNIT", text(unit), "")?);
    }
    Ok(cards)
}

/// A card of the caller's, refused when the standard or this writer forbids it.
fn checked_card(path: &Path, given: &HeaderCard, before: &[Card]) -> Result<Card, ExportError> {
    let refuse = |reason| ExportError::Card {
        path: path.to_owned(),
        keyword: given.keyword.clone(),
        reason,
    };
    let keyword = given.keyword.as_str();
    if OWN_KEYWORDS.contains(&keyword) || keyword.starts_with("NAXIS") {
        return Err(refuse("is set by the writer"));
    }
    if before.iter().any(|card| card.keyword_str() == keyword) {
        return Err(refuse("is given twice"));
    }
    let value = match &given.value {
        CardValue::Text(value) => text(value),
        CardValue::Integer(value) => Value::Integer(*value),
        CardValue::Float(value) if value.is_finite() => Value::Float(*value),
        CardValue::Float(_) => return Err(refuse("is not finite")),
        CardValue::Logical(value) => Value::Logical(*value),
    };
    card(keyword, value, &given.comment)
        .map_err(|_| refuse("needs 1 to 8 characters of A-Z, 0-9, - and _"))
}

fn card(keyword: &str, value: Value, comment: &str) -> fitsio_pure::Result<Card> {
    let mut card = Card::new(keyword, value)?;
    card.comment = Some(printable(comment)).filter(|comment| !comment.is_empty());
    Ok(card)
}

/// Whether a text needs more than one card; a quote counts twice. Such headers announce
/// the convention, which the standard has since absorbed and checkers still expect.
fn is_long(value: &CardValue) -> bool {
    const ONE_CARD_CHARACTERS: usize = 68;
    match value {
        CardValue::Text(text) => {
            let n_quotes = text.matches('\'').count();
            ONE_CARD_CHARACTERS < text.chars().count() + n_quotes
        }
        _ => false,
    }
}

fn text(value: &str) -> Value {
    Value::String(printable(value))
}

fn commentary(keyword: &[u8; 8], line: &str) -> Card {
    Card {
        keyword: *keyword,
        value: None,
        comment: Some(line.to_owned()),
    }
}

/// What a FITS header can hold: ASCII 32 to 126.
fn printable(text: &str) -> String {
    text.chars()
        .map(|c| if matches!(c, ' '..='~') { c } else { '?' })
        .collect()
}

/// Pieces of `text`, which is ASCII, that fit a commentary card.
fn wrapped(text: &str) -> impl Iterator<Item = &str> {
    let mut rest = Some(text);
    std::iter::from_fn(move || {
        let line = rest?;
        if line.len() <= COMMENTARY_CHARACTERS {
            rest = None;
            return Some(line);
        }
        let at = line[..=COMMENTARY_CHARACTERS]
            .rfind(' ')
            .filter(|at| *at > 0);
        let (head, tail) = line.split_at(at.unwrap_or(COMMENTARY_CHARACTERS));
        rest = Some(tail.trim_start());
        Some(head)
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::Counts;
    use ndarray::Array2;

    #[test]
    fn lines_break_between_words_where_there_are_any() {
        let words = "sky ".repeat(30);
        let lines: Vec<_> = wrapped(words.trim_end()).collect();
        assert_eq!(
            lines.iter().map(|line| line.len()).collect::<Vec<_>>(),
            [71, 47]
        );
        let solid = "x".repeat(100);
        assert_eq!(wrapped(&solid).map(str::len).collect::<Vec<_>>(), [72, 28]);
        assert_eq!(wrapped("").collect::<Vec<_>>(), [""]);
    }

    #[test]
    fn parts_must_match_the_mean() {
        let folder = tempfile::tempdir().unwrap();
        let (plane, other) = (Array2::zeros((2, 3)), Array2::zeros((3, 2)));
        let counts = Array2::zeros((2, 3));
        let (one, three) = ([plane.view()], [plane.view(), plane.view(), plane.view()]);
        let turned = [other.view()];
        let write = |variance: &dyn PictureRows,
                     weight: &dyn PictureRows,
                     rejected: Option<&dyn PictureRows>| {
            let picture = FitsPicture {
                mean: &one,
                variance,
                weight,
                rejected,
                sky: None,
            };
            let path = folder.path().join("a.fits");
            write_fits(&path, &picture, &FitsOptions::default()).map_err(|e| e.to_string())
        };
        let check = |written: Result<(), String>, needle: &str| {
            let error = written.unwrap_err();
            assert!(error.contains(needle), "{error}");
        };
        check(
            write(&three, &one, None),
            "the variance has 3 planes, needed 1",
        );
        check(
            write(&one, &turned, None),
            "the weight has 2 x 3 pixels, needed 3 x 2",
        );
        check(
            write(&one, &one, Some(&Counts(&[]))),
            "the rejected count has 0 planes, needed 1 or 3",
        );
        assert_eq!(
            std::fs::read_dir(folder.path()).unwrap().count(),
            0,
            "no file is left"
        );
        write(&one, &one, Some(&Counts(&[counts.view()]))).unwrap();
    }

    #[track_caller]
    fn check_refused(keyword: &str, value: CardValue, reason: &str) {
        let folder = tempfile::tempdir().unwrap();
        let plane = Array2::zeros((2, 2));
        let planes = [plane.view()];
        let picture = FitsPicture {
            mean: &planes,
            variance: &planes,
            weight: &planes,
            rejected: None,
            sky: None,
        };
        let card = HeaderCard {
            keyword: keyword.into(),
            value,
            comment: String::new(),
        };
        let once = CardValue::Integer(1);
        let first = HeaderCard {
            keyword: "NFRAMES".into(),
            value: once,
            comment: String::new(),
        };
        let options = FitsOptions {
            cards: vec![first, card],
            ..FitsOptions::default()
        };
        let error = write_fits(&folder.path().join("a.fits"), &picture, &options).unwrap_err();
        assert!(
            error
                .to_string()
                .ends_with(&format!("`{keyword}`: {reason}")),
            "{error}"
        );
        assert_eq!(
            std::fs::read_dir(folder.path()).unwrap().count(),
            0,
            "no file is left"
        );
    }

    #[test]
    fn cards_that_would_spoil_the_header_are_refused() {
        let one = CardValue::Integer(1);
        check_refused("NAXIS3", one.clone(), "is set by the writer");
        check_refused("BZERO", one.clone(), "is set by the writer");
        check_refused("NFRAMES", one.clone(), "is given twice");
        check_refused(
            "exposure",
            one.clone(),
            "needs 1 to 8 characters of A-Z, 0-9, - and _",
        );
        check_refused(
            "TOOLONGKEY",
            one,
            "needs 1 to 8 characters of A-Z, 0-9, - and _",
        );
        check_refused("EXPTIME", CardValue::Float(f64::NAN), "is not finite");
    }
}
