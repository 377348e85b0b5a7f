//! Which frames and masters fit the lights, and what does not fit in those that are used
//! all the same.

use crate::session::{GivenMaster, SessionFrame};
use raw::{Cfa, FrameInfo, FrameKind};
use report::{MasterKind, Warning};

/// Exposures within this ratio are the same setting; cameras state them rounded.
const SAME_EXPOSURE: f64 = 1.02;

/// Difference of temperature that changes dark current by about a half, K: it doubles
/// every 5 to 9 (common practice, no source).
const SAME_TEMPERATURE_K: f64 = 4.0;

/// Whether darks of another exposure or temperature are brought to the lights'.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum DarkScaling {
    /// Only darks of the lights' exposure.
    #[default]
    Never,
    /// Darks of another exposure or temperature are scaled to the lights', which needs bias
    /// frames.
    ToLights,
}

/// A light of the largest group of equal settings; of equally large ones the first.
pub(crate) fn most_common(lights: &[SessionFrame]) -> Option<SessionFrame> {
    let fellows = |model: &SessionFrame| {
        lights
            .iter()
            .filter(|light| light_mismatch(light.taken(), model.taken()).is_none())
            .count()
    };
    let mut best: Option<(usize, &SessionFrame)> = None;
    for light in lights {
        let count = fellows(light);
        if best.is_none_or(|(most, _)| count > most) {
            best = Some((count, light));
        }
    }
    best.map(|(_, light)| light.clone())
}

/// How a frame was taken, as far as frames that go together have to be alike.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Taken<'a> {
    pub info: &'a FrameInfo,
    /// Width and height, px.
    pub size: (usize, usize),
    /// Filters; a master that was made elsewhere does not tell.
    pub cfa: Option<&'a Cfa>,
}

pub(crate) fn sensor_mismatch(frame: Taken, model: Taken) -> Option<String> {
    let ((width, height), (w, h)) = (frame.size, model.size);
    if (width, height) != (w, h) {
        return Some(format!(
            "{width}×{height} px, but the lights have {w}×{h} px"
        ));
    }
    if let (Some(own), Some(theirs)) = (frame.cfa, model.cfa)
        && own != theirs
    {
        return Some("another color filter array than the lights".to_owned());
    }
    match (&frame.info.camera, &model.info.camera) {
        (Some(own), Some(theirs)) if own != theirs => {
            Some(format!("taken with {own}, but the lights with {theirs}"))
        }
        _ => None,
    }
}

pub(crate) fn light_mismatch(light: Taken, model: Taken) -> Option<String> {
    sensor_mismatch(light, model)
        .or_else(|| exposure_mismatch(light.info, model.info))
        .or_else(|| iso_mismatch(light.info, model.info))
}

pub(crate) fn calibration_mismatch(
    frame: Taken,
    kind: FrameKind,
    model: Taken,
    scaling: DarkScaling,
) -> Option<String> {
    let settings = || settings_mismatch(frame.info, kind, model.info, scaling);
    sensor_mismatch(frame, model).or_else(settings)
}

/// Exposure and ISO of what calibrates a light.
fn settings_mismatch(
    info: &FrameInfo,
    kind: FrameKind,
    theirs: &FrameInfo,
    scaling: DarkScaling,
) -> Option<String> {
    match kind {
        FrameKind::Dark if scaling == DarkScaling::ToLights => iso_mismatch(info, theirs),
        FrameKind::Dark => exposure_mismatch(info, theirs).or_else(|| iso_mismatch(info, theirs)),
        FrameKind::Bias => iso_mismatch(info, theirs),
        FrameKind::Flat | FrameKind::Light => None,
    }
}

/// Why a master that was made elsewhere does not fit the lights.
pub(crate) fn master_mismatch(
    master: &GivenMaster,
    model: &SessionFrame,
    scaling: DarkScaling,
) -> Option<String> {
    let (width, height) = (master.values.ncols(), master.values.nrows());
    let (w, h) = model.frame.size;
    if (width, height) != (w, h) {
        return Some(format!(
            "{width}×{height} px, but the lights have {w}×{h} px"
        ));
    }
    if let (Some(own), Some(theirs)) = (&master.info.camera, &model.frame.info.camera)
        && own != theirs
    {
        return Some(format!("taken with {own}, but the lights with {theirs}"));
    }
    let level_dn = median(master.values.iter().copied());
    let black_dn = model.frame.black_level_dn as f32;
    let white_dn = black_dn + model.frame.range_dn as f32;
    let odd = match master.kind {
        FrameKind::Flat => level_dn <= 0.0,
        _ => level_dn < 0.5 * black_dn || level_dn > white_dn,
    };
    if odd {
        let needed = match master.kind {
            FrameKind::Flat => "values above 0, black removed".to_owned(),
            _ => format!("DN with the black level of about {black_dn:.0} in them"),
        };
        return Some(format!("its median is {level_dn}, needed are {needed}"));
    }
    settings_mismatch(&master.info, master.kind, &model.frame.info, scaling)
}

fn median(values: impl Iterator<Item = f32>) -> f32 {
    let mut values: Vec<f32> = values.collect();
    values.sort_unstable_by(f32::total_cmp);
    stack::median_of_sorted(&values) as f32
}

/// By how much the exposure of the lights is that of the darks, where it is another.
pub(crate) fn dark_scale(lights: &[&FrameInfo], darks: &[&FrameInfo]) -> Option<f64> {
    let theirs = lights.first()?.exposure_s?;
    let own = darks.first()?.exposure_s?;
    let same = own.max(theirs) / own.min(theirs) <= SAME_EXPOSURE;
    (!same && own > 0.0).then_some(theirs / own)
}

/// Darks of one exposure: that of the lights, or of which there are most; of equally many
/// the longest, which know the dark signal best. The others come second.
pub(crate) fn of_one_exposure(
    darks: Vec<SessionFrame>,
    model: &SessionFrame,
) -> (Vec<SessionFrame>, Vec<SessionFrame>) {
    let info = |frame: &SessionFrame| frame.frame.info.clone();
    let alike =
        |a: &SessionFrame, b: &SessionFrame| exposure_mismatch(&info(a), &info(b)).is_none();
    let fellows = |dark: &SessionFrame| darks.iter().filter(|other| alike(dark, other)).count();
    let worth = |dark: &&SessionFrame| {
        let exposure_ms = 1e3 * dark.frame.info.exposure_s.unwrap_or(0.0);
        (alike(dark, model), fellows(dark), exposure_ms as u64)
    };
    let Some(best) = darks.iter().max_by_key(worth).cloned() else {
        return (darks, Vec::new());
    };
    darks.into_iter().partition(|dark| alike(dark, &best))
}

/// What a file may state.
pub(crate) type Figure = fn(&FrameInfo) -> Option<f64>;

/// Typical temperatures of lights and darks, °C, where both are stated and differ.
pub(crate) fn other_temperature(lights: &[&FrameInfo], darks: &[&FrameInfo]) -> Option<(f64, f64)> {
    let of = |info: &FrameInfo| info.temperature_c;
    let (lights_c, darks_c) = typical(lights, of).zip(typical(darks, of))?;
    ((lights_c - darks_c).abs() > SAME_TEMPERATURE_K).then_some((lights_c, darks_c))
}

fn typical(frames: &[&FrameInfo], of: Figure) -> Option<f64> {
    let known: Vec<f32> = frames
        .iter()
        .filter_map(|&f| of(f))
        .map(|v| v as f32)
        .collect();
    (!known.is_empty()).then(|| f64::from(median(known.into_iter())))
}

/// What differs between lights and the frames that calibrate them all the same.
pub(crate) fn mismatches<'a>(
    lights: &[&FrameInfo],
    calibration: impl Iterator<Item = (FrameKind, &'a FrameInfo)>,
) -> Vec<Warning> {
    let mut darks = Vec::new();
    let mut flats = Vec::new();
    for (kind, info) in calibration {
        match kind {
            FrameKind::Dark => darks.push(info),
            FrameKind::Flat => flats.push(info),
            FrameKind::Bias | FrameKind::Light => {}
        }
    }
    let warning = |kind, what: &str, of_lights: f64, of_masters: f64, unit: &str| {
        let text = |value: f64| format!("{}{unit}", (10.0 * value).round() / 10.0);
        Warning::MastersMismatch {
            kind,
            what: what.to_owned(),
            lights: text(of_lights),
            masters: text(of_masters),
        }
    };
    let both = |masters: &[&FrameInfo], of: Figure| typical(lights, of).zip(typical(masters, of));
    let mut found = Vec::new();
    if let Some((theirs, own)) = other_temperature(lights, &darks) {
        found.push(warning(MasterKind::Dark, "temperature", theirs, own, " °C"));
    }
    // Vignetting is the lens's, at its focal length and aperture.
    const SAME_RATIO: f64 = 1.05;
    let optics: [(&str, Figure, &str); 2] = [
        ("f-number", |info| info.aperture, ""),
        ("focal length", |info| info.focal_length_mm, " mm"),
    ];
    for (what, of, unit) in optics {
        if let Some((theirs, own)) = both(&flats, of)
            && theirs.max(own) / theirs.min(own) > SAME_RATIO
        {
            found.push(warning(MasterKind::Flat, what, theirs, own, unit));
        }
    }
    found
}

pub(crate) fn exposure_mismatch(own: &FrameInfo, theirs: &FrameInfo) -> Option<String> {
    let (own, theirs) = (own.exposure_s?, theirs.exposure_s?);
    let ratio = own.max(theirs) / own.min(theirs);
    (ratio > SAME_EXPOSURE).then(|| format!("exposed {own} s, but the lights {theirs} s"))
}

pub(crate) fn iso_mismatch(own: &FrameInfo, theirs: &FrameInfo) -> Option<String> {
    let (own, theirs) = (own.iso?, theirs.iso?);
    (own != theirs).then(|| format!("ISO {own}, but the lights ISO {theirs}"))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn info() -> FrameInfo {
        FrameInfo {
            path: "frame.dng".into(),
            decoder: raw::Decoder::Dng,
            camera: None,
            lens: None,
            exposure_s: Some(20.0),
            iso: Some(800),
            aperture: Some(2.0),
            focal_length_mm: Some(24.0),
            pixel_pitch_um: None,
            captured: None,
            temperature_c: Some(-3.0),
            white_balance: None,
            color_matrix: None,
            orientation: 1,
            pointing: None,
            declared_kind: None,
        }
    }

    #[test]
    fn what_differs_is_named() {
        let warm = FrameInfo {
            temperature_c: Some(9.04),
            ..info()
        };
        let stopped = FrameInfo {
            aperture: Some(5.6),
            focal_length_mm: Some(35.0),
            ..info()
        };
        let used = [
            (FrameKind::Dark, &warm),
            (FrameKind::Flat, &stopped),
            (FrameKind::Bias, &warm),
        ];
        let found = mismatches(&[&info(), &info()], used.into_iter());
        let texts: Vec<String> = found.iter().map(Warning::text).collect();
        assert_eq!(
            texts,
            [
                "the darks do not fit the lights: temperature 9 °C, needed -3 °C",
                "the flats do not fit the lights: f-number 5.6, needed 2",
                "the flats do not fit the lights: focal length 35 mm, needed 24 mm",
            ]
        );
        let alike = info();
        let used = [(FrameKind::Dark, &alike), (FrameKind::Flat, &alike)];
        assert_eq!(mismatches(&[&info()], used.into_iter()), []);
        let silent = FrameInfo {
            temperature_c: None,
            aperture: None,
            focal_length_mm: None,
            ..info()
        };
        let used = [(FrameKind::Dark, &silent), (FrameKind::Flat, &silent)];
        assert_eq!(mismatches(&[&info()], used.into_iter()), []);
        assert_eq!(mismatches(&[], [].into_iter()), []);
    }

    #[test]
    fn what_does_not_fit_is_refused_by_name() {
        let camera = |name: &str| FrameInfo {
            camera: Some(name.to_owned()),
            ..info()
        };
        let model = camera("Fenwick 20");
        let (small, large) = ((600, 400), (640, 400));
        let refused = |info: &FrameInfo, size, kind| {
            let taken = |info, size| Taken {
                info,
                size,
                cfa: None,
            };
            let model = taken(&model, small);
            calibration_mismatch(taken(info, size), kind, model, DarkScaling::Never)
        };
        let own = camera("Fenwick 20");
        let other = camera("Fenwick 30");
        let iso = FrameInfo {
            iso: Some(1600),
            ..own.clone()
        };
        let long = FrameInfo {
            exposure_s: Some(30.0),
            ..own.clone()
        };
        let (dark, flat, bias) = (FrameKind::Dark, FrameKind::Flat, FrameKind::Bias);
        for kind in [dark, flat, bias] {
            assert_eq!(refused(&own, small, kind), None);
            let size = refused(&own, large, kind).expect("another size");
            assert_eq!(size, "640×400 px, but the lights have 600×400 px");
            let camera = refused(&other, small, kind).expect("another camera");
            assert_eq!(
                camera,
                "taken with Fenwick 30, but the lights with Fenwick 20"
            );
        }
        for kind in [dark, bias] {
            let iso = refused(&iso, small, kind).expect("another ISO");
            assert_eq!(iso, "ISO 1600, but the lights ISO 800");
        }
        let exposure = refused(&long, small, dark).expect("another exposure");
        assert_eq!(exposure, "exposed 30 s, but the lights 20 s");
        assert_eq!(refused(&long, small, bias), None);
    }

    #[test]
    fn darks_are_scaled_where_their_exposure_is_another() {
        let long = FrameInfo {
            exposure_s: Some(80.0),
            ..info()
        };
        let nominal = FrameInfo {
            exposure_s: Some(20.2),
            ..info()
        };
        assert_eq!(dark_scale(&[&info()], &[&long]), Some(0.25));
        assert_eq!(dark_scale(&[&info()], &[&nominal]), None);
        assert_eq!(dark_scale(&[&info()], &[]), None);
        let unknown = FrameInfo {
            exposure_s: None,
            ..info()
        };
        assert_eq!(dark_scale(&[&info()], &[&unknown]), None);
    }
}
