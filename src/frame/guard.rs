//! Decoders that are not ours may give up on damaged files by a panic: caught here, and silent.

use std::cell::Cell;
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::sync::Once;
use std::sync::atomic::{AtomicUsize, Ordering};

use super::Format;
use super::decoded::damaged;
use crate::error::Error;

/// Crates that decode, as they stand in the paths of their sources; what they panic about on other
/// threads than the caller's is silent too.
const DECODERS: [&str; 10] = [
    "/rawler-",
    "/zune-jpeg-",
    "/zune-core-",
    "/jxl-",
    "/tiff-",
    "/png-",
    "/weezl-",
    "/fdeflate-",
    "/miniz_oxide-",
    "/kamadak-exif-",
];

/// Readers at work, on any thread.
static READERS: AtomicUsize = AtomicUsize::new(0);

thread_local! {
    /// Readers at work on this thread: one may start another while it waits.
    static READERS_HERE: Cell<usize> = const { Cell::new(0) };
}

/// Runs a reader that may panic on damaged files, without a word on the terminal.
///
/// Method: the panic is caught and becomes an error. A panic of our own code is caught as well, but
/// reported as ever, as are all panics outside of readers. Neither a stack that overflows nor
/// memory that runs out can be caught: sizes are checked before a decoder is let loose.
///
/// # Errors
/// Those of the reader; `BadFile` where it panicked.
pub(super) fn guarded<T>(
    format: Format,
    read: impl FnOnce() -> Result<T, Error>,
) -> Result<T, Error> {
    silence_decoders();
    READERS.fetch_add(1, Ordering::Relaxed);
    READERS_HERE.set(READERS_HERE.get() + 1);
    let result = catch_unwind(AssertUnwindSafe(read));
    READERS_HERE.set(READERS_HERE.get() - 1);
    READERS.fetch_sub(1, Ordering::Relaxed);
    result.unwrap_or_else(|_| Err(damaged(format, "the decoder gave up")))
}

/// Puts a filter before the panic hook, once.
fn silence_decoders() {
    static INSTALL: Once = Once::new();
    INSTALL.call_once(|| {
        let loud = std::panic::take_hook();
        std::panic::set_hook(Box::new(move |info| {
            let place = info.location().map_or("", |place| place.file());
            if !is_silent(place) {
                loud(info);
            }
        }));
    });
}

/// Whether a panic in this source file belongs to a damaged picture.
fn is_silent(place: &str) -> bool {
    let own_folder = file!().trim_end_matches("frame/guard.rs");
    let reads_here = READERS_HERE.get() > 0 && !place.starts_with(own_folder);
    let reads_elsewhere = READERS.load(Ordering::Relaxed) > 0
        && DECODERS.iter().any(|decoder| place.contains(decoder));
    reads_here || reads_elsewhere
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::error::ErrorKind;

    #[test]
    fn a_decoder_that_panics_ends_in_an_error() {
        let result: Result<(), _> = guarded(Format::Raw, || panic!("index out of bounds"));
        let error = result.unwrap_err();
        assert_eq!(error.kind, ErrorKind::BadFile);
        assert!(error.context.contains("camera RAW"), "{error}");
        assert!(error.context.contains("gave up"), "{error}");
        assert_eq!(READERS_HERE.get(), 0);
    }

    #[test]
    fn only_decoders_at_work_are_silent() {
        let decoder = "/home/of/crates/rawler-0.8.0/src/tiles.rs";
        let other = "/home/of/crates/nalgebra-0.35.0/src/lib.rs";
        assert!(!is_silent(other));
        let inside = || Ok([is_silent(decoder), is_silent(other), is_silent(file!())]);
        assert_eq!(guarded(Format::Raw, inside), Ok([true, true, false]));
        let elsewhere = || {
            let thread = std::thread::spawn(move || [is_silent(decoder), is_silent(other)]);
            Ok(thread.join().unwrap())
        };
        assert_eq!(guarded(Format::Raw, elsewhere), Ok([true, false]));
    }
}
