//! One entry's bytes: a first line, a checksum, the measures.

use super::codec::{Stored, stored_fields};
use super::{ContentKey, Measures};

/// Says to people what the file is.
const FIRST_LINE: &[u8] = b"stillpoint: measures of a frame, safe to delete\n";
/// Bytes of the checksum.
const SUM_BYTES: usize = blake3::OUT_LEN;

stored_fields! {
    Measures { pixels, field, stacked }
}

/// The bytes of an entry.
pub(super) fn write(key: &ContentKey, measures: &Measures) -> Vec<u8> {
    let mut body = Vec::new();
    measures.put(&mut body);
    let sum = checksum(key, &body);
    [FIRST_LINE, sum.as_bytes(), body.as_slice()].concat()
}

/// The measures of an entry's bytes; `None` where they are damaged or another content's.
pub(super) fn read(key: &ContentKey, bytes: &[u8]) -> Option<Measures> {
    let rest = bytes.strip_prefix(FIRST_LINE)?;
    let (sum, mut body) = rest.split_first_chunk::<SUM_BYTES>()?;
    if checksum(key, body) != *sum {
        return None;
    }
    let measures = Measures::take(&mut body)?;
    body.is_empty().then_some(measures)
}

fn checksum(key: &ContentKey, body: &[u8]) -> blake3::Hash {
    blake3::keyed_hash(key.0.as_bytes(), body)
}

#[cfg(test)]
mod tests {
    use super::super::tests::{key, measures};
    use super::*;

    #[test]
    fn every_flipped_bit_and_every_cut_is_seen() {
        let (key, kept) = (key(b"a"), measures(0.5));
        let whole = write(&key, &kept);
        assert_eq!(read(&key, &whole), Some(kept));
        for at in 0..whole.len() {
            let mut flipped = whole.clone();
            flipped[at] ^= 1 << (at % 8);
            assert_eq!(read(&key, &flipped), None, "byte {at}");
            assert_eq!(read(&key, &whole[..at]), None, "cut at {at}");
        }
        let longer = [whole.as_slice(), b"x"].concat();
        assert_eq!(read(&key, &longer), None);
    }
}
