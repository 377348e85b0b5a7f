//! The straight line of variance over level, fitted with the errors of the variances.

use super::blocks::Point;
use crate::robust::median;

/// variance = `offset_dn2` + `slope_dn` · level.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Line {
    /// Variance without light, DN².
    pub offset_dn2: f64,
    /// Variance that a DN of light brings, DN.
    pub slope_dn: f64,
    /// Standard errors of both.
    pub offset_error_dn2: f64,
    pub slope_error_dn: f64,
    /// Variance of the levels, DN², over that of the error of a single one.
    pub leverage: f64,
    /// Largest departure of a group of blocks of like level from the line, relative to the
    /// line; 0 when within four of its standard errors.
    pub departure: f64,
}

/// Blocks further than this from the line, in standard errors, show something else.
const LIMIT_SIGMAS: f64 = 4.0;
const ROUNDS: usize = 8;
const FEWEST_POINTS: usize = 8;
/// Groups of blocks of like level.
const GROUPS: usize = 12;

/// Fits a line to points.
///
/// A variance from ν degrees of freedom scatters by √(2/ν) of itself; the weights use the
/// line's variance, not the measured one, which would favor what came out low. Outliers
/// are told by cube roots, which are nearly normal (Wilson & Hilferty 1931). The errors
/// grow with the scatter where that is more than expected. `None` with too few points or
/// where all levels are equal.
pub(super) fn fit(points: &[Point]) -> Option<Line> {
    let mut points: Vec<Point> = points.iter().copied().filter(is_finite).collect();
    points.sort_by(|a, b| a.level_dn.total_cmp(&b.level_dn));
    let (mut offset, mut slope) = start(&points)?;
    let mut kept = Vec::new();
    let mut sums = Sums::default();
    for _ in 0..ROUNDS {
        let least = 1e-3 * points.iter().map(|p| p.variance_dn2).sum::<f64>() / points.len() as f64;
        let model = |p: &Point| (offset + slope * p.level_dn).max(least);
        kept = points
            .iter()
            .filter(|p| deviation(p, model(p)).abs() <= LIMIT_SIGMAS)
            .collect();
        if kept.len() < FEWEST_POINTS {
            return None;
        }
        sums = Sums::default();
        for point in &kept {
            sums.add(point, 0.5 * point.freedom / model(point).powi(2));
        }
        (offset, slope) = sums.solve()?;
    }
    let scatter: f64 = kept
        .iter()
        .map(|p| {
            let model = offset + slope * p.level_dn;
            0.5 * p.freedom * (p.variance_dn2 / model - 1.0).powi(2)
        })
        .sum();
    let excess = (scatter / (kept.len() as f64 - 2.0)).max(1.0);
    let (offset_variance, slope_variance) = sums.variances();
    let mean_error =
        kept.iter().map(|p| p.variance_dn2 / p.freedom).sum::<f64>() / kept.len() as f64;
    Some(Line {
        offset_dn2: offset,
        slope_dn: slope,
        offset_error_dn2: (excess * offset_variance).sqrt(),
        slope_error_dn: (excess * slope_variance).sqrt(),
        leverage: spread(&kept) / (0.5 * mean_error),
        departure: departure(&kept, offset, slope),
    })
}

fn is_finite(point: &Point) -> bool {
    point.level_dn.is_finite() && point.variance_dn2 > 0.0 && point.freedom > 0.0
}

/// A line through medians of groups of like level, which a few odd blocks do not move.
fn start(points: &[Point]) -> Option<(f64, f64)> {
    if points.len() < FEWEST_POINTS {
        return None;
    }
    let mut sums = Sums::default();
    for group in points.chunks(points.len().div_ceil(GROUPS)) {
        let of = |value: fn(&Point) -> f64| median(group.iter().map(value).collect());
        let middle = Point {
            level_dn: of(|p| p.level_dn),
            variance_dn2: of(|p| p.variance_dn2),
            ..group[0]
        };
        sums.add(&middle, middle.variance_dn2.powi(-2));
    }
    sums.solve()
}

/// How far a variance is from the line's, in standard errors of its cube root.
fn deviation(point: &Point, model: f64) -> f64 {
    let own = 2.0 / (9.0 * point.freedom);
    ((point.variance_dn2 / model).cbrt() - (1.0 - own)) / own.sqrt()
}

fn spread(points: &[&Point]) -> f64 {
    let n = points.len() as f64;
    let mean = points.iter().map(|p| p.level_dn).sum::<f64>() / n;
    points
        .iter()
        .map(|p| (p.level_dn - mean).powi(2))
        .sum::<f64>()
        / n
}

fn departure(points: &[&Point], offset: f64, slope: f64) -> f64 {
    let groups = points.chunks(points.len().div_ceil(GROUPS));
    groups
        .map(|group| {
            let freedom: f64 = group.iter().map(|p| p.freedom).sum();
            let ratio =
                |p: &&Point| p.freedom * (p.variance_dn2 / (offset + slope * p.level_dn) - 1.0);
            let off = group.iter().map(ratio).sum::<f64>() / freedom;
            let error = (2.0 / freedom).sqrt();
            if off.abs() > LIMIT_SIGMAS * error {
                off.abs()
            } else {
                0.0
            }
        })
        .fold(0.0, f64::max)
}

/// Sums of the normal equations.
#[derive(Clone, Copy, Debug, Default)]
struct Sums {
    one: f64,
    x: f64,
    xx: f64,
    y: f64,
    xy: f64,
}

impl Sums {
    fn add(&mut self, point: &Point, weight: f64) {
        let (x, y) = (point.level_dn, point.variance_dn2);
        self.one += weight;
        self.x += weight * x;
        self.xx += weight * x * x;
        self.y += weight * y;
        self.xy += weight * x * y;
    }

    fn determinant(&self) -> f64 {
        self.one * self.xx - self.x * self.x
    }

    fn solve(&self) -> Option<(f64, f64)> {
        let determinant = self.determinant();
        if determinant.is_nan() || determinant <= 1e-12 * self.one * self.xx {
            return None;
        }
        let slope = (self.one * self.xy - self.x * self.y) / determinant;
        let offset = (self.y - slope * self.x) / self.one;
        Some((offset, slope))
    }

    fn variances(&self) -> (f64, f64) {
        (self.xx / self.determinant(), self.one / self.determinant())
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use rand::SeedableRng;
    use rand_chacha::ChaCha8Rng;
    use rand_distr::{ChiSquared, Distribution};

    fn points(seed: u64, levels: (f64, f64), line: impl Fn(f64) -> f64) -> Vec<Point> {
        let mut rng = ChaCha8Rng::seed_from_u64(seed);
        let freedom = 253.0;
        let chi = ChiSquared::new(freedom).expect("positive");
        (0..400)
            .map(|i| {
                let level_dn = levels.0 + (levels.1 - levels.0) * f64::from(i) / 399.0;
                Point {
                    block: i as usize,
                    level_dn,
                    variance_dn2: line(level_dn) * chi.sample(&mut rng) / freedom,
                    freedom,
                    correlation: 0.0,
                }
            })
            .collect()
    }

    #[test]
    fn slope_and_offset_are_unbiased_and_their_errors_right() {
        let trials = 200;
        let (mut slope, mut square, mut offset) = (0.0, 0.0, 0.0);
        for seed in 0..trials {
            let found = fit(&points(seed, (50.0, 900.0), |x| 30.0 + 2.5 * x)).expect("a line");
            slope += found.slope_dn / trials as f64;
            square += ((found.slope_dn - 2.5) / found.slope_error_dn).powi(2) / trials as f64;
            offset += ((found.offset_dn2 - 30.0) / found.offset_error_dn2) / trials as f64;
        }
        assert!((slope / 2.5 - 1.0).abs() < 2e-3, "{slope}");
        // The width of 200 z-scores is known to 5 %.
        assert!((square.sqrt() - 1.0).abs() < 0.2, "{square}");
        assert!(offset.abs() < 4.0 / (trials as f64).sqrt(), "{offset}");
    }

    #[test]
    fn odd_blocks_do_not_move_the_line_and_a_kink_is_seen() {
        let mut spoiled = points(1, (50.0, 900.0), |x| 30.0 + 2.5 * x);
        spoiled
            .iter_mut()
            .step_by(9)
            .for_each(|p| p.variance_dn2 *= 3.0);
        let found = fit(&spoiled).expect("a line");
        assert!((found.slope_dn / 2.5 - 1.0).abs() < 0.02, "{found:?}");
        assert_eq!(found.departure, 0.0);
        let kinked = points(2, (50.0, 900.0), |x| {
            if x < 400.0 {
                30.0 + 2.5 * x
            } else {
                0.8 * (30.0 + 2.5 * x)
            }
        });
        assert!(fit(&kinked).is_some_and(|line| line.departure > 0.03));
    }

    #[test]
    fn one_level_and_no_points_have_no_line() {
        assert!(fit(&[]).is_none());
        assert!(fit(&points(3, (100.0, 100.0), |x| x)).is_none());
    }
}
