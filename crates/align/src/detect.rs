//! Stars on a plane: what counts as one, and its measures.

use crate::blinking::drop_blinking;
use crate::footprints::{Footprint, Peak, footprints};
use crate::matched::matched_sigmas;
use crate::shape::{Ellipse, Patch};
use crate::spread::keep_brightest_everywhere;
use crate::stats::median;
use crate::{Background, Star};
use ndarray::{Array2, ArrayView2};

/// 2 √(2 ln 2): full width at half maximum over sigma of a Gaussian.
const FWHM_PER_SIGMA: f64 = 2.354_820_045_030_949;

/// How the plane was smoothed before it came here; shapes and noise are corrected for it.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Default)]
pub enum Smoothing {
    /// Not at all.
    None,
    /// By `[1 2 1] × [1 2 1] / 16`, as [`luminance`](crate::luminance()) does.
    #[default]
    Tent,
}

impl Smoothing {
    /// Variance the smoothing adds to a star's profile along each axis, px².
    pub fn variance_px2(self) -> f64 {
        match self {
            Self::None => 0.0,
            Self::Tent => 0.5,
        }
    }

    /// Standard deviation of smoothed white noise over that before: the root of the sum
    /// of the squared kernel.
    pub fn noise_gain(self) -> f64 {
        match self {
            Self::None => 1.0,
            Self::Tent => 0.375,
        }
    }
}

/// Where the sensor was saturated.
#[derive(Clone, Copy, Debug)]
pub enum Saturation<'a> {
    /// At and above this value of the plane, DN.
    Level(f32),
    /// Where this is true; of the plane's shape.
    Mask(ArrayView2<'a, bool>),
}

impl Saturation<'_> {
    fn at(&self, plane: ArrayView2<f32>, row: usize, col: usize) -> bool {
        match self {
            Self::Level(level_dn) => plane[(row, col)] >= *level_dn,
            Self::Mask(mask) => mask[(row, col)],
        }
    }
}

/// What counts as a star.
#[derive(Clone, Copy, Debug)]
pub struct DetectOptions<'a> {
    /// Height above the background that makes a star, in sigmas of the noise of this very
    /// plane. Default 5.
    pub threshold_sigmas: f32,
    /// Fewest pixels above the threshold. Default 3.
    pub min_area_px: usize,
    /// A footprint at least this long and four times as long as wide is a trail, px.
    /// Default 20.
    pub min_trail_px: f64,
    /// Ellipticity beyond which a star is none. Default 0.8.
    pub max_ellipticity: f64,
    /// FWHM of a star over the frame's median: at least and at most. Default 0.5 and 2.5.
    pub fwhm_range: (f64, f64),
    /// Where the sensor was saturated, when known. Default none.
    pub saturation: Option<Saturation<'a>>,
    /// How the plane was smoothed. Default the tent of [`luminance`](crate::luminance()).
    pub smoothing: Smoothing,
    /// Peaks above the threshold that are enough: of more only the brightest of every part of
    /// the frame are measured, and none that only the matched filter shows. A star's weight
    /// in a map goes by the square of its light, so that the faint ones of a rich field hardly
    /// move it, but take most of the time. Default none: all are measured.
    pub enough: Option<usize>,
    /// Gain, e⁻ per DN of the plane, for the photon noise of the stars themselves in their
    /// SNR. Default none: the SNR is that against the background.
    pub gain_e_per_dn: Option<f64>,
}

impl Default for DetectOptions<'_> {
    fn default() -> Self {
        Self {
            threshold_sigmas: 5.0,
            min_area_px: 3,
            min_trail_px: 20.0,
            max_ellipticity: 0.8,
            fwhm_range: (0.5, 2.5),
            saturation: None,
            smoothing: Smoothing::default(),
            enough: None,
            gain_e_per_dn: None,
        }
    }
}

/// The stars of a plane, brightest first; equal fluxes in reading order.
///
/// - `plane`: DN, NaN is masked; usually the [`luminance`](crate::luminance()).
/// - `background`: that of this very plane.
///
/// Footprints above the threshold are taken apart at peaks with a saddle between them;
/// trails, and what is too sharp, too wide or too long for a star of this frame, go, and so do
/// an aircraft's flashes: five equal dots or more at equal distances along a line.
/// A star's **centroid** is the windowed one; the window is a Gaussian that, smoothing
/// included, has 1.5 times the variance of the frame's median star. For a Gaussian star that
/// stays within 4 % of the Cramér-Rao bound where the background makes the noise and 19 %
/// where the star does; a wider window would be drawn towards neighbors, a narrower one
/// towards pixel phase.
/// **Flux** is the light within 6 px, or 2.5 sigmas of the frame's star when that is more,
/// scaled by what a Gaussian leaves outside: a radius that followed every frame's sharpness
/// would compare unequal shares of the stars' wings between frames. **Shape** is that of the Gaussian
/// behind the windowed second moments, smoothing taken off, pixel integration not; stars
/// too faint to have one, and below 10 sigmas, carry the frame's median. Saturated stars
/// are placed at the middle of their upper half and flagged.
///
/// Stars whose window leaves the plane are left out: what is cut is drawn inwards.
///
/// # Panics
///
/// When the saturation mask is not of the plane's shape.
pub fn detect(
    plane: ArrayView2<f32>,
    background: &Background,
    options: &DetectOptions,
) -> Vec<Star> {
    if let Some(Saturation::Mask(mask)) = options.saturation {
        assert_eq!(
            mask.dim(),
            plane.dim(),
            "a saturation mask of another shape"
        );
    }
    let owned = plane.as_standard_layout();
    let detector = Detector {
        plane: owned.view(),
        background,
        options,
    };
    let bright = footprints(detector.plane, background, options.threshold_sigmas);
    let mut candidates = detector.candidates(&bright);
    let Some(variance_px2) = detector.typical_variance_px2(&candidates) else {
        return detector.saturated_only(&candidates);
    };
    match options.enough.filter(|&enough| candidates.len() > enough) {
        Some(enough) => detector.keep_enough(&mut candidates, enough),
        None => candidates.extend(detector.faint_candidates(&bright, variance_px2)),
    }
    let mut stars: Vec<Star> = candidates
        .iter()
        .filter_map(|candidate| detector.measure(candidate, variance_px2))
        .collect();
    detector.drop_misfits(&mut stars);
    sort_and_drop_doubles(&mut stars);
    drop_blinking(&mut stars);
    stars
}

/// A peak that may be a star.
struct Candidate {
    peak: Peak,
    saturated: bool,
    /// Whether it has its footprint to itself.
    alone: bool,
    /// Whether only the matched filter shows it: too faint for a shape of its own.
    faint: bool,
    /// Pixels of its footprint above half of its height, and their middle.
    half: Half,
}

#[derive(Clone, Copy)]
struct Half {
    area_px: f64,
    x: f64,
    y: f64,
}

struct Detector<'a, 'o> {
    plane: ArrayView2<'a, f32>,
    background: &'a Background,
    options: &'a DetectOptions<'o>,
}

/// Peaks below this many sigmas have no shape of their own.
const MIN_SHAPE_SIGMAS: f64 = 10.0;

/// Radius of the flux aperture, px; in sigmas of the frame's star on the plane where that is
/// more.
const APERTURE_PX: f64 = 6.0;
const APERTURE_SIGMAS: f64 = 2.5;

/// Least variance of the centroid's window, px²: below it a pixel is all there is.
const MIN_WINDOW_PX2: f64 = 0.6;

impl Detector<'_, '_> {
    fn candidates(&self, bright: &[Footprint]) -> Vec<Candidate> {
        bright
            .iter()
            .filter(|footprint| footprint.area_px() >= self.options.min_area_px)
            .filter(|footprint| !self.is_trail(footprint))
            .flat_map(|footprint| self.peaks_of(footprint))
            .collect()
    }

    /// Leaves the brightest of every part of the frame, saturated ones among them.
    fn keep_enough(&self, candidates: &mut Vec<Candidate>, enough: usize) {
        let height = |candidate: &Candidate| candidate.peak.height_dn;
        candidates.sort_by(|a, b| height(b).total_cmp(&height(a)));
        let size = (self.plane.ncols(), self.plane.nrows());
        keep_brightest_everywhere(candidates, enough, size, |candidate| {
            (candidate.peak.col, candidate.peak.row)
        });
    }

    /// Stars that pass the threshold only when the light of all their pixels is taken
    /// together, away from all that is large enough without that.
    fn faint_candidates(&self, bright: &[Footprint], variance_px2: f64) -> Vec<Candidate> {
        let smoothing = self.options.smoothing.variance_px2();
        let wider = variance_px2 - 2.0 * smoothing;
        let sigmas = matched_sigmas(self.plane, self.background, wider);
        let mut taken = Array2::from_elem(self.plane.dim(), false);
        let large = bright
            .iter()
            .filter(|f| f.area_px() >= self.options.min_area_px);
        large
            .flat_map(Footprint::pixels)
            .for_each(|at| taken[at] = true);
        let unit = Background::flat(0.0, 1.0, (self.plane.ncols(), self.plane.nrows()));
        let threshold = self.faint_threshold(bright.len(), variance_px2 - smoothing);
        let found = footprints(sigmas.view(), &unit, threshold);
        found
            .iter()
            .filter(|footprint| !footprint.pixels().any(|at| taken[at]))
            .filter(|footprint| !self.is_trail(footprint))
            .filter_map(|footprint| {
                let highest =
                    |a: &(usize, usize), b: &(usize, usize)| sigmas[*a].total_cmp(&sigmas[*b]);
                let (row, col) = footprint.pixels().max_by(highest)?;
                let level_dn = self.background.at(col as f64, row as f64) as f32;
                let height_dn = self.plane[(row, col)] - level_dn;
                (height_dn > 0.0).then_some(Candidate {
                    peak: Peak {
                        row,
                        col,
                        height_dn,
                    },
                    saturated: false,
                    alone: true,
                    faint: true,
                    half: Half {
                        area_px: footprint.area_px() as f64,
                        x: col as f64,
                        y: row as f64,
                    },
                })
            })
            .collect()
    }

    fn is_trail(&self, footprint: &Footprint) -> bool {
        let (length, width) = footprint.extent_px();
        length >= self.options.min_trail_px && length >= 4.0 * width
    }

    /// The threshold at which noise alone stays below one in 200 of what is found anyway.
    ///
    /// A smooth Gaussian field of A pixels has `A (2π)^(-3/2) λ u exp(−u²/2)` maxima above a
    /// high `u` (Adler & Hasofer 1976, from memory), and `λ = 1 / (2 s²)` for white noise
    /// under a Gaussian filter of variance s².
    fn faint_threshold(&self, found: usize, filter_px2: f64) -> f32 {
        const SHARE: f64 = 0.005;
        const STEP: f32 = 0.05;
        const MOST: f32 = 8.0;
        let area = self.plane.len() as f64 / std::f64::consts::TAU.powf(1.5);
        let rate = area
            / (2.0
                * filter_px2
                    .max(self.options.smoothing.variance_px2())
                    .max(0.5));
        let alarms = |u: f32| rate * f64::from(u) * (-0.5 * f64::from(u * u)).exp();
        let mut threshold = self.options.threshold_sigmas;
        while threshold < MOST && alarms(threshold) > SHARE * found as f64 {
            threshold += STEP;
        }
        threshold
    }

    fn peaks_of(&self, footprint: &Footprint) -> Vec<Candidate> {
        let peaks = footprint.peaks(self.plane, self.background);
        // A single peak owns the whole footprint; among several each owns what is near.
        let single = peaks.len() == 1;
        let area_px = footprint.area_px();
        let candidate = |peak: Peak| {
            let reach = if single { area_px } else { 8 };
            let half = self.upper_half(&peak, footprint, reach);
            Candidate {
                peak,
                saturated: self.is_saturated(&peak, half.area_px),
                alone: single,
                faint: false,
                half,
            }
        };
        peaks.into_iter().map(candidate).collect()
    }

    /// The pixels above half height within `reach` of a peak. In a footprint with many
    /// peaks only the square around the peak is looked at.
    fn upper_half(&self, peak: &Peak, footprint: &Footprint, reach: usize) -> Half {
        let level = self.background.at(peak.col as f64, peak.row as f64) as f32;
        let limit = level + 0.5 * peak.height_dn;
        let (mut n, mut sx, mut sy) = (0.0, 0.0, 0.0);
        let mut add = |row: usize, col: usize| {
            if self
                .plane
                .get((row, col))
                .is_some_and(|&value| value >= limit)
            {
                n += 1.0;
                sx += col as f64;
                sy += row as f64;
            }
        };
        if reach == footprint.area_px() {
            footprint.pixels().for_each(|(row, col)| add(row, col));
        } else {
            for row in peak.row.saturating_sub(reach)..=peak.row + reach {
                for col in peak.col.saturating_sub(reach)..=peak.col + reach {
                    add(row, col);
                }
            }
        }
        Half {
            area_px: n,
            x: sx / n,
            y: sy / n,
        }
    }

    /// Whether the sensor was saturated within the upper half of a star.
    fn is_saturated(&self, peak: &Peak, half_area_px: f64) -> bool {
        let Some(saturation) = self.options.saturation else {
            return false;
        };
        let reach = (half_area_px / std::f64::consts::PI).sqrt().ceil() as usize;
        let (height, width) = self.plane.dim();
        let rows = peak.row.saturating_sub(reach)..(peak.row + reach + 1).min(height);
        rows.into_iter().any(|row| {
            let columns = peak.col.saturating_sub(reach)..(peak.col + reach + 1).min(width);
            columns
                .into_iter()
                .any(|col| saturation.at(self.plane, row, col))
        })
    }

    fn patch(&self, peak: &Peak) -> Patch<'_> {
        let level_dn = self.background.at(peak.col as f64, peak.row as f64);
        Patch {
            plane: self.plane,
            level_dn,
        }
    }

    fn noise_at(&self, peak: &Peak) -> f64 {
        self.background.rms_at(peak.col as f64, peak.row as f64)
    }

    /// Variance of the frame's median star on the plane, smoothing included, px².
    fn typical_variance_px2(&self, candidates: &[Candidate]) -> Option<f64> {
        const BRIGHT: usize = 200;
        const ENOUGH_ALONE: usize = 20;
        const ROUNDS: usize = 12;
        let mut bright: Vec<&Candidate> = candidates.iter().filter(|c| !c.saturated).collect();
        // Neighbors widen a star; in the densest fields all have some.
        if bright.iter().filter(|c| c.alone).count() >= ENOUGH_ALONE {
            bright.retain(|c| c.alone);
        }
        bright.sort_by(|a, b| b.peak.height_dn.total_cmp(&a.peak.height_dn));
        bright.truncate(BRIGHT);
        let mut found: Vec<f64> = bright
            .into_iter()
            .filter_map(|candidate| {
                let patch = self.patch(&candidate.peak);
                // The window starts at the size of the upper half, and follows the star.
                let half_px2 = candidate.half.area_px / (std::f64::consts::TAU * 2.0_f64.ln());
                let mut variance = half_px2.max(0.5);
                let (mut x, mut y) = (candidate.peak.col as f64, candidate.peak.row as f64);
                for _ in 0..ROUNDS {
                    let window = variance.max(MIN_WINDOW_PX2);
                    let moments = patch.moments(x, y, window)?;
                    x += (2.0 * moments.dx).clamp(-1.0, 1.0);
                    y += (2.0 * moments.dy).clamp(-1.0, 1.0);
                    let shape = Ellipse::behind_window(&moments, window)?;
                    variance = (shape.major_px2 * shape.minor_px2).sqrt().min(2.0 * window);
                }
                Some(variance)
            })
            .collect();
        let least = self.options.smoothing.variance_px2();
        median(&mut found).map(|variance| variance.max(least + 0.05))
    }

    fn window_px2(&self, variance_px2: f64) -> f64 {
        let smoothing = self.options.smoothing.variance_px2();
        (1.5 * (variance_px2 - smoothing) - smoothing).max(MIN_WINDOW_PX2)
    }

    fn measure(&self, candidate: &Candidate, variance_px2: f64) -> Option<Star> {
        let peak = &candidate.peak;
        if candidate.saturated {
            return self.measure_saturated(candidate, variance_px2);
        }
        let patch = self.patch(peak);
        let start = (peak.col as f64, peak.row as f64);
        let window = self.window_px2(variance_px2);
        let max_move_px = (2.0 * variance_px2.sqrt()).max(2.0);
        let (x, y) = patch.centroid(start, window, variance_px2, max_move_px)?;
        let (flux_dn, snr) = self.flux(&patch, peak, x, y, variance_px2.sqrt())?;
        let moments = patch.moments(x, y, variance_px2)?;
        let own = Ellipse::behind_window(&moments, variance_px2).and_then(|e| self.unsmoothed(e));
        let own = own.filter(|_| !candidate.faint);
        let faint =
            candidate.faint || f64::from(peak.height_dn) < MIN_SHAPE_SIGMAS * self.noise_at(peak);
        let shape = match own {
            Some(shape) => shape,
            None if faint => {
                let round = variance_px2 - self.options.smoothing.variance_px2();
                Ellipse {
                    major_px2: round,
                    minor_px2: round,
                    angle_rad: 0.0,
                }
            }
            None => return None,
        };
        Some(Star {
            x,
            y,
            flux_dn,
            peak_dn: f64::from(peak.height_dn),
            fwhm_px: FWHM_PER_SIGMA * (shape.major_px2 * shape.minor_px2).sqrt().sqrt(),
            ellipticity: 1.0 - (shape.minor_px2 / shape.major_px2).sqrt(),
            position_angle_rad: shape.angle_rad,
            snr,
            saturated: false,
        })
    }

    /// Takes the smoothing off; `None` when hardly more than a pixel is left: no star.
    fn unsmoothed(&self, on_plane: Ellipse) -> Option<Ellipse> {
        const MIN_PX2: f64 = 0.02;
        let smoothing = self.options.smoothing.variance_px2();
        (on_plane.minor_px2 - smoothing > MIN_PX2).then_some(Ellipse {
            major_px2: on_plane.major_px2 - smoothing,
            minor_px2: on_plane.minor_px2 - smoothing,
            angle_rad: on_plane.angle_rad,
        })
    }

    fn measure_saturated(&self, candidate: &Candidate, variance_px2: f64) -> Option<Star> {
        let Half { area_px, x, y } = candidate.half;
        let patch = self.patch(&candidate.peak);
        let half_radius_px = (area_px / std::f64::consts::PI).sqrt();
        // Half of a Gaussian's height is at √(2 ln 2) sigmas.
        let sigma_px = variance_px2
            .sqrt()
            .max(half_radius_px / (2.0 * 2.0_f64.ln()).sqrt());
        let (flux_dn, snr) = self.flux(&patch, &candidate.peak, x, y, sigma_px)?;
        Some(Star {
            x,
            y,
            flux_dn,
            peak_dn: f64::from(candidate.peak.height_dn),
            fwhm_px: 2.0 * half_radius_px,
            ellipticity: 0.0,
            position_angle_rad: 0.0,
            snr,
            saturated: true,
        })
    }

    /// Flux, DN, and its SNR; `None` when the aperture leaves the plane or holds no light.
    fn flux(
        &self,
        patch: &Patch,
        peak: &Peak,
        x: f64,
        y: f64,
        sigma_px: f64,
    ) -> Option<(f64, f64)> {
        let radius_px = APERTURE_PX.max(APERTURE_SIGMAS * sigma_px);
        let (light_dn, area_px2) = patch.aperture(x, y, radius_px)?;
        // Before smoothing the noise was white: there the aperture adds its variances.
        let site_dn = self.noise_at(peak) / self.options.smoothing.noise_gain();
        let background_dn2 = area_px2 * site_dn * site_dn;
        let photons_dn2 = self
            .options
            .gain_e_per_dn
            .map_or(0.0, |gain| light_dn / gain);
        let snr = light_dn / (background_dn2 + photons_dn2).sqrt();
        let inside = 1.0 - (-0.5 * (radius_px / sigma_px).powi(2)).exp();
        (light_dn > 0.0).then_some((light_dn / inside, snr))
    }

    /// Saturated stars where no other star tells the frame's star size.
    fn saturated_only(&self, candidates: &[Candidate]) -> Vec<Star> {
        let least = self.options.smoothing.variance_px2() + 0.5;
        let saturated = candidates.iter().filter(|candidate| candidate.saturated);
        let mut stars: Vec<Star> = saturated
            .filter_map(|c| self.measure_saturated(c, least))
            .collect();
        sort_and_drop_doubles(&mut stars);
        stars
    }

    /// Drops what is too sharp, too wide or too long; needs a few to know what is usual.
    fn drop_misfits(&self, stars: &mut Vec<Star>) {
        let measured = stars.iter().filter(|star| !star.saturated);
        let Some(usual_px) = median(&mut measured.map(|star| star.fwhm_px).collect::<Vec<_>>())
        else {
            return;
        };
        let (least, most) = self.options.fwhm_range;
        stars.retain(|star| {
            let fits = (least * usual_px..=most * usual_px).contains(&star.fwhm_px)
                && star.ellipticity <= self.options.max_ellipticity;
            star.saturated || fits
        });
    }
}

/// Brightest first; of stars that ended within a pixel of each other the brighter stays.
fn sort_and_drop_doubles(stars: &mut Vec<Star>) {
    const SAME_PX: f64 = 1.0;
    stars.sort_by(|a, b| {
        let by_flux = b.flux_dn.total_cmp(&a.flux_dn);
        by_flux.then(a.y.total_cmp(&b.y)).then(a.x.total_cmp(&b.x))
    });
    let places: Vec<[f64; 2]> = stars.iter().map(|star| [star.x, star.y]).collect();
    let neighbors = crate::neighbors::Neighbors::new(&places);
    let mut index = 0;
    stars.retain(|_| {
        let first = neighbors.within(&places[index], SAME_PX).first() == Some(&index);
        index += 1;
        first
    });
}

#[cfg(test)]
#[path = "detect/tests.rs"]
mod tests;
