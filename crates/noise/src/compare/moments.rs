//! Variances of planes and of their differences over one tile, all on the same pixels.

use crate::difference::DifferenceMeter;

/// A variance at both scales, DN^2.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub(crate) struct Moment {
    /// White-noise equivalent at low frequencies: what counts over areas, and what no
    /// interpolation changes.
    pub(crate) area: f64,
    /// Per pixel.
    pub(crate) pixel: f64,
    /// White-noise equivalent of the means of blocks of [`BLOCK_PX`].
    pub(crate) block: f64,
}

/// Side of the blocks of [`Moment::block`], px.
pub(crate) const BLOCK_PX: usize = 6;

/// Everything quadratic that a tile says.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct TileMoments {
    /// Pixels that all planes were measured on.
    pub(crate) pixels: usize,
    /// By plane: scene and noise together.
    pub(crate) own: Vec<Moment>,
    /// By pair of planes, in the order of [`pairs`]: the noise of both without the scene.
    pub(crate) pair: Vec<Moment>,
}

/// Pairs of `n` things: (0, 1), (0, 2), …, (1, 2), …
pub(crate) fn pairs(n: usize) -> impl Iterator<Item = (usize, usize)> {
    (0..n).flat_map(move |j| (j + 1..n).map(move |k| (j, k)))
}

/// Where the pair of two different things stands in [`pairs`].
pub(crate) fn pair_index(a: usize, b: usize, n: usize) -> usize {
    let (j, k) = (a.min(b), a.max(b));
    j * n - j * (j + 1) / 2 + (k - j - 1)
}

/// Gross outliers are no noise; as in [`NoiseOptions`](crate::NoiseOptions).
pub(crate) const OUTLIER_SIGMAS: f32 = 6.0;
pub(crate) const OUTLIER_GROW_PX: usize = 3;

/// Measures `planes`, row-major over a tile `width` wide, where `valid`. `None` when too few
/// pixels are left.
pub(crate) fn tile_moments(
    planes: &[Vec<f32>],
    mut valid: Vec<bool>,
    width: usize,
) -> Option<TileMoments> {
    let height = valid.len() / width.max(1);
    for plane in planes {
        for (valid, value) in valid.iter_mut().zip(plane) {
            *valid &= value.is_finite();
        }
    }
    let meter = |outlier_sigmas| {
        DifferenceMeter::flat_top((width, height), outlier_sigmas, OUTLIER_GROW_PX)
    };
    let n = planes.len();
    let difference = |(j, k): (usize, usize)| -> Vec<f32> {
        planes[j]
            .iter()
            .zip(&planes[k])
            .map(|(a, b)| a - b)
            .collect()
    };
    // Whatever is an outlier in one of them is left out of all.
    let mut strict = meter(OUTLIER_SIGMAS);
    let everything = planes.iter().cloned().chain(pairs(n).map(difference));
    let mut common = valid.clone();
    for mut values in everything {
        let mut kept = valid.clone();
        strict.measure(&mut values, &mut kept)?;
        for (common, kept) in common.iter_mut().zip(kept) {
            *common &= kept;
        }
    }
    let mut plain = meter(f32::INFINITY);
    let mut blocks =
        DifferenceMeter::new((width, height), BLOCK_PX, f32::INFINITY, OUTLIER_GROW_PX);
    let mut measure = |mut values: Vec<f32>| {
        let mut kept = common.clone();
        let block = blocks.measure(&mut values.clone(), &mut kept)?.area;
        let noise = plain.measure(&mut values, &mut kept)?;
        Some(Moment {
            area: noise.area,
            pixel: noise.pixel,
            block,
        })
    };
    let own = planes.iter().map(|plane| measure(plane.clone()));
    let own = own.collect::<Option<Vec<_>>>()?;
    let pair = pairs(n).map(|pair| measure(difference(pair)));
    let pair = pair.collect::<Option<Vec<_>>>()?;
    Some(TileMoments {
        pixels: common.iter().filter(|&&kept| kept).count(),
        own,
        pair,
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn pairs_stand_where_their_index_says() {
        for n in 2..7 {
            for (i, (j, k)) in pairs(n).enumerate() {
                assert_eq!(pair_index(j, k, n), i);
                assert_eq!(pair_index(k, j, n), i);
            }
            assert_eq!(pairs(n).count(), n * (n - 1) / 2);
        }
    }

    #[test]
    fn a_tile_without_pixels_says_nothing() {
        let planes = vec![vec![f32::NAN; 64 * 64], vec![1.0; 64 * 64]];
        assert_eq!(tile_moments(&planes, vec![true; 64 * 64], 64), None);
        let planes = vec![vec![1.0; 64 * 64]; 2];
        assert_eq!(tile_moments(&planes, vec![false; 64 * 64], 64), None);
    }
}
