//! How good a frame's stars are, and which frame the others are aligned to.

use crate::Star;
use crate::stats::median;

/// A frame's stars in three numbers.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct FrameGrade {
    /// Stars found.
    pub stars: usize,
    /// Median full width at half maximum, px; NaN without a measured star.
    pub fwhm_px: f64,
    /// Median ellipticity; NaN without a measured star.
    pub ellipticity: f64,
}

impl FrameGrade {
    /// Grades a frame by its unsaturated stars above 10 sigmas, or by all unsaturated ones
    /// when there are fewer than five of those.
    pub fn of(stars: &[Star]) -> Self {
        const CLEAR_SNR: f64 = 10.0;
        const ENOUGH: usize = 5;
        let unsaturated: Vec<&Star> = stars.iter().filter(|star| !star.saturated).collect();
        let clear: Vec<&Star> = unsaturated
            .iter()
            .copied()
            .filter(|star| star.snr >= CLEAR_SNR)
            .collect();
        let measured = if clear.len() >= ENOUGH {
            clear
        } else {
            unsaturated
        };
        let typical = |value: fn(&Star) -> f64| {
            let mut values: Vec<f64> = measured.iter().map(|star| value(star)).collect();
            values.retain(|v| v.is_finite());
            median(&mut values).unwrap_or(f64::NAN)
        };
        Self {
            stars: stars.len(),
            fwhm_px: typical(|star| star.fwhm_px),
            ellipticity: typical(|star| star.ellipticity),
        }
    }
}

/// The frame the others are best aligned to, by their stars in the order of capture.
///
/// Of the frames that have 80 % of the stars of the richest frame but one in ten, and are at
/// most 10 % less sharp than the sharpest of those but one in ten, the one nearest to the
/// middle of the sequence, where overlap is greatest; of two equally near the earlier.
/// `None` when no frame has a star.
pub fn choose_reference(frames: &[Vec<Star>]) -> Option<usize> {
    const STARS_SHARE: f64 = 0.8;
    const SHARPNESS_SHARE: f64 = 1.1;
    let grades: Vec<FrameGrade> = frames.iter().map(|stars| FrameGrade::of(stars)).collect();
    let mut counts: Vec<usize> = grades.iter().map(|grade| grade.stars).collect();
    counts.sort_unstable_by(|a, b| b.cmp(a));
    let many = *counts.get(counts.len() / 10)?;
    let rich =
        |grade: &FrameGrade| grade.stars > 0 && grade.stars as f64 >= STARS_SHARE * many as f64;
    let mut widths: Vec<f64> = grades
        .iter()
        .filter(|grade| rich(grade) && grade.fwhm_px.is_finite())
        .map(|grade| grade.fwhm_px)
        .collect();
    widths.sort_by(f64::total_cmp);
    let sharp = |grade: &FrameGrade| {
        widths
            .get(widths.len() / 10)
            .is_none_or(|best| grade.fwhm_px <= SHARPNESS_SHARE * best)
    };
    (0..frames.len())
        .filter(|&i| rich(&grades[i]) && sharp(&grades[i]))
        .min_by_key(|&i| (2 * i).abs_diff(frames.len() - 1))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn stars(count: usize, fwhm_px: f64) -> Vec<Star> {
        let star = |i: usize| Star {
            x: i as f64,
            y: 0.0,
            flux_dn: 1e3,
            peak_dn: 1e2,
            fwhm_px,
            ellipticity: 0.1,
            position_angle_rad: 0.0,
            snr: 50.0,
            saturated: i == 0,
        };
        (0..count).map(star).collect()
    }

    #[test]
    fn the_middle_one_of_equals_is_chosen() {
        assert_eq!(choose_reference(&vec![stars(50, 3.0); 7]), Some(3));
        assert_eq!(choose_reference(&vec![stars(50, 3.0); 8]), Some(3));
        assert_eq!(choose_reference(&[stars(50, 3.0)]), Some(0));
    }

    #[test]
    fn clouded_and_blurred_frames_are_passed_over() {
        let mut frames = vec![stars(50, 3.0); 7];
        frames[3] = stars(20, 3.0);
        frames[2] = stars(50, 4.0);
        frames[4] = stars(45, 3.1);
        assert_eq!(choose_reference(&frames), Some(4));
    }

    #[test]
    fn frames_without_stars_are_never_chosen() {
        assert_eq!(choose_reference(&[]), None);
        assert_eq!(choose_reference(&vec![Vec::new(); 5]), None);
        let mut frames = vec![Vec::new(); 5];
        frames[4] = stars(1, 3.0);
        assert_eq!(choose_reference(&frames), Some(4));
    }

    #[test]
    fn the_grade_is_of_clear_unsaturated_stars() {
        let mut list = stars(30, 3.0);
        list[0].fwhm_px = 20.0;
        list[1].snr = 2.0;
        list[1].fwhm_px = 0.1;
        let grade = FrameGrade::of(&list);
        assert_eq!(
            (grade.stars, grade.fwhm_px, grade.ellipticity),
            (30, 3.0, 0.1)
        );
        assert!(FrameGrade::of(&[]).fwhm_px.is_nan());
        assert!(FrameGrade::of(&list[..1]).fwhm_px.is_nan());
    }
}
