//! The ways of interpolating between pixels, asked for on the command line.

mod support;

use serde_json::Value;
use support::{radicand_ends, report};

#[test]
fn the_kernel_asked_for_is_used_and_smooths_as_it_must() {
    /// What block noise may differ by: that of three lights is measured to some percent.
    const AREA: f64 = 0.05;
    let temp = tempfile::tempdir().expect("a folder");
    let size = ["--dimensions", "400x300", "--frames", "3"];
    let simulate = [&["simulate", "tripod-burst", "-o", "."], &size[..]].concat();
    radicand_ends(temp.path(), &simulate, 0);
    let found = ["lanczos3", "cubic", "bilinear"].map(|kernel| {
        let args = [
            "stack", "lights", "-o", kernel, "--format", "fits", "--kernel", kernel,
        ];
        radicand_ends(temp.path(), &args, 0);
        let report = report(&temp.path().join(kernel));
        assert_eq!(report["run"]["settings"]["kernel"], kernel);
        let number = |at: &str| {
            report
                .pointer(at)
                .and_then(Value::as_f64)
                .expect("a figure")
        };
        let pixel_dn = number("/noise/regions/0/channels/G/stack_pixel");
        [pixel_dn, number("/noise/summary/gain_area")]
    });
    // Sums of squared weights, averaged over all phases: most for Lanczos-3, least for linear
    // interpolation; at the scale of blocks nothing is gained.
    let [
        [lanczos, area],
        [cubic, cubic_area],
        [bilinear, bilinear_area],
    ] = found;
    assert!(lanczos > cubic && cubic > bilinear, "{found:?}");
    for other in [cubic_area, bilinear_area] {
        assert!((other / area - 1.0).abs() < AREA, "{found:?}");
    }
    let typed = ["stack", "lights", "-o", "no", "--kernel", "sharp"];
    let run = radicand_ends(temp.path(), &typed, 2);
    assert!(run.stderr.contains("lanczos3"), "{}", run.stderr);
}
