//! Facts from FITS keywords.

use jiff::SignedDuration;

use super::clock::fits_time;
use super::facts::{Facts, exposure_of, focal_length_of, pitch_of, text_of};
use super::fits_header::Cards;
use super::orientation::Orientation;
use crate::error::Warning;
use crate::units::{Angle, Seconds, Site};

/// All facts of a header; keywords that hold nonsense count as absent.
///
/// Of [FITS] 4.0, sections 4.4.2 and 9 (all of it from memory, the text was not at hand): DATE-OBS, DATE-BEG, DATE-AVG, MJD-OBS, MJD-BEG, TIMESYS,
/// TIMEUNIT, XPOSURE, OBSGEO-B, -L, -H and -X, -Y, -Z, INSTRUME, TELESCOP. The standard has no words
/// for focal length, pixel size, row order or kind of picture; EXPTIME, EXPOSURE, TIME-OBS, UT, FOCALLEN,
/// XPIXSZ, PIXSIZE1, SITELAT, LAT-OBS, LATITUDE and their like, ROWORDER and IMAGETYP are in common
/// use by camera programs (common practice, no source). XPIXSZ includes the binning.
pub(super) fn facts_of_cards(cards: &Cards) -> Facts {
    Facts {
        utc: start_of(cards),
        exposure: length_of(cards),
        focal_length: cards.number("FOCALLEN").and_then(focal_length_of),
        tag_pitch: cards
            .first_number(&["XPIXSZ", "PIXSIZE1"])
            .and_then(pitch_of),
        site: site_of(cards),
        model: cards.text("INSTRUME").and_then(text_of),
        lens: cards.text("TELESCOP").and_then(text_of),
        orientation: match row_order(cards) {
            Some(RowOrder::TopDown) => Orientation::TopLeft,
            Some(RowOrder::BottomUp) | None => Orientation::BottomLeft,
        },
        ..Facts::default()
    }
}

/// "dark", "bias" or "flat" where the header says that this is no picture of the sky.
pub(super) fn calibration_kind(cards: &Cards) -> Option<&'static str> {
    let told = ["IMAGETYP", "FRAME", "OBSTYPE"]
        .into_iter()
        .find_map(|keyword| cards.text(keyword))?;
    let told = told.to_ascii_lowercase();
    let kinds = ["dark", "bias", "flat"];
    kinds.into_iter().find(|kind| told.starts_with(kind))
}

/// What is doubtful about a header, each with its effect.
pub(super) fn doubts_of_cards(cards: &Cards) -> Vec<Warning> {
    let order = row_order(cards).is_none().then(|| {
        "no ROWORDER keyword: rows are taken from the bottom up, as the FITS standard advises; if the \
         program that wrote the file counts from the top, the picture is mirrored and its stars are not identified"
            .to_string()
    });
    let binning = cards.number("XBINNING").filter(|&binning| binning > 1.0);
    let binned = binning.zip(cards.number("XPIXSZ")).map(|(binning, pitch)| {
        format!(
            "XPIXSZ {pitch} um is taken to include the {binning:.0}-fold binning; if it does not, give --pixel-pitch {:.2}",
            pitch * binning
        )
    });
    let scale = cards
        .text("TIMESYS")
        .filter(|scale| !is_utc(scale))
        .map(|scale| format!("the times are in {scale}, taken as UTC: hour angles may be off by a minute, 15 arcmin"));
    [order, binned, scale]
        .into_iter()
        .flatten()
        .map(Warning::new)
        .collect()
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum RowOrder {
    TopDown,
    BottomUp,
}

/// `None` without the keyword: then the first row is the lowest, the display convention that the
/// FITS user guide and most displays follow; the keyword itself is common practice, no source.
fn row_order(cards: &Cards) -> Option<RowOrder> {
    match cards.text("ROWORDER")?.to_ascii_uppercase().as_str() {
        "TOP-DOWN" => Some(RowOrder::TopDown),
        "BOTTOM-UP" => Some(RowOrder::BottomUp),
        _ => None,
    }
}

/// Whether a time scale is UTC, but for a second: [FITS] 4.0 section 9.2 lets a scale name its
/// realisation in brackets, and keeps GMT, UT and UT1 beside UTC. Without TIMESYS it is UTC.
fn is_utc(scale: &str) -> bool {
    let bare = scale.split('(').next().unwrap_or(scale).trim();
    let near = ["UTC", "GMT", "UT", "UT1"];
    near.into_iter().any(|name| bare.eq_ignore_ascii_case(name))
}

/// EXPTIME or EXPOSURE; or XPOSURE, which [FITS] 4.0 section 9 counts in TIMEUNIT, seconds where that
/// is absent.
fn length_of(cards: &Cards) -> Option<Seconds> {
    let unit = match cards.text("TIMEUNIT") {
        None | Some("s") => Some(1.0),
        Some("min") => Some(60.0),
        Some("h") => Some(3600.0),
        Some("d") => Some(86_400.0),
        Some(_) => None,
    };
    let common = || cards.first_number(&["EXPTIME", "EXPOSURE"]);
    let standard = || Some(cards.number("XPOSURE")? * unit?);
    common().or_else(standard).and_then(exposure_of)
}

/// DATE-OBS, with TIME-OBS or UT where it holds the date alone; else DATE-BEG, MJD-OBS or MJD-BEG; else
/// the middle of the exposure (DATE-AVG) less its half.
///
/// [FITS] 4.0 section 9 calls DATE-OBS and MJD-OBS the start "unless noted otherwise"; the start
/// by name is DATE-BEG. Where both are there and differ, camera programs mean DATE-OBS (common
/// practice, no source).
fn start_of(cards: &Cards) -> Option<jiff::Timestamp> {
    let date = cards.text("DATE-OBS");
    let time = cards.text("TIME-OBS").or(cards.text("UT"));
    let joined = date.zip(time).map(|(date, time)| format!("{date}T{time}"));
    let middle = || {
        let half = length_of(cards)?.s() / 2.0;
        let half = SignedDuration::try_from_secs_f64(half).ok()?;
        fits_time(cards.text("DATE-AVG")?)?.checked_sub(half).ok()
    };
    date.and_then(fits_time)
        .or_else(|| fits_time(&joined?))
        .or_else(|| fits_time(cards.text("DATE-BEG")?))
        .or_else(|| time_of_day_number(cards.first_number(&["MJD-OBS", "MJD-BEG"])?))
        .or_else(middle)
}

/// UTC of a modified Julian date: days since 1858 November 17, 0 h.
fn time_of_day_number(mjd: f64) -> Option<jiff::Timestamp> {
    /// 1970 January 1.
    const EPOCH_MJD: f64 = 40_587.0;
    let since = SignedDuration::try_from_secs_f64((mjd - EPOCH_MJD) * 86_400.0).ok()?;
    // A number of days tells some millionths of a second.
    let since = since.round(jiff::Unit::Millisecond).ok()?;
    jiff::Timestamp::UNIX_EPOCH.checked_add(since).ok()
}

/// Latitude and longitude in degrees, as numbers or as "+51 28 40.1" or "51:28:40.1"; or the place in
/// metres from the middle of the Earth ([FITS] 4.0 section 9.2).
fn site_of(cards: &Cards) -> Option<Site> {
    let angle = |keywords: &[&str]| {
        keywords
            .iter()
            .find_map(|keyword| sexagesimal(cards.text(keyword)?))
    };
    let latitude = angle(&["SITELAT", "OBSGEO-B", "LAT-OBS", "LATITUDE"]);
    let longitude = angle(&["SITELONG", "OBSGEO-L", "LONG-OBS", "LONGITUD"]);
    let (Some(latitude), Some(longitude)) = (latitude, longitude) else {
        let axes = ["OBSGEO-X", "OBSGEO-Y", "OBSGEO-Z"].map(|axis| cards.number(axis));
        return geodetic(axes[0]?, axes[1]?, axes[2]?);
    };
    let height = cards.first_number(&["SITEELEV", "OBSGEO-H", "ALT-OBS"]);
    if latitude == 0.0 && longitude == 0.0 {
        return None;
    }
    Site::new(Angle::from_deg(latitude), Angle::from_deg(longitude))
        .map(|site| site.at_height_m(height.unwrap_or(0.0)))
}

/// The site at a place in the frame that turns with the Earth, metres; `None` far from its surface.
///
/// Method: the latitude from the height of an earlier round, five times; each round makes the error
/// some hundred times smaller. Ellipsoid: GRS 80 ([IERS], chapter 1, from memory).
fn geodetic(x: f64, y: f64, z: f64) -> Option<Site> {
    const EQUATOR_M: f64 = 6_378_137.0;
    const FLATTENING: f64 = 1.0 / 298.257_222_101;
    const SQUARED: f64 = FLATTENING * (2.0 - FLATTENING);
    let from_axis = x.hypot(y);
    let surface = (6.3e6..6.4e6).contains(&from_axis.hypot(z));
    let mut latitude = z.atan2(from_axis * (1.0 - SQUARED));
    let mut height_m = 0.0;
    for _ in 0..5 {
        let (sin, cos) = latitude.sin_cos();
        let across = EQUATOR_M / (1.0 - SQUARED * sin * sin).sqrt();
        height_m = from_axis * cos + z * sin - EQUATOR_M * EQUATOR_M / across;
        let share = 1.0 - SQUARED * across / (across + height_m);
        latitude = z.atan2(from_axis * share);
    }
    let longitude = Angle::from_rad(y.atan2(x));
    let site = Site::new(Angle::from_rad(latitude), longitude).filter(|_| surface)?;
    Some(site.at_height_m(height_m))
}

/// Degrees with optional minutes and seconds; the sign in front counts for all, also of "-0".
fn sexagesimal(text: &str) -> Option<f64> {
    let text = text.trim();
    let negative = text.starts_with('-');
    let parts: Vec<f64> = text
        .trim_start_matches(['-', '+'])
        .split([' ', ':'])
        .filter(|part| !part.is_empty())
        .map(|part| part.parse().ok())
        .collect::<Option<_>>()?;
    if !(1..=3).contains(&parts.len()) || parts.iter().any(|part| !(0.0..=360.0).contains(part)) {
        return None;
    }
    let degrees: f64 = parts
        .iter()
        .zip([1.0, 60.0, 3600.0])
        .map(|(part, unit)| part / unit)
        .sum();
    Some(if negative { -degrees } else { degrees })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::frame::fits_header::test_cards as cards;

    #[test]
    fn the_usual_keywords() {
        let facts = facts_of_cards(&cards(&[
            "ROWORDER= 'TOP-DOWN'",
            "DATE-OBS= '2026-06-27T21:23:28.536' / UTC",
            "EXPTIME =                150.0",
            "FOCALLEN=                135.0",
            "XPIXSZ  =                  4.3",
            "SITELAT = '-00 30 00'",
            "SITELONG=               -10.25",
            "SITEELEV=               1476.0",
        ]));
        assert_eq!(facts.utc.unwrap().to_string(), "2026-06-27T21:23:28.536Z");
        assert_eq!(facts.exposure.unwrap().s(), 150.0);
        assert_eq!(facts.focal_length.unwrap().mm(), 135.0);
        assert!((facts.tag_pitch.unwrap().um() - 4.3).abs() < 1e-12);
        let site = facts.site.unwrap();
        assert!(
            (site.latitude().deg() + 0.5).abs() < 1e-12,
            "minus zero degrees"
        );
        assert!((site.longitude().deg() + 10.25).abs() < 1e-12 && site.height_m() == 1476.0);
        assert_eq!(facts.orientation, Orientation::TopLeft);
    }

    #[test]
    fn a_date_and_a_time_apart_are_joined_and_a_middle_is_led_back() {
        let apart = cards(&["DATE-OBS= '2026-06-27'", "TIME-OBS= '21:23:28.5'"]);
        assert_eq!(
            start_of(&apart).unwrap().to_string(),
            "2026-06-27T21:23:28.5Z"
        );
        let middle = cards(&["DATE-AVG= '2026-06-27T21:23:30'", "EXPTIME = 60"]);
        assert_eq!(
            start_of(&middle).unwrap().to_string(),
            "2026-06-27T21:23:00Z"
        );
        assert_eq!(start_of(&cards(&["DATE-OBS= '27/06/26'"])), None);
    }

    #[test]
    fn doubts_name_their_cure() {
        let doubts = doubts_of_cards(&cards(&["XPIXSZ  = 7.6", "XBINNING= 2", "TIMESYS = 'TAI'"]));
        assert_eq!(doubts.len(), 3);
        assert!(
            doubts[1].text.contains("--pixel-pitch 15.20"),
            "{}",
            doubts[1].text
        );
        assert_eq!(
            doubts_of_cards(&cards(&[
                "ROWORDER= 'BOTTOM-UP'",
                "XBINNING= 1",
                "XPIXSZ = 4"
            ])),
            []
        );
    }

    #[test]
    fn the_keywords_of_the_standard_alone_tell_start_length_and_site() {
        // The site: 47.213 N, 11.386 E, 840 m by the closed formula on the same ellipsoid.
        let facts = facts_of_cards(&cards(&[
            "MJD-OBS =       61218.75000000",
            "TIMEUNIT= 'min'",
            "XPOSURE =                  1.5",
            "OBSGEO-X=           4255478.46",
            "OBSGEO-Y=            856972.94",
            "OBSGEO-Z=           4658498.63",
        ]));
        assert_eq!(facts.utc.unwrap().to_string(), "2026-06-27T18:00:00Z");
        assert_eq!(facts.exposure.unwrap().s(), 90.0);
        let site = facts.site.unwrap();
        assert!((site.latitude().deg() - 47.213).abs() < 1e-6);
        assert!((site.longitude().deg() - 11.386).abs() < 1e-6);
        assert!((site.height_m() - 840.0).abs() < 0.1);
        // Seconds of common practice do not follow TIMEUNIT, and no unit is guessed.
        let common = cards(&["EXPTIME = 30", "TIMEUNIT= 'd'"]);
        assert_eq!(length_of(&common).unwrap().s(), 30.0);
        assert_eq!(length_of(&cards(&["XPOSURE = 1", "TIMEUNIT= 'a'"])), None);
        assert!(geodetic(0.0, 0.0, 0.0).is_none() && geodetic(1.0, 2.0, 3.0).is_none());
    }

    #[test]
    fn scales_that_are_utc_but_for_a_second_raise_no_doubt() {
        for scale in ["UTC", "utc", "UTC(NIST)", "GMT", "UT", "UT1"] {
            assert!(is_utc(scale), "{scale}");
        }
        for scale in ["TAI", "TT", "TT(TAI)", "GPS", "TDB", "LOCAL"] {
            assert!(!is_utc(scale), "{scale}");
        }
    }

    #[test]
    fn nonsense_is_no_place() {
        for text in ["", "north", "51 28 40 9", "51 -28", "400"] {
            assert_eq!(sexagesimal(text), None, "{text}");
        }
    }
}
