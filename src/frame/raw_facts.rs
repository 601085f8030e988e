//! Facts from RAW files: EXIF tags where the file is built like a TIFF, else the decoder's reading.

use rawler::RawImage;
use rawler::decoders::RawDecodeParams;
use rawler::exif::{Exif, ExifGPS};
use rawler::formats::tiff::Rational;
use rawler::rawsource::RawSource;

use super::Format;
use super::clock::{exif_time, exif_zone};
use super::exif_facts::{exif_of_block, facts_of_exif};
use super::facts::{Facts, exposure_of, focal_length_of, text_of};
use super::guard::guarded;
use super::orientation::Orientation;
use crate::units::{Angle, Site};

/// All facts of a RAW file.
pub(super) fn facts_of_raw(source: &RawSource, image: &RawImage) -> Facts {
    let facts = match exif_of_block(source.buf().to_vec()) {
        Some(exif) => facts_of_exif(&exif, Format::Raw),
        // What the decoder gives up on, by whatever way, costs the facts and not the picture.
        None => guarded(Format::Raw, || Ok(facts_of_decoder(source)))
            .ok()
            .flatten()
            .unwrap_or_default(),
    };
    let turned = Orientation::from_tag(u32::from(image.orientation.to_u16()));
    Facts {
        make: facts.make.or(text_of(&image.clean_make)),
        model: facts.model.or(text_of(&image.clean_model)),
        orientation: match facts.orientation {
            Orientation::TopLeft => turned.unwrap_or_default(),
            told => told,
        },
        ..facts
    }
}

fn facts_of_decoder(source: &RawSource) -> Option<Facts> {
    let decoder = rawler::get_decoder(source).ok()?;
    let metadata = decoder
        .raw_metadata(source, &RawDecodeParams::default())
        .ok()?;
    let exif = metadata.exif;
    let zone = exif
        .offset_time_original
        .as_deref()
        .or(exif.offset_time.as_deref())
        .and_then(exif_zone);
    let orientation = exif
        .orientation
        .map(u32::from)
        .and_then(Orientation::from_tag);
    Some(Facts {
        clock: clock_of(&exif),
        zone,
        exposure: exif.exposure_time.map(number).and_then(exposure_of),
        focal_length: exif.focal_length.map(number).and_then(focal_length_of),
        site: exif.gps.as_ref().and_then(site_of),
        make: text_of(&metadata.make),
        model: text_of(&metadata.model),
        lens: exif.lens_model.as_deref().and_then(text_of),
        orientation: orientation.unwrap_or_default(),
        ..Facts::default()
    })
}

fn number(ratio: Rational) -> f64 {
    f64::from(ratio.n) / f64::from(ratio.d)
}

fn clock_of(exif: &Exif) -> Option<jiff::civil::DateTime> {
    let original = exif
        .date_time_original
        .as_deref()
        .and_then(|text| exif_time(text, exif.sub_sec_time_original.as_deref()));
    original.or_else(|| {
        exif_time(
            exif.create_date.as_deref()?,
            exif.sub_sec_time_digitized.as_deref(),
        )
    })
}

fn site_of(gps: &ExifGPS) -> Option<Site> {
    let degrees = |parts: [Rational; 3]| {
        let [degrees, minutes, seconds] = parts.map(number);
        degrees + minutes / 60.0 + seconds / 3600.0
    };
    let sign = |letter: &Option<String>, minus: char| {
        let letter = letter
            .as_deref()?
            .trim()
            .chars()
            .next()?
            .to_ascii_uppercase();
        Some(if letter == minus { -1.0 } else { 1.0 })
    };
    let latitude = degrees(gps.gps_latitude?) * sign(&gps.gps_latitude_ref, 'S')?;
    let longitude = degrees(gps.gps_longitude?) * sign(&gps.gps_longitude_ref, 'W')?;
    if latitude == 0.0 && longitude == 0.0 {
        return None;
    }
    Site::new(Angle::from_deg(latitude), Angle::from_deg(longitude))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_position_without_letters_or_with_void_ratios_is_none() {
        let ratio = |n, d| Rational::new(n, d);
        let gps = ExifGPS {
            gps_latitude: Some([ratio(33, 1), ratio(30, 1), ratio(0, 1)]),
            gps_longitude: Some([ratio(70, 1), ratio(15, 1), ratio(0, 1)]),
            gps_latitude_ref: Some("S".into()),
            gps_longitude_ref: Some("W".into()),
            ..ExifGPS::default()
        };
        let site = site_of(&gps).unwrap();
        assert!((site.latitude().deg() + 33.5).abs() < 1e-9);
        assert!((site.longitude().deg() + 70.25).abs() < 1e-9);
        let without_letter = ExifGPS {
            gps_latitude_ref: None,
            ..gps.clone()
        };
        assert!(site_of(&without_letter).is_none());
        let void = ExifGPS {
            gps_latitude: Some([ratio(0, 0), ratio(0, 0), ratio(0, 0)]),
            ..gps
        };
        assert!(site_of(&void).is_none());
    }
}
