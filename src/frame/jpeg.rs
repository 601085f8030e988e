//! JPEG: luma only, so that colour is never unpacked; cut-short files are refused.

use zune_jpeg::JpegDecoder;
use zune_jpeg::zune_core::bytestream::ZCursor;
use zune_jpeg::zune_core::colorspace::ColorSpace;
use zune_jpeg::zune_core::options::DecoderOptions;

use super::Format;
use super::decoded::{Decoded, Samples, Want, damaged, saturated_light};
use super::exif_facts::{exif_in_container, facts_of_exif};
use super::facts::Facts;
use super::limits::check_size;
use super::tone::{Tone, luminance};
use crate::error::{Error, ErrorKind};

/// A JPEG's luma and facts.
///
/// Method: the luma of the file is decoded as it is stored and the tone curve undone on it. That
/// is the light of a neutral pixel; of a coloured star it is a fixed function of the colour, which
/// moves no star. The curve is the embedded ICC profile's, else sRGB.
///
/// # Errors
/// `BadFile` for damaged or cut-short data, `Unsupported` for print colours (CMYK) and for
/// variants that no camera writes (arithmetic coding, lossless, 12 bit).
pub(super) fn decode(bytes: &[u8], want: Want) -> Result<Decoded, Error> {
    let options = DecoderOptions::default()
        .set_max_width(usize::from(u16::MAX))
        .set_max_height(usize::from(u16::MAX))
        .set_strict_mode(true)
        .jpeg_set_out_colorspace(ColorSpace::Luma);
    let mut decoder = JpegDecoder::new_with_options(ZCursor::new(bytes), options);
    decoder.decode_headers().map_err(refused)?;
    let info = decoder
        .info()
        .ok_or_else(|| damaged(Format::Jpeg, "no frame header"))?;
    let size = check_size(u64::from(info.width), u64::from(info.height))?;
    let tone = tone_of(&decoder);
    let samples = match (want, decoder.input_colorspace()) {
        (_, Some(ColorSpace::CMYK | ColorSpace::YCCK)) => return Err(print_colours()),
        (Want::Header, _) => Samples::None,
        (Want::Pixels, found) => {
            check_complete(bytes)?;
            if found == Some(ColorSpace::RGB) {
                decoder.set_options(options.jpeg_set_out_colorspace(ColorSpace::RGB));
                let rgb = decoder.decode().map_err(refused)?;
                Samples::Light(luminance_of_bytes(&rgb, &tone))
            } else {
                Samples::Bytes(decoder.decode().map_err(refused)?)
            }
        }
    };
    let facts = exif_in_container(bytes)
        .map_or_else(Facts::default, |exif| facts_of_exif(&exif, Format::Jpeg));
    Ok(Decoded {
        size,
        samples,
        saturation: saturated_light(&tone, true),
        tone,
        developed: true,
        facts,
        warnings: Vec::new(),
    })
}

fn tone_of(decoder: &JpegDecoder<ZCursor<&[u8]>>) -> Tone {
    decoder
        .icc_profile()
        .and_then(|profile| Tone::from_icc(&profile))
        .unwrap_or(Tone::Srgb)
}

fn luminance_of_bytes(rgb: &[u8], tone: &Tone) -> Vec<f32> {
    let table = tone.byte_table();
    rgb.chunks_exact(3)
        .map(|pixel| {
            let [r, g, b] = [pixel[0], pixel[1], pixel[2]].map(|v| table[usize::from(v)]);
            luminance(r, g, b)
        })
        .collect()
}

fn print_colours() -> Error {
    Error::new(
        ErrorKind::Unsupported,
        "the JPEG is in print colours (CMYK); grey or RGB was needed",
    )
    .with_hint("Export it again in sRGB, or use the camera's own JPEG.")
}

fn refused(error: zune_jpeg::errors::DecodeErrors) -> Error {
    use zune_jpeg::errors::DecodeErrors;
    match error {
        DecodeErrors::Unsupported(what) => Error::new(
            ErrorKind::Unsupported,
            format!(
                "a JPEG variant that is not read ({what:?}); baseline or progressive was needed"
            ),
        ),
        DecodeErrors::IoErrors(_) | DecodeErrors::ExhaustedData => {
            damaged(Format::Jpeg, "the data end too early")
        }
        DecodeErrors::FormatStatic(reason) => damaged(Format::Jpeg, plain_reason(reason)),
        DecodeErrors::Format(reason) => damaged(Format::Jpeg, plain_reason(&reason)),
        other => damaged(Format::Jpeg, other),
    }
}

/// The decoder's reason without the name of its own settings.
fn plain_reason(reason: &str) -> &str {
    reason.trim_start_matches("[strict-mode]: ")
}

/// Walks the markers up to the end-of-image marker.
///
/// A copy that broke off decodes to a picture whose lower part is grey; stars there would be
/// missing without a word. What follows the end marker (previews, a maker's trailer) is ignored.
/// Source: [JPEG] ISO/IEC 10918-1:1994, annex B.1 (markers, stuffed zero bytes).
fn check_complete(bytes: &[u8]) -> Result<(), Error> {
    const END_OF_IMAGE: u8 = 0xD9;
    const START_OF_SCAN: u8 = 0xDA;
    let mut at = 2;
    let mut in_scan = false;
    loop {
        let Some(marker_at) = next_marker(bytes, at) else {
            return Err(cut_short(bytes));
        };
        match bytes[marker_at + 1] {
            END_OF_IMAGE => return Ok(()),
            // Restart and other markers without a length.
            0x01 | 0xD0..=0xD8 => at = marker_at + 2,
            // Within a scan, 0xFF00 is a value and 0xFFFF is fill.
            0x00 | 0xFF => at = marker_at + 1,
            marker => {
                let Some(&[high, low]) = bytes.get(marker_at + 2..marker_at + 4) else {
                    return Err(cut_short(bytes));
                };
                in_scan |= marker == START_OF_SCAN;
                at = marker_at + 2 + usize::from(u16::from_be_bytes([high, low])).max(2);
            }
        }
        if !in_scan && at >= bytes.len() {
            return Err(cut_short(bytes));
        }
    }
}

/// Place of the next 0xFF that has a byte behind it.
fn next_marker(bytes: &[u8], from: usize) -> Option<usize> {
    let rest = bytes.get(from..)?;
    let place = from + rest.iter().position(|&byte| byte == 0xFF)?;
    (place + 1 < bytes.len()).then_some(place)
}

fn cut_short(bytes: &[u8]) -> Error {
    damaged(
        Format::Jpeg,
        format!("no end-of-image marker in {} bytes", bytes.len()),
    )
}

#[cfg(test)]
mod tests {
    use super::*;

    const TINY_SCAN: [u8; 14] = [
        0xFF, 0xD8, 0xFF, 0xDA, 0, 4, 1, 2, 0x12, 0xFF, 0x00, 0x34, 0xFF, 0xD9,
    ];

    #[test]
    fn a_stuffed_zero_does_not_end_the_picture_and_a_trailer_is_ignored() {
        assert_eq!(check_complete(&TINY_SCAN), Ok(()));
        let with_trailer = [TINY_SCAN.as_slice(), b"maker's trailer"].concat();
        assert_eq!(check_complete(&with_trailer), Ok(()));
    }

    #[test]
    fn every_shorter_piece_is_cut_short() {
        for length in 2..TINY_SCAN.len() {
            let error = check_complete(&TINY_SCAN[..length]).unwrap_err();
            assert_eq!(error.kind, ErrorKind::BadFile);
            assert!(error.context.contains("cut short"), "{}", error.context);
        }
    }

    #[test]
    fn an_end_marker_inside_a_segment_does_not_count() {
        // A thumbnail within APP1 ends with its own marker.
        let mut bytes = vec![0xFF, 0xD8, 0xFF, 0xE1, 0, 6, 0xFF, 0xD8, 0xFF, 0xD9];
        assert!(check_complete(&bytes).is_err());
        bytes.extend(&TINY_SCAN[2..]);
        assert_eq!(check_complete(&bytes), Ok(()));
    }

    #[test]
    fn red_weighs_less_than_green() {
        let light = luminance_of_bytes(&[255, 0, 0, 0, 255, 0], &Tone::Srgb);
        assert_eq!(light, [0.2126, 0.7152]);
    }
}
