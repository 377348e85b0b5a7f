//! A picture of photosites in the words of the report.

use crate::reporting::channel_name;
use crate::second_pass::{Photosites, SecondPass};
use crate::stack_job::StackOutcome;
use noise::{HalfNoise, Region};
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
        regions: regions(seen, scale, names),
    })
}

/// Noise region by region, of those that have any.
fn regions(seen: &Photosites, scale: f64, names: &[report::Channel]) -> Vec<report::MosaicRegion> {
    let entry = |found: &HalfNoise| report::MosaicNoise {
        noise_pixel_dn: found.pixel_dn,
        noise_area_dn: found.area_dn / scale,
        noise_area_error_dn: found.area_error_dn / scale,
        correlation: found.correlation,
    };
    let region = |(region, found): &(Region, Vec<Option<HalfNoise>>)| {
        let by_name = names.iter().zip(found);
        let channels = by_name.filter_map(|(&name, found)| Some((name, entry(found.as_ref()?))));
        report::MosaicRegion {
            x0: region.x0 as u32,
            y0: region.y0 as u32,
            x1: region.x1 as u32,
            y1: region.y1 as u32,
            channels: channels.collect(),
        }
    };
    let regions = seen.regions.iter().map(region);
    regions
        .filter(|region| !region.channels.is_empty())
        .collect()
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
