//! Lines of words on a terminal: width, letters, ink. Knows nothing of stars.

use unicode_width::UnicodeWidthStr;

/// What the terminal can show.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Look {
    /// Columns.
    pub width: usize,
    /// Letters that it can draw.
    pub letters: Letters,
    /// Colours to use.
    pub ink: Ink,
}

/// Letters that a terminal can draw.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Letters {
    /// All of Unicode.
    Unicode,
    /// ASCII only; other letters are spelt or replaced by `?`.
    Ascii,
}

/// Colours to use; words alone always carry the meaning.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Ink {
    /// None: pipes, files, `NO_COLOR`.
    Plain,
    /// The terminal's own colours.
    Colour,
    /// Red on black only, for eyes used to the dark.
    Red,
}

/// What a stretch of text is to the reader.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Role {
    /// The answer.
    Answer,
    /// The name of a section.
    Heading,
    /// Anything else.
    Body,
    /// Of little weight.
    Quiet,
    /// All is well.
    Good,
    /// Something to look at.
    Middling,
    /// Something is wrong.
    Bad,
}

/// A space at which no line is folded (no-break space); printed as a plain space.
pub const KEEP_TOGETHER: char = '\u{a0}';

/// Columns below which nothing is laid out; a narrower terminal folds lines itself.
const NARROWEST: usize = 30;

/// Lines of words, filled from the top.
#[derive(Debug, Clone)]
pub struct Page {
    look: Look,
    text: String,
    /// A gap is owed before the next line.
    gap: bool,
}

impl Page {
    /// An empty page.
    pub fn new(look: Look) -> Self {
        Self {
            look,
            text: String::new(),
            gap: false,
        }
    }

    /// Columns to lay out for.
    pub fn width(&self) -> usize {
        self.look.width.max(NARROWEST)
    }

    /// Adds one line made of stretches; it is not folded.
    pub fn line(&mut self, stretches: &[(Role, String)]) {
        if std::mem::take(&mut self.gap) {
            self.inked_line(&[]);
        }
        self.inked_line(stretches);
    }

    fn inked_line(&mut self, stretches: &[(Role, String)]) {
        if self.look.ink == Ink::Red {
            self.text.push_str("\x1b[0;31;40m");
        }
        for (role, words) in stretches {
            let words = self.spelt(words).replace(KEEP_TOGETHER, " ");
            let code = code(self.look.ink, *role);
            match code {
                Some((start, end)) => self.text.push_str(&format!("{start}{words}{end}")),
                None => self.text.push_str(&words),
            }
        }
        if self.look.ink == Ink::Red {
            // The rest of the line is blackened too.
            self.text.push_str("\x1b[K\x1b[0m");
        }
        self.text.push('\n');
    }

    /// Adds words, folded at spaces; lines after the first start under the first word.
    pub fn words(&mut self, role: Role, lead: &str, words: &str) {
        let indent = " ".repeat(lead.width());
        let room = self.width().saturating_sub(lead.width()).max(NARROWEST / 2);
        for (nth, line) in folded(&self.spelt(words), room).into_iter().enumerate() {
            let start = if nth == 0 { lead } else { &indent };
            self.line(&[(Role::Body, start.to_string()), (role, line)]);
        }
    }

    /// Leaves an empty line before the next line, if one comes.
    pub fn gap(&mut self) {
        self.gap = !self.text.is_empty();
    }

    /// The finished text, every line ended.
    pub fn finish(self) -> String {
        self.text
    }

    /// The words in letters that the terminal has, without control characters.
    pub fn spelt(&self, words: &str) -> String {
        let words = match self.look.letters {
            Letters::Unicode => words.replace("+-", "\u{b1}"),
            Letters::Ascii => words.to_string(),
        };
        words
            .chars()
            .map(|letter| match letter {
                '\n' | '\t' => " ".to_string(),
                KEEP_TOGETHER => KEEP_TOGETHER.to_string(),
                _ if letter.is_control() => "?".to_string(),
                _ if self.look.letters == Letters::Unicode || letter.is_ascii() => {
                    letter.to_string()
                }
                _ => ascii(letter).to_string(),
            })
            .collect()
    }
}

/// Finished lines in the ink of a terminal; the first paragraph is the answer.
pub fn inked(text: &str, look: Look) -> String {
    let mut page = Page::new(look);
    let mut role = Role::Answer;
    for line in text.lines() {
        if line.is_empty() {
            role = Role::Body;
        }
        page.line(&[(role, line.to_owned())]);
    }
    page.finish()
}

/// A letter's spelling in ASCII.
fn ascii(letter: char) -> &'static str {
    match letter {
        '\u{b1}' => "+-",
        '\u{b0}' => " deg",
        '\u{2032}' | '\u{2018}' | '\u{2019}' => "'",
        '\u{2033}' | '\u{201c}' | '\u{201d}' => "\"",
        '\u{2010}'..='\u{2015}' | '\u{2212}' => "-",
        '\u{d7}' => "x",
        '\u{2026}' => "...",
        '\u{2192}' => "->",
        '\u{b5}' | '\u{3bc}' => "u",
        '\u{202f}' => " ",
        _ => "?",
    }
}

/// Escape codes before and after a stretch.
fn code(ink: Ink, role: Role) -> Option<(&'static str, &'static str)> {
    let weight = matches!(role, Role::Answer | Role::Heading);
    match (ink, role) {
        (Ink::Plain, _) => None,
        (Ink::Red, _) if weight => Some(("\x1b[1m", "\x1b[22m")),
        (Ink::Red, _) => None,
        (Ink::Colour, _) if weight => Some(("\x1b[1m", "\x1b[0m")),
        (Ink::Colour, Role::Quiet) => Some(("\x1b[2m", "\x1b[0m")),
        (Ink::Colour, Role::Good) => Some(("\x1b[32m", "\x1b[0m")),
        (Ink::Colour, Role::Middling) => Some(("\x1b[33m", "\x1b[0m")),
        (Ink::Colour, Role::Bad) => Some(("\x1b[31m", "\x1b[0m")),
        (Ink::Colour, _) => None,
    }
}

/// Words folded at spaces into lines of at most so many columns; a longer word stands alone.
pub(super) fn folded(words: &str, room: usize) -> Vec<String> {
    let mut lines = Vec::new();
    let mut line = String::new();
    for word in words.split(' ').filter(|word| !word.is_empty()) {
        if !line.is_empty() && line.width() + 1 + word.width() > room {
            lines.push(std::mem::take(&mut line));
        }
        if !line.is_empty() {
            line.push(' ');
        }
        line.push_str(word);
    }
    lines.push(line);
    lines
}

/// Text cut or filled to a number of columns, left or right bound.
pub fn cell(text: &str, columns: usize, side: Side) -> String {
    let text = shortened(text, columns);
    let filling = " ".repeat(columns.saturating_sub(text.width()));
    match side {
        Side::Left => text + &filling,
        Side::Right => filling + &text,
    }
}

/// The side that a cell's text is bound to.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Side {
    /// Words.
    Left,
    /// Numbers.
    Right,
}

/// Text with its middle taken out where it is too long: the ends of file names tell them apart.
fn shortened(text: &str, columns: usize) -> String {
    if text.width() <= columns {
        return text.to_string();
    }
    let kept = columns.saturating_sub(2);
    let letters: Vec<char> = text.chars().collect();
    let head: String = letters.iter().take(kept / 2).collect();
    let tail_start = letters.len().saturating_sub(kept - kept / 2);
    let tail: String = letters[tail_start..].iter().collect();
    format!("{head}..{tail}")
}

#[cfg(test)]
mod tests {
    use super::*;

    const PLAIN: Look = Look {
        width: 40,
        letters: Letters::Ascii,
        ink: Ink::Plain,
    };

    #[test]
    fn words_fold_under_the_first_word_and_stay_inside() {
        let mut page = Page::new(PLAIN);
        page.words(
            Role::Body,
            " 1. ",
            "turn the base to the west by one Moon width and no more",
        );
        let text = page.finish();
        assert!(text.lines().all(|line| line.len() <= 40), "{text}");
        assert!(text.lines().nth(1).unwrap().starts_with("    "));
    }

    #[test]
    fn a_number_stays_with_its_unit() {
        let mut page = Page::new(Look { width: 30, ..PLAIN });
        page.words(Role::Body, "", "a line that is filled up by 2.9\u{a0}px");
        assert_eq!(page.finish(), "a line that is filled up by\n2.9 px\n");
    }

    #[test]
    fn gaps_stand_between_lines_only() {
        let mut page = Page::new(PLAIN);
        page.gap();
        page.words(Role::Body, "", "one");
        page.gap();
        page.gap();
        page.words(Role::Body, "", "two");
        page.gap();
        assert_eq!(page.finish(), "one\n\ntwo\n");
    }

    #[test]
    fn letters_beyond_ascii_are_spelt() {
        let mut page = Page::new(PLAIN);
        page.words(Role::Body, "", "3\u{b1}1 \u{2014} 2\u{d7}60 s \u{e9}");
        assert_eq!(page.finish(), "3+-1 - 2x60 s ?\n");
    }

    #[test]
    fn control_characters_never_reach_the_terminal() {
        let mut page = Page::new(Look {
            letters: Letters::Unicode,
            ..PLAIN
        });
        page.words(Role::Body, "", "a\u{1b}[2Jb");
        assert_eq!(page.finish(), "a?[2Jb\n");
    }

    #[test]
    fn red_ink_uses_no_other_colour() {
        let mut page = Page::new(Look {
            ink: Ink::Red,
            ..PLAIN
        });
        for role in [
            Role::Good,
            Role::Middling,
            Role::Bad,
            Role::Quiet,
            Role::Answer,
        ] {
            page.words(role, "", "word");
        }
        let text = page.finish();
        for colour in ["[32m", "[33m", "[2m", "[37m"] {
            assert!(!text.contains(colour), "{text:?}");
        }
        assert!(text.lines().all(|line| line.starts_with("\x1b[0;31;40m")));
    }

    #[test]
    fn ink_changes_no_line_of_a_finished_text() {
        let text = "the answer\n\na table\n";
        assert_eq!(inked(text, PLAIN), text);
        let red = Look {
            ink: Ink::Red,
            ..PLAIN
        };
        assert!(
            inked(text, red)
                .lines()
                .all(|line| line.starts_with("\x1b[0;31;40m"))
        );
    }

    #[test]
    fn cells_have_their_width_whatever_is_in_them() {
        assert_eq!(cell("IMG_0001.jpg", 8, Side::Left), "IMG..jpg");
        assert_eq!(cell("2.9", 6, Side::Right), "   2.9");
        assert_eq!(cell("", 3, Side::Left), "   ");
    }
}
