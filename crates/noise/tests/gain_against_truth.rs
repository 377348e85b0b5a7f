//! Gains of simulated lights against what their noise-free picture says.

#![allow(clippy::print_stdout, reason = "a failing test shows its figures")]

mod engine;

use engine::{Burst, Combine, SIGMAS, cells, check_close, check_gain, rng, white};
use noise::{Evidence, GainReport, StarMask};
use rand::Rng;
use raw::Rect;

#[test]
fn white_noise_gains_the_root_of_n() {
    for n in [4, 5, 8, 20, 31] {
        let summary = check_gain(&Burst::white(n, 10.0, n as u64), "white");
        let root = (n as f64).sqrt();
        assert!((summary.expected_gain - root).abs() < 1e-6);
        assert!(
            (summary.gain_area - root).abs() < SIGMAS * summary.error,
            "{n}"
        );
        assert!((summary.gain_pixel / root - 1.0).abs() < 0.01, "{n}");
    }
}

#[test]
fn resampling_does_not_raise_the_area_gain() {
    // Bilinear at random shifts: pixel sd falls to 2/3, so a per-pixel gain reads 1.5.
    let summary = check_gain(&Burst::resampled(20, 10.0, 3), "bilinear");
    let root = 20f64.sqrt();
    assert!(
        (summary.gain_area / root - 1.0).abs() < 0.02,
        "{}",
        summary.gain_area / root
    );
    println!("pixel {}", summary.gain_pixel / root);
}

#[test]
fn half_pixel_shifts_double_the_pixel_gain_and_not_the_area_gain() {
    // Bilinear between four pixels is their mean: sigma / 2. At blocks of 8 px it leaves
    // 1/2 + 2 * 7/8 * 1/4 of the variance per axis.
    let (n, sigma) = (12, 10.0f32);
    let mut burst = Burst::blank(n);
    let (width, height) = (burst.width, burst.height);
    for (i, light) in burst.lights.iter_mut().enumerate() {
        let source = white(
            &mut rng(3500 + i as u64),
            (width + 12) * (height + 12),
            sigma,
        );
        let (dx, dy) = ((i % 8) as f64 - 3.5, 2.5 - (i % 5) as f64);
        *light = engine::shifted(&source, width, height, 6, dx, dy);
    }
    let summary = check_gain(&burst, "half pixels");
    let root = (n as f64).sqrt();
    assert!((summary.gain_area - root).abs() < SIGMAS * summary.error);
    for cell in cells(&burst.report().expect("noise")) {
        let (native, relative) = (f64::from(sigma), SIGMAS * cell.error / cell.gain_area);
        // What a frame as it was taken shows by the pixel, over the stack.
        let naive = native / cell.stack.pixel / root;
        assert!((naive / 2.0 - 1.0).abs() < relative, "{naive}");
        assert!((cell.single.area / native / 0.9375 - 1.0).abs() < relative);
        let borrowed = 0.5 / 0.9375;
        assert!((cell.budget.borrowed / borrowed - 1.0).abs() < relative);
    }
}

#[test]
fn demosaiced_noise_is_measured_at_its_true_scale() {
    let sigma = 10.0;
    let burst = Burst::demosaiced_red(20, sigma, 4);
    let summary = check_gain(&burst, "demosaiced red");
    assert!((summary.gain_area / 20f64.sqrt() - 1.0).abs() < 0.02);
    // Bilinear red at blocks of 8 px: 1.825 of the raw pixel's sd, which resampling
    // lowers to a little less.
    let cells = cells(&burst.report().expect("noise"));
    let single = cells.iter().map(|c| c.single.area).sum::<f64>() / cells.len() as f64 / 10.0;
    let blocks = burst
        .lights
        .iter()
        .map(|l| burst.block_variance(l))
        .sum::<f64>()
        / 20.0;
    println!("single {single} blocks {}", blocks.sqrt() / 10.0);
    assert!((single / (blocks.sqrt() / 10.0) - 1.0).abs() < 0.015);
}

#[test]
fn errors_are_as_wide_as_the_scatter_of_regions() {
    for burst_of in [
        Burst::white as fn(usize, f32, u64) -> Burst,
        Burst::demosaiced_red,
    ] {
        let (mut sum, mut squares, mut count) = (0.0, 0.0, 0.0);
        for seed in 0..8 {
            for cell in cells(&burst_of(8, 10.0, 50 + seed).report().expect("noise")) {
                let z = (cell.gain_area - 8f64.sqrt()) / cell.error;
                sum += z;
                squares += z * z;
                count += 1.0;
            }
        }
        let width = f64::sqrt(squares / count);
        let bias = sum / count;
        println!("z width {width:.3}, mean {bias:.3} of {count}");
        assert!(
            bias.abs() < SIGMAS / f64::sqrt(count),
            "z scores have mean {bias}"
        );
        // 192 cells know a width to 5 %; three times that is allowed.
        assert!((width - 1.0).abs() < 0.15, "z scores have width {width}");
    }
}

#[test]
fn every_region_has_its_true_gain_within_the_errors() {
    // What is asked of a night: demosaiced, resampled, clipped, a vignette in the noise.
    let (mut squares, mut count, mut close) = (0.0, 0.0, 0.0);
    for seed in 0..4 {
        let mut burst = Burst::demosaiced_red(20, 10.0, 300 + seed).with(Combine::Clip(3.0));
        for light in &mut burst.lights {
            for (p, value) in light.iter_mut().enumerate() {
                *value *= 1.0 + 0.5 * (p % burst.width) as f32 / burst.width as f32;
            }
        }
        let stack = burst.stack();
        for region in burst.report().expect("noise").regions {
            let r = region.region;
            let part = Rect {
                x0: r.x0,
                y0: r.y0,
                x1: r.x1,
                y1: r.y1,
            };
            let lights = burst
                .lights
                .iter()
                .map(|light| burst.block_variance_in(light, part));
            let single = engine::median(lights.map(|v| v as f32).collect());
            let truth = (f64::from(single) / burst.block_variance_in(&stack, part)).sqrt();
            let cell = region.channels[0];
            let scatter = cell.realized_error / cell.gain_area;
            let off = cell.gain_area / truth - 1.0;
            squares += (off / scatter).powi(2);
            close += if off.abs() < 0.05 { 1.0 } else { 0.0 };
            count += 1.0;
        }
    }
    let width = f64::sqrt(squares / count);
    println!("regions: z width {width:.3}, {close} of {count} within 5 %");
    // 96 cells know a width to 7 %.
    assert!(width < 1.0 + 3.0 * 0.072, "{width}");
}

#[test]
fn weights_follow_the_noise() {
    let mut burst = Burst::blank(8);
    for (i, light) in burst.lights.iter_mut().enumerate() {
        let sigma = if i % 3 == 0 { 20.0 } else { 10.0 };
        *light = white(&mut rng(900 + i as u64), light.len(), sigma);
        burst.weights[i] = 100.0 / (sigma * sigma);
    }
    let summary = check_gain(&burst, "weights");
    // 5 lights of weight 1, 3 of 1/4: typical is 1.
    let ideal = 5.75f64;
    let kish: f64 = 5.75 * 5.75 / (5.0 + 3.0 / 16.0);
    assert!((summary.gain_area - ideal.sqrt()).abs() < SIGMAS * summary.error);
    assert!((summary.expected_gain - kish.sqrt()).abs() < 1e-5);
    for cell in cells(&burst.report().expect("noise")) {
        let product = cell.budget.explained() * cell.budget.unexplained * 8f64.sqrt();
        assert!((product - cell.gain_area).abs() < 1e-9);
        let off = (cell.budget.unexplained - 1.0).abs() * cell.gain_area;
        assert!(off < SIGMAS * cell.error, "{:?}", cell.budget);
    }
}

#[test]
fn most_lights_cloudy_are_worth_no_more_than_their_number() {
    // 4 lights of weight 1, 8 of 1/4: the median light is a cloudy one.
    let mut burst = Burst::blank(12);
    for (i, light) in burst.lights.iter_mut().enumerate() {
        let sigma = if i % 3 == 0 { 10.0 } else { 20.0 };
        *light = white(&mut rng(950 + i as u64), light.len(), sigma);
        burst.weights[i] = 100.0 / (sigma * sigma);
    }
    let summary = check_gain(&burst, "mostly cloudy");
    assert!((summary.gain_area - 12f64.sqrt()).abs() < SIGMAS * summary.error);
    for cell in cells(&burst.report().expect("noise")) {
        // The single light that twelve times tells as much as 4 + 8 / 4 of the best.
        let typical = (12.0 / 6.0f64).sqrt() * 10.0;
        assert!((cell.single.area / typical - 1.0).abs() < 0.05);
        assert!((cell.gain_area - 12f64.sqrt()).abs() < SIGMAS * cell.error);
        let off = (cell.budget.unexplained - 1.0).abs() * cell.gain_area;
        assert!(off < SIGMAS * cell.error, "{:?}", cell.budget);
    }
    // Equal weights lose, and are seen to.
    burst.weights = vec![1.0; 12];
    let summary = check_gain(&burst, "mostly cloudy, equal weights");
    let want = (200.0f64 / (3600.0 / 144.0)).sqrt();
    assert!((summary.gain_area - want).abs() < SIGMAS * summary.error);
}

#[test]
fn clouds_have_their_line_in_the_budget() {
    // 3 of 12 lights at half brightness, brought to that of the others: twice the noise, a
    // quarter of the weight. In the other night 3 are as noisy behind a clear sky.
    let mut burst = Burst::blank(12);
    burst.transparency = vec![1.0; 12];
    for (i, light) in burst.lights.iter_mut().enumerate() {
        let clear = if i % 4 == 1 { 0.5 } else { 1.0 };
        *light = white(&mut rng(970 + i as u64), light.len(), 10.0 / clear as f32);
        burst.weights[i] = (clear * clear) as f32;
        burst.transparency[i] = clear;
    }
    let mut noisy = burst.clone();
    noisy.transparency = vec![1.0; 12];
    let price = (9.75f64 / 12.0).sqrt();
    let kish = (9.75 * 9.75 / (12.0 * (9.0 + 3.0 / 16.0f64))).sqrt();
    check_gain(&burst, "3 of 12 behind a cloud");
    for (burst, transparency, weights) in [(&burst, price, 1.0), (&noisy, 1.0, kish)] {
        for cell in cells(&burst.report().expect("noise")) {
            let (budget, relative) = (cell.budget, SIGMAS * cell.error / cell.gain_area);
            assert!((budget.transparency / transparency - 1.0).abs() < relative);
            assert!((budget.unequal_weights - weights).abs() < 1e-5);
            let all = budget.unequal_weights * budget.unequal_lights * budget.transparency;
            assert!((all / price - 1.0).abs() < relative, "{budget:?}");
            assert!((budget.unexplained - 1.0).abs() < relative, "{budget:?}");
            let product = budget.explained() * budget.unexplained * 12f64.sqrt();
            assert!((product - cell.gain_area).abs() < 1e-9);
        }
    }
}

#[test]
fn wrong_weights_show_as_a_loss() {
    let mut burst = Burst::white(8, 10.0, 12);
    burst.weights = vec![1.0, 8.0, 1.0, 1.0, 1.0, 1.0, 1.0, 1.0];
    let summary = check_gain(&burst, "wrong weights");
    let kish = 15.0 * 15.0 / 71.0f64;
    assert!((summary.expected_gain - kish.sqrt()).abs() < 1e-5);
    assert!((summary.gain_area - kish.sqrt()).abs() < SIGMAS * summary.error);
}

#[test]
fn medians_pay_their_price() {
    for n in [5, 8, 20] {
        let burst = Burst::white(n, 10.0, 20 + n as u64).with(Combine::Median);
        let summary = check_gain(&burst, "median white");
        let ideal = (n as f64 / stack::median_price(n)).sqrt();
        assert!(
            (summary.gain_area - ideal).abs() < SIGMAS * summary.error,
            "{n}"
        );
        check_gain(
            &Burst::demosaiced_red(n, 10.0, 40 + n as u64).with(Combine::Median),
            "median red",
        );
    }
}

#[test]
fn clips_pay_for_the_good_samples_they_take() {
    for (n, sigmas) in [
        (10, 3.0),
        (20, 3.0),
        (20, 2.5),
        (20, 2.0),
        (40, 3.0),
        (40, 2.5),
    ] {
        let name = format!("clip {sigmas} of {n}");
        for burst in [
            Burst::white(n, 10.0, 60 + n as u64),
            Burst::demosaiced_red(n, 10.0, 70),
        ] {
            let burst = burst.with(Combine::Clip(sigmas));
            // A clip that takes a tenth of the samples is doubted by as much, however close
            // its gain comes.
            match sigmas < 2.5 {
                true => check_close(&burst, &name),
                false => check_gain(&burst, &name),
            };
        }
    }
}

#[test]
fn clips_of_unevenly_noisy_samples_are_paid_by_the_noisy_ones() {
    // A quarter of the samples is measured, the others are interpolated and as quiet as
    // that; which ones changes from light to light.
    const QUIET: f32 = 0.4;
    for n in [12, 20] {
        let mut burst = Burst::white(n, 10.0, 170 + n as u64).with(Combine::Clip(3.0));
        let width = burst.width;
        for (i, light) in burst.lights.iter_mut().enumerate() {
            for (p, value) in light.iter_mut().enumerate() {
                let even = |n: usize| n.is_multiple_of(2);
                let measured = even(p / width + i / 2) && even(p % width + i);
                *value *= if measured { 1.0 } else { QUIET };
            }
        }
        let summary = check_gain(&burst, "uneven samples");
        for cell in cells(&burst.report().expect("noise")) {
            let off = (cell.budget.unexplained - 1.0).abs() * cell.gain_area;
            assert!(off < SIGMAS * cell.error, "{summary:?} {:?}", cell.budget);
        }
    }
}

#[test]
fn satellites_are_no_noise() {
    let clean = Burst::resampled(20, 10.0, 80).with(Combine::Clip(3.0));
    let mut burst = clean.clone();
    let width = burst.width;
    for i in [2, 5, 6, 11, 12, 17] {
        for x in 0..width {
            let y = 40.0 + 0.5 * x as f64 * (i as f64 / 12.0) + 10.0 * i as f64;
            for row in 0..burst.height {
                let distance = row as f64 - y;
                burst.lights[i][row * width + x] +=
                    (400.0 * (-distance * distance / 3.0).exp()) as f32;
            }
        }
    }
    let with = burst.report().expect("noise");
    let without = clean.report().expect("noise");
    // Region by region: the summary's median may stand on another region.
    let mean_log = |report: &GainReport| {
        let cells: Vec<f64> = report
            .regions
            .iter()
            .flat_map(|region| &region.channels)
            .map(|cell| cell.gain_area.ln())
            .collect();
        cells.iter().sum::<f64>() / cells.len() as f64
    };
    let ratio = (mean_log(&with) - mean_log(&without)).exp();
    // Trails take 6 x 10 px of 512 rows from single lights only.
    assert!((ratio - 1.0).abs() < 0.01);
}

#[test]
fn a_crowded_field_without_an_empty_block_still_has_a_gain() {
    let mut burst = Burst::resampled(12, 10.0, 90);
    let mut rng = rng(5);
    while burst.mask.masked_fraction() < 0.95 {
        let (x, y) = (rng.random_range(0.0..768.0), rng.random_range(0.0..512.0));
        burst.mask.mask_disk(x, y, rng.random_range(3.0..9.0));
    }
    // Masked pixels hold anything.
    for y in 0..burst.height {
        for x in 0..burst.width {
            if burst.mask.is_masked(x, y) {
                for (i, light) in burst.lights.iter_mut().enumerate() {
                    light[y * 768 + x] += 500.0 * i as f32;
                }
            }
        }
    }
    let report = burst.report().expect("noise");
    let summary = &report.summary;
    println!(
        "crowded {} +- {} of {}",
        summary.gain_area,
        summary.error,
        12f64.sqrt()
    );
    assert!((summary.gain_area - 12f64.sqrt()).abs() < SIGMAS * summary.error);
    assert!(summary.error > 0.02 && summary.error < 0.5);
}

#[test]
fn clouds_and_glow_are_no_noise() {
    let mut burst = Burst::resampled(20, 10.0, 100);
    let width = burst.width;
    for (i, light) in burst.lights.iter_mut().enumerate() {
        let (cx, cy) = (40.0 * i as f64, 300.0 - 10.0 * i as f64);
        let slope = 0.05 * i as f64;
        for (p, value) in light.iter_mut().enumerate() {
            let (x, y) = ((p % width) as f64, (p / width) as f64);
            let cloud =
                -150.0 * (-((x - cx).powi(2) + (y - cy).powi(2)) / (2.0 * 120.0f64.powi(2))).exp();
            *value += (cloud + slope * x) as f32;
        }
    }
    let summary = burst.report().expect("noise").summary;
    println!("clouds {} +- {}", summary.gain_area, summary.error);
    assert!((summary.gain_area / 20f64.sqrt() - 1.0).abs() < 0.03);
}

#[test]
fn two_and_three_lights_say_how_little_they_know() {
    for n in [2, 3] {
        let summary = Burst::resampled(n, 10.0, 140)
            .report()
            .expect("noise")
            .summary;
        println!("{n}: {} +- {}", summary.gain_area, summary.error);
        assert_eq!(summary.evidence, Evidence::Assumed);
        assert!((summary.gain_area / (n as f64).sqrt() - 1.0).abs() < 0.02);
        assert!(summary.gain_area - summary.error <= 1.0 + 1e-9);
        assert!(!summary.pattern.visible);
    }
}

#[test]
fn copies_of_one_light_are_worth_one() {
    let mut burst = Burst::white(20, 10.0, 150);
    burst.add_scene(|x, y| 900.0 + 0.1 * (x + y) as f32);
    burst.lights = vec![burst.lights[0].clone(); 20];
    let summary = burst.report().expect("measured").summary;
    assert_eq!(summary.evidence, Evidence::Copies);
    assert_eq!((summary.effective_frames, summary.error), (1.0, 0.0));
    // Pairs of equal lights count once.
    let mut pairs = Burst::white(16, 10.0, 160);
    for i in (0..16).step_by(2) {
        pairs.lights[i + 1] = pairs.lights[i].clone();
    }
    let summary = pairs.report().expect("measured").summary;
    println!("pairs {}", summary.effective_frames);
    assert!(summary.effective_frames < 9.0);
}

#[test]
fn level_and_scale_do_not_change_the_gain() {
    let burst = Burst::resampled(8, 10.0, 170);
    let mut other = burst.clone();
    for light in &mut other.lights {
        light
            .iter_mut()
            .for_each(|value| *value = 0.5 * *value + 2048.0);
    }
    let (a, b) = (
        burst.report().expect("noise"),
        other.report().expect("noise"),
    );
    // f32 at 2048 resolves 1.2e-4 of a noise of 3.
    assert!((a.summary.gain_area / b.summary.gain_area - 1.0).abs() < 1e-4);
}

#[test]
fn lights_that_do_not_reach_lower_the_expectation() {
    let mut burst = Burst::white(8, 10.0, 180);
    let width = burst.width;
    for light in burst.lights.iter_mut().skip(4) {
        for (p, value) in light.iter_mut().enumerate() {
            if p % width < width / 2 {
                *value = f32::NAN;
            }
        }
    }
    let report = burst.report().expect("noise");
    for region in &report.regions {
        let want = if region.region.x1 <= width / 2 {
            2.0
        } else {
            8f64.sqrt()
        };
        let cell = &region.channels.first();
        // The last half is empty on the left, so only lights in turn can tell.
        let Some(cell) = cell else { continue };
        assert!((cell.expected - want).abs() < 1e-6);
        assert!(
            (cell.gain_area - want).abs() < SIGMAS * cell.error,
            "{cell:?}"
        );
    }
    assert!(
        report
            .regions
            .iter()
            .all(|region| region.channels.len() == 1)
    );
}

#[test]
fn saturated_pixels_are_counted_out() {
    // The right half lies above full scale: clipped, all lights are equal there.
    let full_dn = 4000.0;
    let mut burst = Burst::white(8, 10.0, 210);
    let half = burst.width / 2;
    burst.add_scene(|x, _| if x < half { 1000.0 } else { 4050.0 });
    for light in &mut burst.lights {
        light
            .iter_mut()
            .for_each(|value| *value = value.min(full_dn));
    }
    // One light alone saturates in a strip of the left half.
    let strip = 64;
    for row in burst.lights[3].chunks_exact_mut(burst.width) {
        row[..strip].fill(full_dn);
    }
    let observer = |saturation_dn| {
        let options = noise::NoiseOptions {
            saturation_dn,
            ..Default::default()
        };
        noise::NoiseObserver::new(burst.mask.clone(), options)
    };
    let tiles = burst.tiles(&observer(Some(full_dn))).0;
    let report = burst.report_of(&tiles).expect("the left half holds noise");
    let want = (half + strip) as f64 / burst.width as f64;
    assert!((report.saturated[0] - want).abs() < 1e-12);
    for region in &report.regions {
        let measured = region.region.x0 < half;
        assert_eq!(region.channels.len(), usize::from(measured));
        for cell in &region.channels {
            assert!((cell.gain_area - 8f64.sqrt()).abs() < SIGMAS * cell.error);
        }
    }
    let summary = report.summary;
    assert!((summary.gain_area - 8f64.sqrt()).abs() < SIGMAS * summary.error);
    // Nothing left is an error, and a level never reached changes nothing.
    let tiles = burst.tiles(&observer(Some(900.0))).0;
    assert!(matches!(
        burst.report_of(&tiles),
        Err(noise::NoiseError::NothingMeasured { .. })
    ));
    let tiles = burst.tiles(&observer(Some(9000.0))).0;
    assert_eq!(burst.report_of(&tiles), burst.report());
}

#[test]
fn nothing_to_measure_is_an_error_not_a_number() {
    let mut burst = Burst::of_size(4, 128, 128);
    burst
        .lights
        .iter_mut()
        .for_each(|light| light.fill(f32::NAN));
    assert!(matches!(
        burst.report(),
        Err(noise::NoiseError::NothingMeasured { .. })
    ));
    let mut masked = Burst::white(4, 10.0, 1);
    masked
        .mask
        .mask_rect(Rect::of_size(masked.width, masked.height));
    assert!(matches!(
        masked.report(),
        Err(noise::NoiseError::NothingMeasured { .. })
    ));
    let single = Burst::white(1, 10.0, 1);
    assert!(matches!(
        single.report(),
        Err(noise::NoiseError::TooFewLights { found: 1 })
    ));
    let mut constant = Burst::of_size(4, 128, 128);
    constant
        .lights
        .iter_mut()
        .for_each(|light| light.fill(77.0));
    let summary = constant.report().expect("copies").summary;
    assert_eq!(
        (summary.evidence, summary.effective_frames),
        (Evidence::Copies, 1.0)
    );
}

#[test]
fn narrow_pictures_and_odd_sizes_work() {
    let mut burst = Burst::of_size(6, 203, 70);
    for (i, light) in burst.lights.iter_mut().enumerate() {
        *light = white(&mut rng(190 + i as u64), light.len(), 10.0);
    }
    burst.mask = StarMask::empty(203, 70);
    let summary = burst.report().expect("noise").summary;
    println!("narrow {} +- {}", summary.gain_area, summary.error);
    assert!((summary.gain_area - 6f64.sqrt()).abs() < SIGMAS * summary.error);
    assert!(summary.error > 0.02);
}

#[test]
fn threads_do_not_change_a_bit() {
    let burst = Burst::resampled(6, 10.0, 200);
    let report = |threads: usize| {
        rayon::ThreadPoolBuilder::new()
            .num_threads(threads)
            .build()
            .expect("threads start")
            .install(|| burst.report().expect("noise"))
    };
    assert_eq!(report(1), report(3));
}
