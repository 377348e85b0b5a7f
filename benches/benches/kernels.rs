//! The innermost steps, in megapixels per second beside a copy of the same planes.

use align::{Homography, PixelMap};
use criterion::{BenchmarkGroup, Criterion, Throughput, measurement::WallTime};
use ndarray::Array2;
use raw::{Cfa, SitePattern};
use stack::{
    Calibrator, ClipOptions, DefectMap, Demosaic, DemosaicMethod, Kernel, SensorLayout,
    StoredMosaic, kernels, resample_plane,
};
use std::hint::black_box;

const SIDE: usize = 1024;
/// Of one tile with its margin, as the engine sees them.
const TILE_PX: usize = 70 * 70;
const LIGHTS: usize = 20;

fn random_dn(n: usize) -> Vec<f32> {
    let mut state = 1_u64;
    let mut draw = || {
        state = state
            .wrapping_mul(6364136223846793005)
            .wrapping_add(1442695040888963407);
        700.0 + (state >> 58) as f32 + (state >> 52 & 63) as f32
    };
    (0..n).map(|_| draw()).collect()
}

/// Four bytes in, four out, in the cache: what no step over a plane goes under.
fn copy(group: &mut BenchmarkGroup<WallTime>) {
    let (from, mut to) = (random_dn(SIDE * SIDE), vec![0.0_f32; SIDE * SIDE]);
    group.throughput(Throughput::Elements((SIDE * SIDE) as u64));
    group.bench_function("copy of a plane", |bencher| {
        bencher.iter(|| to.copy_from_slice(black_box(&from)));
    });
}

fn calibrate_and_demosaic(group: &mut BenchmarkGroup<WallTime>) {
    let cfa = Cfa::bayer("RGGB").expect("a Bayer array");
    let layout = SensorLayout {
        cfa: cfa.clone(),
        black_level_dn: SitePattern::uniform(256.0),
        white_level_dn: SitePattern::uniform(16383.0),
        width: SIDE,
        height: SIDE,
    };
    let bounds = layout.bounds();
    let none = DefectMap::none(SIDE, SIDE);
    let calibrator = Calibrator::new(layout, None, None, none).expect("sizes fit");
    let values = random_dn(SIDE * SIDE).into_iter().map(|v| v as u16);
    let mosaic = Array2::from_shape_vec((SIDE, SIDE), values.collect()).expect("a square");
    let mosaic = StoredMosaic::in_memory(mosaic);
    group.throughput(Throughput::Elements((SIDE * SIDE) as u64));
    group.bench_function("calibrate", |bencher| {
        bencher.iter(|| calibrator.window(&mosaic, &bounds));
    });
    let window = calibrator.window(&mosaic, &bounds).expect("in memory");
    for (name, method) in [
        ("demosaic bilinear", DemosaicMethod::Bilinear),
        (
            "demosaic gradient-corrected",
            DemosaicMethod::GradientCorrected,
        ),
    ] {
        let demosaic = Demosaic::new(&cfa, method);
        let mut planes = vec![Vec::new(); 3];
        group.bench_function(name, |bencher| {
            bencher.iter(|| demosaic.run(&window, &bounds, &mut planes));
        });
    }
}

fn resample(group: &mut BenchmarkGroup<WallTime>) {
    let values = random_dn(SIDE * SIDE);
    let plane = Array2::from_shape_vec((SIDE, SIDE), values).expect("a square");
    let turned = [[1.0, -1e-4, 0.37], [1e-4, 1.0, 0.21], [0.0, 0.0, 1.0]];
    let map = PixelMap::from_homography(Homography(turned));
    group.throughput(Throughput::Elements((SIDE * SIDE) as u64));
    for (name, kernel) in [
        ("resample bilinear", Kernel::Bilinear),
        ("resample Lanczos-3", Kernel::Lanczos3),
    ] {
        group.bench_function(name, |bencher| {
            bencher.iter(|| resample_plane(plane.view(), &map, kernel, (SIDE, SIDE)));
        });
    }
}

fn combine(group: &mut BenchmarkGroup<WallTime>) {
    let values = random_dn(TILE_PX * LIGHTS);
    let samples: Vec<Vec<f32>> = values.chunks(TILE_PX).map(<[f32]>::to_vec).collect();
    let (weights, clip) = ([1.0; LIGHTS], ClipOptions::default());
    group.throughput(Throughput::Elements((TILE_PX * LIGHTS) as u64));
    group.bench_function("clip and combine, by sample", |bencher| {
        bencher.iter(|| kernels::clipped_mean(&samples, &weights, &clip));
    });
}

fn main() {
    let mut criterion = Criterion::default().configure_from_args();
    let mut group = criterion.benchmark_group("kernels");
    copy(&mut group);
    calibrate_and_demosaic(&mut group);
    resample(&mut group);
    combine(&mut group);
    group.finish();
    criterion.final_summary();
}
