//! Invented nights through the whole job: where its maps put the sky's stars, and how wide
//! those are in the stack against a single light.

#![allow(clippy::print_stdout, reason = "a failing test shows its figures")]

use align::{Background, BackgroundOptions, DetectOptions, Star, detect};
use ndarray::{ArrayView2, Axis};
use radicand::{Inputs, OpenedResult, StackJob, StackOutcome};
use radicand_tests::{in_memory, shot_of};
use synth::{CountLaw, Scene, Simulator, Stars, write_scene};

/// The demand: maps over the whole field.
const MAP_RMS_PX: f64 = 0.05;
/// The demand: how much wider stars are in the stack than in a single light.
const WIDER: f64 = 0.03;

struct Night {
    simulator: Simulator,
    outcome: StackOutcome,
    /// The reference alone, demosaiced as for the stack.
    single: OpenedResult,
}

impl Night {
    fn of(scene: &Scene) -> Self {
        let temp = tempfile::tempdir().expect("a folder");
        write_scene(scene, temp.path(), |_| ()).expect("a scene on disk");
        let job = StackJob::new(Inputs {
            lights: vec![temp.path().join("lights")],
            ..Inputs::default()
        });
        let outcome = job.run(&()).expect("a stack");
        assert_eq!(outcome.lights.len(), scene.frames, "{:?}", outcome.left_out);
        let reference = outcome.lights[outcome.reference].frame.path();
        Self {
            simulator: Simulator::new(scene).expect("a scene"),
            single: OpenedResult::open(reference).expect("the reference"),
            outcome,
        }
    }

    /// Root mean square distance of each light's map from where the sky's stars are, px.
    fn maps_px(&self) -> Vec<f64> {
        let lights = &self.outcome.lights;
        let shot = |light: usize| shot_of(&self.simulator, lights[light].frame.path());
        let (width, height) = self.single.size();
        let inside = |&(x, y): &(f64, f64)| {
            x >= 0.0 && y >= 0.0 && x < width as f64 - 1.0 && y < height as f64 - 1.0
        };
        let place = |star, shot| self.simulator.star_center_px(star, shot).filter(inside);
        let reference = shot(self.outcome.reference);
        (0..lights.len())
            .filter(|&light| light != self.outcome.reference)
            .map(|light| {
                let (map, shot) = (&lights[light].light.map, shot(light));
                let squares: Vec<f64> = (0..self.simulator.stars().len())
                    .filter_map(|star| {
                        let (x, y) = place(star, reference)?;
                        let (want_x, want_y) = place(star, shot)?;
                        let (x, y) = map.map(x, y);
                        Some((x - want_x).powi(2) + (y - want_y).powi(2))
                    })
                    .collect();
                assert!(squares.len() >= 30, "{} stars", squares.len());
                (squares.iter().sum::<f64>() / squares.len() as f64).sqrt()
            })
            .collect()
    }

    /// Median width of the stars in the stack over that of the same stars in the reference,
    /// less one, and their number; of the brightest that are not saturated.
    fn wider(&self) -> (f64, usize) {
        const MOST: usize = 80;
        let stack = stars(in_memory(&self.outcome).mean.index_axis(Axis(0), 1));
        let mut single = stars(self.single.planes[1].view());
        let full_dn = f64::from(self.single.saturation_dn.expect("a raw's"));
        single.retain(|star| star.peak_dn < 0.6 * full_dn && star.snr > 8.0);
        single.sort_by(|a, b| b.snr.total_cmp(&a.snr));
        let ratio = |star: &Star| {
            let near = |other: &&Star| (other.x - star.x).hypot(other.y - star.y) < 1.0;
            Some(stack.iter().find(near)?.fwhm_px / star.fwhm_px)
        };
        let mut ratios: Vec<f64> = single.iter().take(MOST).filter_map(ratio).collect();
        println!("{} stars alone, {} in the stack", single.len(), stack.len());
        assert!(ratios.len() >= 25, "{} stars", ratios.len());
        ratios.sort_by(f64::total_cmp);
        (ratios[ratios.len() / 2] - 1.0, ratios.len())
    }

    #[track_caller]
    fn check(&self) {
        self.check_maps();
        self.check_widths();
    }

    #[track_caller]
    fn check_maps(&self) {
        let maps_px = self.maps_px();
        println!("maps {maps_px:.3?} px rms");
        assert!(maps_px.iter().all(|&px| px < MAP_RMS_PX), "{maps_px:?}");
    }

    #[track_caller]
    fn check_widths(&self) {
        let (wider, n) = self.wider();
        println!("stars wider by {wider:.4}, {n} of them");
        assert!(wider < WIDER, "{wider}");
    }
}

fn stars(plane: ArrayView2<f32>) -> Vec<Star> {
    let background = Background::estimate(plane, &BackgroundOptions::default());
    detect(plane, &background, &DetectOptions::default())
}

/// Small lights of a named night, without ground, under many stars.
///
/// - `stars`: magnitudes of the brightest and the faintest, and their number over the law.
fn small(
    name: &str,
    frames: usize,
    (brightest_mag, faintest_mag, density): (f64, f64, f64),
) -> Scene {
    let mut scene = Scene::named(name).expect("a scene");
    (scene.width, scene.height, scene.frames) = (640, 480, frames);
    scene.ground = None;
    scene.sky.stars = Stars::Counted(CountLaw {
        brightest_mag,
        faintest_mag,
        density,
    });
    scene
}

#[test]
fn a_rectilinear_lens_on_a_tripod() {
    Night::of(&small("tripod-burst", 8, (5.0, 11.0, 1.0))).check();
}

#[test]
fn a_fisheye_on_a_tripod() {
    let mut scene = small("fisheye", 6, (3.0, 9.0, 1.0));
    (scene.exposure_s, scene.gap_s) = (15.0, 45.0);
    // Too few stars stand out of a single light to tell their width.
    Night::of(&scene).check_maps();
}

#[test]
fn a_tracker_with_periodic_error() {
    let mut scene = small("tracked", 8, (5.0, 11.0, 1.0));
    // 22 arcsec is more than half a pixel; a period of its worm is seen.
    (scene.exposure_s, scene.gap_s) = (15.0, 45.0);
    let tracker = scene.mount.tracker.as_mut().expect("a tracker");
    (tracker.periodic_error_arcsec, tracker.period_s) = (22.0, 480.0);
    Night::of(&scene).check();
}
