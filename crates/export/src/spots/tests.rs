//! Spots of skies whose darkest place, band and ground are known.

use super::*;

const SIZE: (usize, usize) = (1200, 800);
const SPOT: (usize, usize) = (200, 160);

/// A picture of `light(x, y)` with both from 0 to 1.
fn picture(light: impl Fn(f64, f64) -> f64) -> SmallPicture {
    let (width, height) = SIZE;
    let plane = Array2::from_shape_fn((height, width), |(row, col)| {
        light(col as f64 / width as f64, row as f64 / height as f64) as f32
    });
    SmallPicture::of(&[plane.view()], 60)
}

/// Brightest at the top, darkest a little left of the middle.
fn sky(x: f64, y: f64) -> f64 {
    100.0 + 40.0 * ((x - 0.4).powi(2) + (y - 0.5).powi(2))
}

fn find(spots: &[Spot], kind: SpotKind) -> Option<Spot> {
    spots.iter().find(|spot| spot.kind == kind).copied()
}

#[test]
fn the_darkest_sky_is_found_and_no_detail_is_invented() {
    let spots = choose_spots(&picture(sky), SPOT, &|_, _| false);
    let dark = find(&spots, SpotKind::DarkSky).expect("there is sky");
    let middle = ((dark.x0 + dark.x1) / 2, (dark.y0 + dark.y1) / 2);
    assert!(middle.0.abs_diff(480) <= 60 && middle.1.abs_diff(400) <= 50);
    assert_eq!(find(&spots, SpotKind::Detail), None);
    assert_eq!(find(&spots, SpotKind::GroundEdge), None);
    assert!(find(&spots, SpotKind::Corner).is_some());
    assert!(find(&spots, SpotKind::Center).is_some());
}

#[test]
fn a_band_with_dark_lanes_is_detail() {
    let band = |x: f64, y: f64| {
        let across = (x - 0.75) / 0.05;
        sky(x, y) + 60.0 * (-across * across).exp() * (1.0 + 0.5 * (40.0 * y).sin())
    };
    let spots = choose_spots(&picture(band), SPOT, &|_, _| false);
    let detail = find(&spots, SpotKind::Detail).expect("a band");
    assert!(detail.x0 < 900 && 900 < detail.x1, "{detail:?}");
}

#[test]
fn stars_are_no_detail() {
    let starry = |x: f64, y: f64| {
        let (col, row) = ((1200.0 * x) as usize, (800.0 * y) as usize);
        let star = col.is_multiple_of(97) && row.is_multiple_of(89);
        sky(x, y) + if star { 60_000.0 } else { 0.0 }
    };
    let spots = choose_spots(&picture(starry), SPOT, &|_, _| false);
    assert_eq!(find(&spots, SpotKind::Detail), None);
}

#[test]
fn ground_is_no_sky_and_its_edge_is_shown() {
    let ridge = |row: usize, _: usize| row >= 560;
    let light = |x: f64, y: f64| if y < 0.7 { sky(x, y) } else { 5.0 };
    let spots = choose_spots(&picture(light), SPOT, &ridge);
    for kind in [SpotKind::DarkSky, SpotKind::Corner] {
        let spot = find(&spots, kind).expect("sky");
        assert!(spot.y1 <= 560, "{spot:?}");
    }
    let edge = find(&spots, SpotKind::GroundEdge).expect("an edge");
    assert!(edge.y0 + 40 <= 560 && 560 + 40 <= edge.y1, "{edge:?}");
}

#[test]
fn spots_lie_inside_and_apart_however_small_the_picture() {
    for size in [(1, 1), (7, 300), (300, 7), (401, 299), (1500, 1001)] {
        let plane = Array2::from_elem((size.1, size.0), 1.0);
        let small = SmallPicture::of(&[plane.view()], 60);
        let spots = choose_spots(&small, SPOT, &|_, _| false);
        assert!(!spots.is_empty(), "{size:?}");
        for (i, a) in spots.iter().enumerate() {
            assert!(a.x0 < a.x1 && a.x1 <= size.0 && a.y0 < a.y1 && a.y1 <= size.1);
            for b in &spots[..i] {
                let apart = a.x1 <= b.x0 || b.x1 <= a.x0 || a.y1 <= b.y0 || b.y1 <= a.y0;
                assert!(apart, "{a:?} {b:?}");
            }
        }
    }
}

#[test]
fn what_has_no_value_is_not_shown() {
    let light = |x: f64, y: f64| if x < 0.5 { f64::NAN } else { sky(x, y) };
    let spots = choose_spots(&picture(light), SPOT, &|_, _| false);
    assert!(spots.iter().all(|spot| spot.x0 >= 600), "{spots:?}");
    let nothing = picture(|_, _| f64::NAN);
    assert!(choose_spots(&nothing, SPOT, &|_, _| false).is_empty());
}
