//! What a plan warns of, what it takes for granted, and cautions for the night.

use crate::plan_job::Setting;
use report::{Plan, PlanNight, WarningEntry};

/// Share of read noise from which longer subs pay, beyond the one that was asked for.
const MUCH_READ_NOISE: f64 = 0.2;

/// Brightening of the sky that is worth a warning, mag.
const BRIGHTER_MAG: f64 = 0.1;

/// What hurts, and the way out.
pub(crate) fn warnings(setting: &Setting, plan: &Plan) -> Vec<WarningEntry> {
    let mut warnings = Vec::new();
    let mut warn = |code: &str, text: String, advice: &str| {
        warnings.push(WarningEntry {
            code: code.to_owned(),
            text,
            advice: advice.to_owned(),
        });
    };
    let tolerated = setting.args.drift;
    if let Some(trail) = plan.sub.worst_trail_px
        && trail > tolerated * 1.001
    {
        warn(
            "trails",
            format!(
                "stars trail up to {trail:.1} px in {} s, tolerated are {tolerated}",
                seconds(plan.sub.exposure_s)
            ),
            "expose shorter, or take a tracker",
        );
    }
    if let Some(share) = plan.sub.read_noise_share
        && share > MUCH_READ_NOISE.max(setting.share)
    {
        warn(
            "read_noise",
            format!(
                "read noise adds {:.0} % to the noise of such subs",
                100.0 * share
            ),
            "expose longer, open the lens, choose an ISO of less read noise, or track",
        );
    }
    if let Some(frames) = &plan.frames {
        if frames.count.is_none() {
            warn(
                "not_reachable",
                format!(
                    "no number of frames reaches an SNR of {:.1} a pixel: the fixed pattern allows {:.1}",
                    frames.pixel_snr,
                    frames.most_snr.unwrap_or(f64::NAN)
                ),
                "dither, take better flats and darks, or want less",
            );
        }
        if let Some(print) = &frames.print
            && print.pixels_per_dot < 1.0
        {
            warn(
                "enlargement",
                format!(
                    "the print has more dots than the picture pixels ({:.2} a dot): it is an enlargement",
                    print.pixels_per_dot
                ),
                "print smaller or with fewer dots an inch, or stitch",
            );
        }
    }
    if let Some(night) = &plan.night {
        for (code, text, advice) in sky_warnings(night) {
            warn(code, text, advice);
        }
    }
    warnings
}

fn sky_warnings(night: &PlanNight) -> Vec<(&'static str, String, &'static str)> {
    let mut warnings = Vec::new();
    if night.dark_s == 0.0 {
        warnings.push((
            "no_darkness",
            format!(
                "it does not get dark: the Sun is never lower than {:.1}°",
                night.lowest_sun_deg
            ),
            without_darkness(night.lowest_sun_deg),
        ));
    }
    let moonlit_s = night.dark_s - night.moonless_s;
    // A crescent that hardly brightens the sky is no reason to stay at home.
    let matters = night.brighter_mag.is_none_or(|mag| mag > BRIGHTER_MAG);
    if moonlit_s > 60.0 && matters {
        let brighter = night.brighter_mag.map_or(String::new(), |mag| {
            format!(", and makes the zenith up to {mag:.1} mag brighter")
        });
        warnings.push((
            "moon",
            format!(
                "the Moon, {:.0} % lit, is up for {} of the dark time{brighter}",
                100.0 * night.moon_lit,
                hours(moonlit_s)
            ),
            "shoot while it is down, or away from it; it lights the ground, too",
        ));
    }
    warnings
}

/// What a night without darkness is good for.
///
/// - `lowest_sun_deg`: 6, 12 and 18 degrees below the horizon end civil, nautical and
///   astronomical twilight.
fn without_darkness(lowest_sun_deg: f64) -> &'static str {
    match lowest_sun_deg {
        lowest if lowest < -12.0 => {
            "choose another date; the brighter stars can be had in astronomical twilight, about the middle of the night"
        }
        lowest if lowest < -6.0 => {
            "choose another date; at most the brightest stars show, when the Sun is lowest"
        }
        _ => "choose another date; it stays too bright for all but a few stars",
    }
}

/// What was taken for granted.
pub(crate) fn assumptions(setting: &Setting, plan: &Plan) -> Vec<String> {
    let args = setting.args;
    let mut said = Vec::new();
    if args.declination.is_none() && args.azimuth.is_none() {
        said.push("the camera points at the celestial equator, where stars move fastest; say where with --declination, or --azimuth and --altitude".to_owned());
    }
    said.push("lens distortion and refraction are left out".to_owned());
    match &plan.light {
        Some(light) if light.source == "magnitude" => said.push(format!(
            "sky light by 1000 photons of a star of magnitude 0 per s, cm² and Å, a band of 890 Å, and {} electrons a photon: good to a factor of 1.5, a frame's own sky (--from, --gain) is better",
            args.efficiency
        )),
        Some(_) => said.push("the night is as bright as the frame's median".to_owned()),
        None => said.push(missing_light(setting)),
    }
    if plan.light.is_some()
        && plan
            .light
            .as_ref()
            .is_some_and(|light| light.target_e_per_s.is_none())
    {
        said.push(
            "the SNR is that of the sky's own light; --target gives it for something in it"
                .to_owned(),
        );
    }
    if plan.frames.is_some() {
        said.push("all photosites count alike; red and blue have fewer of them and less light, and are noisier".to_owned());
    }
    if setting.args.try_multi_shot.is_some() {
        said.push("the camera makes one wait one shot longer per multi-shot frame (common practice, no source), and does not align its shots".to_owned());
    }
    said
}

fn missing_light(setting: &Setting) -> String {
    let args = setting.args;
    match (args.read_noise, args.sky, &args.from) {
        (None, Some(_), _) => "--read-noise would tell when read noise stops mattering",
        (_, None, Some(_)) if args.gain.is_none() => {
            "--gain and --read-noise would tell, by the frame's sky, when read noise stops mattering"
        }
        (None, ..) => "--sky and --read-noise would tell when read noise stops mattering",
        _ => "--sky would tell when read noise stops mattering",
    }
    .to_owned()
}

/// For being out at night.
pub(crate) fn cautions() -> Vec<String> {
    [
        "walk the ground in daylight: in the dark it is uneven, and ends sooner than it seems",
        "at the sea know the tide table and keep a way back; stay off edges, ice and quays",
        "cold makes slow: more clothes, light and power than planned, and someone who knows when you are due",
        "ask whose land it is, and keep closing hours and seasons of reserves",
        "never a laser near aircraft, vehicles, people or animals",
        "never a lens, finder or eye at the Sun without a certified solar filter; mind where a tracker points at dawn",
        "local rules come first",
    ]
    .map(str::to_owned)
    .to_vec()
}

/// A duration in hours and minutes.
pub(crate) fn hours(seconds: f64) -> String {
    let minutes = (seconds / 60.0).round() as u64;
    match (minutes / 60, minutes % 60) {
        (0, minutes) if seconds < 90.0 && minutes <= 1 => format!("{seconds:.0} s"),
        (0, minutes) => format!("{minutes} min"),
        (hours, 0) => format!("{hours} h"),
        (hours, minutes) => format!("{hours} h {minutes:02} min"),
    }
}

/// Seconds with as many digits as they deserve.
pub(crate) fn seconds(value: f64) -> String {
    match value {
        value if value < 1.0 => format!("{value:.2}"),
        value if value < 20.0 => {
            let text = format!("{value:.1}");
            text.strip_suffix(".0").map(str::to_owned).unwrap_or(text)
        }
        value => format!("{value:.0}"),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_twilight_that_does_not_come_is_not_advised() {
        assert!(without_darkness(-14.0).contains("astronomical twilight"));
        assert!(without_darkness(-6.6).contains("the brightest stars"));
        for lowest in [-12.0, -6.6, -3.0, 5.0] {
            assert!(!without_darkness(lowest).contains("twilight"), "{lowest}");
        }
    }
}
