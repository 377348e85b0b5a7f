//! Biases of medians and clips, and what whole numbers cost medians: fixtures/bias_checks.

#![allow(clippy::print_stdout, reason = "a failing test shows its figures")]

use radicand_tests::{LEVEL_DN, SIGMA_DN, drawn_stack, fixture, mean_and_error};
use rand::{Rng, SeedableRng};
use rand_chacha::ChaCha8Rng;
use rand_distr::{Poisson, StandardNormal};
use stack::{ClipOptions, Combine, Stack, clip_sorted, median_of_sorted};

/// Standard errors a figure may be off: one chance in 16,000.
const SIGMAS: f64 = 4.0;
/// Figures of the fixtures are given to this.
const TABLE_ROUNDING: f64 = 0.5e-6;

/// The lines of a table without its head.
fn table(name: &str) -> Vec<Vec<String>> {
    let path = fixture("bias_checks").join(name);
    let text = std::fs::read_to_string(path).expect("the fixture");
    let fields = |line: &str| line.split(',').map(str::to_owned).collect();
    text.lines().skip(1).map(fields).collect()
}

fn number(field: &str) -> f64 {
    field.parse().expect("a number")
}

/// Bias of a median as expected: samples, what `of`, and the bias.
fn biases(kind: &str, expected: usize) -> Vec<(usize, String, f64)> {
    let lines = table("median.csv")
        .into_iter()
        .filter(|line| line[0] == kind);
    let biases = lines.map(|line| (number(&line[1]) as usize, line[2].clone(), number(&line[3])));
    let biases: Vec<_> = biases.collect();
    assert_eq!(biases.len(), expected);
    biases
}

#[track_caller]
fn check(name: &str, found: impl IntoIterator<Item = f64>, want: f64, want_error: f64) {
    let (found, error) = mean_and_error(found);
    println!("{name}: {found:.5} +- {error:.5} of {want:.5}");
    let limit = SIGMAS * error.hypot(want_error) + TABLE_ROUNDING;
    assert!(
        (found - want).abs() <= limit,
        "{name}: {found}, want {want}"
    );
}

fn offsets(stack: &Stack, level_dn: f32, sigma_dn: f32) -> impl Iterator<Item = f64> {
    let values = stack.mean.iter();
    values.map(move |&value| f64::from(value - level_dn) / f64::from(sigma_dn))
}

const SIDE_PX: usize = 240;

#[test]
fn one_sample_above_all_moves_the_engines_median_as_order_statistics_say() {
    for (n, _, want) in biases("one", 7) {
        let stack = drawn_stack(SIDE_PX, n, Combine::Median, n as u64, |rng, light, _| {
            let spoilt = if light == 0 { 50.0 } else { 0.0 };
            let off = spoilt + rng.sample::<f32, _>(StandardNormal);
            (LEVEL_DN + SIGMA_DN * off).round() as u16
        });
        check(
            &format!("n {n}"),
            offsets(&stack, LEVEL_DN, SIGMA_DN),
            want,
            0.0,
        );
    }
}

#[test]
fn a_share_above_all_moves_the_median_as_hubers_formula_says() {
    let mut rng = ChaCha8Rng::seed_from_u64(1);
    for (n, share, want) in biases("share", 10) {
        let chance = number(&share);
        let medians = (0..2_000_000 / n).map(|_| {
            let mut draw = || match rng.random_bool(chance) {
                true => 50.0,
                false => rng.sample::<f32, _>(StandardNormal),
            };
            let mut set: Vec<f32> = (0..n).map(|_| draw()).collect();
            set.sort_by(f32::total_cmp);
            median_of_sorted(&set)
        });
        check(&format!("n {n}, {share} spoilt"), medians, want, 0.0);
    }
}

#[test]
fn the_engines_median_of_photons_is_too_low_by_the_exact_sum() {
    for (i, (n, level, want)) in biases("photons", 9).into_iter().enumerate() {
        let level_e = number(&level);
        let counts = Poisson::new(level_e).expect("a level");
        let stack = drawn_stack(SIDE_PX, n, Combine::Median, 20 + i as u64, |rng, _, _| {
            rng.sample(counts) as u16
        });
        let off = offsets(&stack, level_e as f32, 1.0);
        check(&format!("n {n} at {level} e-"), off, want, 0.0);
        // Of many samples of many photons -1/6, to a hundredth.
        assert!(n < 100 || level_e < 30.0 || (want + 1.0 / 6.0).abs() < 0.01);
    }
}

#[test]
fn the_engines_mean_and_median_of_whole_numbers_err_as_quadrature_says() {
    const BLACK_DN: u16 = 100;
    let phase = |(row, column)| (row * SIDE_PX + column) as f64 / (SIDE_PX * SIDE_PX) as f64;
    let lines = table("rounding.csv");
    assert_eq!(lines.len(), 4);
    for (seed, line) in (40..).zip(lines) {
        let [sigma, n, of_mean, of_median] = [0, 1, 2, 3].map(|i| number(&line[i]));
        for (combine, want) in [(Combine::Mean, of_mean), (Combine::Median, of_median)] {
            let stack = drawn_stack(SIDE_PX, n as usize, combine, seed, |rng, _, place| {
                let value = phase(place) + sigma * rng.sample::<f64, _>(StandardNormal);
                BLACK_DN.saturating_add_signed(value.round() as i16)
            });
            let mean = stack.mean.index_axis(ndarray::Axis(0), 0);
            let off = mean.indexed_iter().map(|(place, &value)| {
                (f64::from(value) - f64::from(BLACK_DN) - phase(place)).powi(2)
            });
            let name = format!("{} at a sigma of {sigma}", combine.name());
            check(&name, off, want * want, 0.0);
        }
    }
}

/// What a clip makes of one set of samples.
struct Clipped {
    /// The mean of what is kept, less that of the samples from `first_good` on.
    off: f64,
    /// Share that is kept.
    kept: f64,
}

fn clipped(samples: &[f32], first_good: usize, sigmas: f32) -> Clipped {
    let mean =
        |values: &[f32]| values.iter().map(|&v| f64::from(v)).sum::<f64>() / values.len() as f64;
    let mut sorted = samples.to_vec();
    sorted.sort_by(f32::total_cmp);
    let options = ClipOptions {
        low_sigmas: sigmas,
        high_sigmas: sigmas,
        ..ClipOptions::default()
    };
    let kept = clip_sorted(&sorted, &options).expect("there are samples");
    let from = sorted.partition_point(|&v| v < kept.low);
    Clipped {
        off: mean(&sorted[from..from + kept.n_kept]) - mean(&samples[first_good..]),
        kept: kept.n_kept as f64 / samples.len() as f64,
    }
}

#[test]
fn clips_are_biased_by_an_outlier_and_by_photons_as_astropys_are() {
    const SETS: usize = 60_000;
    let lines = table("clip.csv");
    assert_eq!(lines.len(), 24);
    for (i, line) in lines.iter().enumerate() {
        let [n, of, sigmas] = [1, 2, 3].map(|i| number(&line[i]));
        let (n, moved) = (n as usize, line[0] == "moved");
        let mut rng = ChaCha8Rng::seed_from_u64(100 + i as u64);
        let counts = Poisson::new(of as f32).expect("a level");
        let sets = (0..SETS).map(|_| {
            let samples: Vec<f32> = match moved {
                true => (0..n)
                    .map(|i| {
                        rng.sample::<f32, _>(StandardNormal) + if i == 0 { of as f32 } else { 0.0 }
                    })
                    .collect(),
                false => (0..n).map(|_| rng.sample(counts)).collect(),
            };
            clipped(&samples, usize::from(moved), sigmas as f32)
        });
        let sets: Vec<Clipped> = sets.collect();
        let [bias, bias_error, kept, kept_error] = [4, 5, 6, 7].map(|i| number(&line[i]));
        let name = format!("{} {of}, n {n} at {sigmas}", line[0]);
        check(
            &format!("{name}, bias"),
            sets.iter().map(|s| s.off),
            bias,
            bias_error,
        );
        check(
            &format!("{name}, kept"),
            sets.iter().map(|s| s.kept),
            kept,
            kept_error,
        );
    }
}
