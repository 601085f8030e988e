//! PNG, 8 and 16 bit, grey and colour.

use std::io::Cursor;

use png::{BitDepth, ColorType, Info, Transformations};

use super::Format;
use super::decoded::{Decoded, Samples, Want, damaged, saturated_light};
use super::exif_facts::{exif_of_block, facts_of_exif};
use super::facts::Facts;
use super::limits::check_size;
use super::samples::{Channels, one_value_a_pixel_bytes, one_value_a_pixel_words};
use super::tone::Tone;
use crate::error::Error;

/// A PNG's light and facts; transparency is ignored.
///
/// The tone curve is the file's own (ICC profile, sRGB or gAMA chunk, in that order of trust);
/// without any, 8-bit values are sRGB and 16-bit values linear, as for TIFF.
///
/// # Errors
/// `BadFile` for damaged data, `Unsupported` for sizes beyond the limits.
pub(super) fn decode(bytes: &[u8], want: Want) -> Result<Decoded, Error> {
    let mut decoder = png::Decoder::new(Cursor::new(bytes));
    decoder.set_transformations(Transformations::EXPAND);
    let header = decoder.read_header_info().map_err(refused)?;
    let size = check_size(u64::from(header.width), u64::from(header.height))?;
    let mut reader = decoder.read_info().map_err(refused)?;
    let eight_bit = reader.info().bit_depth != BitDepth::Sixteen;
    let tone = tone_of(reader.info(), eight_bit);
    let samples = match want {
        Want::Header => Samples::None,
        Want::Pixels => read_samples(&mut reader, &tone)?,
    };
    let facts = reader
        .info()
        .exif_metadata
        .as_deref()
        .and_then(|block| exif_of_block(block.to_vec()))
        .map_or_else(Facts::default, |exif| facts_of_exif(&exif, Format::Png));
    Ok(Decoded {
        size,
        samples,
        saturation: saturated_light(&tone, eight_bit),
        developed: eight_bit || tone != Tone::Linear,
        tone,
        facts,
        warnings: Vec::new(),
    })
}

fn refused(error: png::DecodingError) -> Error {
    damaged(Format::Png, error)
}

/// Source: [PNG] third edition, sections 11.3.2.2 (gAMA), 11.3.2.3 (iCCP), 11.3.2.5 (sRGB).
fn tone_of(info: &Info, eight_bit: bool) -> Tone {
    if let Some(tone) = info.icc_profile.as_deref().and_then(Tone::from_icc) {
        return tone;
    }
    if info.srgb.is_some() {
        return Tone::Srgb;
    }
    match info.gama_chunk.map(|gamma| gamma.into_value()) {
        // 1/2.2 is how programs write sRGB.
        Some(gamma) if (gamma - 0.45455).abs() < 0.005 => Tone::Srgb,
        Some(gamma) if (gamma - 1.0).abs() < 0.005 => Tone::Linear,
        Some(gamma) if (0.2..5.0).contains(&gamma) => Tone::Gamma(1.0 / gamma),
        _ if eight_bit => Tone::Srgb,
        _ => Tone::Linear,
    }
}

fn read_samples(reader: &mut png::Reader<Cursor<&[u8]>>, tone: &Tone) -> Result<Samples, Error> {
    let n_bytes = reader
        .output_buffer_size()
        .ok_or_else(|| damaged(Format::Png, "size overflows"))?;
    let mut buffer = vec![0; n_bytes];
    reader.next_frame(&mut buffer).map_err(refused)?;
    let (color, depth) = reader.output_color_type();
    let channels = match color {
        ColorType::Grayscale => Channels::new(1, false),
        ColorType::GrayscaleAlpha => Channels::new(2, false),
        ColorType::Rgb | ColorType::Indexed => Channels::new(3, true),
        ColorType::Rgba => Channels::new(4, true),
    };
    Ok(match depth {
        BitDepth::Sixteen => {
            let words = buffer
                .chunks_exact(2)
                .map(|pair| u16::from_be_bytes([pair[0], pair[1]]))
                .collect();
            one_value_a_pixel_words(words, channels, tone)
        }
        _ => one_value_a_pixel_bytes(buffer, channels, tone),
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use png::{Encoder, ScaledFloat, SrgbRenderingIntent};

    const SIDE: u32 = 16;

    /// A square PNG of one repeated pixel.
    fn file(
        color: ColorType,
        depth: BitDepth,
        pixel: &[u8],
        settle: impl Fn(&mut Encoder<&mut Vec<u8>>),
    ) -> Vec<u8> {
        let mut bytes = Vec::new();
        let mut encoder = Encoder::new(&mut bytes, SIDE, SIDE);
        encoder.set_color(color);
        encoder.set_depth(depth);
        settle(&mut encoder);
        let mut writer = encoder.write_header().unwrap();
        let pixels = pixel.repeat((SIDE * SIDE) as usize);
        writer.write_image_data(&pixels).unwrap();
        writer.finish().unwrap();
        bytes
    }

    fn light_of(bytes: &[u8]) -> f32 {
        let mut decoded = decode(bytes, Want::Pixels).unwrap();
        let plane = decoded.take_plane(Default::default()).unwrap();
        assert_eq!((plane.width(), plane.height()), (16, 16));
        plane.data()[77]
    }

    #[test]
    fn the_file_s_own_curve_is_undone() {
        let half = 32_768u16.to_be_bytes();
        let grey = |settle: &dyn Fn(&mut Encoder<&mut Vec<u8>>)| {
            light_of(&file(
                ColorType::Grayscale,
                BitDepth::Sixteen,
                &half,
                settle,
            ))
        };
        assert!(
            (grey(&|_| ()) - 0.5).abs() < 1e-4,
            "16 bit without a word is linear"
        );
        let srgb = grey(&|encoder| encoder.set_source_srgb(SrgbRenderingIntent::Perceptual));
        assert!((srgb - 0.2140).abs() < 1e-3);
        let gamma = grey(&|encoder| encoder.set_source_gamma(ScaledFloat::new(0.5)));
        assert!((gamma - 0.25).abs() < 1e-3);
    }

    #[test]
    fn colour_with_transparency_and_palettes_become_luminance() {
        let green = file(ColorType::Rgba, BitDepth::Eight, &[0, 255, 0, 9], |_| ());
        assert!((light_of(&green) - 0.7152).abs() < 1e-5);
        let palette = file(ColorType::Indexed, BitDepth::Eight, &[1], |encoder| {
            encoder.set_palette(vec![0, 0, 0, 255, 0, 0]);
        });
        assert!((light_of(&palette) - 0.2126).abs() < 1e-5);
    }
}
