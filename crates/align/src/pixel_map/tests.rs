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
