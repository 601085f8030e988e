//! Angles as people write them: numbers with unit marks, and letters for the sky's sides.

/// A number or a mark of a written angle.
#[derive(Debug, Clone, Copy, PartialEq)]
enum Token {
    Number { value: f64, whole: bool },
    Sign(f64),
    Mark(Mark),
    Side(char),
}

/// What a number counts.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
enum Mark {
    Hours,
    Degrees,
    Minutes,
    Seconds,
}

/// A written angle, taken apart: up to three numbers of which the later ones are sixtieths.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct WrittenAngle {
    /// The number with its sixtieths, in the first number's unit, signed.
    pub value: f64,
    /// Whether the first number was marked as hours.
    pub unit: WrittenUnit,
    /// Whether minutes or seconds were written after the first number.
    pub sexagesimal: bool,
    /// Whether a sign was written.
    pub signed: bool,
    /// `n`, `s`, `e` or `w` written before or after.
    pub side: Option<char>,
}

/// The unit that was written with the first number.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum WrittenUnit {
    /// `h`.
    Hours,
    /// `d`, `deg` or a degree sign.
    Degrees,
    /// None.
    Bare,
}

/// Reads one angle: `51.5`, `-0.1`, `51 30 00 N`, `51d30m`, `5h35m17s`, `5:35:17`, `51°30'00"`.
///
/// # Errors
/// A phrase that says what is wrong with it, to be put after the value.
pub fn read_angle(text: &str) -> Result<WrittenAngle, String> {
    let tokens = tokens(text)?;
    let mut sign = None;
    let mut side = None;
    let mut numbers: Vec<(f64, bool, Option<Mark>)> = Vec::new();
    for token in tokens {
        match token {
            Token::Sign(_) if sign.is_some() || !numbers.is_empty() => {
                return Err("a sign in the wrong place".into());
            }
            Token::Sign(value) => sign = Some(value),
            Token::Side(_) if side.is_some() => return Err("two letters for the side".into()),
            Token::Side(letter) => side = Some(letter),
            Token::Number { value, whole } => numbers.push((value, whole, None)),
            Token::Mark(mark) => match numbers.last_mut() {
                Some(last) if last.2.is_none() => last.2 = Some(mark),
                _ => return Err("a unit without its number".into()),
            },
        }
    }
    let (value, unit) = sum(&numbers)?;
    Ok(WrittenAngle {
        value: sign.unwrap_or(1.0) * value,
        unit,
        sexagesimal: numbers.len() > 1,
        signed: sign.is_some(),
        side,
    })
}

/// Adds sixtieths and checks that marks come in order and smaller parts stay below 60.
fn sum(numbers: &[(f64, bool, Option<Mark>)]) -> Result<(f64, WrittenUnit), String> {
    if numbers.is_empty() {
        return Err("no number in it".into());
    }
    if numbers.len() > 3 {
        return Err("too many numbers in one angle".into());
    }
    let unit = match numbers[0].2 {
        Some(Mark::Hours) => WrittenUnit::Hours,
        Some(Mark::Degrees) => WrittenUnit::Degrees,
        None => WrittenUnit::Bare,
        Some(Mark::Minutes | Mark::Seconds) => {
            return Err("minutes or seconds without degrees or hours before them".into());
        }
    };
    let mut total = 0.0;
    for (place, &(value, whole, mark)) in numbers.iter().enumerate() {
        let expected = [None, Some(Mark::Minutes), Some(Mark::Seconds)][place];
        if place > 0 && mark.is_some() && mark != expected {
            return Err("units out of order".into());
        }
        if place > 0 && value >= 60.0 {
            return Err(format!("minutes and seconds stay below 60, found {value}"));
        }
        if place + 1 < numbers.len() && !whole {
            return Err("a decimal fraction before the last number".into());
        }
        total += value / 60f64.powi(place as i32);
    }
    Ok((total, unit))
}

fn tokens(text: &str) -> Result<Vec<Token>, String> {
    let mut tokens = Vec::new();
    let mut rest = text.trim();
    while let Some(letter) = rest.chars().next() {
        let used = if letter.is_ascii_digit() || letter == '.' {
            let end = rest
                .find(|c: char| !c.is_ascii_digit() && c != '.')
                .unwrap_or(rest.len());
            let digits = &rest[..end];
            let value = digits
                .parse()
                .map_err(|_| format!("\"{digits}\" is no number"))?;
            let whole = !digits.contains('.');
            tokens.push(Token::Number { value, whole });
            end
        } else {
            let (token, length) = word_or_mark(rest, letter)?;
            tokens.extend(token);
            length
        };
        rest = &rest[used..];
    }
    Ok(tokens)
}

/// One sign, mark, side or separator, and its length in bytes.
fn word_or_mark(rest: &str, first: char) -> Result<(Option<Token>, usize), String> {
    if first.is_ascii_alphabetic() {
        let end = rest
            .find(|c: char| !c.is_ascii_alphabetic())
            .unwrap_or(rest.len());
        let word = rest[..end].to_ascii_lowercase();
        let token = match word.as_str() {
            "h" | "hr" | "hours" => Token::Mark(Mark::Hours),
            "d" | "deg" | "degrees" => Token::Mark(Mark::Degrees),
            "m" | "min" => Token::Mark(Mark::Minutes),
            "sec" => Token::Mark(Mark::Seconds),
            "s" => second_or_south(rest),
            "n" | "north" => Token::Side('n'),
            "south" => Token::Side('s'),
            "e" | "east" => Token::Side('e'),
            "w" | "west" => Token::Side('w'),
            _ => return Err(format!("\"{word}\" is not understood")),
        };
        return Ok((Some(token), end));
    }
    let token = match first {
        '+' => Some(Token::Sign(1.0)),
        '-' | '\u{2212}' => Some(Token::Sign(-1.0)),
        '\u{b0}' | '\u{ba}' => Some(Token::Mark(Mark::Degrees)),
        '\'' | '\u{2032}' | '\u{2019}' => Some(Token::Mark(Mark::Minutes)),
        '"' | '\u{2033}' | '\u{201d}' => Some(Token::Mark(Mark::Seconds)),
        ':' => None,
        _ if first.is_whitespace() => None,
        _ => return Err(format!("\"{first}\" is not understood")),
    };
    Ok((token, first.len_utf8()))
}

/// A small `s` reads as seconds, a capital `S` as south: `5h35m17s`, `33.9S`.
fn second_or_south(rest: &str) -> Token {
    if rest.starts_with('S') {
        Token::Side('s')
    } else {
        Token::Mark(Mark::Seconds)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_same_angle_in_seven_spellings() {
        for text in [
            "51.5",
            "51 30",
            "51:30:00",
            "51d30m",
            "51\u{b0}30'00\"",
            "51\u{b0} 30\u{2032} 00\u{2033}",
            "+51 30 0.0",
        ] {
            let read = read_angle(text).unwrap();
            assert!((read.value - 51.5).abs() < 1e-12, "{text}: {read:?}");
        }
    }

    #[test]
    fn a_sign_holds_for_the_sixtieths_too() {
        assert!((read_angle("-0 06 00").unwrap().value + 0.1).abs() < 1e-12);
        assert!((read_angle("\u{2212}5d23m28s").unwrap().value + 5.391_111).abs() < 1e-5);
    }

    #[test]
    fn capital_s_is_south_and_small_s_is_seconds() {
        assert_eq!(read_angle("33.9S").unwrap().side, Some('s'));
        assert_eq!(read_angle("5h35m17s").unwrap().side, None);
    }

    #[test]
    fn nonsense_gets_a_reason() {
        for (text, reason) in [
            ("", "no number"),
            ("51.5.5", "no number"),
            ("51 75", "below 60"),
            ("51.5 30", "fraction"),
            ("1 2 3 4", "too many"),
            ("5-3", "sign in the wrong place"),
            ("30m", "without degrees"),
            ("5h30s", "out of order"),
            ("5x", "not understood"),
            ("NaN", "not understood"),
        ] {
            let found = read_angle(text).unwrap_err();
            assert!(found.contains(reason), "{text}: {found}");
        }
    }
}
