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
