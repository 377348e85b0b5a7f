//! Which spots are stars, and how well they are measured, on drawn skies.

use super::*;
use crate::testing::{Drawn, Noise, draw};
use crate::{BackgroundOptions, luminance};
use ndarray::Array2;
use raw::Cfa;

fn find(mosaic: &Array2<f32>, cfa: &Cfa, options: &DetectOptions) -> Vec<Star> {
    let plane = luminance(mosaic.view(), cfa);
    let background = Background::estimate(plane.view(), &BackgroundOptions::default());
    detect(plane.view(), &background, options)
}

fn bayer() -> Cfa {
    Cfa::bayer("RGGB").expect("a Bayer array")
}

/// Centroid errors over the Cramér-Rao bound, per axis.
struct Scatter {
    rms_over_bound: f64,
    bias_over_bound: f64,
}

/// Draws `REALIZATIONS` stars at random phases with photon and read noise, and measures them
/// with the window of the frame's star.
fn scatter(
    cfa: &Cfa,
    color: [f64; 3],
    sigma_px: f64,
    flux_e: f64,
    variance_e2: f64,
    bound_px: f64,
) -> Scatter {
    const REALIZATIONS: usize = 1500;
    const SIDE: usize = 41;
    let mut noise = Noise::new(17);
    let (mut squares, mut sum, mut n) = (0.0, 0.0, 0.0);
    let smoothing = Smoothing::Tent.variance_px2();
    let variance_px2 = sigma_px * sigma_px + 1.0 / 12.0 + smoothing;
    let options = DetectOptions::default();
    for _ in 0..REALIZATIONS {
        let (x, y) = (20.0 + noise.uniform(), 20.0 + noise.uniform());
        let flux_dn = color.map(|share| share * flux_e);
        let star = Drawn {
            x,
            y,
            flux_dn,
            sigma_px,
        };
        let mut mosaic = draw(&[star], SIDE, SIDE, cfa);
        // Gaussian photon noise: the bound is of the same model.
        mosaic
            .mapv_inplace(|v| v + ((f64::from(v) + variance_e2).sqrt() * noise.gaussian()) as f32);
        // Straight to the smoothed plane: sky and hot pixels have their own tests.
        let plane = crate::luminance::tests::smooth_only(&mosaic, cfa);
        let background = Background::flat(0.0, (variance_e2.sqrt() * 0.375) as f32, (SIDE, SIDE));
        let detector = Detector {
            plane: plane.view(),
            background: &background,
            options: &options,
        };
        let patch = Patch {
            plane: plane.view(),
            level_dn: 0.0,
        };
        let window = detector.window_px2(variance_px2);
        let start = (x.round(), y.round());
        if let Some((found_x, found_y)) = patch.centroid(start, window, variance_px2, 4.0) {
            squares += (found_x - x).powi(2) + (found_y - y).powi(2);
            sum += found_x - x + found_y - y;
            n += 2.0;
        }
    }
    // At 8 sigmas noise drags one in 200 away from its star; above that none.
    assert!(n >= 2.0 * 0.995 * REALIZATIONS as f64, "{n} centroids");
    Scatter {
        rms_over_bound: (squares / n).sqrt() / bound_px,
        bias_over_bound: sum / n / bound_px,
    }
}

/// Cramér-Rao bounds per axis for pixel-integrated Gaussians, position and flux unknown,
/// by numerical Fisher information (numpy; derivation from Mendez, Silva & Lobos 2013, PASP
/// 125, 580): sigma px, flux e⁻, variance e⁻² per pixel, bound px.
const BOUNDS: [(f64, f64, f64, f64); 9] = [
    (0.6, 1e4, 25.0, 0.00703),
    (0.85, 1e4, 25.0, 0.00969),
    (1.0, 1e3, 25.0, 0.04750),
    (1.0, 1e4, 25.0, 0.01142),
    (1.0, 1e5, 25.0, 0.00335),
    (1.0, 1e3, 1000.0, 0.17740),
    (1.0, 1e4, 1000.0, 0.02164),
    (1.5, 1e4, 25.0, 0.01775),
    (2.0, 1e4, 25.0, 0.02494),
];

#[test]
fn centroids_stay_near_the_cramer_rao_bound() {
    // Below the bound the test would leak the truth; 3000 errors know their rms to 1.3 %.
    const LEAST: f64 = 0.97;
    // 19 % over the bound at most, by the window's width, and three standard errors.
    const MOST: f64 = 1.23;
    // A star of 1.4 px FWHM is undersampled: its place depends on its pixel phase.
    const MOST_UNDERSAMPLED: f64 = 1.6;
    const MOST_BIAS: f64 = 0.1;
    for (sigma_px, flux_e, variance_e2, bound_px) in BOUNDS {
        for cfa in [Cfa::mono(), bayer()] {
            let found = scatter(&cfa, [1.0; 3], sigma_px, flux_e, variance_e2, bound_px);
            let most = if sigma_px < 0.8 {
                MOST_UNDERSAMPLED
            } else {
                MOST
            };
            let case = format!("sigma {sigma_px} px, {flux_e} e, {variance_e2} e2");
            assert!(
                (LEAST..most).contains(&found.rms_over_bound),
                "{case}: {}",
                found.rms_over_bound
            );
            assert!(
                found.bias_over_bound.abs() < MOST_BIAS,
                "{case}: {}",
                found.bias_over_bound
            );
        }
    }
}

#[test]
fn colored_stars_on_a_bayer_array_scatter_little_more() {
    // An orange star: twice as much red as blue. Red and blue are sampled every second pixel,
    // so their share of the light is aliased: the error by pixel phase has the amplitude
    // 2π c² exp(−π² c²/2) g (R − B)/4 with c² = 3/5 of the star's variance (pixel included),
    // g = 5/3, and its rms is that over √2: 0.054, 0.031, 0.002 px. The photon limit is 0.003
    // to 0.005 px.
    for (sigma_px, most_px) in [(0.85, 0.060), (1.0, 0.037), (1.5, 0.007)] {
        let found = scatter(&bayer(), [1.3, 1.0, 0.65], sigma_px, 1e5, 25.0, 1.0);
        assert!(
            found.rms_over_bound < most_px,
            "{sigma_px}: {} px",
            found.rms_over_bound
        );
    }
}

/// Stars on a grid with 50 px between them, brighter to the right and down.
fn grid(noise: &mut Noise, sigma_px: f64) -> Vec<Drawn> {
    (0..50)
        .map(|i| {
            let (x, y) = (30.0 + 50.0 * (i % 10) as f64, 30.0 + 50.0 * (i / 10) as f64);
            let flux_dn = 500.0 * 1.13_f64.powi(i);
            Drawn::white(x + noise.uniform(), y + noise.uniform(), flux_dn, sigma_px)
        })
        .collect()
}

fn night(stars: &[Drawn], cfa: &Cfa, noise: &mut Noise) -> Array2<f32> {
    let mut mosaic = draw(stars, 540, 300, cfa);
    mosaic.mapv_inplace(|v| v + 300.0 + 5.0 * noise.gaussian() as f32);
    mosaic
}

fn nearest<'a>(stars: &'a [Star], truth: &Drawn) -> (&'a Star, f64) {
    let distance = |star: &Star| (star.x - truth.x).hypot(star.y - truth.y);
    let star = stars
        .iter()
        .min_by(|a, b| distance(a).total_cmp(&distance(b)));
    let star = star.expect("stars were found");
    (star, distance(star))
}

#[test]
fn all_stars_of_a_night_are_found_and_measured() {
    // The tent is no Gaussian; the shape behind window and tent is right to this.
    const FWHM_TOLERANCE: f64 = 0.02;
    for cfa in [Cfa::mono(), bayer()] {
        for sigma_px in [1.0, 1.4, 2.2] {
            let mut noise = Noise::new(3);
            let truth = grid(&mut noise, sigma_px);
            let found = find(
                &night(&truth, &cfa, &mut noise),
                &cfa,
                &DetectOptions::default(),
            );
            assert_eq!(found.len(), truth.len(), "sigma {sigma_px} px");
            assert!(
                found
                    .windows(2)
                    .all(|pair| pair[0].flux_dn >= pair[1].flux_dn)
            );
            let want_px = FWHM_PER_SIGMA * (sigma_px * sigma_px + 1.0 / 12.0).sqrt();
            for star in &truth {
                let (got, error_px) = nearest(&found, star);
                let limit_px = 4.0 * 2.0_f64.sqrt() * got.position_error_px();
                assert!(error_px < limit_px, "{error_px} px of {limit_px}");
                let flux_error = got.flux_dn / star.flux_dn[1] - 1.0;
                assert!(
                    flux_error.abs() < 0.01 + 5.0 / got.snr,
                    "{flux_error} at {}",
                    got.snr
                );
                let shape_error = got.fwhm_px / want_px - 1.0;
                assert!(
                    shape_error.abs() < FWHM_TOLERANCE + 6.0 / got.snr,
                    "{shape_error}"
                );
                assert!(
                    got.ellipticity < 0.02 + 8.0 / got.snr,
                    "{}",
                    got.ellipticity
                );
            }
        }
    }
}

#[test]
fn an_elongated_star_has_its_axes_and_direction() {
    let mut mosaic = Array2::<f32>::zeros((80, 80));
    let (x, y, angle) = (40.3, 39.8, 0.6_f64);
    for ((row, col), value) in mosaic.indexed_iter_mut() {
        let (dx, dy) = (col as f64 - x, row as f64 - y);
        let along = angle.cos() * dx + angle.sin() * dy;
        let across = -angle.sin() * dx + angle.cos() * dy;
        *value = (2e4 * (-0.5 * (along / 2.4).powi(2) - 0.5 * (across / 1.6).powi(2)).exp()) as f32;
    }
    let mut noise = Noise::new(1);
    mosaic.mapv_inplace(|v| v + 5.0 * noise.gaussian() as f32);
    let found = find(&mosaic, &Cfa::mono(), &DetectOptions::default());
    assert_eq!(found.len(), 1);
    // Windowed moments of a noisy 20,000 DN peak; the tent is round, not Gaussian.
    assert!((found[0].fwhm_px / (FWHM_PER_SIGMA * (2.4_f64 * 1.6).sqrt()) - 1.0).abs() < 0.02);
    assert!((found[0].ellipticity - (1.0 - 1.6 / 2.4)).abs() < 0.01);
    assert!((found[0].position_angle_rad - angle).abs() < 0.01);
}

#[test]
fn a_trail_is_no_star_and_spoils_only_what_it_crosses() {
    let mut noise = Noise::new(4);
    let truth = grid(&mut noise, 1.4);
    let mut mosaic = night(&truth, &bayer(), &mut noise);
    // From edge to edge between two rows of stars, a Gaussian of 1.2 px across.
    let row_at = |col: usize| 52.0 + 0.015 * col as f64;
    for ((row, col), value) in mosaic.indexed_iter_mut() {
        *value += (120.0 * (-0.5 * ((row as f64 - row_at(col)) / 1.2).powi(2)).exp()) as f32;
    }
    let found = find(&mosaic, &bayer(), &DetectOptions::default());
    let on_trail = |star: &&Star| (star.y - row_at(star.x as usize)).abs() < 3.0;
    assert_eq!(found.iter().filter(on_trail).count(), 0);
    assert_eq!(found.len(), truth.len());
}

#[test]
fn hot_pixels_are_no_stars() {
    let mut noise = Noise::new(6);
    let truth = grid(&mut noise, 1.2);
    let mut mosaic = night(&truth, &bayer(), &mut noise);
    for i in 0..40 {
        mosaic[(5 + 7 * i, 8 + 13 * i)] += 200.0 * 1.1_f32.powi(i as i32);
    }
    let found = find(&mosaic, &bayer(), &DetectOptions::default());
    assert_eq!(found.len(), truth.len());
    for star in &truth {
        assert!(nearest(&found, star).1 < 0.5);
    }
}

#[test]
fn saturated_stars_are_flagged_and_placed_in_their_middle() {
    let mut noise = Noise::new(7);
    let mut truth = grid(&mut noise, 1.6);
    truth[49].flux_dn = [6e5; 3];
    let white_dn = 12_000.0;
    let mosaic = night(&truth, &bayer(), &mut noise).mapv(|v| v.min(white_dn));
    let mask = mosaic.mapv(|v| v >= white_dn);
    assert!(mask.iter().filter(|&&m| m).count() > 10);
    let options = DetectOptions {
        saturation: Some(Saturation::Mask(mask.view())),
        ..DetectOptions::default()
    };
    let found = find(&mosaic, &bayer(), &options);
    let flagged: Vec<&Star> = found.iter().filter(|star| star.saturated).collect();
    assert_eq!(flagged.len(), 1);
    assert_eq!(found.len(), truth.len());
    // A flat top of a dozen pixels is counted in whole pixels.
    assert!((flagged[0].x - truth[49].x).hypot(flagged[0].y - truth[49].y) < 0.3);
}

#[test]
fn close_pairs_are_taken_apart() {
    let mut noise = Noise::new(8);
    let mut truth = grid(&mut noise, 1.3);
    let pairs: Vec<Drawn> = truth[25..45]
        .iter()
        .map(|star| Drawn {
            x: star.x + 6.0,
            y: star.y + 2.0,
            ..*star
        })
        .collect();
    truth.extend(pairs);
    let found = find(
        &night(&truth, &bayer(), &mut noise),
        &bayer(),
        &DetectOptions::default(),
    );
    assert_eq!(found.len(), truth.len());
    for star in &truth[20..] {
        // An equal neighbor 6.3 px off pulls a window of 1.47 px sigma by 0.08 px: where the
        // windowed first moments of two Gaussians cancel. Noise adds 0.01 px.
        let (_, error_px) = nearest(&found, star);
        assert!(error_px < 0.12, "{error_px}");
    }
}

#[test]
fn stars_at_the_edge_are_left_out_or_right() {
    let mut noise = Noise::new(9);
    let stars: Vec<Drawn> = (0..20)
        .map(|i| Drawn::white(f64::from(i) - 2.0, 8.0 + 14.0 * f64::from(i), 2e4, 1.3))
        .collect();
    let found = find(
        &night(&stars, &bayer(), &mut noise),
        &bayer(),
        &DetectOptions::default(),
    );
    assert!(found.len() >= 10, "{}", found.len());
    for star in &found {
        let truth = stars
            .iter()
            .map(|truth| (truth.x - star.x).hypot(truth.y - star.y));
        assert!(truth.fold(f64::INFINITY, f64::min) < 0.05);
    }
}

#[test]
fn a_masked_patch_and_noise_alone_have_no_stars() {
    let mut noise = Noise::new(10);
    let mut mosaic = night(&[], &bayer(), &mut noise);
    for (row, col) in (100..160).flat_map(|row| (0..200).map(move |col| (row, col))) {
        mosaic[(row, col)] = f32::NAN;
    }
    // 160,000 pixels at 5 sigmas: 0.05 false ones are expected.
    assert!(find(&mosaic, &bayer(), &DetectOptions::default()).is_empty());
}

#[test]
fn degenerate_planes_have_no_stars() {
    for value in [0.0, f32::NAN, 7.5] {
        for shape in [(0, 0), (1, 1), (5, 5), (1, 300), (200, 200)] {
            let mosaic = Array2::from_elem(shape, value);
            assert!(find(&mosaic, &bayer(), &DetectOptions::default()).is_empty());
        }
    }
}
