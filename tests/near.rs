//! Figures against their references, and against each other.

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

/// Mean of independent figures, and one standard error of it.
///
/// # Panics
///
/// With fewer than two: they have no scatter.
pub fn mean_and_error(values: impl IntoIterator<Item = f64>) -> (f64, f64) {
    let values: Vec<f64> = values.into_iter().collect();
    assert!(values.len() > 1, "one figure has no scatter");
    let n = values.len() as f64;
    let mean = values.iter().sum::<f64>() / n;
    let squares: f64 = values.iter().map(|v| (v - mean).powi(2)).sum();
    (mean, (squares / (n * (n - 1.0))).sqrt())
}

/// Holds that independent figures are above zero on the whole, by three standard errors.
///
/// # Panics
///
/// When they are not: this is a check.
#[track_caller]
pub fn check_gain(name: &str, gains: impl IntoIterator<Item = f64>) {
    let (mean, error) = mean_and_error(gains);
    assert!(mean > 3.0 * error, "{name}: no gain, {mean} ± {error}");
}
