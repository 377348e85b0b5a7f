//! What goes into a comparison and what comes out.

use crate::Measured;
use crate::compare::linearity::Linearity;
use crate::compare::separate::Estimate;
use align::PixelMap;
use ndarray::Array2;
use raw::Rect;

/// One of the results to be compared.
#[derive(Clone, Debug)]
pub struct Contender {
    /// What to call it.
    pub name: String,
    /// One or three planes of one shape, linear, DN; NaN is no data.
    pub planes: Vec<Array2<f32>>,
    /// Measured from which a pixel is saturated, DN.
    pub saturation_dn: Option<f32>,
    /// Side of a pixel on the sky, arcsec.
    pub scale_arcsec: Option<f64>,
    /// Time the shutter was open for it, s.
    pub shutter_s: Option<f64>,
    /// Time the photographer waited for it, s.
    pub clock_s: Option<f64>,
    /// Its own noise by channel as a white-equivalent of a pixel, DN, with its standard
    /// error, where halves of it have been measured.
    pub own_noise_dn: Option<Vec<(f64, f64)>>,
    /// Names of the frames in it: results that share some do not have independent noise.
    pub frames: Vec<String>,
}

/// How results are compared.
#[derive(Clone, Debug, PartialEq)]
pub struct CompareOptions {
    /// Magnitude of a star of one DN in G (or L) of the first contender. Default none.
    pub zero_point: Option<f64>,
    /// Tiles of 64 x 64 px measured at most. Default 400.
    pub most_tiles: usize,
}

impl Default for CompareOptions {
    fn default() -> Self {
        Self {
            zero_point: None,
            most_tiles: 400,
        }
    }
}

/// What was found, results in the order given.
#[derive(Clone, Debug)]
pub struct Comparison {
    /// By result.
    pub results: Vec<Compared>,
    /// By pair of results.
    pub noise_ratios: Vec<PairNoise>,
    /// Whether lengths are arcsec and areas square arcminutes; else both are pixels of
    /// the first result.
    pub in_arcsec: bool,
    /// Whether stated scales contradict the ones that the stars show.
    pub scales_disagree: bool,
    /// The coarsest result, on whose pixels all were compared.
    pub grid: usize,
    /// Side of its pixels, arcsec.
    pub grid_scale_arcsec: Option<f64>,
    /// The patch of sky common to all, px of that result.
    pub patch: Rect,
    /// Its area, square arcminutes.
    pub patch_arcmin2: Option<f64>,
    /// Stars that fluxes were compared by.
    pub stars: usize,
    /// Flux of the star that SNRs are for: the median of those stars in G (or L), DN of
    /// the first result.
    pub star_flux: f64,
    /// From the grid to each result.
    pub maps: Vec<PixelMap>,
    /// `[result][channel]`: star flux over that of the grid's result.
    pub flux_scales: Vec<Vec<f64>>,
}

/// One result.
#[derive(Clone, Debug)]
pub struct Compared {
    /// What it is called.
    pub name: String,
    /// Side of a pixel, arcsec.
    pub scale_arcsec: Option<f64>,
    /// Linear scale at which it shows the field as large as the coarsest, 1 at most.
    pub display_scale: f64,
    /// Stars matched to the coarsest.
    pub matched: usize,
    /// How far they are off, px rms.
    pub residual_px: f64,
    /// Whether it shows the field mirrored.
    pub mirrored: bool,
    /// Width of its stars, arcsec (or px of the first).
    pub fwhm: Measured,
    /// Slope of log flux against log flux of the grid's result, less 1: not 0 where a
    /// tone curve was applied.
    pub tone: Measured,
    /// Whether it is in proportion to the grid's result. With a tone curve its noise and
    /// what follows from that are NaN.
    pub linear: Linearity,
    /// Magnitude of the faintest detectable star, with a zero point.
    pub limit_magnitude: Option<Measured>,
    /// Shutter-open time, s.
    pub shutter_s: Option<f64>,
    /// Waiting time, s.
    pub clock_s: Option<f64>,
    /// Results that share frames with it.
    pub shares_frames_with: Vec<usize>,
    /// By channel.
    pub channels: Vec<ComparedChannel>,
}

/// One channel of one result. Fluxes are DN of the first result.
#[derive(Clone, Copy, Debug)]
pub struct ComparedChannel {
    /// R, G, B or L.
    pub name: &'static str,
    /// Star flux here over star flux in the first result, both in their own DN.
    pub flux_scale: Measured,
    /// Standard deviation of the light summed over a square arcminute (or over a pixel
    /// of the first).
    pub noise_per_area: Measured,
    /// SNR of a star of the typical flux against the background, by an aperture that
    /// matches this result's stars.
    pub star_snr: Measured,
    /// Flux of a star at 5 sigma.
    pub limit_flux: Measured,
    /// What the noise rests on.
    pub estimate: Estimate,
    /// Scatter of the stars' color (this channel against G) against the other results,
    /// mag; NaN for G and L.
    pub color_error_mag: Measured,
}

/// Noise of one result over that of another, at equal field of view and star flux,
/// geometric mean over the channels.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct PairNoise {
    /// The one.
    pub of: usize,
    /// The other.
    pub over: usize,
    /// Ratio with the error of its logarithm times it: what both share cancels.
    pub ratio: Measured,
}

/// What keeps results from being compared.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
#[non_exhaustive]
pub enum CompareError {
    /// Nothing to compare with.
    #[error("{found} results, 2 to {most} needed")]
    Count {
        /// Given.
        found: usize,
        /// Allowed.
        most: usize,
    },
    /// Planes that are not of one shape, or not one or three.
    #[error("{name}: {found}, needed are 1 or 3 planes of one shape")]
    Planes {
        /// The result.
        name: String,
        /// What it has.
        found: String,
    },
    /// Too few stars, or another field.
    #[error("{name} cannot be registered with {with}: {source}")]
    Register {
        /// The result.
        name: String,
        /// The one it was held against.
        with: String,
        /// Why.
        source: align::AlignError,
    },
    /// The fields do not overlap enough.
    #[error("the results have no patch of sky in common that is large enough to measure")]
    NoCommonSky,
    /// Too few unsaturated stars in common.
    #[error(
        "{found} unsaturated stars in common for the brightness scale of {name}, {needed} needed"
    )]
    FewStars {
        /// The result.
        name: String,
        /// Stars.
        found: usize,
        /// Fewest.
        needed: usize,
    },
    /// No tile has enough pixels off stars.
    #[error("no part of the common sky has enough pixels free of stars to measure noise")]
    NothingMeasured,
}

/// Most results at once.
const MOST: usize = 6;

pub(super) fn check(contenders: &[Contender]) -> Result<(), CompareError> {
    if !(2..=MOST).contains(&contenders.len()) {
        return Err(CompareError::Count {
            found: contenders.len(),
            most: MOST,
        });
    }
    for contender in contenders {
        let planes = &contender.planes;
        let even = planes.windows(2).all(|two| two[0].dim() == two[1].dim());
        if !matches!(planes.len(), 1 | 3) || !even || planes[0].is_empty() {
            let shapes: Vec<_> = planes.iter().map(|plane| plane.dim()).collect();
            return Err(CompareError::Planes {
                name: contender.name.clone(),
                found: format!("planes of rows and columns {shapes:?}"),
            });
        }
    }
    Ok(())
}
