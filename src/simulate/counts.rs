//! What the converter hands over, as cameras' own files keep it: counts under their filters.

use std::fmt::Write as _;

use exif::{Context, Field, In, Rational, SRational, Tag, Value};
use jiff::tz::Offset;

use super::files::upright_place;
use super::scenario::{Omit, Scenario};
use super::schedule::Shot;
use super::sensor::{PEDESTAL, Picture, RESPONSE, filter_at};
use super::truth::instant;

/// Counts of a picture whose values are a sensor's own; `0` lies below black by the pedestal.
pub fn counts(scenario: &Scenario, picture: &Picture) -> Vec<u16> {
    let steps = steps(scenario);
    let count = |level: f64| ((level * (1.0 - PEDESTAL) + PEDESTAL) * steps).round();
    let stored = picture.data.iter();
    stored
        .map(|&level| count(f64::from(level)).clamp(0.0, steps) as u16)
        .collect()
}

/// The largest count of the converter.
fn steps(scenario: &Scenario) -> f64 {
    2f64.powi(scenario.camera.bits as i32) - 1.0
}

/// Filters (0 red, 1 green, 2 blue) over the first two by two pixels of the stored picture.
fn stored_filters(orientation: u8, width: usize, height: usize) -> [usize; 4] {
    [(0, 0), (1, 0), (0, 1), (1, 1)].map(|(x, y)| {
        let (column, row) = upright_place(orientation, x, y, width, height);
        filter_at(row, column)
    })
}

/// The tags that make a TIFF of counts a DNG.
///
/// Source: [DNG] 1.7, chapter 4 (tags and their numbers), chapter 5 (black and white level).
pub fn dng_fields(scenario: &Scenario, (width, height): (usize, usize)) -> Vec<Field> {
    /// PhotometricInterpretation of a mosaic, and of one plane without filters (TIFF/EP; [DNG]).
    const MOSAIC: u16 = 32803;
    const LINEAR_RAW: u16 = 34892;
    let own = |number, value| Field {
        tag: Tag(Context::Tiff, number),
        ifd_num: In::PRIMARY,
        value,
    };
    let ratio = |value: f64| Rational {
        num: (value * 64.0).round() as u32,
        denom: 64,
    };
    let camera = &scenario.camera;
    let name = format!("{} {}", camera.maker, camera.model);
    let kind = if camera.colour { MOSAIC } else { LINEAR_RAW };
    let mut fields = vec![
        own(254, Value::Long(vec![0])),
        own(262, Value::Short(vec![kind])),
        own(50706, Value::Byte(vec![1, 4, 0, 0])),
        own(50707, Value::Byte(vec![1, 1, 0, 0])),
        own(50708, Value::Ascii(vec![name.into_bytes()])),
        own(
            50714,
            Value::Rational(vec![ratio(PEDESTAL * steps(scenario))]),
        ),
        own(50717, Value::Long(vec![steps(scenario) as u32])),
    ];
    if camera.colour {
        let filters = stored_filters(scenario.output.orientation, width, height);
        let neutral = RESPONSE.map(|share| Rational {
            num: (share * 1000.0).round() as u32,
            denom: 1000,
        });
        let identity = (0..9).map(|at| SRational {
            num: i32::from(at % 4 == 0),
            denom: 1,
        });
        fields.extend([
            own(33421, Value::Short(vec![2, 2])),
            own(
                33422,
                Value::Byte(filters.map(|filter| filter as u8).to_vec()),
            ),
            own(50721, Value::SRational(identity.collect())),
            own(50728, Value::Rational(neutral.to_vec())),
            // Standard light D65.
            own(50778, Value::Short(vec![21])),
        ]);
    }
    fields
}

/// A FITS file of an upright picture's counts, rows from the top.
///
/// Source: [FITS] 4.0, sections 3 (blocks), 4.4.1 (mandatory keywords), 4.4.2.5 (BZERO for unsigned
/// counts). FOCALLEN, XPIXSZ, SITELAT, BAYERPAT and ROWORDER are common practice, no source.
pub fn fits_file(
    scenario: &Scenario,
    shot: &Shot,
    (width, height): (usize, usize),
    counts: &[u16],
) -> Vec<u8> {
    const BLOCK: usize = 2880;
    let mut header = String::new();
    let mut card = |keyword: &str, value: &str| {
        let _ = write!(header, "{:<80}", format!("{keyword:<8}= {value:>20}"));
    };
    card("SIMPLE", "T");
    card("BITPIX", "16");
    card("NAXIS", "2");
    card("NAXIS1", &width.to_string());
    card("NAXIS2", &height.to_string());
    card("BZERO", "32768");
    card("BSCALE", "1");
    card("ROWORDER", "'TOP-DOWN'");
    if scenario.camera.colour {
        let filters = stored_filters(1, width, height);
        let letters: String = filters
            .map(|filter| ['R', 'G', 'B'][filter])
            .iter()
            .collect();
        card("BAYERPAT", &format!("'{letters}    '"));
    }
    fact_cards(scenario, shot, &mut card);
    let _ = write!(header, "{:<80}", "END");
    let mut bytes = header.into_bytes();
    bytes.resize(bytes.len().div_ceil(BLOCK) * BLOCK, b' ');
    bytes.extend(
        counts
            .iter()
            .flat_map(|count| (count ^ 0x8000).to_be_bytes()),
    );
    bytes.resize(bytes.len().div_ceil(BLOCK) * BLOCK, 0);
    bytes
}

/// What the header says about exposure, lens and place.
fn fact_cards(scenario: &Scenario, shot: &Shot, card: &mut impl FnMut(&str, &str)) {
    let says = |fact: Omit| !scenario.output.omit.contains(&fact);
    let (camera, lens, site) = (&scenario.camera, &scenario.lens, &scenario.site);
    if says(Omit::Time) {
        let start = instant(
            scenario.start_utc,
            shot.start + scenario.output.clock_error_s,
        );
        let utc = Offset::UTC.to_datetime(start);
        card(
            "DATE-OBS",
            &format!("'{}'", utc.strftime("%Y-%m-%dT%H:%M:%S%.3f")),
        );
    }
    if says(Omit::Exposure) {
        card("EXPTIME", &format!("{:.3}", shot.exposure));
    }
    if says(Omit::Focal) {
        card("FOCALLEN", &format!("{:.1}", lens.focal_mm));
    }
    if says(Omit::FocalPlane) {
        card("XPIXSZ", &format!("{:.3}", camera.pitch_um));
        card("YPIXSZ", &format!("{:.3}", camera.pitch_um));
    }
    if says(Omit::Gps) {
        card("SITELAT", &format!("{:.6}", site.latitude_deg));
        card("SITELONG", &format!("{:.6}", site.longitude_deg));
        card("SITEELEV", &format!("{:.1}", site.height_m));
    }
    if says(Omit::Maker) {
        card(
            "INSTRUME",
            &quoted(&format!("{} {}", camera.maker, camera.model)),
        );
    }
    if says(Omit::Lens) {
        card("TELESCOP", &quoted(&lens.name));
    }
}

/// A text value: plain characters only, a quote doubled, cut to what a card holds.
fn quoted(text: &str) -> String {
    let plain: String = text
        .chars()
        .filter(|c| matches!(c, ' '..='~'))
        .take(50)
        .collect();
    format!("'{:<8}'", plain.replace('\'', "''"))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn filters_turn_with_the_picture() {
        // Upright: red first, so RGGB. Lying on its left side (6), the stored first pixel is the
        // upright lower left one; with an even height that is green.
        assert_eq!(stored_filters(1, 6, 4), [0, 1, 1, 2]);
        assert_eq!(stored_filters(3, 6, 4), [2, 1, 1, 0]);
        let quarter = stored_filters(6, 4, 6);
        assert_eq!(quarter.iter().filter(|&&filter| filter == 1).count(), 2);
        assert_eq!(quarter[0], 1);
    }

    #[test]
    fn a_text_fits_its_card() {
        assert_eq!(quoted("Q-6"), "'Q-6     '");
        assert_eq!(quoted("it's \u{e9}"), "'it''s   '");
    }
}
