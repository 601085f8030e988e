//! Which format a file is in: by its first bytes, not by its name.

use std::path::Path;

use super::directories::is_raw;
use crate::error::{Error, ErrorKind, Warning};

/// Formats that are told apart.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Format {
    /// JPEG (ISO/IEC 10918-1).
    Jpeg,
    /// PNG (ISO/IEC 15948).
    Png,
    /// TIFF 6.0 or BigTIFF that is no camera RAW file.
    Tiff,
    /// FITS 4.0.
    Fits,
    /// DNG or a camera maker's RAW file.
    Raw,
}

const JPEG_ENDINGS: &[&str] = &["jpg", "jpeg", "jpe", "jfif"];
const PNG_ENDINGS: &[&str] = &["png"];
const TIFF_ENDINGS: &[&str] = &["tif", "tiff"];
const FITS_ENDINGS: &[&str] = &["fits", "fit", "fts"];
/// Endings of pictures that are not read: a night with them says so, file by file.
const OTHER_ENDINGS: &[&str] = &[
    "heic", "heif", "hif", "avif", "jxl", "jp2", "webp", "gif", "bmp", "psd", "xisf", "x3f",
];
/// Endings of camera RAW files in common use (common practice, no source). The decoder knows more:
/// cameras of films, one of 640 x 480 pixels whose size it takes on trust, and layered sensors, whose
/// pixels it does not read.
const RAW_ENDINGS: &[&str] = &[
    "dng", "arw", "cr2", "cr3", "crw", "dcr", "dcs", "erf", "fff", "iiq", "kdc", "mef", "mos",
    "mrw", "nef", "nrw", "orf", "ori", "pef", "raf", "raw", "rw2", "rwl", "srw", "3fr",
];

impl Format {
    /// All of them.
    pub(super) const ALL: [Format; 5] = [
        Format::Jpeg,
        Format::Png,
        Format::Tiff,
        Format::Fits,
        Format::Raw,
    ];

    /// What a person calls it.
    pub(super) fn name(self) -> &'static str {
        match self {
            Format::Jpeg => "JPEG",
            Format::Png => "PNG",
            Format::Tiff => "TIFF",
            Format::Fits => "FITS",
            Format::Raw => "camera RAW",
        }
    }

    pub(super) fn endings(self) -> &'static [&'static str] {
        match self {
            Format::Jpeg => JPEG_ENDINGS,
            Format::Png => PNG_ENDINGS,
            Format::Tiff => TIFF_ENDINGS,
            Format::Fits => FITS_ENDINGS,
            Format::Raw => RAW_ENDINGS,
        }
    }

    /// The format that a file's name promises.
    pub(super) fn promised_by(path: &Path) -> Option<Format> {
        let ending = path.extension()?.to_str()?.to_ascii_lowercase();
        Self::ALL
            .into_iter()
            .find(|format| format.endings().contains(&ending.as_str()))
    }

    /// Whether a name promises a picture of a kind that is known and not read.
    pub(super) fn is_known_ending(path: &Path) -> bool {
        let ending = path.extension().and_then(|ending| ending.to_str());
        ending.is_some_and(|ending| OTHER_ENDINGS.contains(&ending.to_ascii_lowercase().as_str()))
    }

    /// The format of the file's content.
    ///
    /// # Errors
    /// `BadFile` for an empty file or for what is no picture, `Unsupported` for a picture of a kind that is not read.
    pub(super) fn recognise(bytes: &[u8], path: &Path) -> Result<Format, Error> {
        if bytes.is_empty() {
            return Err(
                Error::new(ErrorKind::BadFile, "the file is empty (0 bytes)")
                    .with_hint("Copy it from the card again."),
            );
        }
        if is_tiff(bytes) {
            let raw = is_raw(bytes) || Self::promised_by(path) == Some(Format::Raw);
            return Ok(if raw { Format::Raw } else { Format::Tiff });
        }
        match bytes {
            [0xFF, 0xD8, 0xFF, ..] => Ok(Format::Jpeg),
            [0x89, b'P', b'N', b'G', 0x0D, 0x0A, 0x1A, 0x0A, ..] => Ok(Format::Png),
            _ if bytes.starts_with(b"SIMPLE  =") => Ok(Format::Fits),
            _ if is_other_raw(bytes) => Ok(Format::Raw),
            _ => Err(unknown_content(bytes, path)),
        }
    }

    /// A warning where the name promises another format than the file holds.
    pub(super) fn misnamed(self, path: &Path) -> Option<Warning> {
        let promised = Self::promised_by(path)?;
        (promised != self).then(|| {
            Warning::new(format!(
                "the name promises {}, the file holds {}: read as {}",
                promised.name(),
                self.name(),
                self.name()
            ))
        })
    }
}

fn is_tiff(bytes: &[u8]) -> bool {
    const STARTS: [&[u8]; 4] = [b"II*\0", b"MM\0*", b"II+\0", b"MM\0+"];
    STARTS.iter().any(|start| bytes.starts_with(start))
}

/// RAW files with a start of their own (common practice, no source).
fn is_other_raw(bytes: &[u8]) -> bool {
    /// The decoder takes what begins like this for a kind that is not read, whatever follows.
    const TAKEN_FOR_OTHERS: [&[u8]; 4] = [b"qktk", b"qktn", b"ARRI", b"FOVb"];
    const STARTS: [&[u8]; 6] = [
        b"FUJIFILMCCD-RAW",
        b"IIRO",
        b"IIRS",
        b"MMOR",
        b"IIU\0",
        b"\0MRM",
    ];
    let begins = |starts: &[&[u8]]| starts.iter().any(|start| bytes.starts_with(start));
    let marked = begins(&STARTS)
        || bytes.get(4..11) == Some(b"ftypcrx")
        || bytes.get(6..14) == Some(b"HEAPCCDR");
    marked && !begins(&TAKEN_FOR_OTHERS)
}

fn unknown_content(bytes: &[u8], path: &Path) -> Error {
    if let Some(kind) = known_but_not_read(bytes) {
        return Error::new(
            ErrorKind::Unsupported,
            format!("this is {kind}; JPEG, PNG, TIFF, FITS and camera RAW files are read"),
        )
        .with_hint(
            "Save or export it as JPEG or TIFF at full size, or set the camera to JPEG or RAW.",
        );
    }
    let looks = match bytes
        .iter()
        .take(512)
        .all(|b| matches!(b, 9..=13 | 32..=126 | 128..))
    {
        true => "text",
        false => "no known picture format",
    };
    let promise = Format::promised_by(path).map_or(String::new(), |format| {
        format!(", though its name promises {}", format.name())
    });
    Error::new(
        ErrorKind::BadFile,
        format!(
            "the file holds {looks}{promise}; a JPEG, PNG, TIFF, FITS or camera RAW file was needed"
        ),
    )
}

/// Brands of ISO/IEC 23008-12 (HEIF): images, sequences, and those coded with HEVC.
fn is_heif(brand: &[u8]) -> bool {
    let heif = [b"ftyphei", b"ftyphev", b"ftypmif", b"ftypmsf"];
    heif.iter().any(|start| brand.starts_with(*start))
}

fn known_but_not_read(bytes: &[u8]) -> Option<&'static str> {
    let brand = bytes.get(4..12).unwrap_or(&[]);
    match bytes {
        [b'G', b'I', b'F', b'8', ..] => Some("a GIF picture"),
        [b'B', b'M', ..] => Some("a BMP picture"),
        [
            b'R',
            b'I',
            b'F',
            b'F',
            _,
            _,
            _,
            _,
            b'W',
            b'E',
            b'B',
            b'P',
            ..,
        ] => Some("a WebP picture"),
        [b'%', b'P', b'D', b'F', ..] => Some("a PDF document"),
        [0x1F, 0x8B, ..] => Some("a gzip archive"),
        [b'P', b'K', 3, 4, ..] => Some("a zip archive"),
        [b'X', b'I', b'S', b'F', ..] => Some("an XISF picture"),
        [b'F', b'O', b'V', b'b', ..] => Some("a picture of a layered sensor (X3F)"),
        [0xFF, 0x0A, ..] => Some("a JPEG XL picture"),
        [b'8', b'B', b'P', b'S', ..] => Some("a layered picture of an editor"),
        _ if brand == b"JXL \r\n\x87\n" => Some("a JPEG XL picture"),
        _ if brand == b"jP  \r\n\x87\n" => Some("a JPEG 2000 picture"),
        _ if is_heif(brand) => Some("a HEIF picture"),
        _ if brand == b"ftypavif" || brand == b"ftypavis" => Some("an AVIF picture"),
        _ if brand.starts_with(b"ftyp") => Some("a film"),
        _ => None,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn recognise(bytes: &[u8], name: &str) -> Result<Format, Error> {
        Format::recognise(bytes, Path::new(name))
    }

    #[test]
    fn content_decides_and_a_wrong_name_is_told() {
        let jpeg = [0xFF, 0xD8, 0xFF, 0xE0];
        assert_eq!(recognise(&jpeg, "a.png"), Ok(Format::Jpeg));
        let warning = Format::Jpeg.misnamed(Path::new("a.png")).unwrap();
        assert!(warning.text.contains("promises PNG") && warning.text.contains("holds JPEG"));
        assert_eq!(Format::Jpeg.misnamed(Path::new("a.JPEG")), None);
        assert_eq!(Format::Jpeg.misnamed(Path::new("without-ending")), None);
    }

    #[test]
    fn a_dng_is_told_from_a_tiff_by_its_version_tag() {
        let mut dng = b"II*\0\x08\0\0\0\x01\0".to_vec();
        dng.extend(50706u16.to_le_bytes());
        assert_eq!(recognise(&dng, "a.tif"), Ok(Format::Raw));
        let mut tiff = b"MM\0*\0\0\0\x08\0\x01".to_vec();
        tiff.extend(256u16.to_be_bytes());
        assert_eq!(recognise(&tiff, "a.tif"), Ok(Format::Tiff));
        assert_eq!(recognise(&tiff, "a.nef"), Ok(Format::Raw));
        assert_eq!(
            recognise(b"II*\0\xFF\xFF\xFF\xFF", "a.tif"),
            Ok(Format::Tiff)
        );
    }

    #[cfg(feature = "raw")]
    #[test]
    fn endings_that_the_decoder_reads_are_picked_up_but_films_and_two_kinds() {
        const LEFT_OUT: [&str; 4] = ["ari", "crm", "qtk", "x3f"];
        for ending in rawler::decoders::supported_extensions() {
            let ending = ending.to_ascii_lowercase();
            let promised = Format::promised_by(Path::new(&format!("a.{ending}")));
            let left_out = LEFT_OUT.contains(&ending.as_str());
            assert_eq!(promised == Some(Format::Raw), !left_out, "{ending}");
        }
    }

    #[test]
    fn raw_files_with_a_start_of_their_own_are_known() {
        let heap = b"II\x1a\0\0\0HEAPCCDR\x02\0";
        assert_eq!(recognise(heap, "a.crw"), Ok(Format::Raw));
        assert_eq!(recognise(b"\0\0\0\x18ftypcrx ", "a.cr3"), Ok(Format::Raw));
        // What the decoder would take for another kind.
        for start in [b"qktkftypcrx ", b"qktnftypcrx ", b"ARRIftypcrx "] {
            let error = recognise(start, "a.cr3").unwrap_err();
            assert_eq!(error.kind, ErrorKind::Unsupported);
        }
        let layered = recognise(b"FOVbftypcrx ", "a.x3f").unwrap_err();
        assert_eq!(layered.kind, ErrorKind::Unsupported);
        assert!(layered.context.contains("X3F"), "{layered}");
    }

    #[test]
    fn text_and_foreign_pictures_are_named() {
        let text = recognise(b"notes of the night\n", "a.jpg").unwrap_err();
        assert_eq!(text.kind, ErrorKind::BadFile);
        assert!(text.context.contains("holds text") && text.context.contains("promises JPEG"));
        let heif = recognise(b"\0\0\0\x18ftypheic", "a.jpg").unwrap_err();
        assert_eq!(heif.kind, ErrorKind::Unsupported);
        assert!(heif.context.contains("HEIF") && heif.hint.is_some());
        let empty = recognise(b"", "a.jpg").unwrap_err();
        assert!(empty.context.contains("empty"));
    }
}
