//! Figures against their references.

/// Holds that a figure is its reference's within a share of it.
///
/// # Panics
///
/// When it is not: this is a check.
#[track_caller]
pub fn check_near(name: &str, found: f64, want: f64, relative: f64) {
    assert!(
        (found - want).abs() <= relative * want.abs(),
        "{name}: found {found}, want {want}"
    );
}
