//! What a file says about its exposure, before options overrule it and doubts are settled.

use jiff::Timestamp;
use jiff::civil::DateTime;
use jiff::tz::Offset;

use super::orientation::Orientation;
use crate::units::{Length, Seconds, Site};

/// Facts as the file states them; `None` where it is silent or talks nonsense.
#[derive(Debug, Clone, PartialEq, Default)]
pub(super) struct Facts {
    /// Start by the camera's clock, whatever its zone.
    pub(super) clock: Option<DateTime>,
    /// Zone of the camera's clock.
    pub(super) zone: Option<Offset>,
    /// UTC from a satellite fix near the exposure; the fix may be old.
    pub(super) satellite_time: Option<Timestamp>,
    /// Start in UTC where the file gives it outright.
    pub(super) utc: Option<Timestamp>,
    /// Length of the exposure.
    pub(super) exposure: Option<Seconds>,
    /// Focal length.
    pub(super) focal_length: Option<Length>,
    /// 35 mm equivalent.
    pub(super) equivalent_focal_length: Option<Length>,
    /// Pixel pitch by the focal-plane tags or the FITS keyword.
    pub(super) tag_pitch: Option<Length>,
    /// Longer and shorter side of the picture that the tags speak of, pixels.
    pub(super) tag_size: Option<(u32, u32)>,
    /// Place.
    pub(super) site: Option<Site>,
    /// Maker of the camera.
    pub(super) make: Option<String>,
    /// Model of the camera.
    pub(super) model: Option<String>,
    /// Name of the lens.
    pub(super) lens: Option<String>,
    /// Put together of several exposures.
    pub(super) composed: bool,
    /// When the file was last changed, by the clock that wrote it.
    pub(super) changed: Option<DateTime>,
    /// How to turn the stored picture.
    pub(super) orientation: Orientation,
    /// Doubts about single facts.
    pub(super) doubts: Vec<String>,
}

/// Longest exposure that makes sense, seconds: a day.
const MAX_EXPOSURE_S: f64 = 86_400.0;
/// Range of focal lengths that makes sense, millimetres.
const FOCAL_RANGE_MM: std::ops::RangeInclusive<f64> = 0.5..=20_000.0;
/// Range of pixel pitches that makes sense, micrometres (binned or shrunken pictures included).
const PITCH_RANGE_UM: std::ops::RangeInclusive<f64> = 0.3..=500.0;

/// An exposure from seconds; `None` unless it is above zero and at most a day.
pub(super) fn exposure_of(seconds: f64) -> Option<Seconds> {
    (seconds > 0.0 && seconds <= MAX_EXPOSURE_S).then_some(Seconds::new(seconds))
}

/// A focal length from millimetres; `None` outside 0.5 to 20 000 mm.
pub(super) fn focal_length_of(mm: f64) -> Option<Length> {
    FOCAL_RANGE_MM.contains(&mm).then_some(Length::from_mm(mm))
}

/// A pixel pitch from micrometres; `None` outside 0.3 to 500 um.
pub(super) fn pitch_of(um: f64) -> Option<Length> {
    PITCH_RANGE_UM.contains(&um).then_some(Length::from_um(um))
}

/// A text fact without the blanks around it; `None` if nothing is left.
pub(super) fn text_of(text: &str) -> Option<String> {
    let text = text.trim_matches(|c: char| c.is_whitespace() || c.is_control());
    (!text.is_empty()).then(|| text.to_string())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn nonsense_is_no_fact() {
        for seconds in [0.0, -1.0, f64::NAN, f64::INFINITY, 90_000.0] {
            assert_eq!(exposure_of(seconds), None);
        }
        assert_eq!(focal_length_of(0.0), None);
        assert_eq!(focal_length_of(f64::NAN), None);
        assert_eq!(pitch_of(f64::INFINITY), None);
        assert_eq!(text_of(" \0 "), None);
        assert_eq!(text_of("Astro 3 \0").as_deref(), Some("Astro 3"));
    }

    #[test]
    fn ordinary_values_pass() {
        assert_eq!(exposure_of(60.0), Some(Seconds::new(60.0)));
        assert_eq!(focal_length_of(24.0), Some(Length::from_mm(24.0)));
        assert_eq!(pitch_of(4.3), Some(Length::from_um(4.3)));
    }
}
