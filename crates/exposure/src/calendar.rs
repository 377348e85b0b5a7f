//! Moments as Julian Dates.

/// A moment of universal time: days since noon of 1 January 4713 BC, Julian calendar.
///
/// UTC, UT1 and the time of the ephemerides are taken for one: they differ by about a
/// minute, in which the Moon moves by half an arcminute.
#[derive(Clone, Copy, Debug, PartialEq, PartialOrd)]
pub struct JulianDate(f64);

/// The Julian Date of 1970-01-01, 0h.
const UNIX_EPOCH: f64 = 2_440_587.5;

const S_PER_DAY: f64 = 86_400.0;

impl JulianDate {
    /// A date by its days.
    pub fn from_days(days: f64) -> Self {
        Self(days)
    }

    /// A moment by the seconds since 1970-01-01, 0h UTC, without leap seconds.
    pub fn from_unix_s(seconds: f64) -> Self {
        Self(UNIX_EPOCH + seconds / S_PER_DAY)
    }

    /// Days.
    pub fn days(self) -> f64 {
        self.0
    }

    /// Seconds since 1970-01-01, 0h UTC.
    pub fn unix_s(self) -> f64 {
        (self.0 - UNIX_EPOCH) * S_PER_DAY
    }

    /// So many seconds later.
    pub fn plus_s(self, seconds: f64) -> Self {
        Self(self.0 + seconds / S_PER_DAY)
    }

    /// Seconds from `earlier` to `self`.
    pub fn seconds_since(self, earlier: Self) -> f64 {
        (self.0 - earlier.0) * S_PER_DAY
    }

    /// Days since noon of 1 January 2000.
    pub(crate) fn days_since_2000(self) -> f64 {
        self.0 - 2_451_545.0
    }

    /// Centuries of 36525 days since then.
    pub(crate) fn centuries_since_2000(self) -> f64 {
        self.days_since_2000() / 36_525.0
    }
}
