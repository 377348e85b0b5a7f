//! The pages of finished jobs: their pictures drawn, and handed to those who know the words.

use crate::JobError;
use crate::stack_job::StackOutcome;
use export::{PreviewOptions, SharedRendering};
use ndarray::Array3;
use report::{Picture, Pictures, Report};
use std::path::Path;

/// `report.html` of a job.
pub(crate) fn page(
    path: &Path,
    report: &Report,
    outcome: &StackOutcome,
) -> Result<String, JobError> {
    let info = &outcome.lights[outcome.reference].frame.frame.info;
    let options = PreviewOptions {
        orientation: info.orientation,
        white_balance: info.white_balance,
        color_matrix: info.color_matrix,
        saturation_dn: Some(outcome.layout.full_scale_dn(0, 0)),
        ..PreviewOptions::default()
    };
    let look = &outcome.close_look;
    // The ground is darker than any sky's noise: it would set the depth of black for all, and
    // by their curve be all black.
    let sky = |seen: &&crate::SpotSeen| seen.spot.kind != export::SpotKind::GroundEdge;
    let models = look.spots.iter().filter(sky).map(|seen| &seen.light);
    let shared = SharedRendering::of(models, &options);
    let draw = |values: &Array3<f32>, curve: &SharedRendering| -> Result<Picture, JobError> {
        let (_, rows, columns) = values.dim();
        let png = curve.png(path, values)?;
        Ok(picture(png, (columns, rows), info.orientation))
    };
    let spots = look.spots.iter().map(|seen| {
        let own = (!sky(&seen)).then(|| SharedRendering::of([&seen.light].into_iter(), &options));
        let curve = own.as_ref().unwrap_or(&shared);
        Ok(report::Spot {
            kind: kind(seen.spot.kind),
            frame: draw(&seen.light, curve)?,
            stack: draw(&seen.stack, curve)?,
        })
    });
    let size = (outcome.layout.width, outcome.layout.height);
    let shown = look.small.planes.first().map_or((0, 0), |plane| {
        let (rows, columns) = plane.dim();
        (columns, rows)
    });
    let pictures = Pictures {
        spots: spots.collect::<Result<_, JobError>>()?,
        whole: Some(picture(
            look.small.png(path, &options)?,
            shown,
            info.orientation,
        )),
        size: (size.0 as u32, size.1 as u32),
        orientation: info.orientation,
    };
    Ok(report::report_page(report, &pictures))
}

/// A drawn picture, which was turned upright.
///
/// - `size`: width and height before that, px.
pub(crate) fn picture(png: Vec<u8>, size: (usize, usize), orientation: u8) -> Picture {
    let (width, height) = match orientation {
        5..=8 => (size.1, size.0),
        _ => size,
    };
    Picture {
        png,
        width: width as u32,
        height: height as u32,
    }
}

pub(crate) fn kind(kind: export::SpotKind) -> report::SpotKind {
    match kind {
        export::SpotKind::DarkSky => report::SpotKind::DarkSky,
        export::SpotKind::Detail => report::SpotKind::Detail,
        export::SpotKind::Corner => report::SpotKind::Corner,
        export::SpotKind::GroundEdge => report::SpotKind::GroundEdge,
        export::SpotKind::Center => report::SpotKind::Center,
    }
}
