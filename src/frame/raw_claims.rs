//! What a RAW file's structures beyond plain directories claim, looked at before the decoder, which
//! takes memory for as much as a number claims and follows whatever points somewhere.
//!
//! Makers' notes and blocks are checked for absurd claims only: cameras write sloppy ones, and an
//! entry that merely cannot be read costs nothing.

use super::Format;
use super::decoded::damaged;
use super::directories::{Directory, Entry, Reader};
use super::raw_kinds::check_kinds;
use super::raw_sizes::{check_coded, check_lossless, check_picture, check_sides, first_number};
use super::raw_tables::{claim_of_own_table, encrypted_directory, sides_of_own_table};
use crate::error::Error;

/// Claims up to this size, or that of the file, are let pass: what they cost is soon given back.
const PATIENCE: u64 = 64 << 20;
/// The decoder reads no more entries of a directory.
const MOST_ENTRIES: usize = 4096;
/// Directories of a chain or of an entry: no camera writes more.
const MOST_PARTS: usize = 500;
/// Entries of all directories of a file together: no camera writes as many; each costs the decoder 160
/// bytes besides its values.
const MOST_ENTRIES_IN_ALL: usize = 100_000;
/// The decoder leaves a directory behind as many entries in a row that it cannot read.
const LOST_IN_A_ROW: usize = 5;
/// Values from here on, in a file that has no such place, may lie beyond all 32-bit places.
const FAR_BEYOND: usize = 1 << 31;

const SUB_DIRECTORIES: u16 = 330;
const RAW_DIRECTORIES: u16 = 33424;
const EXIF_DIRECTORY: u16 = 34665;
const ICC_PROFILE: u16 = 34675;
const GPS_DIRECTORY: u16 = 34853;
const MAKER_NOTE: u16 = 37500;
const PRIVATE_DIRECTORY: u16 = 50740;
const OWN_DIRECTORY: u16 = 65024;
/// The directory of the pixels in one kind's second TIFF.
const PIXELS_DIRECTORY: u16 = 0xF000;
/// Entries that point to directories or hold them.
const WITH_DIRECTORIES: [u16; 6] = [
    SUB_DIRECTORIES,
    RAW_DIRECTORIES,
    EXIF_DIRECTORY,
    GPS_DIRECTORY,
    ICC_PROFILE,
    PIXELS_DIRECTORY,
];
/// The one entry of a maker's note that does.
const DIRECTORY_OF_NOTE: u16 = 0x3000;
const CAMERA_DIRECTORY: u16 = 0x0120;
/// Where old files' notes name the place of the coded picture.
const PICTURE_OF_NOTE: u16 = 0x0081;

const UNDEFINED: u16 = 7;
const LONG: u16 = 4;

/// Refuses claims that no file can keep, and structures that lead in a circle.
///
/// Source: the reading order of the crate `rawler` 0.8 (directories, makers' notes); [TIFF] 6.0,
/// section 2.
///
/// # Errors
/// `BadFile` with what was claimed.
pub(super) fn check_claims(bytes: &[u8]) -> Result<(), Error> {
    let mut budget = Budget::of(bytes);
    check_tiff(bytes, &mut budget)?;
    // A RAW file of one kind names the place of its TIFF 84 bytes behind its start.
    let big = Reader::of(bytes, false);
    if bytes.starts_with(b"FUJIFILMCCD-RAW ") {
        for start in [
            big.u32(84).map(|at| at as usize + 12),
            big.u32(100).map(|at| at as usize),
        ] {
            let part = start.and_then(|start| bytes.get(start..));
            check_tiff(part.unwrap_or_default(), &mut budget)?;
        }
    }
    check_kinds(bytes, &mut budget)
}

/// What the directories of one file may cost together: each claim may be small and within the file, and
/// all of them point to the same place.
pub(super) struct Budget {
    entries: usize,
    bytes: u64,
    /// To be looked at in search of the heads of coded pictures.
    coded: u64,
}

impl Budget {
    /// Twice the file, since makers' notes and what they hold are read again.
    pub(super) fn of(bytes: &[u8]) -> Self {
        let twice = 2 * PATIENCE.max(bytes.len() as u64);
        Self {
            entries: MOST_ENTRIES_IN_ALL,
            bytes: twice,
            coded: twice,
        }
    }

    /// An entry and the bytes of its values.
    pub(super) fn spend(&mut self, bytes: u64) -> Result<(), Error> {
        let entries = self.entries.checked_sub(1);
        self.entries = entries.ok_or_else(|| {
            claim(&format!(
                "its directories claim more than {MOST_ENTRIES_IN_ALL} entries together"
            ))
        })?;
        let bytes = self.bytes.checked_sub(bytes);
        self.bytes =
            bytes.ok_or_else(|| claim("its entries claim the same bytes over and over"))?;
        Ok(())
    }

    /// Bytes of a coded picture up to its head.
    pub(super) fn look_at(&mut self, bytes: u64) -> Result<(), Error> {
        let coded = self.coded.checked_sub(bytes);
        self.coded = coded.ok_or_else(|| claim("its strips are the same bytes over and over"))?;
        Ok(())
    }
}

/// The directories of a TIFF one after the other, each with those below it; what is no TIFF passes.
///
/// # Errors
/// As [`check_claims`].
pub(super) fn check_tiff(bytes: &[u8], budget: &mut Budget) -> Result<(), Error> {
    let Some(reader) = Reader::new(bytes) else {
        return Ok(());
    };
    let mut next = reader.first();
    let mut seen: Vec<usize> = Vec::new();
    while let Some(at) = next.filter(|&at| at != 0) {
        if seen.contains(&at) || seen.len() >= MOST_PARTS {
            return Err(claim("its directories lead in a circle"));
        }
        seen.push(at);
        let Some(directory) = reader.directory(at) else {
            break;
        };
        check_with_below(&directory, budget)?;
        next = next_of(&directory);
    }
    Ok(())
}

/// As [`check_tiff`], of a TIFF of which the decoder reads the first directory alone.
///
/// # Errors
/// As [`check_claims`].
pub(super) fn check_first(bytes: &[u8], budget: &mut Budget) -> Result<(), Error> {
    let reader = Reader::new(bytes);
    match reader.and_then(|reader| reader.directory(reader.first()?)) {
        Some(directory) => check_with_below(&directory, budget),
        None => Ok(()),
    }
}

/// A directory of the chain and those below it.
fn check_with_below(directory: &Directory<'_>, budget: &mut Budget) -> Result<(), Error> {
    let reader = directory.reader;
    if let Some(what) = claim_of_own_table(directory, most_in(reader)) {
        return Err(claim(&what));
    }
    if let Some((width, height)) = sides_of_own_table(directory) {
        check_picture(width, height)?;
    }
    check_one(directory, budget)?;
    for below in below(directory, &WITH_DIRECTORIES)? {
        if let Some(directory) = reader.directory(below) {
            check_one(&directory, budget)?;
        }
    }
    // A whole TIFF of one kind's camera, as the bytes of an entry.
    let cameras = entries_of(directory).filter(|entry| entry.tag == CAMERA_DIRECTORY);
    for camera in cameras.filter(|entry| entry.within(reader).is_some()) {
        let start = camera.place(reader).unwrap_or(0);
        let bytes = reader.bytes.get(start..start + camera.bytes() as usize);
        let tiff = bytes.and_then(Reader::new);
        if let Some(directory) = tiff.and_then(|tiff| tiff.directory(tiff.first()?)) {
            check_directory(&directory, budget)?;
        }
    }
    Ok(())
}

/// A directory, the picture that it describes, and what it hides.
fn check_one(directory: &Directory<'_>, budget: &mut Budget) -> Result<(), Error> {
    check_directory(directory, budget)?;
    check_sides(directory)?;
    check_coded(directory, budget)?;
    check_makers_note(directory, budget)?;
    check_encrypted(directory, budget)
}

/// The entries that the decoder reads: values of unknown types are bytes to it.
pub(super) fn entries_of(directory: &Directory<'_>) -> impl Iterator<Item = Entry> {
    let entries = directory.entries().take(MOST_ENTRIES);
    entries.map(|entry| Entry {
        kind: match entry.kind {
            1..=12 => entry.kind,
            _ => UNDEFINED,
        },
        ..entry
    })
}

/// Where the decoder looks for the directory that follows: behind the last entry that it reads.
fn next_of(directory: &Directory<'_>) -> Option<usize> {
    let reader = directory.reader;
    let mut n_lost = 0;
    let mut past = None;
    for entry in entries_of(directory) {
        past = Some(entry.field + 4);
        if entry.within(reader).is_some() {
            n_lost = 0;
            continue;
        }
        n_lost += 1;
        if n_lost == LOST_IN_A_ROW {
            // Values that begin beyond the file leave the decoder at its end, where nothing follows.
            let far = entry.place(reader).is_some_and(|place| place >= FAR_BEYOND);
            past = past.filter(|_| far);
            break;
        }
    }
    Some(reader.u32(past?)? as usize)
}

/// Where the decoder looks for directories below one: besides places it takes bytes for a directory
/// itself, and the first byte of an unknown type for a place.
fn below(directory: &Directory<'_>, tags: &[u16]) -> Result<Vec<usize>, Error> {
    let reader = directory.reader;
    let mut places = Vec::new();
    for entry in directory.entries().take(MOST_ENTRIES) {
        let Some(start) = entry.place(reader) else {
            continue;
        };
        let pointed = |nth: usize| Some(reader.u32(start.checked_add(4 * nth)?)? as usize);
        match (entry.tag, entry.kind) {
            (PRIVATE_DIRECTORY | OWN_DIRECTORY, _) if entry.bytes() == 4 => {
                places.extend(pointed(0));
            }
            (tag, _) if !tags.contains(&tag) => {}
            // A sound colour profile is no directory, and costs little if it is read as one.
            (ICC_PROFILE, UNDEFINED) if is_profile(reader.bytes, start) => {}
            (_, LONG) => {
                let count = entry.count as usize;
                if count > MOST_PARTS && entry.within(reader).is_some() {
                    return Err(claim(&format!("an entry points to {count} directories")));
                }
                places.extend((0..count.min(MOST_PARTS)).filter_map(pointed));
            }
            (_, UNDEFINED) => places.push(start),
            (_, kind) if kind == 0 || kind > 12 => {
                places.extend(reader.bytes.get(start).map(|&byte| usize::from(byte)));
            }
            _ => {}
        }
    }
    Ok(places)
}

/// Source: [ICC.1] section 7.2, the profile file signature.
fn is_profile(bytes: &[u8], start: usize) -> bool {
    bytes.get(start.saturating_add(36)..start.saturating_add(40)) == Some(b"acsp")
}

/// Bytes beyond which a claim is absurd.
fn most_in(reader: Reader<'_>) -> u64 {
    PATIENCE.max(reader.bytes.len() as u64)
}

/// The directory that is hidden in the private one.
fn check_encrypted(holder: &Directory<'_>, budget: &mut Budget) -> Result<(), Error> {
    let Some(bytes) = encrypted_directory(holder) else {
        return Ok(());
    };
    match Reader::of(&bytes, true).directory(0) {
        Some(directory) => check_directory(&directory, budget),
        None => Ok(()),
    }
}

/// Refuses entries that claim absurdly much, each or together.
///
/// # Errors
/// As [`check_claims`].
pub(super) fn check_directory(directory: &Directory<'_>, budget: &mut Budget) -> Result<(), Error> {
    let reader = directory.reader;
    for entry in entries_of(directory) {
        if entry.bytes() > most_in(reader) {
            return Err(claim(&format!("an entry claims {} values", entry.count)));
        }
        // What the file does not have is given back at once. Where it is counts from elsewhere in notes.
        let bytes = Some(entry.bytes()).filter(|&bytes| bytes <= reader.bytes.len() as u64);
        budget.spend(bytes.unwrap_or(0))?;
    }
    Ok(())
}

/// The directory within a maker's note, which begins behind the maker's name.
fn check_makers_note(directory: &Directory<'_>, budget: &mut Budget) -> Result<(), Error> {
    let reader = directory.reader;
    let note = directory
        .entries()
        .find(|entry| entry.tag == MAKER_NOTE && entry.kind == UNDEFINED);
    let Some(start) = note.and_then(|note| note.place(reader)) else {
        return Ok(());
    };
    let data = reader.bytes.get(start..).unwrap_or_default();
    let (at, little_endian) = note_start(data, reader.little_endian);
    let within = Reader::of(reader.bytes, little_endian);
    let Some(main) = within.directory(start + at) else {
        return Ok(());
    };
    check_directory(&main, budget)?;
    let pictures = entries_of(&main).filter(|entry| entry.tag == PICTURE_OF_NOTE);
    for picture in pictures.filter_map(|entry| first_number(&entry, within)) {
        let coded = reader.bytes.get(picture as usize..);
        budget.look_at(check_lossless(coded.unwrap_or_default())? as u64)?;
    }
    for below in below(&main, &[DIRECTORY_OF_NOTE])? {
        if let Some(directory) = within.directory(below) {
            check_directory(&directory, budget)?;
        }
    }
    if !data.starts_with(b"OLYMP") && !data.starts_with(b"OM SYSTEM") {
        return Ok(());
    }
    // Directories whose places count from the note's start.
    let pointers = main.entries().take(MOST_ENTRIES);
    for pointer in pointers.filter(|entry| matches!(entry.tag, 0x2010 | 0x2040)) {
        let offset = pointer.place(reader).and_then(|place| within.u32(place));
        let place = offset.and_then(|offset| start.checked_add(offset as usize));
        if pointer.bytes() <= 4
            && let Some(directory) = place.and_then(|place| within.directory(place))
        {
            check_directory(&directory, budget)?;
        }
    }
    Ok(())
}

/// Where the decoder takes a note's directory to begin, and its byte order.
fn note_start(data: &[u8], little_endian: bool) -> (usize, bool) {
    const NAMES: [(&[u8], usize); 7] = [
        (b"OLYMP", 8),
        (b"OLYMPUS", 4),
        (b"OM SYSTEM", 16),
        (b"EPSON", 8),
        (b"FUJIFILM", 12),
        (b"SONY DSC ", 12),
        (b"AOC\0", 4),
    ];
    let order_at = |at: usize| data.get(at..at + 2);
    if data.starts_with(b"PENTAX") {
        return (10, order_at(8) == Some(b"II"));
    }
    if data.starts_with(b"Nikon\0\x02") {
        return (18, order_at(10) == Some(b"II"));
    }
    let named = NAMES.iter().filter(|(name, _)| data.starts_with(name));
    let begin: usize = named.map(|(_, skip)| skip).sum();
    match order_at(begin) {
        Some(b"II") => (begin + 2, true),
        Some(b"MM") => (begin + 2, false),
        _ => (begin, little_endian),
    }
}

/// Refusal of a file for what it claims.
pub(super) fn claim(what: &str) -> Error {
    damaged(Format::Raw, what.to_owned())
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A little-endian file of one directory: tag, kind, count, value.
    fn file(entries: &[(u16, u16, u32, u32)]) -> Vec<u8> {
        let mut bytes = b"II*\0\x08\0\0\0".to_vec();
        bytes.extend(directory(entries));
        bytes
    }

    fn directory(entries: &[(u16, u16, u32, u32)]) -> Vec<u8> {
        let mut bytes = (entries.len() as u16).to_le_bytes().to_vec();
        for (tag, kind, count, value) in entries {
            bytes.extend(tag.to_le_bytes());
            bytes.extend(kind.to_le_bytes());
            bytes.extend(count.to_le_bytes());
            bytes.extend(value.to_le_bytes());
        }
        bytes.extend([0; 4]);
        bytes
    }

    fn refusal(bytes: &[u8]) -> String {
        check_claims(bytes).expect_err("refused").context
    }

    const ABSURD: (u16, u16, u32, u32) = (700, 5, 0x3000_0000, 0);

    #[test]
    fn absurd_claims_are_found_wherever_the_decoder_reads() {
        assert!(refusal(&file(&[ABSURD])).contains("claims 805306368 values"));
        for (tag, kind) in [
            (SUB_DIRECTORIES, LONG),
            (EXIF_DIRECTORY, LONG),
            (OWN_DIRECTORY, LONG),
            (PRIVATE_DIRECTORY, LONG),
            (SUB_DIRECTORIES, 0x404),
        ] {
            let mut bytes = file(&[(tag, kind, 1, 40)]);
            assert_eq!(check_claims(&bytes), Ok(()), "{tag}");
            bytes.resize(40, 0);
            bytes.extend(directory(&[ABSURD]));
            assert!(refusal(&bytes).contains("an entry claims"), "{tag}");
        }
    }

    #[test]
    fn makers_notes_are_looked_into_behind_the_name() {
        let names: [&[u8]; 5] = [
            b"",
            b"EPSON\0\x01\0",
            b"OLYMPUS\0II\x03\0",
            b"Nikon\0\x02\x10\0\0II*\0\x08\0\0\0",
            b"PENTAX \0II",
        ];
        for name in names {
            let note = |entry| [name, directory(&[entry]).as_slice(), &[0; 16]].concat();
            let with = |entry| {
                let note = note(entry);
                let mut bytes = file(&[(MAKER_NOTE, UNDEFINED, note.len() as u32, 40)]);
                bytes.resize(40, 0);
                [bytes, note].concat()
            };
            assert_eq!(check_claims(&with((1, 3, 1, 7))), Ok(()));
            assert!(
                refusal(&with(ABSURD)).contains("an entry claims"),
                "{name:?}"
            );
            // What is merely sloppy passes.
            assert_eq!(check_claims(&with((1, 2, 5000, 9_000_000))), Ok(()));
        }
    }

    #[test]
    fn circles_end() {
        let mut chain = file(&[(256, LONG, 1, 100)]);
        let end = chain.len() - 4;
        chain[end..].copy_from_slice(&8u32.to_le_bytes());
        assert!(refusal(&chain).contains("in a circle"));
    }

    #[test]
    fn directories_have_to_be_cheap_together() {
        // One directory of 300 entries that another one points to again and again.
        let pointing = |n_places: u32, entry: &dyn Fn(u16) -> (u16, u16, u32, u32)| {
            let entries: Vec<_> = (0..300).map(entry).collect();
            let below = directory(&entries);
            let places = 26 + below.len() as u32;
            let first = file(&[(SUB_DIRECTORIES, LONG, n_places, places)]);
            let again = 26u32.to_le_bytes().repeat(n_places as usize);
            [first, below, again].concat()
        };
        let small = |nth| (40_000 + nth, LONG, 1, 0);
        let large = |nth| (40_000 + nth, UNDEFINED, 4000, 0);
        assert_eq!(check_claims(&pointing(300, &small)), Ok(()));
        assert!(refusal(&pointing(490, &small)).contains("100000 entries together"));
        assert!(refusal(&pointing(600, &small)).contains("600 directories"));
        assert_eq!(check_claims(&pointing(100, &large)), Ok(()));
        assert!(refusal(&pointing(300, &large)).contains("over and over"));
        // Of an unknown type: bytes to the decoder.
        let unknown = |nth| (40_000 + nth, 13, 4000, 0);
        assert!(refusal(&pointing(300, &unknown)).contains("over and over"));
    }

    #[test]
    fn a_directory_ends_early_behind_entries_that_lead_nowhere() {
        let lost = |nth: u16| (700 + nth, LONG, 2, u32::MAX);
        let back = (8, 0, 0, 0);
        let entries = |n_lost| {
            let lost: Vec<_> = (0..n_lost).map(lost).collect();
            [&[(256, LONG, 1, 64)][..], &lost, &[back]].concat()
        };
        assert_eq!(check_claims(&file(&entries(4))), Ok(()));
        assert!(refusal(&file(&entries(5))).contains("in a circle"));
        // Values that merely are not there leave the decoder at the end.
        let mut missing = entries(5);
        missing[5].3 = 1 << 20;
        assert_eq!(check_claims(&file(&missing)), Ok(()));
        let mut many = vec![(256, LONG, 1, 64); MOST_ENTRIES];
        many.push(back);
        assert!(refusal(&file(&many)).contains("in a circle"));
    }
}
