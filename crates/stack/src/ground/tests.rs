//! Skies and grounds of known places, stacked apart and joined.

use super::*;
use crate::{
    CalibratedWindow, Calibrator, Combine, DefectMap, LightMask, SensorLayout, StackOptions,
    StoredMosaic, stack_masked,
};
use align::Homography;
use ndarray::Array3;
use raw::{Cfa, Rect, SitePattern};
use std::sync::Arc;

const WIDTH: usize = 90;
const HEIGHT: usize = 80;
/// First row of the ground.
const RIDGE: usize = 50;
/// The sky moves so far from light to light, px.
const STEP_PX: f64 = 2.0;
const LIGHTS: usize = 9;
const SKY_DN: f32 = 1000.0;
const GROUND_DN: f32 = 200.0;

fn calibrator() -> Calibrator {
    let layout = SensorLayout {
        cfa: Cfa::mono(),
        black_level_dn: SitePattern::uniform(0.0),
        white_level_dn: SitePattern::uniform(65535.0),
        width: WIDTH,
        height: HEIGHT,
    };
    Calibrator::new(layout, None, None, DefectMap::none(WIDTH, HEIGHT)).expect("sizes fit")
}

/// Stars that set behind the ridge: light `i` shows them `i` steps lower.
fn light(i: usize) -> Light {
    let down_px = STEP_PX * i as f64;
    let data = Array2::from_shape_fn((HEIGHT, WIDTH), |(row, col)| {
        if row >= RIDGE {
            let stripe = if col % 9 < 2 { 3.0 } else { 1.0 };
            return (stripe * GROUND_DN) as u16;
        }
        let (x, y) = (col as f64, row as f64 - down_px);
        let star = |center: (f64, f64)| {
            let far = (x - center.0).powi(2) + (y - center.1).powi(2);
            4000.0 * (-far / 3.0).exp()
        };
        let stars: f64 = [(20.0, 12.0), (45.0, 30.0), (70.0, 40.0)]
            .map(star)
            .iter()
            .sum();
        (f64::from(SKY_DN) + stars).round() as u16
    });
    let mut shift = Homography::IDENTITY;
    shift.0[1][2] = down_px;
    let area = Rect::of_size(WIDTH, HEIGHT);
    let blank = CalibratedWindow {
        area,
        values: vec![0.0; area.area()],
    };
    Light {
        mosaic: StoredMosaic::in_memory(data),
        map: PixelMap::from_homography(shift),
        scale: 1.0,
        sky_offset: crate::SkyMesh::measure(&blank, &Cfa::mono()).zeroed(),
        weight: 1.0,
    }
}

fn ridge() -> GroundMask {
    GroundMask::new(Array2::from_shape_fn((HEIGHT, WIDTH), |(row, _)| {
        row >= RIDGE
    }))
}

fn joined(options: &StackOptions) -> (Stack, Stack) {
    let lights: Vec<Light> = (0..LIGHTS).map(light).collect();
    let calibrator = calibrator();
    let mask = ridge();
    let stack_of = |lights: &[Light], hidden: Array2<bool>| {
        let hidden = Arc::new(LightMask::new(&hidden));
        let masks: Vec<_> = lights.iter().map(|_| Arc::clone(&hidden)).collect();
        let (stack, _) =
            stack_masked(lights, &masks, &calibrator, options, &(), &|_, _| ()).expect("a stack");
        stack
    };
    let sky = stack_of(&lights, mask.not_sky());
    let ground = stack_of(&ground_lights(&lights), mask.not_ground());
    (join(sky, &ground, &mask), ground)
}

#[test]
fn neither_part_smears_into_the_other() {
    let options = StackOptions {
        combine: Combine::Mean,
        ..StackOptions::default()
    };
    let (stack, _) = joined(&options);
    let alone = light(0);
    let mut alone_dn = Vec::new();
    let area = Rect::of_size(WIDTH, HEIGHT);
    alone
        .mosaic
        .read_window(&area, &mut alone_dn)
        .expect("in memory");
    let alone_dn = Array2::from_shape_vec((HEIGHT, WIDTH), alone_dn).expect("a light");
    // Rounded samples, and stars resampled by whole pixels: what is left is rounding.
    const ROUNDING_DN: f32 = 1.0;
    for ((_, row, col), &mean) in stack.mean.indexed_iter() {
        // The feather mixes stars that stand with stars that passed.
        let feather = (RIDGE - SKY_ALONE_PX as usize - 1..RIDGE).contains(&row);
        let starry = feather && ((60..80).contains(&col) || (35..55).contains(&col));
        if !starry {
            let want = f32::from(alone_dn[(row, col)]);
            let off = (mean - want).abs();
            assert!(off < ROUNDING_DN, "row {row}, col {col}: {mean} for {want}");
        }
    }
}

#[test]
fn each_part_has_its_own_weight_and_every_pixel_a_value() {
    let (stack, ground) = joined(&StackOptions::default());
    assert!(stack.mean.iter().all(|value| value.is_finite()));
    assert_eq!(stack.weight[(0, RIDGE + 3, 10)], LIGHTS as f32);
    assert_eq!(stack.weight[(0, 3, 10)], LIGHTS as f32);
    assert!(
        ground.mean[(0, 10, 10)].is_nan(),
        "far from the ground there is none"
    );
    // Just above the ridge no light but the first has sky that the ground does not touch.
    assert_eq!(
        stack.mean[(0, RIDGE - 1, 10)],
        ground.mean[(0, RIDGE - 1, 10)]
    );
}

#[test]
fn distances_are_those_to_the_nearest_pixel_of_the_ground() {
    let mut set = Array2::from_elem((20, 30), false);
    set[(4, 5)] = true;
    set[(10, 29)] = true;
    let found = distances(&set);
    for ((row, col), &found) in found.indexed_iter() {
        let to = |y: f32, x: f32| (row as f32 - y).hypot(col as f32 - x);
        let want = to(4.0, 5.0).min(to(10.0, 29.0)).min(FARTHEST_PX as f32);
        assert!((found - want).abs() < 1e-5, "{row} {col}: {found} {want}");
    }
    let none = distances(&Array2::from_elem((3, 4), false));
    assert!(none.iter().all(|&d| d == FARTHEST_PX as f32));
    let all = distances(&Array2::from_elem((3, 4), true));
    assert!(all.iter().all(|&d| d == 0.0));
    assert_eq!(distances(&Array2::from_elem((0, 0), true)).len(), 0);
}

#[test]
fn where_the_sky_has_no_sample_there_is_ground() {
    let plane = |value: f32| Array3::from_elem((1, 1, 8), value);
    let mut sky = Stack {
        mean: plane(10.0),
        variance: plane(1.0),
        weight: plane(4.0),
        rejected: Array3::zeros((1, 1, 8)),
    };
    (sky.mean[(0, 0, 2)], sky.weight[(0, 0, 2)]) = (f32::NAN, 0.0);
    let ground = Stack {
        mean: plane(20.0),
        variance: plane(3.0),
        weight: plane(4.0),
        rejected: Array3::from_elem((1, 1, 8), 1),
    };
    let mask = GroundMask::new(Array2::from_shape_fn((1, 8), |(_, col)| col == 0));
    assert_eq!(mask.fraction(), 0.125);
    let joined = join(sky, &ground, &mask);
    let mean = joined.mean.as_slice().expect("in order");
    assert_eq!(mean[..3], [20.0, 20.0, 20.0]);
    assert!(
        mean[3] > mean[4] && mean[4] > mean[5] && mean[5] > 10.0,
        "{mean:?}"
    );
    assert_eq!(mean[6..], [10.0, 10.0]);
    // Halves of both: a quarter of each variance.
    assert_eq!((mean[4], joined.variance[(0, 0, 4)]), (15.0, 1.0));
    assert_eq!(
        joined.rejected.as_slice().expect("in order")[..3],
        [1, 1, 1]
    );
}

#[test]
fn a_sky_beside_a_ground_is_measured_on_sky_alone() {
    let (width, height) = (512, 512);
    let layout = SensorLayout {
        width,
        height,
        ..calibrator().layout().clone()
    };
    let defects = DefectMap::none(width, height);
    let calibrator = Calibrator::new(layout, None, None, defects).expect("sizes fit");
    // A ridge through the middle of the third row of cells.
    let ridge = 300;
    let data = Array2::from_shape_fn((height, width), |(row, col)| match row < ridge {
        true => 900 + ((7 * row + 3 * col) % 11) as u16,
        false => 100,
    });
    let mosaic = StoredMosaic::in_memory(data);
    let whole = calibrator
        .window(&mosaic, &Rect::of_size(width, height))
        .expect("in memory");
    let mixed = crate::SkyMesh::measure(&whole, &Cfa::mono());
    let mask = GroundMask::new(Array2::from_shape_fn((height, width), |(row, _)| {
        row >= ridge
    }));
    let sky = mixed
        .beside_ground(&mosaic, &calibrator, &LightMask::new(&mask.not_sky()))
        .expect("in memory");
    for y in [10.0, 200.0, 290.0, 500.0] {
        assert!(
            (sky.at(0, 256.0, y) - 905.0).abs() < 1.0,
            "{y}: {}",
            sky.at(0, 256.0, y)
        );
    }
    assert!((sky.level(0) - 905.0).abs() < 1.0);
    let wrong = mixed.beside_ground(
        &mosaic,
        &calibrator,
        &LightMask::new(&Array2::from_elem((3, 3), false)),
    );
    assert!(wrong.is_err(), "a mask of another size");
}
