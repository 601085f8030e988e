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
