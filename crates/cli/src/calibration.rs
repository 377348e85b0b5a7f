//! The masters and the defect map of a session.

use crate::session::{Session, SessionFrame};
use crate::{DarkScaling, JobError};
use raw::FrameKind;
use stack::{
    Calibrator, DarkFactor, DefectMap, DefectOptions, MasterDark, MasterFlat, SensorLayout,
    StackError, StoredMosaic, median_of_sorted,
};

/// Makes the masters and the defect map.
///
/// # Errors
///
/// When samples cannot be read back from the scratch file, and when darks of another
/// temperature were to be scaled and cannot be.
pub fn calibrator(session: &Session) -> Result<Calibrator, JobError> {
    Ok(calibrated(session)?.0)
}

/// What the dark signal was multiplied by.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct DarkScale {
    /// The factor.
    pub factor: f64,
    /// How the warm sites tell it, where it is not the ratio of exposures.
    pub measured: Option<DarkFactor>,
}

impl DarkScale {
    /// What was done and why, where exposures say `by_exposure` if they differ.
    pub(crate) fn words(&self, by_exposure: Option<f64>) -> String {
        let factor = self.factor;
        let Some(found) = self.measured else {
            return format!("darks are scaled by {factor:.3}, the ratio of exposures");
        };
        let instead = by_exposure.map_or(String::new(), |ratio| {
            format!(", not by the {ratio:.3} of the exposures that the files state")
        });
        format!(
            "darks are scaled by {factor:.3} ± {:.3}, as {} warm sites show{instead}",
            found.error, found.sites
        )
    }
}

/// Relative error up to which a measured factor counts.
const FACTOR_KNOWN: f64 = 0.1;
/// Standard errors, and share, by which it must differ from the ratio of exposures, which is
/// known exactly, to be used instead.
const FACTOR_DIFFERS: (f64, f64) = (4.0, 0.03);

/// The same, with what the dark signal was multiplied by.
pub(crate) fn calibrated(session: &Session) -> Result<(Calibrator, Option<DarkScale>), JobError> {
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
    let scale = match (&dark, &bias) {
        (Some(dark), Some(bias)) if session.dark_scaling == DarkScaling::ToLights => {
            dark_scale(session, &lights, dark, bias, &layout)?
        }
        _ => None,
    };
    let dark = match (dark, &bias, scale) {
        (Some(dark), Some(bias), Some(scale)) => Some(dark.scaled(bias, scale.factor as f32)?),
        (dark, ..) => dark,
    };
    Ok((
        Calibrator::new(layout, dark.or(bias), flat, defects)?,
        scale,
    ))
}

/// What brings the darks to the lights: the ratio of exposures, or what warm sites show where
/// that is another; `None` where they fit as they are.
fn dark_scale(
    session: &Session,
    lights: &[&StoredMosaic],
    dark: &MasterDark,
    bias: &MasterDark,
    layout: &SensorLayout,
) -> Result<Option<DarkScale>, JobError> {
    let by_exposure = session.dark_scale.map(|factor| DarkScale {
        factor,
        measured: None,
    });
    let expected = session.dark_scale.unwrap_or(1.0);
    let measured = DarkFactor::measure(lights, dark, bias, layout)?;
    let known = measured.filter(|found| found.error < FACTOR_KNOWN * found.value);
    if let Some(found) = known {
        let (errors, share) = FACTOR_DIFFERS;
        let differs = (found.value - expected).abs();
        let other = differs > (errors * found.error).max(share * expected);
        return Ok(match other {
            true => Some(DarkScale {
                factor: found.value,
                measured,
            }),
            false => by_exposure,
        });
    }
    match (session.other_temperature(), session.a_dark()) {
        (Some((lights_c, darks_c)), Some(path)) => Err(JobError::DarkTemperature {
            dark: path.to_owned(),
            darks_c,
            lights_c,
            problem: match measured {
                None => {
                    "too few sites of the sensor are warm enough to tell by how much".to_owned()
                }
                Some(found) => format!(
                    "{} warm sites tell a factor of {:.2} ± {:.2}, which is too uncertain",
                    found.sites, found.value, found.error
                ),
            },
        }),
        _ => Ok(by_exposure),
    }
}

fn typical(noise_dn: &[f32]) -> f32 {
    let mut sorted = noise_dn.to_vec();
    sorted.sort_unstable_by(f32::total_cmp);
    median_of_sorted(&sorted) as f32
}
