//! Allowed ranges of a scenario's values, and the message about a value outside.

use crate::error::{Error, ErrorKind};

/// A value that may not stand: `BadSetting`.
pub fn refuse(text: String) -> Error {
    Error::new(ErrorKind::BadSetting, text)
}

/// Refuses the first row (key, value, lowest, highest) whose value is out of range; NaN is out of range.
pub fn all_within(prefix: &str, rows: &[(&str, f64, f64, f64)]) -> Result<(), Error> {
    let outside = rows
        .iter()
        .find(|(_, value, low, high)| !(*low..=*high).contains(value));
    outside.map_or(Ok(()), |(key, value, low, high)| {
        Err(refuse(format!(
            "{prefix}{key} = {value} is out of range; allowed is {low} to {high}"
        )))
    })
}

/// True for names that are safe as parts of a path.
pub fn is_file_name(text: &str) -> bool {
    let safe = |c: char| c.is_ascii_alphanumeric() || c == '-' || c == '_';
    !text.is_empty() && text.chars().all(safe)
}
