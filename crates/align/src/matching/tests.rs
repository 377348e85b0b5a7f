//! Lists of stars that are turned, mirrored, thinned out, spoiled or unrelated.

use super::*;
use crate::testing::{Noise, star};

const SIZE: (usize, usize) = (3000, 2000);

/// A field of stars with fluxes as a sky has them.
fn field(count: usize, noise: &mut Noise) -> Vec<Star> {
    (0..count)
        .map(|_| {
            let flux_dn = 500.0 * (1.0 - noise.uniform()).powf(-1.2).min(1e3);
            let (width, height) = (SIZE.0 as f64, SIZE.1 as f64);
            star(width * noise.uniform(), height * noise.uniform(), flux_dn)
        })
        .collect()
}

/// A night: what the second frame shows of the first, and what it should not.
struct Night {
    map: Homography,
    stars: usize,
    missing: f64,
    spurious: f64,
    clearness: f64,
}

impl Night {
    fn of(map: Homography, stars: usize) -> Self {
        Self {
            map,
            stars,
            missing: 0.1,
            spurious: 0.1,
            clearness: 1.0,
        }
    }

    /// Two lists with centroid errors as the fluxes make them.
    fn lists(&self, seed: u64) -> (Vec<Star>, Vec<Star>) {
        let mut noise = Noise::new(seed);
        let sky = field(self.stars, &mut noise);
        let measured = |star: &Star, noise: &mut Noise| Star {
            x: star.x + star.position_error_px() * noise.gaussian(),
            y: star.y + star.position_error_px() * noise.gaussian(),
            flux_dn: star.flux_dn * (1.0 + noise.gaussian() / star.snr),
            ..*star
        };
        let reference: Vec<Star> = sky.iter().map(|star| measured(star, &mut noise)).collect();
        let mut frame = Vec::new();
        for star in &sky {
            let (x, y) = self.map.apply(star.x, star.y);
            let seen = (0.0..3000.0).contains(&x) && (0.0..2000.0).contains(&y);
            if seen && noise.uniform() >= self.missing {
                let moved = Star {
                    x,
                    y,
                    flux_dn: self.clearness * star.flux_dn,
                    ..*star
                };
                frame.push(measured(&moved, &mut noise));
            }
        }
        frame.extend(field(
            (self.spurious * self.stars as f64) as usize,
            &mut noise,
        ));
        frame.sort_by(|a, b| b.flux_dn.total_cmp(&a.flux_dn));
        (reference, frame)
    }

    #[track_caller]
    fn check(&self, seed: u64) -> Alignment {
        let (reference, frame) = self.lists(seed);
        let found = align_stars(&reference, &frame, SIZE, &MatchOptions::default());
        let found = found.expect("the lists share a sky");
        let error_px = self.inner_error_px(&found);
        let limit_px = self.limit_px();
        assert!(
            error_px < limit_px,
            "{error_px} px with {} pairs, {:?}",
            found.matched,
            found.model
        );
        found
    }

    /// What a map may be off: hundreds of stars of 0.02 to 0.2 px; a dozen stars leave more.
    fn limit_px(&self) -> f64 {
        if self.stars >= 100 { 0.03 } else { 0.3 }
    }

    /// Greatest error of the map over the inner half of the reference, px.
    fn inner_error_px(&self, found: &Alignment) -> f64 {
        let mut worst = 0.0_f64;
        for (x, y) in (0..=8).flat_map(|i| (0..=8).map(move |j| (i, j))) {
            let (x, y) = (750.0 + 187.5 * f64::from(x), 500.0 + 125.0 * f64::from(y));
            let ((ax, ay), (bx, by)) = (found.map.map(x, y), self.map.apply(x, y));
            worst = worst.max((ax - bx).hypot(ay - by));
        }
        worst
    }
}

/// A turn about the middle of the frame, and a shift.
fn turned(angle_deg: f64) -> Homography {
    let (s, c) = angle_deg.to_radians().sin_cos();
    let (x, y) = (1500.0, 1000.0);
    Homography([
        [c, -s, x - c * x + s * y + 21.7],
        [s, c, y - s * x - c * y - 34.2],
        [0.0, 0.0, 1.0],
    ])
}

fn shifted(x: f64, y: f64) -> Homography {
    Homography([[1.0, 0.0, x], [0.0, 1.0, y], [0.0, 0.0, 1.0]])
}

#[test]
fn any_rotation_is_found() {
    for angle_deg in [0.0, 0.1, 5.0, 37.0, 90.0, 133.0, 180.0] {
        Night::of(turned(angle_deg), 300).check(angle_deg as u64);
    }
}

#[test]
fn a_mirrored_field_is_found() {
    let mirror = Homography([[-1.0, 0.0, 2999.0], [0.0, 1.0, 12.5], [0.0, 0.0, 1.0]]);
    assert!(Night::of(mirror, 300).check(7).mirrored);
    assert!(!Night::of(turned(3.0), 300).check(7).mirrored);
}

#[test]
fn half_spurious_and_a_third_missing_is_found() {
    for seed in 0..5 {
        let night = Night {
            missing: 0.3,
            spurious: 0.5,
            ..Night::of(turned(12.0), 400)
        };
        night.check(seed);
    }
}

#[test]
fn a_turning_wide_sky_needs_and_gets_a_homography() {
    let map = Homography([
        [1.01, -0.0152, -22.0],
        [0.0196, 1.0065, -49.0],
        [2.2e-6, -1e-8, 1.0],
    ]);
    assert_eq!(Night::of(map, 600).check(3).model, Model::Homography);
}

#[test]
fn a_dozen_stars_suffice() {
    for seed in 0..10 {
        let night = Night {
            missing: 0.0,
            spurious: 0.0,
            ..Night::of(turned(4.0), 12)
        };
        night.check(seed);
    }
}

#[test]
fn ten_thousand_stars_are_matched() {
    let night = Night {
        missing: 0.3,
        spurious: 0.3,
        ..Night::of(turned(2.0), 10_000)
    };
    let found = night.check(1);
    assert!(found.matched > 4000, "{}", found.matched);
}

#[test]
fn another_focal_length_is_matched_within_a_factor_of_two() {
    for scale in [0.52, 0.7, 1.45, 1.95] {
        for angle_deg in [0.0, 137.0] {
            let (sin, cos) = f64::to_radians(angle_deg).sin_cos();
            let (a, b) = (scale * cos, scale * sin);
            // About the middle of the frame.
            let map = Homography([
                [a, -b, 1500.0 - 1500.0 * a + 1000.0 * b],
                [b, a, 1000.0 - 1500.0 * b - 1000.0 * a],
                [0.0, 0.0, 1.0],
            ]);
            let night = Night::of(map, 2000);
            let (reference, frame) = night.lists(31);
            let found = align_stars(&reference, &frame, SIZE, &MatchOptions::default());
            let found = found.expect("the lists share a sky");
            let (x, y) = found.map.map(1500.0, 1000.0);
            let error_px = (x - 1500.0).hypot(y - 1000.0);
            // Hundreds of stars of 0.02 to 0.3 px.
            assert!(error_px < 0.05, "scale {scale}: {error_px} px");
        }
    }
}

#[test]
fn twenty_stars_and_twenty_thousand_are_matched() {
    let mut few = Night::of(turned(8.0), 20);
    few.spurious = 0.0;
    few.check(41);
    Night::of(turned(172.0), 20_000).check(42);
}

#[test]
fn a_cloud_is_seen_in_the_fluxes() {
    let night = Night {
        clearness: 0.62,
        ..Night::of(turned(0.3), 500)
    };
    let found = night.check(2).transparency;
    let error = (found.ratio - 0.62).abs();
    assert!(
        error < 4.0 * found.standard_error && found.standard_error < 0.01,
        "{found:?}"
    );
}

/// Defects at whole pixels, the same on both frames.
fn with_defects(lists: &mut (Vec<Star>, Vec<Star>), count: usize, fwhm_px: f64, flux_dn: f64) {
    let mut noise = Noise::new(99);
    for _ in 0..count {
        let x = (SIZE.0 as f64 * noise.uniform()).floor();
        let y = (SIZE.1 as f64 * noise.uniform()).floor();
        let flux_dn = flux_dn * (1.0 + noise.uniform());
        let defect = Star {
            fwhm_px,
            ..star(x, y, flux_dn)
        };
        lists.0.push(defect);
        lists.1.push(defect);
    }
}

#[test]
fn defects_that_stand_still_do_not_hold_the_frame() {
    let night = Night::of(shifted(7.3, -4.1), 200);
    for (count, fwhm_px, flux_dn) in [(60, 3.0, 5e3), (150, 3.0, 5e4), (400, 1.2, 5e4)] {
        let mut lists = night.lists(5);
        with_defects(&mut lists, count, fwhm_px, flux_dn);
        let found = align_stars(&lists.0, &lists.1, SIZE, &MatchOptions::default());
        let found = found.expect("the stars are there");
        assert!(
            night.inner_error_px(&found) < 0.03,
            "{count} defects: {:?}",
            found.map
        );
        assert!(
            found.stationary >= count * 9 / 10,
            "{} of {count}",
            found.stationary
        );
    }
}

#[test]
fn a_tracked_sky_stands_still_and_is_no_trap() {
    let night = Night::of(shifted(0.12, -0.07), 200);
    assert_eq!(night.check(6).stationary, 0);
}

/// Two lists of 280 stars that stay where they are but for 0.05 px.
fn tracked(fwhm_px: f64, noise: &mut Noise) -> (Vec<Star>, Vec<Star>) {
    const JITTER_PX: f64 = 0.05;
    let sky = field(280, noise);
    let mut list = || -> Vec<Star> {
        let mut jittered = |star: &Star| Star {
            x: star.x + JITTER_PX * noise.gaussian(),
            y: star.y + JITTER_PX * noise.gaussian(),
            fwhm_px,
            ..*star
        };
        sky.iter().map(&mut jittered).collect()
    };
    (list(), list())
}

/// That what follows the 280 stars in both lists leaves their map as it is.
#[track_caller]
fn check_tracked(lists: &(Vec<Star>, Vec<Star>)) {
    // A fifth of the jitter; leftovers taken for the sky are off by tenths and more.
    const LIMIT_PX: f64 = 0.01;
    let align = |a: &[Star], b: &[Star]| {
        align_stars(a, b, SIZE, &MatchOptions::default()).expect("the stars are there")
    };
    let alone = align(&lists.0[..280], &lists.1[..280]);
    let found = align(&lists.0, &lists.1);
    assert!(found.matched > 260, "{} matched", found.matched);
    assert_eq!(found.stationary, 0);
    for (x, y) in [
        (0.0, 0.0),
        (2999.0, 0.0),
        (1500.0, 1000.0),
        (0.0, 1999.0),
        (2999.0, 1999.0),
    ] {
        let ((ax, ay), (bx, by)) = (alone.map.map(x, y), found.map.map(x, y));
        let off_px = (ax - bx).hypot(ay - by);
        assert!(off_px < LIMIT_PX, "{off_px} px at {x}, {y}");
    }
}

#[test]
fn unrelated_leftovers_do_not_move_a_tracked_sky() {
    for seed in 0..10 {
        let mut noise = Noise::new(seed);
        let mut lists = tracked(1.8, &mut noise);
        for list in [&mut lists.0, &mut lists.1] {
            list.extend(field(12, &mut noise));
        }
        check_tracked(&lists);
    }
}

#[test]
fn stars_measured_badly_do_not_move_a_tracked_sky() {
    for seed in 0..10 {
        let mut noise = Noise::new(seed);
        // Every other sky as sharp as defects are.
        let fwhm_px = if seed % 2 == 0 { 1.8 } else { 1.2 };
        let mut lists = tracked(fwhm_px, &mut noise);
        // Blends: wide, and placed 0.6 px away, each elsewhere.
        for mut blend in field(12, &mut noise) {
            blend.flux_dn = 6e3;
            blend.snr = 120.0;
            lists.0.push(blend);
            let (sin, cos) = (std::f64::consts::TAU * noise.uniform()).sin_cos();
            blend.x += 0.6 * cos;
            blend.y += 0.6 * sin;
            lists.1.push(blend);
        }
        check_tracked(&lists);
    }
}

#[test]
fn lights_on_the_ground_do_not_move_a_tracked_sky() {
    let mut noise = Noise::new(3);
    let mut lists = tracked(1.8, &mut noise);
    for light in field(40, &mut noise) {
        lists.0.push(light);
        lists.1.push(Star {
            x: light.x - 9.0,
            y: light.y + 4.0,
            ..light
        });
    }
    check_tracked(&lists);
}

#[test]
fn many_defects_do_not_hold_few_stars() {
    for (drift, stars) in [((7.3, -4.1), 100), ((1.1, 0.6), 100), ((7.3, -4.1), 24)] {
        let night = Night::of(shifted(drift.0, drift.1), stars);
        let mut lists = night.lists(5);
        with_defects(&mut lists, 1000, 1.2, 5e4);
        let found = align_stars(&lists.0, &lists.1, SIZE, &MatchOptions::default());
        let found = found.expect("the stars are there");
        let error_px = night.inner_error_px(&found);
        let limit_px = night.limit_px();
        assert!(
            error_px < limit_px,
            "{stars} stars, {drift:?}: {error_px} px"
        );
        assert!(found.stationary >= 900, "{} stand still", found.stationary);
    }
}

#[test]
fn saturated_stars_do_not_pull() {
    let night = Night::of(shifted(12.0, 9.0), 200);
    let (mut reference, mut frame) = night.lists(8);
    for list in [&mut reference, &mut frame] {
        list.sort_by(|a, b| b.flux_dn.total_cmp(&a.flux_dn));
        list.iter_mut()
            .take(30)
            .for_each(|star| star.saturated = true);
    }
    frame.iter_mut().take(30).for_each(|star| star.x += 0.4);
    let found = align_stars(&reference, &frame, SIZE, &MatchOptions::default()).expect("a match");
    assert!(night.inner_error_px(&found) < 0.03);
    assert!(
        found
            .pairs
            .iter()
            .all(|&(i, j)| !reference[i].saturated && !frame[j].saturated)
    );
}

#[test]
fn unrelated_skies_are_told_apart() {
    for count in [12, 60, 300, 3000] {
        let reference = field(count, &mut Noise::new(1));
        let frame = field(count, &mut Noise::new(2));
        match align_stars(&reference, &frame, SIZE, &MatchOptions::default()) {
            Err(AlignError::NoMatch {
                matched,
                found,
                needed,
                ..
            }) => {
                assert!(matched < needed && found == count);
            }
            other => panic!("{count} stars: {other:?}"),
        }
    }
}

#[test]
fn too_few_stars_say_how_many() {
    let sky = field(50, &mut Noise::new(1));
    for found in [0, 1, 5] {
        for (a, b) in [(&sky[..found], &sky[..]), (&sky[..], &sky[..found])] {
            assert_eq!(
                align_stars(a, b, SIZE, &MatchOptions::default()),
                Err(AlignError::TooFewStars { found, needed: 6 })
            );
        }
    }
    let lost: Vec<Star> = sky
        .iter()
        .map(|star| Star {
            x: f64::NAN,
            ..*star
        })
        .collect();
    assert!(align_stars(&sky, &lost, SIZE, &MatchOptions::default()).is_err());
}

#[test]
fn stars_in_one_place_match_nothing() {
    let heap = vec![star(5.0, 5.0, 100.0); 40];
    assert!(align_stars(&heap, &heap, SIZE, &MatchOptions::default()).is_err());
}

#[test]
fn the_order_of_the_lists_does_not_matter() {
    let (reference, frame) = Night::of(turned(8.0), 150).lists(4);
    let forth = align_stars(&reference, &frame, SIZE, &MatchOptions::default()).expect("a match");
    let mut turned_round = frame.clone();
    turned_round.reverse();
    let back = align_stars(&reference, &turned_round, SIZE, &MatchOptions::default());
    let back = back.expect("a match");
    assert_eq!(forth.map, back.map);
    let last = frame.len() - 1;
    let renumbered: Vec<_> = back.pairs.iter().map(|&(i, j)| (i, last - j)).collect();
    assert_eq!(forth.pairs, renumbered);
}
