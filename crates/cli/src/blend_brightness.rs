//! How bright a ground is against a sky that was shot apart from it.

use ndarray::Array2;
use report::Figure;

/// Sky that is compared: between these distances above the ground, px. Nearer, a lens or a
/// tracker mixes ground into it.
const FROM_PX: usize = 16;
const TO_PX: usize = 96;
/// Side of a block whose median is compared, px.
const BLOCK_PX: usize = 16;
/// Share of a block that must be such sky.
const LEAST_SHARE: f64 = 0.6;
/// Fewest blocks that tell a factor.
const FEWEST_BLOCKS: usize = 8;
/// Relative error from which a factor is not believed.
const WORST_ERROR: f64 = 0.05;
/// 1 / Φ⁻¹(3/4), as in [`align`]; times the price of a median, √(π/2).
const ERROR_PER_MAD: f64 = 1.482_602_218_505_602 * 1.253_314_137_315_5;

/// Pixels of a block of sky, row and column.
pub(crate) type Block = Vec<(usize, usize)>;

/// Blocks of sky near the ridge.
pub(crate) fn blocks_beside(ground: &Array2<bool>) -> Vec<Block> {
    let distance = steps_to(ground);
    let (rows, columns) = ground.dim();
    let mut blocks = Vec::new();
    for top in (0..rows).step_by(BLOCK_PX) {
        for left in (0..columns).step_by(BLOCK_PX) {
            let (bottom, right) = ((top + BLOCK_PX).min(rows), (left + BLOCK_PX).min(columns));
            let cells = (top..bottom).flat_map(|row| (left..right).map(move |col| (row, col)));
            let near: Vec<_> = cells
                .filter(|&at| (FROM_PX..=TO_PX).contains(&distance[at]))
                .collect();
            if near.len() as f64 >= LEAST_SHARE * (BLOCK_PX * BLOCK_PX) as f64 {
                blocks.push(near);
            }
        }
    }
    blocks
}

/// Steps along rows and columns to the nearest ground, px; beyond all use without any.
pub(crate) fn steps_to(ground: &Array2<bool>) -> Array2<usize> {
    const FAR: usize = usize::MAX / 2;
    let mut distance = ground.mapv(|ground| if ground { 0 } else { FAR });
    let (rows, columns) = ground.dim();
    for row in 0..rows {
        for col in 0..columns {
            let above = row.checked_sub(1).map_or(FAR, |row| distance[(row, col)]);
            let left = col.checked_sub(1).map_or(FAR, |col| distance[(row, col)]);
            distance[(row, col)] = distance[(row, col)].min(above + 1).min(left + 1);
        }
    }
    for row in (0..rows).rev() {
        for col in (0..columns).rev() {
            let below = distance.get((row + 1, col)).copied().unwrap_or(FAR);
            let right = distance.get((row, col + 1)).copied().unwrap_or(FAR);
            distance[(row, col)] = distance[(row, col)].min(below + 1).min(right + 1);
        }
    }
    distance
}

/// What the ground's file has to be multiplied by in one channel to show the sky near the
/// ridge as bright as the sky's file does; `None` where too little of it is in both.
pub(crate) fn factor(sky: &Array2<f32>, ground: &Array2<f32>, blocks: &[Block]) -> Option<Figure> {
    let level = |plane: &Array2<f32>, cells: &[(usize, usize)]| {
        crate::cull::median(cells.iter().map(|&at| f64::from(plane[at])))
    };
    let ratio = |cells: &Block| {
        let (sky, ground) = (level(sky, cells)?, level(ground, cells)?);
        (sky > 0.0 && ground > 0.0).then_some(sky / ground)
    };
    let ratios: Vec<f64> = blocks.iter().filter_map(ratio).collect();
    if ratios.len() < FEWEST_BLOCKS {
        return None;
    }
    let value = crate::cull::median(ratios.iter().copied())?;
    let off = crate::cull::median(ratios.iter().map(|ratio| (ratio - value).abs()))?;
    let error = ERROR_PER_MAD * off / (ratios.len() as f64).sqrt();
    (error < WORST_ERROR * value).then_some(Figure { value, error })
}

/// One factor for all channels: the mean of theirs, with their scatter as its error when that
/// is larger. One factor leaves the ground's colors as they are.
pub(crate) fn common(factors: &[Figure]) -> Option<Figure> {
    let n = factors.len() as f64;
    let logs: Vec<f64> = factors.iter().map(|factor| factor.value.ln()).collect();
    let mean = logs.iter().sum::<f64>() / n;
    let scatter = logs.iter().map(|log| (log - mean).powi(2)).sum::<f64>() / n;
    let formal = factors
        .iter()
        .map(|f| (f.error / f.value).powi(2))
        .sum::<f64>()
        / (n * n);
    (n > 0.0).then(|| Figure {
        value: mean.exp(),
        error: mean.exp() * formal.max(scatter / n).sqrt(),
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn planes(factor: f32) -> (Array2<f32>, Array2<f32>, Array2<bool>) {
        let size = (200, 160);
        let sky = Array2::from_shape_fn(size, |(row, col)| {
            300.0 + 0.5 * row as f32 + ((row * 7 + col * 13) % 11) as f32
        });
        let ground = sky.mapv(|value| value / factor);
        (
            sky,
            ground,
            Array2::from_shape_fn(size, |(row, _)| row >= 150),
        )
    }

    #[test]
    fn the_sky_near_the_ridge_tells_the_factor() {
        let (mut sky, ground, mask) = planes(0.4);
        // What is far above and on the ground does not count, nor do a few bright stars.
        sky.slice_mut(ndarray::s![..50, ..]).fill(9e4);
        sky.slice_mut(ndarray::s![151.., ..]).fill(1.0);
        sky[(120, 33)] = 5e4;
        let found = factor(&sky, &ground, &blocks_beside(&mask)).expect("enough sky");
        assert!((found.value - 0.4).abs() < 1e-4, "{found:?}");
    }

    #[test]
    fn too_little_sky_or_no_light_tells_nothing() {
        let (sky, ground, mask) = planes(2.0);
        let blocks = blocks_beside(&mask);
        assert!(factor(&sky, &ground, &blocks[..3]).is_none());
        for value in [f32::NAN, 0.0, -3.0] {
            let dark = Array2::from_elem(sky.dim(), value);
            assert!(factor(&sky, &dark, &blocks).is_none(), "{value}");
        }
        for all in [false, true] {
            assert!(blocks_beside(&Array2::from_elem((64, 64), all)).is_empty());
        }
        assert!(common(&[]).is_none());
    }

    #[test]
    fn channels_that_disagree_make_it_less_sure() {
        let sure = |value| Figure {
            value,
            error: 0.001,
        };
        let alike = common(&[sure(2.0), sure(2.0), sure(2.0)]).expect("three");
        let unlike = common(&[sure(1.8), sure(2.0), sure(2.2)]).expect("three");
        assert!((alike.value - 2.0).abs() < 1e-9 && alike.error < 0.001);
        assert!(unlike.error > 0.05, "{unlike:?}");
    }
}
