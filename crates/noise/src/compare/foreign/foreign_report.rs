//! The report of a stack with a result made elsewhere in its place.

use super::{ChannelTiles, ForeignChannel, Tile, own_pixels, pool};
use crate::compare::separate::jackknife;
use crate::{GainReport, Measured, RegionNoise};

/// Fewest tiles of a region that give it a ratio of its own.
const FEWEST_TILES: usize = 4;

/// The stack's report with the result in its place.
pub(super) fn in_place(own: &GainReport, measured: &[ChannelTiles]) -> GainReport {
    let mut report = own.clone();
    for region in &mut report.regions {
        put_in_place(region, measured);
    }
    // The picture as a whole follows the mean of the channels' ratios.
    let n = measured.len() as f64;
    let mean = |of: &dyn Fn(&ForeignChannel) -> f64| {
        measured.iter().map(|m| of(&m.channel)).sum::<f64>() / n
    };
    let area = mean(&|channel| channel.noise_ratio.value.ln()).exp();
    let pixel = mean(&|channel| channel.pixel_ratio.ln()).exp();
    let squares =
        |channel: &ForeignChannel| (channel.noise_ratio.error / channel.noise_ratio.value).powi(2);
    let relative = (mean(&squares) / n).sqrt();
    let summary = &mut report.summary;
    // The strongest pattern, over the variance of a single light: it stays as it is.
    let most_pattern = summary.effective_frames_at_upper_bound.recip() - summary.gain_area.powi(-2);
    summary.gain_area /= area;
    let pixel_error = summary.gain_pixel * relative;
    summary.gain_pixel_error = summary.gain_pixel_error.hypot(pixel_error) / pixel;
    summary.gain_pixel /= pixel;
    summary.effective_frames = summary.gain_area.powi(2);
    summary.efficiency = summary.effective_frames / summary.frames_used as f64;
    let with_ratio = |error: f64| (error / area).hypot(summary.gain_area * relative);
    summary.error = with_ratio(summary.error);
    summary.realized_error = with_ratio(summary.realized_error);
    summary.effective_frames_at_upper_bound =
        (summary.gain_area.powi(-2) + most_pattern.max(0.0)).recip();
    // Subsets and halves are of the stack, not of the result: what they told of growth and
    // pattern does not hold for it.
    summary.growth = None;
    let pattern = &mut summary.pattern;
    (pattern.fraction_of_variance, pattern.columns, pattern.rows) = (None, None, None);
    pattern.walking = false;
    pattern.upper_bound = f64::NAN;
    report
}

/// Claims no gain anywhere.
pub(super) fn withhold_gains(report: &mut GainReport) {
    let summary = &mut report.summary;
    for figure in [
        &mut summary.gain_area,
        &mut summary.gain_pixel,
        &mut summary.gain_pixel_error,
        &mut summary.effective_frames,
        &mut summary.efficiency,
        &mut summary.error,
        &mut summary.realized_error,
        &mut summary.effective_frames_at_upper_bound,
    ] {
        *figure = f64::NAN;
    }
    for cell in report.regions.iter_mut().flat_map(|r| &mut r.channels) {
        for figure in [
            &mut cell.gain_area,
            &mut cell.gain_pixel,
            &mut cell.gain_pixel_error,
            &mut cell.effective_frames,
            &mut cell.efficiency,
            &mut cell.error,
            &mut cell.realized_error,
            &mut cell.budget.unexplained,
        ] {
            *figure = f64::NAN;
        }
    }
}

fn put_in_place(region: &mut RegionNoise, measured: &[ChannelTiles]) {
    let holds = region.region;
    for cell in &mut region.channels {
        let Some(measured) = measured.get(cell.channel) else {
            continue;
        };
        let inside: Vec<Tile> = measured
            .tiles
            .iter()
            .filter(|tile| holds.holds(tile.area))
            .cloned()
            .collect();
        let whole = measured.channel;
        let (area, error, pixel) = match pool(&inside).filter(|_| inside.len() >= FEWEST_TILES) {
            Some((pooled, parts)) => {
                let formula = &measured.formula;
                let area = formula.ratio(&pooled);
                let error = jackknife(parts.iter().map(|p| formula.ratio(p)));
                let pixel = formula.pixel_ratio(&pooled, own_pixels(&inside));
                (area, error, pixel)
            }
            None => {
                let Measured { value, error } = whole.noise_ratio;
                (
                    value * value,
                    2.0 * value * error,
                    whole.pixel_ratio.powi(2),
                )
            }
        };
        let (area, pixel) = (area.max(0.0).sqrt(), pixel.max(0.0).sqrt());
        let relative = 0.5 * error / (area * area);
        // The ratio by pixels has no error of its own: that of areas, of fewer independent
        // values, stands for it.
        let wider = |error: f64, value: f64| error.hypot(value * relative);
        let stack = &mut cell.stack;
        stack.area_error = area * wider(stack.area_error, stack.area);
        stack.pixel_error = pixel * wider(stack.pixel_error, stack.pixel);
        cell.gain_pixel_error = wider(cell.gain_pixel_error, cell.gain_pixel) / pixel;
        cell.stack.area *= area;
        // Halves divide the stack's noise, not the result's.
        (cell.stack.random, cell.stack.pattern) = (f64::NAN, f64::NAN);
        cell.stack.pixel *= pixel;
        cell.gain_area /= area;
        cell.gain_pixel /= pixel;
        cell.effective_frames = cell.gain_area.powi(2);
        cell.efficiency /= area * area;
        let with_ratio = |error: f64| (error / area).hypot(cell.gain_area * relative);
        (cell.error, cell.realized_error) =
            (with_ratio(cell.error), with_ratio(cell.realized_error));
        // How it was combined is not known: all of that is unexplained.
        let budget = &mut cell.budget;
        let known = budget.rejected_samples * budget.estimator * budget.pattern;
        budget.unexplained *= known / area;
        budget.rejected_samples = f64::NAN;
        budget.estimator = f64::NAN;
        budget.pattern = f64::NAN;
        budget.borrowed = cell.stack.pixel / cell.stack.area;
    }
}
