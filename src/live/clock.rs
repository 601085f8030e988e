//! The clock: files settle in time, and a code that was guessed at rests for a while.

#![expect(
    clippy::disallowed_methods,
    reason = "when a file is whole and a door is deaf is a matter of time; no answer depends on it"
)]

use std::time::{Instant, SystemTime};

/// Now, for spans of time.
pub fn instant() -> Instant {
    Instant::now()
}

/// Now, as files are stamped.
pub(super) fn wall() -> SystemTime {
    SystemTime::now()
}
