//! Fixed patterns under drifting and dithered lights against what their noise-free picture says.

#![allow(clippy::print_stdout, reason = "a failing test shows its figures")]

mod engine;

use engine::{
    Burst, SIGMAS, cells, check_close, check_gain, rng, shifted, unexplained_is_chance, white,
};
use noise::Headline;
use rand::Rng;

/// Lights of white noise over a fixed pattern that an even drift moves.
fn patterned(n: usize, sigma: f32, pattern_sigma: f32, step_px: f64, seed: u64) -> Burst {
    let positions: Vec<(f64, f64)> = (0..n)
        .map(|i| step_px * i as f64)
        .map(|shift| (shift, 0.4 * shift))
        .collect();
    patterned_at(&positions, sigma, pattern_sigma, seed)
}

/// Lights of white noise over a fixed pattern that lies elsewhere in each.
fn patterned_at(positions: &[(f64, f64)], sigma: f32, pattern_sigma: f32, seed: u64) -> Burst {
    let mut burst = Burst::white(positions.len(), sigma, seed);
    let (width, height, margin) = (burst.width, burst.height, 256);
    let pattern = white(
        &mut rng(seed + 7),
        (width + 2 * margin) * (height + 2 * margin),
        pattern_sigma,
    );
    for (light, &(dx, dy)) in burst.lights.iter_mut().zip(positions) {
        let moved = shifted(&pattern, width, height, margin, dx, dy);
        light
            .iter_mut()
            .zip(moved)
            .for_each(|(value, p)| *value += p);
    }
    burst.positions_px = Some(positions.iter().map(|&position| vec![position]).collect());
    burst.add_scene(|_, _| 1000.0);
    burst
}

#[test]
fn a_pattern_that_moves_fast_is_random() {
    let burst = patterned(16, 10.0, 5.0, 3.0, 110);
    let summary = check_gain(&burst, "fast pattern");
    assert!(summary.pattern.visible);
    assert_eq!(summary.headline, Headline::RandomAndPattern);
}

#[test]
fn a_pattern_that_moves_by_blocks_is_random() {
    // Every step exceeds a block: no two lights share any of it.
    let positions: Vec<(f64, f64)> = (0..20).map(|i| (11.0 * i as f64, 4.0 * i as f64)).collect();
    let summary = check_gain(&patterned_at(&positions, 10.0, 5.0, 111), "by blocks");
    println!("  {:?}", summary.pattern);
    assert!(summary.pattern.visible);
    let extent = 19.0 * 11f64.hypot(4.0);
    assert!((summary.pattern.drift_px.expect("known") - extent).abs() < 1e-9);
}

#[test]
fn a_pattern_at_two_places_in_turn_is_found_by_halves_in_turn() {
    let positions: Vec<(f64, f64)> = (0..12)
        .map(|i| (0.1 * i as f64 + 12.0 * (i % 2) as f64, 0.0))
        .collect();
    let summary = check_gain(&patterned_at(&positions, 10.0, 5.0, 112), "two places");
    println!("  {:?}", summary.pattern);
    assert!(summary.pattern.visible);
    // Two patterns of 5 against twelve noises of 10: 12.5 of 20.8.
    let found = summary.pattern.fraction_of_variance.expect("visible");
    assert!((found - 0.6).abs() < 0.05, "{found}");
}

#[test]
fn a_dither_that_ends_where_it_began_has_its_true_extent() {
    // Twelve lights in a box of 24 px that come back to the start.
    let mut rng = rng(9);
    let mut positions: Vec<(f64, f64)> = (0..12)
        .map(|_| (rng.random_range(-12.0..12.0), rng.random_range(-12.0..12.0)))
        .collect();
    positions[11] = (positions[0].0 + 1.0, positions[0].1 - 1.2);
    let burst = patterned_at(&positions, 10.0, 5.0, 113);
    let summary = burst.report().expect("noise").summary;
    let truth = burst.true_gain();
    println!("dither {summary:?} true {truth}");
    assert!((summary.gain_area - truth).abs() < SIGMAS * summary.realized_error);
    // Whatever the errors, no gain may be further off than 5 %.
    assert!((summary.gain_area / truth - 1.0).abs() < 0.05);
    let drift_px = summary.pattern.drift_px.expect("known");
    assert!(drift_px > 15.0 && drift_px < 24.0 * std::f64::consts::SQRT_2);
    assert!(summary.pattern.visible);
}

#[test]
fn a_dither_that_returns_again_and_again_is_bounded() {
    // 36 lights on 3 x 3 places: they share a part that no half shows.
    let positions: Vec<(f64, f64)> = (0..36)
        .map(|i| (i + i / 9 + i / 18) % 9)
        .map(|place| (8.0 * f64::from(place % 3), 8.0 * f64::from(place / 3)))
        .collect();
    let mut burst = patterned_at(&positions, 10.0, 6.0, 114);
    burst.tracked = false;
    let summary = burst.report().expect("noise").summary;
    let truth = burst.true_gain().powi(2);
    println!("nine places {summary:?} true {truth}");
    assert!(!summary.pattern.visible);
    assert_eq!(summary.headline, Headline::RandomNoiseOnly);
    assert!(summary.effective_frames > truth, "halves miss a part");
    assert!(summary.effective_frames_at_upper_bound < truth);
    // A pattern of the assumed strength that stood still would leave 2.5.
    assert!(summary.effective_frames_at_upper_bound > 8.0);
}

#[test]
fn positions_must_be_those_of_the_lights() {
    let mut burst = Burst::white(4, 10.0, 1);
    burst.positions_px = Some(vec![vec![(0.0, 0.0)]; 3]);
    assert_eq!(
        burst.report(),
        Err(noise::NoiseError::OtherPositions {
            found: 3,
            needed: 4
        })
    );
}

#[test]
fn a_pattern_that_moves_slowly_is_found_by_halves_in_time() {
    // 9 to 32 px in all: the halves' centers lie 0.6 to 2 blocks apart.
    for (seed, step_px) in [(120, 0.55), (121, 0.8), (122, 1.2), (123, 2.0)] {
        let burst = patterned(16, 10.0, 5.0, step_px, seed);
        let summary = check_close(&burst, "slow pattern");
        println!("  {:?}", summary.pattern);
        assert!(summary.pattern.visible);
        // Without noise the stack holds nothing but the pattern.
        let mut pattern = burst.clone();
        let noise = Burst::white(16, 10.0, seed);
        for (light, noise) in pattern.lights.iter_mut().zip(&noise.lights) {
            light
                .iter_mut()
                .zip(noise)
                .for_each(|(value, noise)| *value -= noise);
        }
        let share = pattern.block_variance(&pattern.stack()) / burst.block_variance(&burst.stack());
        let found = summary.pattern.fraction_of_variance.expect("visible");
        println!("  share {share:.3} found {found:.3}");
        unexplained_is_chance(&burst);
        // 6144 blocks know a variance to 1.8 %, each of four of them.
        assert!(
            (found / share - 1.0).abs() < SIGMAS * 2.0 * 0.018,
            "{found} {share}"
        );
        // The doubt is common to all regions, so it does not average out.
        for cell in cells(&burst.report().expect("noise")) {
            assert!(cell.correction_error > 0.0 && cell.correction_error < cell.error);
        }
        assert!(summary.error > 0.03, "{}", summary.error);
    }
}

#[test]
fn a_pattern_that_moves_too_little_is_bounded() {
    // 3.3 px in all: halves in time see a sliver of it.
    let mut burst = patterned(16, 10.0, 5.0, 0.2, 124);
    burst.tracked = false;
    let summary = burst.report().expect("noise").summary;
    let truth = burst.true_gain().powi(2);
    println!("sliver {summary:?} true {truth}");
    assert!(!summary.pattern.visible);
    assert_eq!(summary.headline, Headline::RandomNoiseOnly);
    assert_eq!(summary.pattern.basis, noise::PatternBasis::Drift);
    assert!(summary.effective_frames > truth, "halves see but a sliver");
    assert!(summary.effective_frames_at_upper_bound < truth);
    assert!(summary.pattern.upper_bound > 0.5);
}

#[test]
fn a_pattern_that_stands_is_not_denied() {
    // 12 lights that drift 1.1 px, 0.8 % response of a level of 1000.
    let mut burst = patterned(12, 10.0, 8.0, 0.09, 130);
    burst.tracked = false;
    let summary = burst.report().expect("noise").summary;
    let truth = burst.true_gain().powi(2);
    println!("standing pattern {summary:?} true {truth}");
    assert!(!summary.pattern.visible);
    assert_eq!(summary.pattern.fraction_of_variance, None);
    assert_eq!(summary.headline, Headline::RandomNoiseOnly);
    assert!(summary.effective_frames > truth, "halves are blind to it");
    assert!(summary.effective_frames_at_upper_bound < 1.1 * truth);
}

#[test]
fn a_bound_holds_where_a_few_regions_are_noisier() {
    // The same, with a sixth of the picture ten times noisier, as a rich cluster is where
    // the seeing changes: the bound is about the rest.
    let mut burst = patterned(12, 10.0, 8.0, 0.09, 131);
    burst.tracked = false;
    let calm = burst.true_gain().powi(2);
    // What the pattern makes of the stack's variance: 64 of 64 + 100 / 12.
    let share = 64.0 / (64.0 + 100.0 / 12.0);
    let width = burst.width;
    for (i, light) in burst.lights.iter_mut().enumerate() {
        let rich = white(&mut rng(1310 + i as u64), light.len(), 100.0);
        for (p, (value, rich)) in light.iter_mut().zip(rich).enumerate() {
            *value += if p % width < width / 6 { rich } else { 0.0 };
        }
    }
    let summary = burst.report().expect("noise").summary;
    println!("noisy regions {summary:?} of the rest {calm}");
    assert!(!summary.pattern.visible);
    assert!(
        (summary.pattern.upper_bound - share).abs() < 0.03,
        "{share}"
    );
    assert!(summary.effective_frames_at_upper_bound < 1.1 * calm);
}
