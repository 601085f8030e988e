//! How a bad option value is refused: flag, value, what is allowed, an example, near misses.

use crate::error::{Error, ErrorKind};

/// What an option wants, for the message when it gets something else.
#[derive(Debug, Clone, Copy)]
pub struct Wanted {
    /// The flag as typed, `--site`.
    pub flag: &'static str,
    /// What it takes, with units and limits.
    pub allowed: &'static str,
    /// A value that works, with the flag.
    pub example: &'static str,
}

impl Wanted {
    /// The refusal of a command that lacks the option.
    pub fn missing(&self, reason: impl AsRef<str>) -> Error {
        Error::new(
            ErrorKind::BadSetting,
            format!(
                "{} is missing: {}; it takes {}",
                self.flag,
                reason.as_ref(),
                self.allowed
            ),
        )
        .with_hint(format!("for example: {}", self.example))
    }

    /// The refusal of a value, with a reason of its own.
    pub fn refuse(&self, value: &str, reason: impl AsRef<str>) -> Error {
        let reason = reason.as_ref();
        let swallowed = value.starts_with("--");
        let context = if swallowed {
            format!(
                "{} has no value (the next word is the option {value})",
                self.flag
            )
        } else {
            format!("{} \"{}\": {reason}", self.flag, printable(value))
        };
        Error::new(
            ErrorKind::BadSetting,
            format!("{context}; it takes {}", self.allowed),
        )
        .with_hint(format!("for example: {}", self.example))
    }
}

/// The allowed word nearest to a mistyped one, if any is near.
///
/// Near: at most a third of the letters need changing (edit distance with transpositions).
pub fn nearest<'a>(typed: &str, allowed: impl IntoIterator<Item = &'a str>) -> Option<&'a str> {
    let typed = typed.to_lowercase();
    allowed
        .into_iter()
        .map(|word| {
            (
                strsim::damerau_levenshtein(&typed, &word.to_lowercase()),
                word,
            )
        })
        .filter(|(distance, word)| 3 * distance <= word.chars().count())
        .min_by_key(|(distance, _)| *distance)
        .map(|(_, word)| word)
}

/// The text without control characters, which could write over the terminal.
pub fn printable(text: &str) -> String {
    text.chars()
        .map(|letter| if letter.is_control() { '?' } else { letter })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    const TOLERANCE: Wanted = Wanted {
        flag: "--tolerance",
        allowed: "pixels above 0",
        example: "--tolerance 1.5",
    };

    #[test]
    fn a_refusal_names_flag_value_allowed_and_example() {
        let error = TOLERANCE.refuse("-1", "not above 0");
        assert_eq!(
            error.context,
            "--tolerance \"-1\": not above 0; it takes pixels above 0"
        );
        assert_eq!(error.hint.as_deref(), Some("for example: --tolerance 1.5"));
    }

    #[test]
    fn an_option_eaten_as_a_value_is_called_by_its_name() {
        let error = TOLERANCE.refuse("--json", "not a number");
        assert!(
            error
                .context
                .contains("has no value (the next word is the option --json)")
        );
    }

    #[test]
    fn near_misses_are_near() {
        assert_eq!(nearest("soth", ["north", "south"]), Some("south"));
        assert_eq!(nearest("banana", ["north", "south"]), None);
    }

    #[test]
    fn control_characters_do_not_reach_the_terminal() {
        assert_eq!(printable("a\u{1b}[2Jb"), "a?[2Jb");
    }
}
