//! Lights of a ground that stands still, ready to be stacked where they lie: no star is needed.

use crate::JobError;
use crate::progress::Progress;
use crate::scale::{Kept, bring_to_one_scale};
use crate::session::Session;
use crate::solve::{Solved, find_reference, look_at_all};
use align::Star;
use report::Geometry;
use stack::Calibrator;
use std::path::Path;

/// As [`solve`](crate::solve::solve), for a camera and a ground that stand still: neither
/// aligned, nor brought to one brightness, nor weighted. All are kept.
///
/// The stars of the reference are those of all lights: what passes anywhere is no ground.
///
/// # Errors
///
/// As there.
pub(crate) fn solve_still(
    session: &mut Session,
    calibrator: Calibrator,
    reference: Option<&Path>,
    at_a_time: usize,
    progress: &dyn Progress,
) -> Result<Solved, JobError> {
    let n_lights = session.lights.len();
    if n_lights < 2 {
        return Err(JobError::TooFewLights {
            lights: n_lights,
            used: n_lights,
            left_out: std::mem::take(&mut session.left_out),
        });
    }
    let reference = match reference {
        Some(path) => find_reference(session, path)?,
        None => n_lights / 2,
    };
    let seen = look_at_all(&session.lights, &calibrator, at_a_time, progress)?;
    let passing: Vec<Star> = seen.iter().flat_map(|seen| seen.stars.clone()).collect();
    let frames = std::mem::take(&mut session.lights);
    let kept = frames.into_iter().zip(seen).map(|(frame, seen)| Kept {
        frame,
        seen,
        alignment: None,
        fault: None,
    });
    let mut lights = bring_to_one_scale(kept.collect());
    let as_taken: Vec<stack::Light> = lights.iter().map(|light| light.light.clone()).collect();
    for (light, as_taken) in lights.iter_mut().zip(stack::ground_lights(&as_taken)) {
        light.light = as_taken;
    }
    lights[reference].seen.stars = passing;
    Ok(Solved {
        lights,
        reference,
        calibrator,
        geometry: Geometry {
            reason: Some("all is ground: the lights are stacked where they lie".to_owned()),
            ..Geometry::default()
        },
    })
}
