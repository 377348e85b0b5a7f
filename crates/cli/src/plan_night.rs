//! The night of a plan: twilight, the Moon, and the time they leave.

use crate::plan_args::PlanArgs;
use exposure::{JulianDate, MoonIs, Night, Observer, Span, moon, moonlit_sky_mag};
use jiff::Timestamp;
use jiff::civil::Date;
use report::{PlanMoonChange, PlanMoonHour, PlanNight, PlanTwilight};

/// Depression of the Sun at the end of astronomical twilight, degrees.
const ASTRONOMICAL_DEG: f64 = 18.0;

/// The night, where date and place are given. Subs are not yet counted.
///
/// - `sky_mag`: brightness of the sky without the Moon.
pub(crate) fn night(args: &PlanArgs, sky_mag: Option<f64>) -> Option<PlanNight> {
    let (date, observer) = args.date.zip(args.place)?;
    let night = Night::new(observer, midday(date));
    let dark = night.sun_below(ASTRONOMICAL_DEG).span();
    let moonless = dark.map(|dark| night.moonless(dark)).unwrap_or_default();
    let shown = dark.or(night.sun_down().span());
    Some(PlanNight {
        date: date.to_string(),
        latitude_deg: observer.latitude_deg,
        longitude_deg: observer.longitude_deg,
        twilight: twilight(&night),
        lowest_sun_deg: night.lowest_sun_deg(),
        moon_lit: night.moon_lit(),
        moon: night
            .moon_changes()
            .into_iter()
            .map(|(when, now)| PlanMoonChange {
                at: text(when),
                moon: match now {
                    MoonIs::Up => "rises".to_owned(),
                    MoonIs::Down => "sets".to_owned(),
                },
            })
            .collect(),
        moon_hours: shown.map(|span| hours(&night, span)).unwrap_or_default(),
        dark_s: dark.map_or(0.0, |dark| dark.seconds()),
        moonless_s: moonless.iter().map(Span::seconds).sum(),
        brighter_mag: sky_mag
            .zip(dark)
            .map(|(sky_mag, dark)| brighter_mag(observer, dark, sky_mag)),
        subs: 0,
    })
}

fn midday(date: Date) -> JulianDate {
    let days = date
        .duration_since(Date::constant(1970, 1, 1))
        .as_secs_f64()
        / 86_400.0;
    JulianDate::from_unix_s(86_400.0 * (days + 0.5))
}

/// A moment to the minute, UTC.
fn text(when: JulianDate) -> String {
    let minute = (when.unix_s() / 60.0).round() * 60.0;
    match Timestamp::from_second(minute as i64) {
        Ok(at) => at.strftime("%Y-%m-%dT%H:%MZ").to_string(),
        Err(_) => String::new(),
    }
}

fn twilight(night: &Night) -> Vec<PlanTwilight> {
    [
        ("sunset", night.sun_down()),
        ("civil", night.sun_below(6.0)),
        ("nautical", night.sun_below(12.0)),
        ("astronomical", night.sun_below(ASTRONOMICAL_DEG)),
    ]
    .map(|(name, darkness)| {
        let during = match darkness {
            exposure::Darkness::During(span) => Some(span),
            _ => None,
        };
        PlanTwilight {
            name: name.to_owned(),
            evening: during.map(|span| text(span.from)),
            morning: during.map(|span| text(span.until)),
        }
    })
    .to_vec()
}

/// The Moon at every full hour of a span, and at its ends.
fn hours(night: &Night, span: Span) -> Vec<PlanMoonHour> {
    const HOUR_S: f64 = 3600.0;
    let first = (span.from.unix_s() / HOUR_S).floor() + 1.0;
    let last = (span.until.unix_s() / HOUR_S).ceil();
    let full =
        (first as i64..last as i64).map(|hour| JulianDate::from_unix_s(hour as f64 * HOUR_S));
    let times = [span.from].into_iter().chain(full).chain([span.until]);
    times
        .map(|when| {
            let seen = night.moon_at(when);
            PlanMoonHour {
                at: text(when),
                altitude_deg: seen.altitude_deg,
                azimuth_deg: seen.azimuth_deg,
            }
        })
        .collect()
}

/// How much brighter the Moon makes the zenith when it stands highest in the dark, mag.
fn brighter_mag(observer: Observer, dark: Span, sky_mag: f64) -> f64 {
    const STEPS: u32 = 48;
    const ZENITH_DEG: f64 = 90.0;
    let at = |i: u32| {
        dark.from
            .plus_s(dark.seconds() * f64::from(i) / f64::from(STEPS))
    };
    (0..=STEPS)
        .map(at)
        .map(|when| {
            let body = moon(when);
            let altitude = body.horizontal(&observer, when).altitude_deg;
            let apart = ZENITH_DEG - altitude;
            sky_mag - moonlit_sky_mag(sky_mag, body.phase_angle_deg, altitude, ZENITH_DEG, apart)
        })
        .fold(0.0, f64::max)
}
