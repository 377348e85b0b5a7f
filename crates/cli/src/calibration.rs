//! The masters and the defect map of a session.

use crate::session::{Session, SessionFrame};
use raw::FrameKind;
use stack::{
    Calibrator, DefectMap, DefectOptions, MasterDark, MasterFlat, StackError, StoredMosaic,
    median_of_sorted,
};

/// Makes the masters and the defect map.
///
/// # Errors
///
/// When samples cannot be read back from the scratch file.
pub fn calibrator(session: &Session) -> Result<Calibrator, StackError> {
    let mosaics = |frames: &'_ [SessionFrame]| -> Vec<StoredMosaic> {
        frames.iter().map(|frame| frame.mosaic.clone()).collect()
    };
    let master = |frames: &[SessionFrame]| -> Result<Option<MasterDark>, StackError> {
        let stored = mosaics(frames);
        let stored: Vec<&StoredMosaic> = stored.iter().collect();
        if stored.is_empty() {
            Ok(None)
        } else {
            MasterDark::combine(&stored).map(Some)
        }
    };
    let layout = session.lights[0].layout.clone();
    let given = |kind| session.master(kind).map(|master| master.values.clone());
    let bias = match given(FrameKind::Bias) {
        Some(level_dn) => Some(MasterDark::given(level_dn)),
        None => master(&session.bias)?,
    };
    let dark = match given(FrameKind::Dark) {
        Some(level_dn) => Some(MasterDark::given(level_dn)),
        None => master(&session.darks)?,
    };
    let flats = mosaics(&session.flats);
    let flats: Vec<&StoredMosaic> = flats.iter().collect();
    let flat = match given(FrameKind::Flat) {
        Some(response) => Some(MasterFlat::given(response, &layout)?),
        None if flats.is_empty() => None,
        None => Some(MasterFlat::combine(&flats, &layout, bias.as_ref())?),
    };
    let options = DefectOptions::default();
    let lights: Vec<&StoredMosaic> = session.lights.iter().map(|light| &light.mosaic).collect();
    let noise_dn: Vec<f32> = session
        .lights
        .iter()
        .map(|light| light.frame.stats.noise_dn as f32)
        .collect();
    let mut defects = DefectMap::from_lights(&layout, &lights, &noise_dn, &options)?;
    if let Some(dark) = &dark {
        // A dark is no noisier than a light, which stands in where one or two darks, or a
        // master made elsewhere, do not tell their noise.
        let noise_dn = match dark.n_frames {
            0..3 => typical(&noise_dn),
            _ => dark.noise_dn,
        };
        let dark = MasterDark {
            noise_dn,
            ..dark.clone()
        };
        defects = defects.union(&DefectMap::from_dark(&dark, &options));
    }
    // Hot sites are those of the darks as they were taken.
    let dark = match (dark, &bias, session.dark_scale) {
        (Some(dark), Some(bias), Some(factor)) => Some(dark.scaled(bias, factor as f32)?),
        (dark, ..) => dark,
    };
    Calibrator::new(layout, dark.or(bias), flat, defects)
}

fn typical(noise_dn: &[f32]) -> f32 {
    let mut sorted = noise_dn.to_vec();
    sorted.sort_unstable_by(f32::total_cmp);
    median_of_sorted(&sorted) as f32
}
