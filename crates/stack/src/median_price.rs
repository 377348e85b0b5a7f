//! What a median costs in noise, for any number of samples.

/// `N var(median) / sigma²` of N Gaussian samples: 1.4687 for N = 20, tending to π/2.
///
/// By quadrature of the order statistics' joint density. Even N is better than odd.
/// N = 0, 1 and 2 give 1: a median of two is their mean. From N = 400 the asymptote with
/// its first-order term is used.
///
/// Source: David & Nagaraja (2003), Order Statistics, sect. 2.2 (from memory);
/// agrees with an independent table to 2e-6
/// (`median_price_equals_the_independent_table`).
pub fn median_price(n: usize) -> f64 {
    match n {
        0..=2 => 1.0,
        3..400 if n % 2 == 1 => odd_median_price(n),
        3..400 => even_median_price(n),
        // N var = pi/2 (1 - c/N), c from N = 399 and 398.
        _ if n % 2 == 1 => asymptotic_median_price(n, odd_median_price(399), 399),
        _ => asymptotic_median_price(n, even_median_price(398), 398),
    }
}

fn asymptotic_median_price(n: usize, known: f64, known_n: usize) -> f64 {
    let limit = std::f64::consts::FRAC_PI_2;
    limit + (known - limit) * known_n as f64 / n as f64
}

/// Standard normal density.
fn density(x: f64) -> f64 {
    (-0.5 * x * x).exp() / (2.0 * std::f64::consts::PI).sqrt()
}

/// Probability above `x` of a standard normal deviate.
///
/// Series below 3, continued fraction above (Abramowitz & Stegun 26.2.11 and 26.2.14,
/// from memory); to about 1e-12 absolute.
fn upper_tail(x: f64) -> f64 {
    if x < 0.0 {
        return 1.0 - upper_tail(-x);
    }
    if x < 3.0 {
        let (mut term, mut sum, mut k) = (x, x, 1.0);
        while term > 1e-17 {
            k += 2.0;
            term *= x * x / k;
            sum += term;
        }
        return 0.5 - density(x) * sum;
    }
    let mut fraction = x;
    for k in (1..=60).rev() {
        fraction = x + f64::from(k) / fraction;
    }
    density(x) / fraction
}

/// Keeps `(F (1 - F))^m` within range; cancels in the ratio.
const LN_4: f64 = 2.0 * std::f64::consts::LN_2;

/// Steps of the quadrature over the median, which reaches 8 of its standard deviations.
/// The rectangle rule converges exponentially on a density that vanishes at both ends.
const STEPS: i32 = 32;

fn median_steps(n: usize) -> impl Iterator<Item = f64> {
    let step = 8.0 * (std::f64::consts::FRAC_PI_2 / n as f64).sqrt() / f64::from(STEPS);
    (-STEPS..=STEPS).map(move |i| f64::from(i) * step)
}

fn odd_median_price(n: usize) -> f64 {
    let m = (n - 1) as f64 / 2.0;
    let (mut mass, mut square) = (0.0, 0.0);
    for x in median_steps(n) {
        let log = m * (upper_tail(-x).ln() + upper_tail(x).ln() + LN_4);
        let weight = log.exp() * density(x);
        mass += weight;
        square += weight * x * x;
    }
    n as f64 * square / mass
}

/// Boole's rule, error of the sixth order.
const BOOLE: [f64; 4] = [14.0, 32.0, 12.0, 32.0];
const PANELS: usize = 48;

/// The mean `u` of the two middle samples `u - d` and `u + d`, over both.
fn even_median_price(n: usize) -> f64 {
    let power = (n / 2 - 1) as f64;
    // The density falls about as exp(-0.8 n d), and faster far out.
    let reach = (45.0 / n as f64).min(8.0);
    let step = reach / (4 * PANELS) as f64;
    let (mut mass, mut square) = (0.0, 0.0);
    for u in median_steps(n) {
        let mut line = 0.0;
        for i in 0..4 * PANELS {
            let rule = if i == 0 { 7.0 } else { BOOLE[i % 4] };
            let (high, low) = (u + i as f64 * step, u - i as f64 * step);
            let log = power * (upper_tail(high).ln() + upper_tail(-low).ln() + LN_4);
            line += rule * log.exp() * density(high) * density(low);
        }
        mass += line;
        square += line * u * u;
    }
    n as f64 * square / mass
}

#[cfg(test)]
mod tests {
    use super::*;

    /// `N var / sigma^2` from an independent quadrature, printed to six digits.
    const MEDIAN_TABLE: [(usize, f64); 24] = [
        (2, 1.000000),
        (3, 1.346013),
        (4, 1.192798),
        (5, 1.434168),
        (6, 1.288456),
        (7, 1.473128),
        (8, 1.345447),
        (9, 1.494912),
        (10, 1.383264),
        (11, 1.508787),
        (12, 1.410194),
        (15, 1.525420),
        (16, 1.446003),
        (20, 1.468741),
        (21, 1.538455),
        (25, 1.543656),
        (30, 1.500663),
        (31, 1.548933),
        (32, 1.504790),
        (50, 1.527642),
        (51, 1.557532),
        (64, 1.536795),
        (100, 1.548794),
        (101, 1.564109),
    ];
    /// Rounding of the table, and our grid.
    const TABLE_DIGITS: f64 = 2e-6;

    #[test]
    fn median_price_equals_the_independent_table() {
        for (n, price) in MEDIAN_TABLE {
            let ours = median_price(n);
            assert!(
                (ours - price).abs() < TABLE_DIGITS,
                "N = {n}: {ours} instead of {price}"
            );
        }
    }

    #[test]
    fn median_price_of_many_tends_to_half_pi_without_a_step() {
        assert_eq!(median_price(0), 1.0);
        assert!((median_price(398) - median_price(400)).abs() < 1e-3);
        assert!((median_price(399) - median_price(401)).abs() < 1e-3);
        assert!((median_price(100_000) - std::f64::consts::FRAC_PI_2).abs() < 1e-4);
    }
}
