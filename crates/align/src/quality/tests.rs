//! Bursts of drawn lists: each fault shows, alone, and in the frame that has it.

use super::*;
use crate::testing::Noise;

const SIZE: (usize, usize) = (1200, 800);
const FRAMES: usize = 7;

fn sky() -> Vec<Star> {
    let mut noise = Noise::new(4);
    (0..400)
        .map(|_| Star {
            x: 20.0 + 1160.0 * noise.uniform(),
            y: 20.0 + 760.0 * noise.uniform(),
            flux_dn: 3e3 / (0.02 + noise.uniform()),
            peak_dn: 300.0,
            fwhm_px: 2.5,
            ellipticity: 0.1,
            position_angle_rad: 0.3,
            snr: 60.0,
            saturated: false,
        })
        .collect()
}

/// A burst of the same sky in which every frame is changed.
fn graded(change: impl Fn(usize, &mut Vec<Star>, &mut Vec<(usize, usize)>)) -> Vec<FrameQuality> {
    let mut noise = Noise::new(5);
    let mut lists = Vec::new();
    for frame in 0..FRAMES {
        let mut stars = sky();
        for star in &mut stars {
            star.flux_dn *= 1.0 + 0.05 * noise.gaussian();
            star.fwhm_px *= 1.0 + 0.05 * noise.gaussian();
        }
        let mut pairs: Vec<(usize, usize)> = (0..stars.len()).map(|i| (i, i)).collect();
        change(frame, &mut stars, &mut pairs);
        lists.push((stars, pairs));
    }
    let map = PixelMap::identity();
    let frames: Vec<BurstFrame> = lists
        .iter()
        .map(|(stars, pairs)| BurstFrame {
            stars,
            place: Some(FramePlace { pairs, map: &map }),
        })
        .collect();
    grade_burst(&frames, 3, SIZE)
}

#[test]
fn a_good_burst_has_no_fault() {
    for quality in graded(|_, _, _| ()) {
        assert!((quality.transparency - 1.0).abs() < 0.02, "{quality:?}");
        assert_eq!(quality.cloud_fraction, 0.0, "{quality:?}");
        assert!(quality.shake_px < 0.5, "{quality:?}");
        assert_eq!(quality.double_px, None);
    }
}

#[test]
fn cloud_over_a_third_of_the_field_is_a_third() {
    // Half of the light on the left third; in frame 5 nothing is found there at all.
    let found = graded(|frame, stars, pairs| match frame {
        2 => stars
            .iter_mut()
            .filter(|star| star.x < 400.0)
            .for_each(|star| star.flux_dn *= 0.5),
        5 => pairs.retain(|&(i, _)| stars[i].x >= 400.0),
        _ => (),
    });
    for (frame, quality) in found.iter().enumerate() {
        let want = if frame == 2 || frame == 5 {
            1.0 / 3.0
        } else {
            0.0
        };
        assert!(
            (quality.cloud_fraction - want).abs() < 1e-9,
            "{frame}: {quality:?}"
        );
    }
}

#[test]
fn what_all_frames_have_is_no_fault_of_any() {
    let found = graded(|_, stars, _| {
        for star in stars.iter_mut() {
            (star.ellipticity, star.fwhm_px) = (0.5, 4.0);
            star.flux_dn *= if star.x < 600.0 { 0.3 } else { 1.0 };
        }
    });
    for quality in found {
        assert_eq!(quality.cloud_fraction, 0.0, "{quality:?}");
        assert!(quality.shake_px < 0.5, "{quality:?}");
    }
}

#[test]
fn a_shaken_frame_is_drawn_out_and_a_soft_one_is_not() {
    // A movement of 3 px FWHM along y.
    let found = graded(|frame, stars, _| {
        for star in stars.iter_mut() {
            let [xx, xy, mut yy] = moments(star);
            match frame {
                1 => yy += (3.0 / FWHM_PER_SIGMA).powi(2),
                4 => star.fwhm_px *= 1.5,
                _ => (),
            }
            if frame == 1 {
                let (mean, spread) = (0.5 * (xx + yy), (0.5 * (xx - yy)).hypot(xy));
                let (major, minor) = (mean + spread, mean - spread);
                star.fwhm_px = FWHM_PER_SIGMA * (major * minor).sqrt().sqrt();
                star.ellipticity = 1.0 - (minor / major).sqrt();
                star.position_angle_rad = 0.5 * xy.atan2(0.5 * (xx - yy));
            }
        }
    });
    for (frame, quality) in found.iter().enumerate() {
        let want = if frame == 1 { 3.0 } else { 0.0 };
        // Ellipses of a tenth that grow are drawn out a little more, too.
        assert!(
            (quality.shake_px - want).abs() < 1.4,
            "{frame}: {quality:?}"
        );
        assert_eq!(quality.shake_px > 2.5, frame == 1, "{frame}: {quality:?}");
    }
}

#[test]
fn too_little_to_compare_says_nothing() {
    assert!(grade_burst(&[], 0, SIZE).is_empty());
    let stars = sky();
    let lone = BurstFrame {
        stars: &stars,
        place: None,
    };
    for frames in [vec![lone], vec![lone; 5]] {
        for quality in grade_burst(&frames, 0, SIZE) {
            assert!(quality.transparency.is_nan() && quality.cloud_fraction.is_nan());
            assert!(quality.shake_px.is_nan());
        }
    }
}

#[test]
fn widths_that_grow_are_a_drift_and_outliers_are_none() {
    let growing: Vec<f64> = (0..12).map(|i| 2.0 + 0.1 * f64::from(i)).collect();
    let drift = focus_drift(&growing).expect("a drift");
    assert!((drift.from_px - 2.0).abs() < 1e-9 && (drift.to_px - 3.1).abs() < 1e-9);
    let mut shaken = vec![2.0; 12];
    shaken[11] = 5.0;
    shaken[3] = f64::NAN;
    assert_eq!(focus_drift(&shaken), None);
    assert_eq!(focus_drift(&growing[..5]), None);
    assert_eq!(focus_drift(&[]), None);
    let uneven: Vec<f64> = (0..12).map(|i| 2.0 + 0.5 * f64::from(i % 2)).collect();
    assert_eq!(focus_drift(&uneven), None);
}
