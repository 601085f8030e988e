//! The size of a pixel: which of the file's hints to believe.

use super::facts::Facts;
use super::sensor::{FILM_DIAGONAL_MM, known_sensor_width};
use super::{Optics, PitchSource};
use crate::error::Warning;
use crate::units::Length;

/// Two widths of one sensor agree within this share: crops for video, rounded equivalents and
/// nominal sensor sizes differ by a few per cent; a picture shrunk by less is taken as whole.
pub(super) const AGREEMENT: f64 = 0.06;
/// A picture whose shape differs by more than this from the one its tags speak of was cropped.
const SAME_SHAPE: f64 = 0.02;
/// How good a nominal sensor width is.
const NOMINAL_SENSOR: f64 = 0.03;

/// Focal length, its equivalent, and the pixel pitch of a picture of this size, with a warning
/// where the pitch is doubtful.
///
/// Method: the focal-plane tags times the picture's long side are a sensor width. Where that
/// agrees with the widths that the 35 mm equivalent, the camera's model, or the picture size in
/// the tags imply, or nothing can be compared, the tags are believed. Where it does not, the
/// picture was scaled after the tags were written: the best of those widths is spread over the
/// picture's pixels. A picture of another shape than its tags say was cropped, and a crop keeps
/// its pixels.
pub(super) fn settle_optics(facts: &Facts, size: (usize, usize)) -> (Optics, Option<Warning>) {
    let (pitch, warning) = settle_pitch(facts, size);
    let optics = Optics {
        focal_length: facts.focal_length,
        equivalent_focal_length: facts.equivalent_focal_length,
        pixel_pitch: pitch,
    };
    (optics, warning)
}

type Pitch = Option<(Length, PitchSource)>;

fn settle_pitch(facts: &Facts, (width, height): (usize, usize)) -> (Pitch, Option<Warning>) {
    let long_side = width.max(height) as f64;
    let widths = SensorWidths::of(facts, (width, height));
    let Some(tags) = facts.tag_pitch else {
        return match widths.best() {
            Some(best) => spread(best, long_side, "no focal-plane tags"),
            None => (None, None),
        };
    };
    if widths.agree_with(tags * long_side) {
        return (Some((tags, PitchSource::FocalPlaneTags)), None);
    }
    if cropped(facts, (width, height)) {
        let warning = Warning::new(format!(
            "the picture was cropped: pixel pitch {:.2} um taken from the focal-plane tags; if it was \
             scaled as well, give --pixel-pitch",
            tags.um()
        ));
        return (Some((tags, PitchSource::FocalPlaneTags)), Some(warning));
    }
    match widths.best() {
        Some(best) => {
            let found = format!(
                "the focal-plane tags give {:.2} um, which belongs to a picture {:.0} px wide; this one is {long_side:.0} px wide",
                tags.um(),
                best.width / tags
            );
            spread(best, long_side, &found)
        }
        None => (Some((tags, PitchSource::FocalPlaneTags)), None),
    }
}

/// A sensor width over the pixels of the long side, with its warning.
fn spread(best: SensorWidth, long_side: f64, found: &str) -> (Pitch, Option<Warning>) {
    let pitch = best.width / long_side;
    let warning = Warning::new(format!(
        "{found}: pixel pitch {:.2} um taken from {}, good to about {:.0} %; --pixel-pitch overrules it",
        pitch.um(),
        best.origin,
        (best.accuracy * 100.0).ceil()
    ));
    (Some((pitch, PitchSource::SensorSize)), Some(warning))
}

/// One guess at the width of the sensor's long side.
#[derive(Debug, Clone, Copy, PartialEq)]
struct SensorWidth {
    width: Length,
    /// Relative error to expect.
    accuracy: f64,
    origin: &'static str,
}

/// All guesses apart from the tags themselves, best first.
struct SensorWidths(Vec<SensorWidth>);

impl SensorWidths {
    fn of(facts: &Facts, size: (usize, usize)) -> Self {
        let guesses = [
            from_equivalent(facts, size),
            facts
                .model
                .as_deref()
                .and_then(known_sensor_width)
                .map(|width| SensorWidth {
                    width,
                    accuracy: NOMINAL_SENSOR,
                    origin: "the sensor width of this camera model",
                }),
            from_tag_size(facts),
        ];
        Self(guesses.into_iter().flatten().collect())
    }

    fn best(&self) -> Option<SensorWidth> {
        self.0.first().copied()
    }

    /// The best guess decides; without any there is nothing to contradict.
    fn agree_with(&self, width: Length) -> bool {
        self.best()
            .is_none_or(|best| (width / best.width - 1.0).abs() <= AGREEMENT.max(best.accuracy))
    }
}

/// The 35 mm equivalent compares diagonals (as the simulator's cameras and most makers do; from
/// memory, CIPA DCG-001), so the shape of the picture comes in. It is a whole number of
/// millimetres: short lenses give a coarse width.
fn from_equivalent(facts: &Facts, (width, height): (usize, usize)) -> Option<SensorWidth> {
    let focal_length = facts.focal_length?;
    let equivalent = facts.equivalent_focal_length?;
    let long_side = width.max(height) as f64;
    let diagonal = (width as f64).hypot(height as f64);
    Some(SensorWidth {
        width: Length::from_mm(
            FILM_DIAGONAL_MM * (focal_length / equivalent) * long_side / diagonal,
        ),
        accuracy: NOMINAL_SENSOR + 0.5 / equivalent.mm(),
        origin: "the 35 mm equivalent focal length",
    })
}

/// Tags that speak of a picture of another size: their pitch times their long side.
fn from_tag_size(facts: &Facts) -> Option<SensorWidth> {
    let (long_side, _) = facts.tag_size?;
    Some(SensorWidth {
        width: facts.tag_pitch? * f64::from(long_side),
        accuracy: NOMINAL_SENSOR,
        origin: "the tags of the picture before it was scaled",
    })
}

/// Whether the picture has another shape than the one the tags speak of.
fn cropped(facts: &Facts, (width, height): (usize, usize)) -> bool {
    facts.tag_size.is_some_and(|(long, short)| {
        let shape = width.max(height) as f64 / width.min(height) as f64;
        (shape / (f64::from(long) / f64::from(short)) - 1.0).abs() > SAME_SHAPE
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn facts(tag_pitch_um: f64, tag_size: (u32, u32)) -> Facts {
        Facts {
            focal_length: Some(Length::from_mm(24.0)),
            tag_pitch: Some(Length::from_um(tag_pitch_um)),
            tag_size: Some(tag_size),
            ..Facts::default()
        }
    }

    fn pitch_um(facts: &Facts, size: (usize, usize)) -> (f64, PitchSource, Option<String>) {
        let (optics, warning) = settle_optics(facts, size);
        let (pitch, source) = optics.pixel_pitch.unwrap();
        (pitch.um(), source, warning.map(|w| w.text))
    }

    #[test]
    fn tags_that_fit_the_picture_are_believed_without_a_word() {
        let whole = facts(5.36, (6720, 4480));
        let (um, source, warning) = pitch_um(&whole, (6720, 4480));
        assert!(
            (um - 5.36).abs() < 1e-9 && source == PitchSource::FocalPlaneTags && warning.is_none()
        );
        // Upright pictures are compared by their long side.
        assert_eq!(
            pitch_um(&whole, (4480, 6720)).1,
            PitchSource::FocalPlaneTags
        );
    }

    #[test]
    fn a_shrunken_picture_takes_the_width_of_the_original() {
        let (um, source, warning) = pitch_um(&facts(5.36, (6720, 4480)), (2000, 1333));
        assert!((um - 18.01).abs() < 0.01 && source == PitchSource::SensorSize);
        let warning = warning.unwrap();
        for word in ["5.36 um", "6720 px", "2000 px", "18.01 um", "--pixel-pitch"] {
            assert!(warning.contains(word), "{warning}");
        }
    }

    #[test]
    fn the_equivalent_focal_length_shows_a_shrunken_picture_too() {
        let shrunk = Facts {
            equivalent_focal_length: Some(Length::from_mm(24.0)),
            ..facts(5.36, (2000, 1333))
        };
        let (um, source, _) = pitch_um(&shrunk, (2000, 1333));
        assert!((um - 18.0).abs() < 0.05 && source == PitchSource::SensorSize);
    }

    #[test]
    fn the_camera_model_speaks_before_leftover_sizes() {
        let shrunk = Facts {
            model: Some("Canon EOS 5D Mark IV".into()),
            ..facts(5.36, (4464, 2976))
        };
        let (um, source, _) = pitch_um(&shrunk, (2000, 1333));
        assert!((um - 18.0).abs() < 1e-6 && source == PitchSource::SensorSize);
    }

    #[test]
    fn a_crop_keeps_its_pixels() {
        let (um, source, warning) = pitch_um(&facts(5.36, (6720, 4480)), (2000, 2000));
        assert!((um - 5.36).abs() < 1e-9 && source == PitchSource::FocalPlaneTags);
        assert!(warning.unwrap().contains("cropped"));
    }

    #[test]
    fn an_equivalent_on_a_four_to_three_sensor_compares_diagonals() {
        // 17.3 x 13.0 mm has half the film's diagonal: 50 mm look like 100 mm.
        let no_tags = Facts {
            focal_length: Some(Length::from_mm(50.0)),
            equivalent_focal_length: Some(Length::from_mm(100.0)),
            ..Facts::default()
        };
        let (um, source, warning) = pitch_um(&no_tags, (4608, 3456));
        assert!((um - 17.307 / 4.608).abs() < 0.01 && source == PitchSource::SensorSize);
        assert!(warning.unwrap().contains("35 mm equivalent"));
    }

    #[test]
    fn without_any_hint_there_is_no_pitch() {
        let (optics, warning) = settle_optics(&Facts::default(), (100, 100));
        assert_eq!((optics.pixel_pitch, warning), (None, None));
    }
}
