//! Marks on a wall as people write them: on the command line, and in a table.

use std::path::Path;

use crate::beam::WallPoint;
use crate::error::{Error, ErrorKind};
use crate::report::beam::LengthUnit;
use crate::units::Length;

use super::refuse::{Wanted, printable};

const MARK: Wanted = Wanted {
    flag: "--mark",
    allowed: "how far right and how far up a mark is, from any origin, with a comma between them",
    example: "--mark 12,30 --mark 52,31 --mark 33,-9",
};
const MARKS: Wanted = Wanted {
    flag: "--marks",
    allowed: "a file with a line a mark: how far right, how far up, with a comma between them",
    example: "--marks marks.csv",
};
/// A wall is no wider than this, millimetres; more is a wrong unit.
const FARTHEST: f64 = 20_000.0;
/// A table of marks is no longer than this, bytes.
const LONGEST_TABLE: u64 = 1 << 20;

/// One mark: `12,30`, `12;30`, `12 30`.
///
/// # Errors
/// When it is not two lengths on a wall.
pub fn read_mark(text: &str, unit: LengthUnit) -> Result<WallPoint, Error> {
    two_lengths(text, unit).map_err(|reason| MARK.refuse(text, reason))
}

/// A table of marks; empty lines, lines that start with `#` and one line of column names are passed over.
///
/// # Errors
/// When it cannot be read, or a line is no mark: with file and line.
pub fn read_marks_file(path: &Path, unit: LengthUnit) -> Result<Vec<WallPoint>, Error> {
    let name = printable(&path.display().to_string());
    let unreadable = |reason: String| {
        Error::new(ErrorKind::Io, format!("{name}: {reason}"))
            .with_hint(format!("for example: {}", MARKS.example))
    };
    let size = std::fs::metadata(path).map_err(|error| unreadable(error.to_string()))?;
    if size.len() > LONGEST_TABLE {
        return Err(unreadable("too large for a table of marks".to_owned()));
    }
    let bytes = std::fs::read(path).map_err(|error| unreadable(error.to_string()))?;
    let text = String::from_utf8_lossy(&bytes);
    let mut marks = Vec::new();
    let mut may_be_names = true;
    for (nth, line) in text.trim_start_matches('\u{feff}').lines().enumerate() {
        let line = line.trim();
        if line.is_empty() || line.starts_with('#') {
            continue;
        }
        let is_names = may_be_names && !line.contains(|letter: char| letter.is_ascii_digit());
        may_be_names = false;
        if is_names {
            continue;
        }
        let mark = two_lengths(line, unit).map_err(|reason| {
            Error::new(
                ErrorKind::BadFile,
                format!(
                    "{name}, line {}: \"{}\": {reason}",
                    nth + 1,
                    printable(line)
                ),
            )
            .with_hint("a line a mark: how far right, how far up, as in 12.5,-30")
        })?;
        marks.push(mark);
    }
    Ok(marks)
}

fn two_lengths(text: &str, unit: LengthUnit) -> Result<WallPoint, String> {
    let parts: Vec<&str> = if text.contains([',', ';', '\t']) {
        text.split([',', ';', '\t']).map(str::trim).collect()
    } else {
        text.split_whitespace().collect()
    };
    let [right, up] = parts.as_slice() else {
        return Err(format!(
            "two numbers are needed, found {} (decimals take a point)",
            parts.iter().filter(|part| !part.is_empty()).count()
        ));
    };
    let length = |text: &str| {
        let value = text.trim_end_matches(unit.name()).trim().parse::<f64>();
        let value = value.map_err(|_| format!("\"{}\" is no number", printable(text)))?;
        let length = unit.length() * value;
        // Comparisons are written so that NaN is refused too.
        if length.mm().abs() <= FARTHEST {
            Ok(length)
        } else {
            Err(format!("no wall is that wide: {text} {}", unit.name()))
        }
    };
    Ok(WallPoint {
        right: length(right)?,
        up: length(up)?,
    })
}

/// A length with its unit: `5m`, `480cm`, `5000mm`, `16ft`, `190in`; a bare number is in `bare`.
pub fn read_length(text: &str, bare: Length) -> Option<Length> {
    const UNITS: [(&str, f64); 5] = [
        ("mm", 1.0),
        ("cm", 10.0),
        ("ft", 304.8),
        ("in", 25.4),
        ("m", 1000.0),
    ];
    let text = text.trim();
    let with_unit = UNITS.iter().find_map(|(unit, mm)| {
        let number = text.strip_suffix(unit)?;
        Some((number, Length::from_mm(*mm)))
    });
    let (number, unit) = with_unit.unwrap_or((text, bare));
    let value = number.trim().parse::<f64>().ok()?;
    value.is_finite().then(|| unit * value)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn marks_in_many_spellings() {
        for text in [
            "12.5,-30",
            "12.5; -30",
            "12.5 -30",
            " 12.5 ,-30mm",
            "12.5\t-30",
        ] {
            let mark = read_mark(text, LengthUnit::Millimetre).unwrap();
            assert_eq!(mark, WallPoint::from_mm(12.5, -30.0), "{text}");
        }
        let inches = read_mark("1,2", LengthUnit::Inch).unwrap();
        assert!((inches.up.mm() - 50.8).abs() < 1e-9);
    }

    #[test]
    fn what_is_no_mark_says_why() {
        for (text, reason) in [
            ("12", "two numbers are needed, found 1"),
            ("12,5,30,1", "found 4"),
            ("12,up", "\"up\" is no number"),
            ("nan,1", "no wall is that wide"),
            ("1e9,1", "no wall is that wide"),
        ] {
            let error = read_mark(text, LengthUnit::Millimetre).unwrap_err();
            assert!(error.context.contains(reason), "{text}: {}", error.context);
        }
    }

    #[test]
    fn a_table_may_have_names_remarks_and_gaps() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("marks.csv");
        std::fs::write(
            &path,
            "\u{feff}right_mm,up_mm\n# first turn\n1,2\n\n3;4\r\n",
        )
        .unwrap();
        let marks = read_marks_file(&path, LengthUnit::Millimetre).unwrap();
        assert_eq!(
            marks,
            [WallPoint::from_mm(1.0, 2.0), WallPoint::from_mm(3.0, 4.0)]
        );
    }

    #[test]
    fn a_bad_line_is_named_with_its_number() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("marks.csv");
        std::fs::write(&path, "right,up\n1,2\n3\n").unwrap();
        let error = read_marks_file(&path, LengthUnit::Millimetre).unwrap_err();
        assert!(
            error.context.contains("marks.csv, line 3: \"3\""),
            "{error}"
        );
        let missing = read_marks_file(&folder.path().join("none"), LengthUnit::Inch);
        assert_eq!(missing.unwrap_err().kind, ErrorKind::Io);
    }

    #[test]
    fn lengths_carry_their_unit() {
        let metre = Length::from_mm(1000.0);
        for (text, mm) in [
            ("5", 5000.0),
            ("5m", 5000.0),
            ("480 cm", 4800.0),
            ("10in", 254.0),
            ("10ft", 3048.0),
        ] {
            assert!(
                (read_length(text, metre).unwrap().mm() - mm).abs() < 1e-9,
                "{text}"
            );
        }
        assert!(read_length("five", metre).is_none() && read_length("inf", metre).is_none());
    }
}
