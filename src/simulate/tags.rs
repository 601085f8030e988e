//! What a frame's file says about itself: EXIF 3.0 tags, also as the TIFF structure of a TIFF file.

use std::io::Cursor;

use exif::experimental::Writer;
use exif::{Field, In, Rational, Tag, Value};
use jiff::SignedDuration;

use super::scenario::{Omit, Scenario};
use super::schedule::Shot;
use super::truth::instant;
use crate::error::{Error, ErrorKind};

/// Name of the program in the files.
const SOFTWARE: &str = "stillpoint simulate";
/// Diagonal of a 36 x 24 mm frame, which the 35 mm equivalent is reckoned by (EXIF 3.0, FocalLengthIn35mmFilm).
const FULL_DIAGONAL_MM: f64 = 43.266_615_305_567_87;

/// The EXIF block of a frame (a TIFF structure without pixels, little endian).
///
/// # Errors
/// `Io` where the block cannot be put together.
pub fn exif_block(scenario: &Scenario, shot: &Shot) -> Result<Vec<u8>, Error> {
    write(&frame_fields(scenario, shot), None)
}

/// A whole TIFF file: one uncompressed strip of pixels with the frame's tags, of which `own` overrule
/// the layout's.
///
/// # Errors
/// `Io` where the file cannot be put together.
pub fn tiff_file(
    scenario: &Scenario,
    shot: &Shot,
    layout: TiffLayout,
    pixels: &[u8],
    own: Vec<Field>,
) -> Result<Vec<u8>, Error> {
    let mut fields = frame_fields(scenario, shot);
    let long = |tag, value| Field {
        tag,
        ifd_num: In::PRIMARY,
        value: Value::Long(vec![value]),
    };
    let short = |tag, values| Field {
        tag,
        ifd_num: In::PRIMARY,
        value: Value::Short(values),
    };
    // TIFF 6.0 section 8: PhotometricInterpretation 1 is black-is-zero, 2 is RGB; Compression 1 is none.
    fields.extend([
        long(Tag::ImageWidth, layout.width),
        long(Tag::ImageLength, layout.height),
        long(Tag::RowsPerStrip, layout.height),
        short(
            Tag::BitsPerSample,
            vec![layout.bits; usize::from(layout.channels)],
        ),
        short(Tag::Compression, vec![1]),
        short(
            Tag::PhotometricInterpretation,
            vec![if layout.channels == 3 { 2 } else { 1 }],
        ),
        short(Tag::SamplesPerPixel, vec![layout.channels]),
        short(Tag::PlanarConfiguration, vec![1]),
    ]);
    fields.retain(|field| own.iter().all(|other| other.tag != field.tag));
    fields.extend(own);
    write(&fields, Some(pixels))
}

/// Pixels of a TIFF file.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct TiffLayout {
    /// Pixels in a row.
    pub width: u32,
    /// Rows.
    pub height: u32,
    /// 1 (grey) or 3 (red, green, blue).
    pub channels: u16,
    /// 8 or 16; 16 is little endian.
    pub bits: u16,
}

fn write(fields: &[Field], pixels: Option<&[u8]>) -> Result<Vec<u8>, Error> {
    let mut writer = Writer::new();
    fields.iter().for_each(|field| writer.push_field(field));
    let strips: Vec<&[u8]> = pixels.into_iter().collect();
    if !strips.is_empty() {
        writer.set_strips(&strips, In::PRIMARY);
    }
    let mut bytes = Cursor::new(Vec::new());
    writer
        .write(&mut bytes, true)
        .map_err(|e| Error::new(ErrorKind::Io, format!("cannot put the tags together: {e}")))?;
    Ok(bytes.into_inner())
}

fn frame_fields(scenario: &Scenario, shot: &Shot) -> Vec<Field> {
    let says = |fact: Omit| !scenario.output.omit.contains(&fact);
    let mut fields = vec![
        ascii(Tag::Software, SOFTWARE),
        short(Tag::Orientation, u16::from(scenario.output.orientation)),
        Field {
            tag: Tag::ExifVersion,
            ifd_num: In::PRIMARY,
            value: Value::Undefined(b"0300".to_vec(), 0),
        },
    ];
    if says(Omit::Maker) {
        fields.push(ascii(Tag::Make, &scenario.camera.maker));
        fields.push(ascii(Tag::Model, &scenario.camera.model));
    }
    fields.extend(optics_fields(scenario, says));
    if says(Omit::Exposure) {
        fields.push(rational(Tag::ExposureTime, shot.exposure, 1000));
    }
    if says(Omit::Time) {
        fields.extend(time_fields(scenario, shot, says(Omit::Offset)));
    }
    if says(Omit::Gps) {
        fields.extend(gps_fields(scenario));
    }
    fields
}

fn optics_fields(scenario: &Scenario, says: impl Fn(Omit) -> bool) -> Vec<Field> {
    let (camera, lens) = (&scenario.camera, &scenario.lens);
    let mut fields = vec![
        rational(Tag::FNumber, lens.f_number, 10),
        short(
            Tag::PhotographicSensitivity,
            camera.iso.min(65_535.0) as u16,
        ),
        long(Tag::PixelXDimension, camera.width_px as u32),
        long(Tag::PixelYDimension, camera.height_px as u32),
    ];
    if says(Omit::Focal) {
        fields.push(rational(Tag::FocalLength, lens.focal_mm, 10));
    }
    if says(Omit::Equivalent) {
        let equivalent = equivalent_focal_mm(scenario);
        fields.push(short(
            Tag::FocalLengthIn35mmFilm,
            equivalent.round().min(65_535.0) as u16,
        ));
    }
    if says(Omit::FocalPlane) {
        let per_cm = 10_000.0 / camera.pitch_um;
        fields.push(rational(Tag::FocalPlaneXResolution, per_cm, 1000));
        fields.push(rational(Tag::FocalPlaneYResolution, per_cm, 1000));
        // EXIF 3.0: unit 3 is the centimetre.
        fields.push(short(Tag::FocalPlaneResolutionUnit, 3));
    }
    if says(Omit::Lens) {
        fields.push(ascii(Tag::LensModel, &lens.name));
    }
    fields
}

/// Focal length that shows as much on a 36 x 24 mm frame, by the diagonals.
pub fn equivalent_focal_mm(scenario: &Scenario) -> f64 {
    let (width, height) = (
        scenario.camera.width_px as f64,
        scenario.camera.height_px as f64,
    );
    let diagonal_mm = width.hypot(height) * scenario.camera.pitch_um / 1000.0;
    scenario.lens.focal_mm * FULL_DIAGONAL_MM / diagonal_mm
}

/// The start of the exposure by the camera's clock.
fn time_fields(scenario: &Scenario, shot: &Shot, with_offset: bool) -> Vec<Field> {
    let output = &scenario.output;
    let offset_min = (output.utc_offset_h * 60.0).round() as i64;
    let shown = instant(scenario.start_utc, shot.start + output.clock_error_s)
        + SignedDuration::from_mins(offset_min);
    let text = shown.strftime("%Y:%m:%d %H:%M:%S").to_string();
    let hundredths = shown.subsec_millisecond() / 10;
    let mut fields = vec![
        ascii(Tag::DateTime, &text),
        ascii(Tag::DateTimeOriginal, &text),
        ascii(Tag::SubSecTimeOriginal, &format!("{hundredths:02}")),
    ];
    if with_offset {
        let sign = if offset_min < 0 { '-' } else { '+' };
        let (hours, minutes) = (offset_min.abs() / 60, offset_min.abs() % 60);
        let zone = format!("{sign}{hours:02}:{minutes:02}");
        fields.push(ascii(Tag::OffsetTime, &zone));
        fields.push(ascii(Tag::OffsetTimeOriginal, &zone));
    }
    fields
}

fn gps_fields(scenario: &Scenario) -> Vec<Field> {
    let site = &scenario.site;
    let longitude = (site.longitude_deg + 180.0).rem_euclid(360.0) - 180.0;
    let side = |value: f64, positive: &'static str, negative: &'static str| {
        if value < 0.0 { negative } else { positive }
    };
    vec![
        ascii(Tag::GPSLatitudeRef, side(site.latitude_deg, "N", "S")),
        sexagesimal(Tag::GPSLatitude, site.latitude_deg.abs()),
        ascii(Tag::GPSLongitudeRef, side(longitude, "E", "W")),
        sexagesimal(Tag::GPSLongitude, longitude.abs()),
        Field {
            tag: Tag::GPSAltitudeRef,
            ifd_num: In::PRIMARY,
            value: Value::Byte(vec![u8::from(site.height_m < 0.0)]),
        },
        rational(Tag::GPSAltitude, site.height_m.abs(), 10),
    ]
}

/// Degrees, minutes and seconds to a thousandth.
fn sexagesimal(tag: Tag, degrees: f64) -> Field {
    let milliseconds = (degrees * 3_600_000.0).round() as u32;
    let part = |num, denom| Rational { num, denom };
    Field {
        tag,
        ifd_num: In::PRIMARY,
        value: Value::Rational(vec![
            part(milliseconds / 3_600_000, 1),
            part(milliseconds / 60_000 % 60, 1),
            part(milliseconds % 60_000, 1000),
        ]),
    }
}

fn ascii(tag: Tag, text: &str) -> Field {
    Field {
        tag,
        ifd_num: In::PRIMARY,
        value: Value::Ascii(vec![text.as_bytes().to_vec()]),
    }
}

fn short(tag: Tag, value: u16) -> Field {
    Field {
        tag,
        ifd_num: In::PRIMARY,
        value: Value::Short(vec![value]),
    }
}

fn long(tag: Tag, value: u32) -> Field {
    Field {
        tag,
        ifd_num: In::PRIMARY,
        value: Value::Long(vec![value]),
    }
}

fn rational(tag: Tag, value: f64, denom: u32) -> Field {
    let num = (value * f64::from(denom)).round() as u32;
    Field {
        tag,
        ifd_num: In::PRIMARY,
        value: Value::Rational(vec![Rational { num, denom }]),
    }
}
