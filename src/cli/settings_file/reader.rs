//! TOML with line numbers: every refusal names file, line, key and what is allowed.

use toml::Spanned;
use toml::de::{DeTable, DeValue};

use crate::error::{Error, ErrorKind};

use super::super::refuse::{nearest, printable};

/// A settings file's text.
#[derive(Clone, Copy)]
pub(super) struct Source<'a> {
    /// The file, as messages name it.
    pub(super) name: &'a str,
    /// Its text.
    pub(super) text: &'a str,
}

/// A table of it.
#[derive(Clone, Copy)]
pub(super) struct Section<'a> {
    source: Source<'a>,
    /// As it stands in the file: `[site]`; empty for the top.
    title: &'static str,
    table: &'a DeTable<'a>,
    /// Where it starts in the text.
    start: usize,
}

/// What a key wants.
#[derive(Clone, Copy)]
pub(super) struct Key {
    /// The key.
    pub(super) name: &'static str,
    /// What it takes, with unit and limits.
    pub(super) allowed: &'static str,
    /// A line that works.
    pub(super) example: &'static str,
}

impl<'a> Source<'a> {
    /// The whole document.
    pub(super) fn parse(self) -> Result<Spanned<DeTable<'a>>, Error> {
        DeTable::parse(self.text).map_err(|error| {
            let at = error.span().map_or(0, |span| span.start);
            let reason = error.message().replace('\n', ", ");
            self.refuse(at, &format!("no TOML: {reason}"))
                .with_hint("stillpoint settings prints an example")
        })
    }

    fn line(self, at: usize) -> usize {
        let before = self.text.get(..at).unwrap_or(self.text);
        before.matches('\n').count() + 1
    }

    fn refuse(self, at: usize, reason: &str) -> Error {
        Error::new(
            ErrorKind::BadSetting,
            format!(
                "{}, line {}: {}",
                self.name,
                self.line(at),
                printable(reason)
            ),
        )
    }
}

impl<'a> Section<'a> {
    /// The top of a document.
    pub(super) fn top(source: Source<'a>, document: &'a Spanned<DeTable<'a>>) -> Self {
        Self {
            source,
            title: "",
            table: document.get_ref(),
            start: 0,
        }
    }

    /// Refuses keys that nobody reads, with the nearest that somebody reads.
    pub(super) fn only(self, keys: &[Key], sections: &[&str]) -> Result<Self, Error> {
        let allowed = || {
            keys.iter()
                .map(|key| key.name)
                .chain(sections.iter().copied())
        };
        for key in self.table.keys() {
            let name: &str = key.get_ref();
            if allowed().any(|known| known == name) {
                continue;
            }
            let place = match self.title {
                "" => String::new(),
                title => format!(" in {title}"),
            };
            let listed: Vec<&str> = allowed().collect();
            let error = self.source.refuse(
                key.span().start,
                &format!(
                    "there is no setting \"{name}\"{place}; there are {}",
                    listed.join(", ")
                ),
            );
            return Err(match nearest(name, allowed()) {
                Some(near) => error.with_hint(format!("did you mean {near}?")),
                None => error.with_hint("stillpoint settings prints an example"),
            });
        }
        Ok(self)
    }

    /// A sub-table, if it is there.
    pub(super) fn section(self, name: &str, title: &'static str) -> Result<Option<Self>, Error> {
        let Some(value) = self.value(name) else {
            return Ok(None);
        };
        self.as_section(value, title).map(Some)
    }

    /// An array of tables; none where it is not there.
    pub(super) fn sections(self, name: &str, title: &'static str) -> Result<Vec<Self>, Error> {
        let Some(value) = self.value(name) else {
            return Ok(Vec::new());
        };
        match value.get_ref() {
            DeValue::Array(items) => items
                .iter()
                .map(|item| self.as_section(item, title))
                .collect(),
            // One table alone is a list of one.
            _ => Ok(vec![self.as_section(value, title)?]),
        }
    }

    fn as_section(
        self,
        value: &'a Spanned<DeValue<'a>>,
        title: &'static str,
    ) -> Result<Self, Error> {
        let table = value.get_ref().as_table().ok_or_else(|| {
            self.source
                .refuse(
                    value.span().start,
                    &format!("{title} has to be a table of its own"),
                )
                .with_hint(format!(
                    "write {title} on a line of its own and its settings below"
                ))
        })?;
        Ok(Self {
            source: self.source,
            title,
            table,
            start: value.span().start,
        })
    }

    fn value(self, name: &str) -> Option<&'a Spanned<DeValue<'a>>> {
        self.table.get(name)
    }

    /// A number within limits, if it is there.
    pub(super) fn number(self, key: Key, lowest: f64, highest: f64) -> Result<Option<f64>, Error> {
        let Some(value) = self.value(key.name) else {
            return Ok(None);
        };
        let number = match value.get_ref() {
            DeValue::Integer(digits) if digits.radix() == 10 => digits.as_str().parse().ok(),
            DeValue::Float(digits) => digits.as_str().parse::<f64>().ok(),
            _ => None,
        };
        let number = number.ok_or_else(|| self.refuse(key, value, "no number"))?;
        if (lowest..=highest).contains(&number) {
            Ok(Some(number))
        } else {
            Err(self.refuse(key, value, "out of range"))
        }
    }

    /// A text, if it is there, read by a function that tells what is wrong with it.
    pub(super) fn text<T>(
        self,
        key: Key,
        read: impl Fn(&str) -> Result<T, String>,
    ) -> Result<Option<T>, Error> {
        let Some(value) = self.value(key.name) else {
            return Ok(None);
        };
        let text = value.get_ref().as_str();
        let text = text.ok_or_else(|| self.refuse(key, value, "no text in quotation marks"))?;
        let read = read(text).map_err(|reason| self.refuse(key, value, &reason))?;
        Ok(Some(read))
    }

    /// One of several words, if it is there.
    pub(super) fn word<T: Copy>(
        self,
        key: Key,
        words: &[(&'static str, T)],
    ) -> Result<Option<T>, Error> {
        self.text(key, |text| {
            let found = words.iter().find(|(word, _)| *word == text);
            found.map(|(_, meaning)| *meaning).ok_or_else(|| {
                match nearest(text, words.iter().map(|(word, _)| *word)) {
                    Some(near) => format!("no such word; did you mean \"{near}\"?"),
                    None => "no such word".to_owned(),
                }
            })
        })
    }

    /// A value without which its table means nothing.
    pub(super) fn needed<T>(self, key: Key, value: Option<T>) -> Result<T, Error> {
        value.ok_or_else(|| {
            self.source
                .refuse(
                    self.start,
                    &format!(
                        "{} lacks {}; it takes {}",
                        self.title, key.name, key.allowed
                    ),
                )
                .with_hint(format!("for example: {}", key.example))
        })
    }

    fn refuse(self, key: Key, value: &Spanned<DeValue<'_>>, reason: &str) -> Error {
        let written = self.source.text.get(value.span()).unwrap_or_default();
        self.source
            .refuse(
                value.span().start,
                &format!(
                    "{} = {written}: {reason}; it takes {}",
                    key.name, key.allowed
                ),
            )
            .with_hint(format!("for example: {}", key.example))
    }
}
