//! "What if": other ways of shooting, in the same time on the clock.

use crate::plan_job::{Setting, finite, short, worst_trail_px};
use exposure::{SitePhotons, Tracker, Way};
use report::{Plan, PlanWay};

/// Time on the clock where neither plan nor user say one, s.
const HOUR_S: f64 = 3600.0;

/// A choice of every dial.
#[derive(Clone, Copy, Debug, PartialEq)]
struct Choice {
    tracker: Option<Tracker>,
    aperture: f64,
    iso: Option<u32>,
    read_noise_e: f64,
    exposure_s: f64,
    shots: u32,
}

/// All combinations of what was asked for, the plan's own first.
pub(crate) fn ways(setting: &Setting, plan: &Plan) -> Vec<PlanWay> {
    let Some(site) = setting.site else {
        return Vec::new();
    };
    let args = setting.args;
    let planned = plan.frames.as_ref().and_then(|frames| frames.clock_s);
    let clock_s = args
        .clock
        .map(|minutes| 60.0 * minutes)
        .or(planned)
        .unwrap_or(HOUR_S);
    let mut ways: Vec<PlanWay> = choices(setting, plan, site.read_noise_e)
        .iter()
        .map(|choice| way(setting, site, choice, clock_s))
        .collect();
    let first = ways[0].snr;
    for way in &mut ways {
        way.snr_of_first = finite(way.snr / first);
    }
    ways
}

fn choices(setting: &Setting, plan: &Plan, read_noise_e: f64) -> Vec<Choice> {
    let args = setting.args;
    let planned = Choice {
        tracker: setting.tracker,
        aperture: setting.gear.camera.aperture,
        iso: setting.gear.iso,
        read_noise_e,
        exposure_s: plan.sub.exposure_s,
        shots: 1,
    };
    let mut apertures = vec![planned.aperture];
    apertures.extend(&args.try_aperture);
    let mut isos = vec![(planned.iso, read_noise_e)];
    isos.extend(
        args.try_iso
            .iter()
            .map(|other| (Some(other.iso), other.read_noise_e)),
    );
    let mut shots = vec![1];
    shots.extend(args.try_multi_shot);
    let mut mounts = vec![setting.tracker];
    if setting.tracker.is_some() {
        mounts.push(None);
    }
    let mut choices = Vec::new();
    for tracker in mounts {
        for exposure_s in exposures(setting, plan, tracker) {
            for &aperture in &apertures {
                for &(iso, read_noise_e) in &isos {
                    for &shots in &shots {
                        let choice = Choice {
                            tracker,
                            aperture,
                            iso,
                            read_noise_e,
                            exposure_s,
                            shots,
                        };
                        if !choices.contains(&choice) {
                            choices.push(choice);
                        }
                    }
                }
            }
        }
    }
    choices
}

/// The plan's exposure and those to be tried; half and twice of it where none are. Standing
/// still beside a tracker, what the drift allows stands for the plan's.
fn exposures(setting: &Setting, plan: &Plan, tracker: Option<Tracker>) -> Vec<f64> {
    let own = match (tracker, setting.tracker) {
        (None, Some(_)) => plan.still.longest_s.map_or(plan.sub.exposure_s, short),
        _ => plan.sub.exposure_s,
    };
    let tried = &setting.args.try_exposure;
    let mut exposures = vec![own];
    match tried.is_empty() {
        true => exposures.extend([0.5 * own, 2.0 * own].map(short)),
        false => exposures.extend(tried),
    }
    exposures
}

fn way(setting: &Setting, site: SitePhotons, choice: &Choice, clock_s: f64) -> PlanWay {
    let wider = (setting.gear.camera.aperture / choice.aperture).powi(2);
    let way = Way {
        site: SitePhotons {
            target_e_per_s: wider * site.target_e_per_s,
            background_e_per_s: wider * site.background_e_per_s,
            read_noise_e: choice.read_noise_e,
            ..site
        },
        exposure_s: choice.exposure_s,
        overhead_s: setting.args.overhead,
        shots: choice.shots,
    };
    let given = way.within(clock_s);
    // A camera that puts shots together does not align them.
    let open_s = f64::from(choice.shots) * choice.exposure_s;
    PlanWay {
        tracked: choice.tracker.is_some(),
        aperture: choice.aperture,
        iso: choice.iso,
        read_noise_e: choice.read_noise_e,
        exposure_s: choice.exposure_s,
        shots: choice.shots,
        frames: given.frames as u64,
        shutter_s: given.shutter_s,
        snr: given.snr,
        snr_of_first: None,
        worst_trail_px: finite(worst_trail_px(setting, choice.tracker, open_s)),
        clock_s,
    }
}
