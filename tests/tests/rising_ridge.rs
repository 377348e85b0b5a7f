//! A tracked night whose ridge is seen farther and farther beyond what the reference shows: it
//! has to be found in the lights that show it, and kept out of the sky in all.

#![allow(clippy::print_stdout, reason = "a failing test shows its figures")]

use align::{Homography, PixelMap};
use ndarray::Array2;
use radicand::{GroundChoice, Inputs, StackJob, StackOutcome};
use radicand_tests::{shot_of, whole_plane};
use std::path::Path;
use synth::{Scene, Simulator, Weather, write_scene};

const LIGHTS: usize = 8;
const SIZE: (usize, usize) = (640, 480);

struct Known {
    sky: Simulator,
    /// The same night without its ground.
    bare: Simulator,
    outcome: StackOutcome,
}

/// Lights two minutes apart: the ground moves 50 px to the left and 13 px up from each to the
/// next. The first is the reference.
fn night(ridge_deg: f64, relief_deg: f64) -> Known {
    let scene = scene(ridge_deg, relief_deg);
    let outcome = stacked(&scene, |_| GroundChoice::Auto);
    let bare = Scene {
        ground: None,
        ..scene.clone()
    };
    Known {
        sky: Simulator::new(&scene).expect("sound"),
        bare: Simulator::new(&bare).expect("sound"),
        outcome,
    }
}

fn scene(ridge_deg: f64, relief_deg: f64) -> Scene {
    let mut scene = Scene::named("tracked-ground").expect("a scene");
    ((scene.width, scene.height), scene.frames) = (SIZE, LIGHTS);
    (scene.exposure_s, scene.gap_s) = (20.0, 120.0);
    scene.sessions.clear();
    if let Some(ground) = &mut scene.ground {
        (ground.ridge_deg, ground.relief_deg) = (ridge_deg, relief_deg);
        ground.trees_deg = 0.4;
    }
    scene
}

fn stacked(scene: &Scene, ground: impl FnOnce(&Path) -> GroundChoice) -> StackOutcome {
    let temp = tempfile::tempdir().expect("a folder");
    write_scene(scene, temp.path(), |_| ()).expect("a scene on disk");
    let lights = temp.path().join("lights");
    let mut job = StackJob::new(Inputs {
        lights: vec![lights.clone()],
        ..Inputs::default()
    });
    job.reference = Some(lights.join("shot_0001.dng"));
    job.ground = ground(temp.path());
    let outcome = job.run(&()).expect("a stack");
    assert_eq!(outcome.lights.len(), scene.frames);
    outcome
}

impl Known {
    fn shot(&self, light: usize) -> usize {
        shot_of(&self.sky, self.outcome.lights[light].frame.path())
    }

    fn cover(&self, light: usize) -> Array2<f32> {
        let cover = self.sky.ground_cover(self.shot(light));
        cover.expect("a ground")
    }

    /// From the reference to a light by the ground: K R K⁻¹.
    fn truth_map(&self, light: usize) -> Homography {
        const ARCSEC_PER_RAD: f64 = 206_264.806;
        let plane = |m: [[f64; 3]; 3]| Homography(m.map(|row| row.map(|v| v / m[2][2])));
        let f = ARCSEC_PER_RAD / self.sky.projection().pixel_scale_arcsec();
        let (cx, cy) = (0.5 * (SIZE.0 as f64 - 1.0), 0.5 * (SIZE.1 as f64 - 1.0));
        let camera = plane([[f, 0.0, cx], [0.0, f, cy], [0.0, 0.0, 1.0]]);
        let rotation = |light| plane(self.sky.ground_rotation(self.shot(light)));
        let steps = [
            camera.inverse(),
            rotation(self.outcome.reference).inverse(),
            Some(rotation(light)),
            Some(camera),
        ];
        let all = steps
            .into_iter()
            .try_fold(Homography::IDENTITY, |all, step| all.then(&step?));
        all.expect("small turns")
    }

    /// Checks every light's mask, and the place of the ground in each.
    ///
    /// - `most_lost`: share of the sky farther than 24 px from the ground that may be kept out.
    #[track_caller]
    fn check_masks(&self, most_lost: f64) {
        // Share of a light's pixels that are ground for a while and yet taken for sky.
        const LEAKING: f64 = 5e-4;
        // A smeared ridge knows its place to some tenths; where no light shows it, the stars do.
        const PLACE_PX: f64 = 1.0;
        // Where less of it has come into the light, its place matters to the mask alone.
        const SHOWN: f64 = 0.01;
        let ground = self.outcome.ground.as_ref().expect("a ground");
        let moving = ground.moving.as_ref().expect("a ground that moves");
        // A place on the light that the ground was found from, and where it is on the reference.
        let of = match self
            .cover(self.outcome.reference)
            .iter()
            .any(|&cover| cover > 0.5)
        {
            true => self.outcome.reference,
            false => LIGHTS - 1,
        };
        let (x, y) = (0.5 * SIZE.0 as f64, 0.9 * SIZE.1 as f64);
        let back = |map: Option<PixelMap>| map.expect("small turns").map(x, y);
        let from = back(moving.maps[of].inverse());
        let to_that = self.truth_map(of).inverse().expect("small turns");
        let at_reference = to_that.apply(x, y);
        for light in 0..LIGHTS {
            let cover = self.cover(light);
            let pixels = cover.len() as f64;
            let out = moving.swept(light).not_sky();
            let leaks = out.iter().zip(&cover);
            let leaks = leaks.filter(|&(&out, &cover)| !out && cover > 0.02).count() as f64;
            let far = far_from(&cover.mapv(|cover| cover > 0.02), 24);
            let lost = out.iter().zip(&far).filter(|&(&out, &far)| out && far);
            let lost = lost.count() as f64 / far.iter().filter(|&&far| far).count() as f64;
            let found = moving.maps[light].map(from.0, from.1);
            let truth = self.truth_map(light).apply(at_reference.0, at_reference.1);
            let off_px = (found.0 - truth.0).hypot(found.1 - truth.1);
            println!(
                "light {light}: {:.4} ground, leaks {:.6}, lost {lost:.5}, {off_px:.2} px off",
                cover.iter().filter(|&&cover| cover > 0.5).count() as f64 / pixels,
                leaks / pixels
            );
            assert!(leaks / pixels < LEAKING, "light {light}: {leaks} px leak");
            assert!(lost < most_lost, "light {light}: {lost} of the sky is lost");
            let shown = cover.iter().filter(|&&cover| cover > 0.5).count() as f64 / pixels;
            assert!(
                shown < SHOWN || off_px < PLACE_PX,
                "light {light}: {off_px} px"
            );
        }
    }

    /// Checks that no ground is left in the sky: neither darker nor brighter than it is.
    #[track_caller]
    fn check_sky(&self) {
        // Of the sky's level; a ridge smeared over half of the lights would leave 10 to 40 %.
        const DEVIATION: f32 = 0.02;
        let sky = self
            .outcome
            .ground
            .as_ref()
            .and_then(|ground| ground.sky.as_ref());
        let sky = sky.expect("the sky alone");
        let sky = whole_plane(sky, 1);
        let light = self
            .bare
            .expected_light(self.outcome.reference, Weather::AsItIs);
        let [_, truth, _] = light.expect("a light");
        let truth = truth / self.sky.scene().sensor.gain_e_per_dn as f32;
        for (first, last) in [(0, 340), (340, 400), (400, 440), (440, 480)] {
            let mut off: Vec<f32> = (first..last)
                .flat_map(|row| (0..SIZE.0).map(move |col| (row, col)))
                .filter(|&at| sky[at].is_finite())
                .map(|at| sky[at] / truth[at] - 1.0)
                .collect();
            if off.len() < 500 {
                continue;
            }
            off.sort_by(f32::total_cmp);
            let [low, middle, high] = [0.1, 0.5, 0.9].map(|q| off[(q * off.len() as f64) as usize]);
            println!(
                "rows {first} to {last}: {low:.4} {middle:.4} {high:.4}, {} px",
                off.len()
            );
            assert!(middle.abs() < DEVIATION, "rows {first} to {last}: {middle}");
        }
    }
}

/// Pixels without anything set within so many steps along rows and columns.
fn far_from(set: &Array2<bool>, px: usize) -> Array2<bool> {
    let mut steps = set.mapv(|set| if set { 0 } else { 10_000_usize });
    let (rows, columns) = set.dim();
    let mut all: Vec<(usize, usize)> = ndarray::indices((rows, columns)).into_iter().collect();
    for back in [false, true] {
        for &(row, col) in &all {
            let beside = match back {
                false => [(row.wrapping_sub(1), col), (row, col.wrapping_sub(1))],
                true => [(row + 1, col), (row, col + 1)],
            };
            let least = beside.iter().filter_map(|&at| steps.get(at)).min().copied();
            steps[(row, col)] = steps[(row, col)].min(least.unwrap_or(10_000) + 1);
        }
        all.reverse();
    }
    steps.mapv(|steps| steps > px)
}

#[test]
fn a_hill_that_comes_in_from_the_side_is_kept_out_of_the_sky() {
    let night = night(15.6, 1.6);
    night.check_masks(0.03);
    night.check_sky();
}

#[test]
fn a_ridge_of_which_the_reference_shows_nothing_is_kept_out_of_the_sky() {
    // The last light has 10 % of ground, the three before it 6, 3 and 1 %.
    let night = night(14.2, 0.4);
    assert!(
        night
            .cover(night.outcome.reference)
            .iter()
            .all(|&cover| cover == 0.0)
    );
    // The lower corner that the last light does not reach may be ground for all that is known.
    night.check_masks(0.06);
    night.check_sky();
}

#[test]
fn a_given_mask_moves_with_its_ground() {
    let scene = Scene {
        frames: 4,
        ..scene(15.6, 1.6)
    };
    let simulator = Simulator::new(&scene).expect("sound");
    let cover = |light| simulator.ground_cover(light).expect("a ground");
    let of_reference = cover(0);
    let outcome = stacked(&scene, |folder| {
        let path = folder.join("mask.png");
        let white = |x: u32, y: u32| 255 * u8::from(of_reference[(y as usize, x as usize)] > 0.5);
        let (width, height) = (SIZE.0 as u32, SIZE.1 as u32);
        let mask = image::GrayImage::from_fn(width, height, |x, y| image::Luma([white(x, y)]));
        mask.save(&path).expect("a mask");
        GroundChoice::Mask(path)
    });
    let ground = outcome.ground.as_ref().expect("a ground");
    assert!(!ground.taken_for_still);
    let moving = ground.moving.as_ref().expect("a ground that moves");
    for light in 0..scene.frames {
        let cover = cover(light);
        let out = moving.swept(light).not_sky();
        let leaks = out.iter().zip(&cover);
        let leaks = leaks.filter(|&(&out, &cover)| !out && cover > 0.02).count();
        println!("light {light}: {leaks} px leak");
        // What comes into the light from below and from the side is not on the mask.
        let rows = 300..SIZE.1;
        assert!(leaks < SIZE.0 * rows.len() / 50, "light {light}: {leaks}");
    }
}

#[test]
fn a_tracked_sky_without_ground_has_none() {
    let scene = Scene {
        ground: None,
        frames: 4,
        ..scene(15.6, 1.6)
    };
    assert!(stacked(&scene, |_| GroundChoice::Auto).ground.is_none());
}
