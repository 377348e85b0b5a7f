//! A picture of photosites in the words of the report.

use crate::reporting::channel_name;
use crate::second_pass::SecondPass;
use crate::stack_job::StackOutcome;
use report::Warning;

/// The report's `from_mosaic`; `names` are the picture's channels in order.
pub(crate) fn entry(
    made: &SecondPass,
    outcome: &StackOutcome,
    names: &[report::Channel],
) -> Option<report::FromMosaic> {
    let seen = made.photosites.as_ref()?;
    let scale = made.grid.scale();
    let (width, height) = made.grid.size();
    let channel = |(i, &name): (usize, &report::Channel)| {
        let noise = seen.noise[i].as_ref();
        let regions = outcome.noise.regions.iter();
        let of_sky = regions.filter(|region| region.region.part == noise::Part::Sky);
        let channels = of_sky.flat_map(|region| &region.channels);
        let first = channels.filter(|measured| measured.channel == i);
        let coverage = &seen.coverage[i];
        let entry = report::MosaicChannel {
            empty: coverage.empty,
            thin: coverage.thin,
            rejected: seen.rejected[i],
            lights_needed: seen.needed[i],
            noise_pixel_dn: noise.map(|noise| noise.pixel_dn),
            // Pixels a scale finer have a scale more of white noise.
            noise_area_dn: noise.map(|noise| noise.area_dn / scale),
            noise_area_error_dn: noise.map(|noise| noise.area_error_dn / scale),
            first_pass_area_dn: crate::cull::median(first.map(|measured| measured.stack.area)),
            correlation: noise.map(|noise| noise.correlation),
            correlation_expected: seen.expected_correlation(),
        };
        (name, entry)
    };
    Some(report::FromMosaic {
        scale,
        drop_shape: seen.options.drop.name().to_owned(),
        drop_px: seen.options.drop.size_px(),
        width: width as u32,
        height: height as u32,
        channels: names.iter().enumerate().map(channel).collect(),
    })
}

/// Shares of empty and of thinly covered pixels from which the reader is told: the corners of
/// a picture are always a little thin.
const MUCH_EMPTY: f64 = 0.0005;
const MUCH_THIN: f64 = 0.05;

/// Whether photosites cover the picture at its scale.
pub(crate) fn sparse(outcome: &StackOutcome) -> Option<Warning> {
    let made = outcome.second_pass.as_ref()?;
    let seen = made.photosites.as_ref()?;
    let worst = seen.worst()?;
    let coverage = &seen.coverage[worst];
    let told = coverage.empty > MUCH_EMPTY || coverage.thin > MUCH_THIN;
    told.then(|| Warning::SparsePhotosites {
        channel: channel_name(outcome.layout.cfa.channels()[worst]),
        scale: made.grid.scale(),
        empty: coverage.empty,
        thin: coverage.thin,
        frames: outcome.lights.len() as u32,
        needed: seen.needed[worst].ceil() as u32,
    })
}
