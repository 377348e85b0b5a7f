//! The search for the ground in a night of 20 megapixels, through a lens with distortion:
//! `cargo bench -p radicand-benches --bench ground`.

#![allow(
    missing_docs,
    reason = "the macros of the benchmarks make public items"
)]

use align::{Attitude, Lens, PixelMap, Projection, cell_px, find_ground};
use criterion::{Criterion, criterion_group, criterion_main};
use ndarray::Array2;
use rand::{Rng, SeedableRng};
use rand_chacha::ChaCha8Rng;
use std::hint::black_box;

const SIZE: (usize, usize) = (5184, 3888);
/// As many as the program looks at.
const LIGHTS: usize = 24;
const STARS: usize = 20_000;
/// Turn of the sky from light to light, rad: 20 s.
const STEP_RAD: f64 = 20.0 * 7.292e-5;

fn maps() -> Vec<PixelMap> {
    let center = [SIZE.0, SIZE.1].map(|extent| (extent as f64 - 1.0) / 2.0);
    let lens = Lens::new(
        Projection::Rectilinear,
        2980.0,
        center,
        [-0.045, 0.008, 0.0],
    );
    (0..LIGHTS)
        .map(|i| {
            let angle = STEP_RAD * i as f64;
            let turn = [0.1 * angle, -0.8 * angle, 0.59 * angle];
            PixelMap::from_lens(lens, Attitude::from_rotation_vector(turn), SIZE)
        })
        .collect()
}

/// Lights in cells: stars that turn over a dark ridge, and noise.
fn lights(maps: &[PixelMap], cell_px: usize) -> Vec<Array2<f32>> {
    let mut random = ChaCha8Rng::seed_from_u64(3);
    let stars: Vec<(f64, f64, f32)> = (0..STARS)
        .map(|i| {
            let x = random.random_range(0.0..SIZE.0 as f64);
            let y = random.random_range(0.0..SIZE.1 as f64);
            (x, y, 40_000.0 / (1.0 + i as f32 / 20.0))
        })
        .collect();
    let (rows, columns) = (SIZE.1 / cell_px, SIZE.0 / cell_px);
    let light = |map: &PixelMap| {
        let mut cells = Array2::from_elem((rows, columns), 200.0_f32);
        for &(x, y, flux) in &stars {
            let (x, y) = map.map(x, y);
            let (row, col) = ((y / cell_px as f64) as usize, (x / cell_px as f64) as usize);
            if let Some(cell) = cells.get_mut((row, col)).filter(|_| x > 0.0 && y > 0.0) {
                *cell += flux / (cell_px * cell_px) as f32;
            }
        }
        for ((row, col), cell) in cells.indexed_iter_mut() {
            let ridge = 0.8 * rows as f64 + 30.0 * (col as f64 / 90.0).sin();
            if row as f64 > ridge {
                *cell = 60.0;
            }
            *cell += random.random_range(-6.0..6.0);
        }
        cells
    };
    maps.iter().map(light).collect()
}

fn search(c: &mut Criterion) {
    let cell_px = cell_px(SIZE.0, SIZE.1, 2);
    let maps = maps();
    let lights = lights(&maps, cell_px);
    let mut group = c.benchmark_group("ground");
    group.sample_size(10);
    group.bench_function("20 MP, 24 lights", |b| {
        b.iter(|| find_ground(black_box(&lights), &maps, cell_px, SIZE).expect("a ground"));
    });
    group.finish();
}

criterion_group!(benches, search);
criterion_main!(benches);
