//! The frame around every page: policy, style, modes of light.

use maud::{DOCTYPE, Markup, PreEscaped, html};
use sha2::{Digest, Sha256};

use base64::Engine;
use base64::engine::general_purpose::STANDARD;

/// The one style of all pages.
const STYLE: &str = include_str!("page.css");
/// The one script of all pages: without it pictures stand side by side.
const SCRIPT: &str = include_str!("page.js");

/// Where the pictures of a page are.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Images {
    /// In the page.
    Within,
    /// Files beside it; such a page runs no script.
    Beside,
}

/// A whole page.
pub(super) fn page(title: &str, body: &Markup, images: Images) -> String {
    let script = images == Images::Within;
    let page = html! {
        (DOCTYPE)
        html lang="en" {
            head {
                meta charset="utf-8";
                meta http-equiv="Content-Security-Policy" content=(policy(images));
                meta name="viewport" content="width=device-width, initial-scale=1";
                meta name="color-scheme" content="light dark";
                title { (super::text::Foreign(title)) }
                style { (PreEscaped(STYLE)) }
            }
            body {
                a.skip href="#content" { "Skip to the content" }
                header.modes { (modes()) }
                main id="content" { (body) }
                @if script { script { (PreEscaped(SCRIPT)) } }
            }
        }
    };
    let mut page = page.into_string();
    page.push('\n');
    page
}

/// Forbids whatever a browser might want to fetch or run, but what the page itself holds.
fn policy(images: Images) -> String {
    let style = digest(STYLE);
    match images {
        Images::Within => format!(
            "default-src 'none'; img-src data:; style-src '{style}'; script-src '{}'; \
             base-uri 'none'; form-action 'none'",
            digest(SCRIPT)
        ),
        Images::Beside => format!(
            "default-src 'none'; img-src 'self'; style-src '{style}'; base-uri 'none'; \
             form-action 'none'"
        ),
    }
}

/// As a policy names a text that may be used (Content Security Policy Level 3, 2.3.1).
fn digest(text: &str) -> String {
    format!("sha256-{}", STANDARD.encode(Sha256::digest(text)))
}

/// Buttons for the light of the page; the style does what they say.
fn modes() -> Markup {
    let modes = [
        ("auto", "Auto"),
        ("light", "Light"),
        ("dark", "Dark"),
        ("red", "Red"),
    ];
    html! {
        fieldset.choice {
            legend { "Colors" }
            @for (mode, name) in modes {
                input type="radio" name="mode" id={ "mode-" (mode) } value=(mode)
                    checked[mode == "auto"];
                label for={ "mode-" (mode) } { (name) }
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn nothing_but_the_page_itself_is_allowed() {
        let page = page("a < b", &html! { p { "c" } }, Images::Within);
        assert!(page.contains("<title>a &lt; b</title>"));
        assert!(page.contains("default-src 'none'; img-src data:; style-src 'sha256-"));
        assert!(!page.contains("unsafe-inline") && !page.contains("http://"));
        assert!(!page.contains("https://"));
    }

    #[test]
    fn a_digest_is_that_of_the_standard() {
        // FIPS 180-4 as NIST's example for "abc", in base64.
        let want = "sha256-ungWv48Bz+pBQUDeXa4iI7ADYaOWF3qctBD/YfIAFa0=";
        assert_eq!(digest("abc"), want);
    }

    #[test]
    fn style_and_script_close_no_element() {
        for text in [STYLE, SCRIPT] {
            assert!(!text.contains("</") && !text.contains("<!--"));
        }
    }
}
