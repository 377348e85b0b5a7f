//! Stars of known trail, coma and misalignment through the observer.

#![allow(clippy::print_stdout, reason = "a failing test shows its figures")]

use super::*;
use align::Star;
use rand::{Rng, SeedableRng};
use rand_chacha::ChaCha8Rng;
use rand_distr::StandardNormal;
use raw::Rect;
use stack::{TILE_PX, TileObserver, TileSamples};

const SIDE: usize = 15 * TILE_PX;
const SIGMA_PX: f64 = 0.9;
const FLUX_DN: f64 = 8000.0;
const NOISE_DN: f32 = 3.0;
/// Sigmas of the stated error that are allowed.
const SIGMAS: f64 = 4.0;

/// How a field is made.
#[derive(Clone, Copy)]
struct Made {
    trail: (f64, f64),
    /// Difference of the variances along and across the radius at the corner, px².
    radial_px2: f64,
    /// Standard deviation of the lights' places along x and y, px.
    jitter: (f64, f64),
    lights: usize,
}

const PLAIN: Made = Made {
    trail: (0.0, 0.0),
    radial_px2: 0.0,
    jitter: (0.0, 0.0),
    lights: 4,
};

mod moved;

/// One star in the middle of every tile, off the pixel grid by chance.
fn places(seed: u64) -> Vec<(f64, f64)> {
    let mut rng = ChaCha8Rng::seed_from_u64(seed);
    let n = SIDE / TILE_PX;
    (0..n * n)
        .map(|i| {
            let middle = |k: usize| (k * TILE_PX) as f64 + 31.0;
            let (dx, dy): (f64, f64) = (rng.random(), rng.random());
            (middle(i % n) + dx, middle(i / n) + dy)
        })
        .collect()
}

/// Adds a star: Gaussians along its trail, wider along the radius; 3 x 3 sub-pixels.
fn draw(plane: &mut [f32], tile: &Rect, place: (f64, f64), made: &Made) {
    let center = 0.5 * (SIDE as f64 - 1.0);
    let (rx, ry) = (place.0 - center, place.1 - center);
    let radius = rx.hypot(ry).max(1e-9);
    let share = radius / (center * 2f64.sqrt());
    let added = made.radial_px2 * share * share;
    let s2 = SIGMA_PX * SIGMA_PX;
    let (ux, uy) = (rx / radius, ry / radius);
    let (along2, across2) = if added >= 0.0 {
        (s2 + added, s2)
    } else {
        (s2, s2 - added)
    };
    let steps = if made.trail == (0.0, 0.0) { 1 } else { 9 };
    let area = std::f64::consts::TAU * (along2 * across2).sqrt();
    let norm = FLUX_DN / (area * 9.0 * f64::from(steps));
    for (i, value) in plane.iter_mut().enumerate() {
        let (col, row) = (tile.x0 + i % tile.width(), tile.y0 + i / tile.width());
        let (dx, dy) = (col as f64 - place.0, row as f64 - place.1);
        if dx.hypot(dy) > 9.0 {
            continue;
        }
        let mut light = 0.0;
        for sub in 0..9 {
            let (sx, sy) = (f64::from(sub % 3 - 1) / 3.0, f64::from(sub / 3 - 1) / 3.0);
            for step in 0..steps {
                let t = (f64::from(step) + 0.5) / f64::from(steps) - 0.5;
                let (x, y) = (dx + sx - t * made.trail.0, dy + sy - t * made.trail.1);
                let (along, across) = (x * ux + y * uy, y * ux - x * uy);
                light += (-0.5 * (along * along / along2 + across * across / across2)).exp();
            }
        }
        *value += (norm * light) as f32;
    }
}

fn measure(made: Made, seed: u64, trail_px: Option<&dyn Fn(f64, f64) -> (f64, f64)>) -> StarShapes {
    let places = places(seed);
    let stars: Vec<Star> = places
        .iter()
        .map(|&(x, y)| Star {
            x,
            y,
            flux_dn: FLUX_DN,
            peak_dn: 1000.0,
            fwhm_px: 2.2,
            ellipticity: 0.0,
            position_angle_rad: 0.0,
            snr: 200.0,
            saturated: false,
        })
        .collect();
    let observer = StarShapeObserver::new(&stars, StarShapeOptions::default());
    let mut rng = ChaCha8Rng::seed_from_u64(seed + 1);
    let mut normal = || -> f64 { rng.sample(StandardNormal) };
    let offsets: Vec<(f64, f64)> = (0..made.lights)
        .map(|_| (made.jitter.0 * normal(), made.jitter.1 * normal()))
        .collect();
    let mut found = Vec::new();
    for (tile, &(x, y)) in Rect::of_size(SIDE, SIDE).tiles(TILE_PX).iter().zip(&places) {
        let lights: Vec<Vec<f32>> = offsets
            .iter()
            .map(|&(dx, dy)| {
                let mut plane: Vec<f32> = (0..tile.area())
                    .map(|_| 50.0 + NOISE_DN * normal() as f32)
                    .collect();
                draw(&mut plane, tile, (x + dx, y + dy), &made);
                plane
            })
            .collect();
        let samples: Vec<&[f32]> = lights.iter().map(Vec::as_slice).collect();
        let mean: Vec<f32> = (0..tile.area())
            .map(|p| samples.iter().map(|s| s[p]).sum::<f32>() / made.lights as f32)
            .collect();
        let kept = vec![1u8; tile.area()];
        let kept: Vec<&[u8]> = samples.iter().map(|_| kept.as_slice()).collect();
        let weight = vec![made.lights as f32; tile.area()];
        found.push(observer.observe(&TileSamples {
            area: *tile,
            channel: 0,
            samples: &samples,
            kept: &kept,
            weights: &vec![1.0; made.lights],
            mean: &mean,
            weight: &weight,
            halves: &[[&mean, &mean], [&mean, &mean]],
            half_weight: &[[&weight, &weight], [&weight, &weight]],
        }));
    }
    let known = StarField {
        width: SIDE,
        height: SIDE,
        arcsec_per_px: Some(37.0),
        trail_px,
    };
    let mut shapes = StarShapes::from_stars(&observer, &found, &known);
    // What the lights were really off by, for the test of misalignment.
    if made.jitter != (0.0, 0.0) {
        let n = made.lights as f64;
        let spread = |of: fn(&(f64, f64)) -> f64| {
            let mean = offsets.iter().map(of).sum::<f64>() / n;
            (offsets.iter().map(|o| (of(o) - mean).powi(2)).sum::<f64>() / n).sqrt()
        };
        shapes.expected_trail = Some((spread(|o| o.0), spread(|o| o.1)));
    }
    shapes
}

/// Pixel integration adds 1/12 px² to the variance along each axis: of a Gaussian of
/// sigma 1 px 1.0408 px are measured (`checks.md` D1; closed form). Sub-pixels of a third
/// hold 2/27 of these 1/12.
#[test]
fn round_stars_have_their_pixel_integrated_width_and_no_more() {
    const SUB_PIXELS_PX2: f64 = 2.0 / 27.0;
    let shapes = measure(PLAIN, 1, None);
    let want = FWHM_PER_SIGMA * (SIGMA_PX * SIGMA_PX + SUB_PIXELS_PX2).sqrt();
    assert_eq!(shapes.zones.len(), 9);
    for zone in &shapes.zones {
        let (single, stack) = (
            zone.single.expect("25 stars"),
            zone.stack.expect("25 stars"),
        );
        for shape in [single, stack] {
            // A Gaussian of 0.9 px is not quite band-limited: 0.3 % over the pixel phases.
            let allowed = SIGMAS * shape.fwhm_error_px + 0.003 * want;
            assert!(
                (shape.fwhm_px - want).abs() < allowed,
                "{shape:?} for {want}"
            );
            assert!(
                shape.ellipticity < SIGMAS * shape.ellipticity_error,
                "{shape:?}"
            );
            assert!((shape.fwhm_arcsec.expect("a scale") / shape.fwhm_px - 37.0).abs() < 1e-9);
        }
    }
    let places: Vec<ZonePlace> = shapes.zones.iter().map(|zone| zone.place).collect();
    use ZonePlace::{Center, Corner, Edge};
    assert_eq!(
        places,
        [
            Corner, Edge, Corner, Edge, Center, Edge, Corner, Edge, Corner
        ]
    );
    assert!(
        matches!(shapes.findings()[..], [StarFinding::WellAligned { .. }]),
        "{:?}",
        shapes.findings()
    );
}

#[test]
fn trails_are_found_with_length_and_direction() {
    for (seed, length, degrees) in [(2, 1.3, 32.0), (3, 2.5, -70.0f64)] {
        let (sin, cos) = f64::to_radians(degrees).sin_cos();
        let step = (length * cos, length * sin);
        let shapes = measure(
            Made {
                trail: step,
                ..PLAIN
            },
            seed,
            Some(&|_, _| step),
        );
        let trail = shapes.trail.expect("225 stars");
        // Nine Gaussians in a row stand for a line: their variance is 1 − 1/81 of it.
        let allowed = SIGMAS * trail.error_px + 0.01 * length;
        assert!((trail.size_px - length).abs() < allowed, "{trail:?}");
        assert!(trail.error_px < 0.05, "{trail:?}");
        let off = trail.direction_deg - degrees;
        assert!(
            off.abs() < SIGMAS * trail.direction_error_deg + 0.5,
            "{trail:?}"
        );
        let radial = shapes.radial.expect("225 stars");
        assert!(radial.corner_px.abs() < 0.2, "{radial:?}");
        let said = shapes.findings();
        assert!(
            matches!(
                said[0],
                StarFinding::Trailed {
                    by_drift: Some(true),
                    ..
                }
            ),
            "{said:?}"
        );
        assert!(
            said[0]
                .to_string()
                .starts_with(&format!("stars are trailed {length:.1} px along")),
            "{}",
            said[0]
        );
        let elsewhere = StarShapes {
            expected_trail: Some((0.2, 90.0)),
            ..shapes
        };
        let said = elsewhere.findings();
        assert!(
            matches!(
                said[0],
                StarFinding::Trailed {
                    by_drift: Some(false),
                    ..
                }
            ),
            "{said:?}"
        );
    }
}

#[test]
fn coma_is_told_from_trails_by_its_direction_over_the_field() {
    for (seed, radial_px2) in [(4, 0.5), (5, -0.5f64)] {
        let shapes = measure(
            Made {
                radial_px2,
                ..PLAIN
            },
            seed,
            None,
        );
        let radial = shapes.radial.expect("225 stars");
        let want = radial_px2.abs().sqrt().copysign(radial_px2);
        assert!(
            (radial.corner_px - want).abs() < SIGMAS * radial.error_px + 0.01,
            "{radial:?} for {want}"
        );
        assert!(radial.seen);
        let trail = shapes.trail.expect("225 stars");
        assert!(!trail.seen && trail.limit_px < 0.5, "{trail:?}");
        assert!(
            shapes
                .findings()
                .iter()
                .any(|f| matches!(f, StarFinding::Radial(_)))
        );
    }
}

#[test]
fn a_misaligned_stack_is_told_from_its_lights() {
    let made = Made {
        jitter: (0.5, 0.15),
        lights: 8,
        ..PLAIN
    };
    let shapes = measure(made, 6, None);
    let (along_x, along_y) = shapes.expected_trail.expect("stated by the test");
    let found = shapes.misalignment.expect("225 stars");
    assert!(along_x > along_y);
    // Eight places are no Gaussian: the window weighs the outer ones less.
    assert!(
        (found.size_px - along_x).abs() < SIGMAS * found.error_px + 0.03 * along_x,
        "{found:?} for {along_x}"
    );
    assert!(found.seen && found.error_px < 0.05, "{found:?}");
    assert!(
        shapes.trail.is_some_and(|trail| trail.size_px < 0.4),
        "{:?}",
        shapes.trail
    );
    assert!(
        shapes
            .findings()
            .iter()
            .any(|f| matches!(f, StarFinding::Misaligned(_)))
    );
    let corner = shapes.zones[0].misalignment.expect("25 stars");
    assert!(
        (corner.size_px - along_x).abs() < SIGMAS * corner.error_px + 0.03 * along_x,
        "{corner:?}"
    );
}

#[test]
fn without_stars_nothing_is_said() {
    let observer = StarShapeObserver::new(&[], StarShapeOptions::default());
    let known = StarField {
        width: 90,
        height: 60,
        ..StarField::default()
    };
    let shapes = StarShapes::from_stars(&observer, &[], &known);
    assert_eq!(
        (
            shapes.stars,
            shapes.trail,
            shapes.radial,
            shapes.misalignment
        ),
        (0, None, None, None)
    );
    assert!(
        shapes
            .zones
            .iter()
            .all(|zone| zone.stars == 0 && zone.single.is_none())
    );
    assert!(shapes.findings().is_empty());
}
