//! `--site`: where the camera stood, in the spellings that maps and phones give.

use crate::error::Error;
use crate::units::{Angle, Site};

use super::angle_text::{WrittenAngle, WrittenUnit, read_angle};
use super::refuse::Wanted;

const WANTED: Wanted = Wanted {
    flag: "--site",
    allowed: "LATITUDE,LONGITUDE in degrees, north and east positive, and the height in metres after them if you like",
    example: "--site 51.5,-0.1   or   --site \"51 30 00 N, 0 06 00 W\"",
};

/// Reads `51.5,-0.1`, `51.5,-0.1,120m`, `51.5N 0.1W`, `51 30 00 N, 0 06 00 W`, `0.1W,51.5N`.
///
/// # Errors
/// When it is no place on the Earth, with the reason.
pub fn read_site(text: &str) -> Result<Site, Error> {
    let refuse = |reason: String| WANTED.refuse(text, reason);
    let (first, second, height) = split(text).map_err(refuse)?;
    let first = read_angle(&first).map_err(refuse)?;
    let second = read_angle(&second).map_err(refuse)?;
    let (latitude, longitude) = by_sides(first, second).map_err(refuse)?;
    if latitude.abs() > 90.0 {
        let swapped = longitude.abs() <= 90.0;
        let advice = if swapped {
            " (latitude comes first)"
        } else {
            ""
        };
        return Err(refuse(format!(
            "latitude {latitude} is beyond 90 degrees{advice}"
        )));
    }
    let site = Site::new(Angle::from_deg(latitude), Angle::from_deg(longitude))
        .ok_or_else(|| refuse(format!("longitude {longitude} is beyond 360 degrees")))?;
    match height {
        None => Ok(site),
        Some(height) => read_height(&height)
            .map(|metres| site.at_height_m(metres))
            .map_err(refuse),
    }
}

/// The two angles and the height as written.
fn split(text: &str) -> Result<(String, String, Option<String>), String> {
    let parts: Vec<&str> = text.split([',', ';']).map(str::trim).collect();
    match parts.as_slice() {
        [one] => split_without_comma(one).map(|(first, second)| (first, second, None)),
        [first, second] => Ok((first.to_string(), second.to_string(), None)),
        [first, second, height] => Ok((
            first.to_string(),
            second.to_string(),
            Some(height.to_string()),
        )),
        _ => Err("too many commas (write decimals with a point)".into()),
    }
}

/// Splits at a capital side letter or, without one, in the middle of the words.
fn split_without_comma(text: &str) -> Result<(String, String), String> {
    let letters: Vec<usize> = text
        .char_indices()
        .filter(|(_, letter)| "NSEW".contains(*letter))
        .map(|(at, _)| at)
        .collect();
    let cut = match letters.as_slice() {
        [0, second] => *second,
        [first, _] => first + 1,
        _ => {
            let words: Vec<&str> = text.split_whitespace().collect();
            if words.len() < 2 || !words.len().is_multiple_of(2) {
                return Err("one place needs two angles with a comma between them".into());
            }
            let (first, second) = words.split_at(words.len() / 2);
            return Ok((first.join(" "), second.join(" ")));
        }
    };
    Ok((text[..cut].to_string(), text[cut..].to_string()))
}

/// Latitude and longitude in degrees, put in order and signed by their letters.
fn by_sides(first: WrittenAngle, second: WrittenAngle) -> Result<(f64, f64), String> {
    for angle in [first, second] {
        if angle.unit == WrittenUnit::Hours {
            return Err("hours are no degrees".into());
        }
        if angle.signed && angle.side.is_some() {
            return Err("a sign and a letter together; one of them is enough".into());
        }
    }
    let is_latitude = |side| matches!(side, 'n' | 's');
    let (latitude, longitude) = match (first.side, second.side) {
        (Some(a), Some(b)) if is_latitude(a) == is_latitude(b) => {
            return Err("both angles have the same kind of letter".into());
        }
        (Some(a), _) if !is_latitude(a) => (second, first),
        (_, Some(b)) if is_latitude(b) => (second, first),
        _ => (first, second),
    };
    let signed = |angle: WrittenAngle| match angle.side {
        Some('s' | 'w') => -angle.value,
        _ => angle.value,
    };
    Ok((signed(latitude), signed(longitude)))
}

fn read_height(text: &str) -> Result<f64, String> {
    let number = text.trim_end_matches(['m', 'M']).trim();
    match number.parse::<f64>() {
        Ok(metres) if (-500.0..=9000.0).contains(&metres) => Ok(metres),
        Ok(_) => Err(format!("a height of {text} is not between -500 and 9000 m")),
        Err(_) => Err(format!("\"{text}\" is no height in metres")),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[track_caller]
    fn check(text: &str, latitude: f64, longitude: f64) {
        let site = read_site(text).unwrap();
        let near = |angle: Angle, deg: f64| (angle.deg() - deg).abs() < 1e-9;
        assert!(
            near(site.latitude(), latitude) && near(site.longitude(), longitude),
            "{text}: {site:?}"
        );
    }

    #[test]
    fn a_place_in_many_spellings() {
        for text in [
            "51.5,-0.1",
            "51.5, -0.1",
            "51.5 -0.1",
            "51.5N,0.1W",
            "51.5N 0.1W",
            "51.5N0.1W",
            "N51.5 W0.1",
            "0.1W, 51.5N",
            "51 30 00 N, 0 06 00 W",
            "51 30 00 N 0 06 00 W",
            "51\u{b0}30'00\"N 0\u{b0}06'00\"W",
            "51d30m,-0d6m",
            "51.5;-0.1",
        ] {
            check(text, 51.5, -0.1);
        }
    }

    #[test]
    fn the_south_and_the_west_are_negative() {
        check("-33.9,151.2", -33.9, 151.2);
        check("33.9S,151.2E", -33.9, 151.2);
        check("33 54 S, 18 25 12 E", -33.9, 18.42);
        check("-0.5,-77", -0.5, -77.0);
    }

    #[test]
    fn height_may_follow() {
        let site = read_site("51.5,-0.1,942m").unwrap();
        assert_eq!(site.height_m(), 942.0);
    }

    #[test]
    fn refusals_say_why_and_how() {
        for (text, reason) in [
            ("151.2,-33.9", "latitude comes first"),
            ("51,5,-0,1", "too many commas"),
            ("51.5", "two angles"),
            ("51.5N,0.1S", "same kind of letter"),
            ("-51.5S,0.1W", "one of them is enough"),
            ("5h,3", "hours are no degrees"),
            ("London", "two angles"),
            ("10,400", "beyond 360"),
            ("51.5,-0.1,99999", "between -500 and 9000"),
        ] {
            let error = read_site(text).unwrap_err();
            assert!(error.context.contains(reason), "{text}: {}", error.context);
            assert!(error.hint.unwrap().contains("--site 51.5,-0.1"));
        }
    }
}
