//! The integral of the normal curve, from a table.

/// Share of a normal distribution below a value, by cubic Hermite interpolation in a
/// table of the integral and its slope: exact to [`NormalCurve::ERROR`].
#[derive(Clone, Debug)]
pub(crate) struct NormalCurve {
    /// Integral and slope times the step.
    nodes: Vec<[f64; 2]>,
}

/// Nodes per sigma.
const PER_SIGMA: f64 = 32.0;
/// Where the table ends, sigmas; 6e-16 lies beyond.
const EDGE: f64 = 8.0;

impl NormalCurve {
    /// Largest error: `step⁴ / 384` times the largest fourth derivative of the integral, 0.551.
    #[cfg(test)]
    const ERROR: f64 = 0.551 / 384.0 / (PER_SIGMA * PER_SIGMA * PER_SIGMA * PER_SIGMA);

    /// Share of the distribution below `value`, in sigmas from its middle.
    pub(crate) fn below(&self, value: f64) -> f64 {
        let place = (value + EDGE) * PER_SIGMA;
        if place <= 0.0 {
            return 0.0;
        }
        // By way of a signed number, which is one instruction.
        let low = place as i64 as usize;
        let (Some(&[start, start_slope]), Some(&[end, end_slope])) =
            (self.nodes.get(low), self.nodes.get(low + 1))
        else {
            return 1.0;
        };
        let t = place - low as f64;
        let rise = end - start;
        let bend_start = start_slope - rise;
        let bend_end = rise - end_slope;
        start + t * (rise + (1.0 - t) * (bend_start * (1.0 - t) + bend_end * t))
    }
}

impl Default for NormalCurve {
    fn default() -> Self {
        let n = (2.0 * EDGE * PER_SIGMA) as usize;
        let node = |i: usize| {
            let value = i as f64 / PER_SIGMA - EDGE;
            let slope = libm::exp(-0.5 * value * value) / std::f64::consts::TAU.sqrt();
            let below = 0.5 * libm::erfc(-value * std::f64::consts::FRAC_1_SQRT_2);
            [below, slope / PER_SIGMA]
        };
        Self {
            nodes: (0..=n).map(node).collect(),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_table_is_as_exact_as_it_says() {
        let curve = NormalCurve::default();
        let mut largest: f64 = 0.0;
        for i in -900_000..=900_000 {
            let value = f64::from(i) * 1e-5;
            let want = 0.5 * libm::erfc(-value * std::f64::consts::FRAC_1_SQRT_2);
            largest = largest.max((curve.below(value) - want).abs());
        }
        assert!(
            largest <= NormalCurve::ERROR,
            "{largest} for {}",
            NormalCurve::ERROR
        );
        assert!(
            largest > 0.1 * NormalCurve::ERROR,
            "the bound is no guess: {largest}"
        );
    }
}
