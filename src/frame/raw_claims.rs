//! What a RAW file's structures beyond plain directories claim, looked at before the decoder, which
//! takes memory for as much as a number claims and follows whatever points somewhere.
//!
//! Makers' notes and blocks are checked for absurd claims only: cameras write sloppy ones, and an
//! entry that merely cannot be read costs nothing.

use super::Format;
use super::decoded::damaged;
use super::directories::{Directory, Reader};
use super::raw_tables::{claim_of_own_table, encrypted_directory};
use crate::error::Error;

/// Claims up to this size, or that of the file, are let pass: what they cost is soon given back.
const PATIENCE: u64 = 64 << 20;
/// The decoder reads no more entries of a directory.
const MOST_ENTRIES: usize = 4096;
/// Directories of a chain, blocks of a file: no camera writes more.
const MOST_PARTS: usize = 500;

const SUB_DIRECTORIES: u16 = 330;
const RAW_DIRECTORIES: u16 = 33424;
const EXIF_DIRECTORY: u16 = 34665;
const ICC_PROFILE: u16 = 34675;
const GPS_DIRECTORY: u16 = 34853;
const MAKER_NOTE: u16 = 37500;
const PRIVATE_DIRECTORY: u16 = 50740;
const OWN_DIRECTORY: u16 = 65024;

const UNDEFINED: u16 = 7;
const LONG: u16 = 4;

/// Refuses claims that no file can keep, and structures that lead in a circle.
///
/// Source: the reading order of the crate `rawler` 0.8 (directories, makers' notes); ISO/IEC
/// 14496-12 (boxes); [TIFF] 6.0, section 2.
///
/// # Errors
/// `BadFile` with what was claimed.
pub(super) fn check_claims(bytes: &[u8]) -> Result<(), Error> {
    if let Some(reader) = Reader::new(bytes) {
        check_chain(reader)?;
    }
    // A RAW file of one kind names the place of its TIFF 84 bytes behind its start.
    let big = Reader::of(bytes, false);
    if bytes.starts_with(b"FUJIFILMCCD-RAW ") {
        for start in [
            big.u32(84).map(|at| at as usize + 12),
            big.u32(100).map(|at| at as usize),
        ] {
            let part = start.and_then(|start| bytes.get(start..));
            if let Some(reader) = part.and_then(Reader::new) {
                check_chain(reader)?;
            }
        }
    }
    if bytes.get(6..14) == Some(b"HEAPCCDR") {
        let mut left = MOST_PARTS;
        check_heap(
            bytes,
            Reader::of(bytes, true).u32(2),
            bytes.len(),
            &mut left,
            1,
        )?;
    }
    check_boxes(big, 0, bytes.len(), &mut MOST_PARTS.clone())
}

/// The directories of a TIFF one after the other, each with those below it.
fn check_chain(reader: Reader<'_>) -> Result<(), Error> {
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
        check_directory(&directory)?;
        if let Some(what) = claim_of_own_table(&directory, most_in(reader)) {
            return Err(claim(&what));
        }
        for below in below(&directory) {
            if let Some(directory) = reader.directory(below) {
                check_directory(&directory)?;
                check_makers_note(&directory)?;
                check_encrypted(&directory)?;
            }
        }
        check_makers_note(&directory)?;
        check_encrypted(&directory)?;
        next = directory.next;
    }
    Ok(())
}

/// Where the decoder looks for directories below one: besides places it takes bytes for a directory
/// itself, and the first byte of an unknown type for a place.
fn below(directory: &Directory<'_>) -> Vec<usize> {
    let reader = directory.reader;
    let mut places = Vec::new();
    for entry in directory.entries().take(MOST_ENTRIES) {
        let Some(start) = entry.place(reader) else {
            continue;
        };
        let pointed = |nth: usize| Some(reader.u32(start.checked_add(4 * nth)?)? as usize);
        match (entry.tag, entry.kind) {
            (SUB_DIRECTORIES | RAW_DIRECTORIES | EXIF_DIRECTORY | GPS_DIRECTORY, LONG) => {
                let count = (entry.count as usize).min(MOST_PARTS);
                places.extend((0..count).filter_map(pointed));
            }
            (PRIVATE_DIRECTORY | OWN_DIRECTORY, _) if entry.bytes() == 4 => {
                places.extend(pointed(0));
            }
            // A sound colour profile is no directory, and costs little if it is read as one.
            (ICC_PROFILE, UNDEFINED) if is_profile(reader.bytes, start) => {}
            (
                SUB_DIRECTORIES | RAW_DIRECTORIES | EXIF_DIRECTORY | GPS_DIRECTORY | ICC_PROFILE,
                kind,
            ) if kind == UNDEFINED => places.push(start),
            (
                SUB_DIRECTORIES | RAW_DIRECTORIES | EXIF_DIRECTORY | GPS_DIRECTORY | ICC_PROFILE,
                kind,
            ) if kind == 0 || kind > 12 => {
                places.extend(reader.bytes.get(start).map(|&byte| usize::from(byte)));
            }
            _ => {}
        }
    }
    places
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
fn check_encrypted(holder: &Directory<'_>) -> Result<(), Error> {
    let Some(bytes) = encrypted_directory(holder) else {
        return Ok(());
    };
    match Reader::of(&bytes, true).directory(0) {
        Some(directory) => check_directory(&directory),
        None => Ok(()),
    }
}

/// Refuses entries that claim absurdly much.
fn check_directory(directory: &Directory<'_>) -> Result<(), Error> {
    let most = most_in(directory.reader);
    for entry in directory.entries().take(MOST_ENTRIES) {
        if entry.bytes() > most {
            return Err(claim(&format!("an entry claims {} values", entry.count)));
        }
    }
    Ok(())
}

/// The directory within a maker's note, which begins behind the maker's name.
fn check_makers_note(directory: &Directory<'_>) -> Result<(), Error> {
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
    check_directory(&main)?;
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
            check_directory(&directory)?;
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

/// The heap of one old RAW kind: directories within directories, each at the end of its data.
fn check_heap(
    bytes: &[u8],
    start: Option<u32>,
    end: usize,
    left: &mut usize,
    depth: usize,
) -> Result<(), Error> {
    let reader = Reader::of(bytes, true);
    let begin = |start: usize| {
        let place = start.checked_add(reader.u32(end.checked_sub(4)?)? as usize)?;
        Some((place, usize::from(reader.u16(place)?)))
    };
    let Some((start, (place, count))) =
        start.and_then(|start| Some((start as usize, begin(start as usize)?)))
    else {
        return Ok(());
    };
    for at in (0..count).map(|nth| place + 2 + 10 * nth) {
        let (Some(kind), Some(length), Some(offset)) =
            (reader.u16(at), reader.u32(at + 2), reader.u32(at + 6))
        else {
            break;
        };
        if !matches!(kind & 0x3800, 0x2800 | 0x3000) || depth >= 10 {
            continue;
        }
        *left = left
            .checked_sub(1)
            .ok_or_else(|| claim("its directories lead in a circle"))?;
        let from = if kind & 0xC000 == 0 {
            start + offset as usize
        } else {
            at + 2
        };
        let length = if kind & 0xC000 == 0 {
            length as usize
        } else {
            8
        };
        let below = u32::try_from(from).ok();
        check_heap(bytes, below, from.saturating_add(length), left, depth + 1)?;
    }
    Ok(())
}

/// The boxes of a file that is made of them, down to the tables of their parts.
fn check_boxes(
    reader: Reader<'_>,
    start: usize,
    end: usize,
    left: &mut usize,
) -> Result<(), Error> {
    const FIRST: [&[u8]; 6] = [b"ftyp", b"free", b"skip", b"moov", b"mdat", b"uuid"];
    const HOLD_BOXES: [&[u8]; 5] = [b"moov", b"trak", b"mdia", b"minf", b"stbl"];
    let mut at = start;
    while at < end {
        let (Some(size), Some(name)) = (reader.u32(at), reader.bytes.get(at + 4..at + 8)) else {
            break;
        };
        if at == 0 && !FIRST.contains(&name) {
            break;
        }
        let (head, size) = match size {
            1 => {
                let halves = reader.u32(at + 8).zip(reader.u32(at + 12));
                let whole = halves.map(|(high, low)| u64::from(high) << 32 | u64::from(low));
                (16, whole.unwrap_or(0))
            }
            size => (8, u64::from(size)),
        };
        let room = (reader.bytes.len() - at) as u64;
        if size < head {
            return Err(claim("a box that is shorter than its own head"));
        }
        *left = left.checked_sub(1).ok_or_else(|| claim("too many boxes"))?;
        let (body, past) = (at + head as usize, at + size.min(room) as usize);
        if HOLD_BOXES.contains(&name) {
            check_boxes(reader, body, past, left)?;
        }
        check_table(reader, name, body)?;
        at = past;
    }
    Ok(())
}

/// A table that claims more rows than the file has bytes.
fn check_table(reader: Reader<'_>, name: &[u8], body: usize) -> Result<(), Error> {
    let count = match name {
        b"stsz" => reader.u32(body + 8),
        b"stts" | b"stsc" | b"co64" => reader.u32(body + 4),
        _ => None,
    };
    match count {
        Some(count) if count as usize > reader.bytes.len() => {
            Err(claim(&format!("a table claims {count} rows")))
        }
        _ => Ok(()),
    }
}

fn claim(what: &str) -> Error {
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
        // A heap whose only entries are the heap itself, twice.
        let mut heap = b"II\x1a\0\0\0HEAPCCDR".to_vec();
        heap[2..6].copy_from_slice(&14u32.to_le_bytes());
        heap.extend(2u16.to_le_bytes());
        let length = 2 + 2 * 10 + 4;
        for _ in 0..2 {
            heap.extend(0x2800u16.to_le_bytes());
            heap.extend((length as u32).to_le_bytes());
            heap.extend(0u32.to_le_bytes());
        }
        heap.extend(0u32.to_le_bytes());
        assert!(refusal(&heap).contains("in a circle"));
    }

    #[test]
    fn boxes_have_to_keep_their_word() {
        let boxed = |name: &[u8], body: &[u8]| {
            let size = (8 + body.len()) as u32;
            [&size.to_be_bytes(), name, body].concat()
        };
        let table = |count: u32| {
            let body = [&[0; 8], count.to_be_bytes().as_slice()].concat();
            let inner = boxed(b"stsz", &body);
            let outer = boxed(b"moov", &boxed(b"trak", &inner));
            [boxed(b"ftyp", b"crx \0\0\0\x01"), outer].concat()
        };
        assert_eq!(check_claims(&table(3)), Ok(()));
        assert!(refusal(&table(4_000_000_000)).contains("4000000000 rows"));
        let short = [boxed(b"ftyp", b"crx "), vec![0, 0, 0, 2], b"mdat".to_vec()].concat();
        assert!(refusal(&short).contains("shorter than its own head"));
    }
}
