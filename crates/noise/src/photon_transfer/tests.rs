//! What was put into the sensor comes out, from every kind of evidence.

use super::*;
use ndarray::Array2;
use synth::{Scene, Sensor, SensorMaps};

/// Sigmas of the stated error that are allowed; over 40 figures are checked.
const SIGMAS: f64 = 4.0;
const WIDTH: usize = 640;
const HEIGHT: usize = 448;
const SEED: u64 = 1288;

fn sensor() -> Sensor {
    Sensor {
        gain_e_per_dn: 0.8,
        read_noise_e: 3.0,
        row_noise_e: 0.0,
        dark_current_e_per_s: 0.4,
        hot_fraction: 1e-3,
        prnu: 0.008,
        dsnu_e: 1.5,
        full_well_e: 1e6,
        ..Scene::named("calibration").expect("a known scene").sensor
    }
}

/// Frames of light that falls off to the right from `light_e` to `edge` of it.
struct Camera {
    sensor: Sensor,
    maps: SensorMaps,
    layout: SensorLayout,
}

impl Camera {
    fn new(sensor: Sensor) -> Self {
        let maps = sensor.maps(SEED, WIDTH, HEIGHT);
        let layout = SensorLayout::of(&sensor.expose(&maps, None, 0.0, SEED, 0));
        Self {
            sensor,
            maps,
            layout,
        }
    }

    fn frames(
        &self,
        n: usize,
        first: usize,
        exposure_s: f64,
        light_e: f64,
        edge: f64,
    ) -> Vec<Exposure> {
        let falloff = |col: usize| 1.0 - (1.0 - edge) * col as f64 / WIDTH as f64;
        let plane =
            Array2::from_shape_fn((HEIGHT, WIDTH), |(_, col)| (light_e * falloff(col)) as f32);
        let light = [
            plane.mapv(|v| 0.6 * v),
            plane.clone(),
            plane.mapv(|v| 0.7 * v),
        ];
        let light = (light_e > 0.0).then_some(&light);
        (0..n)
            .map(|i| {
                let mosaic = self
                    .sensor
                    .expose(&self.maps, light, exposure_s, SEED, first + i);
                Exposure {
                    mosaic: StoredMosaic::in_memory(mosaic.data),
                    exposure_s: Some(exposure_s),
                    stars: Vec::new(),
                }
            })
            .collect()
    }

    fn measure(&self, [bias, darks, flats, lights]: [&[Exposure]; 4]) -> Vec<ChannelSensor> {
        let frames = SensorFrames {
            layout: &self.layout,
            bias,
            darks,
            flats,
            lights,
        };
        measure_sensor(&frames).expect("frames in memory can be read")
    }
}

#[track_caller]
fn check(what: &str, found: Option<Measured>, put_in: f64, largest_error: f64) {
    let found = found.unwrap_or_else(|| panic!("{what} was not measured"));
    let off = (found.value - put_in) / found.error;
    assert!(
        off.abs() < SIGMAS,
        "{what}: {found:?} for {put_in}, {off:.1} sigmas"
    );
    assert!(
        found.relative() < largest_error,
        "{what}: {found:?} is no measurement"
    );
}

#[test]
fn flats_bias_and_darks_return_what_was_put_in() {
    let camera = Camera::new(sensor());
    let bias = camera.frames(8, 0, 0.0, 0.0, 1.0);
    let darks = camera.frames(4, 100, 30.0, 0.0, 1.0);
    let flats = camera.frames(8, 200, 0.0, 5000.0, 0.6);
    let lights = camera.frames(6, 300, 30.0, 400.0, 0.6);
    for sensor in camera.measure([&bias, &darks, &flats, &lights]) {
        check("gain", sensor.gain_e_per_dn, 0.8, 0.02);
        assert_eq!(sensor.gain_source, Some(TransferSource::Flats));
        assert_eq!((sensor.gain_pairs, sensor.read_pairs), (4, 4));
        check("read noise", sensor.read_noise_e(), 3.0, 0.02);
        check("dark current", sensor.dark_current_e_per_s, 0.4, 0.05);
        check("PRNU", sensor.prnu, 0.008, 0.05);
        check("DSNU", sensor.dsnu_e(), 1.5, 0.05);
        assert_eq!(sensor.step_dn, Some(1.0));
        assert!(sensor.notes.is_empty(), "{:?}", sensor.notes);
        let light = sensor.light.expect("lights were there");
        let share = [0.6, 1.0, 0.7][sensor.channel];
        // 1/level over the falloff from 1 to 0.6: ln(1/0.6) / 0.4 of that at its start.
        let flat_e = 5000.0 * share;
        let relative2 = (0.6f64.recip()).ln() / 0.4 / flat_e + 9.0 / (0.6 * flat_e * flat_e);
        check("flat noise", sensor.flat_noise, relative2.sqrt(), 0.02);
        let dark_dn = f64::sqrt(9.0 + 0.4 * 30.0 + 0.64 / 12.0) / 0.8;
        check("dark noise", sensor.zero_noise_dn, dark_dn, 0.02);
        // Level in the middle of the field, where the falloff is half.
        let sky_e: f64 = 400.0 * share * 0.8;
        let total_e = (sky_e + 0.4 * 30.0 + 9.0 + 0.64 / 12.0).sqrt();
        check("total", light.total_e, total_e, 0.02);
        let parts = [
            light.shot_e,
            light.read_e,
            light.dark_e,
            light.quantization_e,
        ];
        let parts_e = parts
            .map(|part| part.expect("all is known").powi(2))
            .iter()
            .sum::<f64>()
            .sqrt();
        // Blocks are 5 % of the falloff wide, and half of their error goes with the level.
        assert!(
            (parts_e / total_e - 1.0).abs() < 0.02,
            "{parts_e} {total_e}"
        );
    }
}

#[test]
fn lights_alone_tell_gain_where_their_levels_differ() {
    let camera = Camera::new(sensor());
    let lights = camera.frames(12, 300, 30.0, 300.0, 0.05);
    for sensor in camera.measure([&[], &[], &[], &lights]) {
        check("gain", sensor.gain_e_per_dn, 0.8, 0.05);
        assert_eq!(sensor.gain_source, Some(TransferSource::Lights));
        // The black level is that of no light and no dark: the dark current's electrons
        // are in the level, and not in the offset.
        check("read noise", sensor.read_noise_e(), 3.0, 0.2);
        assert_eq!(sensor.read_source, Some(TransferSource::Lights));
        assert!(sensor.dark_current_e_per_s.is_none() && sensor.prnu.is_none());
    }
    let even = camera.frames(6, 400, 30.0, 300.0, 1.0);
    for sensor in camera.measure([&[], &[], &[], &even]) {
        assert_eq!((sensor.gain_e_per_dn, sensor.read_noise_dn), (None, None));
        let source = TransferSource::Lights;
        assert!(sensor.notes.contains(&SensorNote::NarrowRange { source }));
        assert!(
            sensor
                .light
                .is_some_and(|light| light.total_e.is_none() && light.total_dn.value > 0.0)
        );
    }
    let bias = camera.frames(4, 0, 0.0, 0.0, 1.0);
    for sensor in camera.measure([&bias, &[], &[], &even]) {
        check(
            "gain from even lights and bias",
            sensor.gain_e_per_dn,
            0.8,
            0.05,
        );
    }
}

#[test]
fn clipped_blacks_rounding_and_a_second_gain_are_told() {
    let clipped = Camera::new(Sensor {
        black_level_dn: 0,
        ..sensor()
    });
    let bias = clipped.frames(4, 0, 0.0, 0.0, 1.0);
    for sensor in clipped.measure([&bias, &[], &[], &[]]) {
        assert_eq!(sensor.read_noise_dn, None);
        assert_eq!(sensor.notes, [SensorNote::BlackClipped { at_dn: 0 }]);
    }
    let coarse = Camera::new(Sensor {
        gain_e_per_dn: 12.0,
        ..sensor()
    });
    let bias = coarse.frames(4, 0, 0.0, 0.0, 1.0);
    for sensor in coarse.measure([&bias, &[], &[], &[]]) {
        assert_eq!(sensor.read_noise_dn, None);
        assert!(
            matches!(sensor.notes[..], [SensorNote::Rounded { .. }]),
            "{:?}",
            sensor.notes
        );
    }
    // At 0.6 of a step rounding adds its 1/12, since offsets lie at all phases of it.
    let barely = Camera::new(Sensor {
        gain_e_per_dn: 5.0,
        ..sensor()
    });
    let bias = barely.frames(4, 0, 0.0, 0.0, 1.0);
    for sensor in barely.measure([&bias, &[], &[], &[]]) {
        check("read noise, DN", sensor.read_noise_dn, 0.6, 0.02);
    }
    let camera = Camera::new(sensor());
    let bias = camera.frames(4, 0, 0.0, 0.0, 1.0);
    let mut flats = camera.frames(6, 200, 0.0, 8000.0, 0.1);
    for flat in &mut flats {
        let mut recorded = Vec::new();
        let all = camera.layout.bounds();
        flat.mosaic
            .read_window(&all, &mut recorded)
            .expect("in memory");
        // Above 3000 DN numbers are kept to 64 only, as lossy files do.
        let lossy = recorded
            .iter()
            .map(|&v| if v > 3000 { v / 256 * 256 + 128 } else { v });
        let lossy = Array2::from_shape_vec((HEIGHT, WIDTH), lossy.collect()).expect("all sites");
        flat.mosaic = StoredMosaic::in_memory(lossy);
    }
    let green = &camera.measure([&bias, &[], &flats, &[]])[1];
    let crooked = |note: &SensorNote| matches!(note, SensorNote::Crooked { .. });
    assert!(green.notes.iter().any(crooked), "{green:?}");
}

#[test]
fn no_frames_and_single_frames_tell_nothing() {
    let camera = Camera::new(sensor());
    let one = camera.frames(1, 0, 0.0, 0.0, 1.0);
    for sensor in camera.measure([&one, &[], &[], &one]) {
        let nothing = ChannelSensor::nothing(sensor.channel);
        assert_eq!(
            sensor,
            ChannelSensor {
                step_dn: Some(1.0),
                ..nothing
            }
        );
    }
    assert_eq!(
        camera.measure([&[], &[], &[], &[]])[2],
        ChannelSensor::nothing(2)
    );
}
