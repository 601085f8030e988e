//! Work in as many threads as were asked for.

use std::num::NonZeroUsize;

use crate::error::{Error, ErrorKind};

/// Does the work in its own threads; `None` takes one a core. The result does not depend on it.
///
/// # Errors
/// When the system gives no threads, and the work's own errors.
pub fn in_threads<T: Send>(
    count: Option<NonZeroUsize>,
    work: impl FnOnce() -> Result<T, Error> + Send,
) -> Result<T, Error> {
    let pool = rayon::ThreadPoolBuilder::new()
        .num_threads(count.map_or(0, NonZeroUsize::get))
        .build()
        .map_err(|error| {
            Error::new(
                ErrorKind::Io,
                format!("the system gave no threads: {error}"),
            )
            .with_hint("try --threads 1")
        })?;
    pool.install(work)
}
