//! The area estimator against theory and against plain block means, by Monte Carlo.

use rand::{Rng, SeedableRng};
use rand_chacha::ChaCha8Rng;
use rand_distr::StandardNormal;

use super::*;

const SIDE: usize = 64;

fn meter(block_px: usize) -> DifferenceMeter {
    DifferenceMeter::new((SIDE, SIDE), block_px, 6.0, 3)
}

/// White noise averaged over `smooth` x `smooth` neighbors.
fn noise(rng: &mut ChaCha8Rng, smooth: usize) -> Vec<f32> {
    let wide = SIDE + smooth - 1;
    let white: Vec<f32> = (0..wide * wide)
        .map(|_| rng.sample(StandardNormal))
        .collect();
    (0..SIDE * SIDE)
        .map(|p| {
            let (x, y) = (p % SIDE, p / SIDE);
            let sum: f32 = (0..smooth * smooth)
                .map(|i| white[(y + i / smooth) * wide + x + i % smooth])
                .sum();
            sum / (smooth * smooth) as f32
        })
        .collect()
}

/// Mean and scatter of `area` over many tiles, and the mean stated relative variance.
fn trials(smooth: usize, valid: &[bool], count: usize) -> (f64, f64, f64) {
    let mut rng = ChaCha8Rng::seed_from_u64(11);
    let (mut sum, mut squares, mut stated) = (0.0, 0.0, 0.0);
    let mut meter = meter(8);
    for _ in 0..count {
        let result = meter.measure(&mut noise(&mut rng, smooth), &mut valid.to_vec());
        let noise = result.expect("enough pixels");
        sum += noise.area;
        squares += noise.area * noise.area;
        stated += noise.area_scatter;
    }
    let n = count as f64;
    let mean = sum / n;
    (
        mean,
        (squares / n - mean * mean).sqrt() / mean,
        (stated / n).sqrt(),
    )
}

#[test]
fn white_noise_keeps_its_variance_after_a_surface_was_taken_out() {
    let full = vec![true; SIDE * SIDE];
    let half: Vec<bool> = (0..SIDE * SIDE)
        .map(|p| (p % 64 / 9 + p / 64 / 9) % 2 == 0)
        .collect();
    let few: Vec<bool> = (0..SIDE * SIDE)
        .map(|p| p % 64 < 18 && p < 64 * 18)
        .collect();
    for (valid, count) in [(full, 3000), (half, 3000), (few, 12_000)] {
        let (mean, scatter, stated) = trials(1, &valid, count);
        let limit = 4.0 * scatter / (count as f64).sqrt();
        // Cost of the surface to three digits: up to 0.5 % where few pixels pay a third.
        assert!((mean - 1.0).abs() < limit + 0.005, "mean {mean} of {limit}");
        let width = scatter / stated;
        assert!(
            (width - 1.0).abs() < 0.1,
            "scatter {scatter}, stated {stated}"
        );
    }
}

#[test]
fn smoothed_noise_has_its_block_variance() {
    // Averages over s pixels have C(l) = (1 - |l|/s)/s a dimension.
    let valid = vec![true; SIDE * SIDE];
    for smooth in [2, 3] {
        let (s, b) = (smooth as f64, 8.0);
        let line: f64 = (1 - smooth as i32..smooth as i32)
            .map(|lag| f64::from(lag.abs()))
            .map(|lag| (1.0 - lag / s) / s * (1.0 - lag / b))
            .sum();
        let (mean, scatter, _) = trials(smooth, &valid, 3000);
        // The surface takes 8.3 % of the power at zero frequency, which is 1/line^2 of
        // the area variance, and 8.3 % of the latter is given back.
        let spent = Trend::Quadratic.spent(SIDE * SIDE, 8);
        let want = (line * line - spent) / (1.0 - spent);
        let limit = 4.0 * scatter / 3000f64.sqrt() + 0.003;
        assert!(
            (mean / want - 1.0).abs() < limit,
            "{smooth}: {mean} {want} {}",
            line * line
        );
        assert!(
            (mean / (line * line) - 1.0).abs() < 0.04,
            "{smooth}: {mean}"
        );
    }
}

#[test]
fn pair_sums_agree_with_means_of_whole_blocks() {
    let mut rng = ChaCha8Rng::seed_from_u64(3);
    let (mut pairs, mut blocks) = (0.0, 0.0);
    let count = 600;
    for _ in 0..count {
        let values = noise(&mut rng, 2);
        for block in (0..64).map(|i| (i % 8 * 8, i / 8 * 8)) {
            let sum: f32 = (0..64)
                .map(|i| values[(block.1 + i / 8) * SIDE + block.0 + i % 8])
                .sum();
            blocks += f64::from(sum / 8.0).powi(2) / 64.0;
        }
        pairs += meter(8)
            .measure(&mut values.clone(), &mut vec![true; SIDE * SIDE])
            .map_or(0.0, |n| n.area);
    }
    // 38 400 blocks know a variance to 0.72 %; the surface costs smooth noise 1 %.
    let ratio = pairs / blocks;
    assert!((ratio - 1.0).abs() < 4.0 * 0.0072, "{ratio}");
}

#[test]
fn masked_pair_sums_agree_with_the_blocks_that_are_free() {
    // Disks like those of stars over a sixth of the tile: blocks are measured where they
    // are free, pairs everywhere off the disks, and the disks hold anything.
    let mut rng = ChaCha8Rng::seed_from_u64(4);
    let disks = [
        (9.0, 12.0, 6.0),
        (40.0, 20.0, 8.0),
        (22.0, 47.0, 7.0),
        (55.0, 55.0, 5.0),
    ];
    let valid: Vec<bool> = (0..SIDE * SIDE)
        .map(|p| ((p % SIDE) as f64, (p / SIDE) as f64))
        .map(|(x, y)| {
            disks
                .iter()
                .all(|&(cx, cy, r)| f64::hypot(x - cx, y - cy) > r)
        })
        .collect();
    let pixels = |block: usize| {
        let first = block / 8 * 8 * SIDE + block % 8 * 8;
        (0..64).map(move |i| first + i / 8 * SIDE + i % 8)
    };
    let free: Vec<usize> = (0..64)
        .filter(|&block| pixels(block).all(|p| valid[p]))
        .collect();
    assert!(free.len() > 20 && free.len() < 50, "{}", free.len());
    for smooth in [1, 2] {
        let (mut pairs, mut blocks) = (0.0, 0.0);
        let count = 600;
        for _ in 0..count {
            let mut values = noise(&mut rng, smooth);
            for &block in &free {
                let sum: f32 = pixels(block).map(|p| values[p]).sum();
                blocks += f64::from(sum / 8.0).powi(2) / free.len() as f64;
            }
            for (value, &valid) in values.iter_mut().zip(&valid) {
                if !valid {
                    *value = 1e4;
                }
            }
            pairs += meter(8)
                .measure(&mut values, &mut valid.clone())
                .map_or(0.0, |n| n.area);
        }
        // What so many blocks know a variance to; the surface costs smooth noise 1 %.
        let error = (2.0 / (count * free.len()) as f64).sqrt();
        let ratio = pairs / blocks;
        assert!((ratio - 1.0).abs() < 4.0 * error, "{smooth}: {ratio}");
    }
}

#[test]
fn a_trail_is_left_out_and_the_rest_keeps_its_variance() {
    let mut rng = ChaCha8Rng::seed_from_u64(5);
    let mut sum = 0.0;
    let count = 400;
    for _ in 0..count {
        let mut values = noise(&mut rng, 1);
        for (p, value) in values.iter_mut().enumerate() {
            let (x, y) = ((p % SIDE) as f32, (p / SIDE) as f32);
            let across = y - 0.6 * x - 9.0;
            *value += 300.0 * (-across * across / 4.0).exp();
        }
        let mut valid = vec![true; SIDE * SIDE];
        sum += meter(8)
            .measure(&mut values, &mut valid)
            .map_or(0.0, |noise| noise.area);
    }
    // Wings of the trail below 6 sigma and 3 px beyond: under 1 %.
    let mean = sum / f64::from(count);
    assert!((mean - 1.0).abs() < 4.0 * 0.13 / 20.0 + 0.01, "{mean}");
}

#[test]
fn nothing_equal_or_broken_values_do_no_harm() {
    let all = || vec![true; SIDE * SIDE];
    assert_eq!(
        meter(8).measure(&mut vec![1.0; SIDE * SIDE], &mut vec![false; SIDE * SIDE]),
        None
    );
    let equal = meter(8).measure(&mut vec![42.0; SIDE * SIDE], &mut all());
    assert!(equal.is_some_and(|noise| noise.area.abs() < 1e-9 && noise.pixel.abs() < 1e-9));
    let mut one_in = vec![0.0; SIDE * SIDE];
    one_in[77] = 1e6;
    assert!(meter(8).measure(&mut one_in, &mut all()).is_some());
    let mut rng = ChaCha8Rng::seed_from_u64(9);
    let mut values = noise(&mut rng, 1);
    let mut valid = all();
    for p in (0..SIDE * SIDE).step_by(11) {
        values[p] = f32::NAN;
        valid[p] = false;
    }
    let noise = meter(8).measure(&mut values, &mut valid);
    assert!(noise.is_some_and(|noise| (noise.area - 1.0).abs() < 0.6 && noise.area.is_finite()));
}

#[test]
fn blocks_of_one_pixel_are_pixel_noise() {
    let mut rng = ChaCha8Rng::seed_from_u64(13);
    let result = meter(1).measure(&mut noise(&mut rng, 1), &mut vec![true; SIDE * SIDE]);
    assert!(result.is_some_and(|n| (n.area - n.pixel).abs() < 1e-12 && (n.area - 1.0).abs() < 0.1));
}
