//! `--utc-offset`, `--exposure`, `--focal`, `--pixel-pitch`, `--tolerance`, `--threads`.

use std::num::NonZeroUsize;

use crate::error::Error;
use crate::units::{Length, Pixels, Seconds};

use super::refuse::Wanted;

const UTC_OFFSET: Wanted = Wanted {
    flag: "--utc-offset",
    allowed: "what the camera's clock is ahead of UTC, -12:00 to +14:00",
    example: "--utc-offset +01:00 (British summer time), --utc-offset -05:00",
};
const EXPOSURE: Wanted = Wanted {
    flag: "--exposure",
    allowed: "seconds above 0, at most 86400; 90, 1m30s and 1/4 are understood",
    example: "--exposure 60",
};
const FOCAL: Wanted = Wanted {
    flag: "--focal",
    allowed: "the lens's own focal length (not the 35 mm equivalent) in millimetres, 1 to 10000",
    example: "--focal 135",
};
const PITCH: Wanted = Wanted {
    flag: "--pixel-pitch",
    allowed: "the side of one pixel in micrometres, 0.5 to 100",
    example: "--pixel-pitch 3.9",
};
const TOLERANCE: Wanted = Wanted {
    flag: "--tolerance",
    allowed: "pixels of trail that you accept, above 0, at most 1000",
    example: "--tolerance 1.5",
};
const THREADS: Wanted = Wanted {
    flag: "--threads",
    allowed: "a whole number from 1 to 1024",
    example: "--threads 2",
};

/// The camera clock's zone, seconds east of UTC: `+01:00`, `-0700`, `5.5`, `UTC+2`, `Z`.
///
/// # Errors
/// When it is no offset of a time zone.
pub fn read_utc_offset(text: &str) -> Result<Seconds, Error> {
    let upper = text.trim().to_ascii_uppercase().replace('\u{2212}', "-");
    let bare = ["UTC", "GMT"]
        .iter()
        .find_map(|zone| upper.strip_prefix(zone))
        .unwrap_or(&upper)
        .trim();
    if bare.is_empty() && upper.len() > bare.len() || bare == "Z" {
        return Ok(Seconds::new(0.0));
    }
    let (sign, digits) = match bare.strip_prefix('-') {
        Some(rest) => (-1.0, rest),
        None => (1.0, bare.strip_prefix('+').unwrap_or(bare)),
    };
    let hours = hours(digits).ok_or_else(|| UTC_OFFSET.refuse(text, "no hours and minutes"))?;
    let seconds = sign * hours * 3600.0;
    if !(-12.0 * 3600.0..=14.0 * 3600.0).contains(&seconds) {
        return Err(UTC_OFFSET.refuse(text, "no zone of the Earth is that far from UTC"));
    }
    Ok(Seconds::new(seconds))
}

/// `1`, `01:00`, `0130`, `5.5`; nothing with a sign.
fn hours(digits: &str) -> Option<f64> {
    let plain = |part: &str| {
        let all_digits = !part.is_empty() && part.bytes().all(|byte| byte.is_ascii_digit());
        all_digits.then(|| part.parse::<f64>().ok()).flatten()
    };
    let parts = match (digits.split_once(':'), digits.len()) {
        (Some((hours, minutes)), _) => (plain(hours)?, plain(minutes)?),
        (None, 4) if plain(digits).is_some() => (plain(&digits[..2])?, plain(&digits[2..])?),
        _ if digits.starts_with(|first: char| first.is_ascii_digit()) => {
            return digits.parse().ok();
        }
        _ => return None,
    };
    (parts.1 < 60.0).then_some(parts.0 + parts.1 / 60.0)
}

/// Exposure time: `60`, `60s`, `2.5`, `1m30s`, `1/4`.
///
/// # Errors
/// When it is no time, or not above 0 and at most a day.
pub fn read_exposure(text: &str) -> Result<Seconds, Error> {
    let trimmed = text.trim();
    let seconds = if let Some((above, below)) = trimmed.split_once('/') {
        number(above).zip(number(below)).map(|(a, b)| a / b)
    } else if let Some((minutes, seconds)) = trimmed.split_once(['m', ':']) {
        let seconds = seconds.trim_end_matches('s');
        let seconds = if seconds.is_empty() {
            Some(0.0)
        } else {
            number(seconds)
        };
        number(minutes).zip(seconds).map(|(m, s)| 60.0 * m + s)
    } else {
        number(trimmed.trim_end_matches('s'))
    };
    let seconds = seconds.ok_or_else(|| EXPOSURE.refuse(text, "no time in seconds"))?;
    if seconds > 0.0 && seconds <= 86_400.0 {
        Ok(Seconds::new(seconds))
    } else {
        Err(EXPOSURE.refuse(text, "out of range"))
    }
}

/// Focal length of the lens: `135`, `135mm`.
///
/// # Errors
/// When it is no length from 1 to 10000 mm.
pub fn read_focal_length(text: &str) -> Result<Length, Error> {
    between(text, &["mm"], 1.0, 10_000.0, &FOCAL).map(Length::from_mm)
}

/// Side of one pixel: `3.9`, `3.9um`.
///
/// # Errors
/// When it is no length from 0.5 to 100 micrometres.
pub fn read_pixel_pitch(text: &str) -> Result<Length, Error> {
    between(text, &["um", "\u{b5}m", "\u{3bc}m"], 0.5, 100.0, &PITCH).map(Length::from_um)
}

/// Trail that is still called good: `1.5`, `1.5px`.
///
/// # Errors
/// When it is not above 0 and at most 1000 pixels.
pub fn read_tolerance(text: &str) -> Result<Pixels, Error> {
    between(text, &["px"], f64::MIN_POSITIVE, 1000.0, &TOLERANCE).map(Pixels::new)
}

/// Number of threads.
///
/// # Errors
/// When it is no whole number from 1 to 1024.
pub fn read_threads(text: &str) -> Result<NonZeroUsize, Error> {
    text.trim()
        .parse::<NonZeroUsize>()
        .ok()
        .filter(|count| count.get() <= 1024)
        .ok_or_else(|| THREADS.refuse(text, "out of range or no whole number"))
}

/// A list with commas between its items; an empty item is refused as such.
///
/// # Errors
/// At the first item that is not usable.
pub(super) fn list<T>(
    text: &str,
    read: impl Fn(&str) -> Result<T, Error>,
) -> Result<Vec<T>, Error> {
    text.split([',', ';'])
        .map(|item| read(item.trim()))
        .collect()
}

/// A number within limits, with one of the units or none.
///
/// # Errors
/// When it is no number or beyond the limits.
pub(super) fn between(
    text: &str,
    units: &[&str],
    lowest: f64,
    highest: f64,
    wanted: &Wanted,
) -> Result<f64, Error> {
    let trimmed = text.trim();
    let bare = units
        .iter()
        .find_map(|unit| trimmed.strip_suffix(unit))
        .unwrap_or(trimmed);
    let value = number(bare).ok_or_else(|| wanted.refuse(text, "no number"))?;
    if (lowest..=highest).contains(&value) {
        Ok(value)
    } else {
        Err(wanted.refuse(text, "out of range"))
    }
}

/// A finite number with a decimal point; `inf` and `nan` are none.
fn number(text: &str) -> Option<f64> {
    text.trim()
        .parse::<f64>()
        .ok()
        .filter(|value| value.is_finite())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn offsets_in_many_spellings() {
        for (text, hours) in [
            ("+01:00", 1.0),
            ("-07:00", -7.0),
            ("\u{2212}07:00", -7.0),
            ("-0330", -3.5),
            ("+5:45", 5.75),
            ("5.5", 5.5),
            ("2", 2.0),
            ("UTC+2", 2.0),
            ("gmt", 0.0),
            ("Z", 0.0),
            ("+14:00", 14.0),
        ] {
            let read = read_utc_offset(text).unwrap().s();
            assert!((read - 3600.0 * hours).abs() < 1e-6, "{text}: {read}");
        }
    }

    #[test]
    fn what_is_no_offset_is_refused() {
        for text in [
            "", "+15:00", "+1:75", "CET", "--brief", "+-1", "nan", "1e1e1",
        ] {
            assert!(read_utc_offset(text).is_err(), "{text}");
        }
    }

    #[test]
    fn exposures_in_many_spellings() {
        for (text, seconds) in [
            ("60", 60.0),
            ("60s", 60.0),
            ("2.5", 2.5),
            ("1m30s", 90.0),
            ("2m", 120.0),
            ("1:30", 90.0),
            ("1/4", 0.25),
        ] {
            let read = read_exposure(text).unwrap().s();
            assert!((read - seconds).abs() < 1e-12, "{text}");
        }
        for text in ["0", "-3", "1/0", "nan", "long", "100000", "1h"] {
            assert!(read_exposure(text).is_err(), "{text}");
        }
    }

    #[test]
    fn lengths_take_their_unit_or_none() {
        assert!((read_focal_length("135mm").unwrap().mm() - 135.0).abs() < 1e-12);
        assert!((read_pixel_pitch("3.9\u{b5}m").unwrap().um() - 3.9).abs() < 1e-12);
        assert!(read_focal_length("0").is_err() && read_pixel_pitch("0.004").is_err());
    }

    #[test]
    fn tolerances_and_threads_have_limits() {
        assert!((read_tolerance("1.5px").unwrap().px() - 1.5).abs() < 1e-12);
        assert!(read_tolerance("0").is_err() && read_tolerance("inf").is_err());
        assert_eq!(read_threads("2").unwrap().get(), 2);
        assert!(read_threads("0").is_err() && read_threads("1.5").is_err());
    }
}
