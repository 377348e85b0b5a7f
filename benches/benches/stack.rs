//! Stacking speed: the whole engine on Bayer lights, per pixel and light.

use align::{Homography, PixelMap};
use criterion::{Criterion, Throughput};
use ndarray::Array2;
use raw::{Cfa, SitePattern};
use stack::{
    Calibrator, Combine, DefectMap, Light, SensorLayout, SkyMesh, StackOptions, StoredMosaic,
};

const SIDE: usize = 512;
const LIGHTS: usize = 20;

/// Sky and noise from a counter, drifting by a fraction of a pixel a light.
fn session() -> (Calibrator, Vec<Light>) {
    let cfa = Cfa::bayer("RGGB").expect("a Bayer array");
    let layout = SensorLayout {
        cfa: cfa.clone(),
        black_level_dn: SitePattern::uniform(256.0),
        white_level_dn: SitePattern::uniform(16383.0),
        width: SIDE,
        height: SIDE,
    };
    let none = DefectMap::none(SIDE, SIDE);
    let calibrator = Calibrator::new(layout, None, None, none).expect("sizes fit");
    let mut state = 1_u64;
    let mut mosaic = || {
        StoredMosaic::in_memory(Array2::from_shape_fn((SIDE, SIDE), |_| {
            state = state
                .wrapping_mul(6364136223846793005)
                .wrapping_add(1442695040888963407);
            700 + ((state >> 60) + (state >> 56 & 15) + (state >> 52 & 15)) as u16
        }))
    };
    let mosaics: Vec<StoredMosaic> = (0..LIGHTS).map(|_| mosaic()).collect();
    let whole = calibrator
        .window(&mosaics[0], &calibrator.layout().bounds())
        .expect("in memory");
    let mesh = SkyMesh::measure(&whole, &cfa);
    let map = |i: usize| {
        let turn = 1e-4 * i as f64;
        Homography([
            [1.0, -turn, 0.37 * i as f64],
            [turn, 1.0, 0.21 * i as f64],
            [0.0, 0.0, 1.0],
        ])
    };
    let maps: Vec<PixelMap> = (0..LIGHTS)
        .map(|i| PixelMap::from_homography(map(i)))
        .collect();
    let ones = [1.0; LIGHTS];
    let offsets = stack::sky_offsets(&[&mesh; LIGHTS], &maps, &ones, &ones);
    let lights = mosaics
        .into_iter()
        .zip(maps)
        .zip(offsets)
        .map(|((mosaic, map), sky_offset)| Light {
            mosaic,
            map,
            scale: 1.0,
            sky_offset,
            weight: 1.0,
        })
        .collect();
    (calibrator, lights)
}

fn engine(criterion: &mut Criterion) {
    let (calibrator, lights) = session();
    let mut group = criterion.benchmark_group("stack 20 Bayer lights");
    group
        .throughput(Throughput::Elements((SIDE * SIDE * LIGHTS) as u64))
        .sample_size(10);
    for combine in [
        Combine::Mean,
        Combine::Median,
        Combine::SigmaClip(Default::default()),
    ] {
        let options = StackOptions {
            combine,
            ..StackOptions::default()
        };
        group.bench_function(combine.name(), |bencher| {
            bencher.iter(|| stack::stack(&lights, &calibrator, &options, &(), &|_, _| ()));
        });
    }
    group.finish();
}

fn main() {
    let mut criterion = Criterion::default().configure_from_args();
    engine(&mut criterion);
    criterion.final_summary();
}
