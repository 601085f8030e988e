//! One file in, one frame or header out.

use std::fs;
use std::path::Path;

use super::decoded::{Decoded, Want};
use super::guard::guarded;
use super::header::{Rendering, settle_header};
use super::limits::MAX_FILE_BYTES;
use super::{Format, Frame, Header, Overrides, SizedHeader};
use super::{fits, jpeg, png, tiff};
use crate::error::{Error, ErrorKind, Warned, Warning};

/// A picture file as an upright plane of linear light and its header.
///
/// Method: the format is told by the content; pixels are decoded at full resolution, the tone
/// curve is undone, colour becomes luminance (or the green light of RAW), and the EXIF
/// orientation is applied. Options overrule the file's facts.
/// Output: full scale 1.0; sizes from 16 to 65 535 pixels a side, at most 200 megapixels.
///
/// # Errors
/// `Io` if the file cannot be read; `BadFile` if it is empty, no picture, damaged or cut short;
/// `Unsupported` for formats and variants that are not read, and for sizes out of range. The
/// context names the file.
pub fn read_frame(path: &Path, overrides: &Overrides) -> Result<Warned<Frame>, Error> {
    let read = || {
        let (mut decoded, misnamed) = decode_file(path, Want::Pixels)?;
        let plane = decoded.take_plane(decoded.facts.orientation)?;
        let size = (plane.width(), plane.height());
        let header = header_of(decoded, misnamed, overrides, size);
        Ok(Warned {
            value: Frame {
                plane,
                header: header.value,
            },
            warnings: header.warnings,
        })
    };
    read().map_err(|error: Error| error.about(path.display()))
}

/// The header alone, with width and height of the upright picture.
///
/// The same as [`read_frame`] without its pixels, for a quick look through a night. The saturation
/// of counts may come out differently there, where the pixels show the white level.
///
/// # Errors
/// As [`read_frame`], but for damage that only decoding shows.
pub fn read_header(path: &Path, overrides: &Overrides) -> Result<Warned<SizedHeader>, Error> {
    let read = || {
        let (decoded, misnamed) = decode_file(path, Want::Header)?;
        let (width, height) = decoded.size;
        let size = decoded.facts.orientation.upright_size(width, height);
        let header = header_of(decoded, misnamed, overrides, size);
        Ok(Warned {
            value: (header.value, size),
            warnings: header.warnings,
        })
    };
    read().map_err(|error: Error| error.about(path.display()))
}

fn decode_file(path: &Path, want: Want) -> Result<(Decoded, Option<Warning>), Error> {
    let bytes = read_bytes(path)?;
    let format = Format::recognise(&bytes, path)?;
    let decoded = guarded(format, || match format {
        Format::Jpeg => jpeg::decode(&bytes, want),
        Format::Png => png::decode(&bytes, want),
        Format::Tiff => tiff::decode(bytes, want),
        Format::Fits => fits::decode(&bytes, want),
        Format::Raw => decode_raw(bytes, want),
    })?;
    Ok((decoded, format.misnamed(path)))
}

#[cfg(feature = "raw")]
fn decode_raw(bytes: Vec<u8>, want: Want) -> Result<Decoded, Error> {
    super::raw::decode(bytes, want)
}

#[cfg(not(feature = "raw"))]
fn decode_raw(_: Vec<u8>, _: Want) -> Result<Decoded, Error> {
    let context = "this build reads no camera RAW files; a JPEG, PNG, TIFF or FITS file was needed";
    Err(Error::new(ErrorKind::Unsupported, context)
        .with_hint("Build with the feature `raw`, or use the camera's JPEG."))
}

fn header_of(
    decoded: Decoded,
    misnamed: Option<Warning>,
    overrides: &Overrides,
    size: (usize, usize),
) -> Warned<Header> {
    let rendering = Rendering {
        saturation: decoded.saturation,
        developed: decoded.developed,
    };
    let header = settle_header(decoded.facts, overrides, size, rendering);
    let warnings = misnamed
        .into_iter()
        .chain(decoded.warnings)
        .chain(header.warnings)
        .collect();
    Warned {
        value: header.value,
        warnings,
    }
}

/// A regular file of a sensible size, whole.
fn read_bytes(path: &Path) -> Result<Vec<u8>, Error> {
    let facts = fs::metadata(path).map_err(|error| unreadable(&error))?;
    if !facts.is_file() {
        let found = if facts.is_dir() {
            "a folder"
        } else {
            "no regular file"
        };
        let context = format!("this is {found}; a picture file was needed");
        return Err(Error::new(ErrorKind::Io, context));
    }
    if facts.len() > MAX_FILE_BYTES {
        let context = format!(
            "the file has {} MB; picture files up to {} MB are read",
            facts.len() / 1_000_000,
            MAX_FILE_BYTES / 1_000_000
        );
        return Err(Error::new(ErrorKind::Unsupported, context));
    }
    fs::read(path).map_err(|error| unreadable(&error))
}

fn unreadable(error: &std::io::Error) -> Error {
    use std::io::ErrorKind as Io;
    let reason = match error.kind() {
        Io::NotFound => "there is no such file".to_string(),
        Io::PermissionDenied => "the file may not be read (permission denied)".to_string(),
        _ => format!("the file cannot be read ({error})"),
    };
    Error::new(ErrorKind::Io, reason)
}
