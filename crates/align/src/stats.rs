//! Order statistics for small lists: medians and robust scales.

/// 1 / Φ⁻¹(3/4): a median absolute deviation times this is a standard deviation
/// for Gaussian samples.
///
/// Source: Rousseeuw & Croux (1993), JASA 88, 1273, sect. 1.
pub(crate) const SIGMA_PER_MAD: f64 = 1.482_602_218_505_602;

/// Numbers that can be ordered totally and averaged.
pub trait Real: Copy {
    /// Total order, NaN at its ends.
    fn order(&self, other: &Self) -> std::cmp::Ordering;
    /// Half of the sum, rounded once.
    fn midpoint(self, other: Self) -> Self;
}

impl Real for f32 {
    fn order(&self, other: &Self) -> std::cmp::Ordering {
        self.total_cmp(other)
    }
    fn midpoint(self, other: Self) -> Self {
        0.5 * self + 0.5 * other
    }
}

impl Real for f64 {
    fn order(&self, other: &Self) -> std::cmp::Ordering {
        self.total_cmp(other)
    }
    fn midpoint(self, other: Self) -> Self {
        0.5 * self + 0.5 * other
    }
}

/// The median, with an even count the mean of the middle two; reorders `values`. NaN
/// counts as the largest value (the smallest with its sign set). `None` when there are none.
pub fn median<T: Real>(values: &mut [T]) -> Option<T> {
    let middle = values.len() / 2;
    if values.is_empty() {
        return None;
    }
    let odd = values.len() % 2 == 1;
    let (below, &mut upper, _) = values.select_nth_unstable_by(middle, T::order);
    if odd {
        return Some(upper);
    }
    let lower = below.iter().copied().max_by(T::order)?;
    Some(lower.midpoint(upper))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_median_of_few() {
        assert_eq!(median::<f32>(&mut []), None);
        assert_eq!(median(&mut [4.0_f32]), Some(4.0));
        assert_eq!(median(&mut [4.0, 1.0]), Some(2.5));
        assert_eq!(median(&mut [9.0, 1.0, 2.0]), Some(2.0));
        assert_eq!(median(&mut [7.0, 7.0, 7.0, 7.0]), Some(7.0));
        assert_eq!(median(&mut [1.0, 1e30, 2.0, 3.0]), Some(2.5));
    }
}
