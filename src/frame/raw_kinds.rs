//! RAW files of kinds that are no TIFF, looked at before the decoder: a heap of directories, named
//! blocks, and a table behind a head of its own.
//!
//! Source: the reading order of the crate `rawler` 0.8 (`formats/ciff`, `decoders/mrw.rs`,
//! `decoders/raf.rs`).

use super::directories::Reader;
use super::raw_claims::{Budget, check_directory, claim};
use super::raw_sizes::check_picture;
use crate::error::Error;

/// Heaps of a file: no camera writes more.
const MOST_HEAPS: usize = 500;
/// The decoder does not look into heaps further down.
const DEEPEST_HEAP: usize = 10;
/// Sizes of the sensor, as numbers of 16 bits: something else, width, height.
const SENSOR_OF_HEAP: u16 = 0x1031;

const HEAD_OF_BLOCKS: &[u8] = b"\0MRM";
const SIZE_BLOCK: &[u8] = b"\0PRD";
const TIFF_BLOCK: &[u8] = b"\0TTW";

const HEAD_OF_TABLE: &[u8] = b"FUJIFILM";
/// Where that head names the place of its table.
const PLACE_OF_TABLE: usize = 92;
const SIZE_IN_TABLE: u16 = 0x100;

/// Refuses what a file of one of these kinds claims and cannot keep.
///
/// # Errors
/// `BadFile` with what was claimed; as [`check_picture`] for the picture.
pub(super) fn check_kinds(bytes: &[u8], budget: &mut Budget) -> Result<(), Error> {
    if bytes.get(6..14) == Some(b"HEAPCCDR") {
        let start = Reader::of(bytes, true).u32(2);
        let mut heaps = Heaps {
            bytes,
            n_left: MOST_HEAPS,
            budget,
        };
        heaps.check(start.map(|start| start as usize), bytes.len(), 1)?;
    }
    if bytes.starts_with(HEAD_OF_BLOCKS) {
        check_blocks(bytes, budget)?;
    }
    if bytes.starts_with(HEAD_OF_TABLE) {
        check_table(Reader::of(bytes, false))?;
    }
    Ok(())
}

/// The heap of one old kind: directories within directories, each at the end of its data.
struct Heaps<'a, 'b> {
    bytes: &'a [u8],
    n_left: usize,
    budget: &'b mut Budget,
}

impl Heaps<'_, '_> {
    fn check(&mut self, start: Option<usize>, end: usize, depth: usize) -> Result<(), Error> {
        let reader = Reader::of(self.bytes, true);
        let begin = |start: usize| {
            let place = start.checked_add(reader.u32(end.checked_sub(4)?)? as usize)?;
            Some((start, place, usize::from(reader.u16(place)?)))
        };
        let Some((start, place, count)) = start.and_then(begin) else {
            return Ok(());
        };
        for at in (0..count).map(|nth| place + 2 + 10 * nth) {
            let (Some(kind), Some(length), Some(offset)) =
                (reader.u16(at), reader.u32(at + 2), reader.u32(at + 6))
            else {
                break;
            };
            let (from, length) = match kind & 0xC000 {
                0 => (start + offset as usize, length as usize),
                _ => (at + 2, 8),
            };
            let past = from.saturating_add(length);
            // The decoder copies what is there, and stops at what is not.
            if past <= self.bytes.len() {
                self.budget.spend(length as u64)?;
            }
            if kind & 0x3FFF == SENSOR_OF_HEAP {
                check_two(reader, from + 2)?;
            }
            if matches!(kind & 0x3800, 0x2800 | 0x3000) && depth < DEEPEST_HEAP {
                let left = self.n_left.checked_sub(1);
                self.n_left = left.ok_or_else(|| claim("its directories lead in a circle"))?;
                self.check(Some(from), past, depth + 1)?;
            }
        }
        Ok(())
    }
}

/// Blocks of a name and a length, up to a place that the file's head names; the directory of one of them,
/// or of the file itself where there is none.
fn check_blocks(bytes: &[u8], budget: &mut Budget) -> Result<(), Error> {
    let reader = Reader::of(bytes, false);
    let end = reader.u32(4).unwrap_or(0).wrapping_add(8) as usize;
    let (mut at, mut tiff) = (8, 0);
    while at + 20 < end {
        let (Some(name), Some(length)) = (bytes.get(at..at + 4), reader.u32(at + 4)) else {
            return Ok(());
        };
        if length as usize > bytes.len() {
            return Err(claim(&format!("a block claims {length} bytes")));
        }
        if name == SIZE_BLOCK {
            check_two(reader, at + 16)?;
        }
        if name == TIFF_BLOCK {
            tiff = at + 8;
        }
        at += 8 + length as usize;
    }
    let part = bytes.get(tiff..).unwrap_or_default();
    match Reader::of(part, false).directory(8) {
        Some(directory) => check_directory(&directory, budget),
        None => Ok(()),
    }
}

/// A table of tags and lengths, each followed by its data.
fn check_table(reader: Reader<'_>) -> Result<(), Error> {
    let Some(start) = reader.u32(PLACE_OF_TABLE) else {
        return Ok(());
    };
    let mut at = start as usize + 4;
    for _ in 0..reader.u32(start as usize).unwrap_or(0) {
        let (Some(tag), Some(length)) = (reader.u16(at), reader.u16(at + 2)) else {
            break;
        };
        if tag == SIZE_IN_TABLE {
            check_two(reader, at + 4)?;
        }
        at += 4 + usize::from(length);
    }
    Ok(())
}

/// The sides of a picture, two numbers of 16 bits.
fn check_two(reader: Reader<'_>, at: usize) -> Result<(), Error> {
    match reader.u16(at).zip(reader.u16(at.saturating_add(2))) {
        Some((one, other)) => check_picture(one, other),
        None => Ok(()),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn refusal(bytes: &[u8]) -> String {
        let result = check_kinds(bytes, &mut Budget::of(bytes));
        result.expect_err("refused").context
    }

    /// A heap of 100 bytes and these entries: kind, length, place.
    fn heap(entries: &[(u16, u32, u32)]) -> Vec<u8> {
        let mut bytes = b"II\x0e\0\0\0HEAPCCDR".to_vec();
        bytes.extend([0xFF; 100]);
        bytes.extend((entries.len() as u16).to_le_bytes());
        for (kind, length, place) in entries {
            bytes.extend(kind.to_le_bytes());
            bytes.extend(length.to_le_bytes());
            bytes.extend(place.to_le_bytes());
        }
        bytes.extend(100u32.to_le_bytes());
        bytes
    }

    #[test]
    fn heaps_do_not_lead_in_a_circle_and_are_cheap_together() {
        let all = 100 + 2 + 2 * 10 + 4;
        assert!(refusal(&heap(&[(0x2800, all, 0), (0x2800, all, 0)])).contains("in a circle"));
        let mut large = heap(&[(0, 1 << 20, 0); 200]);
        assert_eq!(check_kinds(&large, &mut Budget::of(&large)), Ok(()));
        let end = large.split_off(14 + 100);
        large.resize(14 + (1 << 20), 0);
        large.extend(&end[..end.len() - 4]);
        large.extend((1u32 << 20).to_le_bytes());
        assert!(refusal(&large).contains("over and over"));
        // 65535 x 65535 pixels.
        assert!(refusal(&heap(&[(SENSOR_OF_HEAP, 10, 0)])).contains("too large"));
    }

    /// Blocks in a file that goes on behind them.
    fn blocks(blocks: &[(&[u8], u32, &[u8])]) -> Vec<u8> {
        let block = |(name, length, body): &(&[u8], u32, &[u8])| {
            [name, length.to_be_bytes().as_slice(), body].concat()
        };
        let all: Vec<u8> = blocks.iter().flat_map(block).collect();
        let past = (all.len() as u32 + 20).to_be_bytes();
        [HEAD_OF_BLOCKS, &past, &all, &[0; 40]].concat()
    }

    #[test]
    fn blocks_end_and_hold_a_picture_and_a_directory() {
        let sides = |side: u16| [&[0; 8][..], &side.to_be_bytes(), &[0, 99], &[0; 12]].concat();
        let sound = |bytes: &[u8]| check_kinds(bytes, &mut Budget::of(bytes));
        assert_eq!(sound(&blocks(&[(SIZE_BLOCK, 24, &sides(80))])), Ok(()));
        let wide = [&[0; 8][..], &[0xFF; 4], &[0; 12]].concat();
        assert!(refusal(&blocks(&[(SIZE_BLOCK, 24, &wide)])).contains("65535 x 65535"));
        assert!(refusal(&blocks(&[(b"\0ABC", u32::MAX - 7, &[])])).contains("a block claims"));
        let absurd = b"MM\0*\0\0\0\x08\0\x01\x02\xbc\0\x05\x30\0\0\0\0\0\0\0";
        let length = absurd.len() as u32;
        let named = blocks(&[(b"\0ABC", 4, &[0; 4]), (TIFF_BLOCK, length, absurd)]);
        assert!(refusal(&named).contains("an entry claims 805306368"));
        assert_eq!(sound(&blocks(&[(b"\0ABC", length, absurd)])), Ok(()));
    }

    #[test]
    fn a_table_behind_a_head_of_its_own_holds_a_picture() {
        let file = |width: u16| {
            let mut bytes = [HEAD_OF_TABLE, &[0; 92]].concat();
            bytes[PLACE_OF_TABLE + 3] = 100;
            bytes.extend(2u32.to_be_bytes());
            bytes.extend([0x11, 0x10, 0, 2, 1, 1]);
            bytes.extend([1, 0, 0, 4, 0xFF, 0xFF]);
            bytes.extend(width.to_be_bytes());
            bytes
        };
        let sound = file(2000);
        assert_eq!(check_kinds(&sound, &mut Budget::of(&sound)), Ok(()));
        assert!(refusal(&file(60_000)).contains("too large"));
    }
}
