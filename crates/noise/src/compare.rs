//! Results held against each other on the same patch of sky.
//!
//! Every [`Contender`] is registered by its stars, brought to the brightness scale of the
//! first by the stars they share, and laid on the grid of the coarsest, so that all are
//! seen at equal field of view. A single picture has no halves; its noise is what it does
//! not share with the others: see [`Estimate`].
//!
//! Light is counted in DN of the first contender, summed over a star or over an area.

use crate::robust::median;
use grid::{OnGrid, Patch};
use photometry::{Photometry, measure_stars};
use register::{Registered, register};
use separate::{Separated, separate};

mod foreign;
pub(crate) mod grid;
pub(crate) mod moments;
mod photometry;
pub(crate) mod pooled;
mod register;
pub(crate) mod separate;
mod types;

pub use foreign::{Foreign, ForeignChannel, OwnStack, measure_foreign};
pub use grid::resample;
pub use register::detect_on;
pub use separate::Estimate;
pub use types::{
    CompareError, CompareOptions, Compared, ComparedChannel, Comparison, Contender, PairNoise,
};

/// Full width at half maximum over sigma of a Gaussian.
const FWHM_PER_SIGMA: f64 = 2.354_820_045_030_949;
/// A detection is a star at this many standard errors.
const LIMIT_SIGMAS: f64 = 5.0;

/// Compares results on the sky that all of them show.
///
/// # Errors
///
/// [`CompareError`]: fewer than two contenders, planes that do not fit each other, no
/// common stars, no common sky.
pub fn compare(
    contenders: &[Contender],
    options: &CompareOptions,
) -> Result<Comparison, CompareError> {
    types::check(contenders)?;
    let channels = common_channels(contenders);
    let registered = register(contenders)?;
    let patch = Patch::common(contenders, &registered, options).ok_or(CompareError::NoCommonSky)?;
    let grids: Vec<OnGrid> = contenders
        .iter()
        .zip(&registered.places)
        .map(|(contender, place)| OnGrid::new(contender, place, channels.len()))
        .collect();
    let stars = measure_stars(contenders, &registered, &grids, &patch)?;
    let separated: Vec<Separated> = (0..channels.len())
        .map(|channel| separate(contenders, &grids, &patch, &stars, channel))
        .collect::<Option<_>>()
        .ok_or(CompareError::NothingMeasured)?;
    Ok(assemble(
        contenders,
        &channels,
        &registered,
        &patch,
        &stars,
        &separated,
        options,
    ))
}

/// R, G and B where all contenders have them, else one channel of their mean.
fn common_channels(contenders: &[Contender]) -> Vec<&'static str> {
    if contenders.iter().all(|c| c.planes.len() == 3) {
        vec!["R", "G", "B"]
    } else {
        vec!["L"]
    }
}

fn assemble(
    contenders: &[Contender],
    channels: &[&'static str],
    registered: &Registered,
    patch: &Patch,
    stars: &Photometry,
    separated: &[Separated],
    options: &CompareOptions,
) -> Comparison {
    // Arcseconds where any contender states its scale, else pixels of the first.
    let stated = contenders
        .iter()
        .zip(&registered.places)
        .find_map(|(contender, place)| Some(contender.scale_arcsec? * place.px_per_grid));
    let grid_unit = stated.unwrap_or(1.0 / registered.places[0].px_per_grid);
    let minute = if stated.is_some() { 60.0 } else { 1.0 };
    let scales_disagree = contenders
        .iter()
        .zip(&registered.places)
        .filter_map(|(contender, place)| Some(contender.scale_arcsec? * place.px_per_grid))
        .any(|scale| (scale / grid_unit - 1.0).abs() > SAME_SCALE && stated.is_some());
    let middle = usize::from(channels.len() == 3);
    let results = (0..contenders.len())
        .map(|k| {
            let sigma_px = stars.fwhm_px[k].value / FWHM_PER_SIGMA;
            let by_channel: Vec<ComparedChannel> = separated
                .iter()
                .enumerate()
                .map(|(c, separated)| {
                    // Flux of the grid's contender per that of the first.
                    let to_first = stars.flux_scale[0][c].value;
                    let noise = separated.noise(k).times(to_first);
                    let per_star = noise.times((4.0 * std::f64::consts::PI).sqrt() * sigma_px);
                    let star = stars.typical_flux[c] * to_first;
                    ComparedChannel {
                        name: channels[c],
                        flux_scale: stars.relative_scale(k, c),
                        noise_per_area: noise.times(minute / grid_unit),
                        star_snr: per_star.inverse().times(star),
                        limit_flux: per_star.times(LIMIT_SIGMAS),
                        estimate: separated.estimate(k),
                        color_error_mag: stars.color_error(k, c),
                    }
                })
                .collect();
            let limit = by_channel[middle].limit_flux;
            Compared {
                name: contenders[k].name.clone(),
                scale_arcsec: stated.map(|grid| grid / registered.places[k].px_per_grid),
                display_scale: 1.0 / registered.places[k].px_per_grid,
                matched: registered.places[k].matched,
                residual_px: registered.places[k].residual_px,
                mirrored: registered.places[k].mirrored,
                fwhm: stars.fwhm_px[k].times(grid_unit),
                tone: stars.tone[k],
                limit_magnitude: options.zero_point.map(|zero| limit.magnitude().plus(zero)),
                shutter_s: contenders[k].shutter_s,
                clock_s: contenders[k].clock_s,
                shares_frames_with: separate::sharing(contenders, k),
                channels: by_channel,
            }
        })
        .collect();
    let noise_ratios = separate::ratios(separated, contenders.len());
    Comparison {
        results,
        noise_ratios,
        in_arcsec: stated.is_some(),
        scales_disagree,
        grid: registered.grid,
        grid_scale_arcsec: stated,
        patch: patch.bounds,
        patch_arcmin2: stated.map(|scale| patch.pixels as f64 * (scale / 60.0).powi(2)),
        stars: stars.n_stars,
        star_flux: stars.typical_flux[middle] * stars.flux_scale[0][middle].value,
        maps: registered
            .places
            .iter()
            .map(|place| place.map.clone())
            .collect(),
        flux_scales: stars
            .flux_scale
            .iter()
            .map(|scales| scales.iter().map(|scale| scale.value).collect())
            .collect(),
    }
}

/// Stated pixel scales that differ by less are rounding of a focal length.
const SAME_SCALE: f64 = 0.03;

/// The middle of values, as everywhere here.
fn middle(values: impl Iterator<Item = f64>) -> f64 {
    median(values.filter(|value| value.is_finite()).collect())
}

#[cfg(test)]
mod tests;
