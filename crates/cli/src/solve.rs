//! From decoded lights to lights that fit each other: stars, sky, geometry.

use crate::JobError;
use crate::cull::{Cull, CullOptions, Limits};
use crate::geometry::{one_lens, up};
use crate::light::{Place, PoorLight, Seen, SolvedLight, alignments, stars_of};
use crate::progress::Progress;
use crate::scale::{Kept, bring_to_one_scale};
use crate::session::{LeftOut, Session, SessionFrame};
use align::{
    Background, BackgroundOptions, BurstFrame, DetectOptions, FrameGrade, FramePlace, FrameQuality,
    MatchOptions, PixelMap, Saturation, Star, align_stars, choose_reference, detect, grade_burst,
    luminance, realign_held, refine_places,
};
use ndarray::{Array2, ArrayView2};
use raw::Frame;
use rayon::prelude::*;
use stack::{
    CalibratedWindow, Calibrator, DefectMap, DefectOptions, SensorLayout, SkyMesh, StackError,
    StoredMosaic,
};
use std::path::Path;
use std::sync::atomic::{AtomicUsize, Ordering};

/// Lights that fit each other, ready to be stacked.
#[derive(Debug)]
pub struct Solved {
    /// In capture order.
    pub lights: Vec<SolvedLight>,
    /// Index of the reference among them.
    pub reference: usize,
    /// What takes the camera out of them.
    pub calibrator: Calibrator,
    /// What their maps are made of.
    pub geometry: report::Geometry,
}

/// Finds stars in every light, aligns all to a reference, by one lens where the stars show
/// one, and brings them to one scale.
///
/// - `ground`: where the reference shows ground, as far as it is known: what shines there is no
///   star;
/// - `at_a_time`: lights that are looked at together, which bounds the memory.
///
/// Lights that do not fit are moved to the session's left-out ones, with the reason.
///
/// # Errors
///
/// When fewer than two lights are left, when the reference asked for cannot be used, or
/// when samples cannot be read back from the scratch file.
pub fn solve(
    session: &mut Session,
    calibrator: Calibrator,
    reference: Option<&Path>,
    ground: Option<&Array2<bool>>,
    cull: &CullOptions,
    at_a_time: usize,
    progress: &dyn Progress,
) -> Result<Solved, JobError> {
    let mut seen = look_at_all(&session.lights, &calibrator, at_a_time, progress)?;
    progress.stage("aligning", session.lights.len());
    let size = session.lights[0].frame.size;
    let (reference, mut places) = match reference {
        Some(path) => {
            let reference = find_reference(session, path)?;
            (reference, place_all(&seen, reference, size))
        }
        None => choose_and_place(&seen, size),
    };
    if let Some(ground) = ground
        && leave_out_ground(&mut seen[reference].stars, ground)
    {
        places = place_all(&seen, reference, size);
    }
    realign(session, &seen, &mut places, reference, size);
    let geometry = one_lens(session, &seen, &mut places, reference, size);
    let lights = std::mem::take(&mut session.lights);
    let reference_path = lights[reference].path().to_owned();
    let n_lights = lights.len();
    grade(&mut seen, &places, reference, size);
    let limits = Limits::of(&seen, &places, cull);
    let mut kept = Vec::new();
    for ((frame, seen), place) in lights.into_iter().zip(seen).zip(places) {
        let (alignment, reason) = match place {
            None => (None, None),
            Some(Ok(alignment)) => {
                let fault = limits.fault(&seen, &alignment);
                (Some(alignment), fault)
            }
            Some(Err(error)) => {
                let poor = PoorLight {
                    seen,
                    alignment: None,
                };
                session
                    .left_out
                    .push(LeftOut::poor(frame, poor, error.to_string()));
                continue;
            }
        };
        match (reason, cull.cull) {
            (Some(reason), Cull::Poor) => {
                let poor = PoorLight { seen, alignment };
                session.left_out.push(LeftOut::poor(frame, poor, reason));
            }
            (fault, _) => kept.push(Kept {
                frame,
                seen,
                alignment,
                fault,
            }),
        }
    }
    if kept.len() < 2 {
        return Err(JobError::TooFewLights {
            lights: n_lights,
            used: kept.len(),
            left_out: std::mem::take(&mut session.left_out),
        });
    }
    let lights = bring_to_one_scale(kept);
    let reference = lights
        .iter()
        .position(|light| light.frame.path() == reference_path);
    let reference = reference.expect("the reference is never left out");
    Ok(Solved {
        lights,
        reference,
        calibrator,
        geometry,
    })
}

/// Leaves out what shines on the ground; whether that is anything. Where hardly a star would be
/// left all stay: the mask is at fault, and that is found out later.
fn leave_out_ground(stars: &mut Vec<Star>, ground: &Array2<bool>) -> bool {
    const FEWEST: usize = 12;
    let in_sky = |star: &Star| {
        let at = (star.y.round() as usize, star.x.round() as usize);
        !ground.get(at).copied().unwrap_or(false)
    };
    let of_sky = stars.iter().filter(|star| in_sky(star)).count();
    if of_sky == stars.len() || of_sky < FEWEST {
        return false;
    }
    stars.retain(in_sky);
    true
}

/// Aligns anew what lamps hold in place.
fn realign(
    session: &Session,
    seen: &[Seen],
    places: &mut [Place],
    reference: usize,
    size: (usize, usize),
) {
    let (frames, known) = (stars_of(seen), alignments(places));
    let options = MatchOptions::default();
    for (light, found) in realign_held(
        &frames,
        &known,
        reference,
        up(&session.lights),
        size,
        &options,
    ) {
        places[light] = Some(found);
    }
}

/// Stars, sky and noise of every light.
///
/// - `at_a_time`: lights that are looked at together, which bounds the memory.
pub(crate) fn look_at_all(
    lights: &[SessionFrame],
    calibrator: &Calibrator,
    at_a_time: usize,
    progress: &dyn Progress,
) -> Result<Vec<Seen>, StackError> {
    progress.stage("finding stars", lights.len());
    let done = AtomicUsize::new(0);
    let mut seen = Vec::with_capacity(lights.len());
    for few in lights.chunks(at_a_time.max(1)) {
        let of_few: Result<Vec<Seen>, StackError> = few
            .par_iter()
            .map(|light| {
                let seen = look_at(light, calibrator);
                progress.advance(done.fetch_add(1, Ordering::Relaxed) + 1);
                seen
            })
            .collect();
        seen.extend(of_few?);
    }
    Ok(seen)
}

/// Grades every light against the others.
fn grade(seen: &mut [Seen], places: &[Place], reference: usize, size: (usize, usize)) {
    let identity = PixelMap::identity();
    let own: Vec<(usize, usize)> = (0..seen[reference].stars.len()).map(|i| (i, i)).collect();
    let frames: Vec<BurstFrame> = seen
        .iter()
        .zip(places)
        .map(|(seen, place)| BurstFrame {
            stars: &seen.stars,
            place: match place {
                None => Some(FramePlace {
                    pairs: &own,
                    map: &identity,
                }),
                Some(Ok(alignment)) => Some(FramePlace {
                    pairs: &alignment.pairs,
                    map: &alignment.map,
                }),
                Some(Err(_)) => None,
            },
        })
        .collect();
    let quality = grade_burst(&frames, reference, size);
    for (seen, quality) in seen.iter_mut().zip(quality) {
        seen.quality = quality;
    }
}

/// The light that a path names.
///
/// # Errors
///
/// When it names none, or one that was left out.
pub fn find_reference(session: &Session, path: &Path) -> Result<usize, JobError> {
    let same = |other: &Path| {
        other == path
            || matches!((other.canonicalize(), path.canonicalize()), (Ok(a), Ok(b)) if a == b)
    };
    if let Some(light) = session.lights.iter().position(|light| same(light.path())) {
        return Ok(light);
    }
    let left_out = session
        .left_out
        .iter()
        .find(|left_out| same(&left_out.path));
    Err(match left_out {
        Some(left_out) => JobError::UselessReference {
            path: path.to_owned(),
            reason: left_out.reason.clone(),
        },
        None => JobError::UnknownReference(path.to_owned()),
    })
}

/// The places of all lights relative to one of them, which itself has none.
fn place_all(seen: &[Seen], reference: usize, size: (usize, usize)) -> Vec<Place> {
    (0..seen.len())
        .into_par_iter()
        .map(|i| {
            let (own, stars) = (&seen[reference].stars, &seen[i].stars);
            (i != reference).then(|| align_stars(own, stars, size, &MatchOptions::default()))
        })
        .collect()
}

/// Chooses a reference and places all lights relative to it.
///
/// Where less than half of them fit, the reference may be the one that is foreign: another
/// is tried among those that do not fit, and the one that most fit is kept.
fn choose_and_place(seen: &[Seen], size: (usize, usize)) -> (usize, Vec<Place>) {
    const TRIES: usize = 3;
    let fits = |place: &Place| !matches!(place, Some(Err(_)));
    let mut candidates: Vec<Vec<Star>> = seen.iter().map(|seen| seen.stars.clone()).collect();
    let mut best: Option<(usize, usize, Vec<Place>)> = None;
    for _ in 0..TRIES {
        let Some(reference) = choose_reference(&candidates) else {
            break;
        };
        let places = place_all(seen, reference, size);
        let n_fit = places.iter().filter(|place| fits(place)).count();
        for (stars, place) in candidates.iter_mut().zip(&places) {
            if fits(place) {
                stars.clear();
            }
        }
        if best.as_ref().is_none_or(|(most, ..)| n_fit > *most) {
            best = Some((n_fit, reference, places));
        }
        if 2 * n_fit >= seen.len() {
            break;
        }
    }
    match best {
        Some((_, reference, places)) => (reference, places),
        // Without a star anywhere any light says so as well as another.
        None => (0, place_all(seen, 0, size)),
    }
}

/// Stars that place a light as well as more would: at 0.05 px each they know its place to
/// 0.001 px, and the corners of a map of eight numbers to 0.003 px.
const ENOUGH_STARS: usize = 3000;

/// Stars, sky and noise of one light.
fn look_at(light: &SessionFrame, calibrator: &Calibrator) -> Result<Seen, StackError> {
    let layout = calibrator.layout();
    let window = calibrator.window(&light.mosaic, &layout.bounds())?;
    let sky = SkyMesh::measure(&window, &layout.cfa);
    let stars = stars_in(&window, &light.mosaic, calibrator)?;
    let noise_dn = light
        .frame
        .stats
        .channels
        .iter()
        .map(|c| c.noise_dn as f32)
        .collect();
    Ok(Seen {
        grade: FrameGrade::of(&stars),
        quality: FrameQuality::default(),
        stars,
        sky,
        noise_dn,
    })
}

/// The stars of a single frame, which nothing calibrates but what it shows itself.
pub(crate) fn stars_of_frame(frame: Frame) -> Result<Vec<Star>, StackError> {
    let layout = SensorLayout::of(&frame.mosaic);
    let mosaic = StoredMosaic::in_memory(frame.mosaic.data);
    let defects = DefectMap::from_light(&layout, &mosaic, &DefectOptions::default())?;
    let calibrator = Calibrator::new(layout, None, None, defects)?;
    let window = calibrator.window(&mosaic, &calibrator.layout().bounds())?;
    stars_in(&window, &mosaic, &calibrator)
}

/// The stars of a light, given its calibrated samples.
fn stars_in(
    window: &CalibratedWindow,
    recorded: &StoredMosaic,
    calibrator: &Calibrator,
) -> Result<Vec<Star>, StackError> {
    let layout = calibrator.layout();
    let mosaic = ArrayView2::from_shape((layout.height, layout.width), &window.values);
    let mosaic = mosaic.expect("a whole frame");
    let plane = luminance(mosaic, &layout.cfa);
    let background = Background::estimate(plane.view(), &BackgroundOptions::default());
    let saturated = calibrator.saturated(recorded)?;
    let options = DetectOptions {
        saturation: Some(Saturation::Mask(saturated.view())),
        enough: Some(ENOUGH_STARS),
        ..Default::default()
    };
    let mut stars = detect(plane.view(), &background, &options);
    refine_places(&mut stars, mosaic, &layout.cfa);
    Ok(stars)
}
