//! Waiting until something happens in a folder.

use std::path::Path;
use std::sync::mpsc::{Receiver, RecvTimeoutError, Sender, channel};
use std::time::Duration;

use notify::event::{AccessKind, AccessMode};
use notify::{EventKind, RecommendedWatcher, RecursiveMode, Watcher};

/// Ends a wait.
#[derive(Debug, Clone)]
pub struct Waker(Sender<()>);

impl Waker {
    /// Ends the wait that is going on, or the next one.
    pub fn wake(&self) {
        // Nobody waits any more when the other end is gone.
        let _ = self.0.send(());
    }
}

/// A folder with an eye on it. Drives that tell nothing (network shares, some card readers) are
/// found out about by looking again: a wait never lasts longer than it is told to.
#[derive(Debug)]
pub struct Notice {
    news: Receiver<()>,
    waker: Waker,
    /// Held for as long as news are wanted; `None` where the system gives none.
    _watcher: Option<RecommendedWatcher>,
}

impl Notice {
    /// Begins to watch a folder and those in it.
    pub fn of(folder: &Path) -> Self {
        let (sender, news) = channel();
        let waker = Waker(sender);
        Self {
            news,
            _watcher: watcher(folder, waker.clone()),
            waker,
        }
    }

    /// What ends a wait from another thread.
    pub fn waker(&self) -> Waker {
        self.waker.clone()
    }

    /// Waits for news, at most so long; news that came together count once.
    pub fn wait(&self, at_most: Duration) {
        match self.news.recv_timeout(at_most) {
            Ok(()) => while self.news.try_recv().is_ok() {},
            Err(RecvTimeoutError::Timeout) => {}
            // Cannot be: the waker in `self` holds the other end.
            Err(RecvTimeoutError::Disconnected) => std::thread::sleep(at_most),
        }
    }
}

fn watcher(folder: &Path, waker: Waker) -> Option<RecommendedWatcher> {
    let tell = move |event: notify::Result<notify::Event>| {
        if event.is_ok_and(|event| is_news(event.kind)) {
            waker.wake();
        }
    };
    let mut watcher = notify::recommended_watcher(tell).ok()?;
    watcher.watch(folder, RecursiveMode::Recursive).ok()?;
    Some(watcher)
}

/// Our own reading of frames and folders is no news.
const fn is_news(kind: EventKind) -> bool {
    match kind {
        EventKind::Access(access) => {
            matches!(access, AccessKind::Close(AccessMode::Write))
        }
        _ => true,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn reading_is_no_news_and_writing_is() {
        assert!(!is_news(EventKind::Access(AccessKind::Open(
            AccessMode::Any
        ))));
        assert!(!is_news(EventKind::Access(AccessKind::Close(
            AccessMode::Read
        ))));
        assert!(is_news(EventKind::Access(AccessKind::Close(
            AccessMode::Write
        ))));
        assert!(is_news(EventKind::Any));
    }

    #[test]
    fn a_waker_ends_a_wait_that_has_not_begun() {
        let folder = tempfile::tempdir().unwrap();
        let notice = Notice::of(folder.path());
        notice.waker().wake();
        // Far longer than any test may take: it returns for the waker, not for the time.
        notice.wait(Duration::from_secs(3600));
    }

    #[test]
    fn a_folder_that_is_gone_is_waited_for_without_news() {
        let notice = Notice::of(Path::new("no such folder"));
        assert!(notice._watcher.is_none());
        notice.wait(Duration::from_millis(1));
    }
}
