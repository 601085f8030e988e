//! One file in, one frame or header out.

use std::fs;
use std::io::Read;
use std::path::{Path, PathBuf};

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
    let (frame, _) = PictureFile::read(path)?.frame(overrides)?;
    Ok(frame)
}

/// The header alone, with width and height of the upright picture.
///
/// The same as [`read_frame`] without its pixels, for a quick look through a night. The saturation
/// of counts may come out differently there, where the pixels show the white level.
///
/// # Errors
/// As [`read_frame`], but for damage that only decoding shows.
pub fn read_header(path: &Path, overrides: &Overrides) -> Result<Warned<SizedHeader>, Error> {
    PictureFile::read(path)?.header(overrides, None)
}

/// A picture file read whole: its format is known, nothing is decoded yet.
#[derive(Debug, Clone, PartialEq)]
pub struct PictureFile {
    path: PathBuf,
    bytes: Vec<u8>,
    format: Format,
}

/// What decoding the pixels told beyond the header; together with [`PictureFile::header`] it gives
/// the header of the whole frame.
#[derive(Debug, Clone, PartialEq)]
pub struct PixelFacts {
    /// As [`Header::saturation`].
    pub saturation: f32,
    /// As [`Header::developed`].
    pub developed: bool,
    /// Doubts that came up while decoding.
    pub warnings: Vec<Warning>,
}

impl PictureFile {
    /// Reads the file's bytes and tells its format by them.
    ///
    /// # Errors
    /// `Io`, `BadFile` and `Unsupported` as [`read_frame`].
    pub fn read(path: &Path) -> Result<Self, Error> {
        let read = || {
            let bytes = read_bytes(path)?;
            let format = Format::recognise(&bytes, path)?;
            Ok((bytes, format))
        };
        let (bytes, format) = read().map_err(|error: Error| error.about(path.display()))?;
        Ok(Self {
            path: path.to_path_buf(),
            bytes,
            format,
        })
    }

    /// All that pixels depend on: the format as which the file is read, and its bytes.
    pub fn content(&self) -> (&'static str, &[u8]) {
        (self.format.name(), &self.bytes)
    }

    /// The frame, and what its pixels told.
    ///
    /// # Errors
    /// As [`read_frame`].
    pub fn frame(self, overrides: &Overrides) -> Result<(Warned<Frame>, PixelFacts), Error> {
        let misnamed = self.format.misnamed(&self.path);
        let decode = || {
            let mut decoded = decode(self.format, self.bytes, Want::Pixels)?;
            let plane = decoded.take_plane(decoded.facts.orientation)?;
            Ok((decoded, plane))
        };
        let (decoded, plane) = decode().map_err(|error: Error| error.about(self.path.display()))?;
        let facts = PixelFacts {
            saturation: decoded.saturation,
            developed: decoded.developed,
            warnings: decoded.warnings.clone(),
        };
        let size = (plane.width(), plane.height());
        let header = header_of(decoded, misnamed, overrides, size);
        let frame = Frame {
            plane,
            header: header.value,
        };
        let frame = Warned {
            value: frame,
            warnings: header.warnings,
        };
        Ok((frame, facts))
    }

    /// The header with width and height of the upright picture; with what the pixels told an
    /// earlier time, the same header and warnings as [`PictureFile::frame`] gives.
    ///
    /// # Errors
    /// As [`read_header`].
    pub fn header(
        self,
        overrides: &Overrides,
        told: Option<&PixelFacts>,
    ) -> Result<Warned<SizedHeader>, Error> {
        let misnamed = self.format.misnamed(&self.path);
        let mut decoded = decode(self.format, self.bytes, Want::Header)
            .map_err(|error| error.about(self.path.display()))?;
        if let Some(told) = told {
            decoded.saturation = told.saturation;
            decoded.developed = told.developed;
            decoded.warnings.clone_from(&told.warnings);
        }
        let (width, height) = decoded.size;
        let size = decoded.facts.orientation.upright_size(width, height);
        let header = header_of(decoded, misnamed, overrides, size);
        Ok(Warned {
            value: (header.value, size),
            warnings: header.warnings,
        })
    }
}

fn decode(format: Format, bytes: Vec<u8>, want: Want) -> Result<Decoded, Error> {
    guarded(format, || match format {
        Format::Jpeg => jpeg::decode(&bytes, want),
        Format::Png => png::decode(&bytes, want),
        Format::Tiff => tiff::decode(bytes, want),
        Format::Fits => fits::decode(&bytes, want),
        Format::Raw => decode_raw(bytes, want),
    })
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
    whole(path, facts.len())
}

/// The bytes of a file that had this length a moment ago.
fn whole(path: &Path, length: u64) -> Result<Vec<u8>, Error> {
    let mut bytes = Vec::with_capacity(usize::try_from(length).unwrap_or(0));
    let file = fs::File::open(path).map_err(|error| unreadable(&error))?;
    // A file that grows without end is not followed.
    file.take(MAX_FILE_BYTES)
        .read_to_end(&mut bytes)
        .map_err(|error| unreadable(&error))?;
    let found = bytes.len() as u64;
    if found == length {
        return Ok(bytes);
    }
    let context = format!(
        "the file changed while it was read ({length} bytes, then {found}); a file that is written to its end was needed"
    );
    Err(Error::new(ErrorKind::Io, context)
        .with_hint("wait until the camera or the copy is done with it, then run again"))
}

fn unreadable(error: &std::io::Error) -> Error {
    use std::io::ErrorKind as Io;
    let reason = match error.kind() {
        Io::NotFound => "there is no such file (or no longer)".to_string(),
        Io::PermissionDenied => "the file may not be read (permission denied)".to_string(),
        _ => format!("the file cannot be read ({error})"),
    };
    Error::new(ErrorKind::Io, reason)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_file_that_grows_or_shrinks_while_it_is_read_is_told() {
        let place = tempfile::tempdir().unwrap();
        let path = place.path().join("a.jpg");
        fs::write(&path, [7; 100]).unwrap();
        assert_eq!(whole(&path, 100).unwrap().len(), 100);
        for before in [99, 101] {
            let error = whole(&path, before).unwrap_err();
            assert!(error.context.contains("changed while"), "{error}");
            assert!(error.hint.is_some());
        }
    }

    #[test]
    fn a_file_that_vanished_is_named() {
        let place = tempfile::tempdir().unwrap();
        let error = PictureFile::read(&place.path().join("gone.jpg")).unwrap_err();
        assert!(error.context.contains("gone.jpg: there is no such file"));
    }
}
