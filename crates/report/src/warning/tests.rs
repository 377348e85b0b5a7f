//! Tests of [`super`].

use super::*;

#[test]
fn numbers_are_in_the_text() {
    let warning = Warning::TooFewFramesToClip {
        frames: 7,
        clip_sigmas: 3.0,
        largest_sigmas: 2.958,
        frames_needed: 8,
        not_predicted: None,
    };
    assert!(
        warning.text().contains("among 7 frames"),
        "{}",
        warning.text()
    );
    assert!(
        warning.text().contains("more than 2.96 sigma"),
        "{}",
        warning.text()
    );
    assert!(
        warning.advice().contains("at least 8 frames"),
        "{}",
        warning.advice()
    );
    let warning = Warning::MastersMismatch {
        kind: MasterKind::Dark,
        what: "exposure".to_owned(),
        lights: "20 s".to_owned(),
        masters: "30 s".to_owned(),
    };
    assert_eq!(
        warning.text(),
        "the darks do not fit the lights: exposure 30 s, needed 20 s"
    );
    assert_eq!(
        warning.advice(),
        "take darks with exposure 20 s, and give them along with the lights"
    );
}

#[test]
fn an_assumed_bound_says_so() {
    for (basis, words) in [
        (PatternBasis::Assumed, "(assumed: a typical sensor)"),
        (PatternBasis::Drift, "(measured, by the drift)"),
    ] {
        let warning = Warning::PatternNotVisible {
            drift_px: None,
            upper_bound: 0.54,
            basis,
        };
        let want = format!("it may be up to 54 % of the stack's variance {words}");
        assert!(warning.text().ends_with(&want), "{}", warning.text());
    }
}

#[test]
fn a_small_bound_is_not_rounded_to_none() {
    assert_eq!(at_most(0.0), "< 1 %");
    assert_eq!(at_most(0.004), "< 1 %");
    assert_eq!(at_most(0.01), "up to 1 %");
    assert_eq!(at_most(0.617), "up to 62 %");
}
