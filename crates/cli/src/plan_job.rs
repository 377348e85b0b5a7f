//! The plan: limits, subs, frames, masters and other ways, from gear, light and goal.

use crate::JobError;
use crate::plan_advice::{assumptions, cautions, warnings};
use crate::plan_args::PlanArgs;
use crate::plan_gear::Gear;
use crate::plan_night::night;
use crate::plan_ways::ways;
use exposure::{
    Camera, Field, Frames, Masters, Pointing, Print, SitePhotons, SkyBand, Tracker, frames_needed,
    npf_easy_s, npf_rule_s, rule_of_500_s,
};
use report::{
    PLAN_SCHEMA_VERSION, Plan, PlanFrames, PlanGear, PlanLight, PlanMasters, PlanPlace, PlanPrint,
    PlanRule, PlanStill, PlanSub, PlanTracked,
};

/// SNR of a print's dots where none is asked for: ISO 12232 calls 40 the first excellent
/// image, 10 the first acceptable one (from memory).
const PRINT_SNR: f64 = 40.0;

/// Longest sub that is planned where nothing limits it, s.
const LONGEST_SUB_S: f64 = 600.0;

/// A rule that allows more says nothing, as the NPF rule at the pole.
const DAY_S: f64 = 86_400.0;

/// Level of flats where the camera's range is not known, e⁻. Common practice, no source.
const FLAT_LEVEL_E: f64 = 10_000.0;

/// What all parts of a plan look at.
pub(crate) struct Setting<'a> {
    pub args: &'a PlanArgs,
    pub gear: &'a Gear,
    pub field: Field,
    pub tracker: Option<Tracker>,
    pub site: Option<SitePhotons>,
    pub share: f64,
}

/// Makes the plan that was asked for.
///
/// # Errors
///
/// When the frame cannot be read, or something needed is neither in it nor given.
pub fn plan(args: &PlanArgs) -> Result<Plan, JobError> {
    let gear = Gear::of(args)?;
    let light = light(args, &gear)?;
    let setting = Setting {
        args,
        gear: &gear,
        field: Field::new(gear.camera, pointing(args)),
        tracker: tracker(args),
        site: light.as_ref().map(site),
        share: args.noise_share / 100.0,
    };
    let mut plan = Plan {
        schema_version: PLAN_SCHEMA_VERSION,
        gear: gear_of(&gear),
        still: still(&setting),
        tracked: setting.tracker.map(|tracker| tracked(&setting, &tracker)),
        light,
        ..Plan::default()
    };
    plan.sub = sub(&setting, &plan);
    plan.night = night(
        args,
        plan.light.as_ref().map(|light| light.sky_mag_per_arcsec2),
    );
    if let Some(night) = &mut plan.night {
        let every_s = plan.sub.exposure_s + args.overhead;
        night.subs = ((night.moonless_s + args.overhead) / every_s) as u64;
    }
    plan.frames = frames(&setting, &plan);
    plan.masters = masters(&setting, &plan);
    plan.what_if = ways(&setting, &plan);
    plan.warnings = warnings(&setting, &plan);
    plan.assumptions = assumptions(&setting, &plan);
    plan.cautions = cautions();
    Ok(plan)
}

/// A number that exists.
pub(crate) fn finite(value: f64) -> Option<f64> {
    value.is_finite().then_some(value)
}

fn pointing(args: &PlanArgs) -> Pointing {
    match (args.azimuth, args.altitude, args.place) {
        (Some(azimuth_deg), Some(altitude_deg), Some(place)) => Pointing::Horizon {
            azimuth_deg,
            altitude_deg,
            latitude_deg: place.latitude_deg,
        },
        _ => Pointing::Declination {
            deg: args.declination.unwrap_or(0.0),
        },
    }
}

fn tracker(args: &PlanArgs) -> Option<Tracker> {
    Some(Tracker {
        polar_error_arcmin: args.polar_error?,
        periodic_error_arcsec: args.periodic_error.unwrap_or(0.0),
        period_s: args.period.unwrap_or(f64::INFINITY),
    })
}

fn gear_of(gear: &Gear) -> PlanGear {
    let camera = &gear.camera;
    PlanGear {
        file: gear.file.as_deref().map(report::file_name),
        camera: gear.camera_name.clone(),
        lens: gear.lens_name.clone(),
        focal_length_mm: camera.focal_length_mm,
        aperture: camera.aperture,
        pixel_pitch_um: camera.pitch_um,
        size_px: [camera.width_px, camera.height_px],
        sensor_mm: camera.sensor_mm(),
        crop: camera.crop(),
        projection: camera.projection.name().to_owned(),
        scale_arcsec: camera.scale_arcsec(),
        field_deg: camera.field_deg().map(finite),
    }
}

fn still(setting: &Setting) -> PlanStill {
    let Setting {
        args, gear, field, ..
    } = setting;
    let declination_deg = field.declination_deg(field.center());
    let rule = |name: &str, exposure_s: f64| PlanRule {
        name: name.to_owned(),
        exposure_s: finite(exposure_s).filter(|seconds| *seconds < DAY_S),
        trail_px: finite(field.drift_px(field.center(), exposure_s)),
        worst_trail_px: finite(field.largest_drift_px(exposure_s)),
    };
    let names = [
        "center",
        "top left",
        "top right",
        "bottom left",
        "bottom right",
    ];
    let places = [field.center()].into_iter().chain(field.corners());
    PlanStill {
        declination_deg,
        tolerated_px: args.drift,
        rules: vec![
            rule("500", rule_of_500_s(&gear.camera)),
            rule("npf", npf_rule_s(&gear.camera, declination_deg, 1.0)),
            rule("npf_easy", npf_easy_s(&gear.camera)),
        ],
        places: names
            .into_iter()
            .zip(places)
            .map(|(name, place)| PlanPlace {
                name: name.to_owned(),
                declination_deg: finite(field.declination_deg(place)),
                rate_px_per_s: finite(field.rate_px_per_s(place)),
                longest_s: finite(field.longest_s(place, args.drift)),
            })
            .collect(),
        longest_s: finite(field.longest_anywhere_s(args.drift)),
    }
}

fn tracked(setting: &Setting, tracker: &Tracker) -> PlanTracked {
    let finest_scale_arcsec = setting.gear.camera.finest_scale_arcsec();
    let longest_s = tracker.longest_s(
        setting.args.drift * finest_scale_arcsec,
        setting.field.largest_cos_declination(),
    );
    PlanTracked {
        polar_error_arcmin: tracker.polar_error_arcmin,
        periodic_error_arcsec: tracker.periodic_error_arcsec,
        period_s: finite(tracker.period_s),
        polar_drift_arcsec_per_min: tracker.polar_drift_arcsec(60.0),
        periodic_rate_arcsec_per_s: tracker.periodic_rate_arcsec_per_s(),
        finest_scale_arcsec,
        longest_s: finite(longest_s),
    }
}

fn light(args: &PlanArgs, gear: &Gear) -> Result<Option<PlanLight>, JobError> {
    let band = SkyBand {
        efficiency: args.efficiency,
        ..SkyBand::default()
    };
    let Camera {
        pitch_um, aperture, ..
    } = gear.camera;
    let electrons = |mag| band.electrons_per_s(mag, pitch_um, aperture);
    let by_frame = by_frame(args, gear)?;
    let sky = match (args.sky, by_frame) {
        (Some(mag), _) => Some(("magnitude", mag, electrons(mag))),
        (None, Some(sky)) => Some(("frame", band.mag_per_arcsec2(sky, pitch_um, aperture), sky)),
        (None, None) => None,
    };
    let (Some((source, mag, sky_e_per_s)), Some(read_noise_e)) = (sky, args.read_noise) else {
        if let Some(option) = args.needs_light() {
            return Err(JobError::Usage {
                problem: format!("{option} needs the light of the sky, which is not known"),
                remedy: "give --gain for the sky of the frame, or --sky".to_owned(),
            });
        }
        return Ok(None);
    };
    let mut light = PlanLight {
        source: source.to_owned(),
        sky_mag_per_arcsec2: mag,
        sky_e_per_s,
        target_e_per_s: args.target.map(electrons),
        dark_e_per_s: args.dark_current,
        read_noise_e,
        share: args.noise_share / 100.0,
        read_noise_fades_s: None,
    };
    light.read_noise_fades_s = finite(site(&light).exposure_for_read_noise_s(light.share));
    Ok(Some(light))
}

/// Light of the frame's sky, scaled from its own aperture to the plan's, e⁻/s.
fn by_frame(args: &PlanArgs, gear: &Gear) -> Result<Option<f64>, JobError> {
    let (Some(sky), Some(gain), None) = (gear.sky, args.gain, args.sky) else {
        return Ok(None);
    };
    let electrons = sky.level_dn * gain / sky.exposure_s - args.dark_current;
    let wider = gear
        .frame_aperture
        .map_or(1.0, |stated| stated / gear.camera.aperture);
    if electrons > 0.0 {
        return Ok(Some(electrons * wider * wider));
    }
    let path = gear.file.as_deref().map(raw::printable).unwrap_or_default();
    Err(JobError::Usage {
        problem: format!("{path} shows no light above its black level and the dark current"),
        remedy: "name a light of the night sky, or give its brightness with --sky".to_owned(),
    })
}

fn site(light: &PlanLight) -> SitePhotons {
    let sky = SitePhotons::of_sky(light.sky_e_per_s, light.dark_e_per_s, light.read_noise_e);
    match light.target_e_per_s {
        None => sky,
        Some(target_e_per_s) => SitePhotons {
            target_e_per_s,
            background_e_per_s: light.sky_e_per_s,
            ..sky
        },
    }
}

fn sub(setting: &Setting, plan: &Plan) -> PlanSub {
    let tracked = plan.tracked.is_some();
    let (limit_by, limit_s) = match &plan.tracked {
        Some(tracked) => ("tracker", tracked.longest_s),
        None => ("drift", plan.still.longest_s),
    };
    let fades_s = plan
        .light
        .as_ref()
        .and_then(|light| light.read_noise_fades_s);
    let (by, exposure_s) = match (setting.args.exposure, limit_s, fades_s) {
        (Some(given), ..) => ("given", given),
        (None, Some(limit), Some(fades)) if fades > 0.0 && fades < limit => {
            ("read_noise", short(fades))
        }
        (None, Some(limit), _) if limit <= LONGEST_SUB_S => (limit_by, short(limit)),
        (None, None, Some(fades)) if (0.0..LONGEST_SUB_S).contains(&fades) && fades > 0.0 => {
            ("read_noise", short(fades))
        }
        _ => ("none", LONGEST_SUB_S),
    };
    PlanSub {
        exposure_s,
        by: by.to_owned(),
        tracked,
        worst_trail_px: finite(worst_trail_px(setting, setting.tracker, exposure_s)),
        read_noise_share: setting
            .site
            .and_then(|site| finite(site.read_noise_share(exposure_s))),
        snr: setting.site.and_then(|site| finite(site.snr(exposure_s))),
    }
}

/// Rounded down to two digits, as no dial has more.
pub(crate) fn short(seconds: f64) -> f64 {
    let step = 10f64.powf(seconds.log10().floor() - 1.0);
    let rounded = (seconds / step + 1e-9).floor() * step;
    // A step such as 0.1 is none of the numbers that are kept.
    (rounded * 1e6).round() / 1e6
}

/// Longest trail in the picture, px; with a tracker at worst.
pub(crate) fn worst_trail_px(setting: &Setting, tracker: Option<Tracker>, exposure_s: f64) -> f64 {
    match tracker {
        None => setting.field.largest_drift_px(exposure_s),
        Some(tracker) => {
            let cosine = setting.field.largest_cos_declination();
            let arcsec = tracker.worst_drift_arcsec(exposure_s, cosine);
            arcsec / setting.gear.camera.finest_scale_arcsec()
        }
    }
}

fn frames(setting: &Setting, plan: &Plan) -> Option<PlanFrames> {
    let args = setting.args;
    let site = setting.site?;
    let print = args.print.map(|width_cm| Print {
        width_cm,
        dots_per_inch: args.dpi,
    });
    let wanted_snr = args.snr.or(print.map(|_| PRINT_SNR))?;
    let width_px = setting.gear.camera.width_px;
    let pixel_snr = print.map_or(wanted_snr, |print| print.pixel_snr(wanted_snr, width_px));
    // A pattern is a share of all light, of which the target may be a part.
    let all = site.target_e_per_s + site.background_e_per_s;
    let most_snr = args.fixed_pattern.map_or(f64::INFINITY, |percent| {
        100.0 / percent * site.target_e_per_s / all
    });
    let count = match frames_needed(pixel_snr, site.snr(plan.sub.exposure_s), most_snr) {
        Frames::Count(count) => finite(count.ceil().max(1.0)),
        Frames::NotReachable { .. } => None,
    };
    let clock_s = count.map(|n| n * plan.sub.exposure_s + (n - 1.0) * args.overhead);
    let night_s = plan.night.as_ref().map(|night| night.moonless_s);
    Some(PlanFrames {
        wanted_snr,
        per: match print {
            Some(_) => "dot".to_owned(),
            None => "pixel".to_owned(),
        },
        print: print.map(|print| PlanPrint {
            width_cm: print.width_cm,
            dots_per_inch: print.dots_per_inch,
            pixels_per_dot: print.pixels_per_dot(width_px),
        }),
        pixel_snr,
        most_snr: finite(most_snr),
        count: count.map(|n| n as u64),
        shutter_s: count.map(|n| n * plan.sub.exposure_s),
        clock_s,
        nights: clock_s
            .zip(night_s)
            .and_then(|(clock, night)| finite(clock / night)),
    })
}

fn masters(setting: &Setting, plan: &Plan) -> Option<PlanMasters> {
    let frames = plan.frames.as_ref()?;
    let lights = frames.count? as f64;
    let masters = Masters {
        site: setting.site?,
        exposure_s: plan.sub.exposure_s,
        lights,
        places: 1.0,
        share: setting.share,
    };
    let moving = Masters {
        places: lights,
        ..masters
    };
    let range = setting.gear.sky.zip(setting.args.gain);
    // Half of the range is where flats are usually exposed to.
    let flat_level_e = range.map_or(FLAT_LEVEL_E, |(sky, gain)| 0.5 * sky.range_dn * gain);
    let whole = |frames: f64| frames.ceil().max(1.0) as u64;
    Some(PlanMasters {
        share: setting.share,
        darks_still: whole(masters.darks()),
        darks_moving: whole(moving.darks()),
        flat_level_e,
        flats_still: whole(masters.flats(flat_level_e)),
        flats_moving: whole(moving.flats(flat_level_e)),
    })
}
