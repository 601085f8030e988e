//! The order in which a person lists files: img2 before img10, capitals alike.

use std::cmp::Ordering;
use std::path::Path;

/// A stretch of a name; numbers come before text.
#[derive(Debug, PartialEq, Eq, PartialOrd, Ord)]
enum Piece {
    /// Number of digits without leading zeros, then the digits: compares by value at any length.
    Number(usize, String),
    /// Small letters.
    Text(String),
}

/// Compares paths part by part in natural order; exact spelling breaks ties.
pub(super) fn natural_order(a: &Path, b: &Path) -> Ordering {
    pieces_of_path(a)
        .cmp(&pieces_of_path(b))
        .then_with(|| a.cmp(b))
}

fn pieces_of_path(path: &Path) -> Vec<Vec<Piece>> {
    path.components()
        .map(|part| pieces(&part.as_os_str().to_string_lossy()))
        .collect()
}

fn pieces(name: &str) -> Vec<Piece> {
    let lower = name.to_lowercase();
    let mut rest = lower.as_str();
    let mut found = Vec::new();
    while let Some(first) = rest.chars().next() {
        let numeric = first.is_ascii_digit();
        let length = rest
            .find(|c: char| c.is_ascii_digit() != numeric)
            .unwrap_or(rest.len());
        let (piece, tail) = rest.split_at(length);
        found.push(if numeric {
            let digits = piece.trim_start_matches('0');
            Piece::Number(digits.len(), digits.to_string())
        } else {
            Piece::Text(piece.to_string())
        });
        rest = tail;
    }
    found
}

#[cfg(test)]
mod tests {
    use super::*;

    fn sorted(names: &[&str]) -> Vec<String> {
        let mut sorted: Vec<String> = names.iter().map(|name| name.to_string()).collect();
        sorted.sort_by(|a, b| natural_order(Path::new(a), Path::new(b)));
        sorted
    }

    #[test]
    fn numbers_count_by_value_and_capitals_do_not_count() {
        let names = ["img10.jpg", "IMG2.jpg", "img001.jpg", "a.jpg"];
        assert_eq!(
            sorted(&names),
            ["a.jpg", "img001.jpg", "IMG2.jpg", "img10.jpg"]
        );
    }

    #[test]
    fn long_numbers_do_not_overflow() {
        let names = [
            "x99999999999999999999999999.jpg",
            "x9.jpg",
            "x100000000000000000000000000.jpg",
        ];
        assert_eq!(sorted(&names)[0], "x9.jpg");
        assert_eq!(sorted(&names)[2], "x100000000000000000000000000.jpg");
    }

    #[test]
    fn a_folder_s_files_stay_together() {
        assert_eq!(sorted(&["2/a", "10/a", "2/b"]), ["2/a", "2/b", "10/a"]);
    }
}
