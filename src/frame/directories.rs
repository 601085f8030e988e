//! The directories of a TIFF-like file, looked at before a decoder is let loose on it.

use super::Format;
use super::decoded::damaged;
use crate::error::Error;

/// Directories beyond this number are not looked at.
const MAX_DIRECTORIES: usize = 500;
/// Entries of an array beyond this number are damage.
const MAX_VALUES: usize = 1_000_000;

const STRIP_OFFSETS: u16 = 273;
const STRIP_BYTE_COUNTS: u16 = 279;
const TILE_OFFSETS: u16 = 324;
const TILE_BYTE_COUNTS: u16 = 325;
const SUB_DIRECTORIES: u16 = 330;
const EXIF_DIRECTORY: u16 = 34665;
const GPS_DIRECTORY: u16 = 34853;
const DNG_VERSION: u16 = 50706;

/// Whether a TIFF-like file is a camera's RAW: a DNG carries the tag DNGVersion in its first
/// directory ([DNG] 1.7, chapter 4); another kind has "CR" behind the header.
pub(super) fn is_raw(bytes: &[u8]) -> bool {
    let reader = Reader::new(bytes);
    bytes.get(8..10) == Some(b"CR")
        || reader
            .and_then(|reader| reader.directory(reader.first()?))
            .is_some_and(|directory| directory.holds(DNG_VERSION))
}

/// Refuses pictures whose data reach beyond the end of the file, and values that no file of this length
/// can hold.
///
/// Decoders take memory for as many values as an entry claims before they look for them. RAW files
/// that are no TIFF hold TIFFs: those are looked for by their first bytes.
/// Source: [TIFF] 6.0, sections 2 (structure), 8 and 15 (strips and tiles).
///
/// # Errors
/// `BadFile` where the file is cut short.
pub(super) fn check_directories(bytes: &[u8]) -> Result<(), Error> {
    for part in embedded(bytes) {
        for directory in all_directories(Reader::new(part)) {
            check_counts(&directory, Format::Raw)?;
        }
    }
    for directory in all_directories(Reader::new(bytes)) {
        check_counts(&directory, Format::Raw)?;
        for (offsets, counts) in [
            (STRIP_OFFSETS, STRIP_BYTE_COUNTS),
            (TILE_OFFSETS, TILE_BYTE_COUNTS),
        ] {
            let ends = directory
                .numbers(offsets)
                .into_iter()
                .zip(directory.numbers(counts));
            let end = ends
                .map(|(start, length)| start.saturating_add(length))
                .max();
            if end.is_some_and(|end| end > bytes.len() as u64) {
                let reason = format!(
                    "{} bytes in the file where {} were needed",
                    bytes.len(),
                    end.unwrap_or(0)
                );
                return Err(damaged(Format::Raw, reason));
            }
        }
    }
    Ok(())
}

/// Parts of a file that begin as a TIFF does, the file itself left out.
fn embedded(bytes: &[u8]) -> impl Iterator<Item = &[u8]> {
    /// How far into a file headers are looked for, and how many.
    const REACH: usize = 1 << 20;
    const MOST: usize = 64;
    let head = &bytes[..bytes.len().min(REACH)];
    let begins = |at: &usize| {
        let four = &head[*at..at + 4];
        four == b"II*\0" || four == b"MM\0*"
    };
    let places = (1..head.len().saturating_sub(3)).filter(begins);
    places.take(MOST).map(move |at| &bytes[at..])
}

/// Refuses entries of more values than the file has bytes for.
fn check_counts(directory: &Directory, format: Format) -> Result<(), Error> {
    let file = directory.reader.bytes.len() as u64;
    match directory.entries().find(|entry| entry.bytes() > file) {
        Some(entry) => {
            let reason = format!("an entry claims {} values in {file} bytes", entry.count);
            Err(damaged(format, reason))
        }
        None => Ok(()),
    }
}

/// Refuses a TIFF whose entries claim more values than the file has bytes: its decoder prints a line
/// of its own about some of them.
///
/// Source: [TIFF] 6.0, section 2; the layout of 64-bit files (version 43: 8-byte counts and places,
/// entries of 20 bytes) from memory.
///
/// # Errors
/// `BadFile` with the claim.
pub(super) fn check_tiff_claims(bytes: &[u8]) -> Result<(), Error> {
    let Some(reader) = Reader::new(bytes) else {
        return Ok(());
    };
    if reader.u16(2) != Some(43) {
        let mut directories = all_directories(Some(reader)).into_iter();
        return directories.try_for_each(|directory| check_counts(&directory, Format::Tiff));
    }
    let first = reader.u64(8).and_then(|at| usize::try_from(at).ok());
    let count = first.and_then(|at| reader.u64(at)).unwrap_or(0);
    let entries = first.map_or(0, |at| at.saturating_add(8));
    let claims = (0..count.min(MAX_VALUES as u64) as usize)
        .map_while(|nth| reader.u64(entries.checked_add(20 * nth + 4)?));
    match claims.max().filter(|&claim| claim > bytes.len() as u64) {
        Some(claim) => {
            let reason = format!("an entry claims {claim} values in {} bytes", bytes.len());
            Err(damaged(Format::Tiff, reason))
        }
        None => Ok(()),
    }
}

/// The chain of directories and the ones below them, each once.
fn all_directories(reader: Option<Reader<'_>>) -> Vec<Directory<'_>> {
    let Some(reader) = reader else {
        return Vec::new();
    };
    let mut waiting: Vec<usize> = reader.first().into_iter().collect();
    let mut seen = Vec::new();
    let mut found = Vec::new();
    while let Some(at) = waiting.pop() {
        if at == 0 || seen.contains(&at) || seen.len() >= MAX_DIRECTORIES {
            continue;
        }
        seen.push(at);
        if let Some(directory) = reader.directory(at) {
            waiting.extend(directory.next);
            let below: Vec<u64> = [SUB_DIRECTORIES, EXIF_DIRECTORY, GPS_DIRECTORY]
                .into_iter()
                .flat_map(|tag| directory.numbers(tag))
                .collect();
            waiting.extend(
                below
                    .into_iter()
                    .take(MAX_DIRECTORIES)
                    .map(|at| at as usize),
            );
            found.push(directory);
        }
    }
    found
}

/// Numbers of a file in its byte order.
#[derive(Debug, Clone, Copy)]
pub(super) struct Reader<'a> {
    pub(super) bytes: &'a [u8],
    pub(super) little_endian: bool,
}

impl<'a> Reader<'a> {
    /// `None` unless the file begins as a TIFF with 32-bit offsets, whatever its version number.
    pub(super) fn new(bytes: &'a [u8]) -> Option<Self> {
        let little_endian = match bytes.get(0..2)? {
            b"II" => true,
            b"MM" => false,
            _ => return None,
        };
        Some(Self {
            bytes,
            little_endian,
        })
    }

    /// Whatever the file begins with.
    pub(super) fn of(bytes: &'a [u8], little_endian: bool) -> Self {
        Self {
            bytes,
            little_endian,
        }
    }

    pub(super) fn u16(&self, at: usize) -> Option<u16> {
        let pair = self.bytes.get(at..at.checked_add(2)?)?.try_into().ok()?;
        Some(if self.little_endian {
            u16::from_le_bytes(pair)
        } else {
            u16::from_be_bytes(pair)
        })
    }

    pub(super) fn u32(&self, at: usize) -> Option<u32> {
        let four = self.bytes.get(at..at.checked_add(4)?)?.try_into().ok()?;
        Some(if self.little_endian {
            u32::from_le_bytes(four)
        } else {
            u32::from_be_bytes(four)
        })
    }

    pub(super) fn u64(&self, at: usize) -> Option<u64> {
        let (one, other) = (self.u32(at)?, self.u32(at.checked_add(4)?)?);
        let (high, low) = if self.little_endian {
            (other, one)
        } else {
            (one, other)
        };
        Some(u64::from(high) << 32 | u64::from(low))
    }

    pub(super) fn first(&self) -> Option<usize> {
        Some(self.u32(4)? as usize)
    }

    pub(super) fn directory(&self, at: usize) -> Option<Directory<'a>> {
        let count = usize::from(self.u16(at)?);
        Some(Directory {
            reader: *self,
            entries: at + 2,
            count,
            next: self.u32(at + 2 + 12 * count).map(|next| next as usize),
        })
    }
}

/// One directory: 12 bytes an entry.
#[derive(Debug, Clone, Copy)]
pub(super) struct Directory<'a> {
    pub(super) reader: Reader<'a>,
    entries: usize,
    count: usize,
    pub(super) next: Option<usize>,
}

/// What an entry says about itself.
#[derive(Debug, Clone, Copy)]
pub(super) struct Entry {
    pub(super) tag: u16,
    pub(super) kind: u16,
    pub(super) count: u32,
    /// Where the value or its place stands.
    pub(super) field: usize,
}

impl Entry {
    /// Bytes of the values that it claims; unknown types count as bytes.
    pub(super) fn bytes(&self) -> u64 {
        let size = match self.kind {
            3 | 8 => 2,
            4 | 9 | 11 | 13 => 4,
            5 | 10 | 12 => 8,
            _ => 1,
        };
        u64::from(self.count) * size
    }

    /// Where its values begin.
    pub(super) fn place(&self, reader: Reader<'_>) -> Option<usize> {
        if self.bytes() <= 4 {
            Some(self.field)
        } else {
            Some(reader.u32(self.field)? as usize)
        }
    }

    /// Bytes of its values where the file has them all.
    pub(super) fn within(&self, reader: Reader<'_>) -> Option<u64> {
        let end = (self.place(reader)? as u64).checked_add(self.bytes())?;
        (end <= reader.bytes.len() as u64).then_some(self.bytes())
    }
}

impl Directory<'_> {
    /// The entries, as far as the file has them.
    pub(super) fn entries(&self) -> impl Iterator<Item = Entry> {
        let reader = self.reader;
        let places = (0..self.count).map(|nth| self.entries + 12 * nth);
        places.map_while(move |at| {
            Some(Entry {
                tag: reader.u16(at)?,
                kind: reader.u16(at + 2)?,
                count: reader.u32(at + 4)?,
                field: at + 8,
            })
        })
    }

    fn entry(&self, tag: u16) -> Option<usize> {
        (0..self.count)
            .map(|index| self.entries + 12 * index)
            .find(|&at| self.reader.u16(at) == Some(tag))
    }

    fn holds(&self, tag: u16) -> bool {
        self.entry(tag).is_some()
    }

    /// The whole numbers (16 or 32 bit) of a tag; none where absent, of another type or out of reach.
    fn numbers(&self, tag: u16) -> Vec<u64> {
        self.try_numbers(tag).unwrap_or_default()
    }

    fn try_numbers(&self, tag: u16) -> Option<Vec<u64>> {
        let entry = self.entry(tag)?;
        let size = match self.reader.u16(entry + 2)? {
            3 => 2,
            4 | 13 => 4,
            _ => return None,
        };
        let count = (self.reader.u32(entry + 4)? as usize).min(MAX_VALUES);
        let start = if size * count <= 4 {
            entry + 8
        } else {
            self.reader.u32(entry + 8)? as usize
        };
        (0..count)
            .map(|index| {
                let at = start.checked_add(size * index)?;
                if size == 2 {
                    self.reader.u16(at).map(u64::from)
                } else {
                    self.reader.u32(at).map(u64::from)
                }
            })
            .collect()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A little-endian file of one directory with 32-bit entries.
    fn file(entries: &[(u16, u32)]) -> Vec<u8> {
        let mut bytes = b"II*\0\x08\0\0\0".to_vec();
        bytes.extend((entries.len() as u16).to_le_bytes());
        for (tag, value) in entries {
            bytes.extend(tag.to_le_bytes());
            bytes.extend(4u16.to_le_bytes());
            bytes.extend(1u32.to_le_bytes());
            bytes.extend(value.to_le_bytes());
        }
        bytes.extend([0; 4]);
        bytes
    }

    #[test]
    fn ends_are_checked() {
        let sound = file(&[(STRIP_OFFSETS, 8), (STRIP_BYTE_COUNTS, 20)]);
        assert_eq!(check_directories(&sound), Ok(()));
        let cut = file(&[(STRIP_OFFSETS, 8), (STRIP_BYTE_COUNTS, 5000)]);
        let error = check_directories(&cut).unwrap_err();
        assert!(
            error.context.contains("5008 were needed"),
            "{}",
            error.context
        );
    }

    #[test]
    fn entries_that_claim_more_than_the_file_holds_are_refused() {
        let mut lying = file(&[(256, 100), (700, 1)]);
        lying[8 + 2 + 12 + 4..][..4].copy_from_slice(&0xFFFF_FFFFu32.to_le_bytes());
        for bytes in [
            lying.clone(),
            [b"FUJIFILMCCD-RAW ".as_slice(), &lying].concat(),
        ] {
            let error = check_directories(&bytes).unwrap_err();
            assert!(
                error.context.contains("4294967295 values"),
                "{}",
                error.context
            );
        }
    }

    #[test]
    fn tiffs_of_both_kinds_have_to_keep_their_word() {
        let mut text = file(&[(256, 100), (270, 0)]);
        assert_eq!(check_tiff_claims(&text), Ok(()));
        text[24..28].copy_from_slice(&0x2000_0000u32.to_le_bytes());
        assert!(
            check_tiff_claims(&text)
                .unwrap_err()
                .context
                .contains("TIFF")
        );
        let mut big = b"MM\0+\0\x08\0\0".to_vec();
        big.extend(16u64.to_be_bytes());
        big.extend(1u64.to_be_bytes());
        big.extend([1, 14, 0, 2]);
        big.extend(40u64.to_be_bytes());
        big.extend([0; 16]);
        assert_eq!(check_tiff_claims(&big), Ok(()));
        big[28..36].copy_from_slice(&(1u64 << 40).to_be_bytes());
        let error = check_tiff_claims(&big).unwrap_err();
        assert!(error.context.contains("1099511627776 values"), "{error}");
    }

    #[test]
    fn directories_below_are_checked_and_loops_end() {
        let mut bytes = file(&[(SUB_DIRECTORIES, 8)]);
        assert_eq!(check_directories(&bytes), Ok(()));
        let below = bytes.len() as u32;
        bytes[18..22].copy_from_slice(&below.to_le_bytes());
        bytes.extend_from_slice(&file(&[(STRIP_OFFSETS, 8), (STRIP_BYTE_COUNTS, 5000)])[8..]);
        assert!(check_directories(&bytes).is_err());
    }

    #[test]
    fn a_dng_is_known_by_its_version_tag() {
        assert!(is_raw(&file(&[(256, 100), (DNG_VERSION, 1)])));
        assert!(!is_raw(&file(&[(256, 100)])));
        assert!(!is_raw(b"II*\0\xFF\xFF\xFF\xFF"));
        assert!(is_raw(b"II*\0\x10\0\0\0CR\x02\0"));
    }
}
