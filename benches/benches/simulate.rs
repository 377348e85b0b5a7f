//! Simulating speed: lights of 20 MP from a tripod, from the sky to recorded numbers.

use criterion::{Criterion, Throughput};
use synth::{DngInfo, Scene, Simulator, Weather, encode_dng};

/// Columns and rows of a sensor of 20 MP.
const SIZE: (usize, usize) = (5472, 3648);
const SAMPLES: usize = 10;

fn scene(name: &str) -> Scene {
    let mut scene = Scene::named(name).expect("a known scene");
    (scene.width, scene.height) = SIZE;
    scene
}

/// Whole lights, and where their time goes; elements are frames.
fn lights(criterion: &mut Criterion) {
    let scene = scene("tripod-burst");
    let simulator = Simulator::new(&scene).expect("a sound scene");
    let mut group = criterion.benchmark_group("simulate a tripod light of 20 MP");
    group
        .throughput(Throughput::Elements(1))
        .sample_size(SAMPLES);
    group.bench_function("light", |bencher| bencher.iter(|| simulator.light(1)));
    group.bench_function("sky alone", |bencher| {
        bencher.iter(|| simulator.expected_light(1, Weather::AsItIs));
    });
    group.bench_function("dark", |bencher| {
        bencher.iter(|| simulator.dark(raw::FrameKind::Dark, scene.exposure_s, 1));
    });
    let light = simulator.light(1).expect("it has this light");
    let info = DngInfo::of(&scene, &scene.shots()[1]);
    group.bench_function("file", |bencher| {
        bencher.iter(|| encode_dng(&light.mosaic, &info));
    });
    group.finish();
}

/// Lights over a ridge, through air, under a band of stars.
fn ground(criterion: &mut Criterion) {
    let simulator = Simulator::new(&scene("demo")).expect("a sound scene");
    let mut group = criterion.benchmark_group("simulate the demo's light at 20 MP");
    group
        .throughput(Throughput::Elements(1))
        .sample_size(SAMPLES);
    group.bench_function("light", |bencher| bencher.iter(|| simulator.light(1)));
    group.finish();
}

fn main() {
    let mut criterion = Criterion::default().configure_from_args();
    lights(&mut criterion);
    ground(&mut criterion);
    criterion.final_summary();
}
