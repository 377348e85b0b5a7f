//! Level, noise, stars and hot pixels of mosaics with known ones.

use super::*;
use crate::{Cfa, Rect, SitePattern};
use ndarray::Array2;
use rand::{Rng, SeedableRng};
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, Normal};

/// Relative error of a noise from 100,000 pairs or more: 4 of its standard errors. That
/// of a median absolute deviation is 1.17 / √n (efficiency 0.37), from pairs that share
/// pixels half of it more.
const NOISE_TOLERANCE: f64 = 0.02;
/// Error of an averaged median, DN, against a noise of 20 DN: 4 of its standard errors.
const LEVEL_TOLERANCE_DN: f64 = 0.3;

fn mosaic(data: Array2<u16>, cfa: Cfa) -> Mosaic {
    let (height, width) = data.dim();
    Mosaic {
        data,
        cfa,
        black_level_dn: SitePattern::uniform(500.0),
        white_level_dn: SitePattern::uniform(4500.0),
        active_area: Rect::of_size(width, height),
    }
}

fn rggb() -> Cfa {
    Cfa::bayer("RGGB").expect("a Bayer array")
}

/// Gaussian noise around `level_dn(row, col)`.
fn noisy(
    (width, height): (usize, usize),
    sigma_dn: f64,
    level_dn: impl Fn(usize, usize) -> f64,
) -> Array2<u16> {
    let mut rng = ChaCha8Rng::seed_from_u64(7);
    let normal = Normal::new(0.0, sigma_dn).expect("a valid width");
    Array2::from_shape_fn((height, width), |(row, col)| {
        (level_dn(row, col) + normal.sample(&mut rng)).round() as u16
    })
}

#[track_caller]
fn check_close(found: f64, expected: f64, tolerance: f64) {
    assert!(
        (found - expected).abs() <= tolerance,
        "{found} found, {expected} ± {tolerance} expected"
    );
}

#[test]
fn noise_and_level_are_those_put_in() {
    for sigma_dn in [0.8, 3.0, 20.0] {
        let levels = [600.0, 900.0, 900.0, 700.0];
        let level = |row: usize, col: usize| levels[row % 2 * 2 + col % 2];
        let stats = FrameStats::of(&mosaic(noisy((700, 600), sigma_dn, level), rggb()));
        // Rounding to whole DN adds 1/12 DN² to the variance.
        let expected = (sigma_dn * sigma_dn + 1.0 / 12.0).sqrt();
        for (channel, level) in stats.channels.iter().zip([100.0, 400.0, 200.0]) {
            check_close(channel.noise_dn, expected, NOISE_TOLERANCE * expected);
            check_close(channel.level_dn, level, LEVEL_TOLERANCE_DN);
        }
        check_close(stats.level_dn, 275.0, LEVEL_TOLERANCE_DN);
        check_close(
            stats.level_fraction,
            275.0 / 4000.0,
            LEVEL_TOLERANCE_DN / 4000.0,
        );
        assert_eq!((stats.saturated, stats.at_black), (0.0, 0.0));
    }
}

#[test]
fn equal_values_have_no_noise_and_no_spots() {
    let stats = FrameStats::of(&mosaic(Array2::from_elem((64, 48), 700), rggb()));
    assert_eq!(stats.level_dn, 200.0);
    assert_eq!(stats.noise_dn, 0.0);
    assert_eq!(stats.unevenness_dn, 0.0);
    assert_eq!((stats.stars_per_mpx, stats.hot_pixels_per_mpx), (0.0, 0.0));
}

#[test]
fn the_smallest_frames_and_odd_sides_are_no_exception() {
    for (width, height) in [(16, 16), (17, 19), (2, 2), (1, 1), (3, 200)] {
        let stats = FrameStats::of(&mosaic(Array2::from_elem((height, width), 700), rggb()));
        assert_eq!(stats.stars_per_mpx, 0.0, "{width} x {height}");
        assert_eq!(stats.noise_dn, 0.0, "{width} x {height}");
    }
}

#[test]
fn saturated_and_black_pixels_are_counted() {
    let data = Array2::from_shape_fn((40, 40), |(row, _)| match row {
        0..10 => 4500,
        10..20 => 500,
        20..22 => 400,
        _ => 1000,
    });
    let stats = FrameStats::of(&mosaic(data, Cfa::mono()));
    assert_eq!(stats.saturated, 0.25);
    assert_eq!(stats.at_black, 0.3);
    let white = FrameStats::of(&mosaic(Array2::from_elem((40, 40), 4500), rggb()));
    assert_eq!((white.saturated, white.level_fraction), (1.0, 1.0));
}

#[test]
fn levels_that_differ_by_site_are_taken_off_site_by_site() {
    let black = [500.0, 510.0, 520.0, 530.0];
    let mut mosaic = mosaic(
        Array2::from_shape_fn((32, 32), |(row, col)| {
            100 + 500 + 10 * (row % 2 * 2 + col % 2) as u16
        }),
        rggb(),
    );
    mosaic.black_level_dn = SitePattern::new(2, black.to_vec()).expect("whole rows");
    let stats = FrameStats::of(&mosaic);
    assert_eq!(stats.level_dn, 100.0);
    assert_eq!(stats.unevenness_dn, 0.0);
    for channel in stats.channels {
        assert_eq!(channel.level_dn, 100.0);
    }
}

/// Adds Gaussian stars of 1 px sigma, or single pixels, well apart from each other.
fn add(data: &mut Array2<u16>, n: usize, star: bool) {
    let mut rng = ChaCha8Rng::seed_from_u64(11);
    let n_across = data.ncols() / 20;
    for i in 0..n {
        let row = 10 + 20 * (i / n_across) + rng.random_range(0..2);
        let col = 10 + 20 * (i % n_across) + rng.random_range(0..2);
        for dy in -2_i32..=2 {
            for dx in -2_i32..=2 {
                let r2 = f64::from(dx * dx + dy * dy);
                let share = if star {
                    (-r2 / 2.0).exp()
                } else {
                    f64::from(r2 == 0.0)
                };
                let at = ((row as i32 + dy) as usize, (col as i32 + dx) as usize);
                data[at] += (600.0 * share) as u16;
            }
        }
    }
}

#[test]
fn stars_and_hot_pixels_are_told_apart() {
    let n_mpx = 0.36;
    for cfa in [rggb(), Cfa::mono(), x_trans()] {
        let dark = || noisy((600, 600), 8.0, |_, _| 600.0);
        let mut stars = dark();
        add(&mut stars, 200, true);
        let stats = FrameStats::of(&mosaic(stars, cfa.clone()));
        check_close(stats.stars_per_mpx * n_mpx, 200.0, 0.5);
        assert!(stats.hot_pixels_per_mpx * n_mpx < 3.0, "{stats:?}");
        let mut hot = dark();
        add(&mut hot, 200, false);
        let stats = FrameStats::of(&mosaic(hot, cfa));
        check_close(stats.stars_per_mpx, 0.0, 0.0);
        // A neighbor is raised by noise at times, two of eight hardly ever.
        check_close(stats.hot_pixels_per_mpx * n_mpx, 200.0, 3.0);
    }
}

fn x_trans() -> Cfa {
    let letters = "GBGGRGRGRBGBGBGGRGGRGGBGBGBRGRGRGGBG";
    let channels = letters.chars().map(|letter| match letter {
        'R' => Channel::R,
        'G' => Channel::G,
        _ => Channel::B,
    });
    SitePattern::new(6, channels.collect()).expect("six rows of six")
}

#[test]
fn one_outlier_moves_nothing_but_the_count_of_hot_pixels() {
    let quiet = noisy((200, 200), 8.0, |_, _| 600.0);
    let mut outlier = quiet.clone();
    outlier[[100, 100]] = 65535;
    let (before, after) = (
        FrameStats::of(&mosaic(quiet, rggb())),
        FrameStats::of(&mosaic(outlier, rggb())),
    );
    check_close(after.noise_dn, before.noise_dn, 1e-3 * before.noise_dn);
    check_close(after.level_dn, before.level_dn, 0.01);
    assert_eq!(after.stars_per_mpx, 0.0);
    check_close(
        after.hot_pixels_per_mpx - before.hot_pixels_per_mpx,
        25.0,
        1e-9,
    );
}

#[test]
fn a_steep_slope_holds_no_stars() {
    let slope = |row: usize, col: usize| 1000.0 + 2.0 * col as f64 + row as f64;
    let stats = FrameStats::of(&mosaic(noisy((600, 500), 10.0, slope), rggb()));
    assert_eq!(stats.stars_per_mpx, 0.0);
    // Between the outer cells lie 4/5 of 1200 + 500 DN or less, as both add up.
    assert!((700.0..1360.0).contains(&stats.unevenness_dn), "{stats:?}");
}

#[test]
fn the_median_of_whole_numbers_is_interpolated() {
    assert_eq!(median(&[]), 0.0);
    assert_eq!(median(&[0, 0, 4]), 2.0);
    assert_eq!(median(&[2, 2]), 0.5);
    assert_eq!(median(&[1, 3]), 0.5 + 1.0 / 3.0);
}

#[test]
fn filters_that_nobody_stated_show_as_a_difference_of_sites() {
    let levels = [600.0, 900.0, 900.0, 700.0];
    let level = |row: usize, col: usize| levels[row % 2 * 2 + col % 2];
    let data = noisy((400, 400), 20.0, level);
    let stated = FrameStats::of(&mosaic(data.clone(), rggb()));
    check_close(stated.site_difference_dn, 0.0, LEVEL_TOLERANCE_DN);
    let unstated = FrameStats::of(&mosaic(data, Cfa::mono()));
    check_close(unstated.site_difference_dn, 300.0, LEVEL_TOLERANCE_DN);
    check_close(unstated.noise_dn, 20.0, NOISE_TOLERANCE * 20.0);
}
