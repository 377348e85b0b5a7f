//! Scatter of values about a plane, without outliers.

use super::blocks::BLOCK_PX;

/// Values further than this many standard deviations from the plane are outliers: hot
/// pixels, particle hits, what is left of stars.
const CLIP_SIGMAS: f64 = 4.0;
/// What clipping at four sigmas until nothing changes leaves of a Gaussian's standard
/// deviation: the fixed point of s² = 1 − 2aφ(a)/(2Φ(a) − 1), a = 4s.
const LEFT_BY_CLIP: f64 = 0.999_460;
const MAX_PASSES: usize = 8;

/// Values of one channel at their places in a block.
#[derive(Clone, Debug, Default)]
pub(super) struct Plane {
    values: Vec<(f64, f64, f64)>,
}

/// What is left of the values without their plane.
#[derive(Clone, Copy, Debug)]
pub(super) struct Scatter {
    pub variance: f64,
    pub freedom: f64,
    pub correlation: f64,
}

impl Plane {
    /// Adds a value at a column and row of the block.
    pub fn push(&mut self, x: usize, y: usize, value: f64) {
        let middle = 0.5 * (BLOCK_PX as f64 - 1.0);
        self.values
            .push((x as f64 - middle, y as f64 - middle, value));
    }

    pub fn len(&self) -> usize {
        self.values.len()
    }

    /// Variance about the plane that fits best, outliers left out; `None` where the values
    /// do not span a plane.
    pub fn scatter(&mut self) -> Option<Scatter> {
        for _ in 0..MAX_PASSES {
            let n = self.values.len();
            let [level, along_x, along_y] = fit(&self.values)?;
            let residual =
                |&(x, y, value): &(f64, f64, f64)| value - level - along_x * x - along_y * y;
            let sum: f64 = self
                .values
                .iter()
                .map(|value| residual(value).powi(2))
                .sum();
            let freedom = n as f64 - 3.0;
            let variance = sum / freedom;
            let limit2 = CLIP_SIGMAS * CLIP_SIGMAS * variance;
            let kept: Vec<_> = self
                .values
                .iter()
                .copied()
                .filter(|value| residual(value).powi(2) <= limit2)
                .collect();
            if kept.len() == n {
                let correlation = match variance > 0.0 {
                    true => self.covariance_two_on(residual) / variance,
                    false => 0.0,
                };
                let variance = variance / (LEFT_BY_CLIP * LEFT_BY_CLIP);
                return Some(Scatter {
                    variance,
                    freedom,
                    correlation,
                });
            }
            self.values = kept;
        }
        None
    }

    /// Mean product of the residuals of sites two columns apart, which are of one channel.
    fn covariance_two_on(&self, residual: impl Fn(&(f64, f64, f64)) -> f64) -> f64 {
        let mut grid = [f64::NAN; BLOCK_PX * BLOCK_PX];
        let middle = 0.5 * (BLOCK_PX as f64 - 1.0);
        for value in &self.values {
            let (x, y) = ((value.0 + middle) as usize, (value.1 + middle) as usize);
            grid[y * BLOCK_PX + x] = residual(value);
        }
        let (mut sum, mut n) = (0.0, 0.0);
        for row in grid.chunks_exact(BLOCK_PX) {
            for (a, b) in row.iter().zip(&row[2..]) {
                let product = a * b;
                if product.is_finite() {
                    sum += product;
                    n += 1.0;
                }
            }
        }
        if n > 0.0 { sum / n } else { 0.0 }
    }
}

/// Level and slopes of the plane by least squares.
fn fit(values: &[(f64, f64, f64)]) -> Option<[f64; 3]> {
    if values.len() <= 3 {
        return None;
    }
    let n = values.len() as f64;
    let mean = |of: fn(&(f64, f64, f64)) -> f64| values.iter().map(of).sum::<f64>() / n;
    let (mx, my, mv) = (mean(|v| v.0), mean(|v| v.1), mean(|v| v.2));
    let (mut xx, mut xy, mut yy, mut xv, mut yv) = (0.0, 0.0, 0.0, 0.0, 0.0);
    for &(x, y, v) in values {
        let (x, y, v) = (x - mx, y - my, v - mv);
        xx += x * x;
        xy += x * y;
        yy += y * y;
        xv += x * v;
        yv += y * v;
    }
    let determinant = xx * yy - xy * xy;
    if determinant <= 1e-9 * xx * yy {
        return None;
    }
    let along_x = (xv * yy - yv * xy) / determinant;
    let along_y = (yv * xx - xv * xy) / determinant;
    Some([mv - along_x * mx - along_y * my, along_x, along_y])
}

#[cfg(test)]
mod tests {
    use super::*;
    use rand::{Rng, SeedableRng};
    use rand_chacha::ChaCha8Rng;
    use rand_distr::StandardNormal;

    fn block(value: impl Fn(usize, usize, f64) -> f64, seed: u64) -> Plane {
        let mut rng = ChaCha8Rng::seed_from_u64(seed);
        let mut plane = Plane::default();
        for y in 0..BLOCK_PX {
            for x in 0..BLOCK_PX {
                plane.push(x, y, value(x, y, rng.sample(StandardNormal)));
            }
        }
        plane
    }

    #[test]
    fn a_slope_is_no_scatter_and_an_outlier_neither() {
        let (mut sum, mut square) = (0.0, 0.0);
        let trials = 60;
        for seed in 0..trials {
            let slope =
                |x: usize, y: usize, noise: f64| 5.0 + 0.3 * x as f64 - 0.2 * y as f64 + noise;
            let hot = |x, y, noise| slope(x, y, noise) + if (x, y) == (3, 9) { 1e4 } else { 0.0 };
            let scatter = block(hot, seed).scatter().expect("a plane");
            sum += scatter.variance;
            square += scatter.correlation;
        }
        // A variance from 1024 values is known to 4.4 %, the mean of 60 to 0.57 %.
        let error = (2.0 / 1021.0 / trials as f64).sqrt();
        let mean = sum / trials as f64;
        assert!((mean - 1.0).abs() < 4.0 * error, "{mean}");
        let correlation = square / trials as f64;
        assert!(
            correlation.abs() < 4.0 / (960.0 * trials as f64).sqrt() + 2e-3,
            "{correlation}"
        );
    }

    #[test]
    fn neighbors_that_share_light_are_seen() {
        let shared = |x: usize, _: usize, noise: f64| {
            noise + if (x / 4).is_multiple_of(2) { 1.0 } else { -1.0 }
        };
        let scatter = block(shared, 3).scatter().expect("a plane");
        // Of the shared square wave half of the pairs agree and half do not; none of it
        // is left at two columns of eight.
        assert!(scatter.correlation.abs() < 0.1, "{}", scatter.correlation);
        let shared = |x: usize, _: usize, noise: f64| noise + (x as f64 * 0.4).sin();
        let scatter = block(shared, 3).scatter().expect("a plane");
        assert!(scatter.correlation > 0.15, "{}", scatter.correlation);
    }

    #[test]
    fn equal_values_do_not_scatter_and_too_few_say_nothing() {
        let flat = block(|_, _, _| 7.0, 0).scatter().expect("a plane");
        assert_eq!((flat.variance, flat.correlation), (0.0, 0.0));
        assert!(Plane::default().scatter().is_none());
        let mut line = Plane::default();
        (0..30).for_each(|x| line.push(x, 4, x as f64));
        assert!(line.scatter().is_none());
    }
}
