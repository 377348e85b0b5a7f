//! What medians and clips cost on pure Gaussian noise, against closed forms and numpy.

#![allow(clippy::print_stdout, reason = "a failing test shows its figures")]

use radicand_tests::{LEVEL_DN, SIGMA_DN, fixture, noise_stack};
use rand::{Rng, SeedableRng};
use rand_chacha::ChaCha8Rng;
use rand_distr::StandardNormal;
use stack::{ClipCenter, ClipOptions, ClipScale, Combine, Stack, clip_sorted};

/// Most good samples that growing takes by chance, as its definition says.
const GROWN: f64 = 1e-4;

/// Standard errors a figure may be off: one chance in 16,000.
const SIGMAS: f64 = 4.0;

fn rng(seed: u64) -> ChaCha8Rng {
    ChaCha8Rng::seed_from_u64(seed)
}

/// `n` samples in ascending order, standard deviation 1.
fn sorted_set(rng: &mut ChaCha8Rng, n: usize, set: &mut Vec<f32>) {
    set.clear();
    set.extend((0..n).map(|_| rng.sample::<f32, _>(StandardNormal)));
    set.sort_by(f32::total_cmp);
}

/// Mean, and the standard error of it, of numbers seen once.
#[derive(Default)]
struct Average {
    n: f64,
    sum: f64,
    sum_sq: f64,
}

impl Average {
    fn add(&mut self, value: f64) {
        self.n += 1.0;
        self.sum += value;
        self.sum_sq += value * value;
    }

    fn mean(&self) -> f64 {
        self.sum / self.n
    }

    fn error(&self) -> f64 {
        ((self.sum_sq / self.n - self.mean().powi(2)) / self.n).sqrt()
    }
}

/// Share of good samples that one pass about the mean takes, divisor n: checks.md A4,
/// Thompson's tau distribution (Thompson 1935, Ann. Math. Stat. 6, 214, from memory; the
/// numbers computed from it by quadrature).
const ONE_PASS: [(usize, [f64; 3]); 7] = [
    (5, [0.0, 0.0, 0.0]),
    (6, [0.016130, 0.0, 0.0]),
    (8, [0.030020, 0.000401, 0.0]),
    (10, [0.035265, 0.002746, 0.0]),
    (16, [0.040569, 0.006921, 0.000426]),
    (32, [0.043476, 0.009942, 0.001464]),
    (100, [0.044929, 0.011682, 0.002300]),
];
/// The table is given to this, a share.
const TABLE_ROUNDING: f64 = 0.5e-6;

#[test]
fn one_pass_takes_the_share_that_thompsons_tau_says() {
    const SETS: usize = 40_000;
    let mut rng = rng(1);
    let mut set = Vec::new();
    for (n, shares) in ONE_PASS {
        let mut taken = [0_u64; 3];
        for _ in 0..SETS {
            sorted_set(&mut rng, n, &mut set);
            for (taken, sigmas) in taken.iter_mut().zip([2.0, 2.5, 3.0]) {
                let options = ClipOptions {
                    low_sigmas: sigmas,
                    high_sigmas: sigmas,
                    center: ClipCenter::Mean,
                    scale: ClipScale::StandardDeviation,
                    max_passes: 1,
                };
                let kept = clip_sorted(&set, &options).expect("there are samples");
                *taken += (n - kept.n_kept) as u64;
            }
        }
        for (taken, want) in taken.into_iter().zip(shares) {
            let samples = (n * SETS) as f64;
            let found = taken as f64 / samples;
            println!("n {n}: {found:.6}, want {want:.6}");
            if want == 0.0 {
                assert_eq!(taken, 0, "n {n}");
            }
            // Samples of a set exclude each other, if anything, so binomial is the most.
            let error = (want / samples).sqrt();
            assert!(
                (found - want).abs() <= SIGMAS * error + TABLE_ROUNDING,
                "n {n}: {found}, want {want}"
            );
        }
    }
}

struct Price {
    n: usize,
    sigmas: f32,
    n_var: f64,
    n_var_error: f64,
    clipped: f64,
    clipped_error: f64,
}

fn prices() -> Vec<Price> {
    let text = std::fs::read_to_string(fixture("clip_price/price.csv")).expect("the fixture");
    let price = |line: &str| {
        let numbers: Vec<f64> = line
            .split(',')
            .map(|field| field.parse().expect("a number"))
            .collect();
        Price {
            n: numbers[0] as usize,
            sigmas: numbers[1] as f32,
            n_var: numbers[2],
            n_var_error: numbers[3],
            clipped: numbers[4],
            clipped_error: numbers[5],
        }
    };
    let prices: Vec<Price> = text.lines().skip(1).map(price).collect();
    assert_eq!(prices.len(), 15);
    prices
}

#[test]
fn converged_clips_cost_what_numpy_finds() {
    const SETS: usize = 60_000;
    let mut rng = rng(2);
    let mut set = Vec::new();
    for price in prices() {
        let options = ClipOptions {
            low_sigmas: price.sigmas,
            high_sigmas: price.sigmas,
            center: ClipCenter::Median,
            scale: ClipScale::StandardDeviation,
            max_passes: 10,
        };
        let (mut mean_sq, mut clipped) = (Average::default(), Average::default());
        for _ in 0..SETS {
            sorted_set(&mut rng, price.n, &mut set);
            let kept = clip_sorted(&set, &options).expect("there are samples");
            let values = set.iter().filter(|v| kept.low <= **v && **v <= kept.high);
            let sum: f64 = values.map(|&v| f64::from(v)).sum();
            mean_sq.add(price.n as f64 * (sum / kept.n_kept as f64).powi(2));
            clipped.add(1.0 - kept.n_kept as f64 / price.n as f64);
        }
        println!(
            "n {} at {}: n var {:.4} of {:.4}, clipped {:.6} of {:.6}",
            price.n,
            price.sigmas,
            mean_sq.mean(),
            price.n_var,
            clipped.mean(),
            price.clipped
        );
        let name = format!("n {} at {}", price.n, price.sigmas);
        let off = mean_sq.mean() - price.n_var;
        assert!(
            off.abs() <= SIGMAS * mean_sq.error().hypot(price.n_var_error),
            "{name}: n var off by {off}"
        );
        // Where next to nothing is clipped, the scatter seen knows no error of its own.
        let least = (price.clipped / (price.n * SETS) as f64).sqrt();
        let off = clipped.mean() - price.clipped;
        assert!(
            off.abs() <= SIGMAS * clipped.error().max(least).hypot(price.clipped_error),
            "{name}: share off by {off}"
        );
    }
}

const SIDE_PX: usize = 320;

/// `n` times the variance of the stack, in units of a sample's.
fn n_var(stack: &Stack, n: usize) -> Average {
    let mut average = Average::default();
    for &value in &stack.mean {
        let off = f64::from((value - LEVEL_DN) / SIGMA_DN);
        average.add(n as f64 * off * off);
    }
    average
}

/// `n` times the variance of a median of `n` Gaussian samples: checks.md A2, by
/// quadrature of the order statistics' distributions (formula elementary).
const MEDIAN_N_VAR: [(usize, f64); 8] = [
    (2, 1.000000),
    (3, 1.346013),
    (4, 1.192798),
    (5, 1.434168),
    (8, 1.345447),
    (10, 1.383264),
    (20, 1.468741),
    (25, 1.543656),
];

#[test]
fn the_engines_median_has_the_exact_variance_of_few_samples() {
    for (n, want) in MEDIAN_N_VAR {
        let found = n_var(&noise_stack(SIDE_PX, n, Combine::Median, n as u64), n);
        println!(
            "n {n}: {:.4} +- {:.4}, want {want}",
            found.mean(),
            found.error()
        );
        let off = found.mean() - want;
        assert!(off.abs() <= SIGMAS * found.error(), "n {n}: off by {off}");
    }
}

#[test]
fn the_engines_mean_falls_as_the_root_of_n() {
    for n in [1, 2, 7, 20] {
        let found = n_var(&noise_stack(SIDE_PX, n, Combine::Mean, 100 + n as u64), n);
        println!("n {n}: {:.4} +- {:.4}", found.mean(), found.error());
        let off = found.mean() - 1.0;
        assert!(off.abs() <= SIGMAS * found.error(), "n {n}: off by {off}");
    }
}

#[test]
fn the_engines_clip_takes_no_more_from_pure_noise_than_it_must() {
    for price in prices().iter().filter(|p| p.n >= 8) {
        let clip = Combine::SigmaClip(ClipOptions {
            low_sigmas: price.sigmas,
            high_sigmas: price.sigmas,
            max_passes: 10,
            ..ClipOptions::default()
        });
        let n = price.n;
        let stack = noise_stack(SIDE_PX, n, clip, 200 + n as u64);
        let samples = (n * SIDE_PX * SIDE_PX) as f64;
        let taken = stack.rejected.iter().map(|&r| f64::from(r)).sum::<f64>() / samples;
        let error = (price.clipped / samples).sqrt();
        println!("n {n}: clipped {taken:.6}, want {:.6}", price.clipped);
        // A second sample of a set goes more easily than the first: up to twice the
        // variance of independent ones.
        let limit = SIGMAS * (2f64.sqrt() * error).hypot(price.clipped_error) + GROWN;
        assert!((taken - price.clipped).abs() <= limit, "n {n}: {taken}");
        let found = n_var(&stack, n);
        let off = found.mean() - price.n_var;
        let limit = SIGMAS * found.error().hypot(price.n_var_error);
        assert!(off.abs() <= limit, "n {n}: n var off by {off} of {limit}");
    }
}

#[test]
fn the_engine_takes_from_pure_noise_what_its_clip_takes_by_median_deviations() {
    const SETS: usize = 100_000;
    for (n, sigmas) in [(5, 3.0), (5, 2.0), (8, 2.5), (20, 3.0), (20, 2.0)] {
        let clip = ClipOptions {
            low_sigmas: sigmas,
            high_sigmas: sigmas,
            scale: ClipScale::MedianDeviation,
            ..ClipOptions::default()
        };
        let mut rng = rng(300 + n as u64);
        let (mut set, mut taken) = (Vec::new(), Average::default());
        for _ in 0..SETS {
            sorted_set(&mut rng, n, &mut set);
            let kept = clip_sorted(&set, &clip).expect("samples").n_kept;
            taken.add((n - kept) as f64 / n as f64);
        }
        let stack = noise_stack(SIDE_PX, n, Combine::SigmaClip(clip), 400 + n as u64);
        let mut found = Average::default();
        for &rejected in &stack.rejected {
            found.add(f64::from(rejected) / n as f64);
        }
        let (found_share, want) = (found.mean(), taken.mean());
        println!("n {n} at {sigmas}: {found_share:.5} of {want:.5}");
        let limit = SIGMAS * found.error().hypot(taken.error()) + GROWN;
        assert!((found_share - want).abs() <= limit, "n {n} at {sigmas}");
        // No pixel loses all of its samples, nor by growing more than half of them.
        assert!(stack.mean.iter().all(|value| value.is_finite()));
    }
}
