//! The engine as a whole, on lights whose every sample is known.

use align::{Homography, PixelMap};
use ndarray::Array2;
use radicand_stack as stack;
use raw::{Cfa, SitePattern};
use stack::{
    Calibrator, Combine, DefectMap, Kernel, Light, SensorLayout, SkyMesh, StackOptions,
    StoredMosaic, TileObserver, TileSamples,
};

const WIDTH: usize = 150;
const HEIGHT: usize = 131;
const BLACK_DN: f32 = 200.0;
const SKY_DN: f32 = 400.0;
const NOISE_DN: f32 = 12.0;

fn calibrator(cfa: Cfa) -> Calibrator {
    let layout = SensorLayout {
        cfa,
        black_level_dn: SitePattern::uniform(BLACK_DN),
        white_level_dn: SitePattern::uniform(16000.0),
        width: WIDTH,
        height: HEIGHT,
    };
    Calibrator::new(layout, None, None, DefectMap::none(WIDTH, HEIGHT)).expect("sizes fit")
}

/// Gaussian-like noise of standard deviation 1: twelve uniform numbers less six.
struct Noise(u64);

impl Noise {
    fn next(&mut self) -> f32 {
        let mut sum = -6.0;
        for _ in 0..12 {
            self.0 = self
                .0
                .wrapping_mul(6364136223846793005)
                .wrapping_add(1442695040888963407);
            sum += (self.0 >> 40) as f32 / (1_u64 << 24) as f32;
        }
        sum
    }
}

/// A star of 1.5 px sigma at a position of the reference.
const STAR: (f64, f64) = (70.3, 60.7);

/// Lights that drift by a fraction of a pixel each, with an optional trail in one.
fn lights(n: usize, cfa: &Cfa, trail_in: Option<usize>) -> Vec<Light> {
    let mut noise = Noise(11);
    let drawn: Vec<(StoredMosaic, PixelMap, SkyMesh)> = (0..n)
        .map(|i| {
            let (dx, dy) = (0.37 * i as f64, -0.23 * i as f64);
            let map = Homography([[1.0, 0.0, dx], [0.0, 1.0, dy], [0.0, 0.0, 1.0]]);
            let data = Array2::from_shape_fn((HEIGHT, WIDTH), |(row, col)| {
                let (x, y) = (col as f64 - STAR.0 - dx, row as f64 - STAR.1 - dy);
                let star = 12000.0 * (-(x * x + y * y) / (2.0 * 1.5 * 1.5)).exp() as f32;
                let trail = if trail_in == Some(i) && (row + 40).abs_diff(col) < 2 {
                    900.0
                } else {
                    0.0
                };
                let value = BLACK_DN + SKY_DN + star + trail + NOISE_DN * noise.next();
                value.round().max(0.0) as u16
            });
            let mosaic = StoredMosaic::in_memory(data);
            let whole = calibrator(cfa.clone());
            let window = whole
                .window(&mosaic, &whole.layout().bounds())
                .expect("in memory");
            let mesh = SkyMesh::measure(&window, cfa);
            (mosaic, PixelMap::from_homography(map), mesh)
        })
        .collect();
    let meshes: Vec<&SkyMesh> = drawn.iter().map(|(_, _, mesh)| mesh).collect();
    let maps: Vec<PixelMap> = drawn.iter().map(|(_, map, _)| map.clone()).collect();
    let offsets = stack::sky_offsets(&meshes, &maps, &vec![1.0; n], &vec![1.0; n]);
    drawn
        .into_iter()
        .zip(offsets)
        .map(|((mosaic, map, _), sky_offset)| Light {
            mosaic,
            map,
            scale: 1.0,
            sky_offset,
            weight: 1.0,
        })
        .collect()
}

fn run(lights: &[Light], cfa: &Cfa, combine: Combine, kernel: Kernel) -> stack::Stack {
    let options = StackOptions {
        combine,
        kernel,
        ..StackOptions::default()
    };
    stack::stack(lights, &calibrator(cfa.clone()), &options, &(), &|_, _| ())
        .expect("a stack")
        .0
}

fn centroid(plane: ndarray::ArrayView2<f32>) -> (f64, f64) {
    let (mut sum, mut x, mut y) = (0.0, 0.0, 0.0);
    for row in 52..70 {
        for col in 61..80 {
            let light = f64::from(plane[(row, col)] - SKY_DN);
            sum += light;
            x += light * col as f64;
            y += light * row as f64;
        }
    }
    (x / sum, y / sum)
}

#[test]
fn a_star_lands_where_the_reference_has_it() {
    // Noise of 12 DN, twice that after demosaicing, over 342 px 5.3 px from the center,
    // 12 lights and 170,000 DN of star: 0.004 px; five times that.
    const POSITION_TOLERANCE_PX: f64 = 0.02;
    for cfa in [Cfa::mono(), Cfa::bayer("GRBG").expect("a Bayer array")] {
        let stack = run(
            &lights(12, &cfa, None),
            &cfa,
            Combine::Mean,
            Kernel::Lanczos3,
        );
        for plane in stack.mean.outer_iter() {
            let (x, y) = centroid(plane);
            assert!((x - STAR.0).abs() < POSITION_TOLERANCE_PX, "x {x}");
            assert!((y - STAR.1).abs() < POSITION_TOLERANCE_PX, "y {y}");
        }
    }
}

#[test]
fn a_trail_leaves_nothing_behind() {
    let cfa = Cfa::bayer("RGGB").expect("a Bayer array");
    let clip = Combine::SigmaClip(Default::default());
    let with = run(&lights(16, &cfa, Some(9)), &cfa, clip, Kernel::Lanczos3);
    let without = run(&lights(16, &cfa, None), &cfa, clip, Kernel::Lanczos3);
    // One light of sixteen is missing along the trail: its noise, 12 DN, over 16.
    let expected_dn = f64::from(NOISE_DN) / 16.0;
    for channel in 0..3 {
        let (mut sum, mut sum_sq, mut n) = (0.0, 0.0, 0.0);
        for row in 5..90 {
            for col in (row + 35)..(row + 45) {
                let (a, b) = (
                    with.mean[(channel, row, col)],
                    without.mean[(channel, row, col)],
                );
                let difference = f64::from(a - b);
                sum += difference;
                sum_sq += difference * difference;
                n += 1.0;
            }
        }
        let mean: f64 = sum / n;
        assert!(
            mean.abs() < 0.2 * expected_dn,
            "channel {channel}: {mean} DN"
        );
        assert!((sum_sq / n).sqrt() < 1.2 * expected_dn, "channel {channel}");
    }
}

/// Keeps every bit it is shown.
struct Recorder;

impl TileObserver for Recorder {
    type Summary = Vec<u32>;

    fn observe(&self, tile: &TileSamples<'_>) -> Vec<u32> {
        let planes = tile.samples.iter().chain([&tile.mean, &tile.halves[1][0]]);
        planes
            .flat_map(|plane| plane.iter().map(|v| v.to_bits()))
            .collect()
    }
}

#[test]
fn the_number_of_threads_changes_no_bit() {
    let cfa = Cfa::bayer("RGGB").expect("a Bayer array");
    let lights = lights(7, &cfa, Some(3));
    let calibrator = calibrator(cfa);
    let with_threads = |n: usize| {
        let pool = rayon::ThreadPoolBuilder::new()
            .num_threads(n)
            .build()
            .expect("threads");
        pool.install(|| {
            let options = StackOptions::default();
            stack::stack(&lights, &calibrator, &options, &Recorder, &|_, _| ()).expect("a stack")
        })
    };
    let (one, seen_by_one) = with_threads(1);
    for n in [2, 5] {
        let (many, seen) = with_threads(n);
        let bits = |stack: &stack::Stack| -> Vec<u32> {
            let planes = [&stack.mean, &stack.variance, &stack.weight];
            planes
                .iter()
                .flat_map(|plane| plane.iter().map(|v| v.to_bits()))
                .collect()
        };
        assert_eq!(bits(&one), bits(&many), "{n} threads");
        assert_eq!(one.rejected, many.rejected, "{n} threads");
        assert_eq!(seen_by_one, seen, "{n} threads");
    }
}

#[test]
fn clipping_pure_noise_costs_little() {
    // Bilinear demosaicing makes the noise of a pixel depend on its phase, and samples
    // of a mixture are clipped more often than the 0.08 % of Gaussian ones at n = 20
    // (Thompson 1935).
    const MOST_REJECTED: f64 = 0.01;
    let cfa = Cfa::bayer("RGGB").expect("a Bayer array");
    let clip = Combine::SigmaClip(Default::default());
    let n = 20;
    let stack = run(&lights(n, &cfa, None), &cfa, clip, Kernel::Lanczos3);
    let rejected: f64 = stack.rejected.iter().map(|&r| f64::from(r)).sum();
    let share = rejected / (stack.rejected.len() * n) as f64;
    assert!(share > 0.0 && share < MOST_REJECTED, "{share}");
}

#[test]
fn the_variance_plane_agrees_with_the_noise_of_the_stack() {
    let lights = lights(20, &Cfa::mono(), None);
    let stack = run(&lights, &Cfa::mono(), Combine::Mean, Kernel::Bilinear);
    let (mut stated, mut seen, mut n) = (0.0, 0.0, 0.0);
    for row in 20..HEIGHT - 20 {
        for col in (20..50).chain(95..WIDTH - 20) {
            stated += f64::from(stack.variance[(0, row, col)]);
            seen += f64::from(stack.mean[(0, row, col)] - SKY_DN).powi(2);
            n += 1.0;
        }
    }
    // About 5,800 pixels correlated over two: 4 standard errors of a variance are 10 %.
    let ratio: f64 = stated / seen;
    assert!((ratio - 1.0).abs() < 0.1, "{ratio} over {n} px");
}

#[test]
fn lights_that_do_not_reach_leave_the_others_alone() {
    let cfa = Cfa::mono();
    let mut lights = lights(3, &cfa, None);
    let far = Homography([[1.0, 0.0, 1e4], [0.0, 1.0, 0.0], [0.0, 0.0, 1.0]]);
    lights[2].map = PixelMap::from_homography(far);
    let stack = run(&lights, &cfa, Combine::Mean, Kernel::Lanczos3);
    assert_eq!(stack.weight[(0, 60, 60)], 2.0);
    assert!(stack.mean.iter().all(|v| v.is_finite()));
}

/// Where fewer lights reach, the weight says so, the level stays, and the noise is that of
/// those that do.
#[test]
fn edges_have_the_weight_of_the_lights_that_reach_them() {
    const STEP_PX: f64 = 12.0;
    let cfa = Cfa::mono();
    let mut lights = lights(4, &cfa, None);
    for (i, light) in lights.iter_mut().enumerate() {
        let shift = Homography([
            [1.0, 0.0, -STEP_PX * i as f64],
            [0.0, 1.0, 0.0],
            [0.0, 0.0, 1.0],
        ]);
        light.map = PixelMap::from_homography(shift);
    }
    let stack = run(&lights, &cfa, Combine::Mean, Kernel::Lanczos3);
    for n in 1..=4_usize {
        // Light i begins at column 12 i.
        let first = STEP_PX as usize * (n - 1);
        let (mut sum, mut squares, mut count) = (0.0, 0.0, 0.0);
        for row in 0..HEIGHT {
            // The drawn stars, 12 px apart as well, stay out.
            if (40..80).contains(&row) {
                continue;
            }
            for col in first..first + STEP_PX as usize {
                assert_eq!(stack.weight[(0, row, col)], n as f32, "{row} {col}");
                let off = f64::from(stack.mean[(0, row, col)] - SKY_DN);
                (sum, squares, count) = (sum + off, squares + off * off, count + 1.0);
            }
        }
        let (mean, noise) = (sum / count, (squares / count).sqrt());
        let want = f64::from(NOISE_DN) / (n as f64).sqrt();
        // Four standard errors of a mean and of a standard deviation.
        assert!(mean.abs() < 4.0 * want / f64::sqrt(count), "{n}: {mean}");
        let error = 4.0 / f64::sqrt(2.0 * count);
        assert!(
            (noise / want - 1.0).abs() < error,
            "{n}: {noise}, want {want}"
        );
    }
}

#[test]
fn no_lights_and_odd_sizes_are_refused() {
    let cfa = Cfa::mono();
    let none = stack::stack(
        &[],
        &calibrator(cfa.clone()),
        &StackOptions::default(),
        &(),
        &|_, _| (),
    );
    assert!(matches!(none, Err(stack::StackError::NoLights)));
    let mut lights = lights(2, &cfa, None);
    lights[1].mosaic = StoredMosaic::in_memory(Array2::zeros((3, 4)));
    let odd = stack::stack(
        &lights,
        &calibrator(cfa),
        &StackOptions::default(),
        &(),
        &|_, _| (),
    );
    assert!(matches!(
        odd,
        Err(stack::StackError::SizeMismatch { found_width: 4, .. })
    ));
}
