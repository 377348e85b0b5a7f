//! Prints what leaving out poor lights does to a stack, against weighing all of them: noise
//! of the sky, unevenness, and the brightness of stars, all against the truth.
//!
//! `cargo run --release -p radicand-tests --example cull_gain`

#![allow(clippy::print_stdout, reason = "the table is what it is for")]

use ndarray::{Array2, ArrayView2, s};
use radicand::{Cull, Inputs, StackJob};
use radicand_tests::{in_memory, shot_of};
use synth::{Cloud, Dawn, Dew, Scene, Shaken, Simulator, Weather, write_scene};

const LIGHTS: usize = 12;
const SIZE: (usize, usize) = (640, 480);

fn scenes() -> Vec<(&'static str, Scene)> {
    let base = || {
        let mut scene = Scene::named("tripod-burst").expect("a scene");
        (scene.width, scene.height, scene.frames) = (SIZE.0, SIZE.1, LIGHTS);
        scene
    };
    let cloudy = |opacity: f64, added_glow: f64| {
        let mut scene = base();
        scene.cloud = Some(Cloud {
            first_light: 4,
            last_light: 8,
            opacity,
            added_glow,
            clump_px: 300.0,
            drift_px_per_s: [9.0, -3.0],
        });
        scene
    };
    let mut dawn = base();
    dawn.gap_s = 120.0;
    dawn.sky.glow.dawn = Some(Dawn {
        equal_after_s: 300.0,
        mag_per_min: 0.3,
    });
    let mut dew = base();
    dew.dew = Some(Dew {
        last_dry_light: 4,
        fwhm_growth: 1.6,
        loss: 0.4,
    });
    let mut shaken = base();
    shaken.faults.shaken = Some(Shaken {
        light: 4,
        arcsec: 110.0,
    });
    vec![
        ("thin cloud", cloudy(0.5, 0.5)),
        ("thick cloud", cloudy(0.97, 1.5)),
        ("shaken", shaken),
        ("dew", dew),
        ("dawn", dawn),
    ]
}

fn main() {
    println!(
        "scene, culling: lights, pixel noise DN, noise of 16 px blocks DN, stars' light over the truth: median, scatter %, peak"
    );
    for (name, scene) in scenes() {
        let temp = tempfile::tempdir().expect("a folder");
        write_scene(&scene, temp.path(), |_| ()).expect("a scene on disk");
        for cull in [Cull::Poor, Cull::Nothing] {
            let mut job = StackJob::new(Inputs {
                lights: vec![temp.path().join("lights")],
                ..Inputs::default()
            });
            job.cull.cull = cull;
            let outcome = job.run(&()).expect("a stack");
            let simulator = Simulator::new(&scene).expect("a scene");
            let reference = outcome.lights[outcome.reference].frame.path();
            let index = shot_of(&simulator, reference);
            let truth = simulator.expected_light(index, Weather::Clear);
            let gain = scene.sensor.gain_e_per_dn as f32;
            let truth = truth.expect("a light")[1].mapv(|value| value / gain);
            let stack = in_memory(&outcome).mean.slice(s![1, .., ..]);
            println!(
                "{name}, {cull:?}: {}",
                Figures::of(stack, &truth, outcome.lights.len())
            );
        }
    }
}

struct Figures {
    lights: usize,
    pixel_dn: f64,
    block_dn: f64,
    star_median: f64,
    star_scatter: f64,
    peak: f64,
}

impl Figures {
    fn of(stack: ArrayView2<f32>, truth: &Array2<f32>, lights: usize) -> Self {
        const EDGE: usize = 40;
        const BLOCK: usize = 16;
        let sky = median(truth.iter().map(|&v| f64::from(v)).collect());
        let (mut pixels, mut blocks, mut ratios, mut peaks) = (vec![], vec![], vec![], vec![]);
        for y in (EDGE..SIZE.1 - EDGE - BLOCK).step_by(BLOCK) {
            for x in (EDGE..SIZE.0 - EDGE - BLOCK).step_by(BLOCK) {
                let area = s![y..y + BLOCK, x..x + BLOCK];
                let off = &stack.slice(area) - &truth.slice(area);
                if truth.slice(area).iter().all(|&v| f64::from(v) < 1.05 * sky) {
                    let mean = f64::from(off.mean().expect("pixels"));
                    blocks.push(mean);
                    pixels.extend(off.iter().map(|&v| (f64::from(v) - mean).abs()));
                }
            }
        }
        // Level and slope of the field are the sky's, not the stack's.
        let level = median(blocks.clone());
        let block_dn = 1.4826 * median(blocks.iter().map(|b| (b - level).abs()).collect());
        for y in EDGE..SIZE.1 - EDGE {
            for x in EDGE..SIZE.0 - EDGE {
                let around = s![y - 4..y + 5, x - 4..x + 5];
                let here = truth[(y, x)];
                let highest = truth.slice(around).iter().all(|&v| v <= here);
                if !highest || f64::from(here) < 4.0 * sky || here > 10_000.0 {
                    continue;
                }
                let light = |plane: ArrayView2<f32>, level: f64| {
                    plane
                        .slice(around)
                        .iter()
                        .map(|&v| f64::from(v) - level)
                        .sum::<f64>()
                };
                ratios.push(light(stack, sky + level) / light(truth.view(), sky));
                let peak = |plane: ArrayView2<f32>| {
                    plane.slice(s![y - 1..y + 2, x - 1..x + 2]).sum() as f64 / 9.0
                };
                peaks.push((peak(stack) - sky) / (peak(truth.view()) - sky));
            }
        }
        let star_median = median(ratios.clone());
        let off = ratios.iter().map(|r| (r / star_median - 1.0).abs());
        Self {
            lights,
            pixel_dn: 1.4826 * median(pixels),
            block_dn,
            star_median,
            star_scatter: 1.4826 * median(off.collect()),
            peak: median(peaks),
        }
    }
}

impl std::fmt::Display for Figures {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(
            f,
            "{} lights, {:.3}, {:.3}, {:.3}, {:.2} %, {:.3}",
            self.lights,
            self.pixel_dn,
            self.block_dn,
            self.star_median,
            100.0 * self.star_scatter,
            self.peak
        )
    }
}

fn median(mut values: Vec<f64>) -> f64 {
    values.sort_by(f64::total_cmp);
    values.get(values.len() / 2).copied().unwrap_or(f64::NAN)
}
