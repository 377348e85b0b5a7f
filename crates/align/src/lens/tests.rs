//! Published radii, round trips, derivatives, and what a lens does not see.

use super::*;

const BENT: [f64; 3] = [-0.05, 0.01, -0.002];

#[test]
#[allow(clippy::approx_constant, reason = "the digits as they are published")]
fn projections_have_their_published_radii() {
    // Source: the definitions (tan t, 2 tan t/2, t, 2 sin t/2), evaluated independently.
    const TOLERANCE: f64 = 6e-6; // the stated digits
    for (angle_deg, want) in [
        (30.0_f64, [0.577_35, 0.535_90, 0.523_60, 0.517_64]),
        (45.0, [1.0, 0.828_43, 0.785_40, 0.765_37]),
        (60.0, [1.732_05, 1.154_70, 1.047_20, 1.0]),
        (90.0, [f64::NAN, 2.0, 1.570_80, 1.414_21]),
    ] {
        let (sine, cosine) = angle_deg.to_radians().sin_cos();
        for (projection, want) in Projection::ALL.into_iter().zip(want) {
            let lens = Lens::new(projection, 1000.0, [5.0, 7.0], [0.0; 3]);
            let found = lens.project([0.6 * sine, 0.8 * sine, cosine]);
            assert_eq!(found.is_none(), want.is_nan(), "{projection:?}");
            if let Some([x, y]) = found {
                assert!((x - 5.0 - 600.0 * want).abs() < 1000.0 * TOLERANCE);
                assert!((y - 7.0 - 800.0 * want).abs() < 1000.0 * TOLERANCE);
            }
        }
    }
}

#[test]
fn pixels_come_back_through_every_lens() {
    const ROUND_TRIP_PX: f64 = 1e-9; // f64 over 800 px, and the sine's slope at the rim
    for projection in Projection::ALL {
        for radial in [[0.0; 3], BENT, [0.03, 0.0, 0.0]] {
            let lens = Lens::new(projection, 700.0, [400.0, 300.0], radial);
            for (x, y) in [(400.0, 300.0), (0.0, 0.0), (799.0, 10.0), (401.0, 599.0)] {
                let direction = lens.unproject(x, y).expect("in the picture");
                let length: f64 = direction.iter().map(|part| part * part).sum();
                assert!((length - 1.0).abs() < 1e-14);
                let [u, v] = lens.project(direction).expect("in the picture");
                assert!(
                    (u - x).hypot(v - y) < ROUND_TRIP_PX,
                    "{projection:?} {radial:?}: ({u}, {v}) for ({x}, {y})"
                );
            }
        }
    }
}

#[test]
fn derivatives_are_those_of_finite_differences() {
    const STEP: f64 = 1e-6;
    // Central differences err by the step squared and by rounding over the step, px.
    const TOLERANCE_PX: f64 = 2e-6;
    for projection in Projection::ALL {
        let lens = Lens::new(projection, 700.0, [400.0, 300.0], BENT);
        for (x, y) in [(400.0, 300.0), (400.2, 300.1), (0.0, 0.0), (650.0, 120.0)] {
            let direction = lens.unproject(x, y).expect("seen");
            let slopes = lens.slopes(direction).expect("seen");
            assert!((slopes.at[0] - x).hypot(slopes.at[1] - y) < 1e-9);
            for parameter in 0..PARAMETERS {
                let moved = |sign: f64| {
                    let mut step = [0.0; PARAMETERS];
                    step[parameter] = sign * STEP;
                    lens.moved(&step).project(direction).expect("seen")
                };
                let (ahead, behind) = (moved(1.0), moved(-1.0));
                for axis in 0..2 {
                    let want = (ahead[axis] - behind[axis]) / (2.0 * STEP);
                    let error = (slopes.by_lens[axis][parameter] - want).abs();
                    assert!(
                        error < TOLERANCE_PX * (1.0 + want.abs()),
                        "{projection:?} {parameter}"
                    );
                }
            }
            // Two turns of the direction, which keep its length.
            for turn in [[0.3, -0.5, 0.1], [-0.2, 0.4, 0.7]] {
                let tangent = cross(turn, direction);
                let moved = |sign: f64| {
                    let there = [0, 1, 2].map(|i| direction[i] + sign * STEP * tangent[i]);
                    lens.project(there).expect("seen")
                };
                let (ahead, behind) = (moved(1.0), moved(-1.0));
                for axis in 0..2 {
                    let want = (ahead[axis] - behind[axis]) / (2.0 * STEP);
                    let row = slopes.by_direction[axis];
                    let found: f64 = (0..3).map(|i| row[i] * tangent[i]).sum();
                    let error = (found - want).abs();
                    assert!(
                        error < TOLERANCE_PX * (1.0 + want.abs()),
                        "{projection:?} {found} {want}"
                    );
                }
            }
        }
    }
}

fn cross(a: [f64; 3], b: [f64; 3]) -> [f64; 3] {
    [
        a[1] * b[2] - a[2] * b[1],
        a[2] * b[0] - a[0] * b[2],
        a[0] * b[1] - a[1] * b[0],
    ]
}

#[test]
fn nothing_is_seen_beyond_the_range() {
    let plain = Lens::new(Projection::Rectilinear, 500.0, [0.0; 2], [0.0; 3]);
    assert_eq!(plain.project([1.0, 0.0, 0.0]), None);
    assert_eq!(plain.project([0.0, 0.1, -1.0]), None);
    assert_eq!(plain.project([0.0; 3]), None);
    assert_eq!(plain.project([f64::NAN, 0.0, 1.0]), None);
    let fisheye = Lens::new(Projection::Equisolid, 500.0, [0.0; 2], [0.0; 3]);
    assert!(fisheye.project([1.0, 0.0, -0.2]).is_some());
    assert_eq!(fisheye.project([0.1, 0.0, -1.0]), None);
    assert_eq!(fisheye.unproject(1001.0, 0.0), None);
    // 1 + 3 k1 r² falls to nothing at r = 1.29: the picture folds back.
    let folding = Lens::new(Projection::Rectilinear, 500.0, [0.0; 2], [-0.2, 0.0, 0.0]);
    assert_eq!(folding.project([2.0, 0.0, 1.0]), None);
    assert_eq!(folding.unproject(2000.0, 0.0), None);
    let angle = folding.angle_rad(300.0, 0.0).expect("in the picture");
    assert!((angle.tan() * (1.0 - 0.2 * angle.tan().powi(2)) - 0.6).abs() < 1e-12);
}
