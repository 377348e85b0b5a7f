//! What the map shows, and where.

use super::*;
use crate::{Overwrite, write_png16};
use image::RgbImage;
use ndarray::Array2;

/// An even field with one bright pixel near the top left corner.
fn field(rows: usize, columns: usize) -> Array2<f32> {
    let mut plane = Array2::from_shape_fn((rows, columns), |(row, col)| {
        100.0 + ((row * 7 + col * 3) % 5) as f32
    });
    plane[[1, 2]] = 5000.0;
    plane
}

fn map_of(plane: &Array2<f32>, regions: &[MapRegion], options: &PreviewOptions) -> RgbImage {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("regions.png");
    write_regions_png(&path, &[plane.view(); 3], regions, options).unwrap();
    image::open(&path).unwrap().into_rgb8()
}

fn region(x: (usize, usize), y: (usize, usize), gain_share: Option<f64>) -> MapRegion {
    MapRegion {
        x0: x.0,
        y0: y.0,
        x1: x.1,
        y1: y.1,
        gain_share,
    }
}

#[test]
fn without_regions_it_is_the_preview_however_the_camera_was_held() {
    let plane = field(30, 40);
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("preview.png");
    for orientation in 0..=9 {
        let options = PreviewOptions {
            orientation,
            overwrite: Overwrite::Yes,
            ..PreviewOptions::default()
        };
        write_png16(&path, &[plane.view(); 3], &options).unwrap();
        let preview = image::open(&path).unwrap().into_rgb8();
        assert!(map_of(&plane, &[], &options) == preview, "{orientation}");
    }
}

#[test]
fn more_of_the_gain_is_bluer_and_less_is_redder() {
    let plane = Array2::from_elem((40, 120), 100.0);
    let shares = [0.5, 0.8, 0.9, 1.0, 1.3, 1.0];
    let regions: Vec<MapRegion> = shares
        .iter()
        .enumerate()
        .map(|(i, &share)| region((i * 20, i * 20 + 20), (0, 40), Some(share)))
        .collect();
    let map = map_of(&plane, &regions, &PreviewOptions::default());
    let colors: Vec<[u8; 3]> = (0..6).map(|i| map.get_pixel(i * 20 + 10, 20).0).collect();
    let blue_over_red = |i: usize| i32::from(colors[i][2]) - i32::from(colors[i][0]);
    assert_eq!(colors[0], colors[1], "below the scale");
    assert_eq!(colors[3], colors[4], "above the scale");
    assert_eq!(colors[3], colors[5], "a color is a share");
    assert!(blue_over_red(1) < blue_over_red(2) && blue_over_red(2) < blue_over_red(3));
    assert!(blue_over_red(1) < 0 && blue_over_red(3) > 0);
}

#[test]
fn frames_and_crosses_lie_where_the_regions_do() {
    let plane = Array2::from_elem((60, 80), 100.0);
    let options = PreviewOptions {
        max_side_px: Some(40),
        ..PreviewOptions::default()
    };
    let plain = map_of(&plane, &[], &options);
    let regions = [
        region((20, 60), (10, 50), None),
        // Empty, beyond the picture, and without a number: nothing to draw, no panic.
        region((5, 5), (5, 9), Some(1.0)),
        region((900, 950), (0, 60), Some(1.0)),
    ];
    let map = map_of(&plane, &regions, &options);
    let changed = |x: u32, y: u32| map.get_pixel(x, y) != plain.get_pixel(x, y);
    for (x, y) in [(10, 5), (29, 5), (10, 24), (29, 24), (15, 5), (10, 15)] {
        assert!(changed(x, y), "frame at ({x}, {y})");
    }
    assert!(changed(15, 10), "the cross");
    for (x, y) in [(9, 15), (30, 15), (20, 4), (20, 25), (20, 8), (2, 3)] {
        assert!(!changed(x, y), "untouched at ({x}, {y})");
    }
    let nan = [region((20, 60), (10, 50), Some(f64::NAN))];
    assert!(
        map_of(&plane, &nan, &options) == map,
        "no number is no figure"
    );
}

#[test]
fn bad_pictures_leave_no_file() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("regions.png");
    let (wide, empty) = (field(9, 12), Array2::zeros((0, 3)));
    for planes in [vec![], vec![wide.view(); 2], vec![empty.view()]] {
        assert!(write_regions_png(&path, &planes, &[], &PreviewOptions::default()).is_err());
        assert_eq!(std::fs::read_dir(folder.path()).unwrap().count(), 0);
    }
}
