//! Names of files as text for a terminal or a log.

use std::path::Path;

/// A path as one line of text: control characters, which a terminal would obey, become
/// escapes such as `\u{a}`, and what is not Unicode becomes U+FFFD. The rest stays.
///
/// Meant for people: different paths may read alike, so do not open what it returns.
pub fn printable(path: &Path) -> String {
    without_controls(&path.to_string_lossy())
}

/// A text with its control characters escaped.
pub(crate) fn without_controls(text: &str) -> String {
    let mut escaped = String::with_capacity(text.len());
    for c in text.chars() {
        if c.is_control() {
            escaped.extend(c.escape_unicode());
        } else {
            escaped.push(c);
        }
    }
    escaped
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::{DecodeError, DecodeFault, Decoder};

    #[test]
    fn plain_names_stay() {
        for name in [
            "",
            "night/N 0001.dng",
            r"C:\night\a.dng",
            "nuit étoilée/夜.fits",
        ] {
            assert_eq!(printable(Path::new(name)), name);
        }
    }

    #[test]
    fn control_characters_are_escaped() {
        for (name, text) in [
            ("a\nb.dng", r"a\u{a}b.dng"),
            ("\u{1b}[2J\r.dng", r"\u{1b}[2J\u{d}.dng"),
            ("a\t\u{7f}\u{9b}31m", r"a\u{9}\u{7f}\u{9b}31m"),
        ] {
            assert_eq!(printable(Path::new(name)), text);
        }
    }

    #[cfg(unix)]
    #[test]
    fn what_is_not_unicode_is_replaced() {
        use std::ffi::OsStr;
        use std::os::unix::ffi::OsStrExt;
        let path = Path::new(OsStr::from_bytes(b"n\xff\n.dng"));
        assert_eq!(printable(path), "n\u{fffd}\\u{a}.dng");
    }

    #[test]
    fn errors_are_one_line() {
        let tried = vec![(
            Decoder::Rawler,
            "no \"\u{1b}[1m\"\nin the list\n".to_owned(),
        )];
        let error = DecodeError::new(Path::new("a\nb.dng"), DecodeFault::Undecodable { tried });
        assert_eq!(
            error.to_string(),
            r#"a\u{a}b.dng: no decoder can read it: rawler says "no "\u{1b}[1m"\u{a}in the list""#
        );
    }
}
