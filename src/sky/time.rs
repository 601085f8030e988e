//! From a UTC instant to the time scales that directions need: TT for the motion of the Earth's
//! orbit and axis, UT1 for its rotation.
//!
//! Leap seconds come from the table of SOFA (last one: end of 2016), UT1 is UTC unless the caller
//! knows better. Source: [SOFA] "SOFA Time Scale and Calendar Tools".

use jiff::Timestamp;
use jiff::tz::TimeZone;
use sofars::ts::dat;

use crate::error::Warning;
use crate::units::Seconds;

/// Julian date of 1970-01-01T00:00:00, where `Timestamp` counts from.
const UNIX_EPOCH_JD: f64 = 2_440_587.5;
/// Seconds of a day.
const DAY_S: f64 = 86_400.0;
/// TT - TAI in seconds, by definition. Source: IAU 1991 resolution A4.
const TT_MINUS_TAI_S: f64 = 32.184;
/// Largest |UT1 - UTC| in seconds that leap seconds allow. Source: ITU-R TF.460-6.
pub const LARGEST_UT1_MINUS_UTC: Seconds = Seconds::new(0.9);

/// How UT1, the angle of the turning Earth, is known.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub enum Ut1 {
    /// Not known: UTC stands in for it, wrong by up to 0.9 s or 13.5" of hour angle.
    #[default]
    AsUtc,
    /// UT1 - UTC from a bulletin.
    MinusUtc(Seconds),
}

impl Ut1 {
    /// UT1 - UTC as used.
    pub fn minus_utc(self) -> Seconds {
        match self {
            Ut1::AsUtc => Seconds::new(0.0),
            Ut1::MinusUtc(difference) => difference,
        }
    }
    /// The warning that belongs to the result when UTC stands in for UT1.
    pub fn warning(self) -> Option<Warning> {
        (self == Ut1::AsUtc).then(|| {
            Warning::new(
                "no UT1 value for this date, UTC used: hour angles may be off by up to 0.9 s, 13.5 arcsec",
            )
        })
    }
}

/// A Julian date in two parts, so that fractions of a second survive.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct JulianDate {
    /// The midnight before, a whole number and a half.
    pub day: f64,
    /// Days since that midnight; a little outside [0, 1) where a scale is offset from UTC.
    pub fraction: f64,
}

impl JulianDate {
    /// The same date so many seconds later.
    pub fn plus(self, seconds: f64) -> Self {
        Self {
            fraction: self.fraction + seconds / DAY_S,
            ..self
        }
    }
    /// Julian years since J2000.0.
    pub fn julian_years_since_j2000(self) -> f64 {
        ((self.day - 2_451_545.0) + self.fraction) / 365.25
    }
}

/// One instant in the three time scales.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct TimeScales {
    /// Coordinated Universal Time.
    pub utc: JulianDate,
    /// Terrestrial Time.
    pub tt: JulianDate,
    /// Universal Time, the Earth's rotation.
    pub ut1: JulianDate,
}

impl TimeScales {
    /// The time scales of a UTC instant.
    ///
    /// Valid: any instant; before 1960, when there was no UTC, TAI - UTC counts as zero. On the
    /// day of a leap second the fraction is of 86400 s, as `Timestamp` counts.
    /// Source: [SOFA] `dat`.
    pub fn of(utc: Timestamp, ut1: Ut1) -> Self {
        let jd = utc_julian_date(utc);
        let date = utc.to_zoned_datetime(TimeZone::UTC).date();
        let tai_minus_utc = dat(
            date.year().into(),
            date.month().into(),
            date.day().into(),
            jd.fraction,
        )
        .unwrap_or(0.0);
        Self {
            utc: jd,
            tt: jd.plus(tai_minus_utc + TT_MINUS_TAI_S),
            ut1: jd.plus(ut1.minus_utc().s()),
        }
    }
}

fn utc_julian_date(utc: Timestamp) -> JulianDate {
    let nanoseconds_a_day = 86_400_000_000_000_i128;
    let since = utc.as_nanosecond();
    let days = since.div_euclid(nanoseconds_a_day);
    let rest = since.rem_euclid(nanoseconds_a_day);
    JulianDate {
        day: UNIX_EPOCH_JD + days as f64,
        fraction: rest as f64 / nanoseconds_a_day as f64,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn instant(text: &str) -> Timestamp {
        text.parse().unwrap()
    }

    #[test]
    fn j2000_in_terrestrial_time_is_64_184_seconds_after_the_same_reading_of_utc() {
        let scales = TimeScales::of(instant("2000-01-01T12:00:00Z"), Ut1::AsUtc);
        assert_eq!(scales.utc.day + scales.utc.fraction, 2_451_545.0);
        let years_s = scales.tt.julian_years_since_j2000() * 365.25 * DAY_S;
        assert!((years_s - 64.184).abs() < 1e-4, "{years_s}");
    }

    #[test]
    fn leap_seconds_count_from_the_day_after() {
        let before = TimeScales::of(instant("2016-12-31T23:59:59Z"), Ut1::AsUtc);
        let after = TimeScales::of(instant("2017-01-01T00:00:00Z"), Ut1::AsUtc);
        let offset = |scales: TimeScales| (scales.tt.fraction - scales.utc.fraction) * DAY_S;
        assert!((offset(before) - 68.184).abs() < 1e-6);
        assert!((offset(after) - 69.184).abs() < 1e-6);
    }

    #[test]
    fn a_clock_that_was_never_set_is_still_a_date() {
        for text in [
            "1970-01-01T00:00:00Z",
            "0001-01-01T00:00:00Z",
            "-009999-06-01T00:00:00Z",
            "9999-12-30T00:00:00Z",
        ] {
            let scales = TimeScales::of(instant(text), Ut1::AsUtc);
            assert!((0.0..1.0).contains(&scales.utc.fraction), "{text}");
        }
    }

    #[test]
    fn a_bulletin_value_moves_ut1_alone_and_silences_the_warning() {
        let known = Ut1::MinusUtc(Seconds::new(-0.3));
        let scales = TimeScales::of(instant("2026-03-01T20:00:00Z"), known);
        let difference_s = (scales.ut1.fraction - scales.utc.fraction) * DAY_S;
        assert!((difference_s + 0.3).abs() < 1e-6);
        assert!(known.warning().is_none());
        assert!(Ut1::AsUtc.warning().unwrap().text.contains("13.5 arcsec"));
    }
}
