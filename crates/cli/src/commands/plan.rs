//! `radicand plan`: what is decided before the shoot.

use super::{Console, Done};
use crate::plan_advice::{hours, seconds};
use crate::{JobError, PlanArgs};
use jiff::{Timestamp, tz::Offset};
use report::{Plan, PlanFrames, PlanLight, PlanNight, PlanWay};

pub(super) fn run(args: &PlanArgs, console: &Console) -> Result<Done, JobError> {
    let plan = crate::plan(args)?;
    gear(&plan, console);
    still(&plan, console);
    tracked(&plan, console);
    if let Some(light) = &plan.light {
        console.say(&light_line(light));
    }
    console.say(&sub_line(&plan));
    if let Some(frames) = &plan.frames {
        console.say(&frames_line(&plan, frames));
    }
    masters(&plan, console);
    ways(&plan.what_if, console);
    if let Some(night) = &plan.night {
        tell_night(&plan, night, args.utc_offset, console);
    }
    for warning in &plan.warnings {
        console.say(&format!("warning: {}; {}", warning.text, warning.advice));
    }
    for assumption in &plan.assumptions {
        console.say(&format!("note: {assumption}"));
    }
    console.say("Outside at night:");
    for caution in &plan.cautions {
        console.say(&format!("  {caution}"));
    }
    console.emit(&plan.to_json());
    Ok(Done::Whole)
}

fn gear(plan: &Plan, console: &Console) {
    let gear = &plan.gear;
    let name = gear
        .camera
        .as_ref()
        .map_or(String::new(), |name| format!("{name}: "));
    let field = match gear.field_deg {
        [Some(across), Some(down)] => format!("{across:.0}°×{down:.0}°"),
        _ => "wider than the lens draws".to_owned(),
    };
    let lens = match gear.projection.as_str() {
        "rectilinear" => String::new(),
        projection => format!(" {projection}"),
    };
    console.say(&format!(
        "{name}{} mm{lens} f/{} on {}×{} px of {:.2} µm ({:.1}×{:.1} mm); a pixel is {:.1}\", the field {field}",
        gear.focal_length_mm,
        gear.aperture,
        gear.size_px[0],
        gear.size_px[1],
        gear.pixel_pitch_um,
        gear.sensor_mm[0],
        gear.sensor_mm[1],
        gear.scale_arcsec,
    ));
}

fn still(plan: &Plan, console: &Console) {
    let still = &plan.still;
    console.say(&format!(
        "Standing still, at declination {}°:",
        whole(still.declination_deg)
    ));
    for rule in &still.rules {
        let name = match rule.name.as_str() {
            "500" => "rule of 500",
            "npf" => "NPF rule",
            _ => "NPF rule, easy",
        };
        console.say(&format!(
            "  {name:15} {:>7}, trails {} in the middle, {} at worst (common practice)",
            limit(rule.exposure_s),
            px(rule.trail_px),
            px(rule.worst_trail_px)
        ));
    }
    let center = still.places.first().and_then(|place| place.longest_s);
    console.say(&format!(
        "  {:15} {:>7} in the middle, {} all over the picture",
        format!("drift of {} px", still.tolerated_px),
        limit(center),
        limit(still.longest_s)
    ));
    for place in &still.places {
        let declination = place.declination_deg.map_or("no light".to_owned(), |deg| {
            format!("declination {}°", whole(deg))
        });
        console.detail(&format!(
            "    {:12} {declination}: {:.3} px/s, {}",
            place.name,
            place.rate_px_per_s.unwrap_or(0.0),
            limit(place.longest_s)
        ));
    }
}

fn tracked(plan: &Plan, console: &Console) {
    let Some(tracked) = &plan.tracked else {
        return;
    };
    let periodic = match tracked.period_s {
        Some(period) => format!(
            ", periodic error of {}\" in {period} s up to {:.2}\" a second",
            tracked.periodic_error_arcsec, tracked.periodic_rate_arcsec_per_s
        ),
        None => String::new(),
    };
    console.say(&format!(
        "On the tracker: {}, until stars drift {} px at worst; {}' off the pole drifts {:.1}\" a minute{periodic}",
        limit(tracked.longest_s),
        plan.still.tolerated_px,
        tracked.polar_error_arcmin,
        tracked.polar_drift_arcsec_per_min,
    ));
}

fn light_line(light: &PlanLight) -> String {
    let by = match light.source.as_str() {
        "frame" => "by the frame",
        _ => "by its magnitude",
    };
    let fades = match light.read_noise_fades_s {
        Some(s) if s > 0.0 => format!(
            "read noise of {} e⁻ adds less than {} % from {} on",
            light.read_noise_e,
            100.0 * light.share,
            limit(Some(s))
        ),
        _ => "there is no read noise".to_owned(),
    };
    format!(
        "Sky of {:.1} mag/arcsec²: {:.2} e⁻ a second in a pixel, {by}; {fades}",
        light.sky_mag_per_arcsec2, light.sky_e_per_s
    )
}

fn sub_line(plan: &Plan) -> String {
    let sub = &plan.sub;
    let by = match sub.by.as_str() {
        "given" => "as given",
        "drift" => "as long as the drift allows",
        "tracker" => "as long as the tracker allows",
        "read_noise" => "from where read noise stops mattering",
        _ => "where nothing limits it",
    };
    let mut line = format!(
        "Subs of {} s, {by}; trails up to {}",
        seconds(sub.exposure_s),
        px(sub.worst_trail_px)
    );
    if let Some(share) = sub.read_noise_share {
        line += &format!("; read noise adds {:.0} %", 100.0 * share);
    }
    if let Some(snr) = sub.snr {
        line += &format!("; SNR of one {snr:.2} a pixel");
    }
    line
}

fn frames_line(plan: &Plan, frames: &PlanFrames) -> String {
    let goal = match &frames.print {
        Some(print) => format!(
            "SNR {} in a dot of a print {} cm wide at {} dpi ({:.2} pixels a dot: {:.1} a pixel)",
            frames.wanted_snr,
            print.width_cm,
            print.dots_per_inch,
            print.pixels_per_dot,
            frames.pixel_snr
        ),
        None => format!("SNR {} a pixel", frames.wanted_snr),
    };
    let (Some(count), Some(clock_s)) = (frames.count, frames.clock_s) else {
        return format!("{goal}: not reachable");
    };
    let nights = match (frames.nights, plan.night.is_some()) {
        (Some(nights), _) if nights <= 1.0 => {
            format!(", {:.0} % of the dark and moonless time", 100.0 * nights)
        }
        (Some(nights), _) => format!(", {nights:.1} such nights"),
        (None, true) => ", and this night has no dark and moonless time".to_owned(),
        (None, false) => String::new(),
    };
    format!(
        "{goal}: {count} subs, {} on the clock{nights}",
        hours(clock_s)
    )
}

fn masters(plan: &Plan, console: &Console) {
    let Some(masters) = &plan.masters else {
        return;
    };
    console.say(&format!(
        "Darks and flats, each to add less than {} %: {} and {} for a sky that moves from sub to sub, {} and {} \
         for what stands still on the sensor (flats of {:.0} e⁻)",
        100.0 * masters.share,
        masters.darks_moving,
        masters.flats_moving,
        masters.darks_still,
        masters.flats_still,
        masters.flat_level_e,
    ));
    console.say(
        "  10 of each find hot pixels and dust (common practice), and fewer than reckoned do no harm: a master \
         is believed as far as its frames agree",
    );
}

fn ways(ways: &[PlanWay], console: &Console) {
    let Some(first) = ways.first() else {
        return;
    };
    console.say(&format!(
        "What if, in {} on the clock:",
        hours(first.clock_s)
    ));
    console.say(
        "  mount     lens    ISO    read    sub      shots  frames  open        SNR     trail",
    );
    for way in ways {
        let ratio = way
            .snr_of_first
            .map_or(String::new(), |ratio| format!("×{ratio:.2}"));
        console.say(&format!(
            "  {:8}  f/{:<4}  {:<5}  {:<4.1}e⁻  {:<7}  {:<5}  {:<6}  {:<10}  {ratio:<6}  {}",
            if way.tracked { "tracker" } else { "still" },
            way.aperture,
            way.iso.map_or("-".to_owned(), |iso| iso.to_string()),
            way.read_noise_e,
            format!("{} s", seconds(way.exposure_s)),
            way.shots,
            way.frames,
            hours(way.shutter_s),
            px(way.worst_trail_px),
        ));
    }
}

fn tell_night(plan: &Plan, night: &PlanNight, utc_offset: f64, console: &Console) {
    let clock = |at: &str| local(at, utc_offset);
    let zone = match utc_offset {
        0.0 => "UTC".to_owned(),
        hours => format!("UTC{hours:+}"),
    };
    let (north, east) = (night.latitude_deg, night.longitude_deg);
    console.say(&format!(
        "Night of {} at {north}°, {east}° (times {zone}):",
        night.date
    ));
    for twilight in &night.twilight {
        let (evening, morning) = match (&twilight.evening, &twilight.morning) {
            (Some(evening), Some(morning)) => (clock(evening), clock(morning)),
            _ => continue,
        };
        let name = match twilight.name.as_str() {
            "sunset" => "sunset and sunrise".to_owned(),
            name => format!("{name} twilight ends and begins"),
        };
        match twilight.name.as_str() {
            "sunset" | "astronomical" => console.say(&format!("  {name} {evening}, {morning}")),
            _ => console.detail(&format!("  {name} {evening}, {morning}")),
        }
    }
    let changes: Vec<String> = night
        .moon
        .iter()
        .map(|change| format!("{} {}", change.moon, clock(&change.at)))
        .collect();
    let up: Vec<String> = night
        .moon_hours
        .iter()
        .map(|hour| format!("{} {}°", clock(&hour.at), whole(hour.altitude_deg)))
        .collect();
    let changes = match changes.is_empty() {
        true => "neither rises nor sets".to_owned(),
        false => changes.join(", "),
    };
    console.say(&format!(
        "  Moon {:.0} % lit, {changes}",
        100.0 * night.moon_lit
    ));
    console.say(&format!("  its altitude: {}", up.join(", ")));
    console.say(&format!(
        "  dark for {}, dark without the Moon for {}: room for {} subs of {} s",
        hours(night.dark_s),
        hours(night.moonless_s),
        night.subs,
        seconds(plan.sub.exposure_s)
    ));
}

/// A time of a plan on the clocks of the place, to the minute.
fn local(at: &str, utc_offset: f64) -> String {
    let stated = at.trim_end_matches('Z').to_owned() + ":00Z";
    let offset = Offset::from_seconds((3600.0 * utc_offset).round() as i32);
    match (stated.parse::<Timestamp>(), offset) {
        (Ok(at), Ok(offset)) => offset.to_datetime(at).strftime("%H:%M").to_string(),
        _ => at.to_owned(),
    }
}

fn limit(exposure_s: Option<f64>) -> String {
    exposure_s.map_or("no limit".to_owned(), |s| match s {
        s if s < 180.0 => format!("{} s", seconds(s)),
        s => hours(s),
    })
}

/// A whole number, and no negative zero.
fn whole(value: f64) -> i64 {
    value.round() as i64
}

fn px(trail: Option<f64>) -> String {
    trail.map_or("beyond the lens".to_owned(), |px| format!("{px:.1} px"))
}
