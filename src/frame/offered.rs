//! A picture that somebody offers: its name and first bytes, before any of it is kept.

use std::path::Path;

use super::Format;
use crate::error::{Error, ErrorKind};

/// First bytes that tell what a file is.
pub const TELLING_BYTES: usize = 4096;

/// Endings of the files that are taken, for a file chooser: ".jpg,.png,...".
pub fn endings() -> String {
    let endings: Vec<String> = Format::ALL
        .iter()
        .flat_map(|format| format.endings())
        .map(|ending| format!(".{ending}"))
        .collect();
    endings.join(",")
}

/// Whether name and first bytes are those of one picture format that is read.
///
/// # Errors
/// `BadFile` or `Unsupported`, with what was found and needed.
pub fn check_offered(name: &str, first_bytes: &[u8]) -> Result<(), Error> {
    let path = Path::new(name);
    let Some(promised) = Format::promised_by(path) else {
        let context = "the name ends like no picture; .jpg, .png, .tif, .fits or a camera's RAW ending was needed";
        return Err(Error::new(ErrorKind::Unsupported, context).about(name));
    };
    let found = Format::recognise(first_bytes, path).map_err(|error| error.about(name))?;
    // A RAW file is a TIFF in its first bytes, and a DNG is known by a tag further in.
    let alike = |format| matches!(format, Format::Raw | Format::Tiff);
    if found == promised || alike(found) && alike(promised) {
        return Ok(());
    }
    let context = format!(
        "the name promises {}, the file holds {}; both have to say the same",
        promised.name(),
        found.name()
    );
    Err(Error::new(ErrorKind::BadFile, context).about(name))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn name_and_bytes_have_to_say_the_same() {
        let jpeg = [0xFF, 0xD8, 0xFF, 0xE0];
        assert!(check_offered("a.JPG", &jpeg).is_ok());
        assert!(check_offered("a.nef", b"MM\0*\0\0\0\x08\0\0").is_ok());
        assert!(check_offered("a.tif", b"MM\0*\0\0\0\x08\0\0").is_ok());
        for (name, bytes) in [
            ("a.png", &jpeg[..]),
            ("a.html", &jpeg[..]),
            ("a", &jpeg[..]),
            ("a.jpg", &b"<html>"[..]),
            ("a.jpg", &b""[..]),
            ("a.jpg", &b"GIF89a"[..]),
        ] {
            assert!(check_offered(name, bytes).is_err(), "{name}");
        }
    }

    #[test]
    fn every_ending_that_is_read_is_offered() {
        let endings = endings();
        for ending in [".jpg", ".png", ".tif", ".fits", ".dng"] {
            assert!(endings.split(',').any(|one| one == ending), "{endings}");
        }
    }
}
