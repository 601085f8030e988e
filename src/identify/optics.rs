//! From what a file says about lens and sensor to the focal lengths in pixels worth searching.

use super::FocalRange;
use crate::frame::{Optics, PitchSource};
use crate::units::Length;

/// Share by which a marked focal length times a known pixel pitch may be off: focusing, rounding.
const KNOWN_PITCH: f64 = 0.10;
/// The same where the pitch was worked out from the sensor's size.
const GUESSED_PITCH: f64 = 0.15;
/// Widest and narrowest sensors that go with a lens of unknown camera, millimetres.
const WIDEST_SENSOR_MM: f64 = 37.0;
const NARROWEST_SENSOR_MM: f64 = 12.0;
/// Diagonal of the 36 x 24 mm frame, millimetres: equivalent focal lengths are compared on it (EXIF 3.0,
/// tag FocalLengthIn35mmFilm).
const DIAGONAL_MM: f64 = 43.27;

impl FocalRange {
    /// The focal lengths that a file's optics leave open, for a picture of this size in pixels.
    ///
    /// Best known first: focal length and pixel pitch; the 35 mm equivalent; the focal length
    /// alone, on any sensor 12 to 37 mm wide; nothing at all.
    pub fn from_optics(optics: &Optics, width: usize, height: usize) -> Self {
        Self::from_pitch(optics)
            .or_else(|| Self::from_equivalent(optics.equivalent_focal_length?, width, height))
            .or_else(|| Self::from_focal_length(optics.focal_length?, width, height))
            .unwrap_or_else(|| Self::any(width, height))
    }

    fn from_pitch(optics: &Optics) -> Option<Self> {
        let (pitch, source) = optics.pixel_pitch?;
        let spread = match source {
            PitchSource::Option | PitchSource::FocalPlaneTags => KNOWN_PITCH,
            PitchSource::SensorSize => GUESSED_PITCH,
        };
        Self::about(optics.focal_length? / pitch, spread)
    }

    fn from_equivalent(equivalent: Length, width: usize, height: usize) -> Option<Self> {
        let diagonal_px = (width as f64).hypot(height as f64);
        Self::about(equivalent.mm() / DIAGONAL_MM * diagonal_px, GUESSED_PITCH)
    }

    fn from_focal_length(focal_length: Length, width: usize, height: usize) -> Option<Self> {
        let longer = width.max(height) as f64;
        let on_sensor = |sensor_mm: f64| focal_length.mm() / sensor_mm * longer;
        Self::between(on_sensor(WIDEST_SENSOR_MM), on_sensor(NARROWEST_SENSOR_MM))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn holds(range: FocalRange, focal_px: f64) -> bool {
        let (low, high) = range.bounds_px();
        (low..=high).contains(&focal_px)
    }

    #[test]
    fn the_better_a_file_knows_its_optics_the_narrower_the_range() {
        // 100 mm on a 23.5 x 15.7 mm sensor of 6000 x 4000 pixels: 3.92 um, equivalent 153 mm.
        let true_px = 100.0 / 23.5 * 6000.0;
        let mut optics = Optics {
            focal_length: Some(Length::from_mm(100.0)),
            equivalent_focal_length: Some(Length::from_mm(153.0)),
            pixel_pitch: Some((Length::from_um(3.92), PitchSource::FocalPlaneTags)),
        };
        let mut widths = Vec::new();
        for step in 0..4 {
            let range = FocalRange::from_optics(&optics, 6000, 4000);
            assert!(holds(range, true_px), "step {step}");
            let (low, high) = range.bounds_px();
            widths.push(high / low);
            match step {
                0 => optics.pixel_pitch = None,
                1 => optics.equivalent_focal_length = None,
                _ => optics.focal_length = None,
            }
        }
        assert!(widths.is_sorted(), "{widths:?}");
    }

    #[test]
    fn nonsense_in_the_file_leaves_everything_open() {
        let optics = Optics {
            focal_length: Some(Length::from_mm(0.0)),
            equivalent_focal_length: Some(Length::from_mm(f64::NAN)),
            pixel_pitch: Some((Length::from_um(0.0), PitchSource::FocalPlaneTags)),
        };
        let range = FocalRange::from_optics(&optics, 6000, 4000);
        assert_eq!(range, FocalRange::any(6000, 4000));
    }
}
