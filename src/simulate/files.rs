//! Pictures and truth to files.

use std::path::{Path, PathBuf};

use image::codecs::jpeg::JpegEncoder;
use image::codecs::png::PngEncoder;
use image::{ExtendedColorType, ImageEncoder, ImageError};

use super::counts::{counts, dng_fields, fits_file};
use super::scenario::{Format, Scenario};
use super::schedule::Shot;
use super::sensor::Picture;
use super::tags::{TiffLayout, exif_block, tiff_file};
use super::truth::NightTruth;
use crate::error::{Error, ErrorKind};
use crate::whole::{self, Lasting, Standing};

/// Ending of the file names of a format.
pub fn ending(format: Format) -> &'static str {
    match format {
        Format::Jpg => "jpg",
        Format::Png8 | Format::Png16 => "png",
        Format::Tif8 | Format::Tif16 => "tif",
        Format::Dng => "dng",
        Format::Fits => "fits",
    }
}

/// A picture as the bytes of a file with its tags.
///
/// 8-bit formats carry the sRGB curve of IEC 61966-2-1, 16-bit formats are linear, DNG and FITS
/// hold the converter's counts. FITS knows no orientation: its picture is upright.
///
/// # Errors
/// `Io` where the encoder refuses.
pub fn encode(scenario: &Scenario, shot: &Shot, picture: &Picture) -> Result<Vec<u8>, Error> {
    let format = scenario.output.format;
    if format == Format::Fits {
        let size = (picture.width, picture.height);
        return Ok(fits_file(scenario, shot, size, &counts(scenario, picture)));
    }
    let stored = as_stored(picture, scenario.output.orientation);
    let (pixels, bits) = match format {
        Format::Jpg | Format::Png8 | Format::Tif8 => (eight_bit(&stored), 8),
        Format::Png16 => (sixteen_bit(&stored, u16::to_ne_bytes), 16),
        Format::Tif16 => (sixteen_bit(&stored, u16::to_le_bytes), 16),
        Format::Dng | Format::Fits => {
            let counts = counts(scenario, &stored).into_iter();
            (counts.flat_map(u16::to_le_bytes).collect(), 16)
        }
    };
    let layout = TiffLayout {
        width: stored.width as u32,
        height: stored.height as u32,
        channels: stored.channels as u16,
        bits,
    };
    match format {
        Format::Tif8 | Format::Tif16 => tiff_file(scenario, shot, layout, &pixels, Vec::new()),
        Format::Dng | Format::Fits => {
            let own = dng_fields(scenario, (stored.width, stored.height));
            tiff_file(scenario, shot, layout, &pixels, own)
        }
        Format::Jpg => {
            let mut bytes = Vec::new();
            let encoder = JpegEncoder::new_with_quality(&mut bytes, scenario.output.quality);
            encode_with(encoder, exif_block(scenario, shot)?, layout, &pixels)?;
            Ok(bytes)
        }
        Format::Png8 | Format::Png16 => {
            let mut bytes = Vec::new();
            let encoder = PngEncoder::new(&mut bytes);
            encode_with(encoder, exif_block(scenario, shot)?, layout, &pixels)?;
            Ok(bytes)
        }
    }
}

fn encode_with(
    mut encoder: impl ImageEncoder,
    exif: Vec<u8>,
    layout: TiffLayout,
    pixels: &[u8],
) -> Result<(), Error> {
    let refused = |e: ImageError| Error::new(ErrorKind::Io, format!("cannot encode: {e}"));
    let kind = match (layout.channels, layout.bits) {
        (1, 8) => ExtendedColorType::L8,
        (1, _) => ExtendedColorType::L16,
        (_, 8) => ExtendedColorType::Rgb8,
        _ => ExtendedColorType::Rgb16,
    };
    encoder
        .set_exif_metadata(exif)
        .map_err(|e| refused(ImageError::Unsupported(e)))?;
    encoder
        .write_image(pixels, layout.width, layout.height, kind)
        .map_err(refused)
}

/// Turns an upright picture into the one that the sensor stores.
fn as_stored(picture: &Picture, orientation: u8) -> Picture {
    if orientation == 1 {
        return picture.clone();
    }
    let (w, h) = (picture.width, picture.height);
    let (width, height) = if orientation >= 5 { (h, w) } else { (w, h) };
    let mut data = Vec::with_capacity(picture.data.len());
    for y in 0..height {
        for x in 0..width {
            let (dx, dy) = upright_place(orientation, x, y, width, height);
            let from = (dy * w + dx) * picture.channels;
            data.extend_from_slice(&picture.data[from..from + picture.channels]);
        }
    }
    Picture {
        width,
        height,
        channels: picture.channels,
        data,
    }
}

/// Where a stored pixel is shown (EXIF 3.0, Orientation); `width` and `height` are those stored.
pub(super) fn upright_place(
    orientation: u8,
    x: usize,
    y: usize,
    width: usize,
    height: usize,
) -> (usize, usize) {
    let (right, bottom) = (width - 1 - x, height - 1 - y);
    match orientation {
        2 => (right, y),
        3 => (right, bottom),
        4 => (x, bottom),
        5 => (y, x),
        6 => (bottom, x),
        7 => (bottom, right),
        8 => (y, right),
        _ => (x, y),
    }
}

fn eight_bit(picture: &Picture) -> Vec<u8> {
    picture
        .data
        .iter()
        .map(|&light| (srgb(f64::from(light)) * 255.0).round() as u8)
        .collect()
}

fn sixteen_bit(picture: &Picture, order: fn(u16) -> [u8; 2]) -> Vec<u8> {
    picture
        .data
        .iter()
        .flat_map(|&light| order((f64::from(light) * 65_535.0).round() as u16))
        .collect()
}

/// The curve of IEC 61966-2-1: linear light to signal, both 0 to 1.
fn srgb(light: f64) -> f64 {
    if light <= 0.003_130_8 {
        12.92 * light
    } else {
        1.055 * light.powf(1.0 / 2.4) - 0.055
    }
}

/// Writes bytes, making the folders on the way.
///
/// # Errors
/// `Io`, with the path.
pub fn save(path: &Path, bytes: &[u8]) -> Result<(), Error> {
    std::fs::create_dir_all(whole::folder_of(path))
        .and_then(|()| whole::write(path, bytes, Standing::Replaced, Lasting::Written))
        .map_err(|error| whole::refused(path, "the simulated night", &error))
}

/// Where the truth about a night is kept: beside the night's folder, so that it is no file of the night.
pub fn truth_path(night: &Path) -> PathBuf {
    let mut name = night.file_name().unwrap_or_default().to_os_string();
    name.push(".truth.json");
    night.with_file_name(name)
}

/// Writes the truth about a night.
///
/// # Errors
/// `Io`, with the path.
pub fn save_truth(night: &Path, truth: &NightTruth) -> Result<(), Error> {
    let text = serde_json::to_string_pretty(truth)
        .map_err(|e| Error::new(ErrorKind::Io, format!("cannot write the truth down: {e}")))?;
    save(&truth_path(night), (text + "\n").as_bytes())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_stored_picture_turned_by_its_tag_stands_upright_again() {
        let upright = Picture {
            width: 3,
            height: 2,
            channels: 1,
            data: vec![0.0, 1.0, 2.0, 3.0, 4.0, 5.0],
        };
        // Orientation 6: the viewer turns the stored picture clockwise by a quarter.
        let stored = as_stored(&upright, 6);
        assert_eq!((stored.width, stored.height), (2, 3));
        assert_eq!(stored.data, vec![2.0, 5.0, 1.0, 4.0, 0.0, 3.0]);
        for orientation in 1..=8 {
            let stored = as_stored(&upright, orientation);
            for (k, value) in stored.data.iter().enumerate() {
                let (x, y) = (k % stored.width, k / stored.width);
                let (dx, dy) = upright_place(orientation, x, y, stored.width, stored.height);
                assert_eq!(*value, upright.data[dy * 3 + dx]);
            }
        }
    }

    #[test]
    fn the_curve_meets_its_published_ends() {
        assert_eq!(srgb(0.0), 0.0);
        assert!((srgb(1.0) - 1.0).abs() < 1e-12);
        assert!((srgb(0.5) - 0.735_357).abs() < 1e-6);
    }
}
