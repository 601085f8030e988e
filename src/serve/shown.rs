//! What the page shows: the same for every browser that has it open.

use std::borrow::Borrow;
use std::path::PathBuf;

/// The state of the page; a new one takes the place of the last, whole.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub(super) struct Shown {
    /// Counts up with every change.
    pub(super) version: u64,
    /// How many frames, what is arriving.
    pub(super) status: String,
    /// The answer, a `header`.
    pub(super) answer: String,
    /// All that the answer rests on.
    pub(super) sections: String,
    /// The alignments, in the order of the night.
    pub(super) places: Vec<Place>,
    /// Of these the one that the answer is for; `None` for the last.
    pub(super) chosen: Option<usize>,
    /// When the axis was moved last, if that was noted.
    pub(super) moved: Option<String>,
    /// Whether no frame came since.
    pub(super) is_waiting: bool,
}

impl Shown {
    /// Whether the answer is for an earlier alignment, and this is the one.
    pub(super) fn is_chosen(&self, nth: impl Borrow<usize>) -> bool {
        self.chosen == Some(*nth.borrow())
    }
}

/// An alignment that frames can be put into.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Place {
    /// Its name in the report.
    pub(super) name: String,
    /// Its folder, relative to the night.
    pub(super) folder: PathBuf,
    /// How many noted moves came before it.
    pub(super) stretch: usize,
}
