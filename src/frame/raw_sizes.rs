//! Sizes of pictures that the directories and the coded data of a RAW file claim, looked at before the
//! decoder, which takes memory for them before it looks for the data.
//!
//! Source: [TIFF] 6.0, sections 2, 8 and 15; ISO/IEC 10918-1 annex B (markers, frame header) and annex H
//! (lossless frames); the reading order of the crate `rawler` 0.8 (`formats/tiff`, `decompressors/ljpeg`)
//! for what it takes for a number and for a marker.

use std::io::Read;

use flate2::read::ZlibDecoder;

use super::Format;
use super::decoded::damaged;
use super::directories::{Directory, Entry, Reader};
use super::limits::check_size;
use super::raw_claims::{Budget, entries_of};
use crate::error::Error;

/// Tags of a picture's width and height, each with those of its tiles: common ones, and those of three
/// kinds of RAW. The second kind's are 1 to 3 bytes in other directories, which do no harm.
const SIDES: [([u16; 2], [u16; 2]); 4] = [
    ([256, 322], [257, 323]),
    ([2, 2], [3, 3]),
    ([0xF001, 0xF001], [0xF002, 0xF002]),
    ([0xFD00, 0xFD00], [0xFD01, 0xFD01]),
];
const SAMPLES_PER_PIXEL: u16 = 277;
/// A mosaic has one value a pixel, a picture up to four; transparency and depth may come on top.
const MOST_VALUES_A_PIXEL: u64 = 8;

const STRIP_OFFSETS: u16 = 273;
const TILE_OFFSETS: u16 = 324;
const TILE_BYTE_COUNTS: u16 = 325;
const TILE_SIDES: [u16; 2] = [322, 323];

const COMPRESSION: u16 = 259;
/// Deflated tiles, of up to four bytes a value.
const DEFLATED: [u64; 2] = [8, 0x80B2];
const MOST_BYTES_A_VALUE: u64 = 4;
/// A tile that is shorter grows to 64 MB at most, by the 258 bytes that two bits may stand for ([RFC1951]
/// section 3.2.5): that is let pass unseen.
const SHORT_TILE: usize = (64 << 20) / 1032;

/// Refuses a picture within a file that is larger than any frame; previews may be smaller.
///
/// # Errors
/// As [`check_size`].
pub(super) fn check_picture(width: impl Into<u64>, height: impl Into<u64>) -> Result<(), Error> {
    check_size(width.into().max(16), height.into().max(16))?;
    Ok(())
}

/// Refuses a directory whose picture is larger than any frame. Of entries with the same tag the largest
/// number counts, since decoders differ in which they take.
///
/// # Errors
/// As [`check_size`]; `BadFile` for too many values a pixel.
pub(super) fn check_sides(directory: &Directory<'_>) -> Result<(), Error> {
    for (widths, heights) in SIDES {
        let sides = (largest(directory, &widths), largest(directory, &heights));
        if let (Some(width), Some(height)) = sides {
            check_picture(width, height)?;
        }
    }
    let n_values = largest(directory, &[SAMPLES_PER_PIXEL]);
    match n_values.filter(|&n| n > MOST_VALUES_A_PIXEL) {
        Some(n) => Err(damaged(Format::Raw, format!("{n} values a pixel"))),
        None => Ok(()),
    }
}

/// The largest number that stands first in an entry of one of these tags.
fn largest(directory: &Directory<'_>, tags: &[u16]) -> Option<u64> {
    let entries = entries_of(directory).filter(|entry| tags.contains(&entry.tag));
    let numbers = entries.filter_map(|entry| first_number(&entry, directory.reader));
    numbers.max()
}

/// The first value of an entry as the decoder makes a number of it; `None` where it makes none.
pub(super) fn first_number(entry: &Entry, reader: Reader<'_>) -> Option<u64> {
    let at = entry.place(reader).filter(|_| entry.count > 0)?;
    match entry.kind {
        1 => reader.bytes.get(at).copied().map(u64::from),
        3 => reader.u16(at).map(u64::from),
        4 => reader.u32(at).map(u64::from),
        6 => u64::try_from(*reader.bytes.get(at)? as i8).ok(),
        8 => u64::try_from(reader.u16(at)? as i16).ok(),
        9 => u64::try_from(reader.u32(at)? as i32).ok(),
        5 | 10 => {
            let (over, under) = (reader.u32(at)?, reader.u32(at.checked_add(4)?)?);
            over.checked_div(under).map(u64::from)
        }
        // A number beyond all others becomes the largest one.
        11 => Some(f32::from_bits(reader.u32(at)?) as u64),
        12 => Some(f64::from_bits(reader.u64(at)?) as u64),
        _ => None,
    }
}

/// Refuses a directory whose strips or tiles hold a lossless JPEG that claims to be larger than any frame.
///
/// # Errors
/// As [`check_size`]; `BadFile` where it takes too long to find out.
pub(super) fn check_coded(directory: &Directory<'_>, budget: &mut Budget) -> Result<(), Error> {
    let reader = directory.reader;
    let placed = |entry: &Entry| matches!(entry.tag, STRIP_OFFSETS | TILE_OFFSETS);
    for entry in entries_of(directory).filter(placed) {
        if entry.within(reader).is_none() {
            continue;
        }
        for place in whole_numbers(entry, reader) {
            let coded = reader.bytes.get(place..);
            let n_looked_at = check_lossless(coded.unwrap_or_default())?;
            budget.look_at(n_looked_at as u64)?;
        }
    }
    let compressions = entries_of(directory).filter(|entry| entry.tag == COMPRESSION);
    let mut numbers = compressions.filter_map(|entry| first_number(&entry, reader));
    match numbers.any(|number| DEFLATED.contains(&number)) {
        true => check_inflated(directory),
        false => Ok(()),
    }
}

/// The values of an entry of 16 or 32 bits.
fn whole_numbers(entry: Entry, reader: Reader<'_>) -> impl Iterator<Item = usize> {
    let start = entry.place(reader).unwrap_or(reader.bytes.len());
    (0..entry.count as usize).map_while(move |nth| match entry.kind {
        3 => reader.u16(start + 2 * nth).map(usize::from),
        4 => reader.u32(start + 4 * nth).map(|number| number as usize),
        _ => None,
    })
}

/// Refuses deflated tiles that hold more than a tile: the decoder takes memory for all that comes out.
fn check_inflated(directory: &Directory<'_>) -> Result<(), Error> {
    let reader = directory.reader;
    let [width, height] = TILE_SIDES.map(|side| largest(directory, &[side]).unwrap_or(0));
    let n_values = largest(directory, &[SAMPLES_PER_PIXEL]).unwrap_or(1);
    let needed = width * height * n_values * MOST_BYTES_A_VALUE;
    let numbers = |tag: u16| {
        let entries = entries_of(directory).filter(move |entry| entry.tag == tag);
        entries.flat_map(move |entry| whole_numbers(entry, reader))
    };
    for (place, length) in numbers(TILE_OFFSETS).zip(numbers(TILE_BYTE_COUNTS)) {
        let tile = reader.bytes.get(place..place.saturating_add(length));
        let Some(tile) = tile.filter(|tile| tile.len() > SHORT_TILE) else {
            continue;
        };
        let mut inflated = ZlibDecoder::new(tile).take(needed + 1);
        // What breaks off is the decoder's matter.
        if std::io::copy(&mut inflated, &mut std::io::sink()).is_ok_and(|n| n > needed) {
            let what = format!("a tile holds more than the {needed} bytes of a tile");
            return Err(damaged(Format::Raw, what));
        }
    }
    Ok(())
}

/// Looks for the head of a lossless frame as the decoder does, which steps from one marker to the next
/// whatever stands between; how many bytes that took.
pub(super) fn check_lossless(coded: &[u8]) -> Result<usize, Error> {
    const START: [u8; 2] = [0xFF, 0xD8];
    const LOSSLESS_FRAME: u8 = 0xC3;
    const CODE_TABLE: u8 = 0xC4;
    /// End, start of a scan, a table that no lossless frame has: no head follows.
    const ENDS: [u8; 3] = [0xD9, 0xDA, 0xDB];
    if !coded.starts_with(&START) {
        return Ok(0);
    }
    let reader = Reader::of(coded, false);
    let mut at = START.len();
    while let Some(&[fill, mark]) = coded.get(at..at + 2).and_then(|two| two.first_chunk::<2>()) {
        if fill != 0xFF || mark == 0 || mark == 0xFF {
            at += 1;
            continue;
        }
        at += 2;
        if mark == LOSSLESS_FRAME {
            check_frame(reader, at)?;
        }
        if mark == CODE_TABLE {
            at += usize::from(reader.u16(at).unwrap_or(0));
        }
        if ENDS.contains(&mark) {
            break;
        }
    }
    Ok(at)
}

/// The head of a frame: its length, bits, height, width, and components of three bytes each.
fn check_frame(reader: Reader<'_>, at: usize) -> Result<(), Error> {
    let components = reader.bytes.get(at + 7).copied().map(u16::from);
    let numbers = [0, 3, 5].map(|place| reader.u16(at + place));
    let ([Some(length), Some(height), Some(width)], Some(components)) = (numbers, components)
    else {
        return Ok(());
    };
    // Anything else is no head to the decoder either.
    if length == 8 + 3 * components {
        check_picture(width, height)?;
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::error::ErrorKind;

    /// A little-endian file of one directory: tag, kind, count, value.
    fn file(entries: &[(u16, u16, u32, u32)]) -> Vec<u8> {
        let mut bytes = b"II*\0\x08\0\0\0".to_vec();
        bytes.extend((entries.len() as u16).to_le_bytes());
        for (tag, kind, count, value) in entries {
            bytes.extend(tag.to_le_bytes());
            bytes.extend(kind.to_le_bytes());
            bytes.extend(count.to_le_bytes());
            bytes.extend(value.to_le_bytes());
        }
        bytes
    }

    fn sides(bytes: &[u8]) -> Result<(), Error> {
        let reader = Reader::new(bytes).unwrap();
        check_sides(&reader.directory(8).unwrap())
    }

    #[test]
    fn sides_are_found_in_all_types_and_wherever_they_stand_twice() {
        assert_eq!(sides(&file(&[(256, 4, 1, 100), (257, 4, 1, 80)])), Ok(()));
        let too_large = |entries: &[(u16, u16, u32, u32)]| {
            let error = sides(&file(entries)).unwrap_err();
            assert_eq!(error.kind, ErrorKind::Unsupported, "{error}");
        };
        let small = [(256, 4, 1, 100), (257, 4, 1, 80)];
        too_large(&[&small[..], &[(256, 4, 1, 70_000)]].concat());
        too_large(&[(256, 9, 1, 70_000), small[1]]);
        too_large(&[(256, 11, 1, 70_000f32.to_bits()), small[1]]);
        too_large(&[&small[..], &[(323, 4, 1, 70_000)]].concat());
        for (width, height) in [(2, 3), (0xF001, 0xF002), (0xFD00, 0xFD01)] {
            too_large(&[(width, 3, 1, 60_000), (height, 3, 1, 60_000)]);
        }
        // Ratios and wide numbers stand elsewhere.
        let mut ratio = file(&[(256, 5, 1, 38), small[1]]);
        ratio.resize(38, 0);
        ratio.extend([140_000u32.to_le_bytes(), 2u32.to_le_bytes()].concat());
        assert!(sides(&ratio).is_err());
        ratio[10 + 2..10 + 4].copy_from_slice(&12u16.to_le_bytes());
        ratio[38..46].copy_from_slice(&70_000f64.to_bits().to_le_bytes());
        assert!(sides(&ratio).is_err());
        // Words are no number, and a negative number is none.
        assert_eq!(sides(&file(&[(256, 2, 1, 70_000), small[1]])), Ok(()));
        assert_eq!(sides(&file(&[(256, 9, 1, u32::MAX), small[1]])), Ok(()));
        let values = sides(&file(&[(277, 3, 1, 1), (277, 3, 1, 9)])).unwrap_err();
        assert!(values.context.contains("9 values a pixel"), "{values}");
    }

    /// A lossless JPEG up to its scan, with other things before its frame.
    fn lossless(before: &[u8], side: u16) -> Vec<u8> {
        let side = side.to_be_bytes();
        let frame = [&[0xFF, 0xC3, 0, 11, 14][..], &side, &side, &[1, 0, 17, 0]].concat();
        [&[0xFF, 0xD8], before, &frame, &[0xFF, 0xDA]].concat()
    }

    #[test]
    fn the_head_of_a_coded_picture_is_found_as_the_decoder_finds_it() {
        let sound = lossless(&[], 4000);
        assert_eq!(check_lossless(&sound), Ok(sound.len()));
        assert_eq!(check_lossless(b"no picture"), Ok(0));
        // A table of codes is stepped over as a whole, a marker of another kind is not.
        let table = [0xFF, 0xC4, 0, 6, 0xFF, 0xDA, 1, 1];
        for before in [&[][..], &[1, 2, 0xFF, 0, 0xFF, 0xFF, 0xE1, 0, 9], &table] {
            let error = check_lossless(&lossless(before, 60_000)).unwrap_err();
            assert!(error.context.contains("60000 x 60000"), "{error}");
        }
        for end in [0xD9, 0xDA, 0xDB] {
            assert_eq!(check_lossless(&lossless(&[0xFF, end], 60_000)), Ok(4));
        }
        let mut no_head = lossless(&[], 60_000);
        no_head[5] = 12;
        assert_eq!(check_lossless(&no_head), Ok(no_head.len()));
    }

    #[test]
    fn a_tile_does_not_grow_beyond_its_size() {
        use std::io::Write;
        let deflated = |n_bytes: usize| {
            let mut coder =
                flate2::write::ZlibEncoder::new(Vec::new(), flate2::Compression::best());
            coder.write_all(&vec![0; n_bytes]).unwrap();
            coder.finish().unwrap()
        };
        let tile = deflated(80 << 20);
        assert!(tile.len() > SHORT_TILE);
        let check = |side: u32, compression: u32| {
            let length = tile.len() as u32;
            let entries = [
                (COMPRESSION, 4, 1, compression),
                (322, 4, 1, side),
                (323, 4, 1, side),
            ];
            let places = [(TILE_OFFSETS, 4, 1, 70), (TILE_BYTE_COUNTS, 4, 1, length)];
            let bytes = [file(&[&entries[..], &places].concat()), tile.clone()].concat();
            let directory = Reader::new(&bytes).unwrap().directory(8).unwrap();
            check_coded(&directory, &mut Budget::of(&bytes))
        };
        // 4580 x 4580 values of 4 bytes are 80 MB and a little more.
        assert_eq!(check(4580, 8), Ok(()));
        assert!(
            check(4570, 8)
                .unwrap_err()
                .context
                .contains("a tile holds more")
        );
        assert_eq!(check(4570, 7), Ok(()));
    }

    #[test]
    fn strips_are_looked_into_but_not_for_ever() {
        let coded = lossless(&[], 60_000);
        let check = |bytes: &[u8], budget: &mut Budget| {
            let reader = Reader::new(bytes).unwrap();
            check_coded(&reader.directory(8).unwrap(), budget)
        };
        for (tag, kind) in [(STRIP_OFFSETS, 4), (TILE_OFFSETS, 4), (TILE_OFFSETS, 3)] {
            let bytes = [file(&[(tag, kind, 1, 22)]), coded.clone()].concat();
            let error = check(&bytes, &mut Budget::of(&bytes)).unwrap_err();
            assert_eq!(error.kind, ErrorKind::Unsupported, "{error}");
        }
        // Strip after strip begins at the same place, with nothing in it for long.
        let mut bytes = file(&[(STRIP_OFFSETS, 4, 200, 22)]);
        bytes.extend(822u32.to_le_bytes().repeat(200));
        bytes.extend([0xFF, 0xD8]);
        bytes.resize(1 << 20, 0);
        let error = check(&bytes, &mut Budget::of(&bytes)).unwrap_err();
        assert!(error.context.contains("over and over"), "{error}");
    }
}
