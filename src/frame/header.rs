//! From a file's facts and the options to one header; what is doubtful comes out as warnings.

use jiff::Timestamp;
use jiff::tz::Offset;

use super::clock::{utc_of, zone_from_satellite};
use super::facts::Facts;
use super::optics::{AGREEMENT, settle_optics};
use super::{CameraPitch, Defaults, Header, Overrides, PitchSource, Stamp};
use crate::error::{Warned, Warning};
use crate::units::{Length, Seconds};

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
        focal_length: overrides
            .focal_length
            .or(facts.focal_length)
            .or(overrides.defaults.focal_length),
        ..facts
    };
    let camera = camera_name(facts.make.clone(), facts.model.clone());
    if overrides.site.is_none() {
        warnings.extend(facts.doubts.iter().map(Warning::new));
    }
    let (start, zone_warning) = settle_start(&facts, overrides);
    warnings.extend(zone_warning);
    let (mut optics, pitch_warning) = settle_optics(&facts, size);
    let by_settings = kept_pitch(&overrides.defaults, camera.as_deref(), optics.pixel_pitch);
    match overrides.pixel_pitch.or(by_settings) {
        Some(pitch) => optics.pixel_pitch = Some((pitch, PitchSource::Option)),
        None => warnings.extend(pitch_warning),
    }
    let by_own_clock = facts.utc.is_none();
    warnings.extend(edited(&facts).filter(|_| rendering.developed));
    let header = Header {
        start,
        local_start: facts.clock,
        exposure: overrides.exposure.or(facts.exposure),
        optics,
        site: overrides.site.or(facts.site),
        camera,
        lens: facts.lens,
        composed: facts.composed,
        saturation: rendering.saturation,
        developed: rendering.developed,
    };
    let header = match overrides.defaults.stamped {
        // A file's own UTC is that of the start by its standard.
        Some(Stamp::End) if by_own_clock => {
            let length = header.exposure.unwrap_or_default();
            header.later(-length)
        }
        _ => header,
    };
    Warned {
        value: header,
        warnings,
    }
}

/// A picture that was saved anew long after it was taken is no more as the camera left it.
fn edited(facts: &Facts) -> Option<Warning> {
    /// Cameras themselves write within the time of another exposure, and some minutes.
    const CAMERA: Seconds = Seconds::new(600.0);
    let taken = facts.clock?;
    let later = facts.changed?.duration_since(taken).as_secs_f64();
    let camera = CAMERA + facts.exposure.unwrap_or_default() * 2.0;
    (later > camera.s()).then(|| {
        Warning::new(
            "the pictures were saved anew after they were taken, by their tags: where stars were reduced, sharpened or smoothed, their widths, short trails and the longest exposures are those of the picture and not of the lens; the axis comes from places and stays",
        )
    })
}

/// The pixels that the settings give a camera, where the file's own tags do not.
///
/// Method: a camera of that name, or the only one if it or the file has no name; where a width of
/// the sensor gave a pitch good to a few per cent, the two have to agree: a picture scaled down has
/// other pixels than its camera.
fn kept_pitch(
    defaults: &Defaults,
    camera: Option<&str>,
    by_file: Option<(Length, PitchSource)>,
) -> Option<Length> {
    let is_it = |kept: &&CameraPitch| match (&kept.name, camera) {
        (Some(name), Some(camera)) => camera.to_lowercase().contains(&name.to_lowercase()),
        _ => defaults.cameras.len() == 1,
    };
    let kept = defaults.cameras.iter().find(is_it)?.pixel_pitch;
    match by_file {
        None => Some(kept),
        Some((pitch, PitchSource::SensorSize)) => {
            ((kept / pitch - 1.0).abs() <= AGREEMENT).then_some(kept)
        }
        Some(_) => None,
    }
}

/// UTC: the file's own, else its clock in the zone of the option, of the file, of the satellites, of
/// the settings.
fn settle_start(facts: &Facts, overrides: &Overrides) -> (Option<Timestamp>, Option<Warning>) {
    if facts.utc.is_some() {
        return (facts.utc, None);
    }
    let Some(clock) = facts.clock else {
        return (None, None);
    };
    let by_option = overrides.utc_offset.and_then(offset_of);
    if let Some(zone) = by_option.or(facts.zone) {
        let start = utc_of(clock, zone);
        return (start, start.and_then(|start| satellite_doubt(facts, start)));
    }
    let Some(zone) = facts
        .satellite_time
        .and_then(|satellite| zone_from_satellite(clock, satellite))
    else {
        let by_settings = overrides.defaults.utc_offset.and_then(offset_of);
        return (by_settings.and_then(|zone| utc_of(clock, zone)), None);
    };
    let warning = Warning::new(format!(
        "the camera's zone {zone} is worked out from its satellite time: a quarter of an hour off turns \
         the sky by 3.75 degrees; --utc-offset overrules it"
    ));
    (utc_of(clock, zone), Some(warning))
}

/// A warning where the satellites' time says that clock or zone is wrong by a whole half hour.
///
/// A fix may be minutes old, and only a difference as near to half hours as a fresh one's is
/// evidence; other differences say nothing.
fn satellite_doubt(facts: &Facts, start: Timestamp) -> Option<Warning> {
    const HALF_HOUR_S: i64 = 1800;
    const FRESH_S: i64 = 60;
    let ahead = start.duration_since(facts.satellite_time?).as_secs();
    let halves = (ahead + HALF_HOUR_S / 2).div_euclid(HALF_HOUR_S);
    let within_a_day = (-48..=48).contains(&halves) && halves != 0;
    if !within_a_day || (ahead - halves * HALF_HOUR_S).abs() > FRESH_S {
        return None;
    }
    let hours = halves as f64 / 2.0;
    let side = if hours > 0.0 { "ahead" } else { "behind" };
    Some(Warning::new(format!(
        "by its satellite time your camera clock is {} h {side}, or its zone is wrong by as much: the sky \
         turns by {:.1} degrees in that time; set the clock, or give --utc-offset",
        hours.abs(),
        15.0 * hours.abs()
    )))
}

fn offset_of(east: Seconds) -> Option<Offset> {
    Offset::from_seconds(east.s().round() as i32).ok()
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
    fn a_clock_that_stamps_the_end_is_taken_back_by_the_exposure() {
        let facts = Facts {
            zone: exif_zone("+00:00"),
            exposure: Some(Seconds::new(7.5)),
            ..clock_facts()
        };
        let stamped = |stamped| Overrides {
            defaults: Defaults {
                stamped: Some(stamped),
                ..Defaults::default()
            },
            ..Overrides::default()
        };
        let settled = |facts: &Facts, stamp| {
            settle_header(facts.clone(), &stamped(stamp), (100, 100), RENDERING).value
        };
        let end = settled(&facts, Stamp::End);
        assert_eq!(end.start, "2026-01-18T04:59:00.21Z".parse().ok());
        assert_eq!(end.local_start, "2026-01-18T04:59:00.21".parse().ok());
        let start = settled(&facts, Stamp::Start);
        assert_eq!(start.start, "2026-01-18T04:59:07.71Z".parse().ok());
        // A time that its standard calls the start stays.
        let utc = Facts {
            utc: "2026-01-18T05:00:00Z".parse().ok(),
            ..facts
        };
        assert_eq!(settled(&utc, Stamp::End).start, utc.utc);
    }

    #[test]
    fn a_picture_that_was_saved_anew_is_told() {
        let words = |changed: &str, developed: bool| {
            let facts = Facts {
                exposure: Some(Seconds::new(120.0)),
                changed: exif_time(changed, None),
                ..clock_facts()
            };
            let rendering = Rendering {
                developed,
                ..RENDERING
            };
            settle_header(facts, &Overrides::default(), (100, 100), rendering).warnings
        };
        assert_eq!(words("2026:01:18 05:04:00", true), []);
        assert_eq!(words("2026:01:20 20:00:00", false), [], "counts are counts");
        let told = &words("2026:01:20 20:00:00", true)[0].text;
        assert!(told.contains("saved anew"), "{told}");
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
    fn satellites_that_contradict_the_clock_by_whole_half_hours_are_told() {
        let with_fix = |hour: f64| Facts {
            zone: exif_zone("-01:00"),
            satellite_time: utc_of_day("2026:01:18", hour * 3600.0),
            ..clock_facts()
        };
        // By the clock and its zone it is 05:59:07.7 UTC.
        let warnings = |hour| start_of(with_fix(hour), &Overrides::default()).warnings;
        assert_eq!(warnings(5.98), []);
        assert_eq!(warnings(5.25), [], "an old fix");
        let ahead = &warnings(4.98)[0].text;
        assert!(ahead.contains("clock is 1 h ahead"), "{ahead}");
        let behind = &warnings(6.48)[0].text;
        assert!(behind.contains("clock is 0.5 h behind"), "{behind}");
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

    fn with_camera(name: Option<&str>, um: f64) -> Defaults {
        Defaults {
            cameras: vec![CameraPitch {
                name: name.map(str::to_owned),
                pixel_pitch: Length::from_um(um),
            }],
            ..Defaults::default()
        }
    }

    #[test]
    fn settings_fill_in_and_overrule_nothing() {
        let settled = |facts: Facts, defaults: Defaults| {
            let overrides = Overrides {
                defaults,
                ..Overrides::default()
            };
            settle_header(facts, &overrides, (2000, 1333), RENDERING).value
        };
        let lens = Defaults {
            focal_length: Some(Length::from_mm(50.0)),
            utc_offset: Some(Seconds::new(3600.0)),
            ..with_camera(None, 4.0)
        };
        let clock = exif_time("2026:01:15 22:00:00", None);
        let bare = settled(
            Facts {
                clock,
                ..Facts::default()
            },
            lens.clone(),
        );
        assert_eq!(bare.optics.focal_length, Some(Length::from_mm(50.0)));
        assert_eq!(
            bare.optics.pixel_pitch,
            Some((Length::from_um(4.0), PitchSource::Option))
        );
        assert_eq!(bare.start, "2026-01-15T21:00:00Z".parse().ok());
        let told = settled(
            Facts {
                clock,
                zone: exif_zone("+00:00"),
                focal_length: Some(Length::from_mm(85.0)),
                tag_pitch: Some(Length::from_um(5.4)),
                ..Facts::default()
            },
            lens,
        );
        assert_eq!(told.optics.focal_length, Some(Length::from_mm(85.0)));
        assert_eq!(
            told.optics.pixel_pitch,
            Some((Length::from_um(5.4), PitchSource::FocalPlaneTags))
        );
        assert_eq!(told.start, "2026-01-15T22:00:00Z".parse().ok());
    }

    #[test]
    fn a_camera_of_the_settings_is_found_by_its_name() {
        let pitch = |defaults: &Defaults, camera| kept_pitch(defaults, camera, None);
        let named = with_camera(Some("Q-6"), 4.0);
        assert!(pitch(&named, Some("Quillon q-6")).is_some());
        assert!(pitch(&named, Some("Quillon Q-7")).is_none());
        // A file without a name, and one camera in the bag.
        assert!(pitch(&named, None).is_some());
        // A picture scaled down has other pixels.
        let by_size = |um| Some((Length::from_um(um), PitchSource::SensorSize));
        assert!(kept_pitch(&named, None, by_size(4.1)).is_some());
        assert!(kept_pitch(&named, None, by_size(8.0)).is_none());
    }
}
