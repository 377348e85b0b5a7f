//! The masters and the defect map of a session.

use crate::session::{Session, SessionFrame};
use stack::{
    Calibrator, DefectMap, DefectOptions, MasterDark, MasterFlat, StackError, StoredMosaic,
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
    let bias = master(&session.bias)?;
    let dark = master(&session.darks)?;
    let flats = mosaics(&session.flats);
    let flats: Vec<&StoredMosaic> = flats.iter().collect();
    let flat = match flats.is_empty() {
        true => None,
        false => Some(MasterFlat::combine(&flats, &layout, bias.as_ref())?),
    };
    let options = DefectOptions::default();
    let lights: Vec<&StoredMosaic> = session.lights.iter().map(|light| &light.mosaic).collect();
    let noise_dn: Vec<f32> = session
        .lights
        .iter()
        .map(|light| light.frame.stats.noise_dn as f32)
        .collect();
    let mut defects = DefectMap::from_lights(&layout, &lights, &noise_dn, &options)?;
    // One or two darks do not tell their own noise.
    if let Some(dark) = dark.as_ref().filter(|dark| dark.n_frames >= 3) {
        defects = defects.union(&DefectMap::from_dark(dark, &options));
    }
    Calibrator::new(layout, dark.or(bias), flat, defects)
}
