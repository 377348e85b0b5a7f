//! Sharp stars of lights that were demosaiced and moved by parts of a pixel.

use super::*;
use align::{Homography, PixelMap};
use ndarray::Array2;
use stack::Kernel;

/// Full width of the stars before pixels and trail, px: sharp lenses are like that.
const FWHM_PX: f64 = 2.0;
/// Stars drawn.
const STARS: usize = 60;
/// Pixels around a tile that demosaicing and moving need.
const PAD: usize = 12;
/// What the lights are moved by, px: few, and further by parts of a pixel along x than
/// along y.
const SHIFTS: [(f64, f64); 4] = [(0.0, 0.0), (3.5, -2.0), (-1.4, 5.1), (6.6, 0.9)];
const NONE: Second = Second {
    xx: 0.0,
    xy: 0.0,
    yy: 0.0,
};

/// A Gaussian drawn along a line, mean over each pixel's area.
struct Trail {
    at: (f64, f64),
    step: (f64, f64),
}

impl Trail {
    fn light(&self, col: f64, row: f64) -> f64 {
        const POINTS: i32 = 16;
        const SUB: i32 = 4;
        let s2 = (FWHM_PX / FWHM_PER_SIGMA).powi(2);
        let (dx, dy) = (col - self.at.0, row - self.at.1);
        if dx.hypot(dy) > 10.0 {
            return 0.0;
        }
        let middle = |i: i32, n: i32| (f64::from(i) + 0.5) / f64::from(n) - 0.5;
        // Along each axis by itself: a Gaussian is a product.
        let axis = |d: f64, step: f64, t: f64| -> f64 {
            let sub = (0..SUB).map(|i| d + middle(i, SUB) - t * step);
            sub.map(|d| (-0.5 * d * d / s2).exp()).sum::<f64>() / f64::from(SUB)
        };
        let points = (0..POINTS).map(|k| middle(k, POINTS));
        let sum: f64 = points
            .map(|t| axis(dx, self.step.0, t) * axis(dy, self.step.1, t))
            .sum();
        FLUX_DN / (std::f64::consts::TAU * s2) * sum / f64::from(POINTS)
    }
}

/// A tile of a light whose stars lie `shift` further on, moved back onto the reference
/// between the four nearest pixels; green of a Bayer mosaic, or all of it.
fn tile_of(tile: &Rect, star: &Trail, shift: (f64, f64), mosaic: bool) -> Vec<f32> {
    let corner = |first: usize, shift: f64| first as f64 - PAD as f64 + shift.floor();
    let (x0, y0) = (corner(tile.x0, shift.0), corner(tile.y0, shift.1));
    let star = Trail {
        at: (star.at.0 + shift.0, star.at.1 + shift.1),
        step: star.step,
    };
    let shape = (tile.height() + 2 * PAD, tile.width() + 2 * PAD);
    let recorded = Array2::from_shape_fn(shape, |(row, col)| {
        star.light(x0 + col as f64, y0 + row as f64)
    });
    let is_green = |row: usize, col: usize| {
        let site = x0 as i64 + y0 as i64 + (row + col) as i64;
        !mosaic || site.rem_euclid(2) == 1
    };
    let at = |row: usize, col: usize| match is_green(row, col) {
        true => recorded[(row, col)],
        false => {
            let near = [
                (row - 1, col),
                (row + 1, col),
                (row, col - 1),
                (row, col + 1),
            ];
            0.25 * near.map(|at| recorded[at]).iter().sum::<f64>()
        }
    };
    let (fx, fy) = (shift.0 - shift.0.floor(), shift.1 - shift.1.floor());
    let mut moved = Vec::with_capacity(tile.area());
    for row in PAD..PAD + tile.height() {
        for col in PAD..PAD + tile.width() {
            let line = |row: usize| (1.0 - fx) * at(row, col) + fx * at(row, col + 1);
            moved.push(((1.0 - fy) * line(row) + fy * line(row + 1)) as f32);
        }
    }
    moved
}

/// The mean shape of the stars in the lights, and the window and blur it is seen through.
fn shape(trail: (f64, f64), mosaic: bool, told: bool) -> (Second, f64, f64) {
    let places = places(5);
    let fwhm_px = (FWHM_PX * FWHM_PX
        + FWHM_PER_SIGMA.powi(2) * (trail.0.powi(2) + trail.1.powi(2)) / 24.0)
        .sqrt();
    let star = |&(x, y): &(f64, f64)| Star {
        x,
        y,
        flux_dn: FLUX_DN,
        peak_dn: 1000.0,
        fwhm_px,
        ellipticity: 0.0,
        position_angle_rad: 0.0,
        snr: 200.0,
        saturated: false,
    };
    let stars: Vec<Star> = places.iter().map(star).collect();
    let smoothing_px2 = if mosaic {
        bayer_green_variance_px2()
    } else {
        0.0
    };
    let options = StarShapeOptions {
        smoothing_px2,
        ..StarShapeOptions::default()
    };
    let mut observer = StarShapeObserver::new(&stars, options);
    if told {
        let map = |(x, y)| Homography([[1.0, 0.0, x], [0.0, 1.0, y], [0.0, 0.0, 1.0]]);
        let maps = SHIFTS.map(|shift| PixelMap::from_homography(map(shift)));
        observer = observer.with_maps(Kernel::Bilinear, maps.to_vec());
    }
    let tiles = Rect::of_size(SIDE, SIDE).tiles(TILE_PX);
    let (mut sum, mut n) = (NONE, 0.0);
    for (tile, &at) in tiles.iter().zip(&places).take(STARS) {
        let star = Trail { at, step: trail };
        let lights = SHIFTS.map(|shift| tile_of(tile, &star, shift, mosaic));
        let samples: Vec<&[f32]> = lights.iter().map(Vec::as_slice).collect();
        let kept = vec![1u8; tile.area()];
        let kept: Vec<&[u8]> = samples.iter().map(|_| kept.as_slice()).collect();
        let weight = vec![SHIFTS.len() as f32; tile.area()];
        let mean = samples[0];
        for pair in observer.observe(&TileSamples {
            area: *tile,
            channel: 0,
            samples: &samples,
            kept: &kept,
            weights: &[1.0; SHIFTS.len()],
            mean,
            weight: &weight,
            halves: &[[mean, mean], [mean, mean]],
            half_weight: &[[&weight, &weight], [&weight, &weight]],
        }) {
            sum = sum.plus(pair.single);
            n += 1.0;
        }
    }
    assert!(n >= 0.9 * STARS as f64, "{n} stars");
    (sum.times(1.0 / n), observer.window_px2(), smoothing_px2)
}

/// Length of the trail that the mean shape speaks of, px.
fn length_px((shape, window_px2, smoothing_px2): (Second, f64, f64)) -> f64 {
    let [q, u] = shape.elongation_px2();
    let elongation = q.hypot(u);
    let across = shape.round_px2() - elongation + smoothing_px2;
    trail_length_px(elongation, across, window_px2)
}

/// Share of what moving adds that is left: it is taken off as of a Gaussian of the width
/// that detection states, and pixels and trails are none.
const LEFT: f64 = 0.07;

/// Half the difference of the variances f (1 − f) that moving adds along x and along y,
/// mean over the lights.
fn added_px2() -> f64 {
    let phases = SHIFTS.map(|(x, y)| (x - x.floor(), y - y.floor()));
    let added = phases.map(|(x, y)| 0.5 * (x * (1.0 - x) - y * (1.0 - y)));
    added.iter().sum::<f64>() / SHIFTS.len() as f64
}

#[test]
fn trails_keep_their_length_when_few_lights_are_moved() {
    for (length, degrees) in [(1.61, 0.0), (1.61, 30.0), (1.61, 90.0), (3.0, -60.0f64)] {
        let (sin, cos) = degrees.to_radians().sin_cos();
        let trail = (length * cos, length * sin);
        for mosaic in [false, true] {
            let found = length_px(shape(trail, mosaic, true));
            let untold = length_px(shape(trail, mosaic, false));
            // As the elongation's error of demosaiced stars says: d(L²/24) = L dL / 12.
            let by_mosaic = if mosaic {
                12.0 * DEMOSAICED_PX2 / length
            } else {
                0.0
            };
            println!(
                "{length} px at {degrees}, mosaic {mosaic}: {found:.3}, {untold:.3} if not told"
            );
            let allowed = 12.0 * LEFT * added_px2() / length + by_mosaic;
            assert!((found - length).abs() < allowed, "{found} for {length}");
        }
    }
}

#[test]
fn round_stars_stay_round_when_few_lights_are_moved() {
    let elongation = |told| {
        let [q, u] = shape((0.0, 0.0), false, told).0.elongation_px2();
        q.hypot(u)
    };
    let (told, untold) = (elongation(true), elongation(false));
    println!("{told:.4} px², {untold:.4} if not told");
    let added = added_px2();
    assert!(untold > added && untold < 1.3 * added, "{untold} {added}");
    assert!(told < LEFT * added, "{told} of {untold}");
}
