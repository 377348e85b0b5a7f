//! Maps by row, backwards, and the windows that tiles need.

use super::*;

/// Two orders of evaluation of the same few products near 1e4 px.
const ROUNDING_PX: f64 = 1e-9;

fn tilted() -> PixelMap {
    PixelMap::from_homography(Homography([
        [0.98, -0.17, 40.3],
        [0.16, 0.99, -25.7],
        [2e-5, -1e-5, 1.0],
    ]))
}

#[test]
fn a_row_is_mapped_as_its_points_are() {
    for length in 0..70 {
        let mut row = vec![(0.0, 0.0); length];
        tilted().map_row(13, 377, &mut row);
        for (i, &(x, y)) in row.iter().enumerate() {
            let (want_x, want_y) = tilted().map((13 + i) as f64, 377.0);
            assert!((x - want_x).abs() < ROUNDING_PX && (y - want_y).abs() < ROUNDING_PX);
        }
    }
}

#[test]
fn mapping_back_undoes_mapping() {
    let (x, y) = tilted().map(812.5, 77.25);
    let (back_x, back_y) = tilted().map_back(x, y);
    assert!((back_x - 812.5).hypot(back_y - 77.25) < ROUNDING_PX);
}

#[test]
fn the_window_covers_every_mapped_pixel_and_no_more_than_it_must() {
    let frame = Rect::of_size(1200, 900);
    let margin = 3;
    for tile in Rect::of_size(1200, 900).tiles(128) {
        let mut inside = None::<Rect>;
        let window = tilted().source_window(tile, margin, frame);
        for y in tile.y0..tile.y1 {
            for x in tile.x0..tile.x1 {
                let (at_x, at_y) = tilted().map(x as f64, y as f64);
                if at_x < 0.0 || at_y < 0.0 || at_x > 1199.0 || at_y > 899.0 {
                    continue;
                }
                let window = window.expect("a pixel lands on the frame");
                assert!(window.contains(at_x.floor() as usize, at_y.floor() as usize));
                assert!(window.contains(at_x.ceil() as usize, at_y.ceil() as usize));
                inside = Some(window);
            }
        }
        assert!(inside.is_none() || window.is_some());
        if let Some(window) = window {
            assert!(window.width() < 128 * 2 && window.height() < 128 * 2);
            assert_eq!(window.intersect(&frame), window);
        }
    }
}

#[test]
fn the_identity_window_is_the_tile_and_its_margin() {
    let frame = Rect::of_size(100, 80);
    let tile = Rect {
        x0: 40,
        y0: 70,
        x1: 50,
        y1: 80,
    };
    assert_eq!(
        PixelMap::identity().source_window(tile, 3, frame),
        Some(tile.grown(3, &frame))
    );
}

#[test]
fn tiles_off_the_frame_have_no_window() {
    let far = PixelMap::from_homography(Homography([
        [1.0, 0.0, 5000.0],
        [0.0, 1.0, 0.0],
        [0.0, 0.0, 1.0],
    ]));
    let frame = Rect::of_size(100, 80);
    assert_eq!(far.source_window(frame, 4, frame), None);
    assert_eq!(
        PixelMap::identity().source_window(Rect::of_size(0, 9), 4, frame),
        None
    );
}

#[test]
fn a_tile_across_the_horizon_gets_the_whole_frame() {
    let steep = PixelMap::from_homography(Homography([
        [1.0, 0.0, 0.0],
        [0.0, 1.0, 0.0],
        [-0.01, 0.0, 1.0],
    ]));
    let frame = Rect::of_size(300, 80);
    assert_eq!(steep.source_window(frame, 4, frame), Some(frame));
    let behind = Rect {
        x0: 200,
        y0: 0,
        x1: 300,
        y1: 80,
    };
    assert_eq!(steep.source_window(behind, 4, frame), None);
}

/// An ultra-wide lens, half an hour of sky turned.
fn turned_lens() -> PixelMap {
    let lens = crate::Lens::new(
        crate::Projection::Rectilinear,
        690.0,
        [599.5, 449.5],
        [-0.045, 0.008, 0.0],
    );
    let attitude = crate::Attitude::from_rotation_vector([0.02, -0.08, 0.1]);
    PixelMap::from_lens(lens, attitude, (1200, 900))
}

#[test]
fn rows_through_a_lens_are_as_exact_as_stated() {
    const GOAL_PX: f64 = 1e-3; // what the map aims at
    let map = turned_lens();
    assert!(map.row_error_px() <= GOAL_PX, "{}", map.row_error_px());
    let mut worst = 0.0_f64;
    for y in (0..900).step_by(7).chain([899]) {
        // The two starts do not fall on the lattice, and cut its cells differently.
        for (x0, n) in [(0, 1200), (37, 1163)] {
            let mut row = vec![(f64::NAN, f64::NAN); n];
            map.map_row(x0, y, &mut row);
            for (i, (x, y_there)) in row.into_iter().enumerate() {
                let (exact_x, exact_y) = map.map((x0 + i) as f64, y as f64);
                let shown = (0.0..1200.0).contains(&exact_x) && (0.0..900.0).contains(&exact_y);
                if shown {
                    worst = worst.max((x - exact_x).hypot(y_there - exact_y));
                }
            }
        }
    }
    // The middle of a cell is the worst place of a smooth map but for its next terms.
    assert!(
        worst <= 1.2 * map.row_error_px(),
        "{worst} {}",
        map.row_error_px()
    );
}

#[test]
fn a_lens_can_be_undone_and_covered() {
    const ROUND_TRIP_PX: f64 = 1e-8;
    let map = turned_lens();
    for (x, y) in [(0.0, 0.0), (1199.0, 899.0), (300.5, 800.25)] {
        let (there_x, there_y) = map.map(x, y);
        let (back_x, back_y) = map.map_back(there_x, there_y);
        assert!((back_x - x).hypot(back_y - y) < ROUND_TRIP_PX);
    }
    let frame = Rect {
        x0: 0,
        y0: 0,
        x1: 1200,
        y1: 900,
    };
    let area = Rect {
        x0: 400,
        y0: 300,
        x1: 656,
        y1: 556,
    };
    let window = map.source_window(area, 3, frame).expect("it is seen");
    for (x, y) in (400..656).flat_map(|x| (300..556).map(move |y| (x, y))) {
        let (x, y) = map.map(f64::from(x), f64::from(y));
        assert!(x >= window.x0 as f64 + 3.0 && x <= window.x1 as f64 - 4.0);
        assert!(y >= window.y0 as f64 + 3.0 && y <= window.y1 as f64 - 4.0);
    }
    // Behind the camera there is nothing, and no window.
    let lens = crate::Lens::new(
        crate::Projection::Rectilinear,
        690.0,
        [599.5, 449.5],
        [0.0; 3],
    );
    let behind = crate::Attitude::from_rotation_vector([3.1, 0.0, 0.0]);
    let map = PixelMap::from_lens(lens, behind, (1200, 900));
    assert!(map.map(600.0, 450.0).0.is_nan());
    assert_eq!(map.source_window(area, 3, frame), None);
    let mut row = [(0.0, 0.0); 5];
    map.map_row(1198, 899, &mut row);
    assert!(row.iter().all(|(x, _)| x.is_nan()));
}
