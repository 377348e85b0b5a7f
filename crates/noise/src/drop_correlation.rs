//! What square drops of photosites do to noise: neighboring pixels share it.

/// Noise at large scales over noise per pixel, of a picture made of square drops at random
/// places: R = r / (1 − 1/(3r)) for r ≥ 1, else 1 / (1 − r/3).
///
/// Source: Fruchter & Hook (2002), PASP 114, 144, sect. 7 (from memory); it follows from the
/// overlap of a square of side r with a grid of unit squares, see
/// [`drop_correlation_at`].
///
/// - `ratio`: side of the drop in pixels of the output; 0, a point, has R = 1.
pub fn drop_correlation(ratio: f64) -> f64 {
    match ratio >= 1.0 {
        true => ratio / (1.0 - 1.0 / (3.0 * ratio)),
        false => 1.0 / (1.0 - ratio / 3.0),
    }
}

/// The same at the scale of blocks of `block_px` pixels: sigma of a block's mean, times
/// `block_px`, over sigma of a pixel.
///
/// Along an axis the share of a drop at u is the overlap o(u) of two boxes, of widths 1 and r,
/// so that the noise of pixels l apart has the covariance C(l) = ∫ o(u) o(u + l) du: four boxes
/// convolved, which is a sum of cubes. Both axes alike, the ratio of sigmas is
/// Σ (1 − |l|/b) C(l) / C(0).
pub fn drop_correlation_at(ratio: f64, block_px: usize) -> f64 {
    // Below this the sum of cubes is lost in rounding, and neighbors share next to nothing.
    const POINT: f64 = 1e-2;
    if ratio < POINT {
        return 1.0;
    }
    let block_px = block_px.max(1);
    let b = block_px as f64;
    let covariance = |lag: f64| -> f64 {
        let second = [(-1.0, 1.0), (0.0, -2.0), (1.0, 1.0)];
        let terms = second.iter().flat_map(|&(i, of_i)| {
            second.map(|(j, of_j)| of_i * of_j * (lag + i + j * ratio).max(0.0).powi(3))
        });
        terms.sum::<f64>() / 6.0
    };
    let reach = block_px.min(ratio.ceil() as usize + 2);
    let beside = (1..reach).map(|lag| 2.0 * (1.0 - lag as f64 / b) * covariance(-(lag as f64)));
    let own = covariance(0.0);
    (own + beside.sum::<f64>()) / own
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_published_formula_gives_its_values() {
        // R at both branches and where they meet.
        for (ratio, want) in [
            (0.0, 1.0),
            (0.5, 1.2),
            (0.8, 1.363_636),
            (1.0, 1.5),
            (1.2, 1.661_538),
            (2.0, 2.4),
        ] {
            assert!((drop_correlation(ratio) - want).abs() < 1e-6, "{ratio}");
        }
    }

    #[test]
    fn blocks_see_the_share_that_quadrature_finds() {
        // By numerical integration of the overlaps, to four digits.
        let wants = [
            (1.0, [1.25, 1.375, 1.4375, 1.4687]),
            (0.8, [1.1818, 1.2727, 1.3182, 1.3409]),
            (0.5, [1.1, 1.15, 1.175, 1.1875]),
            (1.2, [1.3292, 1.4954, 1.5785, 1.62]),
            (2.0, [1.6, 2.0, 2.2, 2.3]),
        ];
        for (ratio, wants) in wants {
            for (block_px, want) in [2, 4, 8, 16].into_iter().zip(wants) {
                let found = drop_correlation_at(ratio, block_px);
                assert!((found - want).abs() < 1e-4, "{ratio} {block_px}: {found}");
            }
        }
    }

    #[test]
    fn large_blocks_reach_the_formula() {
        for ratio in [0.3, 0.7, 1.0, 1.4, 2.0] {
            let found = drop_correlation_at(ratio, 100_000);
            assert!(
                (found - drop_correlation(ratio)).abs() < 1e-4,
                "{ratio}: {found}"
            );
        }
        assert_eq!(drop_correlation_at(0.0, 8), 1.0);
    }
}
