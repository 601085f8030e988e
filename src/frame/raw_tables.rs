//! Two structures of RAW files that are no plain directories, looked at before the decoder: a table of
//! one kind's own behind the file's first bytes, and a directory that another kind encrypts.
//!
//! The decoder takes memory for as many entries and values as these claim, and a claim that memory
//! cannot hold ends the program.
//! Source: the reading order of the crate `rawler` 0.8 (`decoders/iiq.rs`, `decoders/arw.rs`).

use super::directories::{Directory, Entry, Reader};

const MAKER: u16 = 271;
/// Makers whose files hold the table.
const MAKERS_OF_TABLES: [&[u8]; 2] = [b"Phase One", b"Leaf"];
/// Places in the table count from here, behind the file's header.
const TABLE_ORIGIN: usize = 8;
/// The entry of calibration data is a place alone: nothing is read for what it claims.
const CALIBRATION: u32 = 0x110;
const WIDTH: u32 = 0x108;
const HEIGHT: u32 = 0x109;

const PRIVATE: u16 = 50740;
const ENCRYPTED_PLACE: u16 = 0x7200;
const ENCRYPTED_LENGTH: u16 = 0x7201;
const ENCRYPTED_KEY: u16 = 0x7221;
/// A directory has no more than 65535 entries of 12 bytes.
const LONGEST_DIRECTORY: usize = 1 << 20;

/// What the table of a file by one of its makers claims beyond `most` bytes.
pub(super) fn claim_of_own_table(directory: &Directory<'_>, most: u64) -> Option<String> {
    let (table, rows) = own_table(directory)?;
    let (count, _) = rows.size_hint();
    if count as u64 * 16 > table.bytes.len() as u64 {
        return Some(format!("a table claims {count} entries"));
    }
    let lengths = rows.clone().filter_map(|at| {
        let reads = table.u32(at)? != CALIBRATION;
        table.u32(at + 8).filter(|_| reads)
    });
    let (longest, all) = lengths.fold((0, 0), |(longest, all), length| {
        (length.max(longest), all + u64::from(length))
    });
    if u64::from(longest) > most {
        return Some(format!("an entry of a table claims {longest} bytes"));
    }
    let places = rows.filter(|&at| table.u32(at) == Some(CALIBRATION));
    let calibrations =
        places.filter_map(|at| Some(bytes_of_calibration(table, table.u32(at + 12)?)));
    let twice = 2 * most;
    (all > twice || calibrations.max() > Some(twice))
        .then(|| "entries of a table claim the same bytes over and over".to_owned())
}

/// Bytes that the entries of calibration data claim, as far as they are there.
fn bytes_of_calibration(file: Reader<'_>, place: u32) -> u64 {
    let start = TABLE_ORIGIN + place as usize;
    let begin = file.u32(start + 8).map(|skip| start + skip as usize);
    let count = begin.and_then(|at| file.u32(at)).unwrap_or(0) as usize;
    let entries = (0..count).map_while(|nth| {
        let at = begin? + 8 + 12 * nth;
        file.u32(at + 4).zip(file.u32(at + 8))
    });
    let within = |&(length, at): &(u32, u32)| {
        start as u64 + u64::from(at) + u64::from(length) <= file.bytes.len() as u64
    };
    let lengths = entries.filter(within).map(|(length, _)| u64::from(length));
    lengths.sum()
}

/// Width and height that the table of a file by one of its makers claims.
pub(super) fn sides_of_own_table(directory: &Directory<'_>) -> Option<(u32, u32)> {
    let (table, rows) = own_table(directory)?;
    let side = |tag: u32| {
        let is_number = |&at: &usize| matches!(table.u32(at + 4), Some(2 | 4));
        let named = rows.clone().filter(|&at| table.u32(at) == Some(tag));
        named
            .filter(is_number)
            .filter_map(|at| table.u32(at + 12))
            .max()
    };
    side(WIDTH).zip(side(HEIGHT))
}

/// The table of a file by one of its makers, and where its rows of 16 bytes stand: tag, kind, length and
/// value or place.
fn own_table<'a>(
    directory: &Directory<'a>,
) -> Option<(Reader<'a>, impl Iterator<Item = usize> + Clone + use<>)> {
    let file = directory.reader;
    let maker = directory.entries().find(|entry| entry.tag == MAKER)?;
    let maker = file.bytes.get(maker.place(file)?..)?;
    if !MAKERS_OF_TABLES.iter().any(|name| maker.starts_with(name)) {
        return None;
    }
    let table = Reader::of(file.bytes, true);
    let start = TABLE_ORIGIN.checked_add(table.u32(TABLE_ORIGIN + 8)? as usize)?;
    let count = table.u32(start)? as usize;
    Some((table, (0..count).map(move |nth| start + 8 + 16 * nth)))
}

/// The directory that a maker's private directory hides, deciphered; `None` where there is none or its
/// place is beyond the file, where the decoder stops by itself.
///
/// `holder` names the private directory. The decoder takes all of it for little-endian.
pub(super) fn encrypted_directory(holder: &Directory<'_>) -> Option<Vec<u8>> {
    let file = Reader::of(holder.reader.bytes, true);
    let pointer = holder.entries().find(|entry| entry.tag == PRIVATE)?;
    let private = file.directory(file.u32(pointer.place(holder.reader)?)? as usize)?;
    let value = |tag: u16| {
        let names = |entry: &Entry| entry.tag == tag;
        let place = private.entries().find(names)?.place(file)?;
        file.u32(place)
    };
    let (place, length) = (value(ENCRYPTED_PLACE)?, value(ENCRYPTED_LENGTH)?);
    let length = (length as usize).min(LONGEST_DIRECTORY);
    let end = (place as usize).checked_add(length)?.min(file.bytes.len());
    let bytes = file.bytes.get(place as usize..end)?;
    Some(deciphered(bytes, value(ENCRYPTED_KEY)?))
}

/// Whole words under a stream of 32-bit words that follows from a key; what is left over is dropped.
///
/// Enciphering is the same. No source but the decoder: its own copy of the stream has to agree.
fn deciphered(bytes: &[u8], key: u32) -> Vec<u8> {
    let mut stream = [0u32; 128];
    let mut word = key;
    for place in &mut stream[..4] {
        word = word.wrapping_mul(48_828_125).wrapping_add(1);
        *place = word;
    }
    stream[3] = stream[3] << 1 | (stream[0] ^ stream[2]) >> 31;
    for at in 4..127 {
        let (far, near) = (
            stream[at - 4] ^ stream[at - 2],
            stream[at - 3] ^ stream[at - 1],
        );
        stream[at] = far << 1 | near >> 31;
    }
    for place in &mut stream[..127] {
        *place = place.swap_bytes();
    }
    let word_of = |(nth, four): (usize, &[u8])| {
        let at = nth + 127;
        stream[at & 127] = stream[(at + 1) & 127] ^ stream[(at + 65) & 127];
        let word = four
            .iter()
            .rev()
            .fold(0, |word, &byte| word << 8 | u32::from(byte));
        (word ^ stream[at & 127]).to_le_bytes()
    };
    bytes
        .chunks_exact(4)
        .enumerate()
        .flat_map(word_of)
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn entry(tag: u16, kind: u16, count: u32, value: u32) -> Vec<u8> {
        let head = [tag.to_le_bytes(), kind.to_le_bytes()].concat();
        [
            head,
            count.to_le_bytes().to_vec(),
            value.to_le_bytes().to_vec(),
        ]
        .concat()
    }

    /// A file whose directory at 40 names a maker at 100; its table stands at 60.
    fn with_table(maker: &[u8], table: &[u32]) -> Vec<u8> {
        let mut bytes = vec![0; 120];
        bytes[16..20].copy_from_slice(&52u32.to_le_bytes());
        bytes[40..42].copy_from_slice(&1u16.to_le_bytes());
        bytes[42..54].copy_from_slice(&entry(MAKER, 2, maker.len() as u32, 100));
        let table: Vec<u8> = table.iter().flat_map(|word| word.to_le_bytes()).collect();
        bytes[60..60 + table.len()].copy_from_slice(&table);
        bytes[100..100 + maker.len()].copy_from_slice(maker);
        bytes
    }

    fn claim(bytes: &[u8]) -> Option<String> {
        let directory = Reader::of(bytes, true).directory(40).expect("a directory");
        claim_of_own_table(&directory, 1000)
    }

    #[test]
    fn a_table_of_absurd_length_or_with_absurd_entries_is_found() {
        let maker = b"Phase One A/S\0";
        assert_eq!(claim(&with_table(maker, &[1, 0, 7, 1, 12, 90])), None);
        assert_eq!(
            claim(&with_table(maker, &[0x3fff_ffff, 0])).as_deref(),
            Some("a table claims 1073741823 entries")
        );
        let long = [1, 0, 7, 1, 4_000_000_000, 90];
        assert_eq!(
            claim(&with_table(maker, &long)).as_deref(),
            Some("an entry of a table claims 4000000000 bytes")
        );
        // Nothing is read for it, or by another maker's decoder.
        let place = [1, 0, CALIBRATION, 1, 4_000_000_000, 90];
        assert_eq!(claim(&with_table(maker, &place)), None);
        assert_eq!(claim(&with_table(b"Quillon\0", &long)), None);
        // Each of three is short enough, and all of them are the same.
        let row = [7, 1, 900, 30];
        let again = [&[3, 0][..], &row, &row, &row].concat();
        let over_and_over = Some("entries of a table claim the same bytes over and over");
        assert_eq!(claim(&long_enough(maker, &again)).as_deref(), over_and_over);
    }

    /// With a longer table, and as much behind it.
    fn long_enough(maker: &[u8], table: &[u32]) -> Vec<u8> {
        let mut bytes = with_table(maker, &[]);
        bytes[16..20].copy_from_slice(&192u32.to_le_bytes());
        bytes.resize(200, 0);
        bytes.extend(table.iter().flat_map(|word| word.to_le_bytes()));
        bytes.resize(1200, 0);
        bytes
    }

    #[test]
    fn the_sides_and_the_calibration_of_a_table_are_found() {
        let maker = b"Leaf\0";
        let sides = |bytes: &[u8]| {
            let directory = Reader::of(bytes, true).directory(40).expect("a directory");
            sides_of_own_table(&directory)
        };
        let rows = |width: u32, kind: u32| {
            [
                &[3, 0][..],
                &[WIDTH, kind, 4, width],
                &[HEIGHT, 2, 4, 60],
                &[WIDTH, 4, 4, 80],
            ]
            .concat()
        };
        assert_eq!(sides(&long_enough(maker, &rows(90, 4))), Some((90, 60)));
        // Words stand elsewhere; what stands here is their place.
        assert_eq!(sides(&long_enough(maker, &rows(90, 1))), Some((80, 60)));
        // Calibration at 308 with three entries of 700 bytes at 400.
        let mut bytes = long_enough(maker, &[1, 0, CALIBRATION, 1, 50, 300]);
        assert_eq!(claim(&bytes), None);
        let entry: [u32; 3] = [0x401, 700, 92];
        let calibration = [&[0, 0, 12, 3, 0][..], &entry, &entry, &entry].concat();
        let calibration: Vec<u8> = calibration
            .iter()
            .flat_map(|word| word.to_le_bytes())
            .collect();
        bytes[308..308 + calibration.len()].copy_from_slice(&calibration);
        assert!(claim(&bytes).is_some_and(|what| what.contains("over and over")));
    }

    #[test]
    fn an_encrypted_directory_is_deciphered_where_the_private_one_names_it() {
        let plain: Vec<u8> = (0..24).collect();
        let mut bytes = vec![0; 60];
        bytes[40..42].copy_from_slice(&1u16.to_le_bytes());
        bytes[42..54].copy_from_slice(&entry(PRIVATE, 4, 1, 0));
        bytes[..2].copy_from_slice(&3u16.to_le_bytes());
        let entries = [
            entry(ENCRYPTED_PLACE, 4, 1, 60),
            entry(ENCRYPTED_LENGTH, 4, 1, 24),
            entry(ENCRYPTED_KEY, 7, 4, 0x1234_5678),
        ];
        bytes[2..38].copy_from_slice(&entries.concat());
        bytes.extend(deciphered(&plain, 0x1234_5678));
        assert_ne!(bytes[60..], plain[..]);
        let found = |bytes: &[u8]| {
            let holder = Reader::of(bytes, true).directory(40).expect("a directory");
            encrypted_directory(&holder)
        };
        assert_eq!(found(&bytes), Some(plain));
        // Named beyond the end of the file.
        bytes[10..14].copy_from_slice(&1000u32.to_le_bytes());
        assert_eq!(found(&bytes), None);
    }
}
