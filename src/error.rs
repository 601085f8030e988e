//! The one public error, warnings that travel beside a result, and when to use which.
//!
//! - A file that cannot be used: an [`Error`] of that frame; the frame is set aside, the night goes on.
//! - A doubtful fact with a known effect: a [`Warning`] in [`Warned`], with the size of the effect.
//! - "Cannot tell" about the sky is neither: it is a finding in `diagnosis`.
//! - A mistake of ours: an assertion. User data never gets there.

use std::fmt;

/// Who can act on an error.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum ErrorKind {
    /// The file is damaged or is not what its name says.
    BadFile,
    /// The file is sound but of a kind that this program does not read.
    Unsupported,
    /// An option or a settings value is not usable.
    BadSetting,
    /// Nothing is wrong, but there is too little to work with.
    NotEnoughData,
    /// The operating system refused (missing, unreadable, full).
    Io,
}

/// What went wrong, where, and what to do about it.
///
/// `context` is lower case without a full stop and names the file, what was found and what was
/// needed; `hint` is a separate sentence about what to do.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
#[error("{context}")]
pub struct Error {
    /// Who can act.
    pub kind: ErrorKind,
    /// File, found, needed.
    pub context: String,
    /// What to do, where there is something to do.
    pub hint: Option<String>,
}

impl Error {
    /// An error without a hint.
    pub fn new(kind: ErrorKind, context: impl Into<String>) -> Self {
        Self {
            kind,
            context: context.into(),
            hint: None,
        }
    }
    /// The same error with advice on what to do.
    pub fn with_hint(mut self, hint: impl Into<String>) -> Self {
        self.hint = Some(hint.into());
        self
    }
    /// The same error with the thing it concerns put in front ("name: ...").
    pub fn about(mut self, name: impl fmt::Display) -> Self {
        self.context = format!("{name}: {}", self.context);
        self
    }
}

/// A doubtful fact that did not stop the work: what, and how large its effect is.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Warning {
    /// One sentence, lower case, without a full stop.
    pub text: String,
}

impl Warning {
    /// From its sentence.
    pub fn new(text: impl Into<String>) -> Self {
        Self { text: text.into() }
    }
}

/// A result with the warnings that came up while it was made.
#[derive(Debug, Clone, PartialEq)]
pub struct Warned<T> {
    /// The result.
    pub value: T,
    /// In the order in which they came up.
    pub warnings: Vec<Warning>,
}

impl<T> Warned<T> {
    /// A result without warnings.
    pub fn clean(value: T) -> Self {
        Self {
            value,
            warnings: Vec::new(),
        }
    }
}
