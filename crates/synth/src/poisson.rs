//! Poisson numbers, exact at every mean and quick.

use rand::Rng;
use std::sync::LazyLock;

/// More light than any pixel holds, e⁻.
const BRIGHTEST_E: f64 = 1e15;
/// From this mean on the transformed rejection is quicker than tables.
const LEAST_REJECTION_MEAN: f64 = 64.0;
/// Tables per unit of the mean.
const PER_UNIT: usize = 4;
/// Entries of a table's guide.
const GUIDES: usize = 64;
/// Beyond any count that what is left of a mean gives: its share is under 1e-60.
const MOST_STEPS: f64 = 50.0;

/// The distributions whose means are multiples of `1 / PER_UNIT`.
static TABLES: LazyLock<Vec<Table>> = LazyLock::new(|| {
    let n = LEAST_REJECTION_MEAN as usize * PER_UNIT;
    (0..n)
        .map(|i| Table::new(i as f64 / PER_UNIT as f64))
        .collect()
});

/// A Poisson number of the given mean: no normal approximation. 0 where the mean is not
/// positive.
pub(crate) fn poisson(mean: f64, rng: &mut impl Rng) -> f64 {
    if mean >= LEAST_REJECTION_MEAN {
        by_rejection(mean.min(BRIGHTEST_E), rng)
    } else if mean > 0.0 {
        // The sum of two Poisson numbers is one of the sum of their means.
        let whole = (mean * PER_UNIT as f64) as usize;
        let rest = mean - whole as f64 / PER_UNIT as f64;
        TABLES[whole].count(rng.random()) + by_inversion(rest, rng)
    } else {
        0.0
    }
}

/// A Poisson distribution, with where to begin the search in it.
///
/// Source: Chen & Asau (1974), AIIE Transactions 6, 163, the indexed search (from memory).
struct Table {
    /// Share of counts up to each; beyond the last there is less than a random number resolves.
    up_to: Vec<f64>,
    /// Least count that a random number from each of equal parts of 0 .. 1 can give.
    guide: [u8; GUIDES],
}

impl Table {
    fn new(mean: f64) -> Self {
        const NEGLIGIBLE: f64 = 1e-18;
        let mut share = libm::exp(-mean);
        let (mut sum, mut up_to) = (share, vec![share]);
        while share > NEGLIGIBLE || (up_to.len() as f64) < mean {
            share *= mean / up_to.len() as f64;
            sum += share;
            up_to.push(sum);
        }
        let guide = std::array::from_fn(|i| {
            let part = i as f64 / GUIDES as f64;
            up_to.partition_point(|&share| share <= part) as u8
        });
        Self { up_to, guide }
    }

    /// The count of a random number in 0 .. 1.
    fn count(&self, random: f64) -> f64 {
        let mut count = usize::from(self.guide[(random * GUIDES as f64) as usize]);
        while self.up_to.get(count).is_some_and(|&share| share <= random) {
            count += 1;
        }
        count as f64
    }
}

/// Walks up the distribution until a uniform number is used up; for small means.
fn by_inversion(mean: f64, rng: &mut impl Rng) -> f64 {
    let mut rest = rng.random::<f64>();
    // exp(-mean) is never less than this.
    if rest <= 1.0 - mean {
        return 0.0;
    }
    let mut share = libm::exp(-mean);
    let mut count = 0.0;
    while rest > share && count < MOST_STEPS {
        rest -= share;
        count += 1.0;
        share *= mean / count;
    }
    count
}

/// Transformed rejection with squeeze.
///
/// Source: Hörmann (1993), Insurance: Mathematics and Economics 12, 39, algorithm PTRS
/// (from memory; its moments are tested).
fn by_rejection(mean: f64, rng: &mut impl Rng) -> f64 {
    let b = 0.931 + 2.53 * mean.sqrt();
    let a = -0.059 + 0.024_83 * b;
    loop {
        let u = rng.random::<f64>() - 0.5;
        let v = rng.random::<f64>();
        let us = 0.5 - u.abs();
        let place = (2.0 * a / us + b) * u + mean + 0.43;
        // Never so within the squeeze: there u > -0.43, and `place` is above 4.
        if place < 0.0 || (us < 0.013 && v > us) {
            continue;
        }
        // Cutting off is rounding down where nothing is negative, and quicker.
        let count = place as i64 as f64;
        // v <= 0.9277 - 3.6224 / (b - 2), without the division.
        if us >= 0.07 && (0.9277 - v) * (b - 2.0) >= 3.6224 {
            return count;
        }
        let inverse_alpha = 1.1239 + 1.1328 / (b - 3.4);
        let height = v * inverse_alpha / (a / (us * us) + b);
        if below(height, mean, count) {
            return count;
        }
    }
}

/// Whether `height` is at most the probability of `count`, `mean^n e^-mean / n!`.
fn below(height: f64, mean: f64, count: f64) -> bool {
    if count < 10.0 {
        let log_share = count * libm::log(mean) - mean - libm::lgamma(count + 1.0);
        return libm::log(height) <= log_share;
    }
    // Stirling's series for ln n!, whose next term is below 1e-8, with ln n drawn together
    // with ln mean: two logarithms instead of three.
    let rest = (1.0 - 1.0 / (30.0 * count * count)) / (12.0 * count);
    let root = (std::f64::consts::TAU * count).sqrt();
    libm::log(height * root) <= count * libm::log(mean / count) + count - mean - rest
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::random::{Purpose, stream};

    #[test]
    fn counts_come_as_often_as_the_distribution_says() {
        const DRAWS: usize = 200_000;
        // The share of a count is binomial; 5 sigmas of it, for some 300 counts.
        const SIGMAS: f64 = 5.0;
        for (row, mean) in [0.003f64, 0.25, 0.9, 3.31, 17.2, 63.99, 64.0, 300.0]
            .into_iter()
            .enumerate()
        {
            let mut rng = stream(1, Purpose::Exposure, 0, row);
            let mut found = vec![0usize; 1000];
            for _ in 0..DRAWS {
                found[poisson(mean, &mut rng) as usize] += 1;
            }
            for (count, &n) in found.iter().enumerate() {
                let count = count as f64;
                let log_share = count * libm::log(mean) - mean - libm::lgamma(count + 1.0);
                let want = DRAWS as f64 * libm::exp(log_share);
                let allowed = SIGMAS * want.sqrt() + 3.0;
                assert!((n as f64 - want).abs() < allowed, "{count} of {mean}: {n}");
            }
        }
    }
}
