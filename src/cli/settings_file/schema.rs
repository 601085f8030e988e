//! The keys of a settings file, and what each takes.

use crate::advice::{BaseScrews, Screw, ScrewSense};
use crate::error::Error;
use crate::frame::Stamp;
use crate::report::limits::LensInBag;
use crate::units::{Angle, Length, Pixels, Seconds, Site};

use super::super::direction::read_at;
use super::super::quantity::read_utc_offset;
use super::reader::{Key, Section, Source};
use super::{KeptCamera, KeptSettings, Target};

const TOLERANCE: Key = Key {
    name: "tolerance_px",
    allowed: "pixels of trail that you accept, above 0, at most 1000",
    example: "tolerance_px = 2.0",
};
const EXPOSURE: Key = Key {
    name: "exposure_s",
    allowed: "the exposure that you want, seconds above 0, at most 86400",
    example: "exposure_s = 120",
};
const UTC_OFFSET: Key = Key {
    name: "utc_offset",
    allowed: "what the camera's clock is ahead of UTC, -12:00 to +14:00, in quotation marks",
    example: "utc_offset = \"+01:00\"",
};
const STAMPED: Key = Key {
    name: "stamped",
    allowed: "\"start\" or \"end\": the instant of an exposure whose time the camera writes",
    example: "stamped = \"end\"",
};
const LATITUDE: Key = Key {
    name: "latitude_deg",
    allowed: "degrees from -90 to 90, north positive",
    example: "latitude_deg = 51.5",
};
const LONGITUDE: Key = Key {
    name: "longitude_deg",
    allowed: "degrees from -360 to 360, east positive",
    example: "longitude_deg = -0.1",
};
const HEIGHT: Key = Key {
    name: "height_m",
    allowed: "metres above the sea, -500 to 9000",
    example: "height_m = 120",
};
const NAME: Key = Key {
    name: "name",
    allowed: "a name in quotation marks",
    example: "name = \"the small one\"",
};
const PITCH: Key = Key {
    name: "pixel_pitch_um",
    allowed: "the side of one pixel in micrometres, 0.5 to 100",
    example: "pixel_pitch_um = 3.3",
};
const FOCAL: Key = Key {
    name: "focal_length_mm",
    allowed: "the lens's own focal length (not the 35 mm equivalent) in millimetres, 1 to 10000",
    example: "focal_length_mm = 150",
};
const F_NUMBER: Key = Key {
    name: "f_number",
    allowed: "the f-number at which the lens is used, 0.5 to 128",
    example: "f_number = 4",
};
const ALTITUDE_TURN: Key = Key {
    name: "altitude_arcmin_per_turn",
    allowed: "arcminutes that one turn of the screw raises or lowers the axis, 0.1 to 3600",
    example: "altitude_arcmin_per_turn = 60",
};
const AZIMUTH_TURN: Key = Key {
    name: "azimuth_arcmin_per_turn",
    allowed: "arcminutes about the vertical that one turn of the screw turns the base, 0.1 to 3600",
    example: "azimuth_arcmin_per_turn = 90",
};
const ALTITUDE_CLOCKWISE: Key = Key {
    name: "altitude_clockwise",
    allowed: "\"up\" or \"down\": what the axis does when the screw is turned clockwise",
    example: "altitude_clockwise = \"up\"",
};
const AZIMUTH_CLOCKWISE: Key = Key {
    name: "azimuth_clockwise",
    allowed: "\"east\" or \"west\": what the axis does when the screw is turned clockwise",
    example: "azimuth_clockwise = \"east\"",
};
const AT: Key = Key {
    name: "at",
    allowed: "right ascension and declination in quotation marks, as --at takes them",
    example: "at = \"5h35m17s,-5d23m\"",
};

/// The settings of one file's text.
///
/// # Errors
/// At the first line that is no setting.
pub(super) fn read(name: &str, text: &str) -> Result<KeptSettings, Error> {
    let source = Source { name, text };
    let document = source.parse()?;
    let top = Section::top(source, &document).only(
        &[EXPOSURE, TOLERANCE, UTC_OFFSET, STAMPED],
        &["site", "camera", "lens", "base", "target"],
    )?;
    let zone = |text: &str| read_utc_offset(text).map_err(|_| "no offset from UTC".to_owned());
    let site = top.section("site", "[site]")?.map(site).transpose()?;
    let base = top.section("base", "[base]")?.map(base).transpose()?;
    let target = top.section("target", "[target]")?.map(target);
    Ok(KeptSettings {
        files: Vec::new(),
        tolerance: top
            .number(TOLERANCE, f64::MIN_POSITIVE, 1000.0)?
            .map(Pixels::new),
        exposure: top
            .number(EXPOSURE, f64::MIN_POSITIVE, 86_400.0)?
            .map(Seconds::new),
        utc_offset: top.text(UTC_OFFSET, zone)?,
        stamped: top.word(STAMPED, &[("start", Stamp::Start), ("end", Stamp::End)])?,
        site,
        cameras: each(top.sections("camera", "[[camera]]")?, camera)?,
        lenses: each(top.sections("lens", "[[lens]]")?, lens)?,
        base: base.unwrap_or_default(),
        target: target.transpose()?,
    })
}

fn each<'a, T>(
    sections: Vec<Section<'a>>,
    read: impl Fn(Section<'a>) -> Result<T, Error>,
) -> Result<Vec<T>, Error> {
    sections.into_iter().map(read).collect()
}

fn site(section: Section<'_>) -> Result<Site, Error> {
    let section = section.only(&[LATITUDE, LONGITUDE, HEIGHT], &[])?;
    let latitude = section.number(LATITUDE, -90.0, 90.0)?;
    let latitude = Angle::from_deg(section.needed(LATITUDE, latitude)?);
    let longitude = section.number(LONGITUDE, -360.0, 360.0)?;
    let longitude = Angle::from_deg(section.needed(LONGITUDE, longitude)?);
    let height = section.number(HEIGHT, -500.0, 9000.0)?.unwrap_or(0.0);
    let site = Site::new(latitude, longitude).map(|site| site.at_height_m(height));
    section.needed(LATITUDE, site)
}

fn name(section: Section<'_>) -> Result<Option<String>, Error> {
    section.text(NAME, |text| match text.trim() {
        "" => Err("an empty name".to_owned()),
        name => Ok(name.to_owned()),
    })
}

fn camera(section: Section<'_>) -> Result<KeptCamera, Error> {
    let section = section.only(&[NAME, PITCH], &[])?;
    let pitch = section.number(PITCH, 0.5, 100.0)?;
    Ok(KeptCamera {
        name: name(section)?,
        pixel_pitch: Length::from_um(section.needed(PITCH, pitch)?),
    })
}

fn lens(section: Section<'_>) -> Result<LensInBag, Error> {
    let section = section.only(&[NAME, FOCAL, F_NUMBER], &[])?;
    let focal = section.number(FOCAL, 1.0, 10_000.0)?;
    Ok(LensInBag {
        name: name(section)?,
        focal: Length::from_mm(section.needed(FOCAL, focal)?),
        f_number: section.number(F_NUMBER, 0.5, 128.0)?,
    })
}

fn base(section: Section<'_>) -> Result<BaseScrews, Error> {
    let section = section.only(
        &[
            ALTITUDE_TURN,
            ALTITUDE_CLOCKWISE,
            AZIMUTH_TURN,
            AZIMUTH_CLOCKWISE,
        ],
        &[],
    )?;
    let up = [("up", ScrewSense::Positive), ("down", ScrewSense::Negative)];
    let east = [
        ("east", ScrewSense::Positive),
        ("west", ScrewSense::Negative),
    ];
    let altitude_sense = section.word(ALTITUDE_CLOCKWISE, &up)?;
    let azimuth_sense = section.word(AZIMUTH_CLOCKWISE, &east)?;
    let screw = |key, clockwise: Option<ScrewSense>| {
        let per_turn = section.number(key, 0.1, 3600.0)?;
        if clockwise.is_some() {
            section.needed(key, per_turn)?;
        }
        Ok::<_, Error>(per_turn.map(|arcmin| Screw {
            per_turn: Angle::from_arcmin(arcmin),
            clockwise,
        }))
    };
    Ok(BaseScrews {
        altitude: screw(ALTITUDE_TURN, altitude_sense)?,
        azimuth: screw(AZIMUTH_TURN, azimuth_sense)?,
    })
}

fn target(section: Section<'_>) -> Result<Target, Error> {
    let section = section.only(&[NAME, AT], &[])?;
    let direction = section.text(AT, |text| {
        read_at(text).map_err(|_| "no right ascension and declination".to_owned())
    })?;
    Ok(Target {
        name: name(section)?,
        direction: section.needed(AT, direction)?,
    })
}

#[cfg(test)]
mod tests {
    use super::super::EXAMPLE;
    use super::*;

    fn refused(text: &str) -> (String, String) {
        let error = read("stillpoint.toml", text).unwrap_err();
        (error.context, error.hint.unwrap_or_default())
    }

    #[test]
    fn every_setting_is_read() {
        let text = EXAMPLE.replace("\n# ", "\n").replace("\n#\n", "\n");
        // What is left of the example's remarks is taken out: lines that are neither key nor table.
        let settings: String = text
            .lines()
            .filter(|line| line.starts_with('[') || line.contains(" = "))
            .map(|line| format!("{line}\n"))
            .collect();
        let read = read("stillpoint.toml", &settings).unwrap();
        assert_eq!(read.exposure, Some(Seconds::new(120.0)));
        assert_eq!(read.utc_offset, Some(Seconds::new(3600.0)));
        assert_eq!(read.stamped, Some(Stamp::Start));
        assert_eq!(read.cameras.len(), 1);
        assert_eq!(read.lenses.len(), 2);
        assert!(read.site.is_some() && read.target.is_some() && read.tolerance.is_some());
        assert_eq!(
            read.base.altitude.unwrap().clockwise,
            Some(ScrewSense::Positive)
        );
        assert!(read.base.azimuth.is_some());
        // As it stands the example sets nothing.
        assert_eq!(
            super::read("stillpoint.toml", EXAMPLE).unwrap(),
            KeptSettings::default()
        );
    }

    #[test]
    fn a_bad_value_names_file_line_key_and_limits() {
        let (context, hint) = refused("exposure_s = 60\n\n[[camera]]\npixel_pitch_um = 330\n");
        assert_eq!(
            context,
            "stillpoint.toml, line 4: pixel_pitch_um = 330: out of range; it takes the side of one pixel in micrometres, 0.5 to 100"
        );
        assert_eq!(hint, "for example: pixel_pitch_um = 3.3");
        for (text, reason) in [
            ("exposure_s = \"long\"", "no number"),
            ("exposure_s = nan", "out of range"),
            ("exposure_s = 0x10", "no number"),
            ("utc_offset = 1", "no text in quotation marks"),
            ("utc_offset = \"CET\"", "no offset from UTC"),
            ("tolerance_px = 0", "out of range"),
            (
                "[site]\nlatitude_deg = 95\nlongitude_deg = 0",
                "line 2: latitude_deg = 95",
            ),
            (
                "\n[site]\nlatitude_deg = 5",
                "line 2: [site] lacks longitude_deg",
            ),
            ("[target]\nat = \"Orion\"", "no right ascension"),
            (
                "[base]\nazimuth_arcmin_per_turn = 1\nazimuth_clockwise = \"wst\"",
                "did you mean \"west\"?",
            ),
            (
                "[base]\naltitude_clockwise = \"up\"",
                "lacks altitude_arcmin_per_turn",
            ),
            ("site = 3", "[site] has to be a table"),
            ("lens = [1]", "[[lens]] has to be a table"),
            ("exposure_s 60", "line 1: no TOML"),
        ] {
            let (context, hint) = refused(text);
            assert!(context.contains(reason), "{text}: {context}");
            assert!(context.starts_with("stillpoint.toml, line ") && !hint.is_empty());
        }
    }

    #[test]
    fn an_unknown_key_brings_the_nearest_and_the_list() {
        let (context, hint) = refused("[[lens]]\nfocal_lenght_mm = 50\n");
        assert!(context.contains("line 2: there is no setting \"focal_lenght_mm\" in [[lens]]"));
        assert!(
            context.contains("there are name, focal_length_mm, f_number"),
            "{context}"
        );
        assert_eq!(hint, "did you mean focal_length_mm?");
        let (_, hint) = refused("[sitte]\nlatitude_deg = 1");
        assert_eq!(hint, "did you mean site?");
    }

    #[test]
    fn one_table_is_a_list_of_one() {
        let settings = read("f", "[lens]\nfocal_length_mm = 50\n").unwrap();
        assert_eq!(settings.lenses.len(), 1);
    }
}
