//! The night of a date at a place: twilight, and the Moon over it.

use crate::calendar::JulianDate;
use crate::horizon::Observer;
use crate::moon::moon;
use crate::sun::sun;

const DAY_S: f64 = 86_400.0;

/// Step of the search for rising and setting, s.
const STEP_S: f64 = 300.0;

/// Altitude at which the upper limb of Sun or Moon is on the horizon, degrees: 34' of
/// refraction and 16' of radius (the usual convention).
const ON_HORIZON_DEG: f64 = -0.833;

/// From a moment to a later one.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Span {
    /// Begin.
    pub from: JulianDate,
    /// End.
    pub until: JulianDate,
}

impl Span {
    /// Its length, s.
    pub fn seconds(&self) -> f64 {
        self.until.seconds_since(self.from)
    }
}

/// When the Sun is so far below the horizon.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Darkness {
    /// It is not, from noon to noon.
    Never,
    /// For a part of the night.
    During(Span),
    /// Always.
    Always(Span),
}

impl Darkness {
    /// The time, if any.
    pub fn span(&self) -> Option<Span> {
        match *self {
            Self::Never => None,
            Self::During(span) | Self::Always(span) => Some(span),
        }
    }
}

/// The Moon at a moment of the night.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct MoonHour {
    /// When.
    pub when: JulianDate,
    /// Above the horizon, degrees.
    pub altitude_deg: f64,
    /// From north through east, degrees.
    pub azimuth_deg: f64,
}

/// From one noon to the next at a place.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Night {
    observer: Observer,
    noon: JulianDate,
}

impl Night {
    /// The night that begins on the evening of a day.
    ///
    /// - `midday`: 12h UTC of the day's date; the place's own mean noon follows from it.
    pub fn new(observer: Observer, midday: JulianDate) -> Self {
        let noon = JulianDate::from_days(midday.days() - observer.longitude_deg / 360.0);
        Self { observer, noon }
    }

    /// Altitude of the Sun's middle, degrees, without refraction.
    pub fn sun_altitude_deg(&self, when: JulianDate) -> f64 {
        self.observer.horizontal(sun(when), when).altitude_deg
    }

    /// The Moon as seen from the place.
    pub fn moon_at(&self, when: JulianDate) -> MoonHour {
        let seen = moon(when).horizontal(&self.observer, when);
        MoonHour {
            when,
            altitude_deg: seen.altitude_deg,
            azimuth_deg: seen.azimuth_deg,
        }
    }

    /// From sunset to sunrise.
    pub fn sun_down(&self) -> Darkness {
        self.darkness(ON_HORIZON_DEG)
    }

    /// While the Sun stands `depression_deg` or more below the horizon: 6 is the end of
    /// civil, 12 of nautical, 18 of astronomical twilight.
    pub fn sun_below(&self, depression_deg: f64) -> Darkness {
        self.darkness(-depression_deg)
    }

    /// Lowest altitude of the Sun, degrees.
    pub fn lowest_sun_deg(&self) -> f64 {
        self.steps()
            .map(|when| self.sun_altitude_deg(when))
            .fold(f64::INFINITY, f64::min)
    }

    fn darkness(&self, altitude_deg: f64) -> Darkness {
        let above = |when| self.sun_altitude_deg(when) - altitude_deg;
        let whole = Span {
            from: self.noon,
            until: self.noon.plus_s(DAY_S),
        };
        let below: Vec<JulianDate> = self.steps().filter(|&when| above(when) <= 0.0).collect();
        let (Some(&first), Some(&last)) = (below.first(), below.last()) else {
            return Darkness::Never;
        };
        if first == whole.from {
            return Darkness::Always(whole);
        }
        Darkness::During(Span {
            from: crossing(above, first.plus_s(-STEP_S), first),
            until: crossing(above, last, last.plus_s(STEP_S)),
        })
    }

    /// When the Moon rises and sets: each change, and whether it is up after it.
    pub fn moon_changes(&self) -> Vec<(JulianDate, MoonIs)> {
        let above = |when| self.moon_at(when).altitude_deg - ON_HORIZON_DEG;
        let times: Vec<JulianDate> = self.steps().collect();
        let pairs = times.windows(2).map(|pair| (pair[0], pair[1]));
        pairs
            .filter(|&(a, b)| (above(a) > 0.0) != (above(b) > 0.0))
            .map(|(a, b)| {
                let now = if above(b) > 0.0 {
                    MoonIs::Up
                } else {
                    MoonIs::Down
                };
                (crossing(above, a, b), now)
            })
            .collect()
    }

    /// Parts of a span in which the Moon is down, in order.
    pub fn moonless(&self, span: Span) -> Vec<Span> {
        let mut edges = vec![span.from];
        let inside = |when: &JulianDate| *when > span.from && *when < span.until;
        edges.extend(
            self.moon_changes()
                .into_iter()
                .map(|(when, _)| when)
                .filter(inside),
        );
        edges.push(span.until);
        let parts = edges.windows(2).map(|pair| Span {
            from: pair[0],
            until: pair[1],
        });
        let down = |part: &Span| {
            let middle = part.from.plus_s(0.5 * part.seconds());
            self.moon_at(middle).altitude_deg <= ON_HORIZON_DEG
        };
        parts.filter(down).collect()
    }

    /// Share of the Moon's disk that is lit in the middle of the night, 0 to 1.
    pub fn moon_lit(&self) -> f64 {
        moon(self.noon.plus_s(0.5 * DAY_S)).lit()
    }

    /// From noon to noon.
    fn steps(&self) -> impl Iterator<Item = JulianDate> {
        let steps = (DAY_S / STEP_S) as u32;
        let noon = self.noon;
        (0..=steps).map(move |i| noon.plus_s(f64::from(i) * STEP_S))
    }
}

/// What the Moon is after a change.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum MoonIs {
    /// It rose.
    Up,
    /// It set.
    Down,
}

/// Where a function changes its sign between two moments, to a second.
fn crossing(above: impl Fn(JulianDate) -> f64, from: JulianDate, until: JulianDate) -> JulianDate {
    let (mut low, mut high) = (from, until);
    let positive = above(low) > 0.0;
    while high.seconds_since(low) > 0.5 {
        let middle = low.plus_s(0.5 * high.seconds_since(low));
        if (above(middle) > 0.0) == positive {
            low = middle;
        } else {
            high = middle;
        }
    }
    low
}
