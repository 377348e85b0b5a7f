//! From stars and single alignments to one lens for the whole burst.

use crate::light::{Place, Seen, alignments, stars_of};
use crate::session::{Session, SessionFrame};
use align::{FocalPrior, Held, SkyModel, SkyOptions, Star, solve_sky};
use raw::FrameInfo;
use report::{Geometry, GeometryModel, Ring};
use std::path::Path;

/// Replaces the maps of all lights by those of one lens, where the stars show that it is
/// better; says what was found either way.
pub(crate) fn one_lens(
    session: &Session,
    seen: &[Seen],
    places: &mut [Place],
    reference: usize,
    size: (usize, usize),
) -> Geometry {
    let (frames, known) = (stars_of(seen), alignments(places));
    let options = options(&session.lights);
    let model = match solve_sky(&frames, &known, reference, size, &options) {
        Ok(model) => model,
        Err(reason) => {
            return Geometry {
                reason: Some(reason.to_string()),
                ..Geometry::default()
            };
        }
    };
    let mut geometry = entry(&model, &session.lights, size);
    if model.verdict.model_holds() {
        geometry.model = GeometryModel::Lens;
        replace(&model, &frames, places, size);
    } else {
        geometry.reason = Some("a map for each frame fits as well".to_owned());
    }
    geometry
}

/// What the files say of lens and time.
fn options(lights: &[SessionFrame]) -> SkyOptions {
    let info = |light: &'_ SessionFrame| light.frame.info.clone();
    let first = lights.iter().find_map(|light| info(light).captured);
    let time_s = |light: &SessionFrame| {
        let info = info(light);
        let since_s = info.captured?.seconds_since(first.as_ref()?);
        Some(since_s + 0.5 * info.exposure_s.unwrap_or(0.0))
    };
    let resolutions = lights.iter().filter_map(|light| info(light).captured);
    SkyOptions {
        focal: lights.first().and_then(|light| focal(&light.frame.info)),
        up: up(lights),
        times_s: lights.iter().map(time_s).collect(),
        time_resolution_s: resolutions
            .map(|time| time.resolution_s)
            .fold(0.0, f64::max),
        ..SkyOptions::default()
    }
}

/// What is up in pixels that are not turned, by where their visible top is (EXIF 2.32,
/// Orientation).
pub(crate) fn up(lights: &[SessionFrame]) -> [f64; 2] {
    match lights
        .first()
        .map_or(1, |light| light.frame.info.orientation)
    {
        3 | 4 => [0.0, 1.0],
        5 | 6 => [-1.0, 0.0],
        7 | 8 => [1.0, 0.0],
        _ => [0.0, -1.0],
    }
}

/// What a file says of the focal length.
fn focal(info: &FrameInfo) -> Option<FocalPrior> {
    let focal_mm = info.focal_length_mm.filter(|&mm| mm > 0.0)?;
    let pitch_um = info.pixel_pitch_um.filter(|&um| um > 0.0);
    Some(match pitch_um {
        Some(pitch_um) => FocalPrior::of_pitch(focal_mm, pitch_um),
        None => FocalPrior::of_unknown_pitch(focal_mm),
    })
}

/// Puts the model's alignments in the place of the frames' own, and where there were none.
fn replace(model: &SkyModel, frames: &[&[Star]], places: &mut [Place], size: (usize, usize)) {
    for (i, place) in places.iter_mut().enumerate() {
        let own = place.as_ref().and_then(|place| place.as_ref().ok());
        let found = model.alignment(i, frames, size, own);
        if let (Some(place), Some(found)) = (place.as_mut(), found) {
            *place = Ok(found);
        }
    }
}

/// A place on the sensor is told from a direction this far out, in distances of the furthest
/// corner.
const REACH_OF_LENS: f64 = 1.5;

fn corner_px([cx, cy]: [f64; 2], (width, height): (usize, usize)) -> f64 {
    let far = |c: f64, n: usize| c.abs().max((n as f64 - 1.0 - c).abs());
    far(cx, width).hypot(far(cy, height))
}

fn entry(model: &SkyModel, lights: &[SessionFrame], size: (usize, usize)) -> Geometry {
    let files = |frames: &[usize]| frames.iter().map(|&i| name(lights[i].path())).collect();
    let rival = (model.trials.iter())
        .filter(|trial| trial.projection != model.lens.projection())
        .map(|trial| trial.criterion)
        .reduce(f64::min);
    let tripod = model.tripod.as_ref();
    let clock = tripod.and_then(|tripod| tripod.clock.as_ref());
    // Far beyond the stars the polynomial says anything.
    let reach = REACH_OF_LENS * corner_px(model.lens.principal_point_px(), size);
    let [cx, cy] = model.lens.principal_point_px();
    let is_near = |[x, y]: &[f64; 2]| (x - cx).hypot(y - cy) <= reach;
    let seen_px = |axis: [f64; 3]| {
        let other = model.lens.project(axis.map(|part| -part));
        model.lens.project(axis).or(other).filter(is_near)
    };
    Geometry {
        model: GeometryModel::Homography,
        reason: None,
        projection: Some(model.lens.projection().name().to_owned()),
        projection_margin: rival.map(|rival| rival - model.trials[0].criterion),
        focal_px: Some(model.lens.focal_px()),
        focal_error_px: Some(model.lens_error.focal_px),
        focal_by_stars: Some(model.lens_error.focal_by_stars),
        principal_point_px: Some(model.lens.principal_point_px()),
        principal_point_error_px: Some(model.lens_error.principal_point_px),
        distortion: Some(model.lens.radial()),
        distortion_error: Some(model.lens_error.radial),
        pole: tripod.map(|tripod| tripod.axis),
        pole_px: tripod.and_then(|tripod| seen_px(tripod.axis)),
        pole_error_deg: tripod.map(|tripod| tripod.axis_error_rad.to_degrees()),
        zenith: model.lens.air().map(|air| air.zenith()),
        refraction: model.lens.air().map(|air| air.strength()),
        rate: clock.map(|clock| clock.rate_ratio),
        rate_error: clock.map(|clock| clock.rate_ratio_error),
        held: tripod.map(|tripod| held(tripod.held).to_owned()),
        clock_off: clock.map_or_else(Vec::new, |clock| files(&clock.off)),
        clock_backwards: clock.map_or_else(Vec::new, |clock| files(&clock.backwards)),
        camera_moved: tripod.map_or_else(Vec::new, |tripod| files(&tripod.moved)),
        advantage: Some(model.verdict.homography - model.verdict.model),
        zones: model.zones.iter().map(zone).collect(),
    }
}

fn held(held: Held) -> &'static str {
    match held {
        Held::Free => "free",
        Held::Axis => "axis",
        Held::SiderealRate => "sidereal_rate",
    }
}

fn zone(zone: &align::Zone) -> Ring {
    let finite = |px: f64| px.is_finite().then_some(px);
    Ring {
        from: zone.from,
        to: zone.to,
        pairs: zone.pairs as u32,
        lens_px: finite(zone.model_px),
        homography_px: finite(zone.homography_px),
    }
}

fn name(path: &Path) -> String {
    report::file_name(path)
}
