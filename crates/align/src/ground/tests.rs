//! Drawn lights over drawn grounds.

use super::*;
use crate::Homography;
use rand::SeedableRng;
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, Normal, Uniform};

const WIDTH: usize = 360;
const HEIGHT: usize = 260;
const CELL_PX: usize = 2;
const LIGHTS: usize = 10;
/// Motion of the stars from light to light, px.
const STEP_PX: (f64, f64) = (3.0, 1.5);
const NOISE_DN: f64 = 10.0;

/// How bright the ground is at a pixel; `None` in the sky.
type Ground = fn(usize, usize) -> Option<f32>;

fn no_ground(_: usize, _: usize) -> Option<f32> {
    None
}

/// Rolling snow, brighter and darker than the sky, below dark trees.
fn snow_and_trees(row: usize, col: usize) -> Option<f32> {
    let (x, y) = (col as f64, row as f64);
    let ridge = 200.0 + 12.0 * (x / 60.0).sin();
    let tree = if (col / 20).is_multiple_of(3) {
        0.0
    } else {
        26.0 - 2.6 * ((x % 20.0) - 10.0).abs()
    };
    if y > ridge + 6.0 {
        return Some(500.0 + 200.0 * ((x / 17.0).sin() * (y / 11.0).cos()) as f32);
    }
    (y > ridge - tree).then_some(60.0)
}

fn maps() -> Vec<PixelMap> {
    let map = |i: usize| {
        let mut shift = Homography::IDENTITY;
        shift.0[0][2] = STEP_PX.0 * i as f64;
        shift.0[1][2] = STEP_PX.1 * i as f64;
        PixelMap::from_homography(shift)
    };
    (0..LIGHTS).map(map).collect()
}

/// Lights in cells: a glow of 500 DN with a slope, stars, noise and ground.
fn lights(seed: u64, ground: Ground) -> Vec<Array2<f32>> {
    let mut random = ChaCha8Rng::seed_from_u64(seed);
    let place = |extent: f64| Uniform::new(-40.0, extent).expect("a range");
    let (across, down) = (place(WIDTH as f64), place(HEIGHT as f64));
    let stars: Vec<(f64, f64, f64)> = (0..700)
        .map(|i| {
            let at = (across.sample(&mut random), down.sample(&mut random));
            (at.0, at.1, 6000.0 / (1.0 + i as f64 / 12.0))
        })
        .collect();
    let noise = Normal::new(0.0, NOISE_DN).expect("a width");
    (0..LIGHTS)
        .map(|i| {
            let mut light = Array2::from_shape_fn((HEIGHT, WIDTH), |(row, col)| {
                500.0 + 0.1 * col as f32 + 0.3 * row as f32
            });
            for (x, y, flux) in &stars {
                let (x, y) = (x + STEP_PX.0 * i as f64, y + STEP_PX.1 * i as f64);
                for row in (y - 5.0).max(0.0) as usize..((y + 5.0).max(0.0) as usize).min(HEIGHT) {
                    for col in (x - 5.0).max(0.0) as usize..((x + 5.0).max(0.0) as usize).min(WIDTH)
                    {
                        let far = (col as f64 - x).powi(2) + (row as f64 - y).powi(2);
                        light[(row, col)] += (flux / 8.0 * (-far / 2.6).exp()) as f32;
                    }
                }
            }
            for ((row, col), value) in light.indexed_iter_mut() {
                *value = ground(row, col).unwrap_or(*value) + noise.sample(&mut random) as f32;
            }
            // A lamp that is on in some lights only, and a hot pixel.
            if ground(240, 300).is_some() && i % 3 == 0 {
                light[(240, 300)] += 5000.0;
            }
            light[(30, 50)] += 3000.0;
            cell_means(light.view(), CELL_PX)
        })
        .collect()
}

fn find(lights: &[Array2<f32>], maps: &[PixelMap]) -> Option<Array2<bool>> {
    find_ground(lights, maps, CELL_PX, (WIDTH, HEIGHT))
}

#[test]
fn snow_and_trees_are_ground_and_the_sky_between_is_sky() {
    // A cell along the boundary is either; at most this share of the picture is beside it.
    const RIGHT: f64 = 0.99;
    for seed in [1, 2] {
        let found = find(&lights(seed, snow_and_trees), &maps()).expect("a ground");
        let right = found
            .indexed_iter()
            .filter(|&((row, col), &ground)| ground == snow_and_trees(row, col).is_some());
        let share = right.count() as f64 / found.len() as f64;
        assert!(share > RIGHT, "{share}");
    }
}

/// The same with the ridge below the frame: trees apart from each other on its lower border.
fn tips_of_trees(row: usize, col: usize) -> Option<f32> {
    snow_and_trees(row.saturating_sub(56), col)
}

#[test]
fn trees_on_the_border_are_ground_though_each_is_small() {
    // A tree is few cells wide, and half of them are its boundary.
    const FOUND: f64 = 0.85;
    for seed in [11, 12] {
        let found = find(&lights(seed, tips_of_trees), &maps()).expect("a ground");
        let (mut trees, mut both, mut extra) = (0.0, 0.0, 0.0);
        for ((row, col), &ground) in found.indexed_iter() {
            let tree = tips_of_trees(row, col).is_some();
            trees += f64::from(u8::from(tree));
            both += f64::from(u8::from(tree && ground));
            extra += f64::from(u8::from(!tree && ground));
        }
        assert!(both > FOUND * trees, "{both} of {trees} px");
        assert!(
            extra < (1.0 - FOUND) * trees,
            "{extra} px beside {trees} px"
        );
    }
}

#[test]
fn there_is_no_ground_where_there_is_none() {
    for seed in [3, 4] {
        assert_eq!(find(&lights(seed, no_ground), &maps()), None);
    }
}

#[test]
fn nothing_is_told_where_the_stars_hardly_move_or_lights_are_few() {
    let lights = lights(5, snow_and_trees);
    let still = vec![PixelMap::identity(); LIGHTS];
    assert_eq!(find(&lights, &still), None);
    assert_eq!(find(&lights[..3], &maps()[..3]), None);
    assert_eq!(find(&[], &[]), None);
}

#[test]
fn lights_without_values_or_of_one_value_have_no_ground() {
    let size = (HEIGHT / CELL_PX, WIDTH / CELL_PX);
    for value in [f32::NAN, 0.0, 700.0] {
        let lights = vec![Array2::from_elem(size, value); LIGHTS];
        assert_eq!(find(&lights, &maps()), None, "{value}");
    }
}

#[test]
fn a_hole_in_every_light_does_no_harm() {
    let mut lights = lights(6, snow_and_trees);
    for light in &mut lights {
        light.slice_mut(ndarray::s![40..50, 60..90]).fill(f32::NAN);
        light
            .slice_mut(ndarray::s![115..120, 10..30])
            .fill(f32::NAN);
    }
    let found = find(&lights, &maps()).expect("a ground");
    assert!(!found[(20, 30)] && found[(250, 200)]);
}
