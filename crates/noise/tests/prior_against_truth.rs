//! Bounds on a pattern that no drift shows, against simulated sensors whose pattern is known.

#![allow(clippy::print_stdout, reason = "a failing test shows its figures")]

mod engine;

use engine::{Burst, red_of, shifted};
use ndarray::Array2;
use noise::measure_sensor;
use noise::{Calibrated, Exposure, PatternBasis, PatternPrior, SensorFrames, TILE_PX};
use raw::Cfa;
use stack::{MasterDark, MasterFlat, SensorLayout, StoredMosaic};
use synth::{Scene, Sensor};

/// Room around the picture for the drift, px.
const MARGIN: usize = 16;
const LIGHTS: usize = 12;
/// Of the whole burst: too little to tell anything.
const DRIFT_PX: f64 = 0.4;
const SEED: u64 = 5;

/// A night under an even sky.
struct Night {
    sensor: Sensor,
    sky_e: f32,
    exposure_s: f64,
    /// Frames of each kind of calibration; 0 for none.
    flats: usize,
    darks: usize,
    /// Whether the red of a mosaic is looked at.
    red: bool,
}

/// What is said of the pattern, and what is so; shares of the stack's variance.
struct Found {
    bound: f64,
    basis: PatternBasis,
    truth: f64,
    frames_at_bound: f64,
    true_frames: f64,
}

impl Found {
    /// How much stronger than it is the pattern may be.
    fn strength(&self) -> f64 {
        let odds = |share: f64| share / (1.0 - share);
        (odds(self.bound) / odds(self.truth)).sqrt()
    }
}

/// The sensor of the invented camera.
fn sensor() -> Sensor {
    Scene::named("tripod-burst").expect("a scene").sensor
}

/// Its older sister: columns of their own, and more noise.
fn old_sensor() -> Sensor {
    Scene::named("faults").expect("a scene").sensor
}

fn exposures(frames: &[StoredMosaic], exposure_s: f64) -> Vec<Exposure> {
    let exposure = |mosaic: &StoredMosaic| Exposure {
        mosaic: mosaic.clone(),
        exposure_s: Some(exposure_s),
        stars: Vec::new(),
    };
    frames.iter().map(exposure).collect()
}

impl Night {
    fn find(mut self) -> Found {
        let mut burst = Burst::of_size(LIGHTS, 8 * TILE_PX, 4 * TILE_PX);
        burst.tracked = false;
        burst.photosite_share = if self.red { 0.25 } else { 1.0 };
        self.sensor.cfa = match self.red {
            true => Cfa::bayer("RGGB").expect("a Bayer array"),
            false => Cfa::mono(),
        };
        // Not hot pixels, which are the defect map's: ordinary ones, two in three of which
        // have a dark current of their own.
        self.sensor.hot_fraction = 1.0;
        self.sensor.hot_mean_e_per_s = 0.02;
        self.sensor.amp_glow_e_per_s = 0.0;
        let (stride, rows) = (burst.width + 2 * MARGIN, burst.height + 2 * MARGIN);
        let maps = self.sensor.maps(SEED, stride, rows);
        let expose = |level_e: f32, exposure_s: f64, first: usize, n: usize| {
            let light = [0; 3].map(|_| Array2::from_elem((rows, stride), level_e));
            let light = (level_e > 0.0).then_some(&light);
            (first..first + n)
                .map(|i| {
                    let mosaic = self.sensor.expose(&maps, light, exposure_s, SEED, i);
                    StoredMosaic::in_memory(mosaic.data)
                })
                .collect::<Vec<_>>()
        };
        let layout = SensorLayout::of(&self.sensor.expose(&maps, None, 0.0, SEED, 0));
        let lights = expose(self.sky_e, self.exposure_s, 0, LIGHTS);
        let darks = expose(0.0, self.exposure_s, 100, self.darks);
        let flats = expose(4000.0, 0.1, 200, self.flats);

        let (zero, response) = self.masters(&layout, &darks, &flats);
        let at = |i: usize| {
            let along = DRIFT_PX * i as f64 / (LIGHTS - 1) as f64;
            (0.3 + 0.8 * along, 0.1 + 0.6 * along)
        };
        let resample = |frame: &Array2<f32>, i: usize| {
            let plane: Vec<f32> = frame.iter().copied().collect();
            let plane = if self.red {
                red_of(&plane, stride)
            } else {
                plane
            };
            let (dx, dy) = at(i);
            shifted(&plane, burst.width, burst.height, MARGIN, dx, dy)
        };
        // What is left of the sky's level and of the pattern without any other noise.
        let gain = self.sensor.gain_e_per_dn as f32;
        let dark_e = self.sensor.dark_current_e_per_s * self.sensor.warmth() * self.exposure_s;
        let mut mean = self.sky_e * &maps.response + &maps.offset_e + dark_e as f32;
        for warm in &maps.hot_pixels {
            mean[(warm.y, warm.x)] += (warm.rate_e_per_s * self.exposure_s) as f32;
        }
        let mean = mean / gain;
        let mean = (mean + f32::from(self.sensor.black_level_dn) - &zero) / &response;
        let level_dn = mean.mean().expect("pixels");
        let mut pattern = burst.clone();
        for (i, light) in lights.iter().enumerate() {
            let mut recorded = Vec::new();
            light
                .read_window(&light.bounds(), &mut recorded)
                .expect("in memory");
            let recorded = Array2::from_shape_vec((rows, stride), recorded).expect("all of it");
            let recorded = recorded.mapv(f32::from);
            burst.lights[i] = resample(&((recorded - &zero) / &response), i);
            pattern.lights[i] = resample(&mean, i);
        }
        burst.truth.fill(level_dn);
        pattern.truth.fill(level_dn);
        burst.positions_px = Some((0..LIGHTS).map(|i| vec![at(i)]).collect());
        burst.pattern = self.prior(&layout, [&lights, &darks, &flats]);

        let summary = burst.report().expect("noise").summary;
        assert!(!summary.pattern.visible);
        let stack = burst.block_variance(&burst.stack());
        Found {
            bound: summary.pattern.upper_bound,
            basis: summary.pattern.basis,
            truth: pattern.block_variance(&pattern.stack()) / stack,
            frames_at_bound: summary.effective_frames_at_upper_bound,
            true_frames: burst.true_gain().powi(2),
        }
    }

    /// Level without light, DN, and response, as calibration knows them.
    fn masters(
        &self,
        layout: &SensorLayout,
        darks: &[StoredMosaic],
        flats: &[StoredMosaic],
    ) -> (Array2<f32>, Array2<f32>) {
        let shape = (layout.height, layout.width);
        let black = f32::from(self.sensor.black_level_dn);
        let dark = (!darks.is_empty()).then(|| {
            let darks: Vec<&StoredMosaic> = darks.iter().collect();
            MasterDark::combine(&darks).expect("darks").level_dn
        });
        let flat = (!flats.is_empty()).then(|| {
            let flats: Vec<&StoredMosaic> = flats.iter().collect();
            let master = MasterFlat::combine(&flats, layout, None).expect("flats");
            master.response
        });
        (
            dark.unwrap_or_else(|| Array2::from_elem(shape, black)),
            flat.unwrap_or_else(|| Array2::from_elem(shape, 1.0)),
        )
    }

    fn prior(&self, layout: &SensorLayout, frames: [&[StoredMosaic]; 3]) -> PatternPrior {
        let [lights, darks, flats] = frames;
        let sensor = measure_sensor(&SensorFrames {
            layout,
            bias: &[],
            darks: &exposures(darks, self.exposure_s),
            flats: &exposures(flats, 0.1),
            lights: &exposures(lights, self.exposure_s),
        })
        .expect("frames in memory");
        let calibrated = Calibrated {
            exposure_s: Some(self.exposure_s),
            flats: flats.len(),
            darks: darks.len(),
            bias: 0,
        };
        PatternPrior::of(&sensor[0], &calibrated)
    }
}

fn check(name: &str, night: Night, basis: PatternBasis, widest: f64) {
    let found = night.find();
    println!(
        "{name}: bound {:.3}, true {:.3}, {:.2} times as strong; {:.2} frames at the bound, {:.2} in truth",
        found.bound,
        found.truth,
        found.strength(),
        found.frames_at_bound,
        found.true_frames
    );
    assert_eq!(found.basis, basis, "{name}");
    assert!(found.bound >= found.truth, "{name}");
    assert!(found.strength() < widest, "{name}");
}

#[test]
fn an_assumed_bound_holds_and_is_not_absurd() {
    /// How many times stronger than it is a pattern may be said to be: sensors differ by
    /// that, and nothing is known of this one.
    const WIDEST: f64 = 4.0;
    for (name, sensor, sky_e, exposure_s, red) in [
        ("bright sky", sensor(), 1500.0, 10.0, false),
        ("dark sky", sensor(), 25.0, 10.0, false),
        ("dark sky, red", sensor(), 25.0, 10.0, true),
        ("dark sky, two minutes", sensor(), 25.0, 120.0, false),
        ("dark sky, old sensor", old_sensor(), 25.0, 10.0, false),
        ("dark sky, old sensor, red", old_sensor(), 25.0, 10.0, true),
    ] {
        let night = Night {
            sensor,
            sky_e,
            exposure_s,
            flats: 0,
            darks: 0,
            red,
        };
        check(name, night, PatternBasis::Assumed, WIDEST);
    }
}

#[test]
fn what_masters_leave_is_known_from_their_frames() {
    /// Nothing of it is guessed; a share of a variance scatters.
    const WIDEST: f64 = 1.25;
    /// The assumed response is 4/3 of the sensor's; the same scatter.
    const BY_RESPONSE: f64 = 4.0 / 3.0 + 0.1;
    for (name, flats, darks, sky_e, red, basis, widest) in [
        (
            "10 flats, 10 darks",
            10,
            10,
            1500.0,
            false,
            PatternBasis::Calibration,
            WIDEST,
        ),
        (
            "5 flats, 5 darks, red",
            5,
            5,
            400.0,
            true,
            PatternBasis::Calibration,
            WIDEST,
        ),
        (
            "10 darks, bright sky",
            0,
            10,
            1500.0,
            false,
            PatternBasis::Darks,
            BY_RESPONSE,
        ),
        (
            "10 darks, dark sky",
            0,
            10,
            25.0,
            false,
            PatternBasis::Darks,
            BY_RESPONSE,
        ),
        (
            "10 flats, dark sky",
            10,
            0,
            25.0,
            false,
            PatternBasis::Flats,
            4.0,
        ),
    ] {
        let night = Night {
            sensor: sensor(),
            sky_e,
            exposure_s: 10.0,
            flats,
            darks,
            red,
        };
        check(name, night, basis, widest);
    }
}
