//! Defects found in lights and darks, and how they are filled.

use super::*;
use ndarray::Array2;
use raw::SitePattern;

const WIDTH: usize = 96;
const HEIGHT: usize = 80;

fn layout() -> SensorLayout {
    SensorLayout {
        cfa: Cfa::bayer("RGGB").expect("a Bayer array"),
        black_level_dn: SitePattern::uniform(100.0),
        white_level_dn: SitePattern::uniform(16000.0),
        width: WIDTH,
        height: HEIGHT,
    }
}

/// Gaussian-like noise of standard deviation 1 from a counter: the sum of twelve
/// uniform numbers less six.
fn noise(seed: &mut u64) -> f32 {
    let mut sum = -6.0;
    for _ in 0..12 {
        *seed = seed
            .wrapping_mul(6364136223846793005)
            .wrapping_add(1442695040888963407);
        sum += (*seed >> 40) as f32 / (1_u64 << 24) as f32;
    }
    sum
}

/// Lights of noise 10 DN with one star of the given width that moves by `drift_px` a
/// light, and the given hot sites.
fn lights(n: usize, drift_px: f32, hot: &[(usize, usize, f32)]) -> Vec<StoredMosaic> {
    let mut seed = 7;
    (0..n)
        .map(|i| {
            let (x, y) = (40.3 + drift_px * i as f32, 30.6);
            let mut data = Array2::from_shape_fn((HEIGHT, WIDTH), |(row, col)| {
                let r2 = (col as f32 - x).powi(2) + (row as f32 - y).powi(2);
                let star = 3000.0 * (-r2 / (2.0 * 0.8 * 0.8)).exp();
                500.0 + star + 10.0 * noise(&mut seed)
            });
            for &(row, col, excess) in hot {
                data[(row, col)] += excess;
            }
            StoredMosaic::in_memory(data.mapv(|value| value.round().max(0.0) as u16))
        })
        .collect()
}

fn find(lights: &[StoredMosaic]) -> Vec<(usize, usize)> {
    let lights: Vec<&StoredMosaic> = lights.iter().collect();
    let noise_dn = vec![10.0; lights.len()];
    let map = DefectMap::from_lights(&layout(), &lights, &noise_dn, &DefectOptions::default())
        .expect("in memory");
    let sites = |row: usize| map.rows[row].iter().map(move |&col| (row, col));
    (0..HEIGHT).flat_map(sites).collect()
}

#[test]
fn hot_and_dead_sites_are_found_without_darks() {
    let hot = [
        (10, 12, 400.0),
        (50, 60, 60.0),
        (51, 20, -400.0),
        (0, 0, 500.0),
        (79, 95, 90.0),
    ];
    let want: Vec<_> = hot.iter().map(|&(row, col, _)| (row, col)).collect();
    assert_eq!(find(&lights(12, 1.5, &hot)), {
        let mut want = want;
        want.sort_unstable();
        want
    });
}

#[test]
fn two_hot_sites_side_by_side_are_both_found() {
    let hot = [(20, 20, 400.0), (20, 21, 300.0)];
    assert_eq!(find(&lights(12, 1.5, &hot)), [(20, 20), (20, 21)]);
}

#[test]
fn a_sharp_star_that_stands_still_is_no_defect() {
    assert_eq!(find(&lights(12, 0.0, &[])), []);
}

#[test]
fn a_star_that_drifts_is_no_defect_and_hides_none() {
    // Two or three of six lights see it on each site of its track.
    let hot = [(10, 12, 400.0), (60, 60, 90.0)];
    for n in [4, 6, 9] {
        for drift_px in [0.3, 0.7, 1.2, 1.9, 2.4, 4.0] {
            let found = find(&lights(n, drift_px, &hot));
            assert_eq!(found, [(10, 12), (60, 60)], "{n} lights, {drift_px} px");
        }
    }
}

#[test]
fn two_lights_tell_nothing() {
    assert_eq!(find(&lights(2, 1.5, &[(10, 12, 4000.0)])), []);
}

#[test]
fn a_hot_site_in_the_dark_is_found_by_its_excess() {
    let mut level_dn = Array2::from_elem((20, 30), 100.0);
    level_dn[(4, 5)] = 140.0;
    level_dn[(6, 5)] = 104.0;
    let dark = MasterDark {
        level_dn,
        noise_dn: 5.0,
        n_frames: 10,
    };
    let map = DefectMap::from_dark(&dark, &DefectOptions::default());
    assert_eq!((map.count(), map.contains(4, 5)), (1, true));
}

#[test]
fn a_defect_is_filled_from_its_own_color() {
    let layout = layout();
    let map = DefectMap::from_sites(WIDTH, HEIGHT, &[(10, 10), (10, 12)]);
    let area = layout.bounds();
    let color = |row: usize, col: usize| match layout.cfa.at(row, col) {
        raw::Channel::R => 7.0,
        _ => 1000.0,
    };
    let values = (0..area.area())
        .map(|i| color(i / WIDTH, i % WIDTH))
        .collect();
    let mut window = CalibratedWindow { area, values };
    window.values[10 * WIDTH + 10] = 1e6;
    window.values[10 * WIDTH + 12] = 1e6;
    map.fill(&mut window, &area, &layout.cfa);
    assert_eq!((window.at(10, 10), window.at(10, 12)), (7.0, 7.0));
}

#[test]
fn maps_unite_and_answer_for_windows() {
    let a = DefectMap::from_sites(WIDTH, HEIGHT, &[(1, 1), (2, 50)]);
    let b = DefectMap::from_sites(WIDTH, HEIGHT, &[(1, 1), (70, 3)]);
    let both = a.union(&b);
    assert_eq!(both.count(), 3);
    assert!(both.any_in(&Rect {
        x0: 0,
        y0: 60,
        x1: 10,
        y1: 80
    }));
    assert!(!both.any_in(&Rect {
        x0: 4,
        y0: 0,
        x1: 40,
        y1: 80
    }));
}

fn find_in_one(light: &StoredMosaic) -> Vec<(usize, usize)> {
    let map = DefectMap::from_light(&layout(), light, &DefectOptions::default());
    let map = map.expect("in memory");
    let sites = |row: usize| map.rows[row].iter().map(move |&col| (row, col));
    (0..HEIGHT).flat_map(sites).collect()
}

#[test]
fn one_light_tells_a_hot_site_from_a_star() {
    let hot = [
        (10, 20, 150.0),
        (11, 61, 3000.0),
        (0, 5, 400.0),
        (79, 95, 400.0),
    ];
    let mut expected: Vec<_> = hot.iter().map(|&(row, col, _)| (row, col)).collect();
    expected.sort_unstable();
    assert_eq!(find_in_one(&lights(1, 0.0, &hot)[0]), expected);
    assert_eq!(find_in_one(&lights(1, 0.0, &[])[0]), []);
}

#[test]
fn a_bright_ground_has_its_own_noise() {
    // Photon noise of a ground twenty times as bright as the sky, and its edge.
    let mut seed = 3;
    let mut ground = Array2::from_shape_fn((HEIGHT, WIDTH), |(row, _)| match row >= 56 {
        true => 10_000.0 + 45.0 * noise(&mut seed),
        false => 500.0 + 10.0 * noise(&mut seed),
    });
    ground[(70, 33)] += 600.0;
    let light = StoredMosaic::in_memory(ground.mapv(|value: f32| value.round() as u16));
    assert_eq!(find_in_one(&light), [(70, 33)]);
    let equal = Array2::from_elem((HEIGHT, WIDTH), 700);
    assert_eq!(find_in_one(&StoredMosaic::in_memory(equal)), []);
}
