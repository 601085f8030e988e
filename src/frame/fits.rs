//! FITS: integers and floats of all sizes, grey, mosaic and three planes.

use rayon::prelude::*;

use super::Format;
use super::decoded::{Decoded, SATURATED_SHARE, Samples, Want, damaged};
use super::fits_facts::{calibration_kind, doubts_of_cards, facts_of_cards};
use super::fits_header::{BLOCK, Cards};
use super::fits_mosaic::{has_filters, mosaic_of};
use super::levels::{float_scale, saturation_of_largest, saturation_of_words};
use super::limits::check_size;
use super::mosaic::Area;
use super::tone::{Tone, luminance};
use crate::error::{Error, ErrorKind, Warning};

/// A FITS file's light and facts: the first picture in it.
///
/// Method: BSCALE and BZERO are applied, BLANK and NaN become holes; 16-bit counts are scaled by
/// 65 535, 8-bit ones by 255, wider ones by what they reach. Three planes become their luminance,
/// a mosaic its green light. Values are linear.
/// Source: [FITS] 4.0, sections 4.4.1, 4.4.2.5 (BSCALE, BZERO, BLANK) and 5 (numbers).
///
/// # Errors
/// `BadFile` for damaged or cut-short files, `Unsupported` for compressed pictures, tables, other
/// numbers of planes, and for what the header calls a dark, bias or flat frame.
pub(super) fn decode(bytes: &[u8], want: Want) -> Result<Decoded, Error> {
    let cards = picture_header(bytes)?;
    if let Some(kind) = calibration_kind(&cards) {
        return Err(
            unsupported(&format!("a {kind} frame by its header (IMAGETYP)"))
                .with_hint("Only frames of the night sky are measured."),
        );
    }
    let picture = Picture::of(&cards)?;
    let data = picture.data(bytes, cards.data_start)?;
    let (samples, filter_doubt) = match want {
        Want::Header => (Samples::None, None),
        Want::Pixels => picture.samples(data, &cards),
    };
    let saturation = match (&samples, cards.number("SATURATE")) {
        (_, Some(counts)) if picture.is_words() => {
            SATURATED_SHARE * counts as f32 / f32::from(u16::MAX)
        }
        (Samples::Words(words), None) => saturation_of_words(words),
        (Samples::Light(light), _) if picture.bitpix == 16 => {
            let largest = light
                .iter()
                .copied()
                .filter(|v| v.is_finite())
                .fold(0.0, f32::max);
            saturation_of_largest(largest * f32::from(u16::MAX))
        }
        _ => SATURATED_SHARE,
    };
    Ok(Decoded {
        size: picture.size,
        samples,
        tone: Tone::Linear,
        saturation,
        developed: false,
        facts: facts_of_cards(&cards),
        warnings: doubts_of_cards(&cards)
            .into_iter()
            .chain(filter_doubt)
            .collect(),
    })
}

/// The header of the first picture: the file's own, or that of the first picture behind it.
fn picture_header(bytes: &[u8]) -> Result<Cards, Error> {
    const MAX_PARTS: usize = 100;
    let mut cards = Cards::read(bytes, 0)?;
    for _ in 0..MAX_PARTS {
        if cards.is_true("ZIMAGE") {
            return Err(
                unsupported("a compressed picture").with_hint("Unpack it to plain FITS first.")
            );
        }
        let is_table = cards.text("XTENSION").is_some_and(|kind| kind != "IMAGE");
        if !is_table && cards.whole("NAXIS").unwrap_or(0) > 0 {
            return Ok(cards);
        }
        let n_blocks = n_data_bytes(&cards).div_ceil(BLOCK as u64);
        let next = n_blocks
            .saturating_mul(BLOCK as u64)
            .saturating_add(cards.data_start as u64);
        match usize::try_from(next) {
            Ok(next) if next < bytes.len() => cards = Cards::read(bytes, next)?,
            _ => break,
        }
    }
    Err(unsupported("no picture, only tables or headers"))
}

/// Source: [FITS] 4.0, section 4.4.1, equations 1 and 2.
fn n_data_bytes(cards: &Cards) -> u64 {
    let n_axes = cards.whole("NAXIS").unwrap_or(0).min(999);
    if n_axes == 0 {
        return 0;
    }
    let n_values = (1..=n_axes)
        .map(|axis| cards.whole(&format!("NAXIS{axis}")).unwrap_or(0))
        .fold(1u64, u64::saturating_mul);
    let value_bytes = (cards.number("BITPIX").unwrap_or(8.0).abs() / 8.0) as u64;
    value_bytes
        .saturating_mul(cards.whole("GCOUNT").unwrap_or(1))
        .saturating_mul(cards.whole("PCOUNT").unwrap_or(0).saturating_add(n_values))
}

fn unsupported(found: &str) -> Error {
    Error::new(
        ErrorKind::Unsupported,
        format!("the FITS file holds {found}; a plain picture of one or three planes was needed"),
    )
}

fn length_of_axis(cards: &Cards, index: u64) -> Result<u64, Error> {
    let keyword = format!("NAXIS{index}");
    cards.whole(&keyword).ok_or_else(|| {
        let found = cards.text(&keyword).unwrap_or("missing");
        damaged(Format::Fits, format!("{keyword} is {found}"))
    })
}

/// How the values of a picture are stored.
#[derive(Debug, Clone, Copy, PartialEq)]
struct Picture {
    size: (usize, usize),
    planes: usize,
    bitpix: i64,
    zero: f64,
    scale: f64,
    blank: Option<f64>,
}

impl Picture {
    fn of(cards: &Cards) -> Result<Self, Error> {
        let n_axes = cards.whole("NAXIS").unwrap_or(0);
        let axes: Vec<u64> = (1..=n_axes.min(9))
            .map(|index| length_of_axis(cards, index))
            .collect::<Result<_, _>>()?;
        let planes = axes.iter().skip(2).copied().fold(1, u64::saturating_mul);
        if n_axes < 2 || !(planes == 1 || planes == 3) {
            return Err(unsupported(&format!("{n_axes} axes with {planes} planes")));
        }
        let bitpix = cards.number("BITPIX").unwrap_or(0.0) as i64;
        if ![8, 16, 32, 64, -32, -64].contains(&bitpix) {
            return Err(damaged(Format::Fits, format!("BITPIX is {bitpix}")));
        }
        Ok(Self {
            size: check_size(axes[0], axes[1])?,
            planes: planes as usize,
            bitpix,
            zero: cards.number("BZERO").unwrap_or(0.0),
            scale: cards.number("BSCALE").filter(|&s| s != 0.0).unwrap_or(1.0),
            blank: cards.number("BLANK").filter(|_| bitpix > 0),
        })
    }

    fn value_bytes(&self) -> usize {
        self.bitpix.unsigned_abs() as usize / 8
    }

    /// The bytes of the picture.
    fn data<'a>(&self, bytes: &'a [u8], start: usize) -> Result<&'a [u8], Error> {
        let (width, height) = self.size;
        let needed = width * height * self.planes * self.value_bytes();
        bytes.get(start..start + needed).ok_or_else(|| {
            let found = bytes.len().saturating_sub(start);
            damaged(
                Format::Fits,
                format!("{found} bytes of pixels where {needed} were needed"),
            )
        })
    }

    /// Unsigned 16-bit counts as all cameras write them.
    fn is_words(&self) -> bool {
        self.bitpix == 16 && self.zero == 32768.0 && self.scale == 1.0 && self.blank.is_none()
    }

    /// The light, and what is doubtful about its colour filters.
    fn samples(&self, data: &[u8], cards: &Cards) -> (Samples, Option<Warning>) {
        let (width, height) = self.size;
        if self.planes == 3 {
            return (Samples::Light(self.luminance_of_planes(data)), None);
        }
        if self.is_words() && !has_filters(cards) {
            let word = |pair: &[u8]| u16::from_be_bytes([pair[0], pair[1]]) ^ 0x8000;
            return (
                Samples::Words(data.par_chunks_exact(2).map(word).collect()),
                None,
            );
        }
        let values = self.scaled(data);
        let (mosaic, doubt) = mosaic_of(cards, &values, width);
        let samples = match mosaic {
            Some(mosaic) => {
                let area = Area {
                    x: 0,
                    y: 0,
                    width,
                    height,
                };
                let copy = |_, row: &[f32], light: &mut [f32]| light.copy_from_slice(row);
                Samples::Light(mosaic.green_light(&values, width, area, copy))
            }
            None => Samples::Light(values),
        };
        (samples, doubt)
    }

    /// Of red, green and blue planes, one after the other.
    fn luminance_of_planes(&self, data: &[u8]) -> Vec<f32> {
        let values = self.scaled(data);
        let n = self.size.0 * self.size.1;
        let (red, rest) = values.split_at(n);
        let (green, blue) = rest.split_at(n);
        let light = |i: usize| luminance(red[i], green[i], blue[i]);
        (0..n).into_par_iter().map(light).collect()
    }

    /// All values on the scale where full scale is 1.0; blank ones are NaN.
    fn scaled(&self, data: &[u8]) -> Vec<f32> {
        let counts: Vec<f32> = match self.bitpix {
            8 => self.physical(data, |b: [u8; 1]| f64::from(b[0])),
            16 => self.physical(data, |b| f64::from(i16::from_be_bytes(b))),
            32 => self.physical(data, |b| f64::from(i32::from_be_bytes(b))),
            64 => self.physical(data, |b| i64::from_be_bytes(b) as f64),
            -32 => self.physical(data, |b| f64::from(f32::from_be_bytes(b))),
            _ => self.physical(data, f64::from_be_bytes),
        };
        let factor = match self.bitpix {
            8 => 1.0 / f32::from(u8::MAX),
            16 => 1.0 / f32::from(u16::MAX),
            _ => float_scale(&counts),
        };
        counts.into_par_iter().map(|count| count * factor).collect()
    }

    fn physical<const N: usize>(
        &self,
        data: &[u8],
        stored: impl Fn([u8; N]) -> f64 + Sync,
    ) -> Vec<f32> {
        data.par_chunks_exact(N)
            .map(|chunk| {
                let mut bytes = [0; N];
                bytes.copy_from_slice(chunk);
                let value = stored(bytes);
                if Some(value) == self.blank {
                    f32::NAN
                } else {
                    (self.zero + self.scale * value) as f32
                }
            })
            .collect()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A file of 16 x 16 values: `fill` gives the bytes of each value.
    fn file(bitpix: i32, more: &[&str], fill: impl Fn(usize) -> Vec<u8>) -> Vec<u8> {
        let mut cards: Vec<String> = vec![
            "SIMPLE  =                    T".into(),
            format!("BITPIX  = {bitpix:>20}"),
            "NAXIS   =                    2".into(),
            "NAXIS1  =                   16".into(),
            "NAXIS2  =                   16".into(),
        ];
        cards.extend(more.iter().map(|card| card.to_string()));
        cards.push("END".into());
        let mut bytes: Vec<u8> = cards
            .iter()
            .flat_map(|card| format!("{card:<80}").into_bytes())
            .collect();
        bytes.resize(BLOCK, b' ');
        bytes.extend((0..256).flat_map(fill));
        bytes
    }

    fn light_of(bytes: &[u8]) -> Vec<f32> {
        let mut decoded = decode(bytes, Want::Pixels).unwrap();
        let orientation = decoded.facts.orientation;
        decoded.take_plane(orientation).unwrap().data().to_vec()
    }

    const TOP_DOWN: &str = "ROWORDER= 'TOP-DOWN'";

    #[test]
    fn unsigned_words_come_by_their_offset() {
        let offset = ["BZERO   =                32768", TOP_DOWN];
        let light = light_of(&file(16, &offset, |i| {
            (i as i32 * 257 - 32768).to_be_bytes()[2..].to_vec()
        }));
        assert!((light[255] - 1.0).abs() < 1e-6 && (light[1] - 257.0 / 65535.0).abs() < 1e-6);
    }

    #[test]
    fn the_first_row_in_the_file_is_the_lowest_unless_the_file_says_otherwise() {
        let first_value_is_bright = |i: usize| vec![if i == 0 { 255 } else { 0 }];
        let by_custom = file(8, &[], first_value_is_bright);
        assert_eq!(light_of(&by_custom)[15 * 16], 1.0);
        assert!(
            decode(&by_custom, Want::Header).unwrap().warnings[0]
                .text
                .contains("ROWORDER")
        );
        let told = file(8, &[TOP_DOWN], first_value_is_bright);
        assert_eq!(light_of(&told)[0], 1.0);
        assert_eq!(decode(&told, Want::Header).unwrap().warnings, []);
    }

    #[test]
    fn scale_blank_and_floats() {
        let scaled = [
            "BSCALE  =                  2.0",
            "BZERO   =                 10.0",
            "BLANK   =                   -1",
            TOP_DOWN,
        ];
        let light = light_of(&file(16, &scaled, |i| {
            (i as i16 - 1).to_be_bytes().to_vec()
        }));
        assert!((light[6] * 65535.0 - 20.0).abs() < 1e-3, "5 becomes 20");
        assert!(light[0] > 0.0, "the blank value is filled with the median");
        let floats = light_of(&file(-32, &[TOP_DOWN], |i| {
            (i as f32 / 255.0).to_be_bytes().to_vec()
        }));
        assert_eq!(floats[255], 1.0);
        let doubles = light_of(&file(-64, &[TOP_DOWN], |i| {
            (i as f64 * 257.0).to_be_bytes().to_vec()
        }));
        assert!((doubles[255] - 1.0).abs() < 1e-6);
    }

    #[test]
    fn whole_numbers_of_32_bits() {
        let counts = light_of(&file(32, &[TOP_DOWN], |i| {
            (i as i32 * 257).to_be_bytes().to_vec()
        }));
        assert!((counts[255] - 1.0).abs() < 1e-6 && (counts[1] - 257.0 / 65535.0).abs() < 1e-6);
        // The sum of many frames: brought down by a power of two.
        let sums = light_of(&file(32, &[TOP_DOWN], |i| {
            (i as i32 * 8000).to_be_bytes().to_vec()
        }));
        assert!(
            (sums[255] - 2_040_000.0 / 2_097_152.0).abs() < 1e-6,
            "{}",
            sums[255]
        );
    }

    #[test]
    fn darks_by_their_header_are_refused() {
        for (card, word) in [
            ("IMAGETYP= 'Dark Frame'", "dark"),
            ("FRAME   = 'FlatField'", "flat"),
        ] {
            let error = decode(&file(8, &[card], |_| vec![1]), Want::Header).unwrap_err();
            assert_eq!(error.kind, ErrorKind::Unsupported);
            assert!(error.context.contains(word), "{}", error.context);
        }
        assert!(
            decode(
                &file(8, &["IMAGETYP= 'Light Frame'"], |_| vec![1]),
                Want::Header
            )
            .is_ok()
        );
    }

    #[test]
    fn a_mosaic_with_its_rows_from_the_bottom_gives_its_green_light() {
        // Rows in the file: red and green first; greens 51, red 255, blue 120.
        let site = |i: usize| match (i % 16 % 2, i / 16 % 2) {
            (0, 0) => 255,
            (1, 1) => 120,
            _ => 51 + (i / 32 % 2) as u8,
        };
        for order in [TOP_DOWN, "ROWORDER= 'BOTTOM-UP'"] {
            // The pattern counted from the first value, and from the other end.
            for pattern in ["BAYERPAT= 'RGGB'", "BAYERPAT= 'GBRG'"] {
                let light = light_of(&file(8, &[pattern, order], |i| vec![site(i)]));
                assert!(
                    light.iter().all(|v| (v - 0.2).abs() < 0.01),
                    "{pattern} {order}"
                );
            }
        }
    }

    #[test]
    fn a_mosaic_gives_its_green_light() {
        let pattern = ["BAYERPAT= 'RGGB'", TOP_DOWN];
        let light = light_of(&file(8, &pattern, |i| {
            vec![if (i % 16 + i / 16) % 2 == 1 { 51 } else { 255 }]
        }));
        assert!(light.iter().all(|v| (v - 0.2).abs() < 1e-6));
    }

    #[test]
    fn cut_short_or_without_picture() {
        let whole = file(16, &[], |_| vec![0, 0]);
        let error = decode(&whole[..whole.len() - 1], Want::Header).unwrap_err();
        assert!(error.kind == ErrorKind::BadFile && error.context.contains("511 bytes"));
        let mut table = b"SIMPLE  =                    T".to_vec();
        table.resize(80, b' ');
        table.extend(format!("{:<80}", "NAXIS   = 0").bytes());
        table.extend(format!("{:<80}", "END").bytes());
        assert_eq!(
            decode(&table, Want::Header).unwrap_err().kind,
            ErrorKind::Unsupported
        );
    }
}
