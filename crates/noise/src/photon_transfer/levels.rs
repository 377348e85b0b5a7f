//! Steps of the recorded numbers, and where blacks are clipped.

use raw::Rect;
use stack::{SensorLayout, StackError, StoredMosaic};

/// What the histogram of one channel tells of how its numbers are recorded.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct ChannelLevels {
    /// Distance between recorded numbers, DN; 1 unless the camera has scaled them.
    pub step_dn: u16,
    /// Lowest number, when values below it were set to it.
    pub clipped_at: Option<u16>,
}

/// Numbers seen less often than this share of the samples are accidents.
const RARE: f64 = 1e-4;
/// Rows looked at, at most: 1000 rows of 5000 sites tell a histogram well.
const MOST_ROWS: usize = 1000;
/// In the tail of any noise a number is more frequent than the one below it. The lowest
/// that is this much more frequent than the next has the values below it.
const PILED_UP: f64 = 1.5;
/// Counts of a few scatter: the difference has to be so many of its Poisson errors.
const CERTAIN_SIGMAS: f64 = 5.0;

/// Steps and clipped blacks of a frame, by channel.
pub(super) fn levels_of(
    frame: &StoredMosaic,
    layout: &SensorLayout,
) -> Result<Vec<ChannelLevels>, StackError> {
    let channels = layout.cfa.channels();
    let mut histograms = vec![vec![0u32; 1 << 16]; channels.len()];
    // An odd step meets all rows of an even pattern.
    let step = layout.height.div_ceil(MOST_ROWS) | 1;
    let mut recorded = Vec::new();
    for row in (0..layout.height).step_by(step) {
        let window = Rect {
            x0: 0,
            y0: row,
            x1: layout.width,
            y1: row + 1,
        };
        frame.read_window(&window, &mut recorded)?;
        for (col, &value) in recorded.iter().enumerate() {
            let own = layout.cfa.at(row, col);
            if let Some(channel) = channels.iter().position(|&channel| channel == own) {
                histograms[channel][usize::from(value)] += 1;
            }
        }
    }
    Ok(histograms.iter().map(|h| levels(h)).collect())
}

fn levels(histogram: &[u32]) -> ChannelLevels {
    let total: u64 = histogram.iter().map(|&n| u64::from(n)).sum();
    let rare = (RARE * total as f64).max(1.0);
    let mut frequent = (0..histogram.len()).filter(|&dn| f64::from(histogram[dn]) > rare);
    let usual: Vec<usize> = frequent.by_ref().collect();
    let gaps = usual.windows(2).map(|pair| pair[1] - pair[0]);
    let step = gaps.min().unwrap_or(1);
    let lowest = usual.first().copied().unwrap_or(0);
    let next = histogram.get(lowest + step).copied().unwrap_or(0);
    // A single number alone is clipped, or without noise: it tells none either way.
    let (here, next) = (f64::from(histogram[lowest]), f64::from(next));
    let piled = here - PILED_UP * next > CERTAIN_SIGMAS * (here + next).sqrt();
    ChannelLevels {
        step_dn: step as u16,
        clipped_at: piled.then_some(lowest as u16),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use rand::{Rng, SeedableRng};
    use rand_chacha::ChaCha8Rng;
    use rand_distr::StandardNormal;

    fn histogram(value: impl Fn(f64) -> f64) -> Vec<u32> {
        let mut rng = ChaCha8Rng::seed_from_u64(5);
        let mut histogram = vec![0; 1 << 16];
        for _ in 0..50_000 {
            let dn: f64 = value(rng.sample(StandardNormal));
            histogram[dn.round().max(0.0) as usize] += 1;
        }
        histogram
    }

    #[test]
    fn noise_above_zero_is_whole_and_in_steps_of_one() {
        for (level, sigma) in [(512.0, 0.3), (512.4, 0.6), (512.0, 5.0), (2000.0, 90.0)] {
            let found = levels(&histogram(|noise| level + sigma * noise));
            let whole = ChannelLevels {
                step_dn: 1,
                clipped_at: None,
            };
            assert_eq!(found, whole, "{level} ± {sigma}");
        }
    }

    #[test]
    fn values_piled_up_at_black_are_clipped() {
        for (level, sigma) in [(0.0, 5.0), (3.0, 3.0), (-4.0, 3.0)] {
            let found = levels(&histogram(|noise| level + sigma * noise));
            assert_eq!(found.clipped_at, Some(0), "{level} ± {sigma}");
        }
    }

    #[test]
    fn numbers_that_were_scaled_have_gaps() {
        let found = levels(&histogram(|noise| 4.0 * (200.0 + 5.0 * noise).round()));
        assert_eq!(
            found,
            ChannelLevels {
                step_dn: 4,
                clipped_at: None
            }
        );
        let nothing = ChannelLevels {
            step_dn: 1,
            clipped_at: None,
        };
        assert_eq!(levels(&[0; 16]), nothing);
    }
}
