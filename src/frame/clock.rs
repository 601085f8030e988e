//! Dates, clocks and zones as files write them.

use jiff::civil::DateTime;
use jiff::tz::Offset;
use jiff::{SignedDuration, Timestamp};

/// Most hours that a zone may be off UTC; the widest in use is +14.
const MAX_ZONE_HOURS: i32 = 15;

/// A civil time from EXIF's "YYYY:MM:DD HH:MM:SS" and its fraction digits ("5" is half a second).
///
/// Source: [EXIF] 3.0, section 4.6.6 (DateTimeOriginal, SubSecTimeOriginal). Blank, all-zero and
/// impossible dates give `None`; other separators than colons are let pass.
pub(super) fn exif_time(text: &str, fraction: Option<&str>) -> Option<DateTime> {
    let numbers = numbers_of(text)?;
    let [year, month, day, hour, minute, second] = numbers;
    let nanosecond = fraction.map_or(0, fraction_nanoseconds);
    civil(year, month, day, hour, minute, second, nanosecond)
}

/// The six numbers of a date and time of day, whatever stands between them.
fn numbers_of(text: &str) -> Option<[i32; 6]> {
    let mut numbers = text
        .split(|c: char| !c.is_ascii_digit())
        .filter(|part| !part.is_empty())
        .map(|part| part.parse::<i32>().ok());
    let mut six = [0; 6];
    for slot in &mut six {
        *slot = numbers.next()??;
    }
    Some(six)
}

fn civil(
    year: i32,
    month: i32,
    day: i32,
    hour: i32,
    minute: i32,
    second: i32,
    ns: i32,
) -> Option<DateTime> {
    // Cameras without a set clock start at 1970 or 1980; no digital test frame is older than 1990.
    if !(1990..=2200).contains(&year) {
        return None;
    }
    let small = |value: i32| i8::try_from(value).ok();
    DateTime::new(
        i16::try_from(year).ok()?,
        small(month)?,
        small(day)?,
        small(hour)?,
        small(minute)?,
        small(second)?,
        ns,
    )
    .ok()
}

/// Digits behind the point as nanoseconds: "07" is 70 milliseconds.
fn fraction_nanoseconds(digits: &str) -> i32 {
    digits
        .trim()
        .chars()
        .map_while(|c| c.to_digit(10))
        .zip((0..9).rev())
        .map(|(digit, power)| digit as i32 * 10i32.pow(power))
        .sum()
}

/// A zone from EXIF's "+HH:MM", "-HH:MM" or "Z".
///
/// Source: [EXIF] 3.0, section 4.6.6 (OffsetTimeOriginal).
pub(super) fn exif_zone(text: &str) -> Option<Offset> {
    let text = text.trim();
    if text.eq_ignore_ascii_case("z") {
        return Some(Offset::UTC);
    }
    let (sign, rest) = match text.as_bytes().first()? {
        b'+' => (1, &text[1..]),
        b'-' => (-1, &text[1..]),
        _ => return None,
    };
    let digits: String = rest.chars().filter(|&c| c != ':').collect();
    if digits.len() != 4 || !digits.bytes().all(|b| b.is_ascii_digit()) {
        return None;
    }
    let (hours, minutes): (i32, i32) = (digits[..2].parse().ok()?, digits[2..].parse().ok()?);
    if hours >= MAX_ZONE_HOURS || minutes >= 60 {
        return None;
    }
    Offset::from_seconds(sign * (hours * 3600 + minutes * 60)).ok()
}

/// A UTC time from FITS' "YYYY-MM-DDThh:mm:ss.sss"; a date alone gives `None`.
///
/// Source: [FITS] 4.0, section 4.4.2.1 (DATE-OBS) and 9.1.1 (format).
pub(super) fn fits_time(text: &str) -> Option<Timestamp> {
    let (whole, fraction) = match text.trim().trim_end_matches('Z').split_once('.') {
        Some((whole, fraction)) => (whole, Some(fraction)),
        None => (text.trim().trim_end_matches('Z'), None),
    };
    Offset::UTC.to_timestamp(exif_time(whole, fraction)?).ok()
}

/// The zone that makes a clock agree with a satellite time, if it is a whole quarter of an hour
/// within a minute; else the fix is too old to tell.
pub(super) fn zone_from_satellite(clock: DateTime, satellite: Timestamp) -> Option<Offset> {
    const QUARTER_S: i64 = 900;
    const AGREEMENT_S: i64 = 60;
    let as_if_utc = Offset::UTC.to_timestamp(clock).ok()?;
    let difference = as_if_utc.duration_since(satellite).as_secs();
    let zone = (difference + QUARTER_S / 2).div_euclid(QUARTER_S) * QUARTER_S;
    let plausible =
        (difference - zone).abs() <= AGREEMENT_S && zone.abs() < i64::from(MAX_ZONE_HOURS) * 3600;
    plausible
        .then(|| Offset::from_seconds(zone as i32).ok())
        .flatten()
}

/// UTC of a clock in a zone.
pub(super) fn utc_of(clock: DateTime, zone: Offset) -> Option<Timestamp> {
    zone.to_timestamp(clock).ok()
}

/// UTC of a date stamp and the seconds of its day.
pub(super) fn utc_of_day(date: &str, seconds_of_day: f64) -> Option<Timestamp> {
    let midnight = exif_time(&format!("{date} 00:00:00"), None)?;
    let within_day = (0.0..86_400.0).contains(&seconds_of_day);
    let since = SignedDuration::try_from_secs_f64(seconds_of_day).ok()?;
    within_day
        .then(|| {
            Offset::UTC
                .to_timestamp(midnight)
                .ok()?
                .checked_add(since)
                .ok()
        })
        .flatten()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn fractions_are_digits_behind_the_point() {
        let at = |fraction| {
            exif_time("2021:09:29 19:10:19", Some(fraction))
                .unwrap()
                .subsec_nanosecond()
        };
        assert_eq!(at("5"), 500_000_000);
        assert_eq!(at("50 "), 500_000_000);
        assert_eq!(at("07"), 70_000_000);
        assert_eq!(at(""), 0);
        assert_eq!(at("1234567891"), 123_456_789);
    }

    #[test]
    fn blank_and_impossible_dates_give_nothing() {
        for text in [
            "    :  :     :  :  ",
            "0000:00:00 00:00:00",
            "2021:13:01 00:00:00",
            "1970:01:01 00:00:00",
            "2021:02:29 10:00:00",
            "2021:09:29",
            "",
        ] {
            assert_eq!(exif_time(text, None), None, "{text}");
        }
    }

    #[test]
    fn zones_of_half_and_quarter_hours_and_negative_zero() {
        let seconds = |text| exif_zone(text).map(|zone| zone.seconds());
        assert_eq!(seconds("+05:30"), Some(19_800));
        assert_eq!(seconds("-03:30"), Some(-12_600));
        assert_eq!(seconds("-00:30"), Some(-1_800));
        assert_eq!(seconds("+05:45"), Some(20_700));
        assert_eq!(seconds("-00:00"), Some(0));
        assert_eq!(seconds("Z"), Some(0));
        for text in ["", "   :  ", "05:30", "+5", "+24:00", "+01:75", "+é1:00"] {
            assert_eq!(exif_zone(text), None, "{text}");
        }
    }

    #[test]
    fn a_clock_in_a_zone_becomes_utc() {
        let clock = exif_time("2021:09:29 19:10:19", Some("5")).unwrap();
        let utc = utc_of(clock, exif_zone("+05:30").unwrap()).unwrap();
        assert_eq!(utc.to_string(), "2021-09-29T13:40:19.5Z");
    }

    #[test]
    fn fits_times_carry_fractions_and_need_a_time_of_day() {
        let utc = fits_time("2026-06-27T21:23:28.536").unwrap();
        assert_eq!(utc.to_string(), "2026-06-27T21:23:28.536Z");
        assert_eq!(fits_time("2026-06-27"), None);
    }

    #[test]
    fn a_fresh_satellite_time_tells_the_zone_and_an_old_one_does_not() {
        let clock = exif_time("2021:09:29 19:10:19", None).unwrap();
        let fresh = utc_of_day("2021:09:29", 13.0 * 3600.0 + 40.0 * 60.0).unwrap();
        assert_eq!(zone_from_satellite(clock, fresh), exif_zone("+05:30"));
        let old = utc_of_day("2021:09:29", 13.0 * 3600.0 + 33.0 * 60.0).unwrap();
        assert_eq!(zone_from_satellite(clock, old), None);
        assert_eq!(utc_of_day("2021:09:29", 90_000.0), None);
        assert_eq!(utc_of_day("2021:09:29", f64::NAN), None);
    }
}
