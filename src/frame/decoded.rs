//! What every format hands over: stored values, their tone curve, and the facts beside them.

use super::facts::Facts;
use super::orientation::Orientation;
use super::tone::Tone;
use super::{Format, Plane};
use crate::error::{Error, ErrorKind, Warning};

/// How much of a file is wanted.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Want {
    /// Size and facts only.
    Header,
    /// The pixels too.
    Pixels,
}

/// One value a pixel, row by row from the top as stored.
#[derive(Debug, Clone, PartialEq)]
pub(super) enum Samples {
    /// Not asked for.
    None,
    /// 8-bit values on the tone curve.
    Bytes(Vec<u8>),
    /// 16-bit values on the tone curve.
    Words(Vec<u16>),
    /// Light already, full scale 1.0; may hold NaN or infinite values where the file does.
    Light(Vec<f32>),
}

/// A file taken apart.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Decoded {
    /// Width and height as stored.
    pub(super) size: (usize, usize),
    /// The stored values.
    pub(super) samples: Samples,
    /// Curve of [`Samples::Bytes`] and [`Samples::Words`].
    pub(super) tone: Tone,
    /// Light at or above this is saturated.
    pub(super) saturation: f32,
    /// A rendering (tone curve, 8 bit) rather than counts.
    pub(super) developed: bool,
    /// Time, exposure, lens, place.
    pub(super) facts: Facts,
    /// Doubts that came up on the way.
    pub(super) warnings: Vec<Warning>,
}

/// 8-bit values from here on are taken as saturated: the last few levels are bent by sharpening,
/// compression and the camera's curve (common practice, no source).
const SATURATED_BYTE: f32 = 250.0 / 255.0;
/// Share of the white level from which counts are taken as saturated: sensors bend just below it.
pub(super) const SATURATED_SHARE: f32 = 0.98;

/// Where values on this curve saturate, as light.
pub(super) fn saturated_light(tone: &Tone, eight_bit: bool) -> f32 {
    match (eight_bit, tone) {
        (true, _) => tone.light(SATURATED_BYTE),
        (false, Tone::Linear) => SATURATED_SHARE,
        (false, _) => tone.light(SATURATED_BYTE),
    }
}

impl Decoded {
    /// The upright plane of light; consumes the samples.
    ///
    /// # Errors
    /// `BadFile` where no value is a number.
    pub(super) fn take_plane(&mut self, orientation: Orientation) -> Result<Plane, Error> {
        let size = self.size;
        let light = match std::mem::replace(&mut self.samples, Samples::None) {
            Samples::None => Vec::new(),
            Samples::Bytes(bytes) => {
                let table = self.tone.byte_table();
                orientation.upright(&bytes, size, |value| table[usize::from(value)])
            }
            Samples::Words(words) => {
                let table = self.tone.word_table();
                orientation.upright(&words, size, |value| table[usize::from(value)])
            }
            Samples::Light(mut light) => {
                self.warnings.extend(fill_holes(&mut light)?);
                match orientation {
                    Orientation::TopLeft => light,
                    turned => turned.upright(&light, size, |value| value),
                }
            }
        };
        let (width, height) = orientation.upright_size(size.0, size.1);
        Plane::new(width, height, light).ok_or_else(|| {
            Error::new(
                ErrorKind::BadFile,
                format!("fewer values than the {width} x {height} pixels of the header"),
            )
        })
    }
}

/// Puts the median of the plane in place of values that are no finite number.
///
/// The sky's level makes no star and hides none; a hole is a handful of pixels in practice.
fn fill_holes(light: &mut [f32]) -> Result<Option<Warning>, Error> {
    let n_holes = light.iter().filter(|value| !value.is_finite()).count();
    if n_holes == 0 {
        return Ok(None);
    }
    let mut numbers: Vec<f32> = light
        .iter()
        .copied()
        .filter(|value| value.is_finite())
        .collect();
    if numbers.is_empty() {
        return Err(Error::new(
            ErrorKind::BadFile,
            format!("none of the {n_holes} pixel values is a number"),
        ));
    }
    let middle = numbers.len() / 2;
    let (_, median, _) = numbers.select_nth_unstable_by(middle, f32::total_cmp);
    let median = *median;
    for value in light.iter_mut().filter(|value| !value.is_finite()) {
        *value = median;
    }
    Ok(Some(Warning::new(format!(
        "{n_holes} of {} pixel values are no finite number: the median of the frame stands in for them",
        light.len()
    ))))
}

/// The error of a file that its decoder gave up on; the decoder's reason on one line.
pub(super) fn damaged(format: Format, reason: impl std::fmt::Display) -> Error {
    let reason = reason.to_string();
    let reason: String = reason.chars().take(200).collect();
    let words: Vec<&str> = reason.split_whitespace().collect();
    Error::new(
        ErrorKind::BadFile,
        format!(
            "the {} data are damaged or cut short ({})",
            format.name(),
            words.join(" ").trim_end_matches('.')
        ),
    )
    .with_hint("Copy the file from the card again; a damaged frame is not measured.")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn holes_take_the_median() {
        let mut light = vec![0.1, f32::NAN, 0.2, f32::INFINITY, 0.3];
        let warning = fill_holes(&mut light).unwrap().unwrap();
        assert_eq!(light, [0.1, 0.2, 0.2, 0.2, 0.3]);
        assert!(warning.text.starts_with("2 of 5 pixel values"));
        assert_eq!(fill_holes(&mut light), Ok(None));
        let error = fill_holes(&mut [f32::NAN, f32::NAN]).unwrap_err();
        assert_eq!(error.kind, ErrorKind::BadFile);
    }

    #[test]
    fn eight_bit_pictures_saturate_a_little_below_white() {
        let srgb = saturated_light(&Tone::Srgb, true);
        assert!((srgb - 0.956).abs() < 2e-3, "{srgb}");
        assert_eq!(saturated_light(&Tone::Linear, false), 0.98);
    }
}
