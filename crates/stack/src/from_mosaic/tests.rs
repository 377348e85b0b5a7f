//! Photosites where they belong, the same bits from any tiles and threads, outliers out.

use super::*;
use crate::engine::tests::{calibrator, lights, samples_and_rejected};
use crate::{Combine, DefectMap, SensorLayout, Stack, StackOptions, StoredMosaic, stack};
use align::PixelMap;
use ndarray::Array2;
use raw::{Cfa, SitePattern};

const DROPS: [DropShape; 4] = [
    DropShape::Square(0.8),
    DropShape::Point,
    DropShape::Gaussian(1.0),
    DropShape::Steered(1.2),
];

fn first_pass(lights: &[Light], calibrator: &Calibrator, combine: Combine) -> FirstPass {
    let options = StackOptions {
        combine,
        ..StackOptions::default()
    };
    let (stack, _) = stack(lights, calibrator, &options, &(), &|_, _| ()).expect("a stack");
    let cfa = &calibrator.layout().cfa;
    FirstPass::new(&stack.into(), lights.len(), cfa, &options).expect("in memory")
}

fn in_memory(made: &MosaicStack) -> &Stack {
    made.stack.in_memory().expect("it was made there")
}

fn bits(stack: &Stack) -> Vec<u32> {
    let planes = [&stack.mean, &stack.variance, &stack.weight];
    let values = planes.into_iter().flatten().map(|v| v.to_bits());
    values
        .chain(stack.rejected.iter().map(|&n| u32::from(n)))
        .collect()
}

#[test]
fn neither_tiles_nor_threads_change_a_bit() {
    let (lights, calibrator) = (lights(6), calibrator());
    let first = first_pass(&lights, &calibrator, Combine::SigmaClip(Default::default()));
    for (drop, scale) in DROPS.into_iter().zip([1.0, 2.0, 1.3, 1.5]) {
        let made = |tile_px: usize, threads: usize| {
            let pool = rayon::ThreadPoolBuilder::new().num_threads(threads).build();
            let options = FromMosaic { scale, drop };
            let made = pool.expect("threads").install(|| {
                in_tiles_of(
                    tile_px,
                    &lights,
                    &[],
                    &calibrator,
                    &first,
                    &options,
                    &StackPlace::Memory,
                    &(),
                    &|_, _| (),
                )
            });
            bits(in_memory(&made.expect("a stack").0))
        };
        let known = made(TILE_PX, 1);
        for (tile_px, threads) in [(TILE_PX, 2), (37, 8), (1000, 1)] {
            assert!(
                known == made(tile_px, threads),
                "{drop:?} in tiles of {tile_px} px"
            );
        }
    }
}

#[test]
fn a_trail_goes_and_stars_and_sky_stay() {
    let (lights, calibrator) = (lights(9), calibrator());
    let first = first_pass(&lights, &calibrator, Combine::SigmaClip(Default::default()));
    let options = FromMosaic::default();
    let made = stack_from_mosaic(
        &lights,
        &[],
        &calibrator,
        &first,
        &options,
        &StackPlace::Memory,
        &(),
        &|_, _| (),
    );
    let stack = made
        .expect("a stack")
        .0
        .stack
        .into_memory()
        .expect("in memory");
    // A third of the nine lights' photosites at a pixel are of each channel, on average.
    let taken = samples_and_rejected(&stack, &lights[2].map, 1.0, 3);
    let share = |place: usize| f64::from(taken[place][1]) / f64::from(taken[place][0]);
    // One light in nine, on three quarters of this band.
    assert!(share(0) > 0.08, "the trail stays: {taken:?}");
    assert!(share(1) < 0.02 && share(2) < 0.01, "{taken:?}");
}

/// One light that lies on the reference, every photosite another value.
fn lone() -> (Light, Calibrator) {
    let (width, height) = (12, 10);
    let layout = SensorLayout {
        cfa: Cfa::bayer("RGGB").expect("a Bayer array"),
        black_level_dn: SitePattern::uniform(100.0),
        white_level_dn: SitePattern::uniform(16000.0),
        width,
        height,
    };
    let defects = DefectMap::from_sites(width, height, &[(4, 6)]);
    let calibrator = Calibrator::new(layout, None, None, defects).expect("sizes fit");
    let data = Array2::from_shape_fn((height, width), |(row, col)| (200 + 20 * row + col) as u16);
    let light = Light {
        mosaic: StoredMosaic::in_memory(data),
        map: PixelMap::identity(),
        scale: 1.0,
        sky_offset: lights(1)[0].sky_offset.zeroed(),
        weight: 1.0,
    };
    (light, calibrator)
}

#[test]
fn a_photosite_keeps_its_place_and_its_channel() {
    let (light, calibrator) = lone();
    let lights = [light];
    let first = first_pass(&lights, &calibrator, Combine::Mean);
    let mut mask = Array2::from_elem((10, 12), false);
    mask[(5, 5)] = true;
    for scale in [1.0, 2.0] {
        let options = FromMosaic {
            scale,
            drop: DropShape::Point,
        };
        let masks = [Arc::new(LightMask::new(&mask))];
        let made = stack_from_mosaic(
            &lights,
            &masks,
            &calibrator,
            &first,
            &options,
            &StackPlace::Memory,
            &(),
            &|_, _| (),
        );
        let mut made = made.expect("a stack").0;
        let (mut fell, cfa) = (0, calibrator.layout().cfa.clone());
        for row in 0..10 {
            for col in 0..12 {
                let channel = ChannelOf::new(&cfa).site(row, col);
                // At scale 2 a center lies on the corner of four pixels, the last of which
                // takes it.
                let step = scale as usize;
                let at = (channel, step * row + step - 1, step * col + step - 1);
                let missing = [(4, 6), (5, 5)].contains(&(row, col));
                let want = (100 + 20 * row + col) as f32;
                match missing {
                    true => assert!(in_memory(&made).mean[at].is_nan(), "{row} {col}"),
                    false => assert_eq!(in_memory(&made).mean[at], want, "{row} {col}"),
                }
                assert_eq!(in_memory(&made).weight[at], if missing { 0.0 } else { 1.0 });
                fell += usize::from(!missing);
            }
        }
        let values = in_memory(&made).mean.iter().filter(|value| !value.is_nan());
        assert_eq!(values.count(), fell, "and nowhere else");
        let everywhere = made.coverage(&|_, _| true).expect("in memory");
        let of = 120.0 * scale * scale;
        assert!((everywhere[0].empty - (1.0 - 29.0 / of)).abs() < 1e-12);
        made.fill(&first).expect("in memory");
        let inner = in_memory(&made)
            .mean
            .indexed_iter()
            .filter(|((_, row, col), _)| {
                let inside = |at: usize, n: usize| at >= 4 && at + 4 < n * scale as usize;
                inside(*row, 10) && inside(*col, 12)
            });
        assert!(inner.into_iter().all(|(_, value)| value.is_finite()));
        assert_eq!(in_memory(&made).weight[(0, 0, 1)], 0.0);
    }
}

#[test]
fn a_flat_sky_stays_flat_whatever_the_drop() {
    let (mut light, calibrator) = lone();
    light.mosaic = StoredMosaic::in_memory(Array2::from_elem((10, 12), 500));
    let lights: Vec<Light> = (0..3)
        .map(|i| {
            let shift = [
                [1.0, 0.0, 0.3 * f64::from(i)],
                [0.0, 1.0, 0.7 * f64::from(i)],
                [0.0, 0.0, 1.0],
            ];
            Light {
                map: PixelMap::from_homography(align::Homography(shift)),
                weight: 1.0 + 0.3 * i as f32,
                ..light.clone()
            }
        })
        .collect();
    let first = first_pass(&lights, &calibrator, Combine::Mean);
    for drop in DROPS {
        let options = FromMosaic { scale: 1.4, drop };
        let made = stack_from_mosaic(
            &lights,
            &[],
            &calibrator,
            &first,
            &options,
            &StackPlace::Memory,
            &(),
            &|_, _| (),
        );
        let stack = made
            .expect("a stack")
            .0
            .stack
            .into_memory()
            .expect("in memory");
        let fell: Vec<f32> = stack.mean.iter().copied().filter(|v| !v.is_nan()).collect();
        assert!(fell.len() > 60, "{drop:?}: {}", fell.len());
        assert!(fell.iter().all(|v| (v - 400.0).abs() < 1e-3), "{drop:?}");
    }
}
