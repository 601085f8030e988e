//! `--facing`, `--altitude`, `--roll` and `--at`: where the camera looked.

use crate::error::Error;
use crate::sky::{Direction, Horizon, Icrs};
use crate::units::Angle;

use super::angle_text::{WrittenUnit, read_angle};
use super::refuse::{Wanted, nearest};

const FACING: Wanted = Wanted {
    flag: "--facing",
    allowed: "a side of the sky (n, ne, east, south-west, ssw ...) or an azimuth in degrees, 0 north, 90 east",
    example: "--facing south-east --altitude 40",
};
const ALTITUDE: Wanted = Wanted {
    flag: "--altitude",
    allowed: "degrees above the horizon, -5 to 90",
    example: "--facing south --altitude 40",
};
const ROLL: Wanted = Wanted {
    flag: "--roll",
    allowed: "degrees that the camera was turned clockwise seen from behind it, -360 to 360, 0 level",
    example: "--roll 90",
};
const AT: Wanted = Wanted {
    flag: "--at",
    allowed: "RIGHT ASCENSION,DECLINATION: hours as 5h35m17s or 5:35:17, degrees as 83.8d; declination in degrees",
    example: "--at 5h35m17s,-5d23m   or   --at 83.82d,-5.39",
};

/// The sixteen sides of the compass, clockwise from north.
const SIDES: [(&str, &str); 16] = [
    ("n", "north"),
    ("nne", "north-north-east"),
    ("ne", "north-east"),
    ("ene", "east-north-east"),
    ("e", "east"),
    ("ese", "east-south-east"),
    ("se", "south-east"),
    ("sse", "south-south-east"),
    ("s", "south"),
    ("ssw", "south-south-west"),
    ("sw", "south-west"),
    ("wsw", "west-south-west"),
    ("w", "west"),
    ("wnw", "west-north-west"),
    ("nw", "north-west"),
    ("nnw", "north-north-west"),
];

/// Azimuth, north through east, from a side of the sky or degrees.
///
/// # Errors
/// When it is neither, with the nearest side's name.
pub fn read_facing(text: &str) -> Result<Angle, Error> {
    if let Ok(deg) = text.trim().parse::<f64>() {
        return if deg.abs() <= 360.0 {
            Ok(Angle::from_deg(deg).wrapped_positive())
        } else {
            Err(FACING.refuse(text, "not between -360 and 360 degrees"))
        };
    }
    let squeezed = |name: &str| -> String {
        name.to_lowercase()
            .chars()
            .filter(|letter| letter.is_alphanumeric())
            .collect()
    };
    let typed = squeezed(text);
    let found = SIDES
        .iter()
        .position(|(short, long)| typed == *short || typed == squeezed(long));
    match found {
        Some(nth) => Ok(Angle::from_deg(22.5 * nth as f64)),
        None => {
            let names = SIDES.iter().map(|(_, long)| *long);
            let near = nearest(text, names)
                .map(|name| format!(" (did you mean \"{name}\"?)"))
                .unwrap_or_default();
            Err(FACING.refuse(text, format!("no side of the sky{near}")))
        }
    }
}

/// Altitude of the frame's centre.
///
/// # Errors
/// Outside -5 to 90 degrees, or no angle at all.
pub fn read_altitude(text: &str) -> Result<Angle, Error> {
    degrees(text, &ALTITUDE, -5.0, 90.0)
}

/// Turn of the camera, clockwise seen from behind it.
///
/// # Errors
/// Outside -360 to 360 degrees, or no angle at all.
pub fn read_roll(text: &str) -> Result<Angle, Error> {
    degrees(text, &ROLL, -360.0, 360.0)
}

fn degrees(text: &str, wanted: &Wanted, lowest: f64, highest: f64) -> Result<Angle, Error> {
    let angle = read_angle(text).map_err(|reason| wanted.refuse(text, reason))?;
    if angle.side.is_some() || angle.unit == WrittenUnit::Hours {
        return Err(wanted.refuse(text, "not in degrees"));
    }
    if !(lowest..=highest).contains(&angle.value) {
        return Err(wanted.refuse(text, format!("not between {lowest} and {highest} degrees")));
    }
    Ok(Angle::from_deg(angle.value))
}

/// The direction over the ground that a facing and an altitude give.
pub fn ground(facing: Angle, altitude: Angle) -> Direction<Horizon> {
    Direction::from_az_alt(facing, altitude)
}

/// Right ascension and declination, ICRS.
///
/// A right ascension with `h` or written in sixtieths is in hours; with `d` in degrees; a bare
/// number is taken as degrees above 24 and refused below, where it could be either.
///
/// # Errors
/// When either part is no angle, out of range, or could be read two ways.
pub fn read_at(text: &str) -> Result<Direction<Icrs>, Error> {
    let refuse = |reason: String| AT.refuse(text, reason);
    let (ra_text, dec_text) = split_at_comma_or_sign(text)
        .ok_or_else(|| refuse("two angles are needed, with a comma between them".into()))?;
    let ra = read_angle(ra_text).map_err(refuse)?;
    let dec = read_angle(dec_text).map_err(refuse)?;
    if ra.side.is_some() || dec.side.is_some() || dec.unit == WrittenUnit::Hours {
        return Err(refuse(
            "letters of the compass or hours out of place".into(),
        ));
    }
    let hours = match ra.unit {
        WrittenUnit::Hours => ra.value,
        WrittenUnit::Degrees => ra.value / 15.0,
        WrittenUnit::Bare if ra.sexagesimal => ra.value,
        WrittenUnit::Bare if ra.value > 24.0 => ra.value / 15.0,
        WrittenUnit::Bare => {
            return Err(refuse(format!(
                "right ascension {ra_text} could be hours or degrees; write {ra_text}h or {ra_text}d"
            )));
        }
    };
    if !(0.0..=24.0).contains(&hours) {
        return Err(refuse(
            "right ascension is not between 0 and 24 hours (0 and 360 degrees)".into(),
        ));
    }
    if dec.value.abs() > 90.0 {
        return Err(refuse("declination is beyond 90 degrees".into()));
    }
    Ok(Direction::from_ra_dec(
        Angle::from_hours(hours),
        Angle::from_deg(dec.value),
    ))
}

/// The two halves: at the comma, or in front of the declination's sign.
fn split_at_comma_or_sign(text: &str) -> Option<(&str, &str)> {
    if let Some((ra, dec)) = text.split_once([',', ';']) {
        return Some((ra.trim(), dec.trim()));
    }
    let sign = text
        .char_indices()
        .skip(1)
        .find(|(_, letter)| ['+', '-', '\u{2212}'].contains(letter))?;
    Some((text[..sign.0].trim(), text[sign.0..].trim()))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn sides_in_any_spelling() {
        for (text, deg) in [
            ("n", 0.0),
            ("East", 90.0),
            ("south-west", 225.0),
            ("South West", 225.0),
            ("southwest", 225.0),
            ("nnw", 337.5),
            ("270", 270.0),
            ("-90", 270.0),
            ("360", 0.0),
        ] {
            let azimuth = read_facing(text).unwrap();
            assert!((azimuth.deg() - deg).abs() < 1e-9, "{text}");
        }
    }

    #[test]
    fn a_mistyped_side_brings_the_nearest() {
        let error = read_facing("soth").unwrap_err();
        assert!(error.context.contains("did you mean \"south\"?"), "{error}");
        assert!(read_facing("up").is_err());
        assert!(read_facing("nan").is_err() && read_facing("inf").is_err());
    }

    #[test]
    fn the_same_star_in_many_spellings() {
        for text in [
            "5h35m17s,-5d23m28s",
            "5:35:17,-5:23:28",
            "5 35 17 -5 23 28",
            "5h35m17s -5.391111",
            "83.820833d,-5.391111",
            "83.820833,-5.391111",
            "5.588056h;-5\u{b0}23'28\"",
        ] {
            let (ra, dec) = read_at(text).unwrap().ra_dec();
            assert!((ra.deg() - 83.820_833).abs() < 1e-4, "{text}: {ra:?}");
            assert!((dec.deg() + 5.391_111).abs() < 1e-4, "{text}: {dec:?}");
        }
    }

    #[test]
    fn a_right_ascension_that_could_be_either_is_refused() {
        let error = read_at("5.5,-5").unwrap_err();
        assert!(error.context.contains("write 5.5h or 5.5d"), "{error}");
        for bad in ["25h,0", "12h,91", "12h", "12h,5N", "-5h,3", "370d,0"] {
            assert!(read_at(bad).is_err(), "{bad}");
        }
    }

    #[test]
    fn altitudes_have_limits() {
        assert!((read_altitude("40.5").unwrap().deg() - 40.5).abs() < 1e-12);
        assert!((read_altitude("-2").unwrap().deg() + 2.0).abs() < 1e-12);
        assert!(read_altitude("91").is_err() && read_altitude("2h").is_err());
        assert!((read_roll("-90").unwrap().deg() + 90.0).abs() < 1e-12);
    }
}
