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

/// The largest difference of two planes of equal shape, where they have values: in the same
/// places, which must be more than half of all.
///
/// # Panics
///
/// When they are not so alike: this is a check.
#[track_caller]
pub fn largest_difference<'a>(
    name: &str,
    found: impl ExactSizeIterator<Item = &'a f32>,
    want: &[f32],
) -> f64 {
    assert_eq!(found.len(), want.len(), "{name}");
    let (mut largest, mut reached) = (0.0_f64, 0);
    for (i, (found, want)) in found.zip(want).enumerate() {
        assert_eq!(found.is_nan(), want.is_nan(), "{name}, pixel {i}");
        if !want.is_nan() {
            reached += 1;
            largest = largest.max(f64::from(found - want).abs());
        }
    }
    assert!(reached > want.len() / 2, "{name}: {reached} px");
    largest
}
