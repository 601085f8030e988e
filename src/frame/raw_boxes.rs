//! The boxes of RAW files that are made of them, looked at before the decoder, which goes wherever a box's
//! length leads and takes memory for as much as tables, records and the picture's size claim.
//!
//! Source: ISO/IEC 14496-12 (boxes, tables of samples); for all that is the maker's own, the reading
//! order of the crate `rawler` 0.8 (`formats/bmff`, `decoders/cr3.rs`, `decompressors/crx`).

use super::directories::Reader;
use super::raw_claims::{Budget, check_first, check_tiff, claim};
use super::raw_sizes::check_picture;
use crate::error::Error;

/// No camera writes more boxes into a file.
const MOST_BOXES: usize = 500;
/// What a file that is made of boxes begins with.
const FIRST: [&[u8]; 6] = [b"ftyp", b"free", b"skip", b"moov", b"mdat", b"uuid"];
/// The file itself, as what is around a box.
const FILE: &[u8] = b"";
/// The number, in place of a name, of the box of the maker's own directories.
const OWN: &[u8] = b"\x85\xc0\xb6\x87\x82\x0f\x11\xe0\x81\x11\xf4\xce\x46\x2b\x6a\x48";
/// Where the decoder looks for boxes: what is around a box, its name, and the bytes between its head and
/// the first box in it.
const HOLDERS: [(&[u8], &[u8], usize); 10] = [
    (FILE, b"moov", 0),
    (b"moov", b"trak", 0),
    (b"trak", b"mdia", 0),
    (b"mdia", b"minf", 0),
    (b"minf", b"stbl", 0),
    (b"stbl", b"stsd", 8),
    (b"stsd", b"CRAW", 82),
    (b"CRAW", b"CDI1", 4),
    (b"moov", OWN, 0),
    (OWN, b"CCTP", 12),
];

/// Kinds of records that hold blocks, and the blocks of them that are directories.
const KINDS_WITH_BLOCKS: std::ops::RangeInclusive<u16> = 7..=12;
const DIRECTORY_BLOCKS: [u16; 2] = [0x8769, 0x927C];

/// Values of a picture are coded in as many planes: one for each site of the mosaic's period.
const N_PLANES: usize = 4;

/// Refuses boxes, tables, records and pictures that claim what no file of this length can keep.
///
/// # Errors
/// `BadFile` with what was claimed; as [`check_picture`] for the picture.
pub(super) fn check_boxes(bytes: &[u8]) -> Result<(), Error> {
    if !bytes.get(4..8).is_some_and(|name| FIRST.contains(&name)) {
        return Ok(());
    }
    let mut walk = Walk {
        reader: Reader::of(bytes, false),
        n_left: MOST_BOXES,
        rows_left: bytes.len() as u64,
        budget: Budget::of(bytes),
        track: Track::default(),
    };
    walk.through(FILE, 0, bytes.len() as u64)
}

/// One box, as the decoder reads its head.
struct Found<'a> {
    /// Its name, or its number where it has one.
    name: &'a [u8],
    body: usize,
    /// Where it claims to end.
    end: u64,
}

/// What the boxes of one track say, each the place of its body; of several alike the last counts.
#[derive(Debug, Clone, Copy, Default)]
struct Track {
    picture: Option<usize>,
    holds_records: bool,
    chunks: Option<usize>,
    sizes: Option<usize>,
    offsets: Option<usize>,
}

/// The way of the decoder through the boxes.
struct Walk<'a> {
    reader: Reader<'a>,
    n_left: usize,
    /// Bytes for rows of tables that no table has claimed yet.
    rows_left: u64,
    budget: Budget,
    track: Track,
}

impl<'a> Walk<'a> {
    fn through(&mut self, holder: &[u8], start: usize, end: u64) -> Result<(), Error> {
        let whole = self.reader.bytes.len() as u64;
        let mut at = start;
        while (at as u64) < end {
            let Some(found) = self.box_at(at)? else {
                break;
            };
            self.n_left = self
                .n_left
                .checked_sub(1)
                .ok_or_else(|| claim("too many boxes"))?;
            // The pixels' box of a file that is cut short is the pixels' own matter.
            if holder != FILE && found.end > whole {
                let length = found.end - at as u64;
                return Err(claim(&format!("a box claims {length} bytes")));
            }
            self.check(holder, &found)?;
            let within = HOLDERS
                .iter()
                .find(|(around, name, _)| *around == holder && *name == found.name);
            if let Some((_, _, skip)) = within {
                self.through(found.name, found.body + skip, found.end)?;
            }
            if holder == b"moov" && found.name == b"trak" {
                self.check_track()?;
            }
            // The decoder does not step over a numbered box that it does not know.
            let steps_in = holder == b"moov" && found.name.len() == OWN.len() && within.is_none();
            at = match steps_in {
                true => found.body,
                false => found.end.min(whole) as usize,
            };
        }
        Ok(())
    }

    /// `None` where the file ends within the head, at which the decoder stops.
    fn box_at(&self, at: usize) -> Result<Option<Found<'a>>, Error> {
        let (reader, name) = (self.reader, self.reader.bytes.get(at + 4..at + 8));
        let (Some(size), Some(name)) = (reader.u32(at), name) else {
            return Ok(None);
        };
        let (head, size) = match size {
            1 => match reader.u64(at + 8) {
                Some(size) => (16, size),
                None => return Ok(None),
            },
            size => (8, u64::from(size)),
        };
        if size < head {
            return Err(claim("a box that is shorter than its own head"));
        }
        let too_long = || claim(&format!("a box claims {size} bytes"));
        let end = (at as u64).checked_add(size).ok_or_else(too_long)?;
        let body = at + head as usize;
        if name != b"uuid" {
            return Ok(Some(Found { name, body, end }));
        }
        let past = body + OWN.len();
        let number = reader.bytes.get(body..past);
        Ok(number.map(|name| Found {
            name,
            body: past,
            end,
        }))
    }

    /// What a box without boxes claims; notes it for its track.
    fn check(&mut self, holder: &[u8], found: &Found<'_>) -> Result<(), Error> {
        let (reader, body) = (self.reader, found.body);
        match (holder, found.name) {
            (OWN, b"CMT1" | b"CMT2" | b"CMT3" | b"CMT4") => {
                let tiff = reader.bytes.get(body..found.end as usize);
                check_tiff(tiff.unwrap_or_default(), &mut self.budget)
            }
            (b"CRAW", b"CMP1") => {
                self.track.picture = Some(body);
                match reader.u32(body + 8).zip(reader.u32(body + 12)) {
                    Some((width, height)) => check_picture(width, height),
                    None => Ok(()),
                }
            }
            (b"stsd", b"CTMD") => {
                self.track.holds_records = true;
                self.take_rows(body + 8, 8)
            }
            (b"stbl", b"stts") => self.take_rows(body + 4, 8),
            (b"stbl", b"co64") => {
                self.track.offsets = Some(body);
                self.take_rows(body + 4, 8)
            }
            (b"stbl", b"stsz") => {
                self.track.sizes = Some(body);
                // Samples of one size have no rows, but as many bytes in the file.
                let size = reader.u32(body + 4).filter(|&size| size > 0);
                self.take_rows(body + 8, size.map_or(4, |size| size.min(4)))
            }
            (b"stbl", b"stsc") => {
                self.track.chunks = Some(body);
                self.take_rows(body + 4, 12)?;
                check_order(reader, body)
            }
            _ => Ok(()),
        }
    }

    /// Refuses a table of more rows than the file has bytes for, the other tables' rows left out.
    fn take_rows(&mut self, count_at: usize, row_bytes: u32) -> Result<(), Error> {
        let count = self.reader.u32(count_at).unwrap_or(0);
        let length = u64::from(count) * u64::from(row_bytes);
        let left = self.rows_left.checked_sub(length);
        self.rows_left = left.ok_or_else(|| claim(&format!("a table claims {count} rows")))?;
        Ok(())
    }

    /// What the first sample of the track that ends here claims: the decoder reads no other.
    fn check_track(&mut self) -> Result<(), Error> {
        let track = std::mem::take(&mut self.track);
        let Some(sample) = track.first_sample(self.reader) else {
            return Ok(());
        };
        if track.holds_records {
            check_records(sample, &mut self.budget)?;
        }
        match track.picture {
            Some(picture) => check_tiles(self.reader, picture, sample),
            None => Ok(()),
        }
    }
}

impl Track {
    /// `None` where the decoder does not find it either.
    fn first_sample<'a>(&self, reader: Reader<'a>) -> Option<&'a [u8]> {
        let first_chunk = reader.u32(self.chunks? + 8)?.checked_sub(1)? as usize;
        let start = reader.u64(self.offsets? + 8 + 8 * first_chunk)?;
        let sizes = self.sizes?;
        let size = match reader.u32(sizes + 4)? {
            0 => reader.u32(sizes + 12)?,
            size => size,
        };
        let start = usize::try_from(start).ok()?;
        reader.bytes.get(start..start.checked_add(size as usize)?)
    }
}

/// Refuses a table whose rows do not rise in the samples with which they begin: the decoder looks for
/// the first sample by halving the table, and comes upon any row in one that is out of order.
fn check_order(reader: Reader<'_>, body: usize) -> Result<(), Error> {
    let row = |nth: usize| {
        let at = body + 8 + 12 * nth;
        reader.u32(at).zip(reader.u32(at + 4))
    };
    let count = reader.u32(body + 4).unwrap_or(0) as usize;
    let (mut sample, mut per_chunk) = (1u32, row(0).map_or(0, |(_, per_chunk)| per_chunk));
    for (chunk, next_per_chunk) in (1..count).map_while(row) {
        let n_chunks = chunk.checked_sub(sample);
        let n_samples = n_chunks.and_then(|n_chunks| n_chunks.checked_mul(per_chunk));
        let next = n_samples.and_then(|n_samples| sample.checked_add(n_samples));
        sample = next
            .filter(|&next| next > sample)
            .ok_or_else(|| claim("the rows of a table are out of order"))?;
        per_chunk = next_per_chunk;
    }
    Ok(())
}

/// Records of a length, a kind and six bytes; some hold blocks of a length, a tag and two bytes.
fn check_records(sample: &[u8], budget: &mut Budget) -> Result<(), Error> {
    let mut rest = sample;
    while rest.len() >= 12 {
        let reader = Reader::of(rest, true);
        let (size, kind) = (reader.u32(0).unwrap_or(0), reader.u16(4).unwrap_or(0));
        let Some(payload) = rest.get(12..size as usize) else {
            return Err(claim(&format!("a record claims {size} bytes")));
        };
        if KINDS_WITH_BLOCKS.contains(&kind) {
            check_blocks(payload, budget)?;
        }
        rest = &rest[size as usize..];
    }
    Ok(())
}

fn check_blocks(payload: &[u8], budget: &mut Budget) -> Result<(), Error> {
    let mut rest = payload;
    while rest.len() >= 8 {
        let reader = Reader::of(rest, true);
        let (size, tag) = (reader.u32(0).unwrap_or(0), reader.u16(4).unwrap_or(0));
        // What is no block ends them.
        let Some(block) = rest.get(8..size as usize) else {
            break;
        };
        if DIRECTORY_BLOCKS.contains(&tag) {
            check_first(block, budget)?;
        }
        rest = &rest[size as usize..];
    }
    Ok(())
}

/// Refuses a picture whose data list other tiles and planes than its size needs: the decoder takes memory
/// for every one that is listed, and for a height that a tile claims.
fn check_tiles(reader: Reader<'_>, picture: usize, sample: &[u8]) -> Result<(), Error> {
    let number = |at: usize| reader.u32(picture + at);
    let sides = [number(8), number(12), number(16), number(20)];
    let (
        [
            Some(width),
            Some(height),
            Some(tile_width @ 1..),
            Some(tile_height @ 1..),
        ],
        Some(length),
    ) = (sides, number(28))
    else {
        return Ok(());
    };
    let Some(list) = sample.get(..length as usize) else {
        return Ok(());
    };
    let list = Reader::of(list, false);
    let (mut n_tiles, mut n_planes, mut at) = (0u64, 0, 0);
    while let Some(mark) = list.u16(at) {
        let tile = matches!(mark, 0xFF01 | 0xFF11);
        let plane = matches!(mark, 0xFF02 | 0xFF12);
        n_planes = if tile {
            0
        } else {
            n_planes + usize::from(plane)
        };
        n_tiles += u64::from(tile);
        if n_planes > N_PLANES {
            return Err(claim(&format!("a tile of more than {N_PLANES} planes")));
        }
        at += match mark {
            0xFF01 | 0xFF11 if list.u16(at + 2) == Some(16) => 20,
            0xFF01..=0xFF03 | 0xFF11 | 0xFF12 => 12,
            0xFF13 => 20,
            _ => break,
        };
    }
    let needed = u64::from(width.div_ceil(tile_width)) * u64::from(height.div_ceil(tile_height));
    if n_tiles != needed {
        let what = format!("{n_tiles} tiles are listed where {needed} were needed");
        return Err(claim(&what));
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;

    fn boxed(name: &[u8], parts: &[&[u8]]) -> Vec<u8> {
        let body = parts.concat();
        let size = (8 + body.len()) as u32;
        [&size.to_be_bytes(), name, &body].concat()
    }

    fn numbers(numbers: &[u32]) -> Vec<u8> {
        numbers.iter().flat_map(|n| n.to_be_bytes()).collect()
    }

    /// A file of one track: tables, a description, and a sample that begins with the file's `mdat`.
    fn file(stsc: &[u32], stsz: &[u32], described: &[u8], sample: &[u8]) -> Vec<u8> {
        let head = |at: u32| {
            let stsd = boxed(b"stsd", &[&[0; 8], described]);
            let tables = [
                stsd,
                boxed(b"stsc", &[&numbers(stsc)]),
                boxed(b"stsz", &[&numbers(stsz)]),
                boxed(b"co64", &[&numbers(&[0, 1, 0, at])]),
            ];
            let stbl = boxed(b"stbl", &[&tables.concat()]);
            let mdia = boxed(b"mdia", &[&boxed(b"minf", &[&stbl])]);
            let moov = boxed(b"moov", &[&boxed(b"trak", &[&mdia])]);
            [boxed(b"ftyp", &[b"crx \0\0\0\x01"]), moov].concat()
        };
        let at = head(0).len() as u32 + 8;
        [head(at), boxed(b"mdat", &[sample])].concat()
    }

    const ONE_ROW: [u32; 5] = [0, 1, 1, 1, 1];

    fn refusal(bytes: &[u8]) -> String {
        check_boxes(bytes).expect_err("refused").context
    }

    /// A description of pictures: 100 x 60 pixels in tiles, before whose data stand so many bytes.
    fn pictures(tile: (u32, u32), list_bytes: u32) -> Vec<u8> {
        let sides = numbers(&[0, 0, 100, 60, tile.0, tile.1, 0, list_bytes]);
        boxed(b"CRAW", &[&[0; 82], &boxed(b"CMP1", &[&sides])])
    }

    /// Marks of tiles, planes and bands with 10 bytes each.
    fn list(marks: &[u16]) -> Vec<u8> {
        let one = |mark: &u16| [&mark.to_be_bytes()[..], &[0; 10]].concat();
        marks.iter().flat_map(one).collect()
    }

    #[test]
    fn tables_have_to_keep_their_word_each_and_together() {
        let with = |count| file(&ONE_ROW, &[0, 0, count, 7], b"", b"");
        assert_eq!(check_boxes(&with(1)), Ok(()));
        assert!(refusal(&with(4_000_000_000)).contains("4000000000 rows"));
        // Each table for itself has room, all of them have not.
        let rows = with(0).len() as u32 / 4 - 2;
        assert!(refusal(&with(rows)).contains("rows"), "{rows}");
        // Samples of one size need no rows.
        let one_size = file(&ONE_ROW, &[0, 1, 100, 7], b"", b"");
        assert_eq!(check_boxes(&one_size), Ok(()));
    }

    #[test]
    fn rows_that_do_not_rise_are_found() {
        let with = |rows: &[u32]| file(&[&[0, 2], rows].concat(), &[0, 0, 1, 4], b"", &[0; 4]);
        assert_eq!(check_boxes(&with(&[1, 3, 1, 2, 1, 1])), Ok(()));
        for per_chunk in [0, u32::MAX] {
            let out_of_order = with(&[1, per_chunk, 1, 3, 1, 1]);
            assert!(refusal(&out_of_order).contains("out of order"));
        }
    }

    #[test]
    fn lengths_that_lead_nowhere_are_found_wherever_the_decoder_goes() {
        let ftyp = boxed(b"ftyp", &[b"crx "]);
        let endless = numbers(&[0, u32::from_be_bytes(*b"free")]);
        let after = |rest: Vec<u8>| [ftyp.clone(), rest].concat();
        let own = |inner: &[u8]| boxed(b"uuid", &[OWN, inner]);
        for inside in [
            boxed(b"CRAW", &[&[0; 82], &endless]),
            boxed(b"CRAW", &[&[0; 82], &boxed(b"CDI1", &[&[0; 4], &endless])]),
            endless.clone(),
        ] {
            assert!(refusal(&file(&ONE_ROW, &[0; 4], &inside, b"")).contains("its own head"));
        }
        for inside in [
            own(&endless),
            own(&boxed(b"CCTP", &[&[0; 12], &endless])),
            // Of an unknown number: the decoder takes its body for boxes that follow.
            boxed(b"uuid", &[&[7; 16], &endless]),
        ] {
            let bytes = after(boxed(b"moov", &[&inside]));
            assert!(refusal(&bytes).contains("its own head"), "{inside:?}");
        }
        // The body of a box that is stepped over is nobody's matter.
        assert_eq!(check_boxes(&after(boxed(b"mdat", &[&endless]))), Ok(()));
        assert_eq!(check_boxes(&after(boxed(b"trak", &[&endless]))), Ok(()));
        let wide = |size: u64| [&numbers(&[1])[..], b"free", &size.to_be_bytes()].concat();
        assert!(refusal(&after(wide(15))).contains("its own head"));
        assert!(refusal(&after(wide(u64::MAX - 7))).contains("claims 18446744073709551608"));
        // At the end of the file only what the decoder would read has to be there.
        assert_eq!(check_boxes(&after(wide(1 << 40))), Ok(()));
        let within = after(boxed(b"moov", &[&own(&wide(1 << 40))]));
        assert!(refusal(&within).contains("a box claims 1099511627776 bytes"));
    }

    #[test]
    fn directories_and_records_within_boxes_are_looked_into() {
        let absurd = b"II*\0\x08\0\0\0\x01\0\xbc\x02\x05\0\0\0\0\x30\0\0\0\0\0\0\0\0";
        let own = |name| boxed(b"uuid", &[OWN, &boxed(name, &[absurd])]);
        let with = |name| [boxed(b"ftyp", &[b"crx "]), boxed(b"moov", &[&own(name)])].concat();
        for name in [b"CMT1", b"CMT2", b"CMT3", b"CMT4"] {
            assert!(refusal(&with(name)).contains("an entry claims 805306368"));
        }
        assert_eq!(check_boxes(&with(b"CNOP")), Ok(()));
        let records = boxed(b"CTMD", &[&[0; 8], &numbers(&[0])]);
        let sampled =
            |sample: &[u8]| file(&ONE_ROW, &[0, 0, 1, sample.len() as u32], &records, sample);
        let little = |size: usize, kind: u16, rest: usize| {
            let head = [
                (size as u32).to_le_bytes().to_vec(),
                kind.to_le_bytes().to_vec(),
            ];
            [head.concat(), vec![0; rest]].concat()
        };
        let block = [little(8 + absurd.len(), 0x927C, 2), absurd.to_vec()].concat();
        let record = |kind| [little(12 + block.len(), kind, 6), block.clone()].concat();
        assert_eq!(check_boxes(&sampled(&record(6))), Ok(()));
        assert!(refusal(&sampled(&record(8))).contains("an entry claims"));
        assert!(
            refusal(&sampled(&little(4_000_000_000, 8, 6))).contains("a record claims 4000000000")
        );
        let many = boxed(b"CTMD", &[&[0; 8], &numbers(&[1 << 30])]);
        assert!(refusal(&file(&ONE_ROW, &[0; 4], &many, b"")).contains("rows"));
    }

    #[test]
    fn a_picture_needs_just_the_tiles_that_it_lists() {
        let (tile, plane, band) = (0xFF01, 0xFF02, 0xFF03);
        let planes = [plane, band].repeat(4);
        let two = [&[tile][..], &planes, &[tile], &planes].concat();
        let with = |side, marks: &[u16]| {
            let sample = list(marks);
            let length = sample.len() as u32;
            file(
                &ONE_ROW,
                &[0, 0, 1, length],
                &pictures(side, length),
                &sample,
            )
        };
        assert_eq!(check_boxes(&with((50, 60), &two)), Ok(()));
        assert!(refusal(&with((100, 60), &two)).contains("2 tiles are listed where 1 were needed"));
        assert!(refusal(&with((60, 1 << 31), &two[..9])).contains("1 tiles"));
        let five = [&two[..], &[plane]].concat();
        assert!(refusal(&with((50, 60), &five)).contains("more than 4 planes"));
        // The decoder stops at a tile without width by itself.
        assert_eq!(check_boxes(&with((0, 60), &two)), Ok(()));
    }

    #[test]
    fn a_picture_of_absurd_size_is_refused() {
        let mut bytes = file(&ONE_ROW, &[0; 4], &pictures((50, 60), 0), b"");
        let at = bytes.windows(4).position(|four| four == b"CMP1").unwrap();
        bytes[at + 12..at + 16].copy_from_slice(&300_000u32.to_be_bytes());
        assert!(refusal(&bytes).contains("300000 x 60 pixels, which is too large"));
    }
}
