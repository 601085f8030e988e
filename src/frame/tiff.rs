//! TIFF, 8, 16 and 32 bit, grey and RGB, integers and floats.

use std::io::Cursor;

use tiff::decoder::{Decoder, DecodingResult, Limits};
use tiff::tags::Tag;
use tiff::{ColorType, TiffError};

use super::Format;
use super::decoded::{Decoded, SATURATED_SHARE, Samples, Want, damaged, saturated_light};
use super::directories::check_tiff_claims;
use super::exif_facts::{exif_of_block, facts_of_exif};
use super::facts::Facts;
use super::levels::{float_scale, saturation_of_words};
use super::limits::check_size;
use super::samples::{Channels, one_value_a_pixel_bytes, one_value_a_pixel_words};
use super::tone::Tone;
use crate::error::{Error, ErrorKind};

/// A TIFF's light and facts; the first picture of the file, transparency ignored.
///
/// The tone curve is the embedded ICC profile's. Without one, 8-bit values are sRGB and all
/// others linear: astronomy programs and converters that write 16 bit or floats without a
/// profile write counts, and a picture editor that writes a tone curve embeds its profile
/// (common practice, no source).
///
/// # Errors
/// `BadFile` for damaged or cut-short data, `Unsupported` for colour models other than grey, RGB
/// and palettes of neither.
pub(super) fn decode(bytes: Vec<u8>, want: Want) -> Result<Decoded, Error> {
    check_tiff_claims(&bytes)?;
    let picture = read_picture(&bytes, want)?;
    let facts =
        exif_of_block(bytes).map_or_else(Facts::default, |exif| facts_of_exif(&exif, Format::Tiff));
    Ok(Decoded { facts, ..picture })
}

fn read_picture(bytes: &[u8], want: Want) -> Result<Decoded, Error> {
    let mut decoder = Decoder::new(Cursor::new(bytes)).map_err(refused)?;
    let (width, height) = decoder.dimensions().map_err(refused)?;
    let size = check_size(u64::from(width), u64::from(height))?;
    let (channels, bits) = layout(decoder.colortype().map_err(refused)?)?;
    let tone = tone_of(&mut decoder, bits);
    let samples = match want {
        Want::Header => Samples::None,
        Want::Pixels => read_samples(&mut decoder.with_limits(generous()), channels, &tone, size)?,
    };
    let saturation = match (&samples, &tone) {
        (Samples::Words(words), Tone::Linear) => saturation_of_words(words),
        (_, Tone::Linear) => SATURATED_SHARE,
        _ => saturated_light(&tone, bits == 8),
    };
    Ok(Decoded {
        size,
        samples,
        saturation,
        developed: tone != Tone::Linear,
        tone,
        facts: Facts::default(),
        warnings: Vec::new(),
    })
}

/// Sizes are checked before, so the decoder's own limits may be wide.
fn generous() -> Limits {
    let mut limits = Limits::default();
    limits.decoding_buffer_size = 2_500_000_000;
    limits.intermediate_buffer_size = 2_500_000_000;
    limits
}

fn layout(color: ColorType) -> Result<(Channels, u8), Error> {
    Ok(match color {
        ColorType::Gray(bits) => (Channels::new(1, false), bits),
        ColorType::GrayA(bits) => (Channels::new(2, false), bits),
        ColorType::RGB(bits) => (Channels::new(3, true), bits),
        ColorType::RGBA(bits) => (Channels::new(4, true), bits),
        other => return Err(unsupported(format!("{other:?}"))),
    })
}

fn unsupported(found: String) -> Error {
    // The decoder lists every value of a tag, of which damage makes thousands.
    let found: String = found.chars().take(120).collect();
    Error::new(
        ErrorKind::Unsupported,
        format!(
            "a TIFF of a kind that is not read ({found}); grey or RGB of 8, 16 or 32 bit was needed"
        ),
    )
    .with_hint("Export it again as 16-bit RGB or grey without layers.")
}

fn refused(error: TiffError) -> Error {
    match error {
        TiffError::UnsupportedError(what) => unsupported(what.to_string()),
        other => damaged(Format::Tiff, other),
    }
}

fn tone_of(decoder: &mut Decoder<Cursor<&[u8]>>, bits: u8) -> Tone {
    let profile = decoder
        .find_tag(Tag::IccProfile)
        .ok()
        .flatten()
        .and_then(|value| value.into_u8_vec().ok());
    match profile.as_deref().and_then(Tone::from_icc) {
        Some(tone) => tone,
        None if bits <= 8 => Tone::Srgb,
        None => Tone::Linear,
    }
}

fn read_samples(
    decoder: &mut Decoder<Cursor<&[u8]>>,
    channels: Channels,
    tone: &Tone,
    (width, height): (usize, usize),
) -> Result<Samples, Error> {
    let planar = decoder
        .find_tag_unsigned::<u16>(Tag::PlanarConfiguration)
        .ok()
        .flatten();
    if planar == Some(2) && channels != Channels::new(1, false) {
        return Err(unsupported("one plane for each colour".into()));
    }
    let values = decoder.read_image().map_err(refused)?;
    let samples = match values {
        DecodingResult::U8(values) => one_value_a_pixel_bytes(values, channels, tone),
        DecodingResult::U16(values) => one_value_a_pixel_words(values, channels, tone),
        DecodingResult::U32(values) => Samples::Light(channels.light(&values, |value| {
            tone.light((f64::from(value) / f64::from(u32::MAX)) as f32)
        })),
        DecodingResult::F32(values) => {
            let scale = float_scale(&values);
            Samples::Light(channels.light(&values, |value| tone.light(value * scale)))
        }
        _ => return Err(unsupported("signed or 64-bit values".into())),
    };
    let n_values = match &samples {
        Samples::Bytes(values) => values.len(),
        Samples::Words(values) => values.len(),
        Samples::Light(values) => values.len(),
        Samples::None => 0,
    };
    if n_values != width * height {
        return Err(unsupported(format!(
            "{n_values} values for {width} x {height} pixels"
        )));
    }
    Ok(samples)
}

#[cfg(test)]
mod tests {
    use super::*;
    use tiff::encoder::colortype::{self, ColorType as Encoded};
    use tiff::encoder::{TiffEncoder, TiffValue};

    const SIDE: u32 = 16;

    /// A square TIFF of these values, with an ICC profile if one is given.
    fn file<C: Encoded>(values: &[C::Inner], profile: Option<&[u8]>) -> Vec<u8>
    where
        [C::Inner]: TiffValue,
    {
        let mut bytes = Cursor::new(Vec::new());
        let mut encoder = TiffEncoder::new(&mut bytes).unwrap();
        let mut image = encoder.new_image::<C>(SIDE, SIDE).unwrap();
        if let Some(profile) = profile {
            image.encoder().write_tag(Tag::IccProfile, profile).unwrap();
        }
        image.write_data(values).unwrap();
        bytes.into_inner()
    }

    fn repeated<T: Copy>(pixel: &[T]) -> Vec<T> {
        pixel.repeat((SIDE * SIDE) as usize)
    }

    fn light_and_saturation(bytes: Vec<u8>) -> (f32, f32) {
        let mut decoded = decode(bytes, Want::Pixels).unwrap();
        let plane = decoded.take_plane(Default::default()).unwrap();
        (plane.data()[100], decoded.saturation)
    }

    /// A profile whose grey and green curve is a plain gamma of 2.
    fn gamma_2_profile() -> Vec<u8> {
        let mut profile = vec![0; 128];
        profile.extend(1u32.to_be_bytes());
        profile.extend(b"gTRC");
        profile.extend([144u32.to_be_bytes(), 14u32.to_be_bytes()].concat());
        profile.extend(b"curv\0\0\0\0\0\0\0\x01\x02\x00");
        profile
    }

    #[test]
    fn sixteen_bit_colour_is_linear_unless_a_profile_says_otherwise() {
        let green = repeated(&[0u16, 32_768, 0]);
        let (light, saturation) = light_and_saturation(file::<colortype::RGB16>(&green, None));
        assert!((light - 0.5 * 0.7152).abs() < 1e-4);
        assert_eq!(saturation, 0.98);
        let profile = gamma_2_profile();
        let (light, saturation) =
            light_and_saturation(file::<colortype::RGB16>(&green, Some(&profile)));
        assert!((light - 0.25 * 0.7152).abs() < 1e-4, "{light}");
        assert!((saturation - (250.0f32 / 255.0).powi(2)).abs() < 1e-4);
    }

    #[test]
    fn eight_bit_values_are_srgb_and_wider_ones_are_counts() {
        let (light, _) = light_and_saturation(file::<colortype::Gray8>(&repeated(&[119u8]), None));
        assert!((light - 0.1845).abs() < 1e-3);
        let wide = repeated(&[u32::MAX / 4]);
        let (light, _) = light_and_saturation(file::<colortype::Gray32>(&wide, None));
        assert!((light - 0.25).abs() < 1e-6);
        let floats = repeated(&[0.25f32, 0.25, 0.25]);
        let (light, _) = light_and_saturation(file::<colortype::RGB32Float>(&floats, None));
        assert!((light - 0.25).abs() < 1e-6);
    }

    #[test]
    fn other_colour_models_are_refused() {
        let inks = repeated(&[0u8; 4]);
        let error = decode(file::<colortype::CMYK8>(&inks, None), Want::Header).unwrap_err();
        assert_eq!(error.kind, ErrorKind::Unsupported);
        assert!(error.context.contains("CMYK"), "{}", error.context);
    }
}
