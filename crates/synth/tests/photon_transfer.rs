//! What was put into the sensor comes out by the EMVA 1288 equations.
//!
//! Source: EMVA 1288 Release 3.1 (2016), linear model: temporal variance from a pair of
//! frames, photon transfer through the origin, dark noise with 1/12 DN² of quantization,
//! spatial variance corrected for the temporal one. No worked data are published in the
//! standard: its equations are the authority, and what was put in is the answer.

use ndarray::Array2;
use raw::Cfa;
use synth::{Scene, Sensor, SensorMaps};

const SIDE: usize = 700;
const N_PIXELS: f64 = (SIDE * SIDE) as f64;
const N_STACKED: usize = 16;
const GAIN_E_PER_DN: f64 = 4.0;
const READ_NOISE_E: f64 = 3.0;
const DSNU_E: f64 = 2.0;
const PRNU: f64 = 0.008;
const SEED: u64 = 1288;
/// Sigmas of the estimate's own statistical error that are allowed.
const SIGMAS: f64 = 4.0;

fn sensor() -> Sensor {
    Sensor {
        cfa: Cfa::mono(),
        gain_e_per_dn: GAIN_E_PER_DN,
        read_noise_e: READ_NOISE_E,
        row_noise_e: 0.0,
        dark_current_e_per_s: 0.0,
        hot_fraction: 0.0,
        prnu: PRNU,
        dsnu_e: DSNU_E,
        full_well_e: 1e6,
        bits: 14,
        ..Scene::named("calibration").expect("a known scene").sensor
    }
}

/// A frame of even light, DN as f64.
fn frame(sensor: &Sensor, maps: &SensorMaps, light_e: f64, shot: usize) -> Array2<f64> {
    let plane = Array2::from_elem((SIDE, SIDE), light_e as f32);
    let light = [plane.clone(), plane.clone(), plane];
    let mosaic = sensor.expose(maps, Some(&light), 1.0, SEED, shot);
    mosaic.data.mapv(f64::from)
}

fn mean(frame: &Array2<f64>) -> f64 {
    frame.sum() / N_PIXELS
}

/// Temporal variance from two frames of the same light, DN².
fn temporal_variance(a: &Array2<f64>, b: &Array2<f64>) -> f64 {
    let drift = mean(a) - mean(b);
    (a - b).mapv(|difference| difference * difference).sum() / (2.0 * N_PIXELS)
        - drift * drift / 2.0
}

/// Spatial variance of a mean of frames without its temporal part, and with it, DN².
fn spatial_variance(frames: &[Array2<f64>]) -> (f64, f64) {
    let n = frames.len() as f64;
    let sum = frames
        .iter()
        .fold(Array2::zeros((SIDE, SIDE)), |sum: Array2<f64>, frame| {
            sum + frame
        });
    let stack = sum / n;
    let center = mean(&stack);
    let measured = stack.mapv(|value| (value - center).powi(2)).sum() / (N_PIXELS - 1.0);
    let temporal: f64 = frames
        .chunks_exact(2)
        .map(|pair| temporal_variance(&pair[0], &pair[1]))
        .sum::<f64>()
        / (n / 2.0);
    (measured - temporal / n, measured)
}

#[track_caller]
fn assert_within(what: &str, found: f64, put_in: f64, relative_sigma: f64) {
    let deviation = found / put_in - 1.0;
    assert!(
        deviation.abs() <= SIGMAS * relative_sigma,
        "{what}: {found} for {put_in}, off by {deviation:.5}, sigma {relative_sigma:.5}"
    );
}

#[test]
fn photon_transfer_returns_gain_read_noise_dsnu_and_prnu() {
    let sensor = sensor();
    let maps = sensor.maps(SEED, SIDE, SIDE);
    let saturation_e = f64::from(sensor.white_level_dn() - sensor.black_level_dn) * GAIN_E_PER_DN;
    let variance_sigma = (2.0 / N_PIXELS).sqrt();

    let darks: Vec<_> = (0..N_STACKED)
        .map(|i| frame(&sensor, &maps, 0.0, i))
        .collect();
    let dark_mean = darks.iter().map(mean).sum::<f64>() / N_STACKED as f64;
    let dark_variance = temporal_variance(&darks[0], &darks[1]);

    // The slope through the origin up to 70 % of saturation is K = 1 / gain.
    let (mut xy, mut xx, mut slope_variance) = (0.0, 0.0, 0.0);
    for (i, percent) in [5.0, 15.0, 30.0, 45.0, 60.0, 70.0].into_iter().enumerate() {
        let light_e = saturation_e * percent / 100.0;
        let a = frame(&sensor, &maps, light_e, 100 + 2 * i);
        let b = frame(&sensor, &maps, light_e, 101 + 2 * i);
        let x = (mean(&a) + mean(&b)) / 2.0 - dark_mean;
        let y = temporal_variance(&a, &b) - dark_variance;
        xy += x * y;
        xx += x * x;
        slope_variance += (x * variance_sigma * y).powi(2);
    }
    let k = xy / xx;
    let k_sigma = slope_variance.sqrt() / xx / k;
    assert_within("gain, e/DN", 1.0 / k, GAIN_E_PER_DN, k_sigma);

    let read_noise_e = (dark_variance - 1.0 / 12.0).sqrt() / k;
    let read_sigma = 0.5 * variance_sigma * dark_variance / (dark_variance - 1.0 / 12.0);
    let read_sigma = read_sigma.hypot(k_sigma);
    assert_within("read noise, e", read_noise_e, READ_NOISE_E, read_sigma);

    let (dark_spatial, dark_measured) = spatial_variance(&darks);
    let dsnu_sigma = (0.5 * variance_sigma * dark_measured / dark_spatial).hypot(k_sigma);
    assert_within("DSNU, e", dark_spatial.sqrt() / k, DSNU_E, dsnu_sigma);

    let half = saturation_e / 2.0;
    let flats: Vec<_> = (0..N_STACKED)
        .map(|i| frame(&sensor, &maps, half, 200 + i))
        .collect();
    let flat_mean = flats.iter().map(mean).sum::<f64>() / N_STACKED as f64;
    let (flat_spatial, flat_measured) = spatial_variance(&flats);
    let prnu = (flat_spatial - dark_spatial).sqrt() / (flat_mean - dark_mean);
    let prnu_sigma = 0.5 * variance_sigma * flat_measured / flat_spatial;
    assert_within("PRNU", prnu, PRNU, prnu_sigma);
}

#[test]
fn row_noise_is_what_the_pixels_of_a_row_share() {
    const ROW_NOISE_E: f64 = 8.0;
    let sensor = Sensor {
        row_noise_e: ROW_NOISE_E,
        dsnu_e: 0.0,
        ..sensor()
    };
    let maps = sensor.maps(SEED, SIDE, SIDE);
    let dark = sensor
        .expose(&maps, None, 1.0, SEED, 0)
        .data
        .mapv(f64::from);
    let rows = dark
        .mean_axis(ndarray::Axis(1))
        .expect("rows are not empty");
    let spread = rows.std(1.0) * GAIN_E_PER_DN;
    // A row's mean also holds its share of the pixels' own noise.
    let own2 = (READ_NOISE_E.powi(2) + GAIN_E_PER_DN.powi(2) / 12.0) / SIDE as f64;
    let put_in = (ROW_NOISE_E.powi(2) + own2).sqrt();
    assert_within(
        "row noise, e",
        spread,
        put_in,
        1.0 / (2.0 * (SIDE as f64 - 1.0)).sqrt(),
    );
}

#[test]
fn electrons_are_poisson_at_every_level() {
    for (shot, level_e) in [0.05, 3.0, 11.9, 12.1, 900.0, 50_000.0]
        .into_iter()
        .enumerate()
    {
        let sensor = Sensor {
            // Fine enough a step that rounding adds nothing, and no other noise.
            gain_e_per_dn: 1.0,
            black_level_dn: 0,
            bits: 16,
            read_noise_e: 0.0,
            prnu: 0.0,
            dsnu_e: 0.0,
            ..sensor()
        };
        let maps = sensor.maps(SEED, SIDE, SIDE);
        let counts = frame(&sensor, &maps, level_e, shot);
        let center = mean(&counts);
        let variance = counts.mapv(|value| (value - center).powi(2)).sum() / (N_PIXELS - 1.0);
        let third = counts.mapv(|value| (value - center).powi(3)).sum() / N_PIXELS;
        // Central moments of a Poisson number: m, m, m; m + 3 m² (fourth), 15 m³ + … (sixth).
        let mean_sigma = (1.0 / (level_e * N_PIXELS)).sqrt();
        let variance_sigma = ((1.0 / level_e + 2.0) / N_PIXELS).sqrt();
        assert_within("mean, e", center, level_e, mean_sigma);
        assert_within("variance, e²", variance, level_e, variance_sigma);
        let sixth = 15.0 * level_e.powi(3) + 25.0 * level_e.powi(2) + level_e;
        let third_sigma = (sixth / N_PIXELS).sqrt() / level_e;
        assert_within("third moment, e³", third, level_e, third_sigma);
    }
}

#[test]
fn a_hot_pixel_collects_its_own_rate_and_a_full_pixel_stops_at_white() {
    const EXPOSURE_S: f64 = 30.0;
    let sensor = Sensor {
        hot_fraction: 1e-3,
        hot_mean_e_per_s: 500.0,
        full_well_e: 20_000.0,
        prnu: 0.0,
        dsnu_e: 0.0,
        read_noise_e: 0.0,
        ..sensor()
    };
    let maps = sensor.maps(SEED, SIDE, SIDE);
    let white = f64::from(sensor.white_level_dn());
    let black = f64::from(sensor.black_level_dn);
    assert_eq!(white, black + 20_000.0 / GAIN_E_PER_DN);
    let dark = sensor.expose(&maps, None, EXPOSURE_S, SEED, 7).data;
    let hot: Vec<_> = maps
        .hot_pixels
        .iter()
        .map(|pixel| (pixel.y, pixel.x))
        .collect();
    assert!(hot.is_sorted() && hot.len() > 400);
    let mut at_white = 0;
    for pixel in &maps.hot_pixels {
        let expected_e = pixel.rate_e_per_s * EXPOSURE_S;
        let found_dn = f64::from(dark[[pixel.y, pixel.x]]);
        assert!(found_dn <= white);
        if expected_e > 21_000.0 {
            assert_eq!(found_dn, white, "{expected_e} e in a well of 20000");
            at_white += 1;
        } else if expected_e < 19_000.0 {
            let found_e = (found_dn - black) * GAIN_E_PER_DN;
            let allowed = 5.0 * expected_e.sqrt() + GAIN_E_PER_DN;
            assert!(
                (found_e - expected_e).abs() < allowed,
                "{found_e} for {expected_e}"
            );
        }
    }
    assert!(at_white > 50, "only {at_white} full pixels");
    let cold = dark
        .indexed_iter()
        .filter(|(site, _)| hot.binary_search(site).is_err());
    for (site, value) in cold {
        assert_eq!(
            f64::from(*value),
            black,
            "{site:?} has no light and no noise"
        );
    }
}

/// A dark without any noise but what a test adds.
fn quiet() -> Sensor {
    Sensor {
        read_noise_e: 0.0,
        row_noise_e: 0.0,
        column_noise_e: 0.0,
        dsnu_e: 0.0,
        gain_e_per_dn: 0.05,
        full_well_e: 1e9,
        bits: 16,
        ..sensor()
    }
}

#[test]
fn column_noise_is_what_the_pixels_of_a_column_share_in_every_read() {
    const COLUMN_NOISE_E: f64 = 6.0;
    let sensor = Sensor {
        column_noise_e: COLUMN_NOISE_E,
        ..quiet()
    };
    let maps = sensor.maps(SEED, SIDE, SIDE);
    let dark = |shot| sensor.expose(&maps, None, 1.0, SEED, shot).data;
    let (first, second) = (dark(0), dark(1));
    assert_eq!(first, second, "fixed in the sensor");
    let columns = first
        .mapv(f64::from)
        .mean_axis(ndarray::Axis(0))
        .expect("columns");
    let relative_sigma = 1.0 / (2.0 * (SIDE as f64 - 1.0)).sqrt();
    assert_within(
        "column noise, e",
        columns.std(1.0) * 0.05,
        COLUMN_NOISE_E,
        relative_sigma,
    );
}

#[test]
fn dark_current_doubles_with_temperature() {
    // Source: Theuwissen (2009): silicon's dark current doubles every 5 to 8 °C; the named
    // sensors are within 5 to 9 K.
    let mean_e = |temperature_c| {
        let sensor = Sensor {
            dark_current_e_per_s: 5.0,
            rated_at_c: 20.0,
            dark_doubling_k: 6.5,
            temperature_c,
            ..quiet()
        };
        let maps = sensor.maps(SEED, SIDE, SIDE);
        let dark = sensor
            .expose(&maps, None, 20.0, SEED, 0)
            .data
            .mapv(f64::from);
        (mean(&dark) - f64::from(sensor.black_level_dn)) * 0.05
    };
    for (temperature_c, want) in [(20.0, 100.0), (26.5, 200.0), (7.0, 25.0)] {
        let sigma = (1.0 / (want * N_PIXELS)).sqrt();
        assert_within("dark electrons", mean_e(temperature_c), want, sigma);
    }
    for (name, _) in synth::SCENE_NAMES {
        let sensor = Scene::named(name).expect("listed").sensor;
        assert!((5.0..=9.0).contains(&sensor.dark_doubling_k), "{name}");
    }
}

#[test]
fn the_amplifier_glows_in_its_corner() {
    let sensor = Sensor {
        amp_glow_e_per_s: 40.0,
        ..quiet()
    };
    let maps = sensor.maps(SEED, SIDE, SIDE);
    let dark = sensor.expose(&maps, None, 10.0, SEED, 0).data;
    let black = f64::from(sensor.black_level_dn);
    let patch_e = |row: usize, col: usize| {
        let patch = dark.slice(ndarray::s![row..row + 20, col..col + 20]);
        (patch.mapv(f64::from).sum() / 400.0 - black) * 0.05
    };
    let want_e = |row: usize, col: usize| {
        let sites = (0..400).map(|i| (col + i % 20, row + i / 20));
        sites
            .map(|(x, y)| 10.0 * sensor.amp_glow_at(x, y, SIDE, SIDE))
            .sum::<f64>()
            / 400.0
    };
    for (row, col) in [
        (SIDE - 20, SIDE - 20),
        (SIDE - 120, SIDE - 20),
        (SIDE - 60, SIDE - 200),
    ] {
        let want = want_e(row, col);
        assert_within(
            "glow, e",
            patch_e(row, col),
            want,
            (1.0 / (400.0 * want)).sqrt(),
        );
    }
    assert_eq!(sensor.amp_glow_at(SIDE - 1, SIDE - 1, SIDE, SIDE), 40.0);
    assert!(sensor.amp_glow_at(0, 0, SIDE, SIDE) < 0.01);
}

#[test]
fn sensitivity_is_a_label_of_the_gain() {
    // Source: photon transfer: read noise before the amplifier is the same in electrons, that
    // behind it the same in DN (by hand): 3² = a² + (0.5 x 4)², so a² = 5; at four times the
    // setting the gain is 1 and the noise sqrt(5 + 0.25).
    let base = Sensor {
        iso: 400,
        ..sensor()
    };
    let high = base.at_iso(1600, 0.5);
    assert_eq!((high.iso, high.gain_e_per_dn), (1600, 1.0));
    assert!((high.read_noise_e - 5.25f64.sqrt()).abs() < 1e-12);
    assert_eq!(high.at_iso(400, 0.5).gain_e_per_dn, base.gain_e_per_dn);
    assert_eq!(high.at_iso(400, 0.5).read_noise_e, base.read_noise_e);
}

#[test]
fn a_coarser_converter_adds_its_rounding() {
    // Source: rounding adds 1/12 DN² once the noise is above half a step (EMVA 1288).
    for (bits, gain) in [(14, 1.0), (12, 4.0)] {
        let sensor = Sensor {
            bits,
            gain_e_per_dn: gain,
            black_level_dn: 256,
            read_noise_e: 4.0,
            ..quiet()
        };
        let maps = sensor.maps(SEED, SIDE, SIDE);
        let dark = |shot| {
            sensor
                .expose(&maps, None, 0.0, SEED, shot)
                .data
                .mapv(f64::from)
        };
        let variance = temporal_variance(&dark(0), &dark(1)) * gain * gain;
        let want = 16.0 + gain * gain / 12.0;
        assert_within("variance, e²", variance, want, (2.0 / N_PIXELS).sqrt());
        let light = Array2::from_elem((SIDE, SIDE), 1e8f32);
        let white = sensor.expose(
            &maps,
            Some(&[light.clone(), light.clone(), light]),
            1.0,
            SEED,
            2,
        );
        assert!(white.data.iter().all(|&value| value == (1u16 << bits) - 1));
    }
}
