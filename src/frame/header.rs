//! From a file's facts and the options to one header; what is doubtful comes out as warnings.

use jiff::Timestamp;
use jiff::tz::Offset;

use super::clock::{utc_of, zone_from_satellite};
use super::facts::Facts;
use super::optics::settle_optics;
use super::{Header, Overrides, PitchSource};
use crate::error::{Warned, Warning};

/// How the values of a picture are to be read: known to its decoder.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Rendering {
    /// Light at or above this is saturated.
    pub(super) saturation: f32,
    /// A rendering rather than counts.
    pub(super) developed: bool,
}

/// The header of a picture of this upright size.
///
/// Options overrule the file. Nothing is said about missing facts: see [`super::missing`].
pub(super) fn settle_header(
    facts: Facts,
    overrides: &Overrides,
    size: (usize, usize),
    rendering: Rendering,
) -> Warned<Header> {
    let mut warnings: Vec<Warning> = Vec::new();
    let facts = Facts {
        focal_length: overrides.focal_length.or(facts.focal_length),
        ..facts
    };
    if overrides.site.is_none() {
        warnings.extend(facts.doubts.iter().map(Warning::new));
    }
    let (start, zone_warning) = settle_start(&facts, overrides);
    warnings.extend(zone_warning);
    let (mut optics, pitch_warning) = settle_optics(&facts, size);
    match overrides.pixel_pitch {
        Some(pitch) => optics.pixel_pitch = Some((pitch, PitchSource::Option)),
        None => warnings.extend(pitch_warning),
    }
    let header = Header {
        start,
        local_start: facts.clock,
        exposure: overrides.exposure.or(facts.exposure),
        optics,
        site: overrides.site.or(facts.site),
        camera: camera_name(facts.make, facts.model),
        lens: facts.lens,
        saturation: rendering.saturation,
        developed: rendering.developed,
    };
    Warned {
        value: header,
        warnings,
    }
}

/// UTC: the file's own, else its clock in the zone of the option, of the file, of the satellites.
fn settle_start(facts: &Facts, overrides: &Overrides) -> (Option<Timestamp>, Option<Warning>) {
    if facts.utc.is_some() {
        return (facts.utc, None);
    }
    let Some(clock) = facts.clock else {
        return (None, None);
    };
    let by_option = overrides
        .utc_offset
        .and_then(|east| Offset::from_seconds(east.s().round() as i32).ok());
    if let Some(zone) = by_option.or(facts.zone) {
        return (utc_of(clock, zone), None);
    }
    let Some(zone) = facts
        .satellite_time
        .and_then(|satellite| zone_from_satellite(clock, satellite))
    else {
        return (None, None);
    };
    let warning = Warning::new(format!(
        "the camera's zone {zone} is worked out from its satellite time: a quarter of an hour off turns \
         the sky by 3.75 degrees; --utc-offset overrules it"
    ));
    (utc_of(clock, zone), Some(warning))
}

/// Maker and model without saying the maker twice.
fn camera_name(make: Option<String>, model: Option<String>) -> Option<String> {
    match (make, model) {
        (Some(make), Some(model)) => {
            let first_word = make.split_whitespace().next().unwrap_or("").to_lowercase();
            if model.to_lowercase().starts_with(&first_word) {
                Some(model)
            } else {
                Some(format!("{make} {model}"))
            }
        }
        (make, model) => model.or(make),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::frame::clock::{exif_time, exif_zone, utc_of_day};
    use crate::units::{Length, Seconds};

    const RENDERING: Rendering = Rendering {
        saturation: 0.9,
        developed: true,
    };

    fn clock_facts() -> Facts {
        Facts {
            clock: exif_time("2026:01:18 04:59:07", Some("71")),
            ..Facts::default()
        }
    }

    fn start_of(facts: Facts, overrides: &Overrides) -> Warned<Option<String>> {
        let header = settle_header(facts, overrides, (100, 100), RENDERING);
        Warned {
            value: header.value.start.map(|start| start.to_string()),
            warnings: header.warnings,
        }
    }

    #[test]
    fn the_option_overrules_the_zone_of_the_file() {
        let facts = Facts {
            zone: exif_zone("-01:00"),
            ..clock_facts()
        };
        let by_file = start_of(facts.clone(), &Overrides::default());
        assert_eq!(by_file.value.as_deref(), Some("2026-01-18T05:59:07.71Z"));
        let east = Overrides {
            utc_offset: Some(Seconds::new(19_800.0)),
            ..Overrides::default()
        };
        assert_eq!(
            start_of(facts, &east).value.as_deref(),
            Some("2026-01-17T23:29:07.71Z")
        );
    }

    #[test]
    fn a_clock_without_zone_gives_no_utc_and_keeps_the_clock() {
        let header = settle_header(clock_facts(), &Overrides::default(), (100, 100), RENDERING);
        assert_eq!(header.value.start, None);
        assert!(header.value.local_start.is_some());
        assert_eq!(header.warnings, []);
    }

    #[test]
    fn a_zone_from_the_satellites_is_told_with_its_risk() {
        let facts = Facts {
            satellite_time: utc_of_day("2026:01:18", 5.0 * 3600.0 + 59.0 * 60.0),
            ..clock_facts()
        };
        let start = start_of(facts, &Overrides::default());
        assert_eq!(start.value.as_deref(), Some("2026-01-18T05:59:07.71Z"));
        assert!(start.warnings[0].text.contains("--utc-offset"));
    }

    #[test]
    fn a_pitch_by_option_silences_the_doubt_about_the_tags() {
        let facts = Facts {
            tag_pitch: Some(Length::from_um(5.36)),
            tag_size: Some((6720, 4480)),
            ..Facts::default()
        };
        let doubtful = settle_header(
            facts.clone(),
            &Overrides::default(),
            (2000, 1333),
            RENDERING,
        );
        assert_eq!(doubtful.warnings.len(), 1);
        let overrides = Overrides {
            pixel_pitch: Some(Length::from_um(18.0)),
            ..Overrides::default()
        };
        let sure = settle_header(facts, &overrides, (2000, 1333), RENDERING);
        assert_eq!(sure.warnings, []);
        let expected = (Length::from_um(18.0), PitchSource::Option);
        assert_eq!(sure.value.optics.pixel_pitch, Some(expected));
    }

    #[test]
    fn the_maker_is_named_once() {
        let name = |make: &str, model: &str| camera_name(Some(make.into()), Some(model.into()));
        assert_eq!(name("Orrin", "Astro 3").as_deref(), Some("Orrin Astro 3"));
        assert_eq!(
            name("HALDEN CORPORATION", "Halden HX-24").as_deref(),
            Some("Halden HX-24")
        );
        assert_eq!(camera_name(None, None), None);
    }
}
