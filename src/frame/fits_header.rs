//! The header of a FITS file: 80-character cards in blocks of 2880 bytes.
//!
//! Source: [FITS] 4.0 (2018), sections 3.1 (blocks), 4.1 and 4.2 (cards and values). Read here
//! and not by a crate, because damaged headers must end in a message and never in a panic.

use super::Format;
use super::decoded::damaged;
use crate::error::Error;

/// Bytes in a block.
pub(super) const BLOCK: usize = 2880;
const CARD: usize = 80;
/// Longer headers are damage.
const MAX_CARDS: usize = 36 * 1000;

/// The keywords of one header and where its data begin.
#[derive(Debug, Clone, PartialEq, Default)]
pub(super) struct Cards {
    values: Vec<(String, String)>,
    /// Byte in the file at which the data begin.
    pub(super) data_start: usize,
}

impl Cards {
    /// Reads the header that begins at a byte of the file.
    ///
    /// # Errors
    /// `BadFile` if there is no END card.
    pub(super) fn read(bytes: &[u8], start: usize) -> Result<Self, Error> {
        let mut values = Vec::new();
        for index in 0..MAX_CARDS {
            let at = start + index * CARD;
            let Some(card) = bytes.get(at..at + CARD) else {
                break;
            };
            let keyword = String::from_utf8_lossy(&card[..8]).trim_end().to_string();
            if keyword == "END" {
                let used = at + CARD - start;
                let data_start = start + used.div_ceil(BLOCK) * BLOCK;
                return Ok(Self { values, data_start });
            }
            if &card[8..10] == b"= " {
                values.push((keyword, value_of(&card[10..])));
            }
        }
        Err(damaged(Format::Fits, "the header has no END card"))
    }

    /// A text or the literal of another value; `None` where absent or blank.
    pub(super) fn text(&self, keyword: &str) -> Option<&str> {
        self.values
            .iter()
            .find(|(name, value)| name == keyword && !value.is_empty())
            .map(|(_, value)| value.as_str())
    }

    /// A finite number; FORTRAN's D exponents and numbers in quotes are read too.
    pub(super) fn number(&self, keyword: &str) -> Option<f64> {
        let literal = self.text(keyword)?.replace(['D', 'd'], "E");
        literal.parse().ok().filter(|v: &f64| v.is_finite())
    }

    /// The first of several keywords that holds a number.
    pub(super) fn first_number(&self, keywords: &[&str]) -> Option<f64> {
        keywords.iter().find_map(|keyword| self.number(keyword))
    }

    /// A whole number that is not negative.
    pub(super) fn whole(&self, keyword: &str) -> Option<u64> {
        let value = self.number(keyword)?;
        (value >= 0.0 && value.fract() == 0.0 && value < 1e15).then_some(value as u64)
    }

    /// A logical value; absent is false.
    pub(super) fn is_true(&self, keyword: &str) -> bool {
        self.text(keyword) == Some("T")
    }
}

/// The value of a card without its comment; two quotes within a text are one.
fn value_of(field: &[u8]) -> String {
    let field = String::from_utf8_lossy(field);
    let field = field.trim_start();
    let Some(quoted) = field.strip_prefix('\'') else {
        let literal = field.split('/').next().unwrap_or("");
        return literal.trim().to_string();
    };
    let mut text = String::new();
    let mut characters = quoted.chars().peekable();
    while let Some(character) = characters.next() {
        if character == '\'' {
            if characters.peek() != Some(&'\'') {
                break;
            }
            characters.next();
        }
        text.push(character);
    }
    text.trim().to_string()
}

/// A header of these cards, for tests.
#[cfg(test)]
pub(super) fn test_cards(lines: &[&str]) -> Cards {
    let mut bytes: Vec<u8> = lines
        .iter()
        .chain(&["END"])
        .flat_map(|card| format!("{card:<80}").into_bytes())
        .collect();
    bytes.resize(BLOCK, b' ');
    Cards::read(&bytes, 0).unwrap()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn block(cards: &[&str]) -> Vec<u8> {
        let mut bytes: Vec<u8> = cards
            .iter()
            .flat_map(|card| format!("{card:<80}").into_bytes())
            .collect();
        bytes.resize(bytes.len().div_ceil(BLOCK) * BLOCK, b' ');
        bytes
    }

    #[test]
    fn values_of_all_kinds_are_read() {
        let bytes = block(&[
            "SIMPLE  =                    T / conforms",
            "NAXIS1  =                 2400",
            "EXPTIME =              1.5D+02 / s",
            "OBSERVER= 'O''Neil / her'      / a name",
            "SITELAT = '-21.5   '",
            "EMPTY   =",
            "COMMENT = no value",
            "END",
        ]);
        let cards = Cards::read(&bytes, 0).unwrap();
        assert!(cards.is_true("SIMPLE"));
        assert_eq!(cards.whole("NAXIS1"), Some(2400));
        assert_eq!(cards.number("EXPTIME"), Some(150.0));
        assert_eq!(cards.text("OBSERVER"), Some("O'Neil / her"));
        assert_eq!(cards.first_number(&["NONE", "SITELAT"]), Some(-21.5));
        assert_eq!(cards.text("EMPTY"), None);
        assert_eq!(cards.data_start, BLOCK);
    }

    #[test]
    fn a_header_without_end_is_damage() {
        let error = Cards::read(&block(&["SIMPLE  =                    T"]), 0).unwrap_err();
        assert!(error.context.contains("no END card"));
        assert!(Cards::read(&[0xFF; 200], 0).is_err());
    }
}
