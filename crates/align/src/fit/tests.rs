//! Maps from pairs of points: exact, mirrored, with outliers, and which model is chosen.

use super::*;
use crate::testing::Noise;

const SIZE: (usize, usize) = (6000, 4000);

/// Rounding of a few dozen operations on coordinates of 1e4 px.
const EXACT_PX: f64 = 1e-6;

/// Pairs under a map, with noise.
fn pairs(map: &Homography, count: usize, noise_px: f64, seed: u64) -> Vec<Pair> {
    let mut noise = Noise::new(seed);
    (0..count)
        .map(|_| {
            let from = [6000.0 * noise.uniform(), 4000.0 * noise.uniform()];
            let (x, y) = map.apply(from[0], from[1]);
            let to = [
                x + noise_px * noise.gaussian(),
                y + noise_px * noise.gaussian(),
            ];
            Pair {
                from,
                to,
                error_px: noise_px.max(0.02),
            }
        })
        .collect()
}

/// The greatest distance of two maps at the corners of the frame, px.
fn corner_error_px(a: &Homography, b: &Homography) -> f64 {
    let corners = [(0.0, 0.0), (6000.0, 0.0), (0.0, 4000.0), (6000.0, 4000.0)];
    let distance = |(x, y)| {
        let ((ax, ay), (bx, by)) = (a.apply(x, y), b.apply(x, y));
        (ax - bx).hypot(ay - by)
    };
    corners.map(distance).into_iter().fold(0.0, f64::max)
}

fn turning() -> Homography {
    Homography([
        [1.006525317, -0.007615399686, -12.14341992],
        [0.009790438311, 1.003245424, -29.38307935],
        [1.093735754e-06, -4.144294e-09, 1.0],
    ])
}

fn turned(angle_deg: f64) -> Homography {
    let (s, c) = angle_deg.to_radians().sin_cos();
    Homography([[c, -s, 300.0], [s, c, -120.0], [0.0, 0.0, 1.0]])
}

#[test]
fn noiseless_pairs_give_the_map_back() {
    for (map, model) in [
        (turned(33.0), Model::Similarity),
        (turned(180.0), Model::Similarity),
        (
            Homography([[1.01, 0.02, 3.0], [0.05, 0.97, -9.0], [0.0, 0.0, 1.0]]),
            Model::Affine,
        ),
        (turning(), Model::Homography),
    ] {
        let fit = fit_robust(model, &pairs(&map, 40, 0.0, 1), false).expect("40 pairs");
        assert!(corner_error_px(&fit.map, &map) < EXACT_PX, "{model:?}");
    }
}

#[test]
fn a_mirrored_similarity_is_given_back() {
    let mirror = Homography([[-0.8, 0.6, 5000.0], [0.6, 0.8, 10.0], [0.0, 0.0, 1.0]]);
    let fit = fit_robust(Model::Similarity, &pairs(&mirror, 12, 0.0, 2), true).expect("12 pairs");
    assert!(corner_error_px(&fit.map, &mirror) < EXACT_PX);
}

#[test]
fn a_third_of_wrong_pairs_does_not_pull() {
    let mut list = pairs(&turning(), 90, 0.05, 3);
    for pair in list.iter_mut().step_by(3) {
        pair.to[0] += 8.0;
        pair.to[1] -= 5.0;
    }
    let fit = fit_best(&list, SIZE, false).expect("60 good pairs");
    // Eight parameters through 60 pairs of 0.05 px: corners err by some 0.05 px.
    assert!(corner_error_px(&fit.map, &turning()) < 0.15);
    assert_eq!(fit.model, Model::Homography);
}

#[test]
fn the_model_is_what_the_pairs_support() {
    let best = |map: &Homography, count| fit_best(&pairs(map, count, 0.05, 4), SIZE, false);
    let model = |map: &Homography, count| best(map, count).map(|fit| fit.model);
    assert_eq!(model(&turned(1.0), 300), Some(Model::Similarity));
    assert_eq!(model(&turning(), 300), Some(Model::Homography));
    assert!(model(&turning(), 12) < Some(Model::Homography));
    assert_eq!(model(&turned(1.0), 5), Some(Model::Similarity));
    assert_eq!(model(&turned(1.0), 2), None);
    assert_eq!(model(&turned(1.0), 0), None);
}

#[test]
fn stars_in_a_strip_do_not_bend_the_far_corners() {
    let mut list = pairs(&turned(0.5), 60, 0.05, 5);
    for pair in &mut list {
        pair.from[1] *= 0.02;
        let (x, y) = turned(0.5).apply(pair.from[0], pair.from[1]);
        pair.to = [x + 0.05, y - 0.03];
    }
    let fit = fit_best(&list, SIZE, false).expect("60 pairs");
    assert_eq!(fit.model, Model::Similarity);
    assert!(corner_error_px(&fit.map, &turned(0.5)) < 0.2);
}

#[test]
fn points_in_one_place_have_no_map() {
    let heap = vec![
        Pair {
            from: [5.0, 5.0],
            to: [6.0, 6.0],
            error_px: 0.1
        };
        30
    ];
    assert!(fit_best(&heap, SIZE, false).is_none());
}

/// Rows of numbers of a committed file, its first column left as text.
fn rows(name: &str) -> Vec<(String, Vec<f64>)> {
    let root = concat!(
        env!("CARGO_MANIFEST_DIR"),
        "/../../fixtures/geometry_checks"
    );
    let path = std::path::Path::new(root).join(name);
    let text = std::fs::read_to_string(path).expect("a committed fixture");
    let row = |line: &str| {
        let cells: Vec<&str> = line.split(',').collect();
        let numbers = cells.iter().filter_map(|cell| cell.parse().ok()).collect();
        (cells[0].to_owned(), numbers)
    };
    text.lines().skip(1).map(row).collect()
}

#[test]
fn least_squares_maps_are_those_of_scikit_image_numpy_scipy_and_opencv() {
    // Source: fixtures/geometry_checks. f64 over 6000 px for the closed forms; scipy's
    // finite differences leave 1e-5 px.
    const CLOSED_PX: f64 = 1e-8;
    const ITERATED_PX: f64 = 1e-4;
    // OpenCV stops at a sum of squares that is 0.1 % above the least: its map may be off by
    // a few hundredths of a pixel in the corners, and fits worse than ours.
    const OPENCV_PX: f64 = 0.1;
    let pairs: Vec<Pair> = rows("pairs.csv")
        .into_iter()
        .map(|(_, row)| Pair {
            from: [row[0], row[1]],
            to: [row[2], row[3]],
            error_px: 1.0,
        })
        .collect();
    assert_eq!(pairs.len(), 150);
    let squares = |map: &Homography| {
        pairs
            .iter()
            .map(|pair| pair.residual_px(map).powi(2))
            .sum::<f64>()
    };
    for (name, m) in rows("maps.csv") {
        let want = Homography(std::array::from_fn(|i| {
            std::array::from_fn(|j| m[3 * i + j])
        }));
        let (model, tolerance_px) = match name.as_str() {
            "similarity" => (Model::Similarity, CLOSED_PX),
            "affine" => (Model::Affine, CLOSED_PX),
            "homography" => (Model::Homography, ITERATED_PX),
            _ => (Model::Homography, OPENCV_PX),
        };
        let found = fit_weighted(model, &pairs, &vec![1.0; pairs.len()], false);
        let found = found.expect("the points are spread");
        assert!(squares(&found) <= squares(&want) * (1.0 + 1e-12), "{name}");
        let corners = [(0.0, 0.0), (6000.0, 0.0), (0.0, 4000.0), (6000.0, 4000.0)];
        for (x, y) in corners {
            let ((a, b), (c, d)) = (found.apply(x, y), want.apply(x, y));
            let error_px = (a - c).hypot(b - d);
            assert!(error_px < tolerance_px, "{name}: {error_px} px at {x} {y}");
        }
    }
}
