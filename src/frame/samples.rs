//! From interleaved channels to one value a pixel.

use rayon::prelude::*;

use super::decoded::Samples;
use super::tone::{Tone, luminance};

/// How a pixel's values lie side by side.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Channels {
    /// Values a pixel, transparency included; at least one, at least three where coloured.
    per_pixel: usize,
    /// The first three are red, green, blue; else the first is grey.
    coloured: bool,
}

impl Channels {
    /// A layout; values beyond grey or red, green, blue are dropped.
    pub(super) fn new(per_pixel: usize, coloured: bool) -> Self {
        assert!(
            per_pixel >= if coloured { 3 } else { 1 },
            "too few channels"
        );
        Self {
            per_pixel,
            coloured,
        }
    }

    /// One light value a pixel from light values side by side.
    pub(super) fn light<T: Copy + Sync>(
        self,
        values: &[T],
        to_light: impl Fn(T) -> f32 + Sync,
    ) -> Vec<f32> {
        values
            .par_chunks_exact(self.per_pixel)
            .map(|pixel| {
                if self.coloured {
                    luminance(to_light(pixel[0]), to_light(pixel[1]), to_light(pixel[2]))
                } else {
                    to_light(pixel[0])
                }
            })
            .collect()
    }
}

/// 8-bit channels: grey stays as stored, colour becomes the luminance of linear light.
pub(super) fn one_value_a_pixel_bytes(values: Vec<u8>, channels: Channels, tone: &Tone) -> Samples {
    if channels.per_pixel == 1 {
        return Samples::Bytes(values);
    }
    let table = tone.byte_table();
    Samples::Light(channels.light(&values, |value| table[usize::from(value)]))
}

/// 16-bit channels, likewise.
pub(super) fn one_value_a_pixel_words(
    values: Vec<u16>,
    channels: Channels,
    tone: &Tone,
) -> Samples {
    if channels.per_pixel == 1 {
        return Samples::Words(values);
    }
    let table = tone.word_table();
    Samples::Light(channels.light(&values, |value| table[usize::from(value)]))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn grey_stays_and_transparency_is_dropped() {
        let grey = one_value_a_pixel_bytes(vec![1, 2], Channels::new(1, false), &Tone::Srgb);
        assert_eq!(grey, Samples::Bytes(vec![1, 2]));
        let with_alpha =
            one_value_a_pixel_words(vec![65535, 7, 0, 7], Channels::new(2, false), &Tone::Linear);
        assert_eq!(with_alpha, Samples::Light(vec![1.0, 0.0]));
    }

    #[test]
    fn colour_is_weighed_after_the_tone_curve_is_undone() {
        let pixel = vec![0, 128, 0, 255];
        let Samples::Light(light) =
            one_value_a_pixel_bytes(pixel, Channels::new(4, true), &Tone::Srgb)
        else {
            panic!("colour becomes light");
        };
        // Linear light of 128 is 0.2158, green weighs 0.7152.
        assert!((light[0] - 0.2158 * 0.7152).abs() < 1e-4);
    }
}
