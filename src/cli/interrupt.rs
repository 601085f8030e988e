//! Ctrl-C at any moment: the run ends at once, in order, with a word about the next one.

use std::sync::mpsc::{Receiver, RecvTimeoutError, channel};
use std::thread;
use std::time::Duration;

use crate::whole;

/// Exit code of a run that was interrupted: 128 and the signal's number, as shells count.
pub const EXIT_CODE: u8 = 130;
/// Stack of the thread that works: what main threads have.
const STACK_BYTES: usize = 8 << 20;
/// How often it is tried whether the file at work is finished.
const PATIENCE: Duration = Duration::from_millis(5);

/// How work ended.
#[derive(Debug, PartialEq, Eq)]
pub enum Ended<T> {
    /// By itself.
    Done(T),
    /// By the user; the thread that worked goes with the process.
    Interrupted,
    /// By a mistake of ours, which was reported.
    Panicked,
}

enum Event<T> {
    Done(T),
    Interrupt,
}

/// Does the work in a thread of its own until it is done or interrupted.
///
/// A file that is being written is finished before the run ends, and no other is begun; a second
/// interrupt does not wait for it.
pub fn until_interrupted<T: Send + 'static>(work: impl FnOnce() -> T + Send + 'static) -> Ended<T> {
    let (sender, events) = channel();
    let interrupts = sender.clone();
    // Where the system gives no handler, or the caller has switched interrupts off, it stays so.
    let _ = ctrlc::try_set_handler(move || {
        let _ = interrupts.send(Event::Interrupt);
    });
    large_files_are_errors();
    let worker = thread::Builder::new()
        .name("run".to_string())
        .stack_size(STACK_BYTES)
        .spawn(move || {
            // Nobody listens any more after an interrupt.
            let _ = sender.send(Event::Done(work()));
        });
    let Ok(worker) = worker else {
        return Ended::Panicked;
    };
    loop {
        match events.recv_timeout(Duration::from_millis(200)) {
            Ok(Event::Done(value)) => return Ended::Done(value),
            Ok(Event::Interrupt) => return interrupted(&events),
            Err(RecvTimeoutError::Timeout) if !worker.is_finished() => {}
            // The handler keeps the channel open: a thread that ended without a word panicked.
            Err(_) => return events.try_recv().map_or(Ended::Panicked, done_or_not),
        }
    }
}

fn done_or_not<T>(event: Event<T>) -> Ended<T> {
    match event {
        Event::Done(value) => Ended::Done(value),
        Event::Interrupt => Ended::Interrupted,
    }
}

/// Waits for the file at work; work that ends meanwhile counts.
fn interrupted<T>(events: &Receiver<Event<T>>) -> Ended<T> {
    loop {
        if let Some(held) = whole::try_hold() {
            // Until the process ends.
            std::mem::forget(held);
            return Ended::Interrupted;
        }
        if let Ok(event) = events.recv_timeout(PATIENCE) {
            return done_or_not(event);
        }
    }
}

/// Makes the system answer with an error where a file grows beyond its limit, in place of ending the program.
#[cfg(unix)]
fn large_files_are_errors() {
    use std::sync::Arc;
    use std::sync::atomic::AtomicBool;
    // Where that is not to be had, the program ends as before; the file is written aside anyway.
    let _ = signal_hook::flag::register(
        signal_hook::consts::SIGXFSZ,
        Arc::new(AtomicBool::new(false)),
    );
}

#[cfg(not(unix))]
fn large_files_are_errors() {}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_interrupt_waits_for_the_file_at_work_and_counts_work_that_ends() {
        let (sender, events) = channel();
        sender.send(Event::Done(7)).unwrap();
        // Other tests write files too.
        let held = std::iter::repeat_with(whole::try_hold).flatten().next();
        assert_eq!(interrupted(&events), Ended::Done(7));
        sender.send(Event::Interrupt).unwrap();
        assert_eq!(interrupted(&events), Ended::Interrupted);
        drop(held);
    }
}
