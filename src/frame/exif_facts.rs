//! Facts from EXIF tags.

use std::io::Cursor;

use exif::{Exif, In, Reader, Tag, Value};

use super::Format;
use super::clock::{exif_time, exif_zone, utc_of_day};
use super::facts::{Facts, exposure_of, focal_length_of, pitch_of, text_of};
use super::orientation::Orientation;
use crate::units::{Angle, Length, Seconds, Site};

/// The EXIF block of a JPEG; `None` where there is none that can be read at all.
pub(super) fn exif_in_container(bytes: &[u8]) -> Option<Exif> {
    readable(lenient().read_from_container(&mut Cursor::new(bytes)))
}

/// The EXIF facts of a bare block: a PNG chunk, or a whole TIFF file.
pub(super) fn exif_of_block(bytes: Vec<u8>) -> Option<Exif> {
    readable(lenient().read_raw(bytes))
}

fn lenient() -> Reader {
    let mut reader = Reader::new();
    reader.continue_on_error(true);
    reader
}

/// One broken tag does not cost the others.
fn readable(read: Result<Exif, exif::Error>) -> Option<Exif> {
    read.or_else(|error| error.distill_partial_result(|_| {}))
        .ok()
}

/// All facts of a block; tags that hold nonsense count as absent.
pub(super) fn facts_of_exif(exif: &Exif, format: Format) -> Facts {
    let tags = Tags(exif);
    let (site, site_doubt) = site_of(&tags);
    let fraction = tags.text(Tag::SubSecTimeOriginal);
    Facts {
        clock: clock_of(&tags, fraction.as_deref()),
        zone: [
            Tag::OffsetTimeOriginal,
            Tag::OffsetTimeDigitized,
            Tag::OffsetTime,
        ]
        .into_iter()
        .find_map(|tag| exif_zone(&tags.text(tag)?)),
        satellite_time: satellite_time_of(&tags),
        utc: None,
        exposure: exposure_of_tags(&tags),
        focal_length: tags.number(Tag::FocalLength).and_then(focal_length_of),
        equivalent_focal_length: tags
            .number(Tag::FocalLengthIn35mmFilm)
            .and_then(focal_length_of),
        tag_pitch: focal_plane_pitch(&tags),
        tag_size: tag_size_of(&tags, format),
        site,
        make: tags.text(Tag::Make),
        model: tags.text(Tag::Model),
        lens: tags.text(Tag::LensModel),
        // 2 and 3: composite images, made anywhere or while shooting ([EXIF] 3.0, section 4.6.6).
        composed: tags
            .whole(Tag::CompositeImage)
            .is_some_and(|kind| matches!(kind, 2 | 3)),
        changed: exif_time(&tags.text(Tag::DateTime).unwrap_or_default(), None),
        orientation: tags
            .whole(Tag::Orientation)
            .and_then(Orientation::from_tag)
            .unwrap_or_default(),
        doubts: site_doubt.into_iter().collect(),
    }
}

/// Reading tags without caring for their storage type.
struct Tags<'a>(&'a Exif);

impl Tags<'_> {
    fn value(&self, tag: Tag) -> Option<&Value> {
        self.0.get_field(tag, In::PRIMARY).map(|field| &field.value)
    }

    fn whole(&self, tag: Tag) -> Option<u32> {
        self.value(tag)?.get_uint(0)
    }

    /// First number of a tag; not finite (0/0, 1/0) counts as absent.
    fn number(&self, tag: Tag) -> Option<f64> {
        self.numbers(tag).first().copied().filter(|v| v.is_finite())
    }

    fn numbers(&self, tag: Tag) -> Vec<f64> {
        match self.value(tag) {
            Some(Value::Rational(values)) => values.iter().map(|v| v.to_f64()).collect(),
            Some(Value::SRational(values)) => values.iter().map(|v| v.to_f64()).collect(),
            Some(Value::Float(values)) => values.iter().map(|&v| f64::from(v)).collect(),
            Some(Value::Double(values)) => values.clone(),
            Some(Value::Short(values)) => values.iter().map(|&v| f64::from(v)).collect(),
            Some(Value::Long(values)) => values.iter().map(|&v| f64::from(v)).collect(),
            Some(Value::Byte(values)) => values.iter().map(|&v| f64::from(v)).collect(),
            _ => Vec::new(),
        }
    }

    fn text(&self, tag: Tag) -> Option<String> {
        match self.value(tag)? {
            Value::Ascii(lines) => text_of(&String::from_utf8_lossy(lines.first()?)),
            _ => None,
        }
    }
}

/// Start of the exposure: DateTimeOriginal, else DateTimeDigitized, else DateTime.
fn clock_of(tags: &Tags, fraction: Option<&str>) -> Option<jiff::civil::DateTime> {
    exif_time(
        &tags.text(Tag::DateTimeOriginal).unwrap_or_default(),
        fraction,
    )
    .or_else(|| {
        let fraction = tags.text(Tag::SubSecTimeDigitized);
        exif_time(&tags.text(Tag::DateTimeDigitized)?, fraction.as_deref())
    })
    .or_else(|| {
        let fraction = tags.text(Tag::SubSecTime);
        exif_time(&tags.text(Tag::DateTime)?, fraction.as_deref())
    })
}

/// ExposureTime, else the shutter speed: a length of 2^-Tv seconds ([EXIF] 3.0, annex C, APEX).
fn exposure_of_tags(tags: &Tags) -> Option<Seconds> {
    tags.number(Tag::ExposureTime)
        .and_then(exposure_of)
        .or_else(|| exposure_of((-tags.number(Tag::ShutterSpeedValue)?).exp2()))
}

/// Micrometres a pixel from FocalPlaneXResolution; the unit is inches unless told otherwise.
///
/// Source: [EXIF] 3.0, section 4.6.6 (FocalPlaneResolutionUnit: 2 inch, 3 centimetre); 4 and 5
/// (millimetre, micrometre) are what some cameras write (common practice, no source).
fn focal_plane_pitch(tags: &Tags) -> Option<Length> {
    let unit_um = match tags.whole(Tag::FocalPlaneResolutionUnit) {
        None | Some(2) => 25_400.0,
        Some(3) => 10_000.0,
        Some(4) => 1_000.0,
        Some(5) => 1.0,
        Some(_) => return None,
    };
    pitch_of(unit_um / tags.number(Tag::FocalPlaneXResolution)?)
}

/// Size of the picture that the tags were written for, the largest that is mentioned.
///
/// A JPEG's ImageWidth has no meaning by the standard, yet converters leave the camera's there;
/// a TIFF's is its real width and says nothing.
fn tag_size_of(tags: &Tags, format: Format) -> Option<(u32, u32)> {
    let size = |x: Tag, y: Tag| {
        let (x, y) = (tags.whole(x)?, tags.whole(y)?);
        (x > 0 && y > 0).then_some((x.max(y), x.min(y)))
    };
    let exif = size(Tag::PixelXDimension, Tag::PixelYDimension);
    let leftover = match format {
        Format::Jpeg => size(Tag::ImageWidth, Tag::ImageLength),
        _ => None,
    };
    exif.max(leftover)
}

/// Place and, where the tags are not whole, what is wrong with them.
fn site_of(tags: &Tags) -> (Option<Site>, Option<String>) {
    let latitude = degrees(&tags.numbers(Tag::GPSLatitude));
    let longitude = degrees(&tags.numbers(Tag::GPSLongitude));
    let (Some(latitude), Some(longitude)) = (latitude, longitude) else {
        return (None, None);
    };
    let sign = |tag, plus: &str, minus: &str| {
        let letter = tags.text(tag)?.to_ascii_uppercase();
        if letter.starts_with(minus) {
            Some(-1.0)
        } else {
            letter.starts_with(plus).then_some(1.0)
        }
    };
    let (Some(north), Some(east)) = (
        sign(Tag::GPSLatitudeRef, "N", "S"),
        sign(Tag::GPSLongitudeRef, "E", "W"),
    ) else {
        let doubt =
            "the satellite position lacks its north/south or east/west letter and is not used";
        return (None, Some(doubt.into()));
    };
    // Receivers without a fix write zeros.
    if latitude == 0.0 && longitude == 0.0 {
        return (None, None);
    }
    let site = Site::new(
        Angle::from_deg(north * latitude),
        Angle::from_deg(east * longitude),
    );
    (site.map(|site| site.at_height_m(height_m(tags))), None)
}

/// Metres above (reference 0) or below (1) sea level; 0 where absent.
fn height_m(tags: &Tags) -> f64 {
    let height = tags.number(Tag::GPSAltitude).unwrap_or(0.0);
    match tags.whole(Tag::GPSAltitudeRef) {
        Some(1) => -height,
        _ => height,
    }
}

/// Degrees, minutes and seconds; missing minutes or seconds count as zero, nonsense as absent.
fn degrees(parts: &[f64]) -> Option<f64> {
    let part = |index: usize| parts.get(index).copied().unwrap_or(0.0);
    let total = parts.first()? + part(1) / 60.0 + part(2) / 3600.0;
    (total.is_finite() && parts.iter().all(|&p| p >= 0.0)).then_some(total)
}

fn satellite_time_of(tags: &Tags) -> Option<jiff::Timestamp> {
    let date = tags.text(Tag::GPSDateStamp)?;
    let [hours, minutes, seconds] = tags.numbers(Tag::GPSTimeStamp).try_into().ok()?;
    utc_of_day(&date, hours * 3600.0 + minutes * 60.0 + seconds)
}

#[cfg(test)]
mod tests {
    use super::*;
    use exif::experimental::Writer;
    use exif::{Field, Rational, SRational};

    /// The facts of a block with these tags.
    fn facts(tags: &[(Tag, Value)]) -> Facts {
        let fields: Vec<Field> = tags
            .iter()
            .map(|(tag, value)| Field {
                tag: *tag,
                ifd_num: In::PRIMARY,
                value: value.clone(),
            })
            .collect();
        let mut writer = Writer::new();
        fields.iter().for_each(|field| writer.push_field(field));
        let mut block = Cursor::new(Vec::new());
        writer.write(&mut block, true).unwrap();
        let exif = exif_of_block(block.into_inner()).unwrap();
        facts_of_exif(&exif, Format::Jpeg)
    }

    #[test]
    fn pictures_of_several_exposures_are_known_by_their_tag() {
        let composed =
            |kind: u16| facts(&[(Tag::CompositeImage, Value::Short(vec![kind]))]).composed;
        assert_eq!([0, 1, 2, 3].map(composed), [false, false, true, true]);
    }

    fn ratio(num: u32, denom: u32) -> Value {
        Value::Rational(vec![Rational { num, denom }])
    }

    fn text(text: &str) -> Value {
        Value::Ascii(vec![text.into()])
    }

    fn degrees(parts: [(u32, u32); 3]) -> Value {
        let ratios = parts.map(|(num, denom)| Rational { num, denom });
        Value::Rational(ratios.to_vec())
    }

    #[test]
    fn a_bulb_exposure_without_its_time_is_read_from_the_shutter_speed() {
        let speed = Value::SRational(vec![SRational { num: -6, denom: 1 }]);
        let bulb = facts(&[
            (Tag::ExposureTime, ratio(0, 1)),
            (Tag::ShutterSpeedValue, speed),
        ]);
        assert_eq!(bulb.exposure, Some(Seconds::new(64.0)));
        let void = Value::SRational(vec![SRational {
            num: i32::MIN,
            denom: 1,
        }]);
        assert_eq!(facts(&[(Tag::ShutterSpeedValue, void)]).exposure, None);
        assert_eq!(facts(&[(Tag::ExposureTime, ratio(0, 0))]).exposure, None);
    }

    #[test]
    fn resolutions_in_inches_centimetres_and_without_unit() {
        let pitch = |tags: &[(Tag, Value)]| facts(tags).tag_pitch.map(|pitch| pitch.um());
        let resolution = (Tag::FocalPlaneXResolution, ratio(2540, 1));
        assert_eq!(pitch(std::slice::from_ref(&resolution)), Some(10.0));
        let unit = |unit| (Tag::FocalPlaneResolutionUnit, Value::Short(vec![unit]));
        assert_eq!(pitch(&[resolution.clone(), unit(2)]), Some(10.0));
        let by_cm = pitch(&[resolution.clone(), unit(3)]).unwrap();
        assert!((by_cm - 10_000.0 / 2540.0).abs() < 1e-12);
        assert_eq!(pitch(&[resolution, unit(1)]), None);
        assert_eq!(pitch(&[(Tag::FocalPlaneXResolution, ratio(0, 1))]), None);
    }

    #[test]
    fn the_start_falls_back_to_other_dates_with_their_own_fractions() {
        let clock = |tags: &[(Tag, Value)]| facts(tags).clock.map(|clock| clock.to_string());
        let digitized = [
            (Tag::DateTimeOriginal, text("    :  :     :  :  ")),
            (Tag::SubSecTimeOriginal, text("99")),
            (Tag::DateTimeDigitized, text("2021:09:29 19:10:19")),
            (Tag::SubSecTimeDigitized, text("50")),
        ];
        assert_eq!(clock(&digitized).as_deref(), Some("2021-09-29T19:10:19.5"));
        let changed = [(Tag::DateTime, text("2021:09:29 19:10:19"))];
        assert_eq!(clock(&changed).as_deref(), Some("2021-09-29T19:10:19"));
    }

    #[test]
    fn positions_need_both_letters_and_a_fix() {
        let latitude = (Tag::GPSLatitude, degrees([(33, 1), (30, 1), (0, 1)]));
        let longitude = (Tag::GPSLongitude, degrees([(70, 1), (15, 1), (0, 1)]));
        let letters = [
            (Tag::GPSLatitudeRef, text("S")),
            (Tag::GPSLongitudeRef, text("W")),
        ];
        let whole = [
            latitude.clone(),
            longitude.clone(),
            letters[0].clone(),
            letters[1].clone(),
        ];
        let site = facts(&whole).site.unwrap();
        assert!((site.latitude().deg() + 33.5).abs() < 1e-12);
        assert!((site.longitude().deg() + 70.25).abs() < 1e-12);
        let without_letter = facts(&[latitude, longitude, letters[1].clone()]);
        assert_eq!(without_letter.site, None);
        assert!(without_letter.doubts[0].contains("north/south"));
        let zero = degrees([(0, 1), (0, 1), (0, 1)]);
        let no_fix = [
            (Tag::GPSLatitude, zero.clone()),
            (Tag::GPSLongitude, zero),
            letters[0].clone(),
            letters[1].clone(),
        ];
        assert_eq!(facts(&no_fix).site, None);
    }

    #[test]
    fn the_largest_size_in_the_tags_is_that_of_the_original() {
        let sizes = [
            (Tag::PixelXDimension, Value::Long(vec![2000])),
            (Tag::PixelYDimension, Value::Long(vec![1333])),
            (Tag::ImageWidth, Value::Short(vec![2976])),
            (Tag::ImageLength, Value::Short(vec![4464])),
        ];
        assert_eq!(facts(&sizes).tag_size, Some((4464, 2976)));
        assert_eq!(facts(&sizes[..2]).tag_size, Some((2000, 1333)));
    }
}
