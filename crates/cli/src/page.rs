//! The pages of finished jobs: their pictures drawn, and handed to those who know the words.

use crate::JobError;
use crate::SpotSeen;
use crate::close_look::CloseLook;
use export::{PreviewOptions, SharedRendering};
use ndarray::Array3;
use raw::FrameInfo;
use rayon::prelude::*;
use report::{Picture, Pictures};
use stack::SensorLayout;
use std::path::Path;

/// The pictures of `report.html` of a job.
///
/// - `info`: of the reference.
pub(crate) fn pictures(
    path: &Path,
    look: &CloseLook,
    info: &FrameInfo,
    layout: &SensorLayout,
) -> Result<Pictures, JobError> {
    let options = PreviewOptions {
        orientation: info.orientation,
        white_balance: info.white_balance,
        color_matrix: info.color_matrix,
        saturation_dn: Some(layout.full_scale_dn(0, 0)),
        ..PreviewOptions::default()
    };
    // The ground is darker than any sky's noise: it would set the depth of black for all, and
    // by their curve be all black.
    let sky = |seen: &&SpotSeen| seen.spot.kind != export::SpotKind::GroundEdge;
    let models = look.spots.iter().filter(sky).map(|seen| &seen.light);
    let shared = SharedRendering::of(models, &options);
    let draw = |values: &Array3<f32>, curve: &SharedRendering| -> Result<Picture, JobError> {
        let (_, rows, columns) = values.dim();
        let png = curve.png(path, values)?;
        Ok(picture(png, (columns, rows), info.orientation))
    };
    let spot = |seen: &SpotSeen| -> Result<report::Spot, JobError> {
        let own = (!sky(&seen)).then(|| SharedRendering::of([&seen.light].into_iter(), &options));
        let curve = own.as_ref().unwrap_or(&shared);
        Ok(report::Spot {
            kind: kind(seen.spot.kind),
            frame: draw(&seen.light, curve)?,
            stack: draw(&seen.stack, curve)?,
        })
    };
    let shown = look.small.planes.first().map_or((0, 0), |plane| {
        let (rows, columns) = plane.dim();
        (columns, rows)
    });
    let (spots, whole) = rayon::join(
        || look.spots.par_iter().map(spot).collect::<Vec<_>>(),
        || look.small.png(path, &options),
    );
    Ok(Pictures {
        spots: spots.into_iter().collect::<Result<_, JobError>>()?,
        whole: Some(picture(whole?, shown, info.orientation)),
        size: (layout.width as u32, layout.height as u32),
        orientation: info.orientation,
    })
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
