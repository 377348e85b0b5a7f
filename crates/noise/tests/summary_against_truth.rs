//! The picture's summary against the typical region that all lights reach.

#![allow(clippy::print_stdout, reason = "a failing test shows its figures")]

mod engine;

use engine::{Burst, SIGMAS};

#[test]
fn the_summary_speaks_for_the_sky_that_all_lights_reach_though_half_of_it_is_edge() {
    const LIGHTS: usize = 12;
    let (mut sum, mut count) = (0.0, 0.0);
    for seed in 0..4 {
        let mut burst = Burst::white(LIGHTS, 10.0, 400 + seed);
        let width = burst.width;
        // Beyond 7 of 12 parts of the width the lights give out one by one.
        let whole = 7 * width / 12;
        for (i, light) in burst.lights.iter_mut().enumerate().skip(4) {
            let last = whole + (width - whole) * (LIGHTS - i) / LIGHTS;
            for line in light.chunks_exact_mut(width) {
                line[last..].fill(f32::NAN);
            }
        }
        let summary = burst.report().expect("noise").summary;
        println!("{} +- {}", summary.gain_area, summary.error);
        assert!((summary.expected_gain - (LIGHTS as f64).sqrt()).abs() < 1e-6);
        sum += (summary.gain_area - (LIGHTS as f64).sqrt()) / summary.error;
        count += 1.0;
    }
    let bias = sum / f64::sqrt(count);
    assert!(
        bias.abs() < SIGMAS,
        "{bias} standard errors over all nights"
    );
}
