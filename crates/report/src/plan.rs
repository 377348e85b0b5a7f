//! What `radicand plan --json` says: limits, subs, frames, and the night.

use crate::layout;
use crate::warning::WarningEntry;
use serde::{Deserialize, Serialize};

/// Version of the structure.
pub const PLAN_SCHEMA_VERSION: u32 = 1;

/// A plan. A number that does not exist is `None`, `null` in JSON: a limit that there is
/// not, or a figure for which something was not given.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Plan {
    /// [`PLAN_SCHEMA_VERSION`].
    pub schema_version: u32,
    /// Camera and lens.
    pub gear: PlanGear,
    /// How long the camera may stand still.
    pub still: PlanStill,
    /// How long the tracker may be believed; `None` without one.
    pub tracked: Option<PlanTracked>,
    /// Light of the sky, and when read noise stops mattering; `None` where unknown.
    pub light: Option<PlanLight>,
    /// The sub that everything below is about.
    pub sub: PlanSub,
    /// How many; `None` where nothing was asked for, or the light is not known.
    pub frames: Option<PlanFrames>,
    /// Darks and flats; `None` without a number of frames.
    pub masters: Option<PlanMasters>,
    /// Ways of shooting at equal time on the clock, the planned one first; empty where the
    /// light is not known.
    pub what_if: Vec<PlanWay>,
    /// The night; `None` without date and place.
    pub night: Option<PlanNight>,
    /// What hurts, and what to do about it.
    pub warnings: Vec<WarningEntry>,
    /// What was taken for granted.
    pub assumptions: Vec<String>,
    /// For being out at night.
    pub cautions: Vec<String>,
}

impl Plan {
    /// The plan as JSON, a line per field.
    pub fn to_json(&self) -> Vec<u8> {
        layout::to_json(self)
    }
}

/// Camera and lens.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct PlanGear {
    /// The frame they were read from.
    pub file: Option<String>,
    /// Maker and model.
    pub camera: Option<String>,
    /// Lens model.
    pub lens: Option<String>,
    /// mm.
    pub focal_length_mm: f64,
    /// f-number.
    pub aperture: f64,
    /// Distance of two pixels, µm.
    pub pixel_pitch_um: f64,
    /// Width and height of the picture as it is held, px.
    pub size_px: [u32; 2],
    /// The same, mm.
    pub sensor_mm: [f64; 2],
    /// Diagonal of 36 mm x 24 mm over the sensor's.
    pub crop: f64,
    /// How the lens draws.
    pub projection: String,
    /// Side of a pixel at the center, arcsec.
    pub scale_arcsec: f64,
    /// Angle across and down, degrees; `None` where the lens does not light the edges.
    pub field_deg: [Option<f64>; 2],
}

/// How long the camera may stand still.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct PlanStill {
    /// Declination of the center, degrees.
    pub declination_deg: f64,
    /// Tolerated drift, px.
    pub tolerated_px: f64,
    /// Rules of thumb, by name.
    pub rules: Vec<PlanRule>,
    /// Center and corners.
    pub places: Vec<PlanPlace>,
    /// Longest exposure that keeps all of the picture within the drift, s.
    pub longest_s: Option<f64>,
}

/// What a rule of thumb says.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct PlanRule {
    /// `500`, `npf` or `npf_easy`.
    pub name: String,
    /// Exposure, s.
    pub exposure_s: Option<f64>,
    /// Trail in that time at the center, px.
    pub trail_px: Option<f64>,
    /// Longest trail in that time anywhere in the picture, px.
    pub worst_trail_px: Option<f64>,
}

/// A place of the picture.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct PlanPlace {
    /// `center`, `top left` and so on, of the upright picture.
    pub name: String,
    /// Declination, degrees; `None` where the lens casts no light.
    pub declination_deg: Option<f64>,
    /// Drift, px/s.
    pub rate_px_per_s: Option<f64>,
    /// Longest exposure within the tolerated drift, s; `None` for no limit.
    pub longest_s: Option<f64>,
}

/// How long the tracker may be believed.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct PlanTracked {
    /// Angle between its axis and the pole, arcmin.
    pub polar_error_arcmin: f64,
    /// Peak to peak, arcsec.
    pub periodic_error_arcsec: f64,
    /// s; `None` without periodic error.
    pub period_s: Option<f64>,
    /// Drift by the polar error, arcsec in a minute.
    pub polar_drift_arcsec_per_min: f64,
    /// Fastest drift by the periodic error, arcsec/s.
    pub periodic_rate_arcsec_per_s: f64,
    /// Side of a pixel where the lens draws largest, arcsec.
    pub finest_scale_arcsec: f64,
    /// Longest exposure within the tolerated drift, s; `None` for no limit.
    pub longest_s: Option<f64>,
}

/// Light of the sky, and the camera's noise.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct PlanLight {
    /// `frame` or `magnitude`.
    pub source: String,
    /// Brightness of the sky, mag/arcsec².
    pub sky_mag_per_arcsec2: f64,
    /// Light of the sky in a pixel, e⁻/s.
    pub sky_e_per_s: f64,
    /// Light of the target, e⁻/s; `None` where that is the sky.
    pub target_e_per_s: Option<f64>,
    /// e⁻/s.
    pub dark_e_per_s: f64,
    /// e⁻.
    pub read_noise_e: f64,
    /// Share that read noise may add to the noise.
    pub share: f64,
    /// Exposure from which on it adds less, s.
    pub read_noise_fades_s: Option<f64>,
}

/// A sub.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct PlanSub {
    /// s.
    pub exposure_s: f64,
    /// What decided: `given`, `drift`, `tracker`, `read_noise` or `none`.
    pub by: String,
    /// Whether on a tracker.
    pub tracked: bool,
    /// Longest trail anywhere in the picture, px; on a tracker at worst.
    pub worst_trail_px: Option<f64>,
    /// Share that read noise adds to the noise.
    pub read_noise_share: Option<f64>,
    /// Signal over noise of the target in one of them, by the pixel.
    pub snr: Option<f64>,
}

/// How many subs.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct PlanFrames {
    /// SNR asked for.
    pub wanted_snr: f64,
    /// Of what: `pixel` or `dot`.
    pub per: String,
    /// Print; `None` where an SNR of pixels was asked for.
    pub print: Option<PlanPrint>,
    /// SNR that a pixel needs.
    pub pixel_snr: f64,
    /// The most that any number gives; `None` without a fixed pattern.
    pub most_snr: Option<f64>,
    /// Subs; `None` where it cannot be reached.
    pub count: Option<u64>,
    /// Time with the shutter open, s.
    pub shutter_s: Option<f64>,
    /// Time on the clock, s.
    pub clock_s: Option<f64>,
    /// Nights of the dark and moonless time of this one; `None` without date and place.
    pub nights: Option<f64>,
}

/// A print.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct PlanPrint {
    /// cm.
    pub width_cm: f64,
    /// 1/inch.
    pub dots_per_inch: f64,
    /// Pixels along the side of a dot.
    pub pixels_per_dot: f64,
}

/// Darks and flats that add no more than the share to the noise.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct PlanMasters {
    /// Share that a master may add.
    pub share: f64,
    /// Darks for what stands still on the sensor.
    pub darks_still: u64,
    /// Darks for a sky that moves from sub to sub.
    pub darks_moving: u64,
    /// Level of the flats, e⁻.
    pub flat_level_e: f64,
    /// Flats for what stands still.
    pub flats_still: u64,
    /// Flats for a sky that moves.
    pub flats_moving: u64,
}

/// A way of shooting.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct PlanWay {
    /// Whether on a tracker.
    pub tracked: bool,
    /// f-number.
    pub aperture: f64,
    /// Sensitivity setting; `None` where not stated.
    pub iso: Option<u32>,
    /// e⁻.
    pub read_noise_e: f64,
    /// s.
    pub exposure_s: f64,
    /// Shots that the camera puts together; 1 for none.
    pub shots: u32,
    /// Frames in the time on the clock.
    pub frames: u64,
    /// Time with the shutter open, s.
    pub shutter_s: f64,
    /// SNR of their stack by the pixel of a single shot.
    pub snr: f64,
    /// That over the first way's.
    pub snr_of_first: Option<f64>,
    /// Longest trail in the picture over all shots of a frame, px.
    pub worst_trail_px: Option<f64>,
    /// Time on the clock that all ways have, s.
    pub clock_s: f64,
}

/// The night. Times are UTC, as `2026-01-19T21:04Z`.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct PlanNight {
    /// Date of its evening.
    pub date: String,
    /// North positive, degrees.
    pub latitude_deg: f64,
    /// East positive, degrees.
    pub longitude_deg: f64,
    /// Sunset, and the ends of civil, nautical and astronomical twilight, with the morning's.
    pub twilight: Vec<PlanTwilight>,
    /// Lowest altitude of the Sun, degrees.
    pub lowest_sun_deg: f64,
    /// Share of the Moon's disk that is lit, 0 to 1.
    pub moon_lit: f64,
    /// Risings and settings from noon to noon.
    pub moon: Vec<PlanMoonChange>,
    /// The Moon over the dark time (or from sunset to sunrise where there is none).
    pub moon_hours: Vec<PlanMoonHour>,
    /// Time between the ends of astronomical twilight, s.
    pub dark_s: f64,
    /// That without the Moon, s.
    pub moonless_s: f64,
    /// How much brighter the Moon makes the zenith at most in the dark time, mag; `None`
    /// where the sky without it is not known.
    pub brighter_mag: Option<f64>,
    /// Subs that fit into the dark and moonless time.
    pub subs: u64,
}

/// Two ends of a twilight.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct PlanTwilight {
    /// `sunset`, `civil`, `nautical` or `astronomical`.
    pub name: String,
    /// In the evening; `None` where the Sun does not get so low, or is never higher.
    pub evening: Option<String>,
    /// In the morning.
    pub morning: Option<String>,
}

/// A rising or setting.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct PlanMoonChange {
    /// When.
    pub at: String,
    /// `rises` or `sets`.
    pub moon: String,
}

/// The Moon at a moment.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct PlanMoonHour {
    /// When.
    pub at: String,
    /// Degrees.
    pub altitude_deg: f64,
    /// From north through east, degrees.
    pub azimuth_deg: f64,
}
