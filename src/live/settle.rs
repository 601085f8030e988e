//! When a file is whole: its size and time have stood still for a while.

use std::fs;
use std::path::Path;
use std::time::{Duration, Instant, SystemTime};

/// How long size and time of a file have to stand still. A card reader or a wireless card writes
/// in bursts that are nearer together (common practice, no source); longer makes answers late.
const STILL: Duration = Duration::from_millis(400);

/// A file that was last written so long ago is whole at first sight.
const LONG_AGO: Duration = Duration::from_secs(5);

/// How long a file that stands still but cannot be read is waited for: a slow sender may pause.
const PATIENCE: Duration = Duration::from_secs(8);

/// Pause between two attempts to read such a file.
const PAUSE: Duration = Duration::from_secs(1);

/// What tells a file from itself a moment ago.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Stamp {
    bytes: u64,
    written: Option<SystemTime>,
}

impl Stamp {
    /// Size and time of a file; `None` if it is gone.
    pub(super) fn of(path: &Path) -> Option<Self> {
        let facts = fs::metadata(path).ok()?;
        Some(Self {
            bytes: facts.len(),
            written: facts.modified().ok(),
        })
    }

    /// Whether nobody has written to it lately.
    pub(super) fn is_old(&self, now: SystemTime) -> bool {
        let age = self.written.and_then(|at| now.duration_since(at).ok());
        age.is_some_and(|age| LONG_AGO < age)
    }
}

/// A file on its way in.
#[derive(Debug, Clone, Copy)]
pub(super) struct Settling {
    stamp: Stamp,
    since: Instant,
    /// When it was last found unreadable.
    tried: Option<Instant>,
}

impl Settling {
    /// A file that is seen for the first time.
    pub(super) fn new(stamp: Stamp, now: Instant) -> Self {
        Self {
            stamp,
            since: now,
            tried: None,
        }
    }

    /// Takes in how it looks now; a change starts the wait anew.
    ///
    /// Output: whether it is worth reading.
    pub(super) fn look(&mut self, stamp: Stamp, now: Instant) -> bool {
        if self.stamp != stamp {
            *self = Self::new(stamp, now);
        }
        let still = STILL <= now.duration_since(self.since);
        let rested = self.tried.is_none_or(|at| PAUSE <= now.duration_since(at));
        still && rested && 0 < self.stamp.bytes || self.is_given_up(now)
    }

    /// Takes in that it could not be read.
    ///
    /// Output: whether it is to be waited for.
    pub(super) fn fails(&mut self, now: Instant) -> bool {
        self.tried = Some(now);
        !self.is_given_up(now)
    }

    fn is_given_up(&self, now: Instant) -> bool {
        PATIENCE <= now.duration_since(self.since)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::live::clock;

    const fn stamp(bytes: u64) -> Stamp {
        Stamp {
            bytes,
            written: Some(SystemTime::UNIX_EPOCH),
        }
    }

    const fn ms(time: u64) -> Duration {
        Duration::from_millis(time)
    }

    #[test]
    fn a_file_that_grows_is_left_alone_until_it_stands_still() {
        let start = clock::instant();
        let mut file = Settling::new(stamp(10), start);
        assert!(!file.look(stamp(10), start + ms(300)));
        assert!(!file.look(stamp(20), start + ms(500)));
        assert!(!file.look(stamp(20), start + ms(899)));
        assert!(file.look(stamp(20), start + ms(900)));
    }

    #[test]
    fn a_file_that_cannot_be_read_gets_time_and_then_none() {
        let start = clock::instant();
        let mut file = Settling::new(stamp(10), start);
        assert!(file.look(stamp(10), start + ms(400)));
        assert!(file.fails(start + ms(400)));
        assert!(!file.look(stamp(10), start + ms(1300)));
        assert!(file.look(stamp(10), start + ms(1400)));
        assert!(file.look(stamp(10), start + ms(8000)));
        assert!(!file.fails(start + ms(8000)));
    }

    #[test]
    fn an_empty_file_is_a_promise_for_a_while() {
        let start = clock::instant();
        let mut file = Settling::new(stamp(0), start);
        assert!(!file.look(stamp(0), start + ms(7000)));
        assert!(file.look(stamp(0), start + ms(8000)));
    }

    #[test]
    fn what_was_written_long_ago_is_old_and_a_clock_ahead_is_not() {
        let now = SystemTime::UNIX_EPOCH + Duration::from_secs(100);
        let at = |seconds| Stamp {
            bytes: 1,
            written: Some(SystemTime::UNIX_EPOCH + Duration::from_secs(seconds)),
        };
        assert!(at(90).is_old(now) && !at(95).is_old(now) && !at(200).is_old(now));
        let untold = Stamp {
            bytes: 1,
            written: None,
        };
        assert!(!untold.is_old(now));
    }
}
